"""What was read of the law, checked against the texts it cites."""

import pytest

from hspkit import Blend, carrier, carriers, data, law
from hspkit.errors import InputError, UnknownNameError

ROWS = data.read_table("carrier_limits.csv").rows

# 21 CFR 184.1666(d), propylene glycol, maximum levels as served; GRN 302 repeats them for 1,3-propanediol (read).
US_GLYCOLS = {
    "alcoholic drinks": 50_000, "confectionery": 240_000, "frozen dairy": 25_000, "nuts": 50_000,
    "soft drinks": 20_000, "dairy": 20_000, "baked goods": 20_000,
}  # fmt: skip


@pytest.mark.parametrize("glycol", ["propylene glycol", "1,3-propanediol"])
@pytest.mark.parametrize(("category", "mg_per_kg"), US_GLYCOLS.items())
def test_glycols_in_the_united_states(glycol, category, mg_per_kg):
    assert law.permission(glycol, "US", category) == "yes"
    rows = [row for row in law.limits(glycol, "US", category) if row.basis == law.CONSUMED]
    assert [(row.limit, row.unit) for row in rows] == [(mg_per_kg, "mg/kg")]
    (in_flavouring,) = [row for row in law.limits(glycol, "US", category) if row.basis == law.IN_FLAVOURING]
    assert in_flavouring.limit == 970_000  # 97 % in seasonings and flavourings


def test_sum_rule_of_the_european_union():
    # Directive 95/2/EC as amended (read in the French law of 2010): E 1505, E 1517, E 1518, E 1520 singly or together
    # 3 g/kg in the food; E 1520 in beverages except cream liqueurs 1 g/l.
    four = ["triethyl citrate", "diacetin", "triacetin", "propylene glycol"]
    for one in four:
        assert law.permission(one, "EU", "soft drinks") == "restricted"
        uses = law.limit_uses({one: 3000.0}, "EU", "confectionery")
        assert [(use.carriers, use.limit, use.share) for use in uses] == [((one,), 3000.0, 1.0)]
    (together,) = law.limit_uses(dict.fromkeys(four, 750.0), "EU", "confectionery")
    assert together.carriers == tuple(four)
    assert together.share == pytest.approx(1.0)
    # each alone is far below, together they break it
    assert law.limit_uses(dict.fromkeys(four, 800.0), "EU", "confectionery")[0].share > 1
    # in a drink propylene glycol meets its own limit first
    first, second = law.limit_uses({"propylene glycol": 1000.0, "triacetin": 500.0}, "EU", "soft drinks")
    assert (first.carriers, first.limit, first.unit, first.share) == (
        ("propylene glycol",),
        1000.0,
        "mg/L",
        1.0,
    )
    assert (second.limit, second.unit, second.share) == (3000.0, "mg/kg", 0.5)


def test_sum_rule_through_a_blend_and_the_density_of_the_product():
    blend = Blend({"triacetin": 0.5, "triethyl citrate": 0.25, "MCT": 0.25}, basis="mass")
    (use,) = law.limit_uses(blend.doses(4000), "EU", "dairy", product_density=1.25)
    assert use.dose == pytest.approx(0.75 * 4000 / 1.25)  # MCT does not count, mg/L become mg/kg
    assert use.carriers == ("triacetin", "triethyl citrate")


def test_limits_in_the_flavouring_are_apart():
    doses = {"propylene glycol": 980_000.0}
    (use,) = law.limit_uses(doses, "US", "soft drinks", basis=law.IN_FLAVOURING)
    assert use.share > 1
    with pytest.raises(InputError, match="basis"):
        law.limit_uses(doses, "US", "soft drinks", basis="somewhere")


@pytest.mark.parametrize(
    ("name", "market", "category", "word"),
    [
        # 21 CFR 184.1901 (read): baked goods, beverages, gum, confections, frozen dairy, gelatins, candy; cGMP
        ("triacetin", "US", "soft drinks", "yes"),
        ("triacetin", "US", "chewing gum", "yes"),
        ("triacetin", "US", "noodles and pasta", "no evidence"),
        ("triacetin", "US", "flavouring", "restricted"),
        ("triacetin", "US", None, "restricted"),
        ("propylene glycol", "US", "flavouring", "yes"),
        ("propylene glycol", "US", None, "yes"),
        ("propylene glycol", "EU", "flavouring", "restricted"),
        # Annex III Part 4 (read in the French law): benzyl alcohol in flavourings for liqueurs, confectionery, bakery
        ("benzyl alcohol", "EU", "alcoholic drinks", "restricted"),
        ("benzyl alcohol", "EU", "confectionery", "restricted"),
        ("benzyl alcohol", "EU", "soft drinks", "no evidence"),
        ("benzyl alcohol", "EU", "dairy", "no evidence"),
        # Health Canada, List of Permitted Solvents, 2024-12-18 (read)
        ("benzyl alcohol", "Canada", "soft drinks", "yes"),
        ("1,3-butanediol", "Canada", "soft drinks", "yes"),
        # Food and Drug Regulations B.10.005(c) (read)
        ("triethyl citrate", "Canada", "soft drinks", "yes"),
        ("1,3-propanediol", "Canada", "soft drinks", "no"),
        # Food Standards Code, Standard 1.3.1 Schedule 1 item 0.1 (read)
        ("benzyl alcohol", "Australia/NZ", "soft drinks", "restricted"),
        ("triethyl citrate", "Australia/NZ", "soft drinks", "yes"),
        # FDA inventory of 2025-02-13 (read): not in it
        ("diacetin", "US", "soft drinks", "no evidence"),
        # a residue of extraction is not a carrier
        ("isopropyl alcohol", "EU", "soft drinks", "no evidence"),
        ("isopropyl alcohol", "US", "soft drinks", "no evidence"),
        # a flavouring substance is not a carrier either
        ("ethyl lactate", "EU", "soft drinks", "no evidence"),
        ("isopropyl myristate", "EU", "soft drinks", "no evidence"),
        # 21 CFR 182.1320 in the FDA list (read)
        ("glycerol", "US", "soft drinks", "yes"),
        # polysorbate 80, 21 CFR 172.840: listed uses only
        ("polysorbate 80", "US", "soft drinks", "no evidence"),
        ("polysorbate 80", "US", "frozen dairy", "restricted"),
    ],
)
def test_permission(name, market, category, word):
    assert carrier(name).permitted(market, category) == word


