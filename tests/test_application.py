"""Dose, law, taste, pouring and clouding: against the texts of law and sums worked by hand."""

import numpy as np
import pytest

from hspkit import application as product
from hspkit.application import Application, clouding, dose, legal_limit, permission, pouring_band, taste_limit
from hspkit.carriers import Blend, carrier
from hspkit.errors import InputError, UnknownNameError
from hspkit.oils import oil
from hspkit.substances import substance, substances

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


def test_pouring_bands_are_ordered_and_cover_everything():
    rows = [pouring_band(value).band for value in (1.0, 20.0, 65.0, 200.0, 1410.0)]
    assert len(set(rows)) == 5
    assert pouring_band(1410.0).pours is False  # glycerol at 20 C
    assert pouring_band(float("nan")) is None


def test_limonene_clouds_near_its_water_solubility():
    # Massaldi and King, J. Chem. Eng. Data 18 (1973) 393: 13.8 mg/L of limonene at 25 C.
    pure = oil("limonene")
    assert clouding(pure, oil_mg_per_L=10).stays_clear
    far = clouding(pure, oil_mg_per_L=140)
    assert not far.stays_clear
    assert far.load == pytest.approx(140 / 13.8, rel=0.02)
    assert far.makers[0][0] == "limonene"
    assert far.separated_mg_per_L == pytest.approx(140 - 13.8, abs=0.1)


def test_two_equal_components_share_the_water():
    # Ideal mixture: a component at half mole fraction dissolves to half its own solubility (Raoult's law).
    given, soluble = np.array([1.0, 1.0]), np.array([0.4, 0.4])
    assert product.oil_phase(given, soluble) == pytest.approx([0.8, 0.8])
    assert product.oil_phase(np.array([0.1, 0.1]), soluble) == pytest.approx([0, 0])


def test_ethanol_in_the_drink_dissolves_more():
    dry = clouding(oil("limonene"), oil_mg_per_L=140)
    spirit = clouding(oil("limonene"), oil_mg_per_L=140, ethanol_percent=40)
    assert spirit.stays_clear
    # log S rises by (0.95 logP + 0.30) f: Millard et al., Int. J. Pharm. 245 (2002) 153 (constants from memory)
    rise = 10 ** ((0.95 * substance("limonene").log_p + 0.30) * 0.4)
    assert dry.load / spirit.load == pytest.approx(rise, rel=0.02)


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
