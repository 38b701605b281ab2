"""A batch of molecules as flat arrays, so that one numpy operation treats thousands of molecules.

Atoms of all molecules stand one after the other; bonds are directed and sorted by their first atom. Getting the
arrays out of a parsed molecule costs about a quarter of parsing it; everything after that is vectorised.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rdkit import Chem
from rdkit.Chem import rdMolDescriptors

__all__ = ["Batch"]

#: What the invariant of an atom says: element, connections, hydrogens, charge. It is the same number for the same
#: kind of atom in every molecule, so each kind is looked at once per process.
_KINDS: dict[int, tuple[int, int, int, int]] = {}
#: Codes of bond orders: single, double, triple, aromatic.
SINGLE, DOUBLE, TRIPLE, AROMATIC = 1, 2, 3, 4
_ORDER_CODE = np.zeros(8, dtype=np.int8)
_ORDER_CODE[[2, 4, 6, 3]] = (SINGLE, DOUBLE, TRIPLE, AROMATIC)  # index is twice the bond order


class Batch:
    """Atoms, bonds and rings of several molecules.

    Parameters
    ----------
    graphs : sequence of rdkit.Chem.Mol
        Sanitised molecules with implicit hydrogens. [-]

    Attributes
    ----------
    offsets : ndarray of shape (n_molecules + 1,)
        Where the atoms of each molecule start. [-]
    molecule : ndarray of shape (n_atoms,)
        Molecule of each atom. [-]
    number, connections, hydrogens, charge, degree, ring_count, ring_size : ndarray of shape (n_atoms,)
        Element, neighbours with hydrogens, hydrogens, formal charge, neighbours without hydrogens, rings the atom
        is in and size of the smallest (0 outside rings). [-]
    aromatic : ndarray of bool, shape (n_atoms,)
        Whether the atom is aromatic. [-]
    source, target, order, ring_bond : ndarray of shape (n_directed_bonds,)
        Directed bonds sorted by source; order code; whether the bond is in a ring. [-]
    start : ndarray of shape (n_atoms + 1,)
        Where the bonds of each atom start. [-]

    Examples
    --------
    >>> batch = Batch([Chem.MolFromSmiles("CCO"), Chem.MolFromSmiles("c1ccccc1")])
    >>> batch.offsets.tolist(), batch.degree[:3].tolist()
    ([0, 3, 9], [1, 2, 1])
    """

    def __init__(self, graphs: Sequence[Any]) -> None:
        self.graphs = graphs
        sizes = np.fromiter((graph.GetNumAtoms() for graph in graphs), dtype=np.int64, count=len(graphs))
        self.sizes = sizes
        self.offsets = np.concatenate([[0], np.cumsum(sizes)])
        self.n_molecules = len(graphs)
        self.n_atoms = int(self.offsets[-1])
        self.molecule = np.repeat(np.arange(len(graphs)), sizes)
        self._read_atoms()
        self._read_bonds()
        self._read_rings()

    def _read_atoms(self) -> None:
        keys: list[int] = []
        invariants = rdMolDescriptors.GetConnectivityInvariants
        for graph in self.graphs:
            keys += invariants(graph)
        unique, first, inverse = np.unique(
            np.array(keys, dtype=np.int64), return_index=True, return_inverse=True
        )
        kinds = np.empty((len(unique), 4), dtype=np.int16)
        for row, (key, position) in enumerate(zip(unique.tolist(), first.tolist(), strict=True)):
            if key not in _KINDS:
                which = int(self.molecule[position])
                atom = self.graphs[which].GetAtomWithIdx(position - int(self.offsets[which]))
                _KINDS[key] = (
                    atom.GetAtomicNum(),
                    atom.GetTotalDegree(),
                    atom.GetTotalNumHs(),
                    atom.GetFormalCharge(),
                )
            kinds[row] = _KINDS[key]
        self.number, self.connections, self.hydrogens, self.charge = kinds[inverse.reshape(-1)].T.copy()

    def _read_bonds(self) -> None:
        if not self.n_atoms:
            self.source = self.target = np.empty(0, dtype=np.int64)
            self.order = np.empty(0, dtype=np.int8)
        else:
            matrix = Chem.GetAdjacencyMatrix
            cells = np.concatenate([matrix(graph, True).ravel() for graph in self.graphs])
            places = np.flatnonzero(cells)
            squares = self.sizes**2
            corner = np.cumsum(squares) - squares
            which = np.repeat(np.arange(self.n_molecules), squares)[places]
            inside = places - corner[which]
            size, offset = self.sizes[which], self.offsets[:-1][which]
            self.source = offset + inside // size
            self.target = offset + inside % size
            self.order = _ORDER_CODE[(2 * cells[places]).astype(np.int64)]
        self.degree = np.bincount(self.source, minlength=self.n_atoms)
        self.start = np.concatenate([[0], np.cumsum(self.degree)])
        self.aromatic = np.zeros(self.n_atoms, dtype=bool)
        self.aromatic[self.source[self.order == AROMATIC]] = True

    def _read_rings(self) -> None:
        rings: list[int] = []
        lengths: list[int] = []
        owners: list[int] = []
        for row, graph in enumerate(self.graphs):
            for ring in graph.GetRingInfo().AtomRings():
                rings += ring
                lengths.append(len(ring))
                owners.append(row)
        length = np.array(lengths, dtype=np.int64)
        owner = np.array(owners, dtype=np.int64)
        members = np.array(rings, dtype=np.int64) + np.repeat(self.offsets[:-1][owner], length)
        self.ring_length, self.ring_molecule = length, owner
        self.ring_start = np.concatenate([[0], np.cumsum(length)])
        self.ring_members = members
        self.ring_count = np.bincount(members, minlength=self.n_atoms)
        self.ring_size = np.zeros(self.n_atoms, dtype=np.int64)
        order = np.argsort(-np.repeat(length, length), kind="stable")
        self.ring_size[members[order]] = np.repeat(length, length)[order]  # smallest written last
        following = np.roll(members, -1)
        if length.size:
            following[self.ring_start[1:] - 1] = members[self.ring_start[:-1]]
        both = np.concatenate([members * self.n_atoms + following, following * self.n_atoms + members])
        self.ring_bond = np.isin(self.source * self.n_atoms + self.target, both)

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
