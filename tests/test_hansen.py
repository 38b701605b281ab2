"""Hansen arithmetic against figures computed from the published equations."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import hspkit
from hspkit import HSP, distance, red
from hspkit.errors import InputError
from hspkit.hansen import at_temperature, mix, teas_fractions

part = st.floats(0, 45, allow_nan=False)
point = st.tuples(part, part, part)


def test_distance_between_ethanol_and_acetone():
    # Hansen, User's Handbook, 2nd ed. 2007, ch. 1: the definition of Ra worked on its table values
    # 15.8/8.8/19.4 and 15.5/10.4/7.0 by hand: sqrt(4*0.09 + 2.56 + 153.76).
    assert distance(HSP(15.8, 8.8, 19.4), HSP(15.5, 10.4, 7.0)) == pytest.approx(12.517, abs=5e-4)


@given(point, point)
def test_distance_is_symmetric_and_zero_to_itself(a, b):
    assert distance(a, b) == distance(b, a)
    assert distance(a, a) == 0.0


@given(point, point, point)
def test_distance_obeys_the_triangle_inequality(a, b, c):
    assert distance(a, c) <= distance(a, b) + distance(b, c) + 1e-9


def test_distance_broadcasts_and_equals_the_loop():
    rng = np.random.default_rng(0)
    many, few = rng.uniform(0, 25, (7, 1, 3)), rng.uniform(0, 25, (5, 3))
    table = distance(many, few)
    assert table.shape == (7, 5)
    for i in range(7):
        for j in range(5):
            assert table[i, j] == pytest.approx(HSP(*many[i, 0]).distance(few[j]))


def test_distance_keeps_nan_in_its_own_row():
    table = distance([[np.nan, 1, 1], [16, 4, 4]], [16, 4, 8])
    assert np.isnan(table[0])
    assert table[1] == 4.0


@pytest.mark.parametrize("wrong", [[16, 4], 16.0, [[16, 4, 8, 1]]])
def test_distance_names_the_wrong_shape(wrong):
    with pytest.raises(InputError, match=r"a has shape .* expected \(\.\.\., 3\)"):
        distance(wrong, [16, 4, 8])


def test_distance_names_shapes_that_do_not_broadcast():
    with pytest.raises(InputError, match=r"\(2, 3\) and b \(4, 3\)"):
        distance(np.ones((2, 3)), np.ones((4, 3)))


@pytest.mark.parametrize("wrong", [-1, float("nan"), float("inf"), "sixteen", None])
def test_a_point_refuses_what_is_no_parameter(wrong):
    with pytest.raises(InputError, match=r"delta_p is .*MPa"):
        HSP(16, wrong, 4)


def test_a_point_is_frozen_and_compares_by_value():
    a = HSP(16, 4, 8)
    assert a == HSP(16.0, 4.0, 8.0)
    with pytest.raises(AttributeError):
        a.delta_d = 3


def test_red_needs_a_positive_radius():
    assert red([16, 4, 8], [16, 4, 4], [8, 2]) == pytest.approx([0.5, 2.0])
    for radius in (0, -1, float("nan")):
        with pytest.raises(InputError, match="R0 > 0"):
            red([16, 4, 8], [16, 4, 4], radius)


def test_temperature_follows_the_published_rates():
    # Rates of Hansen's handbook (from memory) integrated by hand: 16 e^-0.015, 8 e^-0.006, 8 e^-0.0243.
    moved = at_temperature([16, 8, 8], 40, expansivity=8e-4)
    assert moved == pytest.approx([15.7618, 7.9521, 7.8079], abs=5e-5)
    step = 1e-4
    slope = (at_temperature([16, 8, 8], 25 + step) - at_temperature([16, 8, 8], 25 - step)) / (2 * step)
    a = 8e-4
    assert slope == pytest.approx([-1.25 * a * 16, -0.5 * a * 8, -8 * (1.22e-3 + a / 2)], rel=1e-6)


def test_temperature_25_changes_nothing_and_round_trips():
    start = np.array([[16.0, 8.0, 8.0], [15.0, 0.0, 3.0]])
    assert np.array_equal(at_temperature(start, 25.0), start)
    there = at_temperature(start, 60.0)
    assert at_temperature(there, 25.0, reference_celsius=60.0) == pytest.approx(start)


def test_mixing_is_the_volume_mean():
    # Hansen, User's Handbook, ch. 1: parameters of blends mix by volume fraction.
    assert mix([[15.8, 8.8, 19.4], [15.6, 16.0, 42.3]], [0.7, 0.3]) == pytest.approx([15.74, 10.96, 26.27])


@given(point, st.integers(1, 6))
def test_mixing_one_substance_with_itself_changes_nothing(a, n):
    assert mix([a] * n, [1 / n] * n) == pytest.approx(np.array(a), abs=1e-12)


@pytest.mark.parametrize(
    ("fractions", "text"),
    [
        ([0.2, 0.7], "sum to 0.9"),
        ([1.2, -0.2], "hold -0.2"),
        ([0.9, -0.2, 0.3], "hold -0.2"),
        ([np.nan, 1.0], "hold nan"),
        ([], "n >= 1"),
        (np.ones((2, 0)), "n >= 1"),
        (np.float64(1.0), r"shape \(\)"),
    ],
)
def test_fractions_are_never_rescaled_silently(fractions, text):
    with pytest.raises(InputError, match=text):
        mix(np.ones((max(np.shape(fractions)[-1:], default=0) or 1, 3)), fractions)


@pytest.mark.parametrize(("points", "shares"), [((3, 3), 2), ((2, 3), 3), ((3,), 3), ((2, 2, 3), 2)])
def test_components_and_fractions_must_fit(points, shares):
    with pytest.raises(InputError, match=r"expected \(n, 3\) and \(..., n\)"):
        mix(np.ones(points), np.full(shares, 1 / shares))


def test_no_mixtures_have_no_parameters_and_the_tolerance_is_of_rounding_only():
    assert mix(np.ones((2, 3)), np.empty((0, 2))).shape == (0, 3)
    mix(np.ones((3, 3)), [0.1, 0.2, 0.7000001])
    with pytest.raises(InputError, match="sum to"):
        mix(np.ones((3, 3)), [0.1, 0.2, 0.701])


def test_teas_fractions_of_acetone_and_ethanol():
    # Definition as in Burke 1984; acetone 47/32/21 and ethanol 36/18/46 stand in conservation handbooks from
    # other parameters, so the handbook parameters are worked here.
    assert teas_fractions(HSP(15.5, 10.4, 7.0)) == pytest.approx([47.1, 31.6, 21.3], abs=0.05)
    assert teas_fractions([15.8, 8.8, 19.4]) == pytest.approx([35.9, 20.0, 44.1], abs=0.05)


def test_inputs_are_left_as_they_were():
    a = np.array([[16.0, 4.0, 8.0]])
    before = a.copy()
    distance(a, a + 1)
    mix(a, [1.0])
    at_temperature(a, 50)
    teas_fractions(a)
    assert np.array_equal(a, before)


def test_the_package_says_what_it_has():
    assert hspkit.HSP is HSP
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = hspkit.nonsense
