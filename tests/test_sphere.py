"""Spheres from trials: the published function, the global optimum, the intervals, what contradicts."""

import numpy as np
import pandas as pd
import pytest

from hspkit import HSP, SphereFit
from hspkit.errors import InputError
from hspkit.sphere import OUTCOMES, desirability, soft_edge
from hspkit.sphere.optimum import Copies, best_radius, mean_error

STRETCH = np.array([2.0, 1.0, 1.0])
WORDS = np.array(OUTCOMES)


def tried(rng, n, *, noise=0.0, softness=None, hazy=0.0):
    """Synthetic truth: n liquids, their outcomes for a sphere that is drawn, and that sphere."""
    hsp = rng.uniform([14, 0, 0], [21, 20, 28], (n, 3))
    center, radius = rng.uniform([15.5, 3, 3], [18.5, 10, 14]), rng.uniform(5, 10)
    apart = np.sqrt((((hsp - center) * STRETCH) ** 2).sum(axis=1))
    if softness is not None:
        chance = soft_edge.probabilities(apart, np.array(radius), np.array(softness), hazy)
        kinds = (rng.uniform(size=n)[:, None] > chance.cumsum(axis=1)[:, :2]).sum(axis=1)
    else:
        seen = apart + noise * rng.standard_normal(n)
        kinds = np.where(seen < radius, 0, np.where(seen < radius + hazy, 1, 2))
    if not np.any(kinds < 2):
        kinds[np.argmin(apart)] = 0
    return hsp, kinds, np.append(center, radius)


def error(sphere, hsp, kinds):
    """Mean error, written down independently of the library, one trial at a time."""
    total = 0.0
    for point, kind in zip(hsp, kinds, strict=True):
        d, p, h = point - sphere[:3]
        over = np.sqrt(4 * d * d + p * p + h * h) - sphere[3]
        total += {0: max(over, 0.0), 1: abs(over) / 2, 2: max(-over, 0.0)}[int(kind)]
    return total / len(kinds)


# --- the published function (Durkee, Cleaning with Solvents, 2014, app. C1, eq. C1-1) ---


def test_desirability_is_one_when_all_are_right_and_exp_of_the_mean_error_otherwise():
    hsp = [[16, 4, 4], [16, 6, 4], [16, 4, 20], [16, 4, 13]]
    assert desirability([16, 4, 4], 8.0, hsp, ["clear", "clear", "splits", "splits"]) == 1.0
    # One of four misplaced by 1.0: exp(-0.25).
    assert desirability(HSP(16, 4, 4), 8.0, hsp, ["clear", "clear", "splits", "clear"]) == pytest.approx(
        0.77880, abs=5e-6
    )


def test_hazy_is_the_geometric_mean_of_clear_and_splits():
    for radius in (7.0, 9.5):
        worth = [desirability([16, 4, 4], radius, [[16, 4, 12.2]], [word]) for word in OUTCOMES]
        assert worth[1] == pytest.approx(np.sqrt(worth[0] * worth[2]))


# --- the optimum ---


@pytest.mark.parametrize("seed", range(6))
def test_the_radius_needs_no_search(seed):
    rng = np.random.default_rng(seed)
    hsp, kinds, _ = tried(rng, 25, noise=2.0, hazy=float(seed % 2))
    copies = Copies.of(hsp * STRETCH, kinds)
    centers = rng.uniform([14, 0, 0], [21, 20, 28], (5, 3))
    low, high = best_radius(centers * STRETCH, copies)
    found = mean_error(centers * STRETCH, copies)
    for center, bottom, top, value in zip(centers, low, high, found, strict=True):
        plain = [error(np.append(center, radius), hsp, kinds) for radius in np.linspace(0, 60, 801)]
        assert value <= min(plain) + 1e-9
        for radius in (bottom, top):
            assert error(np.append(center, radius), hsp, kinds) == pytest.approx(value, abs=1e-9)


