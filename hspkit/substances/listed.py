"""Which listed substance a structure, a CAS number or a name belongs to.

The structure decides which liquid it is, then the CAS number, never the name on the label: a drum of diethylene glycol
with the label "triacetin" is diethylene glycol.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache, lru_cache
from typing import Any

from hspkit import data
from hspkit.errors import HspkitError, InputError, MoleculeError
from hspkit.frozen import freeze
from hspkit.names import NameIndex

__all__ = ["check_names", "identity", "index", "numbers", "rows", "structures"]

#: Ways to write water, which holds no carbon, so that `hspkit.molecules` does not take it.
WATER = ("O", "[OH2]", "[H]O[H]")


@cache
def rows() -> Mapping[str, Mapping[str, Any]]:
    """Return the rows of ``substances.csv`` by name."""
    return freeze({row["name"]: row for row in data.read_table("substances.csv").rows})


@cache
def index() -> NameIndex:
    """Return the index of the shipped substances: name, synonym or CAS number to name.

    Examples
    --------
    >>> index().find("eucalyptol")
    '1,8-cineole'
    """
    return NameIndex(rows().values(), what="substance")


@cache
def structures() -> tuple[Mapping[str, str], Mapping[str, tuple[str, ...]]]:
    """Return canonical SMILES of the table with stereo to name, and without stereo to names."""
    from rdkit import Chem

    from hspkit.molecules import Molecule, read_molecules

    carbon_rows = [row for row in rows().values() if row["smiles"] not in WATER]
    by_stereo: dict[str, str] = {}
    by_constitution: dict[str, list[str]] = {}
    for row, molecule in zip(carbon_rows, read_molecules(row["smiles"] for row in carbon_rows), strict=True):
        assert isinstance(molecule, Molecule), f"substances.csv: {row['name']}: {molecule.reason}"
        by_stereo[Chem.MolToSmiles(molecule.graph)] = row["name"]
        by_constitution.setdefault(molecule.canonical, []).append(row["name"])
    return freeze(by_stereo), freeze({form: tuple(names) for form, names in by_constitution.items()})


@cache
def _by_text() -> dict[str, str]:
    """SMILES as the table writes them to name; most structures that are asked about are these."""
    return {row["smiles"]: name for name, row in rows().items()} | dict.fromkeys(WATER, "water")


@cache
def numbers() -> Mapping[str, tuple[str, ...]]:
    """Return name to all its CAS numbers, those under which it is sold as a carrier among them.

    Examples
    --------
    >>> numbers()["vegetable oil"]
    ('122-32-7', '8001-22-7')
    """
    found = {name: [row["cas"], row["other_cas"]] for name, row in rows().items()}
    for row in data.read_table("carriers.csv").rows:
        if row["substance"]:
            found[row["substance"]] += [row["cas"], row["other_cas"]]
    return freeze(
        {
            name: tuple(dict.fromkeys(number for cell in cells for number in (cell or "").split(";") if number))
            for name, cells in found.items()
        }
    )


@cache
def _by_cas() -> dict[str, str]:
    return {number: name for name, cas_numbers in numbers().items() for number in cas_numbers}


def identity(name: str, smiles: str, cas: str) -> str:
    """Return what a substance is: see `hspkit.substances.Substance.identity`.

    Parameters
    ----------
    name, smiles, cas : str
        Name, structure and CAS number; the last two may be empty. The name decides only between stereoisomers that
        a structure without stereo marks leaves open. [-]

    Examples
    --------
    >>> identity("house solvent", "OCC(O)C", ""), identity("house solvent", "", "57-55-6")
    ('propylene glycol', 'propylene glycol')
    >>> identity("propylene glycol", "", "")
    'own: propylene glycol'
    """
    found = _of_structure(name, smiles, cas) if smiles else ""
    by_cas = _by_cas().get(cas, "")
    if not found and by_cas and (not smiles or _is_mixture(by_cas)):
        found = by_cas
    return found or _canonical(smiles) or f"own: {name}"


def check_names(names: Iterable[str], smiles: str, cas: str) -> None:
    """Refuse a substance under the name or the CAS number of a listed one that it is not.

    Parameters
    ----------
    names : iterable of str
        Its name and synonyms. [-]
    smiles, cas : str
        Structure and CAS number; empty when they are not known. [-]

    Raises
    ------
    InputError
        Naming both structures or numbers.

    Examples
    --------
    >>> check_names(["triacetin"], "OCCOCCO", "")
    Traceback (most recent call last):
    hspkit.errors.InputError: 'triacetin' is a listed substance with the structure ...
    """
    for name in names:
        known = "" if name == smiles else _named(name)
        if known and (against := _against(known, smiles, cas)):
            called = repr(name) if name == known else f"{name!r} means {known!r}, which"
            message = f"{called} is a listed substance with the {against}; choose another name, or correct it"
            raise InputError(message)
    owner = _by_cas().get(cas, "")
    free = _is_mixture(owner) and not _of_structure("", smiles, "") if owner and smiles else True
    if not free and not _same_structure(owner, smiles):
        message = (
            f"CAS number {cas} is that of {owner!r} with the structure {rows()[owner]['smiles']}, and the structure "
            f"given is {smiles}; correct one of them, or leave the number out"
        )
        raise InputError(message)


def _named(name: str) -> str:
    """Return the listed substance that a name means; empty when it means none or several."""
    try:
        return index().get(name) or ""
    except HspkitError:
        return ""


def _is_mixture(name: str) -> bool:
    """Whether the structure of a row only stands for a mixture: any other may stand for it as well."""
    return bool(rows()[name]["structure"] == "representative")


def _against(name: str, smiles: str, cas: str) -> str:
    """Return what of a listed substance contradicts a structure and a CAS number; empty when nothing does."""
    row = rows()[name]
    known = numbers()[name]
    if smiles and not _same_structure(name, smiles) and not (_is_mixture(name) and cas in known):
        return f"structure {row['smiles']}, and the structure given is {smiles}"
    if cas and cas not in known and (cas in _by_cas() or not _is_stereoisomer(name, smiles)):
        return f"CAS number {' or '.join(known)}, and the number given is {cas}"
    return ""


def _of_structure(name: str, smiles: str, cas: str) -> str:
    """Return the listed substance that has a structure; empty when none has."""
    quick = _by_text().get(smiles)
    if quick is not None:
        return quick
    by_stereo, by_constitution = structures()
    with_stereo, without = _forms(smiles)
    if with_stereo in by_stereo:
        return by_stereo[with_stereo]
    near = [listed for listed in by_constitution.get(without, ()) if _same_structure(listed, smiles)]
    if len(near) > 1:  # marks that were left out leave several open
        by_cas, by_name = _by_cas().get(cas, ""), _named(name)
        near = [next((listed for listed in (by_cas, by_name) if listed in near), "")]
    return near[0] if near else ""


@lru_cache(maxsize=10_000)
def _forms(smiles: str) -> tuple[str, str]:
    """Return canonical SMILES with and without stereo; both empty for what is no molecule that can be treated."""
    from rdkit import Chem

    from hspkit.molecules import read_molecule

    try:
        molecule = read_molecule(smiles)
    except MoleculeError:
        return "", ""
    return Chem.MolToSmiles(molecule.graph), molecule.canonical


def _canonical(smiles: str) -> str:
    return _forms(smiles)[0] if smiles else ""


def _same_structure(name: str, smiles: str) -> bool:
    """Whether a structure is that of a row or its mirror image; marks that one of them leaves out may be anything.

    Mirror images have the same properties, and the tables have one row for both.
    """
    listed = rows()[name]["smiles"]
    if _by_text().get(smiles) == name:
        return True
    if listed in WATER or not _forms(smiles)[1] or _forms(smiles)[1] != _forms(listed)[1]:
        return False
    if _forms(smiles)[0] == _forms(listed)[0]:
        return True
    from hspkit.molecules import read_molecule

    given, own = read_molecule(smiles).graph, read_molecule(listed).graph
    if _within(given, own):
        return True
    for atom in given.GetAtoms():
        atom.InvertChirality()
    return _within(given, own)


def _within(given: Any, own: Any) -> bool:
    """Whether one of two graphs of the same constitution has all the stereo marks of the other."""
    return bool(given.HasSubstructMatch(own, useChirality=True) or own.HasSubstructMatch(given, useChirality=True))


def _is_stereoisomer(name: str, smiles: str) -> bool:
    """Whether a structure that is that of a row has other stereo marks: such a one has a CAS number of its own."""
    return bool(smiles) and _forms(smiles)[0] != _forms(rows()[name]["smiles"])[0]
