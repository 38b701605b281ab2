"""Activities, pairs, consolute temperatures, cloud points, ternary diagrams."""

import csv
import warnings
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from hspkit import phases
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.phases.ternary import _grid, _thin

# Hansen's handbook values for limonene, ethanol, water (from memory): only the shape of the problem matters
HSP = np.array([[17.2, 1.8, 4.3], [15.8, 8.8, 19.4], [15.5, 16.0, 42.3]])
VOLUMES = np.array([162.9, 58.5, 18.0])
CONSOLUTE = Path(__file__).parent / "reference" / "consolute_temperatures.csv"


def pair_of_chi(chi, volumes):
    """Parameters and alpha for chi referred to the first liquid."""
    alpha = chi / (phases.interaction_strength(25.0, 1.0) * volumes[0] * 25.0)
    return np.array([[16.0, 0, 0], [16.0, 0, 10.0]]), alpha


@pytest.mark.parametrize(("alpha", "chi"), [(0.6, 0.21783), (1.0, 0.36306)])
def test_chi_of_lindvig(alpha, chi):
    """V1 100, differences 1/4/4, 298.15 K: chi of the formula of Lindvig et al. 2002, worked by hand.

    Equal volumes: ln gamma at infinite dilution is chi.
    """
    answer = phases.ln_gamma_infinite([100.0, 100.0], [[16, 8, 8], [17, 4, 4]], alpha=alpha)
    assert_allclose(answer, chi, atol=5e-6)


@pytest.mark.parametrize(("volumes", "chi"), [((100, 100), 2.0), ((75, 160), 1.41903), ((100, 1e5), 0.53212)])
def test_critical_chi_of_flory(volumes, chi):
    """chi_c = 0.5 (1 + sqrt(V1/V2))^2, values worked by hand."""
    hsp, alpha = pair_of_chi(chi, volumes)
    assert_allclose(phases.pair_index(volumes, hsp, alpha=alpha), 1.0, rtol=5e-5)
    critical = phases.critical_fraction(volumes)
    f = [critical, 1 - critical]
    assert_allclose(phases.spinodal_index(f, volumes, hsp, alpha=alpha), 1.0, rtol=5e-5)
    assert_allclose(phases.binodal_index(f, volumes, hsp, alpha=alpha), 1.0, rtol=1e-4)


def test_spinodal_lies_inside_the_binodal_and_meets_it_at_the_critical_point():
    for excess in (1.5, 1.01, 1.0001):
        hsp, alpha = pair_of_chi(1.41903 * excess, (75, 160))
        outer = phases.binodal([75, 160], hsp, alpha=alpha)
        inner = phases.spinodal([75, 160], hsp, alpha=alpha)
        assert outer[0] < inner[0] < phases.critical_fraction([75, 160]) < inner[1] < outer[1]
        for phi in inner:
            assert_allclose(phases.spinodal_index([phi, 1 - phi], [75, 160], hsp, alpha=alpha), 1, rtol=1e-10)
    assert outer[1] - outer[0] < 0.05


def test_pairs_that_mix_have_no_curves():
    assert np.isnan(phases.spinodal([100, 100], HSP[:2], alpha=0.1)).all()
    assert np.isnan(phases.binodal([100, 100], HSP[:2], alpha=0.1)).all()


def test_activities_obey_gibbs_and_duhem():
    """sum x_i d ln gamma_i = 0 along any change of composition, and pure liquids have activity 1."""
    f = np.array([0.2, 0.5, 0.3])
    x = f / VOLUMES / (f / VOLUMES).sum()
    direction = np.array([1.0, -0.4, -0.6])
    step = 1e-5
    ends = [phases.ln_gamma(f + s * direction, VOLUMES, HSP) for s in (step, -step)]
    assert abs(x @ (ends[0] - ends[1]) / (2 * step)) < 1e-7
    assert_allclose(np.diagonal(phases.ln_gamma(np.eye(3), VOLUMES, HSP)), 0.0, atol=1e-12)
    assert_allclose(phases.ln_activity(np.eye(3), VOLUMES, HSP).max(axis=-1), 0.0, atol=1e-12)


def test_athermal_activity_is_that_of_flory():
    """No interaction: ln gamma = ln(V1/V2) + 1 - V1/V2 at infinite dilution."""
    answer = phases.ln_gamma_infinite([50.0, 200.0], HSP[[0, 0]])
    assert_allclose(answer, [np.log(0.25) + 0.75, np.log(4) - 3], rtol=1e-12)


def test_activities_are_equal_in_phases_at_equilibrium():
    result = phases.split([0.3, 0.3, 0.4], VOLUMES, HSP)
    ln_a = phases.ln_activity(result.fractions, VOLUMES, HSP)
    assert_allclose(ln_a[0], ln_a[1], atol=1e-8)


