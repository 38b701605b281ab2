"""Blends with names: law, taste, pouring, cost, clearness, several oils, and what the answer says of itself.

What stands outside the project: sum rules recomputed by `law.limit_uses` from doses that are worked out by hand here;
brute force over all blends of a grid; the foot of a perpendicular for two carriers; the alcohol strengths that
standards and handbooks state for oils (``alcohol_tests.csv``, each with its source).
"""

import warnings

import numpy as np
import pytest

import hspkit
from hspkit import HSP, Application, Blend, best_blend, carrier, dissolve, oil, phases
from hspkit.blending import COLUMNS
from hspkit.blending.grid import margin_of
from hspkit.blending.survey import survey
from hspkit.carriers import Carrier
from hspkit.errors import InputError, UnknownNameError
from hspkit.hansen import distance
from hspkit.law import IN_FLAVOURING, limit_uses, markets

ORANGE, CLOVE = "sweet orange, cold-pressed", "clove, bud"
#: Carriers that mix in every proportion.
MIXING = ["triacetin", "triethyl citrate", "benzyl alcohol", "ethyl lactate", "diacetin"]
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
                members = [member for part in blend.parts for member in part.substances]
                points, sites = [m.hsp.array for m in members], phases.Sites.joined([m.sites for m in members])
                assert phases.stable(blend.fractions, blend.component_volumes, points, sites=sites)
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
    order = [member.name for member in search.problem.carriers]
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


def test_a_survey_of_named_oils_asks_as_the_search_does():
    names = ["triacetin", "propylene glycol"]
    plain = survey(CLOVE, names, steps=4)
    asked = survey(CLOVE, names, steps=4, oil_parts=1, carrier_parts=2)
    assert np.array_equal(plain.p_clear, asked.p_clear)
    assert not np.array_equal(plain.p_clear, survey(CLOVE, names, steps=4, oil_parts=2).p_clear)


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


def test_an_aqueous_carrier_and_a_shared_component():
    """A blend offered as a carrier, and a carrier that is in the oil as well, count once."""
    search = best_blend(
        "benzyl alcohol", ["ethanol 70 % vol", "benzyl alcohol", "propylene glycol"], objective="clear",
        increments_percent=25, max_carriers=2, keep=5,
    )  # fmt: skip
    assert search.best.name == "benzyl alcohol"
    assert search.table["p_clear"][0] == 1.0


def test_the_public_name_is_there_and_quiet():
    assert hspkit.best_blend is best_blend
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        best_blend(CLOVE, FOUR, keep=1)


def test_a_bound_for_several_targets_holds_for_any_number_of_carriers():
    middle = np.mean([carrier(name).hsp.array for name in MIXING], axis=0)
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
    target = HSP(*(np.mean([carrier(name).hsp.array for name in MIXING], axis=0) + np.array(off)))
    some, all_of_them = (best_blend(target, MIXING, max_carriers=k, keep=1, **limit).certificate for k in (few, 5))
    assert some.value > all_of_them.value + 0.1
    assert some.bound == pytest.approx(all_of_them.value, abs=1e-5)
    assert all_of_them.bound == pytest.approx(all_of_them.value, abs=1e-9)
