"""Oil and blend together: fractions by hand, margins by finite differences, water by the spinodal on a fine line."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from hspkit import Blend, carrier, dissolve, oil, phases
from hspkit.blending.grid import margin_of
from hspkit.blending.limits import Limits
from hspkit.blending.problem import Problem
from hspkit.blending.stock import Stock, drawn
from hspkit.carriers import Carrier
from hspkit.miscibility import THEORY_SD_LN
from hspkit.mixture import stock_of

ORANGE, CLOVE = "sweet orange, cold-pressed", "clove, bud"
LIQUIDS = ["propylene glycol", "triacetin", "triethyl citrate", "MCT", "benzyl alcohol"]


def problem(subjects=(CLOVE,), liquids=LIQUIDS, k=3, parts=(1.0, 2.0)):
    limits = Limits.of((), len(liquids))
    return Problem(
        tuple(oil(name) for name in subjects), [carrier(name) for name in liquids], limits, None, k, parts, 25.0, None
    )


def test_fractions_of_a_stock_by_hand():
    """2 parts of linalool to 3 of blend; benzyl alcohol is in two of the carriers."""
    liquids = [
        carrier("benzyl alcohol"),
        Blend({"benzyl alcohol": 0.25, "MCT": 0.75}, basis="volume"),
        Carrier.of("linalool"),
    ]
    stock = Stock(oil("linalool"), liquids, 0.4)
    supports, shares = np.array([[0, 1], [1, 2]]), np.array([[0.5, 0.5], [0.2, 0.8]])
    names = stock.mixture.names
    expected = [
        {"linalool": 0.4, "benzyl alcohol": 0.6 * (0.5 + 0.125), "MCT": 0.6 * 0.375},
        {"linalool": 0.4 + 0.6 * 0.8, "benzyl alcohol": 0.6 * 0.05, "MCT": 0.6 * 0.15},
    ]
    found = stock.fractions(supports, shares)
    present, rows = stock._present(supports, shares)
    for row, wanted in enumerate(expected):
        wanted = {("MCT" if "MCT" in key else key): share for key, share in wanted.items()}
        seen = {name: part for name, part in zip(names, found[row], strict=True) if part > 0}
        assert sorted(seen.values()) == pytest.approx(sorted(wanted.values()))
        again = np.zeros(len(names))
        np.add.at(again, rows[row], present[row])
        assert again == pytest.approx(found[row])
    assert_allclose(
        stock.spinodal_index(supports, shares),
        phases.spinodal_index(found, stock.mixture.volumes, stock.mixture.hsp, sites=stock.mixture.sites),
    )


@pytest.mark.parametrize("celsius", [10.0, 25.0, 45.0])
def test_margins_have_the_slopes_of_finite_differences(celsius):
    """Spread of ln L and of ln M: sqrt(sum of g C g + theory^2) with g differenced, over parameters and volumes."""
    stock = Stock(oil(CLOVE), [carrier(name) for name in LIQUIDS], 1 / 3, celsius)
    supports, shares = np.array([[0, 1, 3]]), np.array([[0.5, 0.2, 0.3]])
    fractions, mixture = stock.fractions(supports, shares)[0], stock.mixture
    there = fractions > 1e-4
    for found, function in (
        (stock.log_local_index(supports, shares), phases.spinodal_index),
        (stock.log_index(supports, shares), phases.binodal_index),
    ):
        points, sizes, kinds = [], [], []
        for row in np.flatnonzero(there):
            for axis in range(4):
                for sign in (1, -1):
                    hsp, volumes = mixture.hsp.copy(), mixture.volumes.copy()
                    if axis < 3:
                        hsp[row, axis] += sign * 1e-3
                    else:
                        volumes[row] *= np.exp(sign * 1e-3)
                    points.append(hsp)
                    sizes.append(volumes)
                kinds.append((row, axis))
        found_index = function(fractions, np.array(sizes), np.array(points), sites=mixture.sites, celsius=celsius)
        logs = np.log(found_index).reshape(-1, 2)
        slopes = dict(zip(kinds, (logs[:, 0] - logs[:, 1]) / 2e-3, strict=True))
        variance = THEORY_SD_LN**2
        for row in np.flatnonzero(there):
            slope = np.array([slopes[row, axis] for axis in range(3)])
            variance += slope @ mixture.covariance[row] @ slope
            variance += (slopes[row, 3] * mixture.volume_sd[row] / mixture.volumes[row]) ** 2
        # what a volume does to the density of sites is left out where the best phase is the mixture itself
        assert found[1][0] == pytest.approx(np.sqrt(variance), rel=5e-3)
        assert found[0][0] == pytest.approx(
            np.log(function(fractions, mixture.volumes, mixture.hsp, sites=mixture.sites, celsius=celsius)), abs=1e-6
        )


def test_margin_is_the_lesser_of_two_and_of_several_oils_the_least():
    oils = (CLOVE, ORANGE)
    asked = problem(oils)
    supports, shares = np.array([[0, 1], [1, 2]]), np.array([[0.5, 0.5], [0.3, 0.7]])
    each, worst = [], []
    for stock in asked.stocks:
        by_phase, by_fluctuation = stock.log_index(supports, shares), stock.log_local_index(supports, shares)
        assert (by_phase[0] >= by_fluctuation[0] - 1e-6).all()
        for middle, spread in (by_phase, by_fluctuation):
            each.append(-middle / spread)
            worst.append(-(middle + norm.ppf(0.9) * spread))  # in one case of ten it is less
    assert_allclose(margin_of(asked, supports, shares, None), np.min(each, axis=0))
    assert_allclose(margin_of(asked, supports, shares, 0.1), np.min(worst, axis=0))


def test_blends_that_part_with_a_probability_of_a_fifth_are_none():
    asked = problem()
    x = np.linspace(0.02, 0.98, 49)
    shares = np.column_stack([x, 1 - x])
    fine = asked.mixes((1, 3), shares)  # triacetin and MCT
    alone = asked.without_oil
    support = np.tile([1, 3], (len(x), 1))
    chance = np.min(
        [norm.cdf(-m / s) for m, s in (alone.log_index(support, shares), alone.log_local_index(support, shares))], 0
    )
    assert (fine == (chance >= 0.8)).all()
    assert 0 < fine.sum() < 49
    assert asked.mixes((0,), np.ones((3, 1))).tolist() == [True] * 3
    # as `phases` has it: a probability above one half is one phase at the best estimate
    members = [carrier(LIQUIDS[i]).substance for i in (1, 3)]
    sizes, points = [member.volume for member in members], [member.hsp.array for member in members]
    assert phases.stable(shares[fine], sizes, points, sites=phases.Sites.joined([m.sites for m in members])).all()


def test_water_that_a_stock_tolerates_at_most_by_the_spinodal():
    """The bound lies just beyond where the spinodal index passes 1 on the way, within a sixty-fourth of the steps."""
    liquids = [*LIQUIDS, "ethanol"]
    supports = np.array([[0, 1], [0, 4], [1, 3], [0, 0], [5, 5]])
    shares = np.array([[0.9, 0.1], [0.5, 0.5], [0.5, 0.5], [1.0, 0.0], [1.0, 0.0]])
    steps = np.array(
        [0, 0.01, 0.02, 0.04, 0.06, 0.08, 0.1, 0.13, 0.16, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1]
    )
    seen = set()
    for part in (2.0, 5.0, 12.0, 25.0, 60.0, 150.0, 400.0, 1000.0, 3000.0):
        stock = problem(liquids=liquids, k=2, parts=(1.0, part)).stocks[0]
        found = stock.highest_water_tolerance(supports, shares)
        start = stock.fractions(supports, shares)
        water = np.array([name == "water" for name in stock.mixture.names], dtype=float)

        def index(row, added, stock=stock, start=start, water=water):
            line = (1 - added)[:, None] * start[row] + added[:, None] * water
            return phases.spinodal_index(line, stock.mixture.volumes, stock.mixture.hsp, sites=stock.mixture.sites)

        for row in range(5):
            fine = np.linspace(0, 1, 501)
            unstable = index(row, fine) >= 1
            assert found[row] >= (fine[unstable.argmax()] if unstable.any() else 1.0) - 2e-3
            stations = steps[1:-1][index(row, steps[1:-1]) >= 1]
            if stations.size == 0:  # what comes and goes between two of them is not seen
                assert found[row] == 1.0
                continue
            seen.add(float(stations[0]))
            wide = stations[0] - steps[steps < stations[0]].max()
            assert stations[0] - wide < found[row] <= stations[0]
            around = index(row, np.array([found[row] - wide / 64, found[row]]))
            assert around[0] < 1 + 1e-9 or found[row] - wide / 64 <= 0
            assert around[1] >= 1 - 1e-9
        exact = stock.water_tolerance(supports[:3], shares[:3])
        assert (exact <= found[:3] + 1e-9).all()
        if part == 2.0:
            for row in range(3):
                blend = Blend({liquids[i]: x for i, x in zip(supports[row], shares[row], strict=True)}, basis="volume")
                tolerance = dissolve(CLOVE, blend, draws=2).water_tolerance_percent
                assert 100 * exact[row] == pytest.approx(tolerance, abs=1e-3)
    assert len(seen) > 5, seen


def test_draws_of_carriers_have_their_spread_and_stay_positive():
    rng = np.random.default_rng(1)
    points = np.array([[17.0, 6.0, 9.0], [16.0, 0.5, 0.2]])
    covariance = np.array([[[1.0, 0.3, 0], [0.3, 0.5, 0], [0, 0, 0.25]], np.eye(3)])
    found = drawn(points, covariance, rng, 20_000)
    assert found.shape == (20_000, 2, 3)
    assert_allclose(found[:, 0].mean(axis=0), points[0], atol=0.03)
    assert_allclose(np.cov(found[:, 0].T), covariance[0], atol=0.03)
    assert found.min() == 0.0
    assert (found[:, 1, 2] == 0).mean() == pytest.approx(norm.cdf(-0.2), abs=0.02)


def test_a_mixture_of_the_stock_is_that_of_dissolve():
    """The quick arrays of a search and the stock of `dissolve` are one mixture, with one index."""
    blend = Blend({"propylene glycol": 0.4, "ethanol 70 % vol": 0.6}, basis="volume")
    stock = Stock(oil(CLOVE), [carrier("propylene glycol"), carrier("ethanol 70 % vol")], 0.25)
    index = np.exp(stock.log_index(np.array([[0, 1]]), np.array([[0.4, 0.6]]))[0][0])
    whole = stock_of(oil(CLOVE), blend, 1, 3).present
    assert index == pytest.approx(
        float(phases.binodal_index(whole.fractions, whole.volumes, whole.hsp, sites=whole.sites)), rel=1e-6
    )
