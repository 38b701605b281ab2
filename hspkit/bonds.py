"""Who gives and who takes hydrogen bonds; lone donors, hydroxyls that associate, and bonds inside a molecule.

One number for hydrogen bonding cannot say that an ether takes hydrogens and has none to give. So every structure has a
*donor* and an *acceptor* strength besides its Hansen parameters, sums over the sites of ``hydrogen_bond_sites.csv``;
per volume they enter the exchange energy of two liquids as c (donor_1 - donor_2)(acceptor_1 - acceptor_2), Beerbower's
form.
"""

from __future__ import annotations

from functools import cache
from typing import Any

from hspkit import data

__all__ = ["associating_hydroxyls", "bonds_inside", "donates", "site_counts", "site_densities"]

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


@cache
def _sites() -> tuple[tuple[Any, float, float, int], ...]:
    from rdkit import Chem

    rows = data.read_table("hydrogen_bond_sites.csv").rows
    return tuple((Chem.MolFromSmarts(row["pattern"]), row["donor"], row["acceptor"], row["associates"]) for row in rows)


@cache
def site_counts(smiles: str) -> tuple[int, ...]:
    """Return how many atoms of a structure each row of ``hydrogen_bond_sites.csv`` claims; all 0 without one.

    Examples
    --------
    >>> sum(site_counts("CCO")), sum(site_counts(""))
    (1, 0)
    """
    molecule = _molecule(smiles)
    claimed: set[int] = set()
    found = []
    for pattern, *_ in _sites():
        matches = () if molecule is None else molecule.GetSubstructMatches(pattern, maxMatches=molecule.GetNumAtoms())
        own = {first for first, *_ in matches} - claimed
        claimed |= own
        found.append(len(own))
    return tuple(found)


@cache
def site_densities(smiles: str, volume: float) -> tuple[float, float]:
    """Return the strengths of all donors and of all acceptors of a structure per volume. [mol/L]

    Parameters
    ----------
    smiles : str
        The structure; without one ("") both are 0. [-]
    volume : float
        Molar volume. [cm3/mol]

    Returns
    -------
    tuple of two floats
        Donor density, in moles of alcohol groups that would do the same, and acceptor density, in moles of ketone
        groups. [mol/L]

    References
    ----------
    A. Beerbower, product form of donor and acceptor differences (from memory); strengths are fitted, see
    ``hydrogen_bond_sites.csv``.

    Examples
    --------
    An ether takes and does not give:

    >>> donor, acceptor = site_densities("C1CCOC1", 81.1)
    >>> donor, round(acceptor, 1)
    (0.0, 18.5)
    """
    counts = site_counts(smiles)
    donor = sum(count * gives for count, (_, gives, _, _) in zip(counts, _sites(), strict=True))
    acceptor = sum(count * takes for count, (_, _, takes, _) in zip(counts, _sites(), strict=True))
    return 1000.0 * donor / volume, 1000.0 * acceptor / volume


@cache
def associating_hydroxyls(smiles: str) -> int:
    """Return how many hydroxyls of a structure link the molecules of its liquid: those of water and of alcohols.

    Examples
    --------
    >>> associating_hydroxyls("O"), associating_hydroxyls("OCC(O)CO"), associating_hydroxyls("COC(=O)c1ccccc1O")
    (1, 3, 0)
    """
    return sum(count * links for count, (*_, links) in zip(site_counts(smiles), _sites(), strict=True))
