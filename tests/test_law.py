"""What was read of the law, checked against the texts it cites."""

import re

import pytest

from hspkit import Blend, application, carrier, carriers, data, law
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
    assert law.permitted(glycol, "US", category) == "yes"
    rows = [row for row in law.limits(glycol, "US", category) if row.basis == law.CONSUMED]
    assert [(row.limit, row.unit) for row in rows] == [(mg_per_kg, "mg/kg")]
    (in_flavouring,) = [row for row in law.limits(glycol, "US", category) if row.basis == law.IN_FLAVOURING]
    assert in_flavouring.limit == 970_000  # 97 % in seasonings and flavourings


def test_sum_rule_of_the_european_union():
    # Directive 95/2/EC as amended (read in the French law of 2010): E 1505, E 1517, E 1518, E 1520 singly or together
    # 3 g/kg in the food; E 1520 in beverages except cream liqueurs 1 g/l, as Regulation (EC) 1333/2008 Annex III Part 1
    # footnote a (read in English, 2011-12-02).
    four = ["triethyl citrate", "diacetin", "triacetin", "propylene glycol"]
    for one in four:
        assert law.permitted(one, "EU", "soft drinks") == "restricted"
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


def test_only_limits_by_mass_follow_the_density_of_the_product():
    # E 1520, Regulation (EC) 1333/2008 Annex III Part 1 footnote a (read): 1000 mg/L, and 3000 mg/kg with the others.
    # 1000 mg in a litre of 1.25 kg are 800 mg/kg.
    uses = law.limit_uses({"propylene glycol": 1000.0}, "EU", "soft drinks", product_density=1.25)
    assert [(use.dose, use.limit, use.unit) for use in uses] == [(1000.0, 1000.0, "mg/L"), (800.0, 3000.0, "mg/kg")]
    assert [use.share for use in uses] == pytest.approx([1.0, 800 / 3000])


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
    rows = [row for row in carrier("benzyl alcohol").limits("EU") if row.role == "carrier"]
    assert [row.category for row in rows if row.permitted == "no"] == ["infant food"]
    amounts = {(row.category, row.limit, row.unit) for row in rows if row.permitted != "no"}
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
            word = law.permitted(row["name"], market)
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
    with pytest.raises(UnknownNameError, match=r"unknown market 'Atlantis'; allowed: US, EU, .*Australia/NZ"):
        law.limits("triacetin", "Atlantis")
    with pytest.raises(UnknownNameError, match="unknown food category 'lemonade'; allowed: soft drinks, "):
        law.permitted("triacetin", "EU", "lemonade")


@pytest.mark.parametrize("dose", [-1, -1e-9, float("nan"), float("inf")])
def test_a_dose_is_a_number_from_zero_on(dose):
    with pytest.raises(InputError, match=f"the dose of 'triacetin' is {dose!r}; expected a number >= 0 in mg/L"):
        law.limit_uses({"triacetin": dose}, "EU", "soft drinks")
    (use,) = law.limit_uses({"triacetin": 0.0}, "EU", "soft drinks")
    assert (use.dose, use.share) == (0.0, 0.0)


@pytest.mark.parametrize("density", [0, -1.0, float("nan"), float("inf")])
def test_a_density_is_a_positive_number(density):
    with pytest.raises(InputError, match=f"product_density is {density!r}; expected a positive density in g/mL"):
        law.limit_uses({"triacetin": 1}, "EU", "soft drinks", product_density=density)


@pytest.mark.parametrize("market", ["EU", "UK"])
@pytest.mark.parametrize("category", ["soft drinks", "hot drinks", "milk drinks", "alcoholic drinks"])
def test_propylene_glycol_has_one_limit_in_every_beverage(market, category):
    # Regulation (EC) 1333/2008 Annex III Part 1 footnote a, "in the case of beverages, with the exception of cream
    # liqueurs, 1 000 mg/l from all sources": read, text of 2011-12-02; that Great Britain kept it is recalled.
    first, second = law.limit_uses({"propylene glycol": 1500.0}, market, category)
    assert (first.limit, first.unit, first.share) == (1000.0, "mg/L", 1.5)
    assert (second.limit, second.unit, second.share) == (3000.0, "mg/kg", 0.5)  # the sum holds inside it
    (row,) = first.rows
    assert data.sources()[row.source]["kind"] == "read"
    asked = application.Application(market, category, oil_mg_per_L=40)
    assert application.legal_limit(carrier("propylene glycol"), asked)[0] == 1000.0


