"""Aqueous ethanol against the tables of OIML R 22 and against water."""

import numpy as np
import pytest

from hspkit import ethanol
from hspkit.errors import InputError, UnknownNameError

# OIML R 22 (1975), density at 20 C by strength [% vol, kg/m3], read as tabulated values.
OIML_20 = [
    (0, 998.20), (10, 984.71), (20, 973.56), (30, 962.21), (40, 948.05), (50, 930.14), (60, 909.11), (70, 885.56),
    (80, 859.27), (90, 829.18), (100, 789.24),
]  # fmt: skip
# Ethanol-water densities of Melinder, Properties of Secondary Working Fluids (IIR 2010), as evaluated by CoolProp
# 8.0.0 [mass %, degC, kg/m3]: another correlation of other measurements, off 20 C.
MELINDER = [
    (10, 25, 980.37), (20, 25, 966.65), (30, 25, 950.92), (40, 25, 931.63), (50, 25, 909.58), (60, 25, 886.97),
]  # fmt: skip


@pytest.mark.parametrize(("strength", "kg_per_m3"), OIML_20)
def test_density_at_20_meets_the_tables(strength, kg_per_m3):
    found = 1000 * ethanol.density(ethanol.mass_percent(strength))
    assert found == pytest.approx(kg_per_m3, abs=0.02)


def test_density_away_from_20_meets_another_correlation():
    mass, celsius, expected = np.array(MELINDER).T
    # the two correlations differ by 0.3 kg/m3 at 20 C already
    np.testing.assert_allclose(1000 * ethanol.density(mass, celsius=celsius), expected, atol=0.35)


@pytest.mark.filterwarnings("ignore")  # of the development aid, not ours
def test_water_meets_its_own_standard():
    thermo = pytest.importorskip("thermo")  # IAPWS-95 fit, development aid
    water = thermo.VolumeLiquid(CASRN="7732-18-5", MW=18.01528)
    for celsius in (5.0, 10.0, 20.0, 30.0, 40.0):
        expected = 18.01528e-3 / water.calculate(celsius + 273.15, "HEOS_FIT")
        assert 1000 * ethanol.density(0.0, celsius=celsius) == pytest.approx(expected, abs=0.05)


def test_strengths_go_both_ways():
    strength = np.linspace(0, 100, 201)
    np.testing.assert_allclose(ethanol.volume_percent(ethanol.mass_percent(strength)), strength, atol=1e-9)
    assert ethanol.mass_percent(0.0) == pytest.approx(0.0, abs=1e-12)


def test_water_to_add_from_the_tables_by_hand():
    # 1000 mL of 90 % vol weigh 829.18 g and become 1000 x 90/70 = 1285.71 mL of 70 % vol of 885.56 g/L, which is
    # 1138.58 g: 309.40 g of water of 998.20 g/L, 309.96 mL. The volumes alone would say 285.71 mL.
    done = ethanol.dilute(90, 70, spirit_volume=1000)
    assert done.water_volume == pytest.approx(309.96, abs=0.05)
    assert done.product_volume == pytest.approx(1285.714, abs=1e-3)
    assert done.contraction_percent == pytest.approx(100 * (1309.96 - 1285.71) / 1309.96, abs=0.01)
    assert done.water_mass_ratio == pytest.approx(309.40 / 829.18, abs=1e-4)


def test_diluting_keeps_ethanol_and_mass():
    for start, end in [(96, 70), (96, 20), (70, 40)]:
        done = ethanol.dilute(start, end, spirit_volume=2.0)
        assert done.product_volume * end == pytest.approx(2.0 * start)
        before = 2.0 * ethanol.density(ethanol.mass_percent(start)) + done.water_volume * ethanol.density(0.0)
        assert before == pytest.approx(done.product_volume * ethanol.density(ethanol.mass_percent(end)))
        assert done.water_volume > done.product_volume - 2.0  # it contracts
    assert ethanol.dilute(70, 70).water_volume == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("strength", "kg_per_m3"), OIML_20)
def test_volumes_before_mixing_follow_from_the_tables(strength, kg_per_m3):
    # 100 mL weigh kg_per_m3 / 10 g, of which strength x 0.78924 g are ethanol and the rest water of 0.99820 g/mL
    water = (kg_per_m3 / 10 - strength * 0.78924) / 0.99820
    expected = np.array([strength, water]) / (strength + water)
    np.testing.assert_allclose(ethanol.volume_fractions(float(strength)), expected, atol=2e-5)


def test_volume_fractions_before_mixing():
    # 100 mL of 70 % vol: 70 mL of ethanol and 885.56 x 0.1 - 70 x 0.78924 = 33.309 g of water, 33.369 mL
    np.testing.assert_allclose(ethanol.volume_fractions(70.0), np.array([70, 33.369]) / 103.369, atol=2e-5)
    np.testing.assert_allclose(ethanol.volume_fractions([0.0, 100.0]), [[0, 1], [1, 0]], atol=1e-12)


@pytest.mark.parametrize(
    ("name", "strength"),
    [
        ("ethanol 70 % vol", 70), ("70 % vol ethanol", 70), ("ethanol 96%", 96), ("Ethanol 96 % (v/v)", 96),
        ("40% abv alcohol", 40), ("aqueous ethanol 50,5 % vol", 50.5), ("95 percent ethyl alcohol", 95),
        ("ethanol", None), ("water", None), ("ethanol 70 proof", None), ("methanol 70 %", None),
    ],
)  # fmt: skip
def test_strength_in_a_name(name, strength):
    assert ethanol.parse_strength(name) == strength


def test_a_name_states_at_most_pure_ethanol():
    assert ethanol.parse_strength("ethanol 100 % vol") == 100
    with pytest.raises(InputError, match=r"'ethanol 100\.5 % vol' states 100\.5 %; expected 0 to 100 %"):
        ethanol.parse_strength("ethanol 100.5 % vol")


def test_strength_by_mass_in_a_name():
    assert ethanol.parse_strength("ethanol 62.39 % by mass") == pytest.approx(70.0, abs=0.01)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: ethanol.density(101),
        lambda: ethanol.density(-1),
        lambda: ethanol.density(float("nan")),
        lambda: ethanol.density(50, celsius=60),
        lambda: ethanol.mass_percent(120),
        lambda: ethanol.dilute(40, 70),
        lambda: ethanol.dilute(40, 0),
        lambda: ethanol.dilute(40, 20, spirit_volume=-1),
        lambda: ethanol.parse_strength("ethanol 170 % vol"),
    ],
)
def test_impossible_strengths_are_refused(wrong):
    with pytest.raises((InputError, UnknownNameError)):
        wrong()
