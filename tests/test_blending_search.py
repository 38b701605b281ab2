"""Blends with names: law, taste, pouring, cost, clearness, several oils, and what the answer says of itself.

What stands outside the project: sum rules recomputed by `law.limit_uses` from doses that are worked out by hand here;
brute force over all blends of a grid; the foot of a perpendicular for two carriers; the alcohol strengths that
standards and handbooks state for oils (``alcohol_tests.csv``, each with its source).
"""

import itertools
import warnings

import numpy as np
import pytest
from scipy.stats import norm

import hspkit
from hspkit import HSP, Application, Blend, best_blend, carrier, dissolve, oil, phases
from hspkit.blending import COLUMNS, screened
from hspkit.blending.grid import margin_of
from hspkit.blending.limits import Limits, clash
from hspkit.blending.problem import Problem, compositions
from hspkit.blending.rules import LegalLimit, LinearDose, TasteLimit, ViscosityLimit
from hspkit.blending.stock import Stock
from hspkit.blending.survey import survey
from hspkit.carriers import Carrier
from hspkit.errors import InputError, UnknownNameError
from hspkit.hansen import distance
from hspkit.law import IN_FLAVOURING, limit_uses, markets
from hspkit.miscibility import THEORY_SD_LN

ORANGE, CLOVE = "sweet orange, cold-pressed", "clove, bud"
FOUR = ["propylene glycol", "triacetin", "triethyl citrate", "MCT"]
#: Invented prices per kg, for these tests only.
PRICES = {"propylene glycol": 3.0, "triacetin": 6.0, "triethyl citrate": 7.0, "MCT": 8.0}


def soda(market="EU", **level):
    return Application(market, "soft drinks", **(level or {"oil_mg_per_L": 200}))


def near(shares, off=(0.3, 0.2, -0.2)):
    """A point close to a blend, whatever parameters the tables hold today."""
    mixed = sum(share * carrier(name).hsp.array for name, share in shares.items())
    return HSP(*(mixed + np.array(off)))


THREE = {"propylene glycol": 0.3, "triacetin": 0.4, "triethyl citrate": 0.3}


# --- geometry ---


def test_two_solvents_too_far_on_either_side_blend_to_a_near_one():
    """Two non-solvents that dissolve a resin together, the textbook case of Hansen's handbook.

    That 1-butanol and a nitroalkane do so for an epoxy resin is from memory, and so is the resin's place (about 17, 10,
    9): what is asserted holds for any point between the two. The solvents' parameters are those of open tables.
    """
    resin = HSP(17.0, 10.0, 9.0)
    pair = [Carrier.of("1-butanol"), Carrier.of("1-nitropropane")]
    apart = [float(distance(one.hsp, resin)) for one in pair]
    search = best_blend(resin, pair)
    assert len(search.best.parts) == 2
    assert search.table["distance"][0] < 0.6 * min(apart)
    # the foot of the perpendicular from the resin on the line between the two, by hand
    weight = np.array([2.0, 1.0, 1.0])
    a, b, t = (p.array * weight for p in (pair[0].hsp, pair[1].hsp, resin))
    share = float((t - a) @ (b - a) / ((b - a) @ (b - a)))
    assert dict(zip([p.name for p in search.best.parts], search.best.fractions, strict=True))[
        pair[1].name
    ] == pytest.approx(share)


def test_ethanol_and_water_for_a_target_between_and_beyond():
    ends = carrier("ethanol").hsp.array, carrier("water").hsp.array
    inside = best_blend(HSP(*(0.6 * ends[0] + 0.4 * ends[1])), ["ethanol", "water"])
    assert inside.best.fractions == pytest.approx([0.6, 0.4])
    assert inside.certificate.value == pytest.approx(0.0, abs=1e-6)
    # a terpene oil lies beyond the ethanol end: the nearest blend is ethanol alone
    assert best_blend(ORANGE, ["ethanol", "water"]).best.name == "ethanol"


@pytest.mark.parametrize(
    ("name", "percent", "volumes"), [("clove, bud", 70, 2), ("peppermint, steam-distilled", 70, 3)]
)
def test_the_surest_ethanol_is_no_weaker_than_the_strength_that_standards_state(name, percent, volumes):
    """Strengths that pharmacopoeias and handbooks state for these oils (recalled for these two)."""
    search = best_blend(
        name, ["ethanol", "water"], objective="clear", oil_parts=1, carrier_parts=volumes, increments_percent=5
    )
    share = dict(zip([p.name for p in search.best.parts], search.best.fractions, strict=True))
    assert 100 * share["ethanol"] >= percent - 5


# --- law, taste, pouring ---