def consolute():
    with CONSOLUTE.open(encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize("row", consolute(), ids=lambda row: f"{row['first']} + {row['second']}")
def test_pairs_with_an_upper_consolute_temperature_mix_better_when_warm(row):
    """Consolute temperatures of handbooks: the figures are printed by ``tests/benchmarks/consolute.py``.

    Most are recalled and the parameters are as tables have them, so only the direction is a hard test.
    """
    volumes = [float(row["volume_first"]), float(row["volume_second"])]
    hsp = [[float(row[f"{part}_{which}"]) for part in ("d", "p", "h")] for which in ("first", "second")]
    index = phases.pair_index(volumes, hsp, celsius=np.array([0.0, 25.0, 50.0, 100.0]))
    assert (np.diff(index) < 0).all()
    assert 0.7 < index[1] < 1.7


def test_shares_of_the_spinodal_index_of_a_pair():
    """With w_i = V_i phi_i the two lie w_2 and w_1 to either side of their mean: shares w_2 and w_1 of w_1 + w_2."""
    fractions = np.array([[0.3, 0.7], [0.5, 0.5]])
    weight = fractions * VOLUMES[:2]
    shares = phases.index_shares(fractions, VOLUMES[:2], HSP[:2])
    assert_allclose(shares, weight[:, ::-1] / weight.sum(axis=1, keepdims=True), rtol=1e-12)
    assert phases.index_shares([0.4, 0.6], [100, 50], HSP[[0, 0]]).tolist() == [0.0, 0.0]
    assert phases.index_shares([0.0, 1.0], VOLUMES[:2], HSP[:2]).tolist() == [0.0, 0.0]
    # a component in between has no share where it lies at the mean, and all together they make one
    three = phases.index_shares([0.25, 0.5, 0.25], [100] * 3, [[16, 0, 0], [16, 0, 5], [16, 0, 10]])
    assert_allclose(three, [0.5, 0.0, 0.5], atol=1e-12)


def test_consolute_temperature_is_where_the_index_passes_one():
    hsp, alpha = pair_of_chi(2.1, (100, 100))
    celsius = phases.upper_critical_celsius([100, 100], hsp, alpha=alpha)
    assert_allclose(phases.pair_index([100, 100], hsp, alpha=alpha, celsius=celsius), 1.0, rtol=1e-9)
    with pytest.warns(ExtrapolationWarning, match="consolute"):
        answer = phases.upper_critical_celsius([100, 100], hsp, alpha=np.array([1e-3, 50]))
    assert (answer == [-np.inf, np.inf]).all()


def test_cloud_point_lies_on_the_binodal():
    rng = np.random.default_rng(0)
    oil = rng.uniform(0.02, 0.4, 20)
    start = np.stack([oil, 1 - oil, 0 * oil], axis=-1)
    point = phases.cloud_point(start, [0, 0, 1], VOLUMES, HSP)
    assert point.clouds.all()
    at = start + point.fraction[:, None] * (np.array([0, 0, 1]) - start)
    assert_allclose(phases.binodal_index(at, VOLUMES, HSP), 1.0, rtol=1e-5)
    before = start + 0.999 * point.fraction[:, None] * (np.array([0, 0, 1]) - start)
    assert phases.stable(before, VOLUMES, HSP).all()
    # more oil bears less water
    assert (np.diff(point.fraction[np.argsort(oil)]) < 0).all()


def test_cloud_point_of_a_binary_is_its_binodal():
    ends = phases.binodal(VOLUMES[[0, 2]], HSP[[0, 2]])
    for start, expected in (([0, 1], ends[0]), ([1, 0], 1 - ends[1])):
        point = phases.cloud_point(start, start[::-1], VOLUMES[[0, 2]], HSP[[0, 2]])
        assert_allclose(point.fraction, expected, rtol=1e-4)


def test_pairs_broadcast_and_are_those_of_single_questions():
    volumes, hsp = np.array([[100.0, 80.0], [60.0, 150.0]]), np.stack([HSP[:2], HSP[[0, 2]], HSP[1:]])[:, None]
    celsius = np.array([[[10.0]], [[60.0]]])
    for function, keywords in (
        (phases.pair_index, {"celsius": celsius}),
        (phases.spinodal, {"celsius": celsius}),
        (phases.binodal, {"celsius": celsius}),
        (phases.ln_gamma_infinite, {"celsius": celsius}),
        (phases.upper_critical_celsius, {"alpha": np.array([[[0.52]], [[0.56]]])}),
    ):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)
            together = function(volumes, hsp, **keywords)
            assert together.shape[:3] == (2, 3, 2)
            for i, j, k in np.ndindex(2, 3, 2):
                (name, value), *_ = keywords.items()
                alone = function(volumes[k], hsp[j, 0], **{name: value[i, 0, 0]})
                assert_allclose(together[i, j, k], alone, rtol=1e-9)
    with pytest.raises(InputError, match="leading axes do not broadcast"):
        phases.pair_index(np.ones((3, 2)), np.ones((4, 2, 3)))
    with pytest.warns(ExtrapolationWarning, match="consolute") as seen:
        phases.upper_critical_celsius([100, 100], HSP[:2], alpha=1e-3)
    assert [one.filename for one in seen] == [__file__]


