"""Dose, law, taste, pouring and clouding: against the texts of law and sums worked by hand."""

import html
import re
from types import SimpleNamespace

import numpy as np
import pytest

from hspkit import application as product
from hspkit import data, phases
from hspkit.application import (
    Application,
    Dose,
    StockRange,
    carrier_dissolves,
    clouding,
    dose,
    dosing,
    handling,
    law_lines,
    legal_limit,
    most_carrier_in_stock,
    permission,
    pouring_band,
    stock_range,
    stock_viscosity,
    taste_limit,
    taste_lines,
    taste_unknown,
    under_taste_limit,
    volume_parts,
)
from hspkit.application.water import water_solubility
from hspkit.calibration import calibration
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError, UnknownNameError
from hspkit.law import PERMITTING_ROLES, limits, markets
from hspkit.miscibility import RESIDUE, dissolve, ethanol_strength_to_clear
from hspkit.oils import oil
from hspkit.rendering import number
from hspkit.substances import substance, substances
from hspkit.workshop.statements import Statement, equation_errors, order, statements

SODA = Application("US", "soft drinks", oil_mg_per_L=40)


def test_dose_worked_by_hand():
    # 1 mL of oil at 0.84 g/mL with 2 mL of carrier at 1.16 g/mL: 2.32 g of carrier for 0.84 g of oil; at 40 mg/L
    # of oil that is 40 x 2.32 / 0.84 = 110.48 mg/L of carrier and 150.48 mg/L of stock.
    given = dose(SODA, oil_parts=1, carrier_parts=2, oil_density=0.84, carrier_density=1.16)
    assert given.oil_mg_per_L == 40
    assert given.carrier_mg_per_L == pytest.approx(110.476, abs=1e-3)
    assert given.stock_mg_per_L == pytest.approx(150.476, abs=1e-3)


def test_dose_from_the_stock_is_the_same_dose():
    from_oil = dose(SODA, oil_parts=1, carrier_parts=2, oil_density=0.84, carrier_density=1.16)
    stock = Application("US", "soft drinks", stock_mg_per_L=from_oil.stock_mg_per_L)
    assert dose(stock, oil_parts=1, carrier_parts=2, oil_density=0.84, carrier_density=1.16) == pytest.approx(from_oil)


def test_dose_by_mass_needs_no_density():
    # 1 part of oil to 4 of carrier by mass, 200 mg/L of stock: 40 mg/L and 160 mg/L.
    asked = Application("EU", "soft drinks", stock_mg_per_L=200)
    assert dose(asked, oil_parts=1, carrier_parts=4, basis="mass") == pytest.approx((40.0, 160.0))
    # by volume the same stock has 4 x 0.84 / 1.16 = 2.897 parts of carrier
    assert volume_parts(1, 4, oil_density=0.84, carrier_density=1.16, basis="mass")[1] == pytest.approx(
        2.8966, abs=1e-4
    )
    with pytest.raises(InputError, match="expected 'volume' or 'mass'"):
        dose(asked, oil_parts=1, carrier_parts=4, basis="mole")
    with pytest.raises(InputError, match="no density of the carrier"):
        volume_parts(1, 4, oil_density=0.84, carrier_density=float("nan"), basis="mass")
    with pytest.raises(InputError, match="oil_density is nan"):
        dose(asked, oil_parts=1, carrier_parts=4, carrier_density=1.0)


def test_the_weakest_stock_worked_by_hand():
    # 40 mg/L of oil of 0.84 g/mL; triacetin 1.1583 g/mL at 20 C (CRC Handbook); taste 500 mg/L (common practice, no
    # source): 500 / 40 = 12.5 g of carrier to 1 g of oil = 12.5 x 0.84 / 1.1583 = 9.065 volumes to 1.
    found = stock_range(carrier("triacetin"), SODA, max_oil_percent=100, oil_density=0.84)
    assert found.most_concentrated == 0
    assert found.most_dilute == pytest.approx(9.065, abs=2e-3)
    assert found.holds(9.0)
    assert not found.holds(9.1)
    assert "taste" in found.bound_by


def test_the_weakest_stock_by_use_level_of_stock():
    # 800 mg/L of stock, at most 500 of it carrier: 500 g to 300 g of oil, whatever the density ratio of 1.
    asked = Application("US", "soft drinks", stock_mg_per_L=800)
    found = stock_range(carrier("triacetin"), asked, max_oil_percent=100, oil_density=carrier("triacetin").density)
    assert found.most_dilute == pytest.approx(500 / 300)
    small = Application("US", "soft drinks", stock_mg_per_L=400)  # no dilution brings the carrier to 500 mg/L
    assert stock_range(carrier("triacetin"), small, max_oil_percent=100, oil_density=1.0).most_dilute == np.inf


def test_the_strongest_stock_is_where_it_clouds_and_both_ends_can_exclude_each_other():
    found = stock_range(carrier("triacetin"), SODA, max_oil_percent=20, oil_density=0.84)
    assert found.most_concentrated == pytest.approx(4.0)  # 80 : 20
    assert found.possible
    narrow = stock_range(carrier("triacetin"), SODA, max_oil_percent=5, oil_density=0.84)
    assert narrow.most_concentrated == pytest.approx(19.0)  # 95 : 5, and at most 9.065
    assert not narrow.possible
    assert "no stock keeps to everything" in narrow.sentence()
    never = stock_range(carrier("triacetin"), SODA, max_oil_percent=0, oil_density=0.84)
    assert never.most_concentrated == np.inf


def test_a_rule_on_the_flavouring_bounds_the_dilution():
    # 21 CFR 184.1666(d): 97 % in flavourings, so at most 97 g of glycol to 3 g of oil; as consumed 2 % = 20 g/L would
    # allow 500 g to 1 g.
    assert most_carrier_in_stock(carrier("propylene glycol"), SODA)[0] == pytest.approx(0.97)
    glycol = carrier("propylene glycol")
    found = stock_range(glycol, SODA, max_oil_percent=100, oil_density=glycol.density)
    assert found.most_dilute == pytest.approx(97 / 3)
    assert "184.1666" in found.bound_by


def test_of_several_rules_the_one_that_decides_is_named():
    # 97 % of either glycol in flavourings: 21 CFR 184.1666(d) and GRN 302 (read). Of a blend of 99 % propylene glycol
    # a stock may hold 97 / 99; as consumed 2 % of it, 20 g/L / 0.99.
    blend = Blend({"1,3-propanediol": 0.01, "propylene glycol": 0.99}, basis="mass")
    share, rule = most_carrier_in_stock(blend, SODA)
    assert share == pytest.approx(97 / 99)
    assert rule == "propylene glycol: at most 970,000 mg/kg in the flavouring (21 CFR 184.1666(d))"
    limit, rule = legal_limit(blend, SODA)
    assert limit == pytest.approx(20_000 / 0.99)
    assert rule == "propylene glycol: at most 20,000 mg/kg in the food as consumed (21 CFR 184.1666(d))"
    limit, rule = legal_limit(blend, SODA, share_of_stock=0.99)
    assert limit == 0
    assert rule == "propylene glycol: at most 970,000 mg/kg in the flavouring (21 CFR 184.1666(d))"
    assert legal_limit(carrier("glycerol"), SODA) == (None, "no numeric limit on record")
    assert most_carrier_in_stock(carrier("glycerol"), SODA) == (1.0, "")
    # the tightest of law, taste and flavouring bounds a stock: half triacetin, half glycol at 4 mg/L of oil
    asked = Application("US", "soft drinks", oil_mg_per_L=4)
    both = Blend({"triacetin": 0.5, "propylene glycol": 0.5}, basis="mass")
    found = stock_range(both, asked, max_oil_percent=100, oil_density=both.density)
    assert found.most_dilute == pytest.approx(500 / 0.5 / 4)
    assert found.bound_by == "the taste limit, 1,000 mg/L"
    assert found.taste_unknown == ("propylene glycol",)