@pytest.mark.parametrize("level", [{"oil_mg_per_L": 250}, {"stock_mg_per_L": 900}, {"oil_mg_per_L": 1400}])
@pytest.mark.parametrize("market", ["EU", "US", "UK"])
def test_every_blend_of_the_table_keeps_law_and_taste(market, level):
    asked = Application(market, "soft drinks", **level)
    search = best_blend(ORANGE, application=asked, max_viscosity=80, keep=3)
    subject = oil(ORANGE)
    for blend, row in zip(search.blends, search.table.to_dict("records"), strict=True):
        # masses of one part of oil and two of blend, by hand
        masses = {p.name: 2 * f * p.density for p, f in zip(blend.parts, blend.fractions, strict=True)}
        oil_mass = subject.density
        if asked.oil_mg_per_L is not None:
            doses = {name: asked.oil_mg_per_L * mass / oil_mass for name, mass in masses.items()}
        else:
            doses = {name: asked.stock_mg_per_L * m / (oil_mass + sum(masses.values())) for name, m in masses.items()}
        assert row["carrier_mg_per_L"] == pytest.approx(sum(doses.values()), rel=1e-6)
        assert all(use.share <= 1 + 1e-7 for use in limit_uses(doses, market, "soft drinks"))
        stocked = {name: 1e6 * m / (oil_mass + sum(masses.values())) for name, m in masses.items()}
        assert all(use.share <= 1 + 1e-7 for use in limit_uses(stocked, market, "soft drinks", basis=IN_FLAVOURING))
        for part in blend.parts:
            assert part.permitted(market, "soft drinks") in ("yes", "restricted")
            if part.taste_limit is not None:
                assert doses[part.name] <= part.taste_limit * (1 + 1e-7)
        assert blend.viscosity(20.0) <= 80 * (1 + 1e-7)


def test_the_sum_rule_of_the_union_binds_all_four_together():
    asked = soda(oil_mg_per_L=1500)
    search = best_blend(CLOVE, FOUR, application=asked, within_taste=False, objective="clear", keep=3)
    doses = search.best.doses(search.table["carrier_mg_per_L"][0])
    together = sum(dose for name, dose in doses.items() if name != "MCT")
    assert together <= 3000 * 1.001
    # 1500 mg/L of oil bring about 3200 mg/L of carrier, so MCT has to make up the rest
    assert doses.get("MCT", 0.0) > 100


def test_look_alikes_are_never_blended():
    poison = ["ethylene glycol", "diethylene glycol", "dipropylene glycol", "diethyl phthalate", "triethyl phosphate"]
    target = carrier("ethylene glycol").hsp
    search = best_blend(target, [*poison, "propylene glycol", "glycerol"], keep=50)
    assert not {part.name for blend in search.blends for part in blend.parts} & set(poison)
    assert set(poison) <= set(search.left_out)
    with pytest.raises(InputError, match="not for ingestion"):
        best_blend(target, poison)
    with pytest.raises(InputError, match="not for ingestion"):
        best_blend(ORANGE, ["dipropylene glycol", "MCT"], min_share={"dipropylene glycol": 0.2})
    # nor inside a blend that someone offers as a carrier
    mixed = Blend({"ethylene glycol": 0.5, "glycerol": 0.5}, basis="volume")
    assert mixed.name in best_blend(target, [mixed, "glycerol"]).left_out


@pytest.mark.parametrize("market", markets())
def test_without_evidence_of_permission_nothing_is_blended(market):
    asked = Application(market, "soft drinks", oil_mg_per_L=50)
    search = best_blend(CLOVE, application=asked, within_taste=False, keep=1, increments_percent=10)
    for blend in search.blends:
        assert blend.permitted(market, "soft drinks") in ("yes", "restricted")
    # and none of those left out for want of permission had any
    for one in search.problem.carriers:
        assert one.permitted(market, "soft drinks") in ("yes", "restricted")
    for name, reason in search.left_out.items():
        if "not on record" not in reason and "is solid at" not in reason:
            assert carrier(name).permitted(market, "soft drinks") not in ("yes", "restricted")


def test_clashing_limits_are_named_and_none_of_them_is_idle():
    with pytest.raises(InputError) as caught:
        best_blend(
            ORANGE, ["triacetin", "triethyl citrate", "propylene glycol"], application=soda(oil_mg_per_L=600),
            max_viscosity=30, max_share={"triethyl citrate": 0.9},
        )  # fmt: skip
    text = str(caught.value)
    assert "cannot be kept together" in text
    assert "taste, triacetin: at most 500 mg/L" in text
    assert "viscosity at most 30 mPa s" in text
    assert "of triethyl citrate" not in text, "a limit that does not clash is not named"
    # leaving out either of the two makes it possible
    liquids = [carrier(name) for name in ["triacetin", "triethyl citrate", "propylene glycol"]]
    dosing = LinearDose(soda(oil_mg_per_L=600), (1.0, 2.0), oil(ORANGE).density)
    rules = [LegalLimit(dosing), TasteLimit(dosing), ViscosityLimit(30.0)]
    both = Limits.of([limit for rule in rules for limit in rule.limits(liquids)], 3)
    for number, name in enumerate(both.names):
        if name in text:
            kept = [k for k in range(len(both.names)) if k != number]
            fewer = Limits(tuple(both.names[k] for k in kept), both.rows[kept], both.bounds[kept], both.scales[kept])
            assert "more than 3 carriers keep to all limits" in clash(fewer, 3), f"{name} is not needed for the clash"


