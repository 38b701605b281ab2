"""Solubility of solids: handbook figures, what limits it, and what must be refused."""

import numpy as np
import pytest

from hspkit import Blend, Substance, solubility
from hspkit.crystal import crystal_of, estimated_entropy, is_zwitterion
from hspkit.errors import HspkitError, InputError
from hspkit.saturation import solubility_curve
from hspkit.substances import substance


# Handbook figures of flavour solids, parts of solvent by volume that take up one part; recalled, so soft. Ethyl maltol
# comes out five times (in glycerol thirty times) too soluble, maltol nearly twice: their closed hydroxyl is taken to
# bond more than it does.
@pytest.mark.parametrize(
    ("solid", "solvent", "parts", "times"),
    [("maltol", "propylene glycol", 28, 2), ("maltol", "glycerol", 80, 2), ("maltol", "ethanol", 21, 2),
     ("camphor", "ethanol", 1, 2), ("camphor", "vegetable oil", 4, 2),
     ("ethyl maltol", "ethanol", 10, 6)],
)  # fmt: skip
def test_flavour_solids_of_handbooks(solid, solvent, parts, times):
    found = solubility(solid, solvent)
    assert found.limited_by == "crystals"
    assert parts / times < 100.0 / found.grams_per_100_mL_solvent < parts * times


def test_benzoic_acid_in_ethanol():
    # 43.5 g in 100 mL at 25 C (handbook, recalled)
    assert solubility("benzoic acid", "ethanol").grams_per_100_mL_solvent == pytest.approx(43.5, rel=0.25)


def test_the_measures_are_one_answer():
    found = solubility("vanillin", "propylene glycol")
    x, solid, liquid = found.mole_fraction, substance("vanillin"), substance("propylene glycol")
    grams = x * solid.molar_mass, (1 - x) * liquid.molar_mass
    assert found.mass_percent == pytest.approx(100 * grams[0] / sum(grams))
    assert found.grams_per_100_g == pytest.approx(100 * grams[0] / grams[1])
    assert found.grams_per_100_mL_solvent == pytest.approx(found.grams_per_100_g * liquid.density, rel=1e-3)
    litre = x * solid.volume + (1 - x) * liquid.volume
    assert found.grams_per_L == pytest.approx(1000 * grams[0] / litre)
    low, high = found.interval(0.9)
    assert low < x < high
    narrow = found.interval(0.5)
    assert low < narrow[0] < narrow[1] < high


def test_what_limits():
    assert solubility("limonene", "water").limited_by == "second liquid"
    mixes = solubility("limonene", "ethanol")
    assert mixes.limited_by is None
    assert mixes.mole_fraction == 1.0
    assert mixes.grams_per_100_g == np.inf
    assert solubility("menthol", "ethanol").limited_by == "crystals"
    # menthol in water: oil or crystals, both are scarce
    assert solubility("menthol", "water").mole_fraction < 1e-3


def test_warmer_dissolves_more_until_it_melts():
    table = solubility_curve("thymol", "propylene glycol", [0.0, 20.0, 40.0, 55.0])
    assert table["mole_fraction"].is_monotonic_increasing
    assert table["limited_by"].tolist()[:3] == ["crystals"] * 3


def test_a_blend_lies_between_its_members():
    blend = Blend({"propylene glycol": 0.5, "ethanol 96 % vol": 0.5}, basis="volume")
    first, second = (solubility("vanillin", one).mole_fraction for one in ("propylene glycol", "ethanol"))
    assert min(first, second) * 0.7 < solubility("vanillin", blend).mole_fraction < max(first, second) * 1.5


def test_own_crystals_count():
    easy = solubility("vanillin", "ethanol", melting_celsius=40)
    assert easy.mole_fraction > solubility("vanillin", "ethanol").mole_fraction
    hard = solubility("vanillin", "ethanol", fusion_J_per_mol=40000)
    assert hard.mole_fraction < solubility("vanillin", "ethanol").mole_fraction
    assert hard.crystal.source == "user"