def test_no_stock_of_a_carrier_that_is_not_allowed():
    found = stock_range(carrier("dipropylene glycol"), SODA, max_oil_percent=100, oil_density=0.84)
    assert np.isnan(found.most_dilute)
    assert not found.possible
    assert "not allowed" in found.sentence()


def test_law_lines_show_margin_reference_and_date():
    # Directive 95/2/EC as amended, text of 2010-04-26: E 1505, 1517, 1518, 1520 together 3 g/kg. 1600 + 1600 mg/L in a
    # product of 1 g/mL is 3200 mg/kg, 6.7 % over.
    both = Blend({"triacetin": 0.5, "triethyl citrate": 0.5}, basis="mass")
    line = law_lines(both, Application("EU", "soft drinks", oil_mg_per_L=40), Dose(40.0, 3200.0))[0]
    assert set(line.carriers) == {"triacetin", "triethyl citrate"}
    assert (line.limit, line.dose, line.unit) == (3000.0, pytest.approx(3200.0), "mg/kg")
    assert line.margin_percent == pytest.approx(-100 * 200 / 3000)
    assert line.broken
    assert line.row.text_date == "2010-04-26"
    for word in ("BROKEN", "1333/2008", "2010-04-26", "singly or together"):
        assert word in line.sentence()
    # the same dose in a product of 1.3 g/mL is 2462 mg/kg
    thick = Application("EU", "confectionery", oil_mg_per_L=40, product_density=1.3)
    assert not law_lines(both, thick, Dose(40.0, 3200.0))[0].broken


def test_intakes_are_shown_and_not_judged():
    # EFSA Journal 2018;16(4):5235: 25 mg/kg body weight and day for propylene glycol
    lines = law_lines(carrier("propylene glycol"), Application("EU", "soft drinks", oil_mg_per_L=40), Dose(40.0, 100.0))
    intake = next(line for line in lines if line.unit == "mg/kg body weight and day")
    assert intake.limit == 25
    assert not intake.broken
    assert "one litre of product holds 100 mg" in intake.sentence()


def test_taste_lines_tell_noticed_from_unpleasant():
    # triacetin: hardly noticed to 100 mg/L, unpleasant above 500 mg/L: common practice, no source
    assert "hardly noticed" in taste_lines(carrier("triacetin"), 90)[0].sentence()
    assert "may be noticed" in taste_lines(carrier("triacetin"), 200)[0].sentence()
    assert taste_lines(carrier("triacetin"), 501)[0].broken
    assert "no taste limit on record" in taste_lines(carrier("propylene glycol"), 501)[0].sentence()


@pytest.mark.parametrize(
    ("name", "mg_per_L", "said"),
    [
        # triacetin: common practice, no source; sweetness of glycerol read; ethyl lactate recalled: see carriers.csv
        ("triacetin", 90, ("bitter, 90 mg/L in the product; hardly noticed (from about 100 mg/L); under the taste "
         "limit of 500 mg/L [common practice]")),
        ("triacetin", 501, ("bitter, 501 mg/L in the product; may be noticed (from about 100 mg/L); OVER the taste "
         "limit of 500 mg/L [common practice]")),
        ("glycerol", 5000, ("sweet (about 0.6 of sucrose) and thick, 5,000 mg/L in the product; hardly noticed (from "
         "about 5,200 mg/L); no taste limit on record [read]")),
        ("ethyl lactate", 160, ("buttery, fruity, 160 mg/L in the product; may be noticed (from about 155 mg/L); no "
         "taste limit on record [memory]")),
        ("MCT", 40, "neutral, 40 mg/L in the product; no taste limit on record"),
        ("monoacetin", 3, "taste not on record, 3 mg/L in the product; no taste limit on record"),
    ],
)  # fmt: skip
def test_taste_in_words(name, mg_per_L, said):
    (line,) = taste_lines(carrier(name), mg_per_L)
    assert line.sentence() == f"{name}: {said}"


def test_law_in_words_and_in_order():
    # Regulation (EC) 1333/2008 Annex III Part 1 footnote a, text of 2011-12-02: read; the sum rule in the French law of
    # 2010: read; EFSA Journal 2018;16(4):5235: read. 500 mg of 1000 and of 3000 leave 50 and 83.3 %.
    annex, directive = "Regulation (EC) 1333/2008 Annex III Part", "(as set by Regulation (EU) 1130/2011)"
    asked = Application("EU", "soft drinks", oil_mg_per_L=40)
    lines = law_lines(carrier("propylene glycol"), asked, Dose(40.0, 500.0))
    assert [line.sentence() for line in lines] == [
        (
            "propylene glycol: at most 1,000 mg/L in the food as consumed; used 500 mg/L: kept, margin 50 % "
            f"[{annex} 1 footnote a {directive}; text of 2011-12-02; read]"
        ),
        (
            "propylene glycol: at most 3,000 mg/kg in the food as consumed, singly or together; used 500 mg/kg: kept, "
            f"margin 83.3 % [{annex} 4 {directive}; text of 2010-04-26; read]"
        ),
        (
            "propylene glycol: ADI (SCF 1996; kept by EFSA 2018): 25 mg/kg body weight and day; one litre of product "
            "holds 500 mg [EFSA Journal 2018;16(4):5235; date of text not recorded; read]"
        ),
    ]
    assert [line.broken for line in lines] == [False] * 3
    assert not law_lines(carrier("propylene glycol"), asked, Dose(40.0, 1000.0))[0].broken  # just kept
    over = law_lines(carrier("propylene glycol"), asked, Dose(40.0, 1100.0))[0]
    assert "used 1,100 mg/L: BROKEN, over by 10 % [" in over.sentence()
    # 21 CFR 182.1320 in the list of about 2017: read
    (line,) = law_lines(carrier("glycerol"), SODA, Dose(40.0, 500.0))
    assert line.sentence() == (
        "glycerol: yes: good manufacturing practice (foods generally) [21 CFR 182.1320; text of 2017; read]"
    )
    assert np.isnan([line.limit, line.dose, line.margin_percent]).all()
    # numbers stand before words, and intakes last
    both = Blend({"glycerol": 0.5, "propylene glycol": 0.5}, basis="mass")
    lines = law_lines(both, asked, Dose(40.0, 1000.0))
    assert [line.carriers for line in lines] == [("propylene glycol",)] * 2 + [("glycerol",), ("propylene glycol",)]
    assert [line.unit for line in lines] == ["mg/L", "mg/kg", "", "mg/kg body weight and day"]
    assert [line.dose for line in lines] == pytest.approx([500, 500, np.nan, 500], nan_ok=True)


def test_the_yardstick_is_the_ethanol_that_clears_the_same_ratio():
    found = dosing("limonene", "triacetin", SODA, oil_parts=2, carrier_parts=10)
    strength = ethanol_strength_to_clear(oil("limonene"), volumes=5)
    assert found.yardstick() == (
        f"Alcohol as yardstick: ethanol of at least {strength:.0f} % vol would be clear at this ratio."
    )
    assert found.question() == ("limonene in triacetin, 2:10 by volume; soft drinks, US, 40 mg/L of oil")
    by_stock = Application("US", "soft drinks", stock_mg_per_L=12.5)
    assert dosing("limonene", "triacetin", by_stock).question().endswith("; soft drinks, US, 12.5 mg/L of stock")