def test_a_limit_that_needs_more_carriers_says_so():
    with pytest.raises(InputError, match="more than 1 carriers keep to all limits"):
        best_blend(ORANGE, FOUR, max_carriers=1, max_share=dict.fromkeys(FOUR, 0.6))


def test_viscosity_of_pairs_with_water_is_the_measured_one():
    """Pair terms of water with glycerol and propylene glycol (fitted to measured mixtures) count against the limit."""
    search = best_blend(
        near({"glycerol": 0.5, "water": 0.5}), ["glycerol", "water", "propylene glycol"], max_viscosity=8.0
    )
    assert "water" in [part.name for part in search.best.parts]
    for blend in search.blends:
        assert blend.viscosity(20.0) <= 8.0 * (1 + 1e-9)


def test_shares_of_named_carriers():
    search = best_blend(ORANGE, FOUR, min_share={"propylene glycol": 0.1}, max_share={"MCT": 0.5}, keep=2)
    for blend in search.blends[:2]:
        share = dict(zip([p.name for p in blend.parts], blend.fractions, strict=True))
        assert share["propylene glycol"] >= 0.1 - 1e-9
        assert share.get("MCT", 0.0) <= 0.5 + 1e-9


# --- the answer ---


def test_increments_are_kept_and_cost_a_little():
    target = near(THREE)
    free = best_blend(target, FOUR)
    values = []
    for step in (1, 2, 5, 10):
        search = best_blend(target, FOUR, increments_percent=step)
        for blend in search.blends:
            steps = blend.fractions * 100 / step
            assert steps == pytest.approx(np.round(steps), abs=1e-6)
        values.append(search.certificate.value)
        # a bound for any number of carriers in any fractions bounds the grid too
        assert search.certificate.bound == pytest.approx(free.certificate.bound, abs=1e-3)
        assert search.certificate.value >= search.certificate.bound - 1e-9
    assert free.certificate.value <= values[0] + 1e-12
    assert values[0] <= values[1] + 1e-12 <= values[3] + 2e-12
    assert values[0] <= values[2] + 1e-12


def test_a_blend_that_splits_is_not_a_blend():
    """Glycerol and MCT do not mix, whatever lies between them in Hansen space."""
    target = HSP(*(0.5 * carrier("glycerol").hsp.array + 0.5 * carrier("MCT").hsp.array))
    for increments in (None, 5):
        search = best_blend(target, ["glycerol", "MCT", "triacetin"], increments_percent=increments, keep=10)
        for blend in search.blends:
            if len(blend.parts) > 1:
                points = [member.point for part in blend.parts for member in part.substances]
                assert phases.stable(blend.fractions, blend.component_volumes, points)
    half = search.problem.mixes((0, 1), np.array([0.5, 0.5]))
    assert not half[0]


@pytest.mark.parametrize(
    ("names", "point"),
    [
        (["triethyl citrate", "glycerol"], (15.5, 5.0, 20.0)),
        (["diacetin", "1,3-propanediol", "tributyrin", "monoacetin"], (15.84, 8.16, 12.48)),
        pytest.param(
            ["tricaprylin", "triethyl citrate", "1,3-propanediol", "glycerol"],
            (16.32, 2.59, 19.08),
            marks=pytest.mark.slow,
        ),
        (["monoacetin", "tributyrin", "triacetin"], (16.02, 8.70, 14.01)),
    ],
)
def test_where_the_optimum_parts_no_blend_that_mixes_is_nearer(names, point):
    """The carriers of the last three are not those of the optimum without phases, which parts."""
    search = best_blend(HSP(*point), names, max_carriers=4)
    rng, n = np.random.default_rng(0), len(names)
    rare = 10 ** rng.uniform(-5, 0, (500, n))
    shares = np.vstack([rng.dirichlet(np.full(n, 0.5), 500), rare / rare.sum(axis=1, keepdims=True)])
    least = search.certificate.value
    squared = search.problem.squared_distance(np.tile(np.arange(n), (len(shares), 1)), shares)
    nearer = shares[squared < (least - 1e-5) ** 2]
    assert len(nearer) > 10
    assert not search.problem.mixes(range(n), nearer).any()
    assert not search.certificate.proven
    assert "no proof" in search.certificate.how


