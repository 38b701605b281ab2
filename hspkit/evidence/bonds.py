"""Hydrogen bonds that one exchange energy per pair cannot say: lone donors, and bonds inside a molecule."""

from __future__ import annotations

from functools import cache
from typing import Any

__all__ = ["bonds_inside", "donates"]

#: A hydroxyl three or four bonds from a carbonyl oxygen: rings of five (alpha-hydroxy esters) and six (salicylates).
_INSIDE = (
    "[OX2;H1][#6;!$([#6]=[OX1])]~[#6]=[OX1]",
    "[OX2;H1][#6;!$([#6]=[OX1])]~[#6]~[#6]=[OX1]",
)


@cache
def _molecule(smiles: str) -> Any:
    from rdkit import Chem

    return Chem.MolFromSmiles(smiles) if smiles else None


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
