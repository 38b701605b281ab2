"""What must hold for every liquid: invariants of distance, mixing, conversions and phase stability.

They follow from the formulas alone, so there is no table to compare with; each test says why it must hold.
"""

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from hspkit import Application, Blend, carrier, distance, ethanol, phases, red
from hspkit.application import dose, volume_parts
from hspkit.hansen import at_temperature, mix, teas_fractions

#: The same examples in every run: a search for the best trial phase may stop at a lesser one far from the verdict, and
#: an example that shows it is no news. How often it does is measured in test_phases_stability and test_phases_global.
FEW = settings(max_examples=60, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])

point = st.tuples(st.floats(13, 21), st.floats(0, 18), st.floats(0, 42))
shares = st.lists(st.floats(1e-3, 1.0), min_size=2, max_size=5)
positive = st.floats(0.01, 100)


def normal(values):
    """Return fractions: the values over their sum."""
    values = np.asarray(values, dtype=float)
    return values / values.sum()


@st.composite
def mixtures(draw, least=2, most=5):
    """Fractions (n,), molar volumes (n,) and parameters (n, 3) of ordinary liquids, from water to a triglyceride."""
    n = draw(st.integers(least, most))
    fractions = normal(draw(st.lists(st.floats(1e-3, 1.0), min_size=n, max_size=n)))
    volumes = np.array(draw(st.lists(st.floats(18, 500), min_size=n, max_size=n)))
    hsp = np.array(draw(st.lists(point, min_size=n, max_size=n)))
    return fractions, volumes, hsp


# --- distance and mixing ---


@given(point, point, st.tuples(*[st.floats(-9, 9)] * 3))
def test_distance_is_between_points_and_not_from_an_origin(a, b, shift):
    moved = distance(np.add(a, shift), np.add(b, shift)) if np.min(np.add([a, b], shift)) >= 0 else distance(a, b)
    assert moved == pytest.approx(distance(a, b), rel=1e-9, abs=1e-9)


@given(point, point, st.floats(0.1, 20), st.floats(0.2, 5))
def test_red_is_the_same_in_any_unit(a, b, radius, factor):
    scaled = red(np.multiply(a, factor), np.multiply(b, factor), radius * factor)
    assert scaled == pytest.approx(red(a, b, radius), rel=1e-9, abs=1e-12)


@given(st.data(), shares)
def test_a_mixture_is_nowhere_nearer_than_on_its_segment(data, values):
    """Ra is a norm, so that of a mixture to any point is at most the mean of its parts' (convexity)."""
    fractions = normal(values)
    hsp = np.array(data.draw(st.lists(point, min_size=len(values), max_size=len(values))))
    target = data.draw(point)
    assert distance(mix(hsp, fractions), target) <= fractions @ distance(hsp, target) + 1e-9


@given(st.data(), shares, st.floats(0.01, 0.99))
def test_a_mixture_of_mixtures_is_the_mixture_of_all(data, values, share):
    n = len(values)
    hsp = np.array(data.draw(st.lists(point, min_size=n, max_size=n)))
    one, two = normal(values), normal(values[::-1])
    order = data.draw(st.permutations(range(n)))
    whole = mix(hsp[list(order)], (share * one + (1 - share) * two)[list(order)])
    assert_allclose(mix([mix(hsp, one), mix(hsp, two)], [share, 1 - share]), whole, rtol=1e-9, atol=1e-9)


@given(point, st.floats(0.1, 10))
def test_teas_fractions_sum_to_100_and_have_no_size(a, factor):
    assert np.sum(teas_fractions(a)) == pytest.approx(100.0)
    assert_allclose(teas_fractions(np.multiply(a, factor)), teas_fractions(a), rtol=1e-9, atol=1e-9)


@given(point, st.floats(-10, 90))
def test_warming_lowers_every_parameter_and_25_degrees_change_nothing(a, celsius):
    found = np.asarray(at_temperature(a, celsius, expansivity=8e-4))
    assert_allclose(at_temperature(a, 25.0, expansivity=8e-4), a, rtol=1e-12)
    assert np.all((found - a) * (celsius - 25.0) <= 1e-12)


# --- conversions ---

LIQUIDS = ["triacetin", "glycerol", "water", "MCT", "propylene glycol", "benzyl alcohol"]