def test_the_ends_of_a_range_say_what_sets_them():
    ends = [
        stock_range(carrier("triacetin"), SODA, max_oil_percent=percent, oil_density=0.84)
        for percent in (0.0, 50.0, 100.0)
    ]
    assert [(one.most_concentrated, one.clear_by) for one in ends] == [
        (np.inf, "the carrier takes no oil"), (1.0, "the cloud point, even odds"), (0.0, "mixes in every proportion")
    ]  # fmt: skip
    free = stock_range(carrier("glycerol"), SODA, max_oil_percent=50, oil_density=0.84)
    assert (free.most_dilute, free.bound_by) == (np.inf, "no limit on record")


@pytest.mark.parametrize(
    ("market", "category", "name", "limit"),
    [
        # 21 CFR 184.1666(d): 5 % in alcoholic beverages, 24 % in confections and frostings, 2.5 % in frozen dairy
        # products, 2.0 % in all other food categories.
        ("US", "soft drinks", "propylene glycol", 20_000),
        ("US", "alcoholic drinks", "propylene glycol", 50_000),
        ("US", "confectionery", "propylene glycol", 240_000),
        ("US", "frozen dairy", "propylene glycol", 25_000),
        # Directive 95/2/EC Annex as amended (2010 text): E 1520 in beverages 1 g/l; E 1505, 1517, 1518, 1520 from all
        # sources 3 g/kg in the food as consumed; E 1519 100 mg/l in liqueurs, 250 mg/kg in confectionery.
        ("EU", "soft drinks", "propylene glycol", 1_000),
        ("EU", "confectionery", "propylene glycol", 3_000),
        ("EU", "soft drinks", "triacetin", 3_000),
        ("EU", "soft drinks", "triethyl citrate", 3_000),
        ("EU", "alcoholic drinks", "benzyl alcohol", 100),
        ("EU", "confectionery", "benzyl alcohol", 250),
    ],
)
def test_legal_limits(market, category, name, limit):
    asked = Application(market, category, oil_mg_per_L=40)
    assert permission(carrier(name), market, category).allowed
    assert legal_limit(carrier(name), asked)[0] == pytest.approx(limit)


def test_the_sum_rule_counts_a_blend_as_one():
    # Same EU text: "singly or together" 3 g/kg; half propylene glycol may reach 1 g/l of it, so 2 g/l of the blend.
    asked = Application("EU", "soft drinks", oil_mg_per_L=40)
    both = Blend({"triacetin": 0.4, "triethyl citrate": 0.6}, basis="mass")
    assert legal_limit(both, asked)[0] == pytest.approx(3_000)
    with_glycol = Blend({"triacetin": 0.5, "propylene glycol": 0.5}, basis="mass")
    assert legal_limit(with_glycol, asked)[0] == pytest.approx(2_000)
    # glycerol is quantum satis: only the other half counts
    half = Blend({"triacetin": 0.5, "glycerol": 0.5}, basis="mass")
    assert legal_limit(half, asked)[0] == pytest.approx(6_000)


def test_a_limit_by_mass_follows_the_density_of_the_product():
    syrup = Application("EU", "confectionery", oil_mg_per_L=40, product_density=1.3)
    assert legal_limit(carrier("triacetin"), syrup)[0] == pytest.approx(3_900)


def test_a_rule_on_the_flavouring_refuses_a_stock_that_is_all_carrier():
    # 21 CFR 184.1666(d): 97 % in seasonings and flavourings.
    assert legal_limit(carrier("propylene glycol"), SODA, share_of_stock=0.98)[0] == 0.0
    assert legal_limit(carrier("propylene glycol"), SODA, share_of_stock=0.96)[0] == pytest.approx(20_000)


@pytest.mark.parametrize("market", ["US", "EU", "UK", "Canada"])
@pytest.mark.parametrize("name", ["dipropylene glycol", "ethylene glycol", "diethylene glycol", "diethyl phthalate"])
def test_look_alikes_are_never_allowed(market, name):
    assert not permission(carrier(name), market, "soft drinks").allowed


def test_a_permission_quotes_its_texts():
    # 21 CFR 184.1666(d), no date recorded, and Health Canada's list of 2024-12-18: both read. FAS 8 and Regulation
    # 1333/2008 Annex III Part 4 of polysorbates: recalled.
    said = permission(carrier("propylene glycol"), "US", "soft drinks")
    assert said == ("propylene glycol", True, "at most 20,000 mg/kg in the food as consumed",
                    ("21 CFR 184.1666(d) (date of text not recorded; read)",))  # fmt: skip
    said = permission(carrier("benzyl alcohol"), "Canada", "soft drinks")
    assert said.reason == "good manufacturing practice"
    assert said.references == ("List of Permitted Solvents items B.1, B.3; B.10.005(c) (text of 2024-12-18; read)",)
    said = permission(carrier("triacetin"), "Codex/JECFA", "soft drinks")
    assert said.reason == "evaluation, no limit stated"
    assert said.references == ("JECFA 19th meeting (1975), FAS 8 (date of text not recorded; from memory)",)
    said = permission(carrier("triacetin"), "EU", "chewing gum")  # two texts, each quoted once
    assert said.reason == (
        "at most 3,000 mg/kg in the food as consumed together with the others of its group; quantum satis"
    )
    assert [text.split(" (")[0] for text in said.references] == ["Regulation", "Annex II"]


def test_a_refusal_gives_the_note_of_the_row_or_the_caution_of_the_liquid():
    said = permission(carrier("1,3-propanediol"), "US", "meat and fish")  # GRN 302, read
    assert said.reason == "not permitted in US: the notice leaves fish, meat and poultry out"
    assert said.references == ("GRN 302 (2010), in place of 1,2-propanediol under 184.1666 (text of 2010-03-05; read)",)
    untold = carrier("triethyl phosphate")  # no row anywhere
    assert permission(untold, "Japan", "dairy") == (
        untold.name, False, f"not permitted in Japan: {untold.caution}", ()
    )  # fmt: skip
    nowhere = permission(carrier("isopropyl myristate"), "Canada", "dairy")
    assert nowhere.reason == "no evidence of permission as a carrier in Canada"
    as_flavouring = permission(carrier("isopropyl myristate"), "EU", "dairy")
    assert as_flavouring.reason == (
        "no evidence of permission as a carrier in EU; listed there as flavouring substance only"
    )
    other_food = permission(carrier("triacetin"), "US", "dairy")  # 21 CFR 184.1901, read
    assert other_food.reason.startswith("in US listed as a carrier for baked goods, alcoholic drinks, soft drinks, ")
    assert other_food.reason.endswith("desserts, not for dairy")
    assert other_food.references == ("21 CFR 184.1901 (date of text not recorded; read)",)
    unlisted = permission(carrier("diacetin"), "US", "dairy")  # FDA inventory of 2025-02-13, read
    assert unlisted.reason == "no evidence of permission as a carrier in US"
    assert unlisted.references == ("none found (text of 2025-02-13; read)",)


def test_no_evidence_is_not_permission():
    said = permission(carrier("benzyl alcohol"), "EU", "soft drinks")
    assert not said.allowed
    assert "alcoholic drinks" in said.reason
    assert not permission(carrier("isopropyl alcohol"), "US", "soft drinks").allowed


def test_taste_limits_of_blends():
    # Taste of triacetin and triethyl citrate: unpleasant above about 500 mg/L, common practice, no source.
    assert taste_limit(carrier("triacetin")) == 500
    assert taste_limit(Blend({"triacetin": 0.5, "glycerol": 0.5}, basis="mass")) == pytest.approx(1000)
    assert taste_limit(carrier("MCT")) is None


# Triacetin and triethyl citrate: unpleasant above about 500 mg/L, common practice, no source. Ethyl lactate is noticed
# from 155 mg/L, and nobody states a limit for it.
TRIACETIN_AND_LACTATE = Blend({"ethyl lactate": 0.55, "triacetin": 0.45}, basis="mass")
TWO_ESTERS = Blend({"triacetin": 0.5, "triethyl citrate": 0.5}, basis="mass")


