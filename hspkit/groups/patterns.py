"""Substructure patterns, compiled once and matched against a whole batch by array joins.

The patterns are written in SMARTS. The subset understood: bracket atoms of element symbols, ``#n``, ``*``,
``a``, ``A``, ``Hn``, ``Xn``, ``Dn``, ``Rn``, ``rn``, charges, ``$(...)`` and the operators ``! & , ;``;
bonds ``- = # : ~ @ !@``; branches and ring closures. Everything else is an error when the table is read,
never a silent mismatch. Matches are unique by their set of atoms, as in RDKit, which the tests take as the
reference.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.errors import DataFileError
from hspkit.groups.arrays import AROMATIC, DOUBLE, SINGLE, TRIPLE, Batch

__all__ = ["Pattern", "compile_pattern", "find"]

_SYMBOLS = {
    "B": 5, "C": 6, "N": 7, "O": 8, "F": 9, "Si": 14, "P": 15, "S": 16, "Cl": 17, "Se": 34, "Br": 35, "I": 53,
}  # fmt: skip
_PRIMITIVE = re.compile(
    r"\$\(|#(\d+)|Cl|Br|Si|Se|se|H(\d?)|X(\d+)|D(\d+)|R(\d?)|r(\d*)|[+](\d?)|-(\d?)|[BCNOFPSI]|[bcnops]|[aA*]"
)
_BARE = re.compile(r"Cl|Br|[BCNOFPSI]|[bcnops]|[aA*]")
_BOND = re.compile(r"!?[-=#:~@](?:[&;,]?!?[-=#:~@])*")


class Step(NamedTuple):
    """One more atom of a pattern: hangs on `parent` by `bond`, must satisfy `atom`; then closes rings."""

    parent: int
    bond: Any
    atom: Any
    closures: tuple[tuple[int, Any], ...]


class Pattern(NamedTuple):
    """A compiled pattern.

    `routes[i]` joins the atoms starting from atom i: the steps, and for each atom of the pattern its place
    in them. The search starts from the atom that is rarest in the batch.
    """

    smarts: str
    atoms: tuple[Any, ...]
    routes: tuple[tuple[tuple[Step, ...], tuple[int, ...]], ...]


# Expressions are nested tuples: ("and", a, b), ("or", a, b), ("not", a), or (name, value).


def _fail(smarts: str, position: int, what: str) -> DataFileError:
    return DataFileError(f"pattern {smarts!r}: {what} at character {position + 1} {smarts[position:]!r}")


def _split(text: str, sign: str) -> list[str]:
    """Split at a sign that stands outside brackets and parentheses."""
    parts, depth, last = [], 0, 0
    for position, letter in enumerate(text):
        depth += (letter in "([") - (letter in ")]")
        if letter == sign and depth == 0:
            parts.append(text[last:position])
            last = position + 1
    return [*parts, text[last:]]


def _atom_expression(text: str, smarts: str) -> Any:
    for sign, name in ((";", "and"), (",", "or"), ("&", "and")):
        parts = _split(text, sign)
        if len(parts) > 1:
            return (name, *(_atom_expression(part, smarts) for part in parts))
    terms, position = [], 0
    if not text:
        raise _fail(smarts, 0, "an atom without a condition, reading")
    while position < len(text):
        negate = text[position] == "!"
        position += negate
        match = _PRIMITIVE.match(text, position)
        if match is None:
            raise _fail(smarts, smarts.find(text) + position, "unknown atom")
        token = match.group()
        if token == "$(":
            depth, end = 1, match.end()
            while depth:
                depth += (text[end] == "(") - (text[end] == ")")
                end += 1
            term: Any = ("$", compile_pattern(text[match.end() : end - 1]))
            position = end
        else:
            term = _primitive(token)
            position = match.end()
        terms.append(("not", term) if negate else term)
    return terms[0] if len(terms) == 1 else ("and", *terms)


def _primitive(token: str) -> Any:
    if token == "*":
        return ("any", 0)
    if token in ("a", "A"):
        return ("aromatic", int(token == "a"))
    if token in _SYMBOLS:
        if token in ("Si", "Se"):  # as in RDKit, these symbols stand for aromatic atoms too
            return ("number", _SYMBOLS[token])
        return ("and", ("number", _SYMBOLS[token]), ("aromatic", 0))
    if token.capitalize() in _SYMBOLS and token[0].islower():
        return ("and", ("number", _SYMBOLS[token.capitalize()]), ("aromatic", 1))
    count = int(token[1:]) if token[1:] else None
    if token[0] == "R":
        return ("ring_count", count) if count is not None else ("in_ring", 1)
    if token[0] == "r":
        return ("ring_size", count) if count is not None else ("in_ring", 1)
    if token[0] in "+-":
        return ("charge", (1 if count is None else count) * (1 if token[0] == "+" else -1))
    name = {"#": "number", "H": "hydrogens", "X": "connections", "D": "degree"}[token[0]]
    return (name, 1 if count is None else count)


def _bond_expression(text: str) -> Any:
    for sign, name in ((";", "and"), (",", "or"), ("&", "and")):
        parts = text.split(sign)
        if len(parts) > 1:
            return (name, *(_bond_expression(part) for part in parts))
    terms, position = [], 0
    while position < len(text):
        negate = text[position] == "!"
        position += negate
        code = {"-": SINGLE, "=": DOUBLE, "#": TRIPLE, ":": AROMATIC}
        sign = text[position]
        term: Any = ("any", 0) if sign == "~" else ("ring_bond", 1) if sign == "@" else ("order", code[sign])
        terms.append(("not", term) if negate else term)
        position += 1
    return terms[0] if len(terms) == 1 else ("and", *terms)


_DEFAULT_BOND = ("or", ("order", SINGLE), ("order", AROMATIC))


@cache
def compile_pattern(smarts: str) -> Pattern:
    """Compile one pattern.

    Parameters
    ----------
    smarts : str
        The pattern, within the subset of the module's description. [-]

    Raises
    ------
    DataFileError
        When the pattern uses something else; the message shows where.

    Examples
    --------
    >>> len(compile_pattern("[CX3](=O)[OX2;H0]").atoms)
    3
    >>> compile_pattern("[C@H]")
    Traceback (most recent call last):
    hspkit.errors.DataFileError: pattern '[C@H]': unknown atom at character 3 '@H]'
    """
    if smarts.count("[") != smarts.count("]") or smarts.count("(") != smarts.count(")"):
        raise _fail(smarts, 0, "a bracket that is not closed, reading")
    atoms: list[Any] = []
    bonds: dict[tuple[int, int], Any] = {}
    branch: list[int] = []
    opened: dict[str, tuple[int, Any]] = {}
    parent, bond, position = -1, None, 0
    while position < len(smarts):
        letter = smarts[position]
        if letter == "(":
            branch.append(parent)
            position += 1
        elif letter == ")" and branch:
            parent = branch.pop()
            position += 1
        elif letter.isdigit():
            if letter in opened:
                other, earlier = opened.pop(letter)
                bonds[other, parent] = bond or earlier or _DEFAULT_BOND
            else:
                opened[letter] = (parent, bond)
            bond = None
            position += 1
        elif match := _BOND.match(smarts, position):
            bond = _bond_expression(match.group())
            position = match.end()
        else:
            if letter == "[":
                depth, end = 1, position + 1
                while depth:
                    depth += (smarts[end] == "[") - (smarts[end] == "]")
                    end += 1
                atoms.append(_atom_expression(smarts[position + 1 : end - 1], smarts))
            elif bare := _BARE.match(smarts, position):
                end = bare.end()
                atoms.append(_primitive(bare.group()))
            else:
                raise _fail(smarts, position, "unknown sign")
            if parent >= 0:
                bonds[parent, len(atoms) - 1] = bond or _DEFAULT_BOND
            parent, bond, position = len(atoms) - 1, None, end
    if opened or branch or not atoms:
        raise _fail(smarts, 0, "unclosed ring, unclosed branch or no atom")
    return Pattern(smarts, tuple(atoms), tuple(_route(atoms, bonds, start) for start in range(len(atoms))))


def _route(atoms: list[Any], bonds: dict[tuple[int, int], Any], start: int) -> tuple[tuple[Step, ...], tuple[int, ...]]:
    """Order the atoms of a pattern so that each hangs on an earlier one, beginning with `start`."""
    joined = {**bonds, **{(two, one): bond for (one, two), bond in bonds.items()}}
    place = {start: 0}
    steps = [Step(-1, _DEFAULT_BOND, atoms[start], ())]
    while len(place) < len(atoms):
        parent, new = next(
            (one, two) for one in place for two in range(len(atoms)) if two not in place and (one, two) in joined
        )
        closures = tuple(
            (place[other], joined[new, other]) for other in place if other != parent and (new, other) in joined
        )
        steps.append(Step(place[parent], joined[parent, new], atoms[new], closures))
        place[new] = len(steps) - 1
    return tuple(steps), tuple(place[atom] for atom in range(len(atoms)))


class Matcher:
    """Patterns against one batch; every mask is worked out once and kept for the batch."""

    def __init__(self, batch: Batch) -> None:
        self.batch = batch
        self._atoms: dict[Any, NDArray[np.bool_]] = {}
        self._bonds: dict[Any, NDArray[np.bool_]] = {}
        self._numbers: dict[Any, int] = {}

    def number(self, expression: Any) -> int:
        """How many atoms satisfy an expression. [-]"""
        known = self._numbers.get(expression)
        if known is None:
            known = self._numbers[expression] = int(np.count_nonzero(self.atoms(expression)))
        return known

    def atoms(self, expression: Any) -> NDArray[np.bool_]:
        """Which atoms satisfy an expression; shape (n_atoms,). [-]"""
        known = self._atoms.get(expression)
        if known is None:
            known = self._atoms[expression] = self._atom_mask(expression)
        return known

    def _atom_mask(self, expression: Any) -> NDArray[np.bool_]:
        name, value, batch = expression[0], expression[1], self.batch
        if name in ("and", "or"):
            combine = np.logical_and if name == "and" else np.logical_or
            mask = combine(self.atoms(expression[1]), self.atoms(expression[2]))
            for part in expression[3:]:
                combine(mask, self.atoms(part), out=mask)
            return mask
        if name == "not":
            return ~self.atoms(value)
        if name == "any":
            return np.ones(batch.n_atoms, dtype=bool)
        if name == "aromatic":
            return batch.aromatic if value else ~batch.aromatic
        if name == "in_ring":
            return batch.ring_count > 0
        if name == "$":
            mask = np.zeros(batch.n_atoms, dtype=bool)
            mask[self.matches(value)[:, 0]] = True
            return mask
        return np.asarray(getattr(batch, name) == value)

    def bonds(self, expression: Any) -> NDArray[np.bool_]:
        """Which directed bonds satisfy an expression; shape (n_directed_bonds,). [-]"""
        known = self._bonds.get(expression)
        if known is None:
            name, value = expression[0], expression[1]
            if name in ("and", "or"):
                combine = np.logical_and if name == "and" else np.logical_or
                known = combine.reduce([self.bonds(part) for part in expression[1:]])
            elif name == "not":
                known = ~self.bonds(value)
            elif name == "any":
                known = np.ones(len(self.batch.source), dtype=bool)
            elif name == "ring_bond":
                known = self.batch.ring_bond
            else:
                known = self.batch.order == value
            self._bonds[expression] = known
        return known

    def matches(self, pattern: Pattern, free: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
        """Return every match as a row of atoms, in pattern order, repeats of the same atom set included.

        Parameters
        ----------
        pattern : Pattern
            What to look for. [-]
        free : ndarray of bool, shape (n_atoms,), optional
            Atoms that may take part; default all. [-]

        Returns
        -------
        ndarray of shape (n_matches, n_pattern_atoms)
            Atom indices in the batch. [-]
        """
        batch = self.batch
        size = len(pattern.atoms)
        numbers = [self.number(atom) for atom in pattern.atoms]
        fewest = min(numbers)
        if not fewest:
            return np.empty((0, size), dtype=np.int64)
        steps, order = pattern.routes[numbers.index(fewest)]
        first = self.atoms(steps[0].atom)
        columns = [np.flatnonzero(first if free is None else first & free)]
        for step in steps[1:]:
            if not len(columns[0]):
                return np.empty((0, size), dtype=np.int64)
            parents = columns[step.parent]
            fan = batch.degree.take(parents)  # `take` reads one dimension faster than brackets do
            row = np.arange(len(parents)).repeat(fan)
            edge = (batch.start.take(parents) - np.cumsum(fan) + fan).take(row)
            edge += np.arange(len(row))
            new = batch.target.take(edge)
            wanted = self.atoms(step.atom)
            keep = (wanted if free is None else wanted & free).take(new)
            keep &= self.bonds(step.bond).take(edge)
            kept = np.flatnonzero(keep)
            row, new = row.take(kept), new.take(kept)
            before = [column.take(row) for column in columns]
            fresh = np.ones(len(new), dtype=bool)
            for place, column in enumerate(before):
                if place != step.parent:
                    fresh &= column != new
            for other, bond in step.closures:
                fresh &= self._bonded(new, before[other], bond)
            if not fresh.all():
                before, new = [column[fresh] for column in before], new[fresh]
            columns = [*before, new]
        return np.column_stack([columns[place] for place in order])

    def _bonded(self, one: NDArray[np.int64], two: NDArray[np.int64], bond: Any) -> NDArray[np.bool_]:
        """Whether two atoms are joined by a bond that satisfies an expression."""
        allowed = self.bonds(bond)
        size = self.batch.n_atoms
        known = (self.batch.source * size + self.batch.target)[allowed]  # sorted: bonds are in matrix order
        wanted = one * size + two
        place = np.minimum(np.searchsorted(known, wanted), max(len(known) - 1, 0))
        return known[place] == wanted if len(known) else np.zeros(len(wanted), dtype=bool)

    def unique(self, pattern: Pattern, free: NDArray[np.bool_] | None = None) -> NDArray[np.int64]:
        """Return one row per set of atoms, each row sorted, rows in order of their atoms. [-]"""
        rows = self.matches(pattern, free)
        if rows.shape[1] == 1 or not len(rows):
            return rows
        rows = np.sort(rows, axis=1)
        rows = rows[np.lexsort(rows.T[::-1])]
        keep = np.ones(len(rows), dtype=bool)
        keep[1:] = (rows[1:] != rows[:-1]).any(axis=1)
        return rows[keep]


def find(smarts: str, batch: Batch) -> NDArray[np.int64]:
    """Return the matches of one pattern in a batch, one row per set of atoms.

    Parameters
    ----------
    smarts : str
        Pattern in the subset of this module. [-]
    batch : Batch
        Molecules to search. [-]

    Returns
    -------
    ndarray of shape (n_matches, n_pattern_atoms)
        Atom indices in the batch, sorted within each row. [-]

    Examples
    --------
    >>> from rdkit import Chem
    >>> find("[OX2H]", Batch.of([Chem.MolFromSmiles("OCC(O)CO")])).tolist()
    [[0], [3], [5]]
    """
    return Matcher(batch).unique(compile_pattern(smarts))
