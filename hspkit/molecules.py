"""SMILES to checked molecules; the only SMILES parser of the library.

A molecule that passes is one neutral, closed-shell, organic molecule of known elements and ordinary size.
All else is refused with one sentence that says what was found and what to type instead; a batch keeps row
and reason, so one bad line never costs the others. The parser's own log lines are held back only while it
runs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from rdkit import Chem, rdBase

from hspkit.errors import MoleculeError

__all__ = [
    "ELEMENTS",
    "MAX_HEAVY_ATOMS",
    "Molecule",
    "Refusal",
    "read_molecule",
    "read_molecules",
    "read_unit",
    "take",
]

#: Largest molecule accepted, in atoms other than hydrogen. Tristearin has 63; beyond a few hundred a liquid's
#: parameters are those of a polymer, for which repeat units are the right question.
MAX_HEAVY_ATOMS = 200
#: Longest text that is handed to the parser; 200 atoms need far less, with brackets and stereo marks.
MAX_CHARACTERS = 4000
#: Elements a molecule may hold.
ELEMENTS = ("H", "B", "C", "N", "O", "F", "Si", "P", "S", "Cl", "Se", "Br", "I")

_ALLOWED = frozenset(ELEMENTS)
#: Bracket atoms that need no second look: stereo carbon, aromatic [nH], the nitro group's two charged atoms.
_PLAIN_BRACKETS = re.compile(r"\[(?:C@{1,2}H?|nH)\]|\[N\+\]\(=O\)\[O-\]|\[O-\]\[N\+\]\(=O\)")
_NEEDS_A_LOOK = re.compile(r"[\[*.\s$]")
_CHARGE = re.compile(r"[+-]\d*(?::\d+)?\]")
_ISOTOPE = re.compile(r"\[\d+")
#: Letters that no organic-subset atom starts with or ends in: their presence tells a name from a structure.
_WORD = re.compile(r"[A-Za-z]{4,}")
_NOT_SMILES_LETTERS = re.compile(r"[adeghjkmqtuvwxyzADEGJKLMQRTUVWXYZ]")
_CAS = re.compile(r"\d{2,7}-\d{2}-\d")
_METALLOIDS = frozenset({"As", "Te", "Ge", "At", "He", "Ne", "Ar", "Kr", "Xe", "Rn"})


@dataclass(frozen=True, slots=True)
class Molecule:
    """One checked molecule.

    Parameters
    ----------
    smiles : str
        The SMILES as given, without surrounding blanks. [-]
    graph : rdkit.Chem.Mol
        Atoms and bonds, sanitised, hydrogens implicit. [-]
    notes : tuple of str
        What was changed or ignored, for instance isotope labels. [-]
    """

    smiles: str
    graph: Any
    notes: tuple[str, ...] = ()

    @property
    def heavy_atoms(self) -> int:
        """Number of atoms other than hydrogen. [-]"""
        return int(self.graph.GetNumAtoms())

    @property
    def canonical(self) -> str:
        """Canonical SMILES without stereo marks: one text per constitution. [-]"""
        return str(Chem.MolToSmiles(self.graph, isomericSmiles=False))

    @property
    def molar_mass(self) -> float:
        """Molar mass, natural isotopes. [g/mol]

        Examples
        --------
        >>> read_molecule("CCO").molar_mass
        46.07
        """
        table = Chem.GetPeriodicTable()
        mass = sum(table.GetAtomicWeight(atom.GetAtomicNum()) for atom in self.graph.GetAtoms())
        hydrogens = sum(atom.GetTotalNumHs() for atom in self.graph.GetAtoms())
        return float(mass + hydrogens * table.GetAtomicWeight(1))

    def __repr__(self) -> str:
        return f"Molecule({self.smiles!r})"


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why one row of a batch is not a molecule we can treat.

    Parameters
    ----------
    row : int
        Position in the batch, from 0. [-]
    given : object
        What stood there. [-]
    reason : str
        One sentence: what was found, what to do. [-]
    """

    row: int
    given: Any
    reason: str


def _short(text: str) -> str:
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _why_unreadable(text: str) -> str:
    """Say why the parser gave up: a name, a CAS number, a valence, an unclosed ring, or plain syntax."""
    if _CAS.fullmatch(text):
        return f"{_short(text)} is a CAS number, not a SMILES; look the substance up with hspkit.substance"
    if _WORD.search(text) and _NOT_SMILES_LETTERS.search(re.sub(r"\[[^\]]*\]|Cl|Br", "", text)):
        return (
            f"{_short(text)} reads like a name, not a SMILES; give the structure (ethanol is CCO) "
            "or look the name up with hspkit.substance"
        )
    if not _is_plain(text):
        odd = next(character for character in text if not _is_plain(character))
        return f"{_short(text)} holds {odd!r}, which stands in no SMILES; type the structure again"
    raw = Chem.MolFromSmiles(text, sanitize=False)
    if raw is None:
        return f"{_short(text)} is not readable as a SMILES; check brackets, ring digits and element symbols"
    try:
        problems = [problem.Message() for problem in Chem.DetectChemistryProblems(raw)]
    except RuntimeError:  # RDKit before 2024 cannot say it of some structures that it refuses
        problems = []
    detail = "; ".join(problems) if problems else "the structure cannot be completed"
    return f"{_short(text)} is not a possible structure: {detail}"