@pytest.mark.parametrize(
    ("liquid", "mg_per_L", "under"),
    [
        (carrier("triacetin"), 499.0, True),
        (carrier("triacetin"), 500.0, True),
        (carrier("triacetin"), 501.0, False),
        (carrier("triacetin"), float("nan"), None),
        (carrier("ethyl lactate"), 1.0, None),
        (carrier("ethyl lactate"), 1e6, None),
        (TWO_ESTERS, 999.0, True),
        (TWO_ESTERS, 1001.0, False),
        (TRIACETIN_AND_LACTATE, 400.0, None),  # 180 mg/L of triacetin, 220 mg/L of what nobody states a limit for
        (TRIACETIN_AND_LACTATE, 500 / 0.45 + 1, False),  # the triacetin alone is over its limit
        (Blend({"triacetin": 1.0, "ethyl lactate": 0.0}, basis="mass"), 400.0, True),
    ],
)
def test_one_unknown_taste_makes_the_answer_unknown(liquid, mg_per_L, under):
    assert under_taste_limit(liquid, mg_per_L) is under


def test_the_limit_of_the_others_stays_a_bound():
    assert taste_limit(TRIACETIN_AND_LACTATE) == pytest.approx(500 / 0.45)
    assert taste_unknown(TRIACETIN_AND_LACTATE) == ("ethyl lactate",)
    assert taste_unknown(TWO_ESTERS) == ()


def test_a_dose_that_meets_its_limit_is_not_over_it_by_rounding():
    for share in (0.1, 0.3, 0.7, 0.9):
        blend = Blend({"triacetin": share, "triethyl citrate": 1 - share}, basis="mass")
        assert under_taste_limit(blend, taste_limit(blend)) is True
        assert under_taste_limit(blend, 1.001 * taste_limit(blend)) is False


def test_a_dosing_does_not_vouch_for_a_taste_that_nobody_states():
    # 1:2 by mass of 200 mg/L of oil: 400 mg/L of carrier
    asked = Application("US", "soft drinks", oil_mg_per_L=200)
    found = dosing("limonene", TRIACETIN_AND_LACTATE, asked, basis="mass")
    assert found.dose.carrier_mg_per_L == pytest.approx(400)
    assert found.under_taste_limit is None
    assert found.broken == ()
    assert "no taste limit on record for ethyl lactate" in found.stock.sentence()
    over = dosing("limonene", TRIACETIN_AND_LACTATE, asked, carrier_parts=6, basis="mass")  # 540 mg/L of triacetin
    assert over.under_taste_limit is False
    assert any("triacetin" in line and "OVER the taste limit" in line for line in over.broken)
    known = dosing("limonene", TWO_ESTERS, asked, basis="mass")
    assert known.under_taste_limit is True
    assert "taste limit on record" not in known.stock.sentence()


def test_pouring_bands_are_ordered_and_cover_everything():
    rows = [pouring_band(value).band for value in (1.0, 20.0, 65.0, 200.0, 1410.0)]
    assert len(set(rows)) == 5
    assert pouring_band(1410.0).pours is False  # glycerol at 20 C
    assert pouring_band(float("nan")) is None


def test_a_stock_is_thinner_than_its_carrier():
    # ln(viscosity) by volume (Arrhenius): 100 and 1 mPa s in equal volumes make 10
    assert stock_viscosity(100.0, 1.0, oil_parts=1, carrier_parts=1) == pytest.approx(10.0)
    # 1 part of 8 mPa s to 2 of 1 mPa s: the cube root of 8
    assert stock_viscosity(1.0, 8.0, oil_parts=1, carrier_parts=2) == pytest.approx(2.0)


@pytest.mark.parametrize(("of_carrier", "of_oil"), [(100.0, None), (100.0, np.nan), (np.nan, 1.0), (np.nan, None)])
def test_a_viscosity_that_is_not_known_makes_that_of_the_stock_unknown(of_carrier, of_oil):
    assert np.isnan(stock_viscosity(of_carrier, of_oil, oil_parts=1, carrier_parts=1))


def test_limonene_clouds_near_its_water_solubility():
    # Massaldi and King, J. Chem. Eng. Data 18 (1973) 393: 13.8 mg/L of limonene at 25 C.
    pure = oil("limonene")
    assert clouding(pure, oil_mg_per_L=10).stays_clear
    far = clouding(pure, oil_mg_per_L=140)
    assert not far.stays_clear
    assert far.load == pytest.approx(140 / 13.8, rel=0.02)
    assert far.makers[0][0] == "limonene"
    assert far.separated_mg_per_L == pytest.approx(140 - 13.8, abs=0.1)


def test_a_wax_alone_is_no_oil_of_a_drink():
    # nonacosane: what citrus oils leave on evaporation
    with pytest.raises(InputError, match="'nonacosane' is all residue on evaporation; it does not dissolve in a drink"):
        clouding(oil("nonacosane"), oil_mg_per_L=1)


def test_two_equal_components_share_the_water():
    # Ideal mixture: a component at half mole fraction dissolves to half its own solubility (Raoult's law).
    given, soluble = np.array([1.0, 1.0]), np.array([0.4, 0.4])
    assert product.oil_phase(given, soluble) == pytest.approx([0.8, 0.8])
    assert product.oil_phase(np.array([0.1, 0.1]), soluble) == pytest.approx([0, 0])
    assert product.oil_phase(np.array([2.0, 2.0]), np.array([10.0, 10.0])) == pytest.approx([0, 0])  # four tenths


def test_what_separates_keeps_raoult_and_the_balance():
    # At equilibrium each component is dissolved to x_i S_i, x_i its mole fraction in what separated.
    rng = np.random.default_rng(3)
    for _ in range(20):
        soluble = 10.0 ** rng.uniform(-4, 1, 6)
        given = soluble * 10.0 ** rng.uniform(-1, 3, 6)
        parted = product.oil_phase(given, soluble)
        share = parted / parted.sum()
        assert given - parted == pytest.approx(share * soluble, rel=1e-6)


def test_the_largest_clear_dose_is_where_a_hundredth_separates():
    lemon = oil("lemon, cold-pressed")
    first = clouding(lemon, oil_mg_per_L=40)
    just = clouding(lemon, oil_mg_per_L=40 / first.load)
    assert just.load == pytest.approx(1.0, rel=1e-6)
    counted = sum(one.dose_mg_per_L for one in just.components)
    assert just.separated_mg_per_L == pytest.approx(0.01 * counted, rel=1e-4)


def test_what_mixes_with_water_never_separates():
    # ethanol, propylene glycol and glycerol are miscible with water: Merck Index, from memory
    for name in ("ethanol 96 % vol", "propylene glycol", "glycerol"):
        found = clouding(oil("linalool"), oil_mg_per_L=4, liquid=carrier(name), carrier_mg_per_L=5000)
        assert found.makers == (("linalool", 1.0),)
        assert not found.carrier_clouds
    nothing = clouding(oil("propylene glycol"), oil_mg_per_L=5000)
    assert nothing.stays_clear
    assert nothing.makers == ()
    assert nothing.sentence() == "stays clear: what is in it mixes with water"


def test_what_mixes_with_water_has_no_limit():
    (liquid,) = clouding(oil("glycerol"), oil_mg_per_L=100).components
    assert (liquid.solubility_mg_per_L, liquid.factor) == (np.inf, 1.0)