def test_numbers_of_single_limits():
    # Standard 1.3.1 (read): benzyl alcohol in flavourings 500 mg/kg of the final food
    (row,) = carrier("benzyl alcohol").limits("Australia/NZ", "soft drinks")
    assert (row.limit, row.unit, row.basis) == (500.0, "mg/kg", law.CONSUMED)
    # French law of 2010 (read): 100 mg/l in liqueurs and aromatised wines, 250 mg/kg in confectionery and bakery
    amounts = {
        (row.category, row.limit, row.unit) for row in carrier("benzyl alcohol").limits("EU") if row.role == "carrier"
    }
    assert amounts == {
        ("alcoholic drinks", 100.0, "mg/L"),
        ("confectionery", 250.0, "mg/kg"),
        ("baked goods", 250.0, "mg/kg"),
    }


@pytest.mark.parametrize("market", law.markets())
def test_look_alikes_are_permitted_nowhere(market):
    refused = [row["carrier"] for _, row in carriers().iterrows() if row["role"] == "not for ingestion"]
    assert {"ethylene glycol", "diethylene glycol", "dipropylene glycol", "triethyl phosphate"} <= set(refused)
    for name in refused:
        for category in (None, *law.categories()):
            assert carrier(name).permitted(market, category) == "no"
        assert "NOT FOR INGESTION" in carrier(name).caution


def test_a_blend_is_as_permitted_as_its_worst_part():
    assert Blend({"triacetin": 0.9, "ethylene glycol": 0.1}, basis="mass").permitted("US", "soft drinks") == "no"
    assert Blend({"triacetin": 0.9, "diacetin": 0.1}, basis="mass").permitted("US", "soft drinks") == "no evidence"
    assert Blend({"triacetin": 1.0, "diacetin": 0.0}, basis="mass").permitted("US", "soft drinks") == "yes"


def test_nothing_is_permitted_without_a_row_that_says_so():
    for row in data.read_table("carriers.csv").rows:
        for market in law.markets():
            said = {r.permitted for r in law.limits(row["name"], market) if r.role in law.PERMITTING_ROLES}
            word = law.permission(row["name"], market)
            if word in ("yes", "restricted"):
                assert said & {"yes", "restricted"}
            if not said:
                assert word == "no evidence"


def test_rows_use_the_closed_lists():
    names = {row["name"] for row in data.read_table("carriers.csv").rows}
    assert {row["carrier"] for row in ROWS} <= names
    assert {row["category"] for row in ROWS} <= set(law.categories())
    assert {row["permitted"] for row in ROWS} == {"yes", "restricted", "no", "no evidence"}
    assert {row["role"] for row in ROWS} == {
        "carrier", "flavouring adjuvant", "food", "evaluation", "intake", "flavouring substance",
        "extraction residue", "special use", "impurity",
    }  # fmt: skip
    assert {row["rule"] for row in ROWS} == {
        "limit",
        "quantum satis",
        "good manufacturing practice",
        "none stated",
    }
    assert {row["basis"] for row in ROWS} <= {
        law.CONSUMED, law.IN_FLAVOURING, "in the extract", "in the raw material", "intake", "not stated",
    }  # fmt: skip
    for row in ROWS:
        assert (row["limit"] is None) == (row["unit"] is None) == (row["rule"] != "limit")
        assert row["unit"] in (None, "mg/kg", "mg/L", "mg/day", "mg/kg body weight and day")
        if data.sources()[row["source"]]["kind"] == "memory":
            assert row["text_date"] is None  # a date would claim that a text was read


def test_unknown_market_or_category_lists_the_known_ones():
    with pytest.raises(UnknownNameError, match="Australia/NZ"):
        law.limits("triacetin", "Atlantis")
    with pytest.raises(UnknownNameError, match="soft drinks"):
        law.permission("triacetin", "EU", "lemonade")
    with pytest.raises(InputError, match="dose"):
        law.limit_uses({"triacetin": -1}, "EU", "soft drinks")
    with pytest.raises(InputError, match="density"):
        law.limit_uses({"triacetin": 1}, "EU", "soft drinks", product_density=0)