def _versus_evolution(seed, n, noise, criterion, **budget):
    from scipy.optimize import differential_evolution

    rng = np.random.default_rng(seed)
    hsp, kinds, _ = tried(rng, n, noise=noise, hazy=0.7 * (seed % 3 == 0))
    fit = SphereFit(0, criterion=criterion).fit(hsp, WORDS[kinds])
    bounds = [*map(tuple, fit.bounds_), (0.0, 60.0)]
    if criterion == "desirability":
        difference = STRETCH * (hsp - fit.center_)
        assert fit.desirability_ == pytest.approx(np.exp(-error([*fit.center_, fit.radius_], hsp, kinds)))
        assert np.isfinite(difference).all()

        def target(x):
            over = np.sqrt((((hsp - x[:3]) * STRETCH) ** 2).sum(axis=1)) - x[3]
            parts = np.select([kinds == 0, kinds == 2], [np.maximum(over, 0), np.maximum(-over, 0)], np.abs(over) / 2)
            return parts.mean()

        mine = target(np.append(fit.center_, fit.radius_))
    else:
        width = soft_edge.HAZY_WIDTH if np.any(kinds == 1) else 0.0
        bounds.append((-6.0, 6.0))

        def target(x):
            sphere = (x * np.array([2, 1, 1, 1, 1]))[None]
            likely = soft_edge.log_likelihood(sphere, hsp * STRETCH, kinds, width)
            return -float(likely[0] + soft_edge.log_prior(sphere)[0])

        mine = target(np.concatenate([fit.center_, [fit.radius_, np.log(fit.softness_)]]))
    theirs = differential_evolution(target, bounds, seed=seed, **budget).fun
    assert mine <= theirs + 1e-7, (seed, n, noise, criterion)
    assert criterion == "likelihood" or fit.gap_ <= 1e-3 or noise > 10


@pytest.mark.parametrize("criterion", ["desirability", "likelihood"])
@pytest.mark.parametrize("seed", range(8))
def test_never_worse_than_differential_evolution(seed, criterion):
    noise = (0.0, 0.7, 2.0, 100.0)[seed % 4]
    _versus_evolution(seed, 8 + 4 * seed, noise, criterion, popsize=15, maxiter=150)


@pytest.mark.slow
@pytest.mark.parametrize("criterion", ["desirability", "likelihood"])
@pytest.mark.parametrize("seed", range(220))
def test_never_worse_than_differential_evolution_with_a_generous_budget(seed, criterion):
    # 200 data sets around a sphere, 20 whose outcomes have nothing to do with one
    noise = 100.0 if seed >= 200 else (0.0, 0.7, 2.0)[seed % 3]
    n = int(np.random.default_rng(seed).integers(6, 61))
    _versus_evolution(1000 + seed, n, noise, criterion, popsize=25, maxiter=600, tol=1e-10)


def test_the_proof_holds_on_a_dense_lattice():
    rng = np.random.default_rng(7)
    hsp, kinds, _ = tried(rng, 30, noise=3.0)
    fit = SphereFit().fit(hsp, WORDS[kinds])
    axes = [np.linspace(low, high, 41) for low, high in fit.bounds_]
    lattice = np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 3)
    least = mean_error(lattice * STRETCH, Copies.of(hsp * STRETCH, kinds)).min()
    assert fit.desirability_ < 1
    assert -np.log(fit.desirability_) - fit.gap_ <= least


def test_fit_is_deterministic_and_order_does_not_matter():
    rng = np.random.default_rng(3)
    hsp, kinds, _ = tried(rng, 40, noise=1.5)
    first, again = SphereFit(1).fit(hsp, WORDS[kinds]), SphereFit(2).fit(hsp, WORDS[kinds])
    assert np.array_equal(first.center_, again.center_)
    shuffle = rng.permutation(40)
    other = SphereFit().fit(hsp[shuffle], WORDS[kinds][shuffle])
    assert other.desirability_ == pytest.approx(first.desirability_, abs=1e-8)


def test_synthetic_truth_is_found():
    rng = np.random.default_rng(11)
    hsp, kinds, truth = tried(rng, 250)
    fit = SphereFit().fit(hsp, WORDS[kinds])
    assert fit.desirability_ == 1.0
    assert np.append(fit.center_, fit.radius_) == pytest.approx(truth, abs=0.7)


def test_the_chosen_sphere_keeps_off_every_trial():
    hsp = [[16, 4, 4], [16, 4, 14], [16, 14, 4], [13, 4, 4], [20, 4, 4]]
    fit = SphereFit().fit(hsp, ["clear", "splits", "splits", "splits", "splits"])
    apart = np.sqrt((((np.array(hsp) - fit.center_) * STRETCH) ** 2).sum(axis=1))
    assert fit.desirability_ == 1.0
    # centre on the clear trial would leave min(R, 6 - R) = 3
    assert min(fit.radius_ - apart[0], *(apart[1:] - fit.radius_)) >= 3.0 - 0.02


# --- what is left open ---


