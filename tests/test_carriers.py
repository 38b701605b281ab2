"""Carriers, look-alikes and blends."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hspkit import Blend, Carrier, carrier, carriers, data, ethanol
from hspkit.errors import InputError, UnknownNameError
from hspkit.names import check_cas
from hspkit.substances import Substance, substance, substances
from hspkit.workshop.contraction import fit

ROWS = data.read_table("carriers.csv").rows


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r["name"])
def test_rows_are_what_they_say(row):
    assert check_cas(row["cas"]) == row["cas"]
    assert carrier(row["cas"]).name == carrier(row["name"]).name == row["name"]
    assert row["role"] in ("carrier", "alcohol", "diluent", "not for ingestion")
    if row["substance"] is None:
        with pytest.raises(InputError, match="no single molecule"):
            carrier(row["name"]).hsp  # noqa: B018
        return
    found = substance(row["substance"])
    # mixtures are sold under a CAS number of their own
    if row["name"] not in ("vegetable oil",):
        assert substance(row["cas"]).name == found.name
    for celsius in (20, 25):
        density = row[f"density_{celsius}"]
        if density is not None and np.isfinite(found.density):
            assert density == pytest.approx(found.density, rel=0.015)
    assert carrier(row["name"]).component_hsp.shape == (1, 3)


def test_known_identities():
    # PubChem and ECHA identities, widely printed
    for name, number in {
        "propylene glycol": "57-55-6", "glycerol": "56-81-5", "triacetin": "102-76-1", "triethyl citrate": "77-93-0",
        "benzyl alcohol": "100-51-6", "1,3-propanediol": "504-63-2", "ethyl lactate": "97-64-3",
        "dipropylene glycol": "25265-71-8", "ethylene glycol": "107-21-1", "diethylene glycol": "111-46-6",
        "diethyl phthalate": "84-66-2", "triethyl phosphate": "78-40-0", "ethanol": "64-17-5", "water": "7732-18-5",
    }.items():  # fmt: skip
        assert carrier(name).cas == number
    # Regulation (EC) 1333/2008
    for name, number in {
        "triethyl citrate": "E1505", "diacetin": "E1517", "triacetin": "E1518", "benzyl alcohol": "E1519",
        "propylene glycol": "E1520", "glycerol": "E422",
    }.items():  # fmt: skip
        assert carrier(name).e_number == number
        assert carrier(number).name == carrier(f"E {number[1:]}").name == name


def test_the_frame_of_carriers():
    frame = carriers()
    assert len(frame) >= 25
    assert frame["carrier"].is_unique
    assert frame["cas"].is_unique
    assert {"US", "EU", "UK", "Canada", "Australia/NZ"} <= set(frame.columns)
    assert not frame["density"].isna().any()


def test_taste_limits_are_the_ones_of_the_trade():
    # common practice, no source: unpleasant above about 500 mg/L of product, hardly noticed below about 100
    for name in ("triacetin", "triethyl citrate"):
        assert (carrier(name).taste_limit, carrier(name).taste_unnoticed) == (500.0, 100.0)
        assert data.sources()[carrier(name).sources["taste"]]["kind"] == "common practice"
    assert carrier("propylene glycol").taste_limit is None  # nothing published was found: it stays empty


def test_cautions():
    assert "infant" in carrier("benzyl alcohol").caution
    for adulterated in ("glycerol", "propylene glycol"):
        assert "0.10 %" in carrier(adulterated).caution
    assert "lammable" in carrier("ethyl acetate").caution
    blend = Blend({"glycerol": 0.5, "benzyl alcohol": 0.5}, basis="mass")
    assert "infant" in blend.caution
    assert "0.10 %" in blend.caution


@pytest.mark.parametrize(
    ("near", "both"),
    [
        ("propylen glycol", ["propylene glycol", "57-55-6", "dipropylene glycol", "25265-71-8"]),
        ("triethyl citrat", ["triethyl citrate", "77-93-0", "triethyl phosphate", "78-40-0"]),
        ("glycol", ["propylene glycol", "ethylene glycol", "107-21-1", "POISON"]),
        ("diethyleneglycol", ["diethylene glycol", "111-46-6", "POISON"]),
    ],
)
def test_a_near_miss_names_both_and_chooses_none(near, both):
    with pytest.raises(UnknownNameError) as caught:
        carrier(near)
    for word in both:
        assert word in str(caught.value)


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        ("Glycerin", "glycerol"), ("glycerine", "glycerol"), ("PG", "propylene glycol"), ("TEC", "triethyl citrate"),
        ("1,2-propanediol", "propylene glycol"), ("DPG", "dipropylene glycol"), ("MEG", "ethylene glycol"),
        ("medium-chain triglycerides", "MCT"), ("sunflower oil", "vegetable oil"), ("110-98-5", "dipropylene glycol"),
        ("glyceryl triacetate", "triacetin"), ("isopropanol", "isopropyl alcohol"),
    ],
)  # fmt: skip
def test_synonyms(given, meant):
    assert carrier(given).name == meant


#: Enough to make a substance without a structure.
PLAIN = {"hsp": (16.0, 5.0, 10.0), "volume": 100.0, "molar_mass": 100.0}


def test_any_substance_can_be_computed_with():
    for name in substances():
        assert Carrier.of(name).identity == name


@pytest.mark.parametrize("row", [row for row in ROWS if row["substance"]], ids=lambda r: r["name"])
def test_a_listed_carrier_is_known_by_its_structure_whatever_it_is_called(row):
    assert Carrier.of(row["substance"]) is carrier(row["name"])
    known = substance(row["substance"])
    drum = Carrier.of(Substance("drum 7", known.smiles, hsp=(16.0, 5.0, 10.0), volume=90.0, molar_mass=100.0))
    assert drum.name == "drum 7"
    assert drum.hsp.delta_p == 5.0, "the user's own parameters"
    shipped = carrier(row["name"])
    assert (drum.listed_name, drum.role, drum.caution) == (shipped.name, shipped.role, shipped.caution)
    assert drum.densities == shipped.densities
    for market in ("US", "EU"):
        assert drum.permitted(market, "soft drinks") == shipped.permitted(market, "soft drinks")
        assert drum.limits(market) == shipped.limits(market)


def test_poison_is_poison_under_any_name():
    assert Carrier.of("diethylene glycol").caution.startswith("NOT FOR INGESTION")
    found = [
        Carrier.of(Substance("house solvent", "OCCOCCO")),
        Carrier.of(Substance("house solvent", cas="111-46-6", **PLAIN)),
        Carrier("house solvent", "", substance("diethylene glycol")),
        Carrier("house solvent", "111-46-6", None),
        Carrier.of("methanol"),  # in no list of carriers, but among the look-alikes that are poison
    ]
    for one in found:
        assert one.not_for_ingestion, one
        assert one.caution
        assert one.permitted("EU") == "no"
    assert Blend({found[0]: 0.1, "triacetin": 0.9}, basis="volume").not_for_ingestion
    assert not carrier("triacetin").not_for_ingestion


def test_own_values_under_the_name_of_a_carrier_are_permitted_nowhere():
    mine = Carrier.of(Substance("triacetin", **PLAIN))
    assert mine.listed_name == ""
    assert mine.name != "triacetin", "or tables and figures could not tell them apart"
    assert mine.permitted("EU", "soft drinks") == "no evidence"
    assert mine.limits("EU") == ()
    assert "nothing on record permits it" in mine.note
    assert Blend({mine: 0.5, "triacetin": 0.5}, basis="volume").permitted("EU", "soft drinks") == "no evidence"


@pytest.mark.parametrize(
    "arguments",
    [
        ("triacetin", "111-46-6", None),
        ("triacetin", "102-76-1", "diethylene glycol"),
        ("triacetin", "", "diethylene glycol"),
        ("triacetin", "", None),
        ("glyceryl triacetate", "", "diethylene glycol"),
        ("propylene glycol", "25265-71-8", "propylene glycol"),
        ("invert syrup", "", "ethanol"),
        ("drum 7", "102-76-1", "diethylene glycol"),
    ],
)
def test_a_carrier_cannot_bear_the_name_or_number_of_another(arguments):
    name, cas, known = arguments
    with pytest.raises(InputError, match="which it is not"):
        Carrier(name, cas, None if known is None else substance(known))


def test_parts_of_a_blend_are_merged_by_what_they_are():
    drum = Carrier.of(Substance("drum 7", "OCC(C)O"))
    same = Blend({drum: 0.5, "propylene glycol": 0.5}, basis="volume")
    assert len(same.parts) == 1
    wet, listed = (Blend({one: 0.5, "water": 0.5}, basis="volume") for one in (drum, "propylene glycol"))
    assert wet.density == listed.density, "the contraction is that of propylene glycol"
    assert wet.viscosity(20.0) == listed.viscosity(20.0)
    assert wet.limits("EU", "soft drinks") == listed.limits("EU", "soft drinks")
    assert wet.doses(100.0) == listed.doses(100.0), "by the name under which the law has it"
    one, other = (Carrier.of(Substance("house ester", smiles)) for smiles in ("CCCCCC(=O)OCCC", "CCCCCC(=O)OCCCC"))
    with pytest.raises(InputError, match="two different liquids are called 'house ester'"):
        Blend({one: 0.5, other: 0.5}, basis="volume")


def test_what_is_no_carrier_says_so():
    with pytest.raises(UnknownNameError, match=r"no carrier.*Carrier\.of"):
        carrier("acetone")
    assert Carrier.of("acetone").permitted("US", "soft drinks") == "no evidence"
    assert Carrier.of("acetone").density == pytest.approx(0.79, abs=0.01)
    for wrong in ("", None, 3):
        with pytest.raises(InputError):
            carrier(wrong)
    with pytest.raises((UnknownNameError, InputError), match="check digit"):
        carrier("57-55-7")


def test_mass_and_volume_by_hand():
    # 100 g with 70 g of triacetin (1.1583 g/mL) and 30 g of MCT (0.950 g/mL): 60.433 and 31.579 mL
    blend = Blend({"triacetin": 0.7, "MCT": 0.3}, basis="mass")
    np.testing.assert_allclose(blend.volume_fractions, np.array([60.433, 31.579]) / 92.012, atol=2e-5)
    np.testing.assert_allclose(blend.mass_fractions, [0.7, 0.3])
    assert blend.density == pytest.approx(100 / 92.012, abs=1e-4)
    back = Blend(dict(zip(blend.parts, blend.volume_fractions, strict=True)), basis="volume")
    np.testing.assert_allclose(back.mass_fractions, [0.7, 0.3])
    np.testing.assert_allclose(blend.hsp.array, blend.volume_fractions @ blend.component_hsp)
    assert blend.covariance.shape == (3, 3)
    assert blend.mole_fractions.sum() == pytest.approx(1.0)


@given(parts=st.lists(st.floats(0.01, 1.0), min_size=4, max_size=4))
def test_volume_to_mass_and_back(parts):
    shares = dict(zip(["triacetin", "glycerol", "water", "MCT"], np.array(parts) / sum(parts), strict=True))
    blend = Blend(shares, basis="volume")
    back = Blend(dict(zip(shares, blend.mass_fractions, strict=True)), basis="mass")
    np.testing.assert_allclose(back.volume_fractions, list(shares.values()), rtol=1e-12)
    low, high = blend.viscosity_range()
    assert low <= blend.viscosity() * (1 + 1e-12)
    assert blend.viscosity() <= high * (1 + 1e-12)


def test_basis_has_no_default_and_nothing_is_rescaled():
    with pytest.raises(TypeError, match="basis"):
        Blend({"triacetin": 1.0})
    with pytest.raises(InputError, match="'volume' or 'mass'"):
        Blend({"triacetin": 1.0}, basis="mole")
    with pytest.raises(InputError, match=r"sum to 0\.9"):
        Blend({"triacetin": 0.6, "MCT": 0.3}, basis="volume")
    with pytest.raises(InputError, match=">= 0"):
        Blend({"triacetin": 1.2, "MCT": -0.2}, basis="volume")
    with pytest.raises(InputError, match="mapping"):
        Blend({}, basis="volume")
    with pytest.raises(UnknownNameError):
        Blend({"triacetyn": 1.0}, basis="volume")
    with pytest.raises(InputError, match="no density"):
        Blend({"polysorbate 80": 0.5, "water": 0.5}, basis="mass")


def test_aqueous_ethanol_is_a_blend():
    spirit = carrier("ethanol 70 % vol")
    assert [part.name for part in spirit.parts] == ["ethanol", "water"]
    assert spirit.density == pytest.approx(0.88556, abs=2e-5)  # OIML R 22, 70 % vol
    assert 100 * spirit.mass_fractions[0] == pytest.approx(ethanol.mass_percent(70.0), abs=0.01)
    assert carrier("70 % vol ethanol").name == spirit.name
    assert carrier("ethanol 100 % vol").name == "ethanol"
    assert carrier("ethanol").name == "ethanol"
    assert carrier(spirit) is spirit


@pytest.mark.parametrize(
    "row", data.read_table("density_mixtures.csv").rows, ids=lambda r: f"{r['first']}-{r['mass_percent']:g}"
)
def test_density_of_aqueous_blends(row):
    # Lange's Handbook, Table 5.13; Volk and Kaehler 2018; Melinder 2010 (read)
    share = row["mass_percent"] / 100
    assert Blend({row["first"]: share, "water": 1 - share}, basis="mass").density == pytest.approx(
        row["density"], rel=5e-4
    )


@pytest.mark.parametrize("row", data.read_table("contraction_pairs.csv").rows, ids=lambda r: r["first"])
def test_shipped_contraction_comes_from_the_command(row):
    found, error, left_out = fit(row["first"], row["second"])
    np.testing.assert_allclose(found.ravel(), [row["c0"], row["c1"], row["c2"]], atol=1e-5)
    assert error == pytest.approx(row["max_error_percent"], abs=1e-3)
    assert left_out == pytest.approx(row["left_out_error_percent"], abs=1e-3)


def test_blends_of_blends_are_flat():
    spirit = carrier("ethanol 70 % vol")
    for basis in ("mass", "volume"):
        blend = Blend({"ethanol 70 % vol": 0.5, "triacetin": 0.3, "water": 0.2}, basis=basis)
        assert [part.name for part in blend.parts] == ["ethanol", "water", "triacetin"]
        shares = blend.mass_fractions if basis == "mass" else blend.volume_fractions
        inner = spirit.mass_fractions if basis == "mass" else spirit.volume_fractions
        np.testing.assert_allclose(shares, [0.5 * inner[0], 0.5 * inner[1] + 0.2, 0.3])


def test_one_carrier_and_a_blend_of_one_agree():
    alone, blend = carrier("triacetin"), Blend({"triacetin": 1.0}, basis="volume")
    assert blend.density == pytest.approx(alone.density)
    assert blend.viscosity() == pytest.approx(alone.viscosity())
    assert blend.viscosity_range() == pytest.approx(alone.viscosity_range())
    np.testing.assert_allclose(blend.hsp.array, alone.hsp.array)
    np.testing.assert_allclose(blend.component_volumes, alone.component_volumes)
    assert blend.doses(100.0) == alone.doses(100.0) == {"triacetin": 100.0}
    assert blend.substances == alone.substances


@pytest.mark.filterwarnings("ignore")  # of the development aid, not ours
def test_densities_against_a_reference_library():
    # VDI Heat Atlas and Perry's equations in thermo: other measurements than the CRC Handbook's
    thermo = pytest.importorskip("thermo")
    for name, method in {
        "propylene glycol": "DIPPR_PERRY_8E", "glycerol": "VDI_PPDS", "1,3-propanediol": "VDI_PPDS",
        "ethyl acetate": "VDI_PPDS", "ethylene glycol": "VDI_PPDS", "1,3-butanediol": "DIPPR_PERRY_8E",
        "benzyl alcohol": "VDI_PPDS", "ethanol": "VDI_PPDS", "isopropyl alcohol": "VDI_PPDS",
    }.items():  # fmt: skip
        item = carrier(name)
        weight = item.substance.molar_mass
        liquid = thermo.VolumeLiquid(CASRN=item.cas, MW=weight)
        assert item.density == pytest.approx(weight / (1e6 * liquid.calculate(293.15, method)), rel=0.003)
        assert item.density_at(25.0) == pytest.approx(weight / (1e6 * liquid.calculate(298.15, method)), rel=0.003)
