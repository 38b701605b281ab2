"""Pairs of liquids against what handbooks say about them."""

import numpy as np
import pytest

from hspkit import Substance, pair_miscibility, phases, substance
from hspkit.errors import ExtrapolationWarning, InputError, UnknownNameError
from hspkit.phases.association import Sites

# Sigma-Aldrich solvent miscibility table; IUPAC-NIST solubility series; AqSolDB water solubilities.
MIXES = [
    ("ethanol", "water"), ("acetonitrile", "water"), ("hexane", "toluene"), ("ethyl acetate", "ethanol"),
    ("propylene glycol", "water"), ("limonene", "linalool"), ("acetone", "hexane"), ("glycerol", "water"),
]  # fmt: skip
SPLITS = [
    ("hexane", "water"), ("limonene", "water"), ("limonene", "propylene glycol"), ("hexane", "ethylene glycol"),
    ("toluene", "water"), ("heptane", "acetonitrile"), ("linalool", "water"), ("ethyl acetate", "water"),
]  # fmt: skip


@pytest.mark.parametrize(("a", "b"), MIXES)
def test_pairs_that_mix(a, b):
    found = pair_miscibility(a, b)
    assert found.verdict == "clear"
    assert found.probability > 0.5
    assert found.index < 1


@pytest.mark.xfail(strict=True, reason="ethers that just mix with water come out a little too far from it")
@pytest.mark.parametrize("name", ["tetrahydrofuran", "1,4-dioxane"])
def test_known_misses_with_water(name):
    # All mix with water in all proportions (solvent miscibility charts).
    assert pair_miscibility(name, "water").verdict == "clear"


@pytest.mark.parametrize(
    ("name", "celsius"), [("acetone", 25), ("pyridine", 25), ("2-propanol", 25), ("tert-butanol", 30)]
)
def test_what_just_mixes_with_water(name, celsius):
    # Solvent miscibility charts; tert-butanol melts at 25.7 C.
    assert pair_miscibility(name, "water", celsius=celsius).verdict == "clear"


@pytest.mark.parametrize(("a", "b"), SPLITS)
def test_pairs_that_split(a, b):
    found = pair_miscibility(a, b)
    assert found.verdict == "splits"
    assert found.probability < 0.5
    assert found.index > 1


# Brouwer, Kersten, Bargeman, Schuur 2021 (compilation of measured limiting activity coefficients), 25 to 41 C.
@pytest.mark.parametrize(
    ("solute", "solvent", "celsius", "measured"),
    [("hexane", "ethanol", 32, 2.40), ("benzene", "ethylene glycol", 27, 3.50),
     ("toluene", "propylene glycol", 21, 2.91),
     ("heptane", "triacetin", 41, 2.76), ("octane", "diethylene glycol", 30, 5.49)],
)  # fmt: skip
def test_activity_coefficients_near_the_measured_ones(solute, solvent, celsius, measured):
    assert pair_miscibility(solute, solvent, celsius=celsius).ln_gamma_infinite[0] == pytest.approx(measured, abs=0.8)


def test_the_order_of_the_two_does_not_matter():
    one, other = pair_miscibility("hexane", "methanol"), pair_miscibility("methanol", "hexane")
    assert one.index == pytest.approx(other.index)
    assert one.probability == pytest.approx(other.probability, abs=0.02)
    assert one.ln_gamma_infinite == pytest.approx(other.ln_gamma_infinite[::-1])


def test_warmth_mixes():
    # Methanol and hexane have an upper consolute temperature of 33 to 35 C (handbooks).
    cold, warm = (pair_miscibility("methanol", "hexane", celsius=t) for t in (5.0, 80.0))
    assert warm.index < cold.index
    assert warm.probability > cold.probability


def test_names_numbers_structures_and_substances_mean_the_same():
    by_name = pair_miscibility("propylene glycol", "limonene")
    for given in ("57-55-6", "CC(O)CO", substance("propylene glycol")):
        assert pair_miscibility(given, "limonene") == by_name


def test_a_structure_that_is_not_shipped_is_estimated():
    found = pair_miscibility("CCCCCCCCCCCCCCCCC(C)C", "water")
    assert found.verdict == "splits"
    assert found.probability < 0.1


def test_own_substances_keep_their_own_parameters():
    twin = Substance("my glycol", "CC(O)CO", hsp=[17.0, 1.0, 1.0], volume=73.0)
    assert pair_miscibility(twin, "hexane").index < pair_miscibility("propylene glycol", "hexane").index


def test_a_liquid_mixes_with_itself():
    found = pair_miscibility("water", "water")
    assert (found.probability, found.index, found.verdict) == (1.0, 0.0, "clear")


def test_probabilities_are_probabilities_and_repeat():
    found = [pair_miscibility("limonene", name).probability for name in ("triacetin", "benzyl alcohol", "MCT")]
    assert all(0.0 <= p <= 1.0 for p in found)
    assert found == [pair_miscibility("limonene", name).probability for name in ("triacetin", "benzyl alcohol", "MCT")]


def test_bad_input():
    with pytest.raises(UnknownNameError):
        pair_miscibility("unobtainium", "water")
    with pytest.raises(InputError):
        pair_miscibility("ethanol", "water", celsius=float("nan"))
    with pytest.raises(InputError):
        pair_miscibility(3.0, "water")
    with pytest.warns(ExtrapolationWarning):
        assert np.isfinite(pair_miscibility("ethanol", "water", celsius=140.0).index)


def test_two_liquids_of_one_name_are_two_liquids():
    polar = Substance("house solvent", hsp=(16.0, 20.0, 30.0), volume=60.0, molar_mass=60.0, smiles="OCC(O)CCO")
    fatty = Substance("house solvent", "CCCCCCCCCCCCCC(C)CC")
    assert pair_miscibility(polar, fatty).verdict == "splits"


def test_a_solid_has_no_verdict_of_mixing():
    # menthol melts at 42 C (CRC Handbook): below it does not mix with ethanol in every proportion, as liquids would
    found = pair_miscibility("menthol", "ethanol")
    assert found.verdict == "unknown"
    assert found.probability > 0.9  # of the liquids: what the evidence on supercooled liquids speaks of
    assert pair_miscibility("menthol", "ethanol", celsius=45).verdict == "clear"
    assert pair_miscibility("menthol", "water").verdict == "splits"


def test_an_alcohol_given_as_smiles_bonds_like_the_same_substance():
    smiles = "CC(=O)OCCC(C)O"
    own, water = substance(smiles), substance("water")
    sites = Sites.joined([own.sites, water.sites])
    assert own.sites.donors.sum() == 1
    for given in (smiles, own):
        found = pair_miscibility(given, "water")
        expected = phases.pair_index([own.volume, water.volume], [own.hsp.array, water.hsp.array], sites=sites)
        assert found.index == pytest.approx(float(expected), rel=1e-4)  # a grid of compositions, and a search