def test_few_trials_leave_a_region_and_say_so():
    fit = SphereFit(0).fit([[16, 4, 4], [16, 6, 4], [16, 4, 20]], ["clear", "clear", "splits"])
    assert not fit.unique_
    assert len(fit.tied_) > 20
    assert any("equally good" in note for note in fit.notes_)
    for sphere in fit.tied_[:: len(fit.tied_) // 10]:
        assert (
            desirability(sphere[:3], sphere[3], [[16, 4, 4], [16, 6, 4], [16, 4, 20]], ["clear", "clear", "splits"])
            == 1
        )
    low, high = fit.interval(0.9).T
    assert np.all(high - low > 3)


def test_only_clear_trials_give_the_smallest_sphere_around_them():
    fit = SphereFit().fit([[16, 4, 4], [16, 10, 4], [16, 7, 5]], ["clear"] * 3)
    assert fit.radius_ == pytest.approx(3.0, abs=0.01)
    assert fit.center_ == pytest.approx([16, 7, 4], abs=0.05)
    assert fit.radius_range_[1] == np.inf
    assert any("no trial splits" in note for note in fit.notes_)


def _coverage(sets, n, softness, hazy, criterion="desirability", level=0.9):
    rng = np.random.default_rng(2024)
    inside = []
    for seed in range(sets):
        hsp, kinds, truth = tried(rng, n, softness=softness(rng), hazy=hazy)
        low, high = SphereFit(seed).fit(hsp, WORDS[kinds]).interval(level).T
        inside.append((truth >= low) & (truth <= high))
    return np.mean(inside)


def _soft(rng):
    return float(np.exp(rng.normal(np.log(soft_edge.SOFTNESS), 0.5)))


def test_intervals_cover_about_what_they_promise():
    assert 0.78 <= _coverage(24, 40, _soft, soft_edge.HAZY_WIDTH) <= 0.99


@pytest.mark.slow
@pytest.mark.parametrize(("n", "hazy"), [(30, 0.0), (30, soft_edge.HAZY_WIDTH), (100, soft_edge.HAZY_WIDTH)])
def test_a_90_percent_interval_covers_86_to_94_percent(n, hazy):
    assert 0.86 <= _coverage(250, n, _soft, hazy) <= 0.94


def test_probabilities_are_probabilities_and_fall_with_distance():
    rng = np.random.default_rng(5)
    hsp, kinds, truth = tried(rng, 60, softness=0.4, hazy=soft_edge.HAZY_WIDTH)
    fit = SphereFit(0).fit(hsp, WORDS[kinds])
    line = truth[:3] + np.linspace(0, 15, 6)[:, None] * np.array([0, 0, 1.0])
    chance = fit.predict_proba(line)
    assert chance.sum(axis=1) == pytest.approx(1.0)
    assert np.all(np.diff(chance[:, 0]) <= 1e-9)
    assert list(fit.predict(line)[[0, -1]]) == ["clear", "splits"]
    assert fit.classes_ == OUTCOMES
    assert np.array_equal(chance, SphereFit(0).fit(hsp, WORDS[kinds]).predict_proba(line))


# --- contradictions ---


def test_a_misplaced_trial_is_named_with_the_one_it_contradicts():
    hsp = [[16, 4, 4], [16, 6, 4], [16, 4, 6], [16, 4, 16], [16, 15, 4], [16, 4.2, 4.2], [20, 4, 14], [13, 10, 12]]
    seen = ["clear", "clear", "clear", "splits", "splits", "splits", "splits", "splits"]
    fit = SphereFit().fit(hsp, seen, names=[f"liquid {letter}" for letter in "abcdefgh"])
    assert fit.desirability_ < 1
    for one in fit.misplaced_:
        assert one.outcome == seen[one.row]
        assert one.name in one.reason
        assert f"{one.distance:.2f}" in one.reason
    assert {one.name for one in fit.misplaced_} & {"liquid f", "liquid a"}
    assert any("from it and" in one.reason for one in fit.misplaced_)


# --- arguments ---


def test_frames_points_and_arrays_are_the_same_and_stay_unchanged():
    import pandas as pd

    rng = np.random.default_rng(1)
    hsp, kinds, _ = tried(rng, 12)
    frame = pd.DataFrame(hsp, columns=["delta_d", "delta_p", "delta_h"], index=range(5, 17))
    before = frame.copy()
    results = [
        SphereFit().fit(given, WORDS[kinds]).center_ for given in (hsp, frame, [HSP(*row) for row in hsp], hsp.tolist())
    ]
    assert all(np.array_equal(results[0], one) for one in results)
    pd.testing.assert_frame_equal(frame, before)


def test_a_bad_row_is_skipped_and_noted():
    hsp = [[16, 4, 4], [np.nan, 4, 4], [16, 4, 20], [16, 9, 30]]
    fit = SphereFit().fit(hsp, ["clear", "clear", "splits", "clear"])
    assert "row 1 skipped" in fit.notes_[0]
    assert {one.row for one in fit.misplaced_} <= {0, 2, 3}


@pytest.mark.parametrize(
    ("hsp", "outcomes", "match"),
    [
        ([[16, 4, 4]], ["splits"], "no trial is clear or hazy"),
        ([[16, 4, 4]], [1], "row 0: outcome is 1; expected one of the words clear, hazy, splits"),
        ([[16, 4, 4]], ["clear", "clear"], "1 rows, outcomes 2"),
        ([[16, 4]], ["clear"], r"shape \(1, 2\)"),
    ],
)
def test_errors_name_what_was_given(hsp, outcomes, match):
    with pytest.raises(InputError, match=match):
        SphereFit().fit(hsp, outcomes)


def test_estimator_manners():
    fit = SphereFit(3, criterion="likelihood")
    assert fit.get_params() == {"random_state": 3, "criterion": "likelihood", "bounds": None}
    assert fit.set_params(random_state=4) is fit
    assert "random_state=4" in repr(fit)
    with pytest.raises(InputError, match="no parameter 'radius'"):
        fit.set_params(radius=1)
    with pytest.raises(InputError, match="call fit"):
        fit.interval(0.9)
    with pytest.raises(InputError, match="criterion is 'best'"):
        SphereFit(criterion="best").fit([[16, 4, 4]], ["clear"])
    with pytest.raises(InputError, match="bounds"):
        SphereFit(bounds=[(1, 2)]).fit([[16, 4, 4]], ["clear"])


# --- the figure ---


def test_the_figure_shows_every_trial_at_its_distance():
    import matplotlib.pyplot as plt

    from hspkit import plotting

    hsp = [[16, 4, 4], [16, 6, 4], [16, 4, 6], [16, 4, 16], [19, 4.0, 4.0], [16, 5, 5], [13, 10, 12], [16, 4, 4.5]]
    seen = ["clear", "clear", "clear", "splits", "splits", "hazy", "splits", "splits"]
    fit = SphereFit(0).fit(hsp, seen, names=list("abcdefgh"))
    axes = plotting.sphere_fit(fit)
    try:
        star = fit.center_[[2, 1]]
        drawn = [
            line.get_xydata()[0] for line in axes.lines if line.get_marker() in "oDv" and line.get_markersize() == 7
        ]
        apart = sorted(np.hypot(*(np.array(drawn) - star).T))
        truth = sorted(np.sqrt((((np.array(hsp) - fit.center_) * STRETCH) ** 2).sum(axis=1)))
        assert apart == pytest.approx(truth)
        assert {text.get_text() for text in axes.texts} == {one.name for one in fit.misplaced_}
        assert [text.get_text() for text in axes.get_legend().get_texts()][1:] == list(OUTCOMES)
        assert "MPa" in axes.get_xlabel()
        assert f"R0 {fit.radius_:.1f}" in axes.get_title(loc="left")
    finally:
        plt.close(axes.figure)


def test_points_of_hansen_space_in_every_form_and_none_else():
    frame = pd.DataFrame({"delta_d": [16.0, 17.0], "delta_p": [4.0, 8.0], "delta_h": [5.0, 20.0]})
    words = ["clear", "splits"]
    expected = desirability([16, 4, 5], 5.0, frame.to_numpy(), words)
    assert desirability([16, 4, 5], 5.0, frame, words) == expected
    assert desirability([16, 4, 5], 5.0, [HSP(16, 4, 5), HSP(17, 8, 20)], words) == expected
    assert desirability([16, 4, 5], 5.0, HSP(16, 4, 5), ["clear"]) == 1.0
    with pytest.raises(InputError, match="lacks the columns delta_h"):
        desirability([16, 4, 5], 5.0, frame[["delta_d", "delta_p"]], words)
    with pytest.raises(InputError, match="expected numbers in an array"):
        desirability([16, 4, 5], 5.0, [["a", "b", "c"]], ["clear"])
    with pytest.raises(InputError, match="hsp has 2 rows and outcomes 1; expected as many"):
        desirability([16, 4, 5], 5.0, frame, ["clear"])


@pytest.mark.parametrize("bounds", [[(10, 20)], [(20, 10), (0, 5), (0, 5)], [(10, np.inf), (0, 5), (0, 5)]])
def test_bounds_that_hold_nothing_are_refused(bounds):
    with pytest.raises(InputError, match=r"expected three \(low, high\) with low < high"):
        SphereFit(bounds=bounds).fit([[16, 4, 4], [16, 4, 20]], ["clear", "splits"])


@pytest.mark.parametrize("level", [0, 1, 90])
def test_an_interval_needs_a_share(level):
    fit = SphereFit().fit([[16, 4, 4], [16, 6, 4], [16, 4, 20]], ["clear", "clear", "splits"])
    with pytest.raises(InputError, match=f"level is {level}; expected a share between 0 and 1"):
        fit.interval(level)