def test_certificate_proves_the_optimum_and_bounds_any_number_of_carriers():
    target = near({**THREE, "triacetin": 0.2, "benzyl alcohol": 0.2})
    names = ["propylene glycol", "triacetin", "triethyl citrate", "benzyl alcohol", "ethyl lactate", "diacetin"]
    two = best_blend(target, names, max_carriers=2, max_share={"triethyl citrate": 0.45}, keep=3)
    six = best_blend(target, names, max_carriers=6, max_share={"triethyl citrate": 0.45}, keep=3)
    assert two.certificate.kkt_residual < 1e-9
    assert two.certificate.proven
    assert two.certificate.supports_examined == 6 + 15
    assert six.certificate.value <= two.certificate.value
    # the bound of the small search holds for the large one, and is close to it
    assert two.certificate.bound <= six.certificate.value + 1e-6
    assert two.certificate.bound == pytest.approx(six.certificate.value, abs=0.02)
    assert six.certificate.gap < 1e-6


def test_bound_is_met_when_nothing_better_exists():
    search = best_blend(ORANGE, FOUR, application=soda(), max_viscosity=60)
    assert search.certificate.kkt_residual < 1e-9
    assert search.certificate.gap < 1e-6
    limits = search.limits()
    assert np.all(limits["slack"] >= -1e-9)
    assert (limits["multiplier"] > 0).sum() == len(search.certificate.multipliers)


def test_multiplier_is_what_loosening_a_limit_gains():
    target = near({"propylene glycol": 0.9, "triacetin": 0.1})
    value = {}
    for limit in (40.0, 40.0 * 1.001):
        search = best_blend(target, ["propylene glycol", "triacetin", "triethyl citrate"], max_viscosity=limit)
        value[limit] = search.certificate.value**2
        if limit == 40.0:
            (multiplier,) = search.certificate.multipliers.values()
            scale = search.problem.limits.scales[0]
    gained = (value[40.0] - value[40.0 * 1.001]) / (np.log(1.001) / scale)
    assert multiplier == pytest.approx(gained, rel=0.02)


def test_table_has_the_best_single_carrier_and_all_columns():
    search = best_blend(CLOVE, FOUR, keep=2)
    assert list(search.table.columns) == list(COLUMNS)
    assert search.table["carriers"].tolist().count(1) >= 1
    alone = search.table[search.table["notes"].str.contains("best carrier alone")]
    assert len(alone) == 1
    nearest = min(FOUR, key=lambda name: float(distance(carrier(name).hsp, oil(CLOVE).hsp)))
    assert alone["blend"].iloc[0] == nearest
    assert len(search.blends) == len(search.table)
    assert search.table["blend"][0] == search.best.name
    shown = dissolve(CLOVE, search.best)
    assert search.table["p_clear"][0] == pytest.approx(shown.p_clear)
    assert search.table["verdict"][0] == shown.verdict


def test_order_of_the_carriers_does_not_matter_and_more_choice_never_hurts():
    target = near(THREE)
    names = [*FOUR, "benzyl alcohol", "glycerol"]
    some = best_blend(target, names, keep=5)
    turned = best_blend(target, names[::-1], keep=5)
    assert turned.table["distance"].tolist() == pytest.approx(some.table["distance"].tolist())
    assert turned.best.name == some.best.name
    fewer = best_blend(target, names[:-2], keep=5)
    assert some.certificate.value <= fewer.certificate.value + 1e-12


def shares_of(blend, problem):
    """Volume fractions of a blend in the order of all carriers of a search."""
    found = {part.name: share for part, share in zip(blend.parts, blend.fractions, strict=True)}
    return np.array([found.get(one.name, 0.0) for one in problem.carriers])


def test_sensitivity_says_what_one_more_percent_does():
    search = best_blend(CLOVE, [*FOUR, "glycerol"], price_per_kg={**PRICES, "glycerol": 1.5}, increments_percent=5)
    changes = search.sensitivity().set_index("carrier")
    now = dict(zip([p.name for p in search.best.parts], search.best.fractions, strict=True))
    for name in changes.index:
        moved = {key: 0.99 * share for key, share in now.items()}
        moved[name] = moved.get(name, 0.0) + 0.01
        blend = Blend(moved, basis="volume")
        gap = float(distance(blend.hsp, oil(CLOVE).hsp)) - search.certificate.value
        assert changes.loc[name, "distance"] == pytest.approx(gap, abs=1e-9)
        margins = [
            margin_of(search.problem, np.arange(5)[None, :], shares_of(one, search.problem)[None, :], None)[0]
            for one in (blend, search.best)
        ]
        # an index is good to 1e-6 of itself, and the margin divides it by a spread of about 0.1
        assert changes.loc[name, "margin"] == pytest.approx(margins[0] - margins[1], abs=1e-5)
        chances = [dissolve(CLOVE, one).p_clear for one in (blend, search.best)]
        assert changes.loc[name, "p_clear"] == pytest.approx(chances[0] - chances[1], abs=1e-9)
        thicker = blend.viscosity(20.0) - search.best.viscosity(20.0)
        assert changes.loc[name, "viscosity_mPa_s"] == pytest.approx(thicker, abs=1e-9)
    order = [one.name for one in search.problem.carriers]
    rows = np.arange(len(order))[None, :]
    full = np.array([now.get(name, 0.0) for name in order])
    before = margin_of(search.problem, rows, full[None, :], None)[0]
    for place, name in enumerate(order):
        moved = 0.99 * full + 0.01 * np.eye(len(order))[place]
        after = margin_of(search.problem, rows, moved[None, :], None)[0]
        assert changes.loc[name, "margin"] == pytest.approx(after - before, abs=1e-5)
    price = {name: carrier(name).density * p for name, p in {**PRICES, "glycerol": 1.5}.items()}
    cost = sum(price[name] * share for name, share in now.items())
    assert search.table["cost_per_L"][0] == pytest.approx(cost)
    assert changes.loc["MCT", "cost_per_L"] == pytest.approx(0.01 * (price["MCT"] - cost))