def test_solubilities_from_the_energy_agree_with_the_general_solubility_equation():
    """Substances without a measured solubility and with a log P; the equation errs by a factor of 3 itself."""
    away = []
    for row in data.read_table("substances.csv").rows:
        member = substance(row["name"])
        if member.log_p is None or member.water_solubility is not None or member.log_p < 0.5:
            continue
        found = water_solubility(member)
        if np.isfinite(found.mg_per_L):
            equation = product.general_solubility(member.log_p, member.molar_mass, member.melting_celsius)
            away.append(np.log(found.mg_per_L / equation))
    assert len(away) > 100
    assert abs(np.mean(away)) < 0.3
    assert np.sqrt(np.mean(np.square(away))) < 1.0


def test_components_of_the_drink_say_what_clouds_it_and_how_that_is_known():
    # water solubility of linalool 1589 mg/L (25 C), of limonene 13.8 mg/L: datasets/water_solubility.csv
    found = clouding(oil("bergamot, cold-pressed"), oil_mg_per_L=60)
    rows = {one.name: one for one in found.components}
    assert rows["limonene"].known == "measured"
    assert rows["limonene"].share_of_limit > 1 > rows["linalool"].share_of_limit
    assert found.residue_mg_per_L > 0
    assert "nonacosane" not in rows
    assert list(found.table.columns)[:3] == ["name", "of_carrier", "dose_mg_per_L"]


def test_ethanol_in_the_drink_dissolves_more():
    dry = clouding(oil("limonene"), oil_mg_per_L=140)
    spirit = clouding(oil("limonene"), oil_mg_per_L=140, ethanol_percent=40)
    assert spirit.stays_clear
    # log S rises by (0.95 logP + 0.30) f: Millard et al., Int. J. Pharm. 245 (2002) 153 (constants from memory)
    rise = product.cosolvency_factor(substance("limonene").log_p, 40.0)
    assert dry.load / spirit.load == pytest.approx(rise, rel=0.3)


@pytest.mark.parametrize("name", ["trans-anethole", "linalool", "limonene", "anise", "clove, bud"])
@pytest.mark.parametrize("strength", [40, 45])
def test_drink_and_dissolve_hold_the_same_in_a_spirit(name, strength):
    """One question, asked as a drink and as a carrier; the drink takes what separates as an ideal mixture."""
    subject = oil(name)
    held = dissolve(subject, f"ethanol {strength} % vol", carrier_parts=50, draws=2).max_oil_percent / 100
    density = sum(f * m.molar_mass / m.volume for f, m in zip(subject.fractions, subject.substances, strict=True))
    drink = clouding(subject, oil_mg_per_L=1000, ethanol_percent=strength)
    assert 1000 / drink.load == pytest.approx(1e6 * held * density, rel=0.1)


def test_a_carrier_that_does_not_dissolve_clouds_the_drink():
    # Triglycerides do not dissolve in water: common practice, no source.
    assert not clouding(oil("linalool"), oil_mg_per_L=1, liquid=carrier("MCT"), carrier_mg_per_L=50).stays_clear
    clear = clouding(oil("linalool"), oil_mg_per_L=1, liquid=carrier("propylene glycol"), carrier_mg_per_L=50)
    assert clear.stays_clear


@pytest.mark.parametrize(
    ("log_p", "melting", "log_s"),
    [(1.21, 81.5, -1.275), (3.40, 42, -3.07), (1.39, 71, -1.35), (4.57, None, -4.07), (3.30, 50, -3.05)],
)
def test_general_solubility_equation(log_p, melting, log_s):
    # The equation as printed (QSAR Comb. Sci. 2003 abstract), worked by hand.
    mass = 100.0
    assert np.log10(product.general_solubility(log_p, mass, melting) / 1000 / mass) == pytest.approx(log_s, abs=5e-4)


def test_the_spread_of_the_equation_is_what_the_tables_show():
    errors = []
    for name in substances():
        member = substance(name)
        if member.water_solubility and member.log_p is not None and member.log_p > 0.5:
            guess = product.general_solubility(member.log_p, member.molar_mass, member.melting_celsius)
            errors.append(np.log(guess / member.water_solubility))
    assert len(errors) > 50
    assert np.std(errors) == pytest.approx(product.GSE_SD_LN, abs=0.1)
    assert equation_errors() == pytest.approx((np.mean(errors), np.std(errors), len(errors)))  # as it is printed


@pytest.mark.parametrize(
    ("arguments", "levels", "text"),
    [
        (("Mars", "soft drinks"), {"oil_mg_per_L": 40}, "unknown market 'Mars'; allowed: US, EU"),
        (("US", "soft drink"), {"oil_mg_per_L": 40}, "near: soft drinks"),
        (("US", "soft drinks"), {}, "neither of oil_mg_per_L and stock_mg_per_L"),
        (("US", "soft drinks"), {"oil_mg_per_L": 4, "stock_mg_per_L": 4}, "both of"),
        (("US", "soft drinks"), {"oil_mg_per_L": -4}, "oil_mg_per_L is -4; expected a number > 0 in mg/L"),
        (("US", "soft drinks"), {"oil_mg_per_L": "much"}, "oil_mg_per_L is 'much'"),
        (("US", "soft drinks"), {"oil_mg_per_L": 4, "ethanol_percent": 130}, "ethanol_percent is 130"),
    ],
)
def test_an_application_says_what_is_wrong(arguments, levels, text):
    with pytest.raises((InputError, UnknownNameError), match=text):
        Application(*arguments, **levels)


def test_market_and_category_are_read_in_any_case():
    assert Application("us", "Soft Drinks", oil_mg_per_L=1).category == "soft drinks"


def test_an_application_refuses_what_is_no_strength():
    with pytest.raises(InputError, match="ethanol_percent is 'strong'"):
        Application("US", "soft drinks", oil_mg_per_L=1, ethanol_percent="strong")


@pytest.mark.parametrize("name", ["propylene glycol", "glycerol", "ethyl lactate", "ethanol 70 % vol", "triacetin"])
def test_carriers_that_dissolve_in_water(name):
    # miscible with water, or triacetin with some 60 g/L: Merck Index and HSDB statements, from memory
    assert carrier_dissolves(carrier(name), 500.0)


@pytest.mark.parametrize("name", ["MCT", "vegetable oil", "isopropyl myristate", "benzyl benzoate"])
def test_carriers_that_do_not(name):
    # practically insoluble in water: common practice, no source
    assert not carrier_dissolves(carrier(name), 100.0)


def test_a_drink_holds_no_ethanol_unless_it_is_said():
    soluble = water_solubility(substance("benzyl benzoate"))[0]
    benzoate = carrier("benzyl benzoate")
    assert carrier_dissolves(benzoate, 0.999 * soluble)
    assert not carrier_dissolves(benzoate, 1.001 * soluble)
    assert carrier_dissolves(benzoate, 1.001 * soluble, ethanol_percent=1)
    plain = clouding(oil("limonene"), oil_mg_per_L=10)
    assert plain.load == clouding(oil("limonene"), oil_mg_per_L=10, ethanol_percent=0).load
    assert Application("US", "soft drinks", oil_mg_per_L=1).ethanol_percent == 0


@pytest.fixture(scope="module")
def lemonade():
    asked = Application("EU", "soft drinks", oil_mg_per_L=40)
    blend = Blend({"triacetin": 0.7, "propylene glycol": 0.3}, basis="mass")
    return dosing("lemon, cold-pressed", blend, asked, oil_parts=1, carrier_parts=4, basis="mass")


def test_a_dosing_adds_up(lemonade):
    # 1:4 by mass at 40 mg/L of oil: 160 mg/L of carrier, 0.7 x 160 = 112 and 48
    table = lemonade.table.set_index("liquid")
    assert table.loc["triacetin", "mg_per_L"] == pytest.approx(112)
    assert table.loc["propylene glycol", "mg_per_L"] == pytest.approx(48)
    assert table.loc["stock", "mg_per_L"] == pytest.approx(200)
    for column in ("mass_percent_of_stock", "volume_percent_of_stock"):
        assert table[column].iloc[:-1].sum() == pytest.approx(100)
    assert lemonade.allowed
    assert lemonade.broken == ()