def test_what_never_clouds_and_what_is_cloudy_at_once():
    never = phases.cloud_point([0, 1, 0], [0, 0, 1], VOLUMES, HSP, alpha=0.3)
    assert not never.clouds
    assert never.fraction == 1.0
    at_once = phases.cloud_point([0.5, 0, 0.5], [0, 1, 0], VOLUMES, HSP)
    assert at_once.clouds
    assert at_once.fraction == 0.0


def test_a_mixture_that_clouds_and_clears_again_gives_the_first_cloud_point():
    """Water into oil in ethanol: clear, cloudy, and clear again when next to nothing of the oil is left."""
    forth = phases.cloud_point([0.3, 0.7, 0], [0, 0, 1], VOLUMES, HSP)
    back = phases.cloud_point([0, 0, 1], [0.3, 0.7, 0], VOLUMES, HSP)
    assert 0 < forth.fraction < 1 - back.fraction < 1
    for t in (forth.fraction + 1e-3, 1 - back.fraction - 1e-6):
        assert not phases.stable([0.3 * (1 - t), 0.7 * (1 - t), t], VOLUMES, HSP)


def test_cloud_point_broadcasts_over_draws():
    draws = HSP + np.random.default_rng(1).normal(0, 0.3, (7, 3, 3))
    together = phases.cloud_point([0.1, 0.9, 0], [0, 0, 1], VOLUMES, draws)
    assert together.fraction.shape == (7,)
    for row in range(7):
        alone = phases.cloud_point([0.1, 0.9, 0], [0, 0, 1], VOLUMES, draws[row])
        assert_allclose(together.fraction[row], alone.fraction, rtol=1e-5)


def test_cloud_point_names_what_does_not_fit():
    with pytest.raises(InputError, match="same components"):
        phases.cloud_point([0.1, 0.9], [0, 0, 1], VOLUMES, HSP)
    with pytest.raises(InputError, match="sum to"):
        phases.cloud_point([0.1, 0.9, 0], [0, 0, 0.9], VOLUMES, HSP)


def test_ternary_diagram_agrees_with_its_parts():
    diagram = phases.ternary_diagram(VOLUMES, HSP, step=0.05)
    assert diagram.fractions.shape == (231, 3)
    assert (diagram.stable == phases.stable(diagram.fractions, VOLUMES, HSP)).all()
    assert len(diagram.tie_lines) > 5
    for line in diagram.tie_lines:
        ln_a = phases.ln_activity(line, VOLUMES, HSP)
        present = (line > 1e-12).all(axis=0)  # the fraction of a trace is the first to lose its digits
        assert_allclose(ln_a[0][present], ln_a[1][present], atol=1e-6)
        assert_allclose(phases.binodal_index(line, VOLUMES, HSP), 1.0, rtol=1e-5)
    assert diagram.triangles.shape == (0, 3, 3)


def test_tie_lines_are_thinned_and_none_is_far_from_those_that_are_kept():
    """Two lines are alike when both ends lie within 0.06 of each other, by the sum of the differences."""
    rng = np.random.default_rng(3)
    ends = np.repeat(rng.dirichlet(np.ones(3), (12, 2)), 5, axis=0) + rng.uniform(-0.02, 0.02, (60, 2, 3))

    def apart(one, other):
        return max(sum(abs(one[end] - other[end])) for end in (0, 1))

    kept = _thin(ends)
    assert 12 < len(kept) < 50
    assert (kept[0] == ends[0]).all()
    assert min(apart(a, b) for i, a in enumerate(kept) for b in kept[:i]) > 0.06
    assert max(min(apart(line, other) for other in kept) for line in ends) <= 0.06
    assert _thin(ends[:0]).shape == (0, 2, 3)


def test_grid_of_a_triangle_has_every_share_once():
    grid = _grid(4)
    assert sorted(map(tuple, (4 * grid).round().astype(int).tolist())) == [
        (i, j, 4 - i - j) for i in range(5) for j in range(5 - i)
    ]


def test_three_phase_triangle_is_found():
    hsp = [[17.2, 0, 0], [17.0, 18, 10.3], [15.5, 16, 42.8]]
    diagram = phases.ternary_diagram([162.9, 100.0, 18.0], hsp, step=0.1)
    assert diagram.triangles.shape == (1, 3, 3)


@pytest.mark.parametrize(
    ("arguments", "keywords", "match"),
    [((VOLUMES[:2], HSP[:2]), {}, r"expected \(3,\)"), ((VOLUMES, HSP), {"step": 0.7}, "step is 0.7")],
)
def test_ternary_diagram_names_what_does_not_fit(arguments, keywords, match):
    with pytest.raises(InputError, match=match):
        phases.ternary_diagram(*arguments, **keywords)
