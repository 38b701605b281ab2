"""A batch of molecules as flat arrays, so that one numpy operation treats thousands of molecules.

Atoms of all molecules stand one after the other; bonds are directed and sorted by their first atom. Getting
the arrays out of a parsed molecule costs about a quarter of parsing it; everything after that is vectorised.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import count
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rdkit import Chem
from rdkit.Chem import rdMolDescriptors

__all__ = ["Batch", "Gatherer"]

#: What the invariant of an atom says: element, connections, hydrogens, charge. It is the same number for the
#: same kind of atom in every molecule, so each kind is looked at once per process, and numbered.
_KINDS: dict[int, tuple[int, int, int, int]] = {}
_NUMBERS: dict[int, int] = {}
_COUNTER = count()
#: Codes of bond orders: single, double, triple, aromatic.
SINGLE, DOUBLE, TRIPLE, AROMATIC = 1, 2, 3, 4
_ORDER_CODE = np.zeros(8, dtype=np.int8)
_ORDER_CODE[[2, 4, 6, 3]] = (SINGLE, DOUBLE, TRIPLE, AROMATIC)  # index is twice the bond order


class Gatherer:
    """Takes what the arrays need out of one molecule after the other, so that no molecule need be kept.

    Examples
    --------
    >>> gatherer = Gatherer()
    >>> gatherer.add(Chem.MolFromSmiles("CCO"))
    >>> gatherer.batch().degree.tolist()
    [1, 2, 1]
    """

    def __init__(self) -> None:
        self.sizes: list[int] = []
        self.kinds: list[int] = []
        self.cells: list[Any] = []
        self.rings: list[int] = []
        self.ring_lengths: list[int] = []
        self.ring_owners: list[int] = []

    def add(self, graph: Any) -> None:
        """Take one molecule: kinds of its atoms, its bond matrix, its rings."""
        keys = rdMolDescriptors.GetConnectivityInvariants(graph)
        try:
            self.kinds += [_NUMBERS[key] for key in keys]
        except KeyError:
            self.kinds += _learn_kinds(graph, keys)
        self.cells.append(Chem.GetAdjacencyMatrix(graph, True).ravel())
        info = graph.GetRingInfo()
        for ring in info.AtomRings() if info.NumRings() else ():
            self.rings += ring
            self.ring_lengths.append(len(ring))
            self.ring_owners.append(len(self.sizes))
        self.sizes.append(len(keys))

    def batch(self) -> Batch:
        """Return the arrays of all molecules taken so far."""
        return Batch(self)


def _learn_kinds(graph: Any, keys: Sequence[int]) -> list[int]:
    """Number the kinds of atoms not met before; return the number of each atom's kind."""
    for index, key in enumerate(keys):
        if key not in _NUMBERS:
            atom = graph.GetAtomWithIdx(index)
            number = next(_COUNTER)  # two threads may number a kind twice, but never two kinds alike
            _KINDS[number] = (
                atom.GetAtomicNum(),
                atom.GetTotalDegree(),
                atom.GetTotalNumHs(),
                atom.GetFormalCharge(),
            )
            _NUMBERS[key] = number
    return [_NUMBERS[key] for key in keys]