def test_the_shares_of_a_stock_worked_by_hand(lemonade):
    # 40 mg of oil, 112 of triacetin (1.1583 g/mL, CRC Handbook) and 48 of propylene glycol (1.0361 g/mL) in 200 mg
    table = lemonade.table.set_index("liquid")
    assert table.index.tolist() == [lemonade.oil.name, "triacetin", "propylene glycol", "stock"]
    assert table["mass_percent_of_stock"].tolist() == pytest.approx([20, 56, 24, 100])
    volumes = np.array([40 / lemonade.oil.density, 112 / 1.1583, 48 / 1.0361])
    expected = [*(100 * volumes / volumes.sum()), 100]
    assert table["volume_percent_of_stock"].tolist() == pytest.approx(expected, rel=1e-3)
    assert table["mg_per_kg"].tolist() == pytest.approx(table["mg_per_L"].tolist())  # of a product of 1 g/mL
    asked = Application("EU", "soft drinks", oil_mg_per_L=40, product_density=1.25)
    thick = dosing(lemonade.oil, lemonade.carrier, asked, carrier_parts=4, basis="mass").table
    assert thick["mg_per_kg"].tolist() == pytest.approx([32, 89.6, 38.4, 160])


def test_a_dosing_says_what_to_do_about_a_cloudy_drink(lemonade):
    said = " ".join(lemonade.drink_lines())
    for word in ("clouds", "limonene", "does not keep", "emulsion", "washed", "Sugar, acid"):
        assert word in said
    assert "Check the code in force" in " ".join(lemonade.legal_lines())


def test_a_dose_over_the_limits_is_said_to_be():
    # 1 g/L of propylene glycol in EU beverages (95/2/EC as amended); 1:40 by volume of 40 mg/L is about 2 g/L
    asked = Application("EU", "soft drinks", oil_mg_per_L=40)
    found = dosing("limonene", "propylene glycol", asked, carrier_parts=40)
    assert any("BROKEN" in line and "1,000 mg/L" in line for line in found.broken)


def test_a_food_is_not_asked_to_stay_clear():
    found = dosing("limonene", "MCT", Application("EU", "baked goods", oil_mg_per_L=400))
    assert found.drink is None
    assert "not a drink" in found.drink_lines()[0]


def test_without_a_density_there_is_no_dose():
    unknown = Carrier("unweighed", "", substance("triacetin"))
    with pytest.raises(InputError, match="no density of 'unweighed'"):
        dosing("limonene", unknown, SODA)


def test_handling_keeps_the_mass_of_what_is_not_a_terpene():
    orange = oil("sweet orange, cold-pressed")
    table = handling(orange, oil_mg_per_L=40, folds=(5, 5000), terpenes_removed=(0.95,)).set_index("handling")
    others = 40 * (100 - orange.terpene_percent) / 100  # mg/L, the same after folding
    folded = table.loc["5-fold"]
    assert folded["oil_mg_per_L"] == pytest.approx(8.0)  # one fifth
    assert folded["oil_mg_per_L"] * (100 - folded["terpene_percent"]) / 100 == pytest.approx(others, rel=1e-6)
    washed = table.loc["95 % of terpenes removed"]
    assert washed["oil_mg_per_L"] * (100 - washed["terpene_percent"]) / 100 == pytest.approx(others, rel=1e-6)
    # less terpene separates less and needs weaker ethanol: common practice, no source
    assert washed["drink_load"] < table.loc["as it is", "drink_load"]
    assert washed["ethanol_to_clear_percent"] < table.loc["as it is", "ethanol_to_clear_percent"]
    assert "folds less than" in table.loc["5000-fold", "note"]  # the others are not lost


def test_statements_of_solubility_are_mostly_kept():
    # datasets/carrier_statements.csv: soft evidence, none fitted to; python -m hspkit.workshop.statements prints all
    found, left = statements()
    assert len(found) > 140
    assert np.mean([one.kept for one in found]) > 0.65
    soluble = [one.kept for one in found if one.statement == "soluble" and one.carrier == "propylene glycol"]
    assert np.mean(soluble) > 0.8
    assert order(found, "propylene glycol")[0] > 0.75
    assert sum(left.values()) + len(found) == 260


def test_a_dosing_reads_as_text_and_as_a_page(lemonade):
    text, page = str(lemonade), lemonade._repr_html_()
    assert repr(lemonade).startswith("<Dosing: ")
    assert lemonade.question() in text
    assert lemonade.question() in html.unescape(page)
    for name, lines in lemonade.sections():
        assert f"<h2>{name}</h2>" in page
        for line in lines:
            assert f"{name}: {line}" in text.splitlines()
    assert page.count("<tr>") == len(lemonade.table) + 1


def test_nothing_is_known_of_pouring_without_a_viscosity():
    assert pouring_band(None) is None
    assert pouring_band(float("nan")) is None
    assert pouring_band(1.0) is not None


@pytest.mark.parametrize(
    ("least", "most", "bound_by", "said"),
    [
        (0.5, 9.0, "taste", "from 1:0.5 (clouds) to 1:9 (taste), parts of oil to carrier by volume"),
        (0.5, np.inf, "none", "from 1:0.5 (clouds) to any dilution (none), parts of oil to carrier by volume"),
        (0.0, np.inf, "none", "any ratio is clear at the best estimate, and no limit on record bars dilution"),
        (0.0, 9.0, "taste", "any ratio is clear at the best estimate; within limits down to 1:9 by volume (taste)"),
        (19.0, 9.0, "taste", "no stock keeps to everything: clear only from 1:19 (clouds), within limits only to 1:9"),
        (np.inf, 9.0, "taste", "no stock keeps to everything: no ratio is clear (clouds), within limits only to 1:9"),
        (19.0, 0.0, "banned", "no stock keeps to everything: clear only from 1:19 (clouds); banned"),
        (0.5, np.nan, "not weighed", "no stock can be named: not weighed"),
    ],
)
def test_a_range_of_stocks_in_words(least, most, bound_by, said):
    assert StockRange(least, most, "clouds", bound_by).sentence() == said
    untold = StockRange(least, most, "clouds", bound_by, ("a", "b")).sentence()
    # where there is no stock there is nothing to taste
    assert untold == (said if said.startswith("no stock") else f"{said}; no taste limit on record for a, b")


def test_what_is_refused_is_said_with_the_text_that_refuses_it():
    asked = Application("EU", "soft drinks", oil_mg_per_L=40)
    seen = 0
    for name in ("dipropylene glycol", "ethylene glycol", "benzyl alcohol", "1,3-propanediol"):
        found = dosing("limonene", name, asked)
        refused = [line for line in found.legal_lines() if "NOT allowed" in line]
        for one, line in zip([one for one in found.permissions if not one.allowed], refused, strict=True):
            assert line.endswith(f" [{'; '.join(one.references)}]" if one.references else one.reason)
            seen += bool(one.references)
        assert bool(refused) != found.allowed
    assert seen


def test_the_share_of_terpenes_taken_away_is_said_as_it_is(lemonade):
    assert "With 95 % of the terpenes gone" in " ".join(lemonade.drink_lines())
    table = handling("limonene", oil_mg_per_L=4)
    assert table["handling"].tolist()[-1] == "95 % of terpenes removed"


def test_pouring_is_told_at_20_degrees():
    for name in ("triacetin", "glycerol"):
        found = dosing("limonene", name, Application("US", "soft drinks", oil_mg_per_L=4))
        (line,) = found.pouring_lines()
        assert line.startswith(f"{name} at 20 C: {number(carrier(name).viscosity(20.0))}")
        assert number(carrier(name).viscosity(20.0)) != number(carrier(name).viscosity(21.0))


