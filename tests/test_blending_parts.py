"""The parts of a search for a blend, each by hand or by counting: limits, grids, stocks, bounds, tables."""

import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import norm

from hspkit import HSP, Application, Blend, best_blend, carrier, dissolve, oil
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
from hspkit.blending.survey import survey
from hspkit.carriers import Carrier
from hspkit.errors import InputError
from hspkit.hansen import distance
from hspkit.law import IN_FLAVOURING, limit_uses
from hspkit.substances import Substance

CLOVE, ORANGE = "clove, bud", "sweet orange, cold-pressed"
LIQUIDS = ["propylene glycol", "triacetin", "triethyl citrate", "MCT", "benzyl alcohol"]
NONE = Limits((), np.zeros((0, len(LIQUIDS))), np.zeros(0), np.zeros(0))


def problem(subjects=(CLOVE,), liquids=LIQUIDS, limits=NONE, cost=None, k=3, parts=(1.0, 2.0), celsius=25.0, far=None):
    own = tuple(one if isinstance(one, HSP) else oil(one) for one in subjects)
    if not limits.names:
        limits = Limits((), np.zeros((0, len(liquids))), np.zeros(0), np.zeros(0))
    return Problem(own, [carrier(name) for name in liquids], limits, cost, k, parts, celsius, far)


# --- limits ---


def built(liquids, *rules):
    members = [carrier(name) for name in liquids]
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
        for part in {p.name: p for name in liquids for p in carrier(name).parts}.values():
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
    logs = np.log([carrier(name).viscosity(20.0) for name in LIQUIDS])
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
        chosen = [carrier(name) for name in LIQUIDS]
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
    hsp = np.array([carrier(name).hsp.array for name in LIQUIDS])
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
    assert [(recipe.support, recipe.shares.tolist(), recipe.value) for recipe in blends.best(asked, 2)] == [
        ((0, 1), [0.3, 0.7], 2.0), ((3,), [1.0], 4.0),
    ]  # fmt: skip
    assert [recipe.support for recipe in blends.best(asked, 9)] == [(0, 1), (3,), (2, 3)]
    assert [recipe.support for recipe in blends.best(asked, 9, lambda recipe: recipe.value > 2)] == [
        (0, 1),
        (3,),
        (2, 3),
    ]
    before = len(asked_of)
    blends.best(asked, 2)
    assert len(asked_of) == before  # what is known is not asked again


# --- stocks ---


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
    assert [recipe.support for recipe in sure.recipes] == ranked[:3]
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
    for x, gap, viscosity, chance in zip(seen.shares, seen.distance, seen.viscosity, seen.p_clear, strict=True):
        blend = Blend(dict(zip(price, x, strict=True)), basis="volume")
        assert gap == pytest.approx(float(distance(blend.hsp, oil(CLOVE).hsp)))
        assert viscosity == pytest.approx(blend.viscosity(20.0))
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
