"""Reading structures: what is accepted, what is refused and in which words."""

import math

import numpy as np
import pandas as pd
import pytest

from hspkit.errors import MoleculeError
from hspkit.molecules import MAX_HEAVY_ATOMS, Molecule, Refusal, read_molecule, read_molecules, read_unit

REFUSED = [
    ("", "empty"),
    ("   ", "empty"),
    (None, "an empty cell"),
    (math.nan, "an empty cell"),
    (pd.NA, "an empty cell"),
    (7, "int '7' is not a SMILES"),
    (b"CCO", "bytes"),
    ("C1CC", "not readable"),
    ("CC(C", "not readable"),
    ("c1cccc1", "not a possible structure"),
    ("C(C)(C)(C)(C)C", "valence"),
    ("limonene", "reads like a name"),
    ("benzyl alcohol", "reads like a name"),
    ("ethanol", "reads like a name"),
    ("64-17-5", "CAS number"),
    ("CCO CCC", "holds a blank"),
    ("CC(=O)[O-].[Na+]", "a salt or complex of 2 separate pieces"),
    ("CCO.CCO", "a mixture or solvate of 2 separate pieces"),
    ("CCCC[N+](C)(C)C", r"ion with net charge \+1"),
    ("CC(=O)[O-]", "ion with net charge -1"),
    ("[NH3+]CC(=O)[O-]", "zwitterion"),
    ("C[Hg]C", "metal Hg"),
    ("CC[Pb](CC)(CC)CC", "metal Pb"),
    ("C[As](C)C", "element As"),
    ("*CCO*", r"2 open end\(s\)"),
    ("[*]C", r"1 open end\(s\)"),
    ("[CH3]", "radical"),
    ("CC[O]", "radical"),
    ("C[C@H]Cl", "radical"),
    ("[H][H]", "no atom but hydrogen"),
    ("O", "no carbon"),
    ("ClCl", "no carbon"),
    (
        "C" * (MAX_HEAVY_ATOMS + 1),
        f"{MAX_HEAVY_ATOMS + 1} atoms other than hydrogen; at most {MAX_HEAVY_ATOMS}",
    ),
    ("C" * 5000, "5000 characters"),
]


@pytest.mark.parametrize(("given", "said"), REFUSED, ids=[str(case[1])[:30] for case in REFUSED])
def test_bad_input_is_refused_with_a_reason(given, said):
    with pytest.raises(MoleculeError, match=said):
        read_molecule(given)


def test_a_batch_keeps_row_and_reason_and_says_the_same_as_one():
    given = ["CCO", *(case[0] for case in REFUSED), "c1ccccc1"]
    answers = list(read_molecules(given))
    assert len(answers) == len(given)
    assert isinstance(answers[0], Molecule)
    assert isinstance(answers[-1], Molecule)
    for row, answer in enumerate(answers[1:-1], start=1):
        assert isinstance(answer, Refusal)
        assert answer.row == row
        with pytest.raises(MoleculeError) as error:
            read_molecule(given[row])
        assert str(error.value) == answer.reason


@pytest.mark.parametrize(
    "smiles",
    [
        "C[N+](=O)[O-]",  # nitro: charges on bonded atoms are a way of writing, not a zwitterion
        "CN=[N+]=[N-]",
        "[O-][n+]1ccccc1",
        "C[Si](C)(C)C",
        "ClC(Cl)Cl",
        "C[C@H](O)C(=O)OCC",
        "  CCO\n",
        np.str_("CCO"),
        "C" * MAX_HEAVY_ATOMS,
    ],
)
def test_neutral_organic_molecules_are_read(smiles):
    assert isinstance(read_molecule(smiles), Molecule)


def test_isotope_labels_are_ignored_and_said_so():
    plain, labelled = read_molecule("CO"), read_molecule("[2H]OC([2H])([2H])[2H]")
    assert labelled.canonical == plain.canonical
    assert labelled.heavy_atoms == 2
    assert "isotope" in labelled.notes[0]
    assert plain.notes == ()


def test_molar_mass_against_the_standard_atomic_weights():
    # IUPAC standard atomic weights (C 12.011, H 1.008, O 15.999), from memory: C2H6O = 46.069
    assert read_molecule("CCO").molar_mass == pytest.approx(46.069, abs=0.002)


def test_repeat_units_need_two_open_ends():
    assert read_unit("*CCO*").smiles == "*CCO*"
    with pytest.raises(MoleculeError, match="1 open ends"):
        read_unit("*CC")
    with pytest.raises(MoleculeError, match="0 open ends"):
        read_unit("CCO")


def test_reading_says_nothing_on_the_terminal_and_leaves_the_log_as_it_was(capfd):
    from rdkit import Chem

    list(read_molecules(["C1CC", "c1cccc1", "CCO"]))
    assert capfd.readouterr().err == ""
    Chem.MolFromSmiles("C1CC")  # the parser's own log still speaks to those who use it themselves
    assert "C1CC" in capfd.readouterr().err