def _is_plain(text: str) -> bool:
    """Whether a text holds printable ASCII alone, of which all SMILES are made."""
    return text.isascii() and text.isprintable()


def _is_radical(graph: Any) -> bool:
    """Whether an atom lacks a bond; a stereo carbon written with too few neighbours does."""
    return any(graph.GetAtomWithIdx(index).GetNumRadicalElectrons() for index in range(graph.GetNumAtoms()))


def _why_refused(graph: Any, text: str, *, unit: bool) -> str | None:
    """Return the reason against a parsed structure, or None; the order decides which one is named.

    Questions that need no walk over the atoms come first: in large tables most refused rows are salts.
    """
    ends = text.count("*")
    if ends and not unit:
        return (
            f"{_short(text)} has {ends} open end(s) '*' (polymer unit or placeholder), not a whole "
            "molecule; for a repeat unit use hspkit.estimation.estimate_repeat_unit"
        )
    charged = _CHARGE.search(text) is not None
    if "." in text:
        pieces = len(Chem.GetMolFrags(graph))
        if pieces > 1:
            what = "a salt or complex of" if charged else "a mixture or solvate of"
            return f"{_short(text)} is {what} {pieces} separate pieces; give one neutral molecule at a time"
    charge = Chem.GetFormalCharge(graph) if charged else 0
    atoms = [graph.GetAtomWithIdx(index) for index in range(graph.GetNumAtoms())]
    symbols = [atom.GetSymbol() for atom in atoms]
    odd = sorted(set(symbols) - _ALLOWED - {"*"})
    if odd:
        what = "metal" if not set(odd) <= _METALLOIDS else "element"
        return f"{_short(text)} holds the {what} {', '.join(odd)}; allowed elements: {', '.join(ELEMENTS)}"
    if charge:
        return f"{_short(text)} is an ion with net charge {charge:+d}; give the neutral molecule"
    if charged:
        for atom in atoms:
            mine = atom.GetFormalCharge()
            if mine and not any(mine * other.GetFormalCharge() < 0 for other in atom.GetNeighbors()):
                return (
                    f"{_short(text)} is a zwitterion (opposite charges on atoms that are not bonded); "
                    "give the neutral form, for instance NCC(=O)O for glycine"
                )
    radicals = sum(atom.GetNumRadicalElectrons() for atom in atoms)
    if radicals:
        return f"{_short(text)} is a radical ({radicals} unpaired electron(s)); add the missing hydrogens"
    heavy = sum(symbol not in ("H", "*") for symbol in symbols)
    if "C" not in symbols:
        what = "no atom but hydrogen" if not heavy else "no carbon atom"
        return f"{_short(text)} has {what}; the methods here are for organic molecules"
    if heavy > MAX_HEAVY_ATOMS:
        return (
            f"{_short(text)} has {heavy} atoms other than hydrogen; at most {MAX_HEAVY_ATOMS} are taken, "
            "and a polymer is better described by its repeat unit"
        )
    return None