def test_at_a_free_optimum_a_little_more_of_its_members_changes_nothing():
    search = best_blend(near(THREE), ["propylene glycol", "triacetin", "triethyl citrate"])
    assert search.certificate.kkt_residual < 1e-9
    changes = search.sensitivity(0.01)
    inside = changes["share_percent"] > 0
    assert np.all(np.abs(changes.loc[inside, "distance"]) < 1e-4)
    assert np.all(changes["distance"] > -1e-9)


# --- clear, cost, worst cases, several oils ---


def every_blend(problem, steps):
    """All blends of a grid that keep to the limits and mix, with their margins, by brute force."""
    found = []
    for size in range(1, problem.max_carriers + 1):
        shares = compositions(steps, size) / steps
        for support in itertools.combinations(range(len(problem.carriers)), size):
            rows = np.tile(support, (len(shares), 1))
            fine = problem.feasible(rows, shares) & problem.mixes(support, shares)
            margins = margin_of(problem, rows[fine], shares[fine], None) if fine.any() else []
            found.extend((float(m), support, x) for m, x in zip(margins, shares[fine], strict=True))
    return found


@pytest.mark.parametrize("name", [ORANGE, CLOVE])
def test_surest_blend_is_the_surest_of_the_whole_grid(name):
    search = best_blend(name, FOUR, objective="clear", increments_percent=10, max_carriers=3, max_viscosity=45, keep=3)
    everything = every_blend(search.problem, 10)
    best = max(m for m, _, _ in everything)
    assert search.table["margin"][:3].max() == pytest.approx(best, rel=1e-9)
    assert search.table["p_clear"][:3].is_monotonic_decreasing
    assert search.certificate.value == pytest.approx(search.table["p_clear"][0])
    assert search.certificate.proven
    by_support = {}
    for margin, support, _ in everything:
        by_support[support] = max(by_support.get(support, -np.inf), margin)
    assert sorted(search.table["margin"][:3]) == pytest.approx(sorted(by_support.values())[-3:])


@pytest.mark.parametrize(("batch", "keep"), [(None, 2), (10, 1)])
def test_most_water_is_the_most_of_the_whole_grid(monkeypatch, batch, keep):
    if batch is not None:  # blends one at a time: the search may stop early, and only where nothing better can come
        monkeypatch.setattr("hspkit.blending.screened._BATCH", batch)
    search = best_blend(
        CLOVE, FOUR, objective="water tolerance", increments_percent=20, max_carriers=2, keep=keep, min_p_clear=0.8
    )
    assert search.certificate.proven
    clear = [(s, x) for m, s, x in every_blend(search.problem, 5) if m >= norm.ppf(0.8)]
    tolerances = []
    for support, shares in clear:
        blend = Blend({search.problem.carriers[i]: x for i, x in zip(support, shares, strict=True)}, basis="volume")
        tolerances.append(dissolve(CLOVE, blend, draws=2).water_tolerance_percent)
    assert 100 * search.certificate.value == pytest.approx(max(tolerances), abs=1e-3)
    assert search.table["water_tolerance_percent"][0] == pytest.approx(max(tolerances), abs=1e-3)
    # the quick bound is one
    stock = search.problem.stocks[0]
    for support, shares in clear[:8]:
        rows = np.array([support])
        bound = stock.highest_water_tolerance(rows, shares[None, :])
        assert bound[0] >= stock.water_tolerance(rows, shares[None, :])[0] - 1e-9