def test_every_category_that_is_drunk_is_a_beverage_of_that_limit():
    drunk = {one for one in law.categories() if one.endswith("drinks")}
    assert set(application.DRINKS) <= drunk
    for market in ("EU", "UK"):
        rows = [row for row in law.limits("propylene glycol", market) if row.limit == 1000.0]
        assert {row.category for row in rows} == drunk
    # other foods keep the 3 000 mg/kg: French law of 2010, read
    (use,) = law.limit_uses({"propylene glycol": 3000.0}, "EU", "dairy")
    assert use.limit == 3000.0


@pytest.mark.parametrize(
    ("name", "market", "word"),
    [
        # GRN 302 (read): "not infant formula, fish, meat, poultry"
        ("1,3-propanediol", "US", "no"),
        # 21 CFR 184.1061(c), infant foods and infant formulas left out: recalled
        ("lactic acid", "US", "no"),
        # assimilated Regulation (EC) 1333/2008 Art. 16 and 18(2): read; that nothing provides for it is recalled
        ("propylene glycol", "UK", "no"), ("triacetin", "UK", "no"), ("triethyl citrate", "UK", "no"),
        ("diacetin", "UK", "no"), ("benzyl alcohol", "UK", "no"), ("glycerol", "UK", "no"),
        ("sorbitol syrup", "UK", "no"), ("polysorbate 80", "UK", "no"),
        # the same articles of the EU: recalled
        ("propylene glycol", "EU", "no"), ("triacetin", "EU", "no"), ("triethyl citrate", "EU", "no"),
        ("diacetin", "EU", "no"), ("benzyl alcohol", "EU", "no"), ("glycerol", "EU", "no"),
        ("sorbitol syrup", "EU", "no"), ("polysorbate 80", "EU", "no"),
        # Annex II category 13.1 (recalled) has it as an acid of the food, which is not a carrier of a flavouring
        ("lactic acid", "EU", "no evidence"), ("lactic acid", "UK", "no evidence"),
        # texts for foods in general or for other foods, which do not speak of food for infants
        ("propylene glycol", "US", "no evidence"), ("benzyl alcohol", "US", "no evidence"),
        ("triacetin", "Canada", "no evidence"), ("benzyl alcohol", "Australia/NZ", "no evidence"),
        ("propylene glycol", "Japan", "no evidence"), ("triacetin", "Codex/JECFA", "no evidence"),
        # GRN 1049 (read) is about the fat of one kind of formula, not about carrying a flavour
        ("MCT", "US", "no evidence"),
    ],
)  # fmt: skip
def test_food_for_infants_needs_a_text_of_its_own(name, market, word):
    assert law.permitted(name, market, "infant food") == word
    assert carrier(name).permitted(market, "infant food") == word
    assert Blend({name: 0.5, "water": 0.5}, basis="volume").permitted(market, "infant food") == word
    said = application.permission(carrier(name), market, "infant food")
    assert not said.allowed
    rows = [row for row in law.limits(name, market, "infant food") if row.category == "infant food"]
    if word == "no":
        (row,) = rows
        assert said.reason == f"not permitted in {market}: {row.note}"
        assert len(said.references) == 1
        assert row.reference in said.references[0]
        kind = data.sources()[row.source]["kind"]
        assert ("; read)" if kind == "read" else "; from memory)") in said.references[0]


def test_what_is_said_of_foods_in_general_never_answers_for_infants():
    positive = 0
    for row in data.read_table("carriers.csv").rows:
        for market in law.markets():
            answering = law.grounds(row["name"], market, "infant food")
            own = {one.permitted for one in answering if one.category == "infant food"}
            if law.permitted(row["name"], market, "infant food") in ("yes", "restricted"):
                assert own & {"yes", "restricted"}
            assert all(one.category == "infant food" or one.permitted not in ("yes", "restricted") for one in answering)
            positive += any(one.permitted == "yes" for one in law.grounds(row["name"], market))
    assert positive > 50  # there was something to keep out


