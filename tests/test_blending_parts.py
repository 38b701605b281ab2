"""The parts of a search for a blend, each by hand or by counting: limits, grids, stocks, bounds, tables."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from hspkit import HSP, Application, Blend, best_blend, carrier, dissolve, oil, phases
from hspkit.blending import limits as limits_module
from hspkit.blending.grid import BlendArray, margin_of
from hspkit.blending.limits import Limits, viscosity_excess
from hspkit.blending.objectives import Clear, Cost, WaterTolerance
from hspkit.blending.problem import Problem, Recipe, compositions
from hspkit.blending.rules import (
    CostLimit,
    LargestShare,
    LeastShare,
    LegalLimit,
    LinearDose,
    SingleLiquid,
    TasteLimit,
    ViscosityLimit,
    sort_out,
)
from hspkit.blending.screened import _around, search_screened
from hspkit.blending.stock import Stock, drawn
from hspkit.blending.survey import survey
from hspkit.carriers import Carrier
from hspkit.errors import InputError
from hspkit.hansen import distance
from hspkit.law import IN_FLAVOURING, limit_uses
from hspkit.miscibility import THEORY_SD_LN
from hspkit.miscibility.margin import Stock as Mixed
from hspkit.substances import Substance

CLOVE, ORANGE = "clove, bud", "sweet orange, cold-pressed"
LIQUIDS = ["propylene glycol", "triacetin", "triethyl citrate", "MCT", "benzyl alcohol"]
#: Carriers that mix in every proportion.
MIXING = ["triacetin", "triethyl citrate", "benzyl alcohol", "ethyl lactate", "diacetin"]
NONE = Limits((), np.zeros((0, len(LIQUIDS))), np.zeros(0), np.zeros(0))


def problem(subjects=(CLOVE,), liquids=LIQUIDS, limits=NONE, cost=None, k=3, parts=(1.0, 2.0), celsius=25.0, far=None):
    own = tuple(one if isinstance(one, HSP) else oil(one) for one in subjects)
    if not limits.names:
        limits = Limits((), np.zeros((0, len(liquids))), np.zeros(0), np.zeros(0))
    return Problem(own, [carrier(one) for one in liquids], limits, cost, k, parts, celsius, far)


# --- limits ---


def built(liquids, *rules):
    members = [carrier(one) for one in liquids]
    return Limits.of([limit for rule in rules for limit in rule.limits(members)], len(members))


@pytest.mark.parametrize("level", [{"oil_mg_per_L": 300.0}, {"stock_mg_per_L": 2500.0}])
@pytest.mark.parametrize("market", ["EU", "US"])
def test_rows_of_law_and_taste_are_the_doses_worked_out_by_hand(market, level):
    """1.5 parts of oil of 0.9 g/mL and 4 of blend; one of the carriers is a blend of two others."""
    asked = Application(market, "soft drinks", product_density=1.04, **level)
    mixed = Blend({"propylene glycol": 0.5, "triacetin": 0.5}, basis="volume")
    liquids = [*LIQUIDS, mixed]
    dosing = LinearDose(asked, (1.5, 4.0), 0.9)
    limits = built(liquids, LegalLimit(dosing), TasteLimit(dosing))
    rng = np.random.default_rng(1)
    for _ in range(20):
        x = rng.dirichlet(np.ones(len(liquids)))
        slack = dict(zip(limits.names, limits.slack(x) * limits.scales, strict=True))
        masses = {}
        for share, one in zip(x, liquids, strict=True):
            whole = carrier(one)
            for part, volume in zip(whole.parts, [1.0] if isinstance(whole, Carrier) else whole.fractions, strict=True):
                masses[part.name] = masses.get(part.name, 0.0) + 4.0 * share * volume * part.density
        oil_mass = 1.5 * 0.9
        stock = oil_mass + sum(masses.values())
        by_oil = "oil_mg_per_L" in level
        doses = {name: (300.0 / oil_mass if by_oil else 2500.0 / stock) * mass for name, mass in masses.items()}
        # slack: limit less dose, times the mass of the stock where that is what the level counts
        times = 1.0 if by_oil else stock
        checked = 0
        for use in limit_uses(doses, market, "soft drinks", product_density=1.04):
            name = f"law, {' + '.join(use.carriers)}: at most {use.limit:,.12g} {use.unit} in the food as consumed"
            limit = use.limit * (1.04 if use.unit == "mg/kg" else 1.0)
            assert slack[name] == pytest.approx(limit * (1 - use.share) * times, rel=1e-9)
            checked += 1
        inside = {name: 1e6 * mass / stock for name, mass in masses.items()}
        for use in limit_uses(inside, market, "soft drinks", basis=IN_FLAVOURING):
            name = f"law, {' + '.join(use.carriers)}: at most {use.limit:,.12g} {use.unit} in the flavouring"
            assert slack[name] == pytest.approx(use.limit * (1 - use.share) * stock, rel=1e-9)
            checked += 1
        for part in {p.name: p for one in liquids for p in carrier(one).parts}.values():
            if part.taste_limit is not None:
                over = slack[f"taste, {part.name}: at most {part.taste_limit:g} mg/L"]
                assert over == pytest.approx((part.taste_limit - doses[part.name]) * times, rel=1e-9, abs=1e-6)
                checked += 1
        assert checked == len(limits.names) > 2
    assert_allclose(np.maximum(np.abs(limits.rows).max(axis=1), np.abs(limits.bounds)), 1.0)
    assert built(liquids, LegalLimit(dosing)).names == tuple(n for n in limits.names if n.startswith("law"))


def test_rows_of_viscosity_cost_and_shares():
    cost = np.array([3.0, 6.0, 7.0, 8.0, 9.0])
    price = dict(zip(LIQUIDS, cost, strict=True))
    limits = built(
        LIQUIDS, ViscosityLimit(30.0), CostLimit(price, 6.5), LeastShare("MCT", 0.2), LargestShare("triacetin", 0.4),
        LargestShare("glycerol", 0.4),
    )  # fmt: skip
    assert limits.names == (
        "viscosity at most 30 mPa s at 20 C", "cost at most 6.5 per L", "at least 20 % vol of MCT",
        "at most 40 % vol of triacetin",
    )  # fmt: skip
    assert limits.viscosity_row == 0
    x = np.array([0.1, 0.3, 0.2, 0.25, 0.15])
    logs = np.log([carrier(one).viscosity(20.0) for one in LIQUIDS])
    expected = [np.log(30.0) - logs @ x, 6.5 - cost @ x, 0.25 - 0.2, 0.4 - 0.3]
    assert_allclose(limits.slack(x) * limits.scales, expected)
    assert_allclose(limits.slack(np.stack([x, x])) * limits.scales, [expected] * 2)
    assert built(LIQUIDS, CostLimit(price)).names == ()  # without a highest cost there is nothing to hold
    assert built(LIQUIDS).viscosity_row is None


def test_pair_terms_of_the_viscosity_count_where_both_members_are_there(monkeypatch):
    """x y (4 + 8 (x - y)): on x + y = 1 it is 12 x^2 - 4 x ... its most on a fine grid; 1 of x y 4 at the middle."""
    even, skewed = np.zeros((3, 2)), np.zeros((3, 2))
    even[0, 0], skewed[:2, 0] = 4.0, (4.0, 8.0)
    pairs = {("triacetin", "MCT"): (even, 0, 0, 0), ("propylene glycol", "MCT"): (skewed, 0, 0, 0)}
    monkeypatch.setattr(limits_module.viscosity, "pair_coefficients", lambda: pairs)
    limits_module._highest_excess.cache_clear()
    try:
        chosen = [carrier(one) for one in LIQUIDS]
        x = np.linspace(0, 1, 201)
        most = (x * (1 - x) * (4 + 8 * (2 * x - 1))).max()
        found = viscosity_excess(chosen, np.array([[0, 1, 2], [1, 3, 4], [0, 3, 4], [0, 1, 3]]))
        assert_allclose(found, [0.0, 1.0, most, 1.0 + most], rtol=1e-12)
        # and they count against the limit, scaled as it is
        asked = problem(limits=built(LIQUIDS, ViscosityLimit(200.0), LargestShare("MCT", 0.9)))
        support, shares = np.array([[1, 3]]), np.array([[0.5, 0.5]])
        assert_allclose(asked.viscosity_offsets(support), [[1.0 / asked.limits.scales[0], 0.0]])
        middle = np.exp(0.5 * np.log([one.viscosity(20.0) for one in (chosen[1], chosen[3])]).sum())
        for most_allowed, fine in ((1.001 * np.e * middle, True), (0.999 * np.e * middle, False)):
            held = problem(limits=built(LIQUIDS, ViscosityLimit(most_allowed)))
            assert held.feasible(support, shares).tolist() == [fine]
    finally:
        limits_module._highest_excess.cache_clear()


def test_what_may_be_in_a_blend_and_why_the_others_may_not():
    mixed = Blend({"glycerol": 0.5, "ethylene glycol": 0.5}, basis="volume")
    unknown = Carrier.of(Substance("drum", "CCCCCCCCOC(=O)C"))
    given = [carrier(n) for n in ("MCT", "benzyl benzoate", "diethylene glycol", "invert syrup", "glycerol")] + [mixed]
    kept, left = sort_out([*given, carrier("MCT")], [SingleLiquid(5.0)])
    assert (
        [one.name for one in kept] == ["MCT"]
        if carrier("glycerol").substance.melting_celsius > 5
        else ["MCT", "glycerol"]
    )
    assert left["diethylene glycol"].startswith("diethylene glycol is not for ingestion")
    assert left[mixed.name].startswith("ethylene glycol is not for ingestion") or "solid" in left[mixed.name]
    assert left["invert syrup"] == "no single molecule stands for invert syrup"
    melting = carrier("benzyl benzoate").substance.melting_celsius
    assert left["benzyl benzoate"].startswith(f"benzyl benzoate is solid at 5 C (melts at {melting:g} C)")
    assert "benzyl benzoate" in [one.name for one in sort_out(given, [SingleLiquid(melting)])[0]]
    assert "benzyl benzoate" in sort_out(given, [SingleLiquid(melting - 0.1)])[1]
    for rule, word in ((ViscosityLimit(50.0), "viscosity not on record"), (CostLimit({"MCT": 3.0}), "no price given")):
        assert sort_out([unknown], [rule])[1] == {"drum": word}
    assert sort_out([carrier("MCT")], [CostLimit({"MCT": 0.0})])[1] == {}
    law = LegalLimit(LinearDose(Application("EU", "soft drinks", oil_mg_per_L=10), (1.0, 2.0), 0.9))
    assert "no evidence" in sort_out([unknown], [law])[1]["drum"]
    aside = Blend({"MCT": 0.5, unknown: 0.5}, basis="volume", name="with a drum")
    assert sort_out([aside], [law])[1]["with a drum"].startswith("drum: ")


# --- grids ---


def test_every_blend_of_a_grid_that_keeps_to_the_limits_and_no_other():
    rng = np.random.default_rng(2)
    n, steps = 5, 6
    rows, bounds = rng.uniform(0, 1, (2, n)), np.array([0.55, 0.6])
    points = HSP(17, 6, 9), HSP(16, 4, 12)
    asked = problem(points, limits=Limits(("a", "b"), rows, bounds, np.ones(2)), far=7.0)
    hsp = np.array([carrier(one).hsp.array for one in LIQUIDS])
    expected = {}
    for whole in itertools.product(range(steps + 1), repeat=n):
        x = np.array(whole) / steps
        if sum(whole) == steps and (x > 0).sum() <= 3 and (rows @ x <= bounds + 1e-9).all():
            ra = max(float(distance(HSP(*(x @ hsp)), point)) for point in points)
            if ra <= 7.0 * (1 + 1e-9):
                expected[whole] = ra
    found = {}
    for supports, shares in asked.grid(steps):
        gaps = asked.squared_distance(supports, shares)
        for support, share, gap in zip(supports, shares, gaps, strict=True):
            full = np.zeros(n)
            full[support] = share
            found[tuple(np.round(full * steps).astype(int))] = np.sqrt(gap)
    assert found.keys() == expected.keys()
    assert len(found) > 20
    for key, ra in expected.items():
        assert found[key] == pytest.approx(ra)


def test_the_neighbourhood_of_a_blend_is_all_within_four_percent():
    asked = problem(limits=built(LIQUIDS, LargestShare("propylene glycol", 0.41)))
    one = Recipe((0, 2, 4), np.array([0.4, 0.57, 0.03]), 0.0)
    supports, shares, _ = _around(asked, one)
    assert (supports == [0, 2, 4]).all()
    centre = np.array([40, 57, 3])
    near = range(-4, 5)
    expected = {
        (40 + a, 57 + b, 3 - a - b)
        for a in near for b in near
        if abs(a + b) <= 4 and 40 + a <= 41 and min(40 + a, 57 + b, 3 - a - b) > 0
    }  # fmt: skip
    assert {tuple(row) for row in np.round(100 * shares).astype(int).tolist()} == expected
    assert tuple(centre) in expected
    assert_allclose(shares.sum(axis=1), 1.0)
    alone = _around(asked, Recipe((3,), np.ones(1), 0.0))
    assert (alone[0].tolist(), alone[1].tolist()) == ([[3]], [[1.0]])
    # where nothing near keeps to the limits the blend itself is left
    strict = problem(limits=built(LIQUIDS, LargestShare("propylene glycol", 0.1)))
    supports, shares, _ = _around(strict, one)
    assert (supports.tolist(), shares.tolist()) == ([[0, 2, 4]], [[0.4, 0.57, 0.03]])


def test_the_best_of_each_set_that_mixes(monkeypatch):
    """Of equal sets the first; not what does not mix, not what has no value; no more than are kept."""
    asked = problem()
    asked_of = []

    def mixes(self, support, shares):
        asked_of.append(tuple(support))
        return np.array([tuple(support) != (1, 2)])

    monkeypatch.setattr(Problem, "mixes", mixes)
    supports = np.array([[0, 1], [0, 1], [1, 2], [3, 3], [4, 4], [2, 3]])
    shares = np.array([[0.5, 0.5], [0.3, 0.7], [0.5, 0.5], [1.0, 0.0], [1.0, 0.0], [0.2, 0.8]])
    value = np.array([3.0, 2.0, 1.0, 4.0, np.inf, 5.0])
    blends = BlendArray(supports, shares, value)
    assert [(one.support, one.shares.tolist(), one.value) for one in blends.best(asked, 2)] == [
        ((0, 1), [0.3, 0.7], 2.0), ((3,), [1.0], 4.0),
    ]  # fmt: skip
    assert [one.support for one in blends.best(asked, 9)] == [(0, 1), (3,), (2, 3)]
    assert [one.support for one in blends.best(asked, 9, lambda one: one.value > 2)] == [(0, 1), (3,), (2, 3)]
    before = len(asked_of)
    blends.best(asked, 2)
    assert len(asked_of) == before  # what is known is not asked again


# --- stocks ---


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
        phases.spinodal_index(found, stock.mixture.volumes, stock.mixture.points),
    )


@pytest.mark.parametrize("celsius", [25.0, 45.0])
def test_margins_have_the_slopes_of_finite_differences(celsius):
    """Spread of ln L and of ln M: sqrt(sum of g C g + theory^2) with g differenced, over parameters and volumes."""
    stock = Stock(oil(CLOVE), [carrier(one) for one in LIQUIDS], 1 / 3, celsius)
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
                    hsp, volumes = mixture.points.copy(), mixture.volumes.copy()
                    if axis < 3:
                        hsp[row, axis] += sign * 1e-3
                    else:
                        volumes[row] *= np.exp(sign * 1e-3)
                    points.append(hsp)
                    sizes.append(volumes)
                kinds.append((row, axis))
        logs = np.log(function(fractions, np.array(sizes), np.array(points), celsius=celsius)).reshape(-1, 2)
        slopes = dict(zip(kinds, (logs[:, 0] - logs[:, 1]) / 2e-3, strict=True))
        variance = THEORY_SD_LN**2
        for row in np.flatnonzero(there):
            slope = np.array([slopes[row, axis] for axis in range(3)])
            variance += slope @ mixture.covariance[row] @ slope
            variance += (slopes[row, 3] * mixture.volume_sd[row] / mixture.volumes[row]) ** 2
        assert found[1][0] == pytest.approx(np.sqrt(variance), rel=2e-3)
        assert found[0][0] == pytest.approx(
            np.log(function(fractions, mixture.volumes, mixture.points, celsius=celsius)), abs=1e-6
        )


def test_margin_is_the_lesser_of_two_and_of_several_oils_the_least():
    oils = (CLOVE, ORANGE)
    asked = problem(oils)
    supports, shares = np.array([[0, 1], [1, 2]]), np.array([[0.5, 0.5], [0.3, 0.7]])
    each, worst = [], []
    for stock in asked.stocks:
        for middle, spread in (stock.log_index(supports, shares), stock.log_local_index(supports, shares)):
            each.append(-middle / spread)
            worst.append(-(middle + norm.ppf(0.9) * spread))  # in one case of ten it is less
    assert_allclose(margin_of(asked, supports, shares, None), np.min(each, axis=0))
    assert_allclose(margin_of(asked, supports, shares, 0.1), np.min(worst, axis=0))


def test_blends_that_part_with_a_probability_of_a_fifth_are_none():
    asked = problem()
    x = np.linspace(0.02, 0.98, 49)
    shares = np.column_stack([x, 1 - x])
    fine = asked.mixes((0, 3), shares)  # glycol and MCT
    alone = asked.without_oil
    support = np.tile([0, 3], (len(x), 1))
    chance = np.min(
        [norm.cdf(-m / s) for m, s in (alone.log_index(support, shares), alone.log_local_index(support, shares))], 0
    )
    assert (fine == (chance >= 0.8)).all()
    assert 0 < fine.sum() < 49
    assert asked.mixes((0,), np.ones((3, 1))).tolist() == [True] * 3
    # as `phases` has it: a probability above one half is one phase at the best estimate
    points = [carrier(LIQUIDS[i]).substance.point for i in (0, 3)]
    sizes = [carrier(LIQUIDS[i]).substance.mixing_volume for i in (0, 3)]
    assert phases.stable(shares[fine], sizes, points).all()


def test_water_that_a_stock_bears_at_most_by_the_spinodal():
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
            return phases.spinodal_index(line, stock.mixture.volumes, stock.mixture.points)

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
    assert len(seen) > 6, seen


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


# --- searches and their certificates ---


def test_searches_say_what_they_looked_at():
    """Five carriers, two at most: 5 + 10 sets; in steps of a quarter 5 + 10 x 3 blends."""
    cost = np.array([3.0, 6.0, 7.0, 8.0, 9.0])
    asked = problem(k=2, cost=cost)
    sure = search_screened(asked, Clear(), 4, 3)
    assert sure.supports == 15
    assert sure.possible <= 15
    assert sure.mixtures <= 35
    assert sure.proven
    assert "steps of 25 %" in sure.how
    assert "every one that could win given to the phase engine" in sure.how
    assert not Clear().search(asked, None, 1).proven
    margins = {}
    for size in (1, 2):
        shares = compositions(4, size) / 4
        for support in itertools.combinations(range(5), size):
            rows = np.tile(support, (len(shares), 1))
            for x, margin in zip(shares, margin_of(asked, rows, shares, None), strict=True):
                if asked.mixes(support, x)[0]:
                    margins[support, tuple(x)] = margin
    ranked = sorted(
        {support for support, _ in margins}, key=lambda s: -max(m for (t, _), m in margins.items() if t == s)
    )
    assert [one.support for one in sure.recipes] == ranked[:3]
    alone = {support: m for (support, _), m in margins.items() if len(support) == 1}
    assert sure.single.support == max(alone, key=alone.get)
    assert -sure.single.value == pytest.approx(max(alone.values()))
    # by cost: the cheapest whose probability, by the margin and by draws, is 0.8
    cheap = Cost(min_p_clear=0.8).search(asked, 4, 2)
    priced = sorted((float(cost[list(s)] @ x), s, x) for (s, x), m in margins.items() if m >= norm.ppf(0.8))

    def sure_enough(support, x):
        return dissolve(CLOVE, asked.blend(Recipe(support, np.array(x), 0.0))).p_clear >= 0.8

    clear = [(price, support) for price, support, x in priced if sure_enough(support, x)]
    assert cheap.recipes[0].value == pytest.approx(clear[0][0])
    assert cheap.recipes[1].value == pytest.approx(next(price for price, support in clear if support != clear[0][1]))
    assert cheap.single.value == pytest.approx(next(price for price, support in clear if len(support) == 1))
    assert cheap.supports == 15
    assert not cheap.proven
    wet = WaterTolerance(min_p_clear=0.8).search(asked, 4, 1)
    assert wet.supports == 15
    assert wet.proven
    assert "until no other could take more" in wet.how
    for one in (cheap, wet):
        assert "steps of 25 %" in one.how
    singles = {s: dissolve(CLOVE, LIQUIDS[s[0]], draws=2).water_tolerance_percent for _, s in clear if len(s) == 1}
    assert -100 * wet.single.value == pytest.approx(max(singles.values()), abs=1e-3)


def test_nothing_within_the_limits_is_said_to_be_nothing():
    never = Limits(("none",), np.ones((1, 5)), np.array([0.5]), np.ones(1))
    asked = problem(limits=never, cost=np.ones(5), k=2)
    for found in (
        Clear().search(asked, 4, 3),
        WaterTolerance(min_p_clear=0.8).search(asked, 4, 3),
        Cost(min_p_clear=0.8).search(asked, 4, 3),
    ):
        assert (found.recipes, found.supports, found.possible, found.mixtures, found.single) == ([], 15, 0, 0, None)


def test_a_table_of_several_oils_has_the_worst_of_each_figure():
    search = best_blend(
        [CLOVE, ORANGE], ["triacetin", "triethyl citrate"], keep=2, price_per_kg={"triacetin": 6, "triethyl citrate": 7}
    )
    for blend, row in zip(search.blends, search.table.to_dict("records"), strict=True):
        each = [dissolve(name, blend) for name in (CLOVE, ORANGE)]
        for figure in ("p_clear", "max_oil_percent", "water_tolerance_percent"):
            assert row[figure] == pytest.approx(min(getattr(one, figure) for one in each))
        assert row["verdict"] == max((one.verdict for one in each), key=["clear", "hazy", "unknown", "splits"].index)
        assert row["distance"] == pytest.approx(
            max(float(distance(blend.hsp, oil(name).hsp)) for name in (CLOVE, ORANGE))
        )
        assert row["carriers"] == len(blend.parts)
        price = sum(
            x * p.density * {"triacetin": 6, "triethyl citrate": 7}[p.name]
            for p, x in zip(blend.parts, blend.fractions, strict=True)
        )
        assert row["cost_per_L"] == pytest.approx(price)
        assert row["viscosity_mPa_s"] == pytest.approx(blend.viscosity(20.0))
        assert ("undecided" in row["notes"]) == any(one.undecided for one in each)
    assert search.question() == (f"{CLOVE}, {ORANGE}: 1 of oil to 2 of blend by volume, at most 3 of 2 carriers")


def test_the_tightest_limit_is_the_one_that_is_met():
    asked = {"max_share": {"triacetin": 0.3, "MCT": 0.9}}
    search = best_blend(carrier("triacetin").hsp, ["triacetin", "triethyl citrate", "MCT"], **asked)
    assert search.table["tightest_limit"][0] == "at most 30 % vol of triacetin"
    slack = search.limits().set_index("limit")["slack"]
    assert slack["at most 30 % vol of triacetin"] == pytest.approx(0.0, abs=1e-9)
    share = dict(zip([p.name for p in search.best.parts], search.best.fractions, strict=True))
    assert slack["at most 90 % vol of MCT"] == pytest.approx(0.9 - share.get("MCT", 0.0))
    changes = search.sensitivity(2.0).set_index("carrier")
    assert changes.loc["triacetin", "breaks"] == "at most 30 % vol of triacetin"
    assert changes.loc["MCT", "breaks"] == ""
    assert changes.loc["triacetin", "share_percent"] == pytest.approx(30.0)
    free = best_blend(carrier("triacetin").hsp, ["triacetin", "MCT"], max_share={"MCT": 0.5})
    assert free.table["tightest_limit"][0] == ""
    assert free.best.name == "triacetin"


def test_a_survey_has_all_shares_and_what_they_make():
    price = {"triacetin": 5.0, "propylene glycol": 3.0}
    seen = survey(CLOVE, list(price), steps=4, oil_parts=1, carrier_parts=3, price_per_L=price)
    assert seen.shares.tolist() == [[i / 4, 1 - i / 4] for i in range(5)]
    assert seen.cost.tolist() == [3.0 + 2.0 * i / 4 for i in range(5)]
    for x, gap, thick, chance in zip(seen.shares, seen.distance, seen.viscosity, seen.p_clear, strict=True):
        blend = Blend(dict(zip(price, x, strict=True)), basis="volume")
        assert gap == pytest.approx(float(distance(blend.hsp, oil(CLOVE).hsp)))
        assert thick == pytest.approx(blend.viscosity(20.0))
        assert chance == pytest.approx(dissolve(CLOVE, blend, oil_parts=1, carrier_parts=3).p_clear, abs=1e-9)
    assert seen.within.all()
    assert survey(CLOVE, list(price), steps=1, price_per_L={"triacetin": 5.0}).cost is None
    three = survey(HSP(17, 5, 9), LIQUIDS[:3], steps=3)
    assert len(three.shares) == 10
    assert np.isnan(three.p_clear).all()
    search = best_blend(CLOVE, LIQUIDS, max_share={"triacetin": 0.4}, price_per_L=dict.fromkeys(LIQUIDS, 2.0), keep=1)
    part = survey(search, ["MCT", "triacetin"], steps=5)
    assert part.within.tolist() == [x <= 0.4 + 1e-9 for x in part.shares[:, 1]]
    assert part.cost.tolist() == pytest.approx([2.0] * 6)
    with pytest.raises(InputError, match="'ethyl lactate' is not in this search: it is not among its carriers"):
        survey(search, ["ethyl lactate", "MCT"], steps=2)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"max_carriers": 7}, "whole number from 1 to 6"),
        ({"max_carriers": 1.5}, "whole number from 1 to 6"),
        ({"keep": 1.5}, "whole number >= 1"),
        ({"worst_case": 0}, "between 0 and 1"),
        ({"worst_case": 1}, "between 0 and 1"),
        ({"min_p_clear": 0}, "probability between 0 and 1"),
        ({"min_p_clear": 1}, "probability between 0 and 1"),
        ({"max_viscosity": float("inf")}, "number > 0 in mPa s"),
        ({"max_cost": 0, "price_per_L": {"triacetin": 1, "MCT": 1}}, "number > 0 in the currency"),
        ({"price_per_L": {"MCT": float("nan")}}, "number >= 0"),
    ],
)
def test_the_ends_of_what_may_be_asked(change, words):
    with pytest.raises(InputError, match=words):
        best_blend(CLOVE, **{"carriers": ["triacetin", "MCT"], **change})


def test_prices_by_mass_and_by_volume_are_one():
    names = ["triacetin", "triethyl citrate"]
    per_kg = {"triacetin": 6.0, "triethyl citrate": 0.0}
    per_L = {name: price * carrier(name).density for name, price in per_kg.items()}
    target = HSP(*(carrier("triacetin").hsp.array / 2 + carrier("triethyl citrate").hsp.array / 2))
    by_mass, by_volume = (
        best_blend(target, names, keep=1, **{key: value})
        for key, value in (("price_per_kg", per_kg), ("price_per_L", per_L))
    )
    assert by_mass.table["cost_per_L"][0] == pytest.approx(0.5 * per_L["triacetin"])
    assert by_volume.table["cost_per_L"][0] == pytest.approx(0.5 * per_L["triacetin"])
    # a price of a carrier that is not asked of is no harm, one that is missing leaves the cost open
    assert np.isnan(best_blend(target, names, keep=1, price_per_L={"triacetin": 5.0}).table["cost_per_L"][0])
    assert best_blend(target, names, keep=1, price_per_L={**per_L, "MCT": 3.0}).problem.cost is not None


def test_numbers_of_a_question_that_is_too_large():
    """C(59, 1) + ... + C(59, 5) sets; 30 carriers in steps of 1 %: 30 + C(30, 2) 99 + C(30, 3) C(99, 2) blends."""
    many = [Blend({"triacetin": i / 100, "MCT": 1 - i / 100}, basis="volume") for i in range(1, 60)]
    sets = 59 + 1711 + 32509 + 455126 + 5006386
    with pytest.raises(InputError, match=f"59 carriers make {sets:,} sets of at most 5; at most 1,000,000"):
        best_blend(HSP(17, 5, 9), many, max_carriers=5)
    blends = 30 + 435 * 99 + 4060 * 4851
    with pytest.raises(InputError, match=f"30 carriers make {blends:,} blends in steps of 1 %; at most 4,000,000"):
        best_blend(CLOVE, many[:30], objective="clear", increments_percent=1)


def test_a_mixture_of_the_stock_is_that_of_dissolve():
    """The quick arrays of a search and the stock of `dissolve` are one mixture, with one index."""
    blend = Blend({"propylene glycol": 0.4, "ethanol 70 % vol": 0.6}, basis="volume")
    stock = Stock(oil(CLOVE), [carrier("propylene glycol"), carrier("ethanol 70 % vol")], 0.25)
    index = np.exp(stock.log_index(np.array([[0, 1]]), np.array([[0.4, 0.6]]))[0][0])
    whole = Mixed.of(oil(CLOVE), blend, 1, 3).present
    assert index == pytest.approx(float(phases.binodal_index(whole.fractions, whole.volumes, whole.points)), rel=1e-6)


def test_worst_cases_of_what_is_known_for_sure_are_the_distances_themselves():
    """Without uncertainty every share of bad cases is the plain search on the same grid."""
    sure = []
    for name in LIQUIDS[:4]:
        member = carrier(name).substance
        known = Substance(name, member.smiles).with_parameters(member.hsp, 1e-16 * np.eye(3), note="exact for a test")
        sure.append(Carrier.of(known))
    middle = 0.45 * sure[0].hsp.array + 0.35 * sure[1].hsp.array + 0.2 * sure[3].hsp.array
    target = HSP(*(middle + np.array([0.2, 0.1, -0.3])))
    for steps, share in ((10, 0.1), (20, 0.7)):
        plain = best_blend(target, sure, increments_percent=steps, keep=4)
        worst = best_blend(target, sure, increments_percent=steps, keep=4, worst_case=share)
        assert worst.table["distance"].tolist() == pytest.approx(plain.table["distance"].tolist(), rel=1e-6)
        assert worst.table["blend"].tolist() == plain.table["blend"].tolist()
        assert worst.certificate.value == pytest.approx(plain.certificate.value, rel=1e-6)
        assert worst.certificate.supports_examined == 4 + 6 + 4
        assert worst.certificate.mixtures_examined == 0
        assert f"on a grid of {steps} %" in worst.certificate.how
    # and without steps the optimum of each set, which no grid holds, is looked at too
    free = best_blend(target, sure, keep=1)
    assert best_blend(target, sure, keep=1, worst_case=0.3).certificate.value == pytest.approx(
        free.certificate.value, rel=1e-6
    )


def test_a_bound_for_several_targets_holds_for_any_number_of_carriers():
    middle = np.mean([carrier(one).hsp.array for one in MIXING], axis=0)
    targets = [HSP(*(middle + np.array(off))) for off in ([0.5, 0, 0], [-0.3, 1.0, 0.5], [0, -1.0, 1.0])]
    few, all_of_them = (
        best_blend(targets, MIXING, max_carriers=k, max_share={"triacetin": 0.3}, keep=1) for k in (2, 5)
    )
    assert few.certificate.bound <= all_of_them.certificate.value + 1e-6
    assert few.certificate.bound == pytest.approx(all_of_them.certificate.value, abs=0.01)
    assert few.certificate.gap == pytest.approx(few.certificate.value - few.certificate.bound)
    for blend, certificate in ((few.best, few.certificate), (all_of_them.best, all_of_them.certificate)):
        assert certificate.value == pytest.approx(max(float(distance(blend.hsp, one)) for one in targets))
        assert certificate.kkt_residual < 1e-7
        assert f"no number of carriers does better than {certificate.bound:.4g}." in str(certificate)
        assert f"distance {certificate.value:.4g}: every set of at most" in str(certificate)
        assert "phase engine" not in str(certificate)


@pytest.mark.parametrize(
    ("off", "few", "limit"),
    [
        ([0.3, 0.5, -0.5], 2, {"max_viscosity": 8.0}),
        ([-0.3, -0.5, 0.5], 4, {"max_share": dict.fromkeys(MIXING, 0.3)}),
        ([0.0, 0.0, 0.0], 2, {"max_viscosity": 8.0}),
    ],
)
def test_a_bound_under_limits_is_what_any_number_of_carriers_reach(off, few, limit):
    target = HSP(*(np.mean([carrier(one).hsp.array for one in MIXING], axis=0) + np.array(off)))
    some, all_of_them = (best_blend(target, MIXING, max_carriers=k, keep=1, **limit).certificate for k in (few, 5))
    assert some.value > all_of_them.value + 0.1
    assert some.bound == pytest.approx(all_of_them.value, abs=1e-5)
    assert all_of_them.bound == pytest.approx(all_of_them.value, abs=1e-9)


def test_a_row_of_a_drink_has_its_dose_and_its_words():
    """1 part of linalool with 3 of blend, 100 mg/L of it: 100 x 3 x density/density; the lightest oil counts."""
    asked = Application("EU", "soft drinks", oil_mg_per_L=100)
    names = ["triacetin", "ethanol 70 % vol"]
    search = best_blend(["linalool", "limonene"], names, application=asked, carrier_parts=3, keep=2, within_taste=False)
    light = min(oil(name).density for name in ("linalool", "limonene"))
    for blend, row in zip(search.blends, search.table.to_dict("records"), strict=True):
        density = sum(x * part.density for part, x in zip(blend.parts, blend.volume_fractions, strict=True))
        assert row["carrier_mg_per_L"] == pytest.approx(100 * 3 * density / light)
        assert ("contains alcohol" in row["notes"]) == ("ethanol" in [part.name for part in blend.parts])
        triacetin = dict(zip([part.name for part in blend.parts], blend.mass_fractions, strict=True)).get(
            "triacetin", 0
        )
        if triacetin:  # 500 mg/L, common practice, no source
            assert row["taste_limit_mg_per_L"] == pytest.approx(500 / triacetin)
    assert search.question().endswith(", at most 3 of 2 carriers; soft drinks, EU")
    assert len(set(search.cautions)) == len(search.cautions)
    assert any(text.startswith("ethanol: ") for text in search.cautions) == bool(carrier("ethanol").caution)
    lines = search.why(1).splitlines()
    assert lines[0] == search.blends[1].name
    assert lines[1].startswith("linalool: ")
    assert lines[2].startswith("limonene: ")
    assert not any("optimality" in line for line in lines)
    unlisted = best_blend("linalool", [Carrier.of("acetone"), "triacetin"], keep=3)
    for blend, notes in zip(unlisted.blends, unlisted.table["notes"], strict=True):
        assert ("acetone: not a listed carrier" in notes) == ("acetone" in [part.name for part in blend.parts])