def _read(given: Any, *, unit: bool = False) -> tuple[str, Any, tuple[str, ...]] | str:
    """Return text, graph and notes of a molecule, or the reason against it.

    Expects the parser's log to be held back by the caller.
    """
    if not isinstance(given, str):
        empty = given is None or (isinstance(given, float) and given != given)
        what = "an empty cell" if empty or str(given) == "<NA>" else f"{type(given).__name__} {_short(str(given))}"
        return f"{what} is not a SMILES; give text such as CCO"
    text = given.strip()
    if not text:
        return "the SMILES is empty; give text such as CCO"
    if len(text) > MAX_CHARACTERS:
        return f"{_short(text)} has {len(text)} characters; at most {MAX_CHARACTERS} are taken"
    plain = _NEEDS_A_LOOK.search(text) is None
    if not plain:
        if len(text.split()) > 1:
            reason = _why_unreadable(text)
            if "reads like a name" in reason:
                return reason
            return f"{_short(text)} holds a blank; give one SMILES without a name behind it"
        plain = _NEEDS_A_LOOK.search(_PLAIN_BRACKETS.sub("", text)) is None
    graph = (
        Chem.MolFromSmiles(text) if _is_plain(text) else None
    )  # the parser stops at a zero byte, as if all were well
    if graph is None:
        return _why_unreadable(text)
    notes: tuple[str, ...] = ()
    if not plain:
        labelled = [atom for atom in graph.GetAtoms() if atom.GetIsotope()] if _ISOTOPE.search(text) else []
        if labelled and not all(atom.GetSymbol() == "*" for atom in labelled):
            for atom in labelled:
                atom.SetIsotope(0)
            graph = Chem.RemoveHs(graph)
            notes = ("isotope labels ignored: the answer is that of the natural isotopes",)
        against = _why_refused(graph, text, unit=unit)
        if against is not None:
            return against
    elif (
        (len(text) > MAX_HEAVY_ATOMS and graph.GetNumAtoms() > MAX_HEAVY_ATOMS)  # each atom takes a character or more
        or ("c" not in text and "C" not in text.replace("Cl", ""))
        or ("@" in text and _is_radical(graph))
    ):
        against = _why_refused(graph, text, unit=unit)
        if against is not None:
            return against
    return text, graph, notes


def read_molecule(smiles: str) -> Molecule:
    """Return the checked molecule of one SMILES.

    Parameters
    ----------
    smiles : str
        Structure of one neutral organic molecule. [-]

    Raises
    ------
    MoleculeError
        When the text is empty, not text, unreadable, a name or a CAS number; when the structure is a salt or
        several pieces, an ion, a zwitterion, a radical, holds a metal or an open end ``*``, has no carbon,
        or has more than `MAX_HEAVY_ATOMS` atoms. Isotope labels are ignored, with a note.

    Examples
    --------
    >>> read_molecule("CC(=O)OCC(OC(C)=O)COC(C)=O").heavy_atoms
    15
    >>> read_molecule("limonene")
    Traceback (most recent call last):
    hspkit.errors.MoleculeError: 'limonene' reads like a name, not a SMILES; give the structure ...
    """
    with rdBase.BlockLogs():
        answer = _read(smiles)
    if isinstance(answer, str):
        raise MoleculeError(answer)
    return Molecule(*answer)


def read_unit(smiles: str) -> Molecule:
    """Return the repeat unit of a polymer, its two open ends written as ``*``.

    Parameters
    ----------
    smiles : str
        For instance ``*CCO*`` for poly(ethylene glycol). [-]

    Raises
    ------
    MoleculeError
        As `read_molecule`, and when there are not exactly two open ends.

    Examples
    --------
    >>> read_unit("*CCO*").smiles
    '*CCO*'
    """
    with rdBase.BlockLogs():
        answer = _read(smiles, unit=True)
    if isinstance(answer, str):
        raise MoleculeError(answer)
    molecule = Molecule(*answer)
    ends = sum(atom.GetAtomicNum() == 0 for atom in molecule.graph.GetAtoms())
    if ends != 2:
        message = f"{_short(molecule.smiles)} has {ends} open ends '*'; a repeat unit has two, as in *CCO*"
        raise MoleculeError(message)
    return molecule


def read_molecules(smiles: Iterable[Any]) -> Iterator[Molecule | Refusal]:
    """Yield, for each entry in turn, the checked molecule or why it is refused.

    Parameters
    ----------
    smiles : iterable
        SMILES, or anything that may stand in a column of them. [-]

    Yields
    ------
    Molecule or Refusal
        One per entry, in order. [-]

    Examples
    --------
    >>> [type(answer).__name__ for answer in read_molecules(["CCO", "[Na+].[Cl-]", None])]
    ['Molecule', 'Refusal', 'Refusal']
    """
    for row, given in enumerate(smiles):
        with rdBase.BlockLogs():
            answer = _read(given)
        yield Refusal(row, given, answer) if isinstance(answer, str) else Molecule(*answer)


def take(smiles: Iterable[Any], visit: Callable[[str, Any, tuple[str, ...]], None]) -> list[str]:
    """Read a column, hand each good molecule to `visit` and keep none; return the reasons, empty for good
    rows.

    `visit` gets text, graph and notes as in `Molecule`. The parser's log is held back once for the whole
    column.

    Examples
    --------
    >>> sizes = []
    >>> take(["CCO", ""], lambda text, graph, notes: sizes.append(graph.GetNumAtoms()))
    ['', 'the SMILES is empty; give text such as CCO']
    >>> sizes
    [3]
    """
    reasons = []
    with rdBase.BlockLogs():
        for given in smiles:
            answer = _read(given)
            if isinstance(answer, str):
                reasons.append(answer)
            else:
                visit(*answer)
                reasons.append("")
    return reasons
