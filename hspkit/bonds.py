"""Which atoms of a structure give and take hydrogen bonds, and bonds inside a molecule.

Every atom belongs to the first row of ``hydrogen_bond_sites.csv`` whose pattern finds it: so many donors and acceptors,
each of a strength. What they do in a mixture is the work of `hspkit.phases.association`.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache, lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hspkit import data
from hspkit.frozen import freeze
from hspkit.phases.association import Sites

__all__ = ["bonds_inside", "donates", "hydroxyls", "shipped_numbers", "site_counts", "sites_known", "sites_of"]

#: A hydroxyl three or four bonds from a carbonyl oxygen: rings of five (alpha-hydroxy esters) and six (salicylates).
_INSIDE = (
    "[OX2;H1][#6;!$([#6]=[OX1])]~[#6]=[OX1]",
    "[OX2;H1][#6;!$([#6]=[OX1])]~[#6]~[#6]=[OX1]",
)


@cache
def _molecule(smiles: str) -> Any:
    from rdkit import Chem

    # the wrapper of RDKit cannot take every text, and no SMILES goes beyond ASCII
    return Chem.MolFromSmiles(smiles) if smiles and smiles.isascii() else None


@cache
def _patterns() -> tuple[Any, ...]:
    from rdkit import Chem

    return tuple(Chem.MolFromSmarts(text) for text in _INSIDE)


@cache
def donates(smiles: str) -> bool:
    """Tell whether a structure has a hydrogen on oxygen, nitrogen or sulfur.

    Examples
    --------
    >>> donates("CCO"), donates("CC(C)=O"), donates("O")
    (True, False, True)
    """
    molecule = _molecule(smiles)
    return molecule is not None and any(
        atom.GetSymbol() in "ONS" and atom.GetTotalNumHs() > 0 for atom in molecule.GetAtoms()
    )


@cache
def bonds_inside(smiles: str) -> bool:
    """Tell whether a hydroxyl can bond to a carbonyl of its own molecule.

    Such a molecule shows oil another face than water: closed in oil, open in water. What water says about it does
    not hold in oil.

    Examples
    --------
    >>> bonds_inside("CCOC(=O)CC(O)(CC(=O)OCC)C(=O)OCC"), bonds_inside("COC(=O)c1ccccc1O"), bonds_inside("CC(=O)O")
    (True, True, False)
    """
    molecule = _molecule(smiles)
    return molecule is not None and any(molecule.HasSubstructMatch(pattern) for pattern in _patterns())


@cache
def _rows() -> tuple[tuple[Any, float, float, float, float], ...]:
    from rdkit import Chem

    return tuple(
        (
            Chem.MolFromSmarts(row["pattern"]),
            row["donors"], row["donor_strength"], row["acceptors"], row["acceptor_strength"],
        )
        for row in data.read_table("hydrogen_bond_sites.csv").rows
    )  # fmt: skip


@cache
def site_counts(smiles: str) -> tuple[int, ...]:
    """Return how many atoms of a structure each row of ``hydrogen_bond_sites.csv`` claims; all 0 without one.

    Examples
    --------
    >>> sum(site_counts("CCO")), sum(site_counts(""))
    (1, 0)
    """
    return tuple(len(own) for own in _claims(smiles))


@cache
def _claims(smiles: str) -> tuple[set[int], ...]:
    """Return the atoms that belong to each row of the table."""
    molecule = _molecule(smiles)
    claimed: set[int] = set()
    found = []
    for pattern, *_ in _rows():
        matches = () if molecule is None else molecule.GetSubstructMatches(pattern, maxMatches=molecule.GetNumAtoms())
        own = {first for first, *_ in matches} - claimed
        claimed |= own
        found.append(own)
    return tuple(found)


@cache
def sites_known(smiles: str) -> bool:
    """Tell whether every atom of a structure that may take a hydrogen bond belongs to a row of the table.

    These are oxygen, nitrogen without a charge, sulfur with at most two neighbours, phosphorus with at most three.

    Examples
    --------
    >>> sites_known("CC(=O)OCC"), sites_known("")
    (True, False)
    """
    molecule = _molecule(smiles)
    if molecule is None:
        return False
    free = {
        atom.GetIdx()
        for atom in molecule.GetAtoms()
        if atom.GetSymbol() == "O"
        or (atom.GetSymbol() == "N" and atom.GetFormalCharge() == 0)
        or (atom.GetSymbol() == "S" and atom.GetDegree() <= 2)
        or (atom.GetSymbol() == "P" and atom.GetDegree() <= 3)
    }
    return not free - set().union(*_claims(smiles))


@cache
def shipped_numbers() -> NDArray[np.float64]:
    """Return donors, their strength, acceptors, their strength (m, 4) of the rows of ``hydrogen_bond_sites.csv``."""
    return freeze(np.array([row[1:] for row in _rows()]))


def sites_of(structures: Sequence[str], numbers: NDArray[np.float64] | None = None) -> Sites:
    """Return the donors and acceptors of structures, one kind for each strength that occurs.

    Parameters
    ----------
    structures : sequence of str, length n
        Structures; one without any ("") has no sites. [-]
    numbers : ndarray of shape (m, 4), optional
        Donors, their strength, acceptors, their strength of each row of the table; those that ship by default. [-]

    Examples
    --------
    An ether takes hydrogens and has none to give:

    >>> sites = sites_of(["CCO", "C1CCOC1"])
    >>> sites.donors.tolist(), sites.acceptors.tolist(), sites.acceptor_strengths.tolist()
    ([[1.0], [0.0]], [[0.0, 1.4], [1.0, 0.0]], [0.34, 1.0])
    """
    return _shipped_sites(tuple(structures)) if numbers is None else _sites(structures, numbers)


@lru_cache(maxsize=4096)
def _shipped_sites(structures: tuple[str, ...]) -> Sites:
    return _sites(structures, shipped_numbers())


def _sites(structures: Sequence[str], number: NDArray[np.float64]) -> Sites:
    claimed = np.array([site_counts(smiles) for smiles in structures], dtype=float).reshape(len(structures), -1)
    parts = []
    for count, strength in ((number[:, 0], number[:, 1]), (number[:, 2], number[:, 3])):
        sites = claimed * count
        occurs = (sites.sum(axis=0) > 0) & (strength > 0)
        kinds, kind = np.unique(strength[occurs], return_inverse=True)
        parts += [sites[:, occurs] @ np.eye(kinds.size)[kind], kinds]
    for part in parts:
        part.setflags(write=False)  # whoever asks next gets the same arrays
    return Sites(parts[0], parts[2], parts[1], parts[3])


@cache
def hydroxyls(smiles: str) -> int:
    """Return how many hydroxyls a structure has.

    Examples
    --------
    >>> hydroxyls("OCC(O)CO"), hydroxyls("")
    (3, 0)
    """
    molecule = _molecule(smiles)
    if molecule is None:
        return 0
    return sum(atom.GetSymbol() == "O" and atom.GetTotalNumHs() > 0 for atom in molecule.GetAtoms())