def test_a_food_for_infants_is_not_told_what_holds_for_foods_in_general():
    asked = application.Application("US", "infant food", oil_mg_per_L=40)
    amount = application.Dose(40.0, 100.0)
    lines = application.law_lines(carrier("lactic acid"), asked, amount)
    assert [line.rule for line in lines] == ["no: not in infant foods and infant formulas"]
    assert application.law_lines(carrier("glycerol"), asked, amount) == ()
    found = application.dosing("limonene", "glycerol", asked)
    assert not found.allowed
    assert "not for infant food, which needs a text of its own" in " ".join(found.legal_lines())


@pytest.mark.parametrize(
    ("name", "market", "word"),
    [
        ("lactic acid", "US", "restricted"),  # 21 CFR 184.1061: foods in general, not food for infants
        ("1,3-propanediol", "US", "restricted"),  # GRN 302: not infant formula, fish, meat, poultry
        ("glycerol", "EU", "restricted"),  # quantum satis in all flavourings, not in food for infants
        ("propylene glycol", "EU", "restricted"),
        ("benzyl alcohol", "UK", "restricted"),
        ("triacetin", "US", "restricted"),  # 21 CFR 184.1901 names its foods
        ("propylene glycol", "US", "yes"),  # 21 CFR 184.1666(d) ends with all other food categories
        ("monoacetin", "EU", "no"),  # not in the list
    ],
)
def test_a_refused_food_restricts_the_market_and_does_not_close_it(name, market, word):
    assert law.permitted(name, market) == word
    assert carrier(name).permitted(market) == word
    shown = carriers().set_index("carrier")[market]
    assert shown.get(name, word) == word  # syrups have no row there


#: Words by which a text takes something out of what it permits.
TAKES_OUT = re.compile(r"\b(not|no|never|except\w*|exclu\w+|other than|unless|without|save|but)\b", re.IGNORECASE)
#: What it may take out, and the category of that food.
TAKEN_OUT = {
    "infant": "infant food", "infants": "infant food", "fish": "meat and fish", "meat": "meat and fish",
    "poultry": "meat and fish",
}  # fmt: skip
#: Wordings that take out no food that a row could refuse, and why.
NO_FOOD = {
    "ADI not specified": "the committee states no number",
    "ADI not limited": "the committee states no number",
    "beverages, with the exception of cream liqueurs, from all sources": "a cream liqueur may hold more, not less",
    "all flavourings except liquid smoke and spice-oleoresin flavourings (E432-436)": "kinds of flavouring, not foods",
}


def test_what_a_wording_takes_out_is_refused():
    """Words of the texts themselves, as recorded in the table: each exception has its row that says no."""
    seen, foods = set(), set()
    for row in ROWS:
        found = TAKES_OUT.search(row["wording"])
        if not found or row["permitted"] not in ("yes", "restricted") or row["role"] not in law.PERMITTING_ROLES:
            continue
        seen.add(row["wording"])
        if row["wording"] in NO_FOOD:
            continue
        named = set(re.findall(r"[a-z]+", row["wording"][found.start() :].lower())) & set(TAKEN_OUT)
        assert named, f"{row['wording']!r} takes something out: refuse it in a row, or say why there is none"
        for category in {TAKEN_OUT[word] for word in named}:
            assert any(
                (one.category, one.permitted) == (category, "no") for one in law.limits(row["carrier"], row["market"])
            )
            assert carrier(row["carrier"]).permitted(row["market"], category) == "no"
            foods.add((row["carrier"], category))
    assert set(NO_FOOD) <= seen  # none is out of date
    assert {
        ("lactic acid", "infant food"),
        *(("1,3-propanediol", one) for one in ("infant food", "meat and fish")),
    } <= foods