@pytest.mark.parametrize(
    ("objective", "name", "keep"),
    [("clear", CLOVE, 3), ("clear", "linalool", 8), ("water tolerance", CLOVE, 3), ("cost", CLOVE, 3)],
)
def test_the_answer_does_not_hang_on_how_many_blends_are_looked_at_at_once(objective, name, keep, monkeypatch):
    """Searches stop as soon as bounds prove that nothing better can follow; in small batches they stop earlier."""
    asked = {"objective": objective, "increments_percent": 10, "max_carriers": 2, "keep": keep}
    if objective == "cost":
        asked["price_per_kg"] = PRICES
    whole = best_blend(name, FOUR, **asked)
    for batch in (5, 30) if name != CLOVE else (10, 30):
        monkeypatch.setattr(screened, "_BATCH", batch)
        parts = best_blend(name, FOUR, **asked)
        assert parts.table["blend"].tolist() == whole.table["blend"].tolist()
        assert parts.certificate.value == pytest.approx(whole.certificate.value)


def test_the_single_carrier_of_a_worst_case_is_the_best_of_them():
    target = near({"triacetin": 0.5, "propylene glycol": 0.5})
    search = best_blend(target, FOUR, increments_percent=10, worst_case=0.2, keep=1)
    alone = search.table[search.table["carriers"] == 1]
    far = {
        name: best_blend(target, [name], increments_percent=10, worst_case=0.2, keep=1).certificate.value
        for name in FOUR
    }
    assert alone["blend"].tolist() == [min(far, key=far.get)]


def test_a_survey_of_named_oils_asks_as_the_search_does():
    names = ["triacetin", "propylene glycol"]
    plain = survey(CLOVE, names, steps=4)
    asked = survey(CLOVE, names, steps=4, oil_parts=1, carrier_parts=2)
    assert np.array_equal(plain.p_clear, asked.p_clear)
    assert not np.array_equal(plain.p_clear, survey(CLOVE, names, steps=4, oil_parts=2).p_clear)


def test_refined_search_is_no_worse_than_its_grid():
    coarse = best_blend(CLOVE, FOUR, objective="clear", increments_percent=5, max_carriers=2, keep=2)
    fine = best_blend(CLOVE, FOUR, objective="clear", max_carriers=2, keep=2)
    assert fine.table["margin"].max() >= coarse.table["margin"].max() - 1e-9
    assert fine.best.fractions * 100 == pytest.approx(np.round(fine.best.fractions * 100), abs=1e-6)


def test_margin_tells_the_probability_that_draws_give():
    """The first-order margin against the full draws of `dissolve`, over blends from clear to split."""
    names = [*FOUR, "glycerol", "benzyl alcohol"]
    none = Limits((), np.zeros((0, 6)), np.zeros(0), np.zeros(0))
    problem = Problem((oil(CLOVE),), [carrier(n) for n in names], none, None, 3, (1.0, 2.0), 25.0, None)
    rng = np.random.default_rng(2)
    gaps = []
    for _ in range(12):
        support = np.sort(rng.choice(6, 3, replace=False))
        shares = rng.dirichlet(np.ones(3))
        margin = margin_of(problem, support[None, :], shares[None, :], None)[0]
        blend = Blend({problem.carriers[i]: x for i, x in zip(support, shares, strict=True)}, basis="volume")
        gaps.append(norm.cdf(margin) - dissolve(CLOVE, blend).p_clear)
    assert np.mean(np.abs(gaps)) < 0.05
    assert np.max(np.abs(gaps)) < 0.2


def test_cheapest_clear_blend_is_the_cheapest_of_the_whole_grid():
    search = best_blend(
        CLOVE, FOUR, objective="cost", price_per_kg=PRICES, increments_percent=10, max_carriers=2, keep=2
    )
    price = search.problem.cost
    limit = norm.ppf(0.8)
    clear = sorted((float(price[list(s)] @ x), s, x) for m, s, x in every_blend(search.problem, 10) if m >= limit)
    first = np.inf
    for cost, support, shares in clear:
        blend = Blend({search.problem.carriers[i]: x for i, x in zip(support, shares, strict=True)}, basis="volume")
        if dissolve(CLOVE, blend).p_clear >= 0.8:
            first = cost
            break
    # draws near 0.8 may differ by a step of the grid
    assert search.certificate.value == pytest.approx(first, rel=0.08)
    assert search.table["p_clear"][:2].min() >= 0.8
    assert search.table["cost_per_L"].is_monotonic_increasing


def test_cost_within_a_distance_of_a_point():
    target = near({"triacetin": 0.5, "propylene glycol": 0.5})
    search = best_blend(target, FOUR, objective="cost", price_per_kg=PRICES, max_distance=2.0, increments_percent=5)
    assert search.table["distance"][0] <= 2.0
    nearer = best_blend(target, FOUR, objective="cost", price_per_kg=PRICES, max_distance=1.0, increments_percent=5)
    assert nearer.certificate.value >= search.certificate.value