class Batch:
    """Atoms, bonds and rings of several molecules.

    Parameters
    ----------
    gatherer : Gatherer
        What was taken from the molecules; `Batch.of` does both steps. [-]

    Attributes
    ----------
    offsets : ndarray of shape (n_molecules + 1,)
        Where the atoms of each molecule start. [-]
    molecule : ndarray of shape (n_atoms,)
        Molecule of each atom. [-]
    number, connections, hydrogens, charge, degree, ring_count, ring_size : ndarray of shape (n_atoms,)
        Element, neighbours with hydrogens, hydrogens, formal charge, neighbours without hydrogens, rings the
        atom is in and size of the smallest (0 outside rings). [-]
    aromatic : ndarray of bool, shape (n_atoms,)
        Whether the atom is aromatic. [-]
    source, target, order, ring_bond : ndarray of shape (n_directed_bonds,)
        Directed bonds sorted by source; order code; whether the bond is in a ring. [-]
    start : ndarray of shape (n_atoms + 1,)
        Where the bonds of each atom start. [-]

    Examples
    --------
    >>> batch = Batch.of([Chem.MolFromSmiles("CCO"), Chem.MolFromSmiles("c1ccccc1")])
    >>> batch.offsets.tolist(), batch.degree[:3].tolist()
    ([0, 3, 9], [1, 2, 1])
    """

    def __init__(self, gatherer: Gatherer) -> None:
        self.sizes = np.array(gatherer.sizes, dtype=np.int64)
        self.offsets = np.concatenate([[0], np.cumsum(self.sizes)])
        self.n_molecules = len(self.sizes)
        self.n_atoms = int(self.offsets[-1])
        self.molecule = np.repeat(np.arange(self.n_molecules), self.sizes)
        self._set_atoms(np.array(gatherer.kinds, dtype=np.int64))
        self._set_bonds(gatherer.cells)
        self._set_rings(gatherer)

    @classmethod
    def of(cls, graphs: Iterable[Any]) -> Batch:
        """Return the arrays of sanitised RDKit molecules with implicit hydrogens."""
        gatherer = Gatherer()
        for graph in graphs:
            gatherer.add(graph)
        return gatherer.batch()

    def _set_atoms(self, kinds: NDArray[np.int64]) -> None:
        atoms = np.bincount(kinds)
        table = np.zeros((4, len(atoms)), dtype=np.int16)
        for kind in np.flatnonzero(atoms).tolist():
            table[:, kind] = _KINDS[kind]
        self.number, self.connections, self.hydrogens, self.charge = table[:, kinds]

    def _set_bonds(self, matrices: list[Any]) -> None:
        cells = np.concatenate(matrices) if matrices else np.empty(0)
        places = np.flatnonzero(cells != 0)  # truth values are searched faster than numbers
        squares = self.sizes**2
        corner = np.cumsum(squares) - squares
        which = np.repeat(np.arange(self.n_molecules), squares)[places]
        inside = places - corner[which]
        size, offset = self.sizes[which], self.offsets[:-1][which]
        row = inside // size
        self.source = offset + row
        self.target = offset + inside - row * size
        self.order = _ORDER_CODE[(2 * cells[places]).astype(np.int64)]
        self.degree = np.bincount(self.source, minlength=self.n_atoms)
        self.start = np.concatenate([[0], np.cumsum(self.degree)])
        self.aromatic = np.zeros(self.n_atoms, dtype=bool)
        self.aromatic[self.source[self.order == AROMATIC]] = True

    def _set_rings(self, gatherer: Gatherer) -> None:
        length = np.array(gatherer.ring_lengths, dtype=np.int64)
        owner = np.array(gatherer.ring_owners, dtype=np.int64)
        lengths = np.repeat(length, length)
        members = np.array(gatherer.rings, dtype=np.int64) + np.repeat(self.offsets[:-1][owner], length)
        self.ring_length, self.ring_molecule = length, owner
        self.ring_start = np.concatenate([[0], np.cumsum(length)])
        self.ring_members = members
        self.ring_count = np.bincount(members, minlength=self.n_atoms)
        self.ring_size = np.zeros(self.n_atoms, dtype=np.int64)
        order = np.argsort(-lengths, kind="stable")
        self.ring_size[members[order]] = lengths[order]  # smallest written last
        following = np.roll(members, -1)
        if length.size:
            following[self.ring_start[1:] - 1] = members[self.ring_start[:-1]]
        self.ring_bond = np.zeros(len(self.source), dtype=bool)
        bonds = self.source * self.n_atoms + self.target  # sorted
        for one, two in ((members, following), (following, members)):
            self.ring_bond[np.searchsorted(bonds, one * self.n_atoms + two)] = True

    def per_molecule(self, atoms: NDArray[np.int64]) -> NDArray[np.int64]:
        """Count atoms in each molecule; shape (n_molecules,). [-]

        Parameters
        ----------
        atoms : ndarray of shape (n,)
            Indices of atoms of the batch; repeats count. [-]
        """
        return np.bincount(self.molecule[atoms], minlength=self.n_molecules)

    def label(self, atom: int) -> str:
        """Name one atom for a message: symbol, hydrogens and position in its molecule from 1. [-]"""
        which = int(self.molecule[atom])
        symbol = Chem.GetPeriodicTable().GetElementSymbol(int(self.number[atom]))
        hydrogens = int(self.hydrogens[atom])
        tail = "" if not hydrogens else "H" if hydrogens == 1 else f"H{hydrogens}"
        return f"{symbol}{tail} (atom {atom - int(self.offsets[which]) + 1})"
