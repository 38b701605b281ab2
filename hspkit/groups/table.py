"""A table of groups, and the counts of its groups in molecules.

First-order groups claim atoms in the order of the table: an atom belongs to the first group that reaches it.
What no group claims is reported by name, and so are atoms for which two matches of one group competed.
Second-order groups and counts describe surroundings and claim nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hspkit.data import read_table
from hspkit.errors import DataFileError
from hspkit.groups.arrays import Batch
from hspkit.groups.patterns import Matcher, Pattern, compile_pattern
from hspkit.molecules import Molecule

__all__ = ["COUNTS", "Group", "GroupCounts", "GroupTable", "count_groups"]


def _rings(batch: Batch, keep: Callable[[NDArray[Any], NDArray[Any]], NDArray[np.bool_]]) -> NDArray[np.int64]:
    """Count rings that `keep` accepts, given their lengths and how many of their atoms are aromatic."""
    aromatic = (
        np.add.reduceat(batch.aromatic[batch.ring_members].astype(np.int64), batch.ring_start[:-1])
        if len(batch.ring_length)
        else np.empty(0, dtype=np.int64)
    )
    wanted = keep(batch.ring_length, aromatic)
    return np.bincount(batch.ring_molecule[wanted], minlength=batch.n_molecules)


#: Counts that no pattern can express, by the word that stands in the pattern column of a table.
COUNTS: Mapping[str, Callable[[Batch], NDArray[np.int64]]] = {
    "rings": lambda batch: _rings(batch, lambda length, aromatic: aromatic < length),
    "aromatic rings": lambda batch: _rings(batch, lambda length, aromatic: aromatic == length),
    "rings of 3 or 4": lambda batch: _rings(batch, lambda length, aromatic: (length <= 4) & (aromatic < length)),
    "rings of 5 or more": lambda batch: _rings(batch, lambda length, aromatic: (length > 4) & (aromatic < length)),
}


@dataclass(frozen=True, slots=True)
class Group:
    """One group of a table.

    Parameters
    ----------
    name : str
        Name, unique in its table. [-]
    level : str
        ``first`` (claims its atoms), ``second`` (a surrounding, claims nothing) or ``count``. [-]
    pattern : str
        SMARTS, or for level ``count`` one of `COUNTS`. [-]
    """

    name: str
    level: str
    pattern: str


@dataclass(frozen=True)
class GroupCounts:
    """How often each group occurs in each molecule.

    Parameters
    ----------
    names : tuple of str
        Groups, in the order of the columns of `counts`. [-]
    counts : ndarray of shape (n_molecules, n_groups)
        Occurrences. [-]
    batch : Batch
        The molecules. [-]
    unclaimed, contested : ndarray of bool, shape (n_atoms,)
        Atoms that no first-order group claims; atoms that two matches of one group asked for. [-]
    """

    names: tuple[str, ...]
    counts: NDArray[np.int64]
    batch: Batch
    unclaimed: NDArray[np.bool_]
    contested: NDArray[np.bool_]

    def _labels(self, mask: NDArray[np.bool_], row: int) -> tuple[str, ...]:
        first, last = self.batch.offsets[row], self.batch.offsets[row + 1]
        return tuple(self.batch.label(int(atom)) for atom in first + np.flatnonzero(mask[first:last]))

    def left_over(self, row: int) -> tuple[str, ...]:
        """Name the atoms of one molecule that no group claims. [-]"""
        return self._labels(self.unclaimed, row)

    def claimed_twice(self, row: int) -> tuple[str, ...]:
        """Name the atoms of one molecule that two matches of the same group asked for. [-]"""
        return self._labels(self.contested, row)

    def of(self, row: int) -> dict[str, int]:
        """Return the groups present in one molecule with their counts, in table order. [-]"""
        present = np.flatnonzero(self.counts[row])
        return {self.names[column]: int(self.counts[row, column]) for column in present}


class GroupTable:
    """Groups with their patterns, compiled.

    Parameters
    ----------
    groups : sequence of Group
        First-order groups in the order in which they claim atoms. [-]

    Raises
    ------
    DataFileError
        When a name is repeated, a level unknown, or a pattern not understood.

    Examples
    --------
    >>> from hspkit.molecules import read_molecule
    >>> table = GroupTable([Group("OH", "first", "[OX2H]"), Group("CH2", "first", "[CX4;H2]")])
    >>> counted = table.count([read_molecule("OCCO"), read_molecule("OCC")])
    >>> counted.counts.tolist(), counted.left_over(1)
    ([[2, 2], [1, 1]], ('CH3 (atom 3)',))
    """

    def __init__(self, groups: Sequence[Group]) -> None:
        self.groups = tuple(groups)
        self.names = tuple(group.name for group in self.groups)
        twice = sorted({name for name in self.names if self.names.count(name) > 1})
        if twice:
            message = f"group table: {', '.join(twice)} stand(s) there twice; names must be unique"
            raise DataFileError(message)
        self._patterns: dict[str, Pattern] = {}
        for group in self.groups:
            if group.level == "count":
                if group.pattern not in COUNTS:
                    message = f"group {group.name!r}: no count {group.pattern!r}; known: {', '.join(COUNTS)}"
                    raise DataFileError(message)
            elif group.level in ("first", "second"):
                self._patterns[group.name] = compile_pattern(group.pattern)
            else:
                message = f"group {group.name!r}: level is {group.level!r}; expected first, second or count"
                raise DataFileError(message)

    @classmethod
    def read(cls, name: str) -> GroupTable:
        """Read the groups of a shipped table: its columns group, level, pattern, in row order."""
        return cls([Group(row["group"], row["level"], row["pattern"]) for row in read_table(name).rows])

    def count(self, molecules: Sequence[Molecule]) -> GroupCounts:
        """Count every group in every molecule; see `GroupCounts`."""
        return self.count_batch(Batch.of(molecule.graph for molecule in molecules))

    def count_batch(self, batch: Batch) -> GroupCounts:
        """Count every group in a batch; open ends ``*`` are neighbours but are never claimed."""
        matcher = Matcher(batch)
        counts = np.zeros((len(self.groups), batch.n_molecules), dtype=np.int64)
        free: NDArray[np.bool_] = np.array(batch.number > 0, dtype=bool)
        contested = np.zeros(batch.n_atoms, dtype=bool)
        for column, group in enumerate(self.groups):
            if group.level == "count":
                counts[column] = COUNTS[group.pattern](batch)
                continue
            pattern = self._patterns[group.name]
            if group.level == "second":
                rows = matcher.unique(pattern)
            else:
                rows = _claim(matcher.unique(pattern, free), free, contested)
            if len(rows):
                counts[column] = batch.per_molecule(rows[:, 0])
        return GroupCounts(self.names, np.ascontiguousarray(counts.T), batch, free, contested)


def _claim(rows: NDArray[np.int64], free: NDArray[np.bool_], contested: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Take matches that share no atom, first ones first; mark their atoms in `free` and rivals in
    `contested`."""
    if rows.shape[1] > 1 and len(rows):
        wanted = np.bincount(rows.ravel(), minlength=len(free))
        rivals = (wanted[rows] > 1).any(axis=1)
        if rivals.any():
            keep = np.array(~rivals, dtype=bool)
            for row in np.flatnonzero(rivals):
                atoms = rows[row]
                contested[atoms[wanted[atoms] > 1]] = True
                if free[atoms].all():
                    keep[row] = True
                    free[atoms] = False
            rows = rows[keep]
    free[rows.ravel()] = False
    return rows


def count_groups(molecule: Molecule, table: GroupTable) -> GroupCounts:
    """Count the groups of one molecule.

    Parameters
    ----------
    molecule : Molecule
        From `hspkit.molecules.read_molecule`. [-]
    table : GroupTable
        Groups. [-]

    Returns
    -------
    GroupCounts
        Counts, atoms left over, atoms claimed twice. [-]

    Examples
    --------
    >>> from hspkit.molecules import read_molecule
    >>> table = GroupTable([Group("CF2", "first", "C(F)F"), Group("F", "first", "F")])
    >>> counted = count_groups(read_molecule("FC(F)F"), table)
    >>> counted.of(0), counted.left_over(0), counted.claimed_twice(0)
    ({'CF2': 1, 'F': 1}, (), ('F (atom 1)', 'CH (atom 2)', 'F (atom 3)', 'F (atom 4)'))
    """
    return table.count([molecule])