def test_no_clear_blend_is_an_error_that_names_the_surest():
    with pytest.raises(
        InputError, match=r"clear with a probability of 0.8; the surest one has a probability of 0\.\d\d"
    ):
        best_blend(
            ORANGE, ["propylene glycol", "glycerol"], objective="cost", increments_percent=10,
            price_per_L={"propylene glycol": 3, "glycerol": 2},
        )  # fmt: skip


def test_a_distance_that_is_kept_is_not_why_nothing_was_found():
    """The nearest blend of these is some 21 MPa^0.5 off, so at most 25 is no hindrance and at most 18 is."""
    asked = {"objective": "cost", "increments_percent": 10, "price_per_L": {"propylene glycol": 3, "glycerol": 2}}
    pair = ["propylene glycol", "glycerol"]
    nearest = float(distance(carrier("propylene glycol").hsp, oil(ORANGE).hsp))
    assert 18 < nearest < 25
    with pytest.raises(InputError, match=r"clear with a probability of 0\.8; the surest"):
        best_blend(ORANGE, pair, max_distance=25, **asked)
    with pytest.raises(InputError, match=f"nearer than Ra {nearest:.2f} MPa.*max_distance is 18"):
        best_blend(ORANGE, pair, max_distance=18, **asked)


def test_several_oils_are_served_by_the_worst():
    oils = [ORANGE, CLOVE, "peppermint, steam-distilled"]
    house = best_blend(oils, FOUR, keep=1)
    gaps = [float(distance(house.best.hsp, oil(one).hsp)) for one in oils]
    assert house.certificate.value == pytest.approx(max(gaps))
    assert not house.certificate.proven  # MCT and propylene glycol part; the best is at the edge of what mixes
    # without a residual where a nearer blend was passed over because it parts in the drum
    assert np.isnan(house.certificate.kkt_residual) or house.certificate.kkt_residual < 1e-8
    for one in oils:  # the edge is followed to its last digits from one side or the other
        alone = best_blend(one, FOUR, keep=1)
        assert alone.certificate.value <= house.certificate.value + 1e-6
        other = max(float(distance(alone.best.hsp, oil(name).hsp)) for name in oils)
        assert house.certificate.value <= other + 1e-6
    clear = best_blend(oils[:2], FOUR, objective="clear", increments_percent=10, max_carriers=2, keep=2)
    assert clear.table["margin"][:2].max() == pytest.approx(max(m for m, _, _ in every_blend(clear.problem, 10)))


def test_worst_case_is_better_in_its_bad_cases_and_worse_in_the_middle():
    names = [*FOUR, "benzyl alcohol", "ethyl lactate"]
    target = near({"triacetin": 0.5, "triethyl citrate": 0.25, "propylene glycol": 0.25})
    plain = best_blend(target, names, increments_percent=5)
    robust = best_blend(target, names, increments_percent=5, worst_case=0.2)
    assert robust.table["distance"][0] >= plain.table["distance"][0] - 1e-12
    # other draws than those of the search
    rng = np.random.default_rng(99)

    def bad(blend):
        hsp = np.array([rng.multivariate_normal(p.hsp.array, p.covariance, 20_000) for p in blend.parts])
        mixed = np.einsum("p,pdk->dk", blend.fractions, hsp)
        return np.quantile(np.sqrt(np.sum(((mixed - target.array) * [2, 1, 1]) ** 2, axis=1)), 0.8)

    assert robust.certificate.value == pytest.approx(bad(robust.best), rel=0.06)
    assert bad(robust.best) <= bad(plain.best) * 1.03
    again = best_blend(target, names, increments_percent=5, worst_case=0.2)
    assert again.best.name == robust.best.name
    assert again.certificate.value == robust.certificate.value


def test_worst_case_of_clear_uses_the_spread():
    search = best_blend(ORANGE, FOUR, objective="clear", worst_case=0.2, increments_percent=10, max_carriers=2, keep=2)
    assert search.certificate.value < 1.0, "the binodal index in the worst case of 20 % is below 1: still clear"


# --- words and errors ---


def test_repr_html_and_reasons():
    search = best_blend(CLOVE, FOUR[:3], application=soda(), keep=2)
    assert "<table" in search._repr_html_()
    assert "bench trial" in search._repr_html_()
    assert "optimality conditions" in search.why()
    assert "EU, soft drinks" in search.why()
    assert "BlendSearch" in repr(search)
    assert "Look-alike names kill" in " ".join(search.cautions)
    with pytest.raises(UnknownNameError, match="rows 0 to"):
        search.why(99)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"objective": "best"}, "expected one of distance, clear, water tolerance, cost"),
        ({"max_carriers": 0}, "whole number from 1 to 6"),
        ({"keep": 0}, "whole number >= 1"),
        ({"worst_case": 20}, "between 0 and 1"),
        ({"worst_case": 0.2, "objective": "cost"}, "raise min_p_clear"),
        ({"carriers": []}, "carriers is empty"),
        ({"carriers": "MCT"}, "expected several names"),
        ({"min_share": {"MCT": 20}}, "volume fraction from 0 to 1"),
        ({"min_share": {"glycerol": 0.2}}, "not among the carriers"),
        ({"max_viscosity": -1}, "number > 0 in mPa s"),
        ({"price_per_L": {"MCT": 1}, "price_per_kg": {"MCT": 1}}, "give one of them"),
        ({"price_per_L": {"MCT": -1}}, "number >= 0"),
        ({"max_cost": 5}, "no price given"),
        ({"max_distance": 0.01}, "nearer than Ra"),
        ({"increments_percent": 7}, "divides 100 %"),
    ],
)
def test_wrong_questions_are_errors_that_say_what_to_do(change, words):
    given = {"carriers": ["triacetin", "MCT"], **change}
    with pytest.raises(InputError, match=words):
        best_blend(ORANGE, **given)