def rule(permitted, category, role="carrier", source="law-food", **more):
    """Return a row of an imagined law of the United States for an imagined liquid."""
    given = {
        "wording": "", "rule": "none stated", "limit": None, "unit": None, "basis": "not stated", "sum_group": None,
        "reference": "an imagined text", "text_date": None, "note": None,
    } | more  # fmt: skip
    read = "".join(list(category))  # a text of its own, as one that comes from a file
    return law.Limit("liquid", "US", permitted, read, role=role, source=source, **given)


@pytest.mark.parametrize(
    ("rows", "category", "word"),
    [
        ([], None, "no evidence"),
        ([rule("yes", "all foods")], None, "yes"),
        ([rule("yes", "all foods")], "all foods", "yes"),
        ([rule("yes", "all foods")], "flavouring", "yes"),
        ([rule("yes", "all foods")], "dairy", "yes"),
        ([rule("yes", "all foods")], "infant food", "no evidence"),
        ([rule("restricted", "other foods")], "infant food", "no evidence"),
        ([rule("yes", "flavouring")], "infant food", "no evidence"),
        ([rule("no", "all foods")], "infant food", "no"),
        ([rule("no", "other foods")], "infant food", "no"),
        ([rule("yes", "all foods"), rule("restricted", "infant food")], "infant food", "restricted"),
        ([rule("yes", "all foods"), rule("no", "infant food")], "infant food", "no"),
        ([rule("yes", "all foods"), rule("no", "infant food")], "dairy", "yes"),
        ([rule("yes", "all foods"), rule("no", "infant food")], None, "restricted"),
        ([rule("yes", "all foods"), rule("no", "infant food")], "all foods", "restricted"),
        ([rule("yes", "all foods"), rule("no", "infant food")], "flavouring", "restricted"),
        ([rule("yes", "flavouring"), rule("no", "infant food")], "flavouring", "restricted"),
        ([rule("yes", "dairy"), rule("no", "infant food")], None, "restricted"),
        ([rule("no", "infant food")], None, "no evidence"),  # one food refused, of the others nothing is said
        ([rule("no", "infant food")], "dairy", "no evidence"),
        ([rule("yes", "dairy"), rule("no", "all foods")], None, "no"),
        ([rule("yes", "dairy"), rule("no", "all foods")], "dairy", "no"),
        ([rule("yes", "dairy"), rule("no", "flavouring")], "flavouring", "no"),
        ([rule("yes", "dairy"), rule("no", "flavouring")], None, "restricted"),
        ([rule("yes", "dairy")], None, "restricted"),
        ([rule("yes", "dairy")], "flavouring", "restricted"),
        ([rule("yes", "dairy")], "all foods", "no evidence"),
        ([rule("yes", "other foods")], None, "yes"),
        ([rule("yes", "other foods")], "flavouring", "yes"),
        ([rule("yes", "flavouring")], "flavouring", "yes"),
        ([rule("yes", "flavouring")], "dairy", "no evidence"),
        ([rule("yes", "flavouring")], None, "restricted"),
        ([rule("yes", "all foods"), rule("restricted", "dairy")], "dairy", "restricted"),
        ([rule("yes", "all foods"), rule("restricted", "dairy")], None, "restricted"),
        # a row for other foods is silent where the same text names the food, and only there
        ([rule("yes", "other foods"), rule("restricted", "dairy")], "dairy", "restricted"),
        ([rule("restricted", "other foods"), rule("yes", "dairy")], "dairy", "yes"),
        ([rule("restricted", "other foods"), rule("yes", "dairy", source="law-us-182.1320")], "dairy", "restricted"),
        ([rule("no evidence", "all foods")], "dairy", "no evidence"),
        # evidence of something else
        ([rule("yes", "all foods", role="flavouring substance")], "dairy", "no evidence"),
        ([rule("yes", "all foods", role="special use")], None, "no evidence"),
        ([rule("no", "all foods", role="impurity")], None, "no evidence"),
    ],
)
def test_how_rows_make_a_permission(monkeypatch, rows, category, word):
    law.markets()  # of the real table, remembered
    monkeypatch.setattr(law, "_recorded", lambda: tuple(rows))
    assert law.permitted("liquid", "US", category) == word