@FEW
@given(shares, st.permutations(LIQUIDS))
def test_mass_to_volume_to_mole_and_back(values, names):
    wanted = dict(zip(names, normal(values), strict=False))
    by_mass = Blend(wanted, basis="mass")
    again = Blend(dict(zip(wanted, by_mass.volume_fractions, strict=True)), basis="volume")
    assert_allclose(again.mass_fractions, list(wanted.values()), rtol=1e-10)
    moles = by_mass.volume_fractions / [carrier(name).volume for name in wanted]
    assert_allclose(by_mass.mole_fractions, normal(moles), rtol=1e-9)
    back = normal(by_mass.mole_fractions * [carrier(name).volume for name in wanted])
    assert_allclose(back, by_mass.volume_fractions, rtol=1e-9)


@FEW
@given(shares, st.permutations(LIQUIDS))
def test_the_order_in_which_a_blend_is_written_says_nothing(values, names):
    wanted = dict(zip(names, normal(values), strict=False))
    one, two = Blend(wanted, basis="volume"), Blend(dict(reversed(wanted.items())), basis="volume")
    assert_allclose(one.hsp.array, two.hsp.array, rtol=1e-12)
    assert one.density == pytest.approx(two.density, rel=1e-12)
    assert one.volume == pytest.approx(two.volume, rel=1e-12)
    assert one.viscosity() == pytest.approx(two.viscosity(), rel=1e-9)


@given(positive, positive, st.floats(0.6, 1.4), st.floats(0.6, 1.4))
def test_parts_by_mass_become_parts_by_volume_and_back(oil, liquid, light, heavy):
    first, second = volume_parts(oil, liquid, oil_density=light, carrier_density=heavy, basis="mass")
    # by volume the same stock has masses first * light and second * heavy, in the ratio that was given
    assert second * heavy / (first * light) == pytest.approx(liquid / oil, rel=1e-12)
    again = volume_parts(first, second, oil_density=light, carrier_density=heavy)
    assert again == (first, second)


@FEW
@given(
    positive,
    positive,
    st.floats(0.6, 1.4),
    st.floats(0.6, 1.4),
    st.floats(0.1, 500),
    st.sampled_from(["volume", "mass"]),
)
def test_a_dose_of_oil_is_the_dose_of_its_stock(oil, liquid, light, heavy, level, basis):
    stock = {
        "oil_parts": oil, "carrier_parts": liquid, "oil_density": light, "carrier_density": heavy, "basis": basis
    }  # fmt: skip
    by_oil = dose(Application("US", "soft drinks", oil_mg_per_L=level), **stock)
    by_stock = dose(Application("US", "soft drinks", stock_mg_per_L=by_oil.stock_mg_per_L), **stock)
    assert by_stock.oil_mg_per_L == pytest.approx(level, rel=1e-9)
    assert by_stock.carrier_mg_per_L == pytest.approx(by_oil.carrier_mg_per_L, rel=1e-9)
    twice = dose(Application("US", "soft drinks", oil_mg_per_L=2 * level), **stock)
    assert twice.carrier_mg_per_L == pytest.approx(2 * by_oil.carrier_mg_per_L, rel=1e-9)


@FEW
@given(st.floats(20, 96), st.floats(0.05, 0.95), st.floats(0.05, 0.95))
def test_diluting_in_two_steps_is_diluting_in_one(strong, first, second):
    """Masses add up, whatever the volume does."""
    middle, weak = strong * max(first, second), strong * min(first, second)
    assume(weak < middle < strong)
    one, two, whole = (ethanol.dilute(*pair) for pair in ((strong, middle), (middle, weak), (strong, weak)))
    steps = (1 + one.water_mass_ratio) * (1 + two.water_mass_ratio)
    assert steps == pytest.approx(1 + whole.water_mass_ratio, rel=1e-6)


@FEW
@given(st.floats(0.0, 100.0))
def test_strength_by_volume_by_mass_and_back(percent):
    assert ethanol.volume_percent(ethanol.mass_percent(percent)) == pytest.approx(percent, abs=1e-6)
    assert ethanol.mass_percent(ethanol.volume_percent(percent)) == pytest.approx(percent, abs=1e-6)


# --- phases ---

INDICES = (phases.spinodal_index, phases.binodal_index)


