"""The global verdict: a plain search written for the purpose, closed forms, what must not change it."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from phase_search import contact_matrix, gain_and_cost, plain_index, random_mixtures

from hspkit import hansen, phases
from hspkit.errors import ExtrapolationWarning, InputError

# Hansen's handbook values for limonene, water, ethanol (from memory): only the shape of the problem matters
HSP = np.array([[17.2, 1.8, 4.3], [15.5, 16.0, 42.3], [15.8, 8.8, 19.4]])
VOLUMES = np.array([162.9, 18.0, 58.5])
#: Distance from the binodal, as a share of the interaction, within which two searches may disagree.
DISTANCE = 1e-6


def agree_with_plain_search(seed, count):
    rng = np.random.default_rng(seed)
    fractions, volumes, hsp = random_mixtures(rng, count)
    # the closed form of the spinodal places the mixtures: one in twenty beyond it, many between it and the
    # binodal
    local = phases.spinodal_index(fractions, volumes, hsp, alpha=1.0)
    alpha = rng.uniform(0.3, 1.03, count) / np.maximum(local, 1e-6)
    a = phases.interaction_strength(25.0, alpha)
    verdict = phases.stable(fractions, volumes, hsp, alpha=alpha)
    assert 0.3 < verdict.mean() < 0.9
    plain = plain_index(fractions, volumes, hsp, a, rng)
    missed = verdict & (plain > 1.0 + DISTANCE)
    assert not missed.any(), f"{missed.sum()} unstable mixtures called stable, plain index {plain[missed]}"
    # "unstable" has to show the trial phase that proves it, in the plain formula
    w = phases.binodal_details(fractions, volumes, hsp, alpha=alpha).incipient
    gain, cost = gain_and_cost(w[:, None, :], fractions, volumes, contact_matrix(hsp))
    proof = (a * gain[:, 0] / np.maximum(cost[:, 0], 1e-300) > 1.0 - DISTANCE) | (local * alpha >= 1.0)
    assert proof[~verdict].all()


def test_verdict_is_that_of_a_plain_search():
    agree_with_plain_search(1, 250)


@pytest.mark.slow
def test_verdict_is_that_of_a_plain_search_ten_thousand_times():
    for seed in range(20):
        agree_with_plain_search(100 + seed, 500)


def test_index_is_that_of_a_plain_search():
    """M itself, not only the verdict: a few starts find the best trial phase of nearly every mixture."""
    rng = np.random.default_rng(5)
    fractions, volumes, hsp = random_mixtures(rng, 300)
    index = phases.binodal_index(fractions, volumes, hsp, alpha=0.5)
    plain = plain_index(fractions, volumes, hsp, np.full(300, phases.interaction_strength(25.0, 0.5)), rng)
    assert (index < plain * (1 - 1e-5)).mean() < 0.005
    near = plain > 0.1  # far below 1 a search may stop at a lesser maximum
    assert (index[near] > 0.998 * plain[near]).all()
    assert (index > 0.98 * plain).all()


def test_a_swollen_polymer_pays_most_close_to_the_mixture():
    """Large molecules answer to tilts at which small ones hardly move; a long tilt leaps over that maximum."""
    rng = np.random.default_rng(119)
    fractions, volumes, hsp = (values[258] for values in random_mixtures(rng, 500))
    assert volumes.max() > 45 * np.median(volumes)
    index = phases.binodal_index(fractions, volumes, hsp, alpha=0.5)
    a = phases.interaction_strength(25.0, 0.5)
    assert_allclose(index, plain_index(fractions[None], volumes[None], hsp[None], a[None], rng)[0], rtol=1e-5)
    assert index > 1.05 * phases.spinodal_index(fractions, volumes, hsp, alpha=0.5)


def test_binary_spinodal_has_its_closed_form():
    """1/(V1 phi1) + 1/(V2 phi2) = 2 a |d1 - d2|^2 on the spinodal (second derivative of the free energy)."""
    rng = np.random.default_rng(1)
    for _ in range(50):
        volumes, hsp, phi = rng.uniform(18, 400, 2), rng.uniform(0, 25, (2, 3)), rng.uniform(0.01, 0.99)
        a = phases.interaction_strength(25.0)
        square = hansen.distance(hsp[0], hsp[1]) ** 2 / 4
        expected = 2 * a * square / (1 / (volumes[0] * phi) + 1 / (volumes[1] * (1 - phi)))
        assert_allclose(phases.spinodal_index([phi, 1 - phi], volumes, hsp), expected, rtol=1e-10)


def test_binary_verdict_changes_on_the_common_tangent():
    """Symmetric binary: ln(phi/(1 - phi)) + chi (1 - 2 phi) = 0 on the binodal (textbook form)."""
    for phi in (0.01, 0.1, 0.3, 0.45):
        chi = np.log((1 - phi) / phi) / (1 - 2 * phi)
        hsp, volumes = np.array([[16.0, 0, 0], [16.0, 0, 10.0]]), np.array([100.0, 100.0])
        alpha = chi / (phases.interaction_strength(25.0, 1.0) * 100.0 * 25.0)
        assert_allclose(phases.binodal_index([phi, 1 - phi], volumes, hsp, alpha=alpha), 1.0, rtol=1e-6)
        assert phases.stable([phi, 1 - phi], volumes, hsp, alpha=alpha * 0.9999)
        assert not phases.stable([phi, 1 - phi], volumes, hsp, alpha=alpha * 1.0001)


def test_index_is_proportional_to_the_interaction():
    fractions, volumes, hsp = random_mixtures(np.random.default_rng(2), 40)
    once, twice = (phases.binodal_index(fractions, volumes, hsp, alpha=alpha) for alpha in (0.3, 0.6))
    # near the verdict all components are tried, elsewhere six: a better trial phase may be found in one only
    assert_allclose(twice, 2 * once, rtol=2e-2)
    assert np.median(np.abs(twice / (2 * once) - 1)) < 1e-9


def test_order_of_components_does_not_matter():
    rng = np.random.default_rng(3)
    fractions, volumes, hsp = random_mixtures(rng, 50, most=6)
    order = rng.permutation(6)
    for function in (phases.spinodal_index, phases.binodal_index):
        assert_allclose(
            function(fractions[:, order], volumes[:, order], hsp[:, order]),
            function(fractions, volumes, hsp),
            rtol=1e-7,
            atol=1e-12,
        )


def test_identical_components_may_be_merged():
    parts = np.array([[0.1, 0.2, 0.3, 0.4], [0.02, 0.01, 0.9, 0.07]])
    volumes, hsp = np.array([162.9, 162.9, 18.0, 58.5]), HSP[[0, 0, 1, 2]]
    merged = np.stack([parts[:, 0] + parts[:, 1], parts[:, 2], parts[:, 3]], axis=-1)
    for function in (phases.spinodal_index, phases.binodal_index):
        assert_allclose(function(parts, volumes, hsp), function(merged, VOLUMES, HSP), rtol=1e-8)


def test_an_absent_component_changes_nothing():
    f = np.random.default_rng(4).dirichlet(np.ones(3), 30)
    wider = np.concatenate([f, np.zeros((30, 1))], axis=1)
    volumes, hsp = np.append(VOLUMES, 300.0), np.vstack([HSP, [18.0, 0.0, 0.0]])
    for function in (phases.spinodal_index, phases.binodal_index):
        assert_allclose(function(wider, volumes, hsp), function(f, VOLUMES, HSP), rtol=1e-8)


def test_indices_grow_in_proportion_to_molar_volumes():
    f = np.random.default_rng(4).dirichlet(np.ones(3), 30)
    for function in (phases.spinodal_index, phases.binodal_index):
        assert_allclose(function(f, 3 * VOLUMES, HSP), 3 * function(f, VOLUMES, HSP), rtol=1e-7)


def test_draws_of_parameters_broadcast_like_a_loop():
    rng = np.random.default_rng(6)
    f, draws = rng.dirichlet(np.ones(3), 4), HSP + rng.normal(0, 0.5, (5, 1, 3, 3))
    sizes = VOLUMES * rng.uniform(0.95, 1.05, (5, 1, 3))
    together = phases.binodal_index(f, sizes, draws, celsius=np.array([[10.0], [20], [25], [30], [40]]))
    assert together.shape == (5, 4)
    for i, celsius in enumerate([10.0, 20, 25, 30, 40]):
        for j in range(4):
            alone = phases.binodal_index(f[j], sizes[i, 0], draws[i, 0], celsius=celsius)
            assert_allclose(together[i, j], alone, rtol=1e-7)


def test_followed_draws_equal_a_new_search():
    rng = np.random.default_rng(7)
    n = 12
    hsp = rng.normal([17, 3, 6], [0.5, 1.5, 3], (n, 3))
    hsp[0] = [16, 9, 20]
    volumes = np.append(73.0, rng.uniform(100, 220, n - 1))
    f = np.append(0.66, 0.34 * rng.dirichlet(np.ones(n - 1)))
    draws = hsp + rng.normal(0, 1, (100, n, 3))
    followed = phases.binodal_index_of_draws(f, volumes, hsp, volumes, draws)
    assert_allclose(followed, phases.binodal_index(f, volumes, draws), rtol=2e-6)


def test_one_search_serves_the_index_and_the_phases_at_any_weight():
    rng = np.random.default_rng(8)
    fractions, volumes, hsp = random_mixtures(rng, 20, most=8)
    for f, v, h in zip(fractions, volumes, hsp, strict=True):
        scene = phases.StabilityAnalysis.of(f, v, h, celsius=35.0)
        assert_allclose(scene.index, phases.binodal_index(f, v, h, celsius=35.0), rtol=2e-3)
        assert_allclose(scene.spinodal_index, phases.spinodal_index(f, v, h, celsius=35.0), rtol=1e-12)
        factors = np.array([0.9, 1.1, 1.6]) / scene.index
        found = scene.split(factors)
        anew = phases.split(f, v, h, celsius=35.0, alpha=factors * phases.ALPHA)
        assert found.n_phases[0] == 1
        assert (found.n_phases[1:] > 1).all()
        assert_allclose(found.amounts, anew.amounts, atol=1e-8)


def test_an_analysis_is_of_one_mixture():
    for volumes, message in ((VOLUMES, "expected one mixture"), (np.stack([VOLUMES] * 2), "leading axes")):
        fractions = np.full((2, 3) if volumes.ndim == 1 else 3, 1 / 3)
        with pytest.raises(InputError, match=message):
            phases.StabilityAnalysis.of(fractions, volumes, HSP)


@pytest.mark.parametrize("f", [[0.2, 0.3, 0.5], [0.001, 0.899, 0.1], [0.02, 0.08, 0.9]])
@pytest.mark.parametrize("celsius", [25.0, 40.0])
def test_derivatives_are_those_of_finite_differences(f, celsius):
    details = phases.binodal_details(f, VOLUMES, HSP, celsius=celsius)
    assert_allclose(details.index, phases.binodal_index(f, VOLUMES, HSP, celsius=celsius), rtol=1e-9)
    for i in range(3):
        for k in range(3):
            up, down = HSP.copy(), HSP.copy()
            up[i, k] += 1e-4
            down[i, k] -= 1e-4
            ends = [np.log(phases.binodal_index(f, VOLUMES, h, celsius=celsius)) for h in (up, down)]
            assert_allclose(details.by_hsp[i, k], (ends[0] - ends[1]) / 2e-4, rtol=1e-4, atol=1e-5)
        up, down = VOLUMES.copy(), VOLUMES.copy()
        up[i] *= 1.0001
        down[i] /= 1.0001
        ends = [np.log(phases.binodal_index(f, v, HSP, celsius=celsius)) for v in (up, down)]
        assert_allclose(details.by_ln_volume[i], (ends[0] - ends[1]) / (2 * np.log(1.0001)), rtol=1e-4, atol=1e-5)
    assert_allclose(details.by_ln_volume.sum(), 1.0, rtol=1e-9)


def test_a_polymer_of_huge_volume_ratio():
    """V2/V1 = 1e5: the critical composition and chi_c of Flory (0.5 (1 + sqrt(V1/V2))^2) hold."""
    volumes, hsp = np.array([100.0, 1e7]), np.array([[16.0, 0, 0], [16.0, 0, 10.0]])
    critical = 1 / (1 + np.sqrt(1e5))
    alpha = 0.5 * (1 + np.sqrt(1e-5)) ** 2 / (phases.interaction_strength(25.0, 1.0) * 100.0 * 25.0)
    f = [1 - critical, critical]
    assert phases.stable(f, volumes, hsp, alpha=alpha * 0.999)
    assert not phases.stable(f, volumes, hsp, alpha=alpha * 1.001)


def test_25_degrees_is_the_identity_and_warm_mixtures_mix_better():
    f = [0.3, 0.3, 0.4]
    assert phases.spinodal_index(f, VOLUMES, HSP, celsius=25) == phases.spinodal_index(f, VOLUMES, HSP)
    assert phases.binodal_index(f, VOLUMES, HSP, celsius=60) < phases.binodal_index(f, VOLUMES, HSP)
    warm = hansen.at_temperature(HSP, 60.0)
    swollen = VOLUMES * np.exp(hansen.TYPICAL_EXPANSIVITY * 35.0)
    expected = phases.spinodal_index(f, swollen, warm) * 298.15 / 333.15
    assert_allclose(phases.spinodal_index(f, VOLUMES, HSP, celsius=60), expected, rtol=1e-12)


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        (([0.5, 0.6, -0.1], VOLUMES, HSP), "hold -0.1"),
        (([0.5, 0.6, 0.1], VOLUMES, HSP), "sum to 1.2"),
        (([0.5, np.nan, 0.5], VOLUMES, HSP), "nan"),
        (([0.5, 0.5, 0.0], [18, 0, 20], HSP), "volumes hold 0"),
        (([0.5, 0.5, 0.0], [18, -3, 20], HSP), "volumes hold -3"),
        (([0.5, 0.5], VOLUMES, HSP), "same n"),
        (([0.5, 0.5, 0.0], VOLUMES[:2], HSP), "same n"),
        (([0.5, 0.5, 0.0], VOLUMES, HSP[:, :2]), "delta_d, delta_p, delta_h"),
        (([0.5, 0.5, 0.0], VOLUMES, np.full((3, 3), np.nan)), "hsp holds"),
        ((np.full((4, 3), 1 / 3), VOLUMES, np.ones((5, 3, 3))), "do not broadcast"),
        ((1.0, VOLUMES, HSP), "n >= 1"),
    ],
)
@pytest.mark.parametrize(
    "function",
    [
        phases.spinodal_index,
        phases.binodal_index,
        phases.binodal_details,
        phases.stable,
        phases.split,
        phases.ln_gamma,
    ],
)
def test_bad_input_is_named(function, arguments, match):
    with pytest.raises(InputError, match=match):
        function(*arguments)


@pytest.mark.parametrize(
    ("keywords", "match"),
    [
        ({"celsius": np.nan}, "celsius is nan"),
        ({"celsius": -300.0}, "-300"),
        ({"alpha": -1.0}, "alpha is -1"),
    ],
)
def test_impossible_temperature_or_weight_is_named(keywords, match):
    with pytest.raises(InputError, match=match):
        phases.stable([0.5, 0.5, 0], VOLUMES, HSP, **keywords)


@pytest.mark.parametrize("celsius", [-20.0, 130.0])
def test_temperature_outside_the_range_warns(celsius):
    with pytest.warns(ExtrapolationWarning, match="0 to 100"):
        assert np.isfinite(phases.spinodal_index([0.5, 0.5, 0], VOLUMES, HSP, celsius=celsius))


def test_warnings_name_the_line_that_asked_and_spare_the_ends_of_the_range():
    assert (phases.interaction_strength([0.0, 100.0], 1.0) > 0).all()
    with pytest.warns(ExtrapolationWarning) as seen:
        phases.spinodal_index([0.5, 0.5, 0], VOLUMES, HSP, celsius=100.1)
    assert [one.filename for one in seen] == [__file__]
    assert phases.spinodal_index([0.5, 0.5, 0], VOLUMES, HSP, alpha=0.0) == 0.0


def test_leading_axes_of_every_argument_broadcast():
    rng = np.random.default_rng(9)
    f, v = rng.dirichlet(np.ones(3), (2, 1, 1)), VOLUMES * rng.uniform(0.9, 1.1, (3, 1, 3))
    h, alpha = HSP + rng.normal(0, 0.2, (4, 3, 3)), np.array([0.5, 0.6])[:, None, None]
    celsius = np.array([[20.0], [25.0], [30.0]])
    for function in (phases.spinodal_index, phases.stable, phases.ln_gamma):
        together = function(f, v, h, celsius=celsius, alpha=alpha)
        assert together.shape[:3] == (2, 3, 4)
        for i, j, k in np.ndindex(2, 3, 4):
            alone = function(f[i, 0, 0], v[j, 0], h[k], celsius=celsius[j, 0], alpha=alpha[i, 0, 0])
            assert_allclose(together[i, j, k], alone, rtol=1e-9)


def test_one_component_is_always_stable():
    pure = ([1.0], [18.0], [[15.5, 16.0, 42.3]])
    assert phases.stable(*pure)
    assert phases.spinodal_index(*pure) == 0
    assert phases.binodal_index(*pure) == 0
    assert phases.stable([0, 1.0, 0], VOLUMES, HSP)
    assert phases.stable([0.3, 0.3, 0.4], VOLUMES, np.tile(HSP[:1], (3, 1)))


def test_an_empty_batch_is_an_empty_answer():
    assert phases.stable(np.zeros((0, 3)), VOLUMES, HSP).shape == (0,)
    assert phases.split(np.zeros((0, 3)), VOLUMES, HSP).n_phases.shape == (0,)


def test_arguments_are_left_as_they_were():
    f, v, h = np.array([0.3, 0.3, 0.4]), VOLUMES.copy(), HSP.copy()
    phases.split(f, v, h)
    phases.binodal_details(f, v, h, celsius=30)
    assert (f == [0.3, 0.3, 0.4]).all()
    assert (v == VOLUMES).all()
    assert (h == HSP).all()