def test_without_a_melting_point_it_is_unknown_and_says_so():
    own = Substance("house solid", "O=Cc1ccc(OCCCC)c(OC)c1")
    found = solubility(own, "ethanol")
    assert np.isnan(found.mole_fraction)
    assert "no melting point of house solid is known" in found.sentence()
    assert solubility(own, "ethanol", melting_celsius=60).limited_by == "crystals"


@pytest.mark.parametrize(
    ("given", "match"),
    [
        ({"solute": "NCC(=O)O", "solvent": "ethanol"}, "acid and a base"),
        ({"solute": "vanillin", "solvent": "vanillin"}, "is the solvent too"),
        ({"solute": "vanillin", "solvent": "ethanol", "celsius": 150}, "celsius"),
        ({"solute": "vanillin", "solvent": "ethanol", "melting_celsius": -300}, "melting_celsius"),
        ({"solute": "vanillin", "solvent": "ethanol", "fusion_J_per_mol": -5}, "fusion_J_per_mol"),
        ({"solute": "CC(=O)[O-].[Na+]", "solvent": "ethanol"}, "salt|pieces|ion"),
        ({"solute": "unobtainium", "solvent": "ethanol"}, "unobtainium"),
        ({"solute": "vanillin", "solvent": "unobtainium"}, "unobtainium"),
        ({"solute": "vanillin", "solvent": None}, "None"),
    ],
)
def test_bad_questions_are_refused(given, match):
    with pytest.raises(HspkitError, match=match):
        solubility(**given)


def test_entropies_of_fusion():
    # CRC Handbook, as in chemicals: thymol 21.3 kJ/mol at 49.6 C, benzoic acid 18.0 kJ/mol at 122.3 C
    assert crystal_of(substance("thymol")).entropy == pytest.approx(66, abs=1)
    assert crystal_of(substance("benzoic acid")).entropy == pytest.approx(45.6, abs=0.5)
    # cages turn in their crystals (camphor has about 15 J/(mol K), recalled); chains gain much
    assert estimated_entropy("CC1(C)C2CCC1(C)C(=O)C2") < 20
    assert estimated_entropy("CCCCCCCCCCCC(=O)O") > 90
    assert is_zwitterion("N[C@@H](C)C(=O)O")
    assert not is_zwitterion("CC(=O)Nc1ccccc1C(=O)O")
    with pytest.raises(InputError, match="SMILES"):
        estimated_entropy("not one")


def test_menthol_and_thymol_are_liquid_together():
    # common knowledge of the pharmacy (memory): near equal parts liquefy at room temperature
    from hspkit.phases import Sites
    from hspkit.phases.crystals import liquidus

    pair = [substance("menthol"), substance("thymol")]
    crystals = [crystal_of(one) for one in pair]
    shares = np.linspace(0.05, 0.95, 19)
    found = liquidus(
        np.column_stack([shares, 1 - shares]),
        [one.volume for one in pair],
        [one.hsp.array for one in pair],
        [one.melting_celsius for one in crystals],
        [one.entropy for one in crystals],
        sites=Sites.joined([one.sites for one in pair]),
    )
    assert found.celsius.min() < 25.0
    assert found.celsius[[0, -1]].min() > 30.0


@pytest.mark.parametrize("solvent", ["diethylene glycol", "111-46-6", "OCCOCCO", Substance("triacetyl", "OCCOCCO")])
def test_a_look_alike_carries_its_warning(solvent):
    found = solubility("vanillin", solvent)
    assert found.sentence().startswith("Caution: NOT FOR INGESTION")
    assert "NOT FOR INGESTION" in repr(found)
    assert "NOT FOR INGESTION" in found._repr_html_()
    assert solubility_curve("vanillin", solvent, [20, 30])["caution"].str.contains("NOT FOR INGESTION").all()
    assert solubility("diethylene glycol", "water", melting_celsius=-10).sentence().startswith("Caution: NOT FOR")