def test_questions_too_large_say_how_to_make_them_smaller():
    with pytest.raises(InputError, match="offer fewer carriers, lower max_carriers or raise increments_percent"):
        best_blend(ORANGE, objective="clear", increments_percent=1)
    many = [Blend({"triacetin": i / 100, "MCT": 1 - i / 100}, basis="volume") for i in range(1, 60)]
    with pytest.raises(InputError, match="at most 1,000,000 are looked at"):
        best_blend(HSP(17, 5, 9), many, max_carriers=5)


def test_points_in_hansen_space_have_no_phases_and_no_dose():
    point = HSP(17, 5, 9)
    with pytest.raises(InputError, match="give an oil"):
        best_blend(point, FOUR, objective="clear")
    with pytest.raises(InputError, match="no density"):
        best_blend(point, FOUR, application=soda())
    with pytest.raises(InputError, match=r"expected \(3,\)"):
        best_blend([1.0, 2.0], FOUR)
    with pytest.raises(UnknownNameError):
        best_blend("no such oil", FOUR)
    same = best_blend([17.0, 5.0, 9.0], FOUR[:3], max_carriers=2)
    assert same.best.name == best_blend(point, FOUR[:3], max_carriers=2).best.name
    assert same.table["verdict"][0] is None


def test_an_aqueous_carrier_and_a_shared_component():
    """A blend offered as a carrier, and a carrier that is in the oil as well, count once."""
    search = best_blend(
        "benzyl alcohol", ["ethanol 70 % vol", "benzyl alcohol", "propylene glycol"], objective="clear",
        increments_percent=25, max_carriers=2, keep=5,
    )  # fmt: skip
    assert search.best.name == "benzyl alcohol"
    assert search.table["p_clear"][0] == 1.0


def test_the_margin_knows_the_indices_of_the_engine():
    """ln L of the quick margin is that of `phases.spinodal_index`, and its derivative that of finite differences."""
    names = [*FOUR, "glycerol"]
    for celsius in (25.0, 10.0):
        stock = Stock(oil(CLOVE), [carrier(n) for n in names], 1 / 3, celsius)
        supports, shares = np.array([[0, 1, 2], [1, 3, 4]]), np.array([[0.3, 0.3, 0.4], [0.2, 0.5, 0.3]])
        middle, spread = stock.log_local_index(supports, shares)
        assert middle == pytest.approx(np.log(stock.spinodal_index(supports, shares)), abs=1e-9)
        above, spread_m = stock.log_index(supports, shares)
        assert np.all(above >= middle - 1e-6)
        assert np.all(spread > 0.1)
        assert np.all(spread_m > 0.05)
    mixture = stock.mixture
    fractions = stock.fractions(supports, shares)[0]
    change = []
    for row in range(len(fractions)):
        slope = np.zeros(3)
        for axis in range(3):
            moved = np.repeat(mixture.points[None], 2, axis=0)
            moved[0, row, axis] += 1e-4
            moved[1, row, axis] -= 1e-4
            up, down = np.log(phases.spinodal_index(fractions, mixture.volumes, moved, celsius=celsius))
            slope[axis] = (up - down) / 2e-4
        change.append(slope @ mixture.covariance[row] @ slope)
    sizes = np.repeat(mixture.volumes[None], 2, axis=0)
    for row in range(len(fractions)):
        moved = sizes * np.exp(np.outer([1e-4, -1e-4], np.eye(len(fractions))[row]))
        up, down = np.log(phases.spinodal_index(fractions, moved, mixture.hsp, celsius=celsius))
        change.append(((up - down) / 2e-4 * mixture.volume_sd[row] / mixture.volumes[row]) ** 2)
    assert spread[0] == pytest.approx(np.sqrt(np.sum(change) + THEORY_SD_LN**2), rel=0.02)


def test_the_public_name_is_there_and_quiet():
    assert hspkit.best_blend is best_blend
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        best_blend(CLOVE, FOUR, keep=1)