@pytest.mark.parametrize("name", ["limonene", "linalool", "benzyl alcohol", "vanillin"])
def test_one_component_clouds_a_hundredth_above_its_solubility(name):
    """A hundredth of it has separated when its dose is S / 0.99, from a terpene to what nearly mixes with water."""
    found = clouding(oil(name), oil_mg_per_L=10)
    (only,) = found.components
    assert found.load == pytest.approx(10 * 0.99 / only.solubility_mg_per_L, rel=1e-9)


def test_the_load_is_proportional_to_the_dose_however_small():
    full = clouding(oil("lemon, cold-pressed"), oil_mg_per_L=40)
    trace = clouding(oil("lemon, cold-pressed"), oil_mg_per_L=0.04)  # most components below a microgram
    assert trace.load == pytest.approx(full.load / 1000, rel=1e-9)
    assert [one.name for one in trace.components] == [one.name for one in full.components]


def test_the_component_that_is_named_first_is_the_one_that_clouds_most(lemonade):
    shares = [share for _, share in lemonade.drink.makers]
    assert shares == sorted(shares, reverse=True)
    assert f"of carrier does not keep {lemonade.drink.makers[0][0]} in solution" in " ".join(lemonade.drink_lines())


def test_ethanol_counts_without_a_log_p():
    """Triethyl citrate has a measured solubility and no log P."""
    assert substance("triethyl citrate").log_p is None
    (plain,) = clouding(oil("triethyl citrate"), oil_mg_per_L=10).components
    (strong,) = clouding(oil("triethyl citrate"), oil_mg_per_L=10, ethanol_percent=10).components
    assert (plain.known, strong.known) == ("measured", "computed, corrected by what is measured in water")
    assert strong.solubility_mg_per_L > 1.3 * plain.solubility_mg_per_L


def test_handling_shows_common_folds_and_a_washed_oil():
    asked = handling("sweet orange, cold-pressed", oil_mg_per_L=40)["handling"].tolist()
    assert asked == ["as it is", "5-fold", "10-fold", "95 % of terpenes removed"]


def test_handling_dissolves_one_part_in_two_unless_it_is_said():
    glycol = carrier("propylene glycol")
    row = handling("citral", oil_mg_per_L=4, folds=(), terpenes_removed=(), liquid=glycol).iloc[0]
    outcome = dissolve("citral", glycol, oil_parts=1, carrier_parts=2)
    assert row["verdict"] == outcome.verdict
    for name in ("p_clear", "max_oil_percent", "water_tolerance_percent"):
        assert row[name] == pytest.approx(getattr(outcome, name), nan_ok=True)
    assert dissolve("citral", glycol, carrier_parts=1).p_clear != pytest.approx(outcome.p_clear, abs=1e-3)


def test_yields_of_a_folded_oil_are_counted_from_it():
    # folding and washing leave what is not covered, which grows to more than a fifth
    folded = oil("lemon, cold-pressed", least_covered_percent=50).folded(5)
    table = handling(folded, oil_mg_per_L=8, folds=(), terpenes_removed=(0.95,))
    washed = 1 - 0.95 * folded.terpene_percent / 100  # of its mass is left
    assert table["mass_yield"].tolist() == pytest.approx([1.0, washed])
    assert table["oil_mg_per_L"].tolist() == pytest.approx([8.0, 8.0 * washed])


def test_handling_names_what_clouds_first():
    orange = oil("sweet orange, cold-pressed")
    row = handling(orange, oil_mg_per_L=40, folds=(), terpenes_removed=()).iloc[0]
    makers = dict(clouding(orange, oil_mg_per_L=40).makers)
    assert row["first_to_cloud"] == max(makers, key=makers.get)
    assert len(makers) > 1


@pytest.mark.parametrize("level", [0, -0.5, float("inf"), "much"])
def test_a_use_level_is_a_positive_number(level):
    with pytest.raises(InputError, match="oil_mg_per_L"):
        Application("US", "soft drinks", oil_mg_per_L=level)


def test_a_refusal_names_other_foods_only_where_a_text_lists_it_as_a_carrier():
    """Listed as a flavouring, or with a residue of extraction, is no permission as a carrier of another food."""
    seen = {True: 0, False: 0}
    for row in data.read_table("carriers.csv").rows:
        for market in markets():
            found = permission(carrier(row["name"]), market, "soft drinks")
            if found.allowed or found.reason.startswith("not permitted"):
                continue
            permits = any(
                one.role in PERMITTING_ROLES and one.permitted in ("yes", "restricted")
                for one in limits(row["name"], market)
            )
            assert ("listed as a carrier for" in found.reason) == permits, (row["name"], market)
            seen[permits] += 1
    assert seen[False]


def test_a_range_of_viscosity_is_shown_where_it_is_wide():
    asked = Application("US", "soft drinks", oil_mg_per_L=4)
    blends = ({"triacetin": 0.5, "propylene glycol": 0.5}, {"triacetin": 0.97, "propylene glycol": 0.03},
              {"glycerol": 0.5, "water": 0.5})  # fmt: skip
    for liquid in ("triacetin", "MCT", *(Blend(shares, basis="volume") for shares in blends)):
        found = dosing("limonene", liquid, asked)
        low, high = found.carrier.viscosity_range(20.0)
        wide = high - low > 0.05 * found.carrier.viscosity(20.0)
        assert (f"({number(low)} to {number(high)})" in found.pouring_lines()[0]) == wide


@pytest.mark.parametrize("name", ["acetyl tributyl citrate", "dibenzyl ether"])
def test_the_spread_of_a_solubility_from_hansen_parameters_is_carried_from_theirs(name):
    """Slopes by differences of the logarithm, for the substance; those for water are their opposites."""
    member, water = substance(name), substance("water")
    slope = []
    for step in 1e-4 * np.eye(3):
        ends = [
            np.log(
                water_solubility(member.with_parameters(member.hsp.array + sign * step, member.covariance, note=""))[0]
            )
            for sign in (1, -1)
        ]
        slope.append((ends[0] - ends[1]) / 2e-4)
    _, spread, known = water_solubility(member)
    assert known == "computed"
    from_parameters = slope @ (member.covariance + water.covariance) @ slope
    assert spread == pytest.approx(np.sqrt(from_parameters + calibration().sd_water_solubility ** 2), rel=0.03)


@pytest.mark.parametrize(("share", "said"), [(0.9, False), (1.2, True), (3.0, True)])
def test_a_carrier_that_does_not_dissolve_is_named_from_its_solubility_on(share, said):
    # benzyl benzoate in water: datasets/water_solubility.csv; by mass 1 part of oil to 4 of carrier
    limit = water_solubility(substance("benzyl benzoate"))[0]
    asked = Application("US", "soft drinks", stock_mg_per_L=share * limit * 5 / 4)
    lines = dosing("linalool", "benzyl benzoate", asked, carrier_parts=4, basis="mass").drink_lines()
    told = f"The carrier benzyl benzoate does not dissolve in it: {number(share * limit)} mg/L against "
    told += f"{number(limit, 2)} mg/L (measured)."
    assert any(line.startswith(told) for line in lines) is said


def test_components_stand_in_the_order_of_their_share_of_what_dissolves():
    found = clouding(oil("bergamot, cold-pressed"), oil_mg_per_L=60)
    shares = [one.share_of_limit for one in found.components]
    assert len(shares) > 5
    assert shares == sorted(shares, reverse=True)
    for one in found.components:
        assert one.share_of_limit == pytest.approx(one.dose_mg_per_L / one.solubility_mg_per_L)
    first = found.makers[0][0]
    (row,) = [one for one in found.components if one.name == first]
    assert f"first to separate is {first}, {number(row.dose_mg_per_L, 2)} mg/L against " in found.sentence()