def assert_same_index(found, expected):
    """Two searches agree in all digits near the verdict; far below 1 one of them may stop at a lesser maximum."""
    if expected > 0.1 or found > 0.1:
        assert_allclose(found, expected, rtol=1e-6 if expected > 0.85 else 2e-2, atol=1e-7)


@FEW
@given(mixtures(), st.randoms(use_true_random=False))
def test_order_says_nothing_of_stability(mixture, random):
    fractions, volumes, hsp = mixture
    order = random.sample(range(len(volumes)), len(volumes))
    for index in INDICES:
        assert_same_index(index(fractions[order], volumes[order], hsp[order]), index(*mixture))


@FEW
@given(mixtures(), st.floats(0.05, 0.95))
def test_a_component_listed_twice_is_one_component(mixture, share):
    """One substance in two rows: with phi_1 = s phi and phi_2 = (1-s) phi in the mixture, the trial phase that
    separates first has the same s (w_i = phi_i exp(V (lam + q.d)), and V and d are the same), so that
    w_1 ln(w_1/phi_1) + w_2 ln(w_2/phi_2) = w ln(w/phi): cost and gain are those of the merged rows.
    """
    fractions, volumes, hsp = mixture
    twice = np.concatenate([[share * fractions[0], (1 - share) * fractions[0]], fractions[1:]])
    rows = [0, 0, *range(1, len(volumes))]
    for index in INDICES:
        assert_same_index(index(twice, volumes[rows], hsp[rows]), index(*mixture))


@FEW
@given(mixtures(), point, st.floats(18, 500))
def test_a_component_that_is_not_there_changes_nothing(mixture, other, volume):
    fractions, volumes, hsp = mixture
    wider = (np.append(fractions, 0.0), np.append(volumes, volume), np.vstack([hsp, other]))
    for index in INDICES:
        assert_same_index(index(*wider), index(*mixture))


@FEW
@given(mixtures(), st.floats(0.2, 5.0))
def test_larger_molecules_and_a_weaker_interaction_weigh_the_same(mixture, factor):
    """g V is a function of phi and of a V alone."""
    fractions, volumes, hsp = mixture
    for index in INDICES:
        first = index(fractions, volumes, hsp, alpha=0.5)
        assert_same_index(index(fractions, factor * volumes, hsp, alpha=0.5 / factor), first)
        assert_same_index(index(fractions, factor * volumes, hsp, alpha=0.5), factor * first)


@FEW
@given(mixtures(), st.tuples(st.floats(0, 5), st.floats(0, 5), st.floats(0, 5)))
def test_only_differences_of_parameters_decide(mixture, shift):
    """The interaction is by |d_i - d_j|: moving all parameters, or mirroring one of them, leaves it as it is."""
    fractions, volumes, hsp = mixture
    mirrored = hsp.copy()
    mirrored[:, 2] = 42.0 - hsp[:, 2]
    for index in INDICES:
        first = index(*mixture)
        assert_same_index(index(fractions, volumes, hsp + shift), first)
        assert_same_index(index(fractions, volumes, mirrored), first)


@FEW
@given(mixtures())
def test_what_unmixes_by_itself_is_not_stable(mixture):
    local, whole = (float(index(*mixture)) for index in INDICES)
    assert whole >= local * (1 - 1e-7)
    if abs(whole - 1) > 1e-4:
        assert bool(phases.stable(*mixture)) == (whole < 1)


@FEW
@given(mixtures(most=4), st.floats(0.05, 0.95))
def test_phases_balance_and_each_of_them_stays_one(mixture, share):
    fractions, volumes, hsp = mixture
    found = phases.split(fractions, volumes, hsp)
    count = int(found.n_phases)
    amounts, inside = found.amounts[:count], found.fractions[:count]
    assert amounts.sum() == pytest.approx(1.0, abs=1e-9)
    assert_allclose(amounts @ inside, fractions, atol=1e-8)
    assert (count == 1) == bool(phases.stable(*mixture)) or abs(float(phases.binodal_index(*mixture)) - 1) < 1e-3
    # lever rule: any other mixture of two phases has the same phases, in other amounts
    if count == 2 and amounts.min() > 1e-4:
        other = share * inside[0] + (1 - share) * inside[1]
        again = phases.split(other / other.sum(), volumes, hsp)
        assert int(again.n_phases) == 2
        assert sorted(again.amounts[:2]) == pytest.approx(sorted([share, 1 - share]), abs=1e-5)