@pytest.mark.parametrize(("times", "undecided"), [(0.4, False), (0.9, True), (1.1, True), (2.5, False)])
def test_a_drink_is_undecided_within_the_uncertainty_of_the_solubility(times, undecided):
    one = clouding(oil("limonene"), oil_mg_per_L=10)
    assert 1.3 < one.factor < 2.0  # of its measured values, see water_solubility.csv
    found = clouding(oil("limonene"), oil_mg_per_L=10 * times / one.load)
    assert found.load == pytest.approx(times)
    assert found.undecided is undecided
    assert found.stays_clear is (times < 1)
    assert ("; undecided" in found.times()) is undecided
    asked = Application("US", "soft drinks", oil_mg_per_L=10 * times / one.load)
    lines = dosing("limonene", "propylene glycol", asked).drink_lines()
    assert any(line.startswith("This is within the uncertainty") for line in lines) is undecided
    assert any("Make an emulsion" in line for line in lines) is (times > 1)


def test_a_washed_oil_is_dosed_at_the_same_strength_of_flavour(lemonade):
    # what is not a terpene stays as it was: handling works out the same dose, test above checks it by the balance
    washed = handling(lemonade.oil, oil_mg_per_L=40, folds=(), terpenes_removed=(0.95,)).iloc[-1]
    (line,) = [line for line in lemonade.drink_lines() if line.startswith("With 95 %")]
    assert f"at the same strength of flavour ({number(washed['oil_mg_per_L'], 2)} mg/L), it " in line
    assert ("stays clear" in line) == bool(washed["drink_stays_clear"])
    assert f"the dose is {number(washed['drink_load'], 2)} times" in line


@pytest.mark.parametrize("name", ["linalool", "limonene"])  # an alcohol, and nothing but a terpene
def test_washing_is_not_offered_where_it_takes_nothing_or_everything(name):
    lines = dosing(name, "triacetin", Application("EU", "soft drinks", oil_mg_per_L=4000)).drink_lines()
    assert any("Make an emulsion" in line for line in lines)
    assert not any("of the terpenes gone" in line for line in lines)


def test_a_folded_oil_is_washed_from_what_it_is():
    folded = oil("lemon, cold-pressed").folded(5)
    asked = Application("EU", "soft drinks", oil_mg_per_L=8)
    lines = dosing(folded, "triacetin", asked).drink_lines()
    (line,) = [line for line in lines if line.startswith("With 95 %")]
    others = 8 * (100 - folded.terpene_percent) / 100  # mg/L, the same after washing
    terpenes = 8 * folded.terpene_percent / 100 * 0.05
    assert f"at the same strength of flavour ({number(others + terpenes, 2)} mg/L), it " in line


def test_what_a_carrier_does_not_help_is_named():
    asked = Application("EU", "soft drinks", oil_mg_per_L=400)
    found = dosing("limonene", "triacetin", asked)
    (gain,) = re.findall(r"even as much ethanol would dissolve only (\S+) % more", " ".join(found.drink_lines()))
    # log-linear rule, 0.95 log P + 0.30 (constants from memory): the same mass of ethanol, 0.78924 g/mL (OIML R 22)
    expected = 10 ** ((0.95 * substance("limonene").log_p + 0.30) * found.dose.carrier_mg_per_L / 789_240)
    assert float(gain) / 100 == pytest.approx(expected - 1, rel=0.7)
    assert "does not keep anethole in solution" in " ".join(dosing("anethole", "triacetin", asked).drink_lines())


def test_what_was_not_looked_at_is_said_and_only_then(lemonade):
    assert f"{number(lemonade.oil.uncovered_percent, 2)} % of the oil has no substance" in " ".join(
        lemonade.drink_lines()
    )
    residue = lemonade.drink.residue_mg_per_L
    assert residue == pytest.approx(
        40 * sum(p for m, p in zip(lemonade.oil.substances, lemonade.oil.mass_percent, strict=True)
                 if m.role == RESIDUE) / 100
    )  # fmt: skip
    assert f"{number(residue, 2)} mg/L of residue on evaporation" in " ".join(lemonade.drink_lines())
    pure = " ".join(dosing("limonene", "triacetin", Application("EU", "soft drinks", oil_mg_per_L=40)).drink_lines())
    assert "no substance in the tables" not in pure
    assert "residue on evaporation" not in pure
    assert "of ethanol)" not in pure
    spirit = Application("EU", "alcoholic drinks", oil_mg_per_L=40, ethanol_percent=20)
    assert dosing("limonene", "triacetin", spirit).drink_lines()[0].startswith("The drink (20 % vol of ethanol) ")


def test_a_stock_lies_in_its_range_at_both_ends():
    found = StockRange(2.0, 9.0, "clouds", "taste")
    assert [found.holds(parts) for parts in (1.9, 2.0, 5.0, 9.0, 9.1)] == [False, True, True, True, False]
    assert StockRange(9.0, 9.0, "clouds", "taste").possible
    assert not StockRange(9.1, 9.0, "clouds", "taste").possible
    assert not StockRange(np.inf, np.inf, "clouds", "none").possible


def test_pairs_of_statements_in_order_are_counted_for_one_solvent():
    rows = [("a", "m", "soluble", 0.4), ("b", "m", "soluble", 1.1), ("c", "m", "insoluble", 1.0),
            ("d", "m", "slightly soluble", 1.2), ("e", "c", "insoluble", 0.1), ("f", "x", "insoluble", 0.1),
            ("g", "c", "soluble", 9.0), ("h", "x", "soluble", 9.0), ("i", "m", "miscible", 1.2)]  # fmt: skip
    found = [Statement(name, liquid, word, "", True, index) for name, liquid, word, index in rows]
    # pairs of m: a before c and d, b before d only, i with d a tie: 3.5 of 6
    assert order(found, "m") == (pytest.approx(3.5 / 6), 3, 2)
    assert np.isnan(order(found[:2], "m")[0])
    assert order(found[:2], "m")[1:] == (2, 0)


def test_statements_that_cannot_be_judged_are_counted_by_reason(monkeypatch):
    def row(statement, name, solvent):
        return {
            "substance": name,
            "cas": None,
            "smiles": None,
            "carrier": solvent,
            "statement": statement,
            "source": "",
        }

    rows = [
        row("partly", "limonene", "glycerol"),
        row("soluble", "nothing of the kind", "glycerol"),
        row("soluble", "limonene", "no such liquid"),
        row("soluble", "limonene", "sorbitol syrup"),
        row("insoluble", "limonene", "glycerol"),  # they part: general knowledge
        row("very soluble", "limonene", "fixed oils"),  # they mix: general knowledge
    ]
    monkeypatch.setattr(data, "read_table", lambda name, read=data.read_table: (
        SimpleNamespace(rows=rows) if name == "carrier_statements.csv" else read(name)
    ))  # fmt: skip
    found, left = statements()
    assert [(one.carrier, one.kept) for one in found] == [("glycerol", True), ("fixed oils", True)]
    pair = [substance("limonene"), substance("glycerol")]  # 1 volume in 30
    volumes, points = np.array([one.volume for one in pair]), np.array([one.hsp.array for one in pair])
    sites = phases.Sites.joined([one.sites for one in pair])
    index = phases.binodal_index(np.array([1 / 31, 30 / 31]), volumes, points, sites=sites)
    assert found[0].stability == pytest.approx(float(index))
    assert left == {
        "'partly' says nothing of the limit": 1,
        "no structure of the solute": 1,
        "no single molecule stands for no such liquid": 1,
        "no single molecule stands for sorbitol syrup": 1,
    }
