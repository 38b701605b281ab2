"""Homologous series and scaffolds: what must stay together when molecules are dealt to folds."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rdkit import Chem
from rdkit.Chem.Scaffolds import MurckoScaffold

__all__ = ["deal", "folds_of", "scaffold_of", "series_of"]


def series_of(graph: Any) -> str:
    """Return a key shared by homologues: the constitution with runs of CH2 in chains drawn together.

    Examples
    --------
    >>> butanol, octanol = Chem.MolFromSmiles("CCCCO"), Chem.MolFromSmiles("CCCCCCCCO")
    >>> series_of(butanol) == series_of(octanol)
    True
    """
    work = Chem.RWMol(graph)

    def in_chain(atom: Any) -> bool:
        return bool(
            atom.GetSymbol() == "C" and not atom.IsInRing() and atom.GetTotalNumHs() == 2 and atom.GetDegree() == 2
        )

    while True:
        for atom in work.GetAtoms():
            if in_chain(atom) and any(in_chain(neighbour) for neighbour in atom.GetNeighbors()):
                one, two = (neighbour.GetIdx() for neighbour in atom.GetNeighbors())
                work.AddBond(one, two, Chem.BondType.SINGLE)
                work.RemoveAtom(atom.GetIdx())
                Chem.SanitizeMol(work)
                break
        else:
            return str(Chem.MolToSmiles(work, isomericSmiles=False))


def scaffold_of(graph: Any) -> str:
    """Return the ring scaffold (Bemis-Murcko); for a molecule without rings its series, so that chains do
    not lump.

    Examples
    --------
    >>> scaffold_of(Chem.MolFromSmiles("CCc1ccccc1O"))
    'c1ccccc1'
    """
    scaffold = MurckoScaffold.MurckoScaffoldSmiles(mol=graph, includeChirality=False)
    return scaffold or series_of(graph)


def deal(keys: Sequence[str], folds: int, random_state: Any) -> NDArray[np.int64]:
    """Deal keys to folds at random; equal keys go to the same fold. Shape (n,). [-]

    Examples
    --------
    >>> deal(["a", "b", "a"], 2, 0).tolist() in ([0, 1, 0], [1, 0, 1])
    True
    """
    unique = sorted(set(keys))
    order = np.random.default_rng(random_state).permutation(len(unique))
    fold = {key: int(order[row]) % folds for row, key in enumerate(unique)}
    return np.array([fold[key] for key in keys], dtype=np.int64)


def folds_of(graphs: Sequence[Any], folds: int, random_state: Any) -> NDArray[np.int64]:
    """Deal molecules to folds with homologues kept together. Shape (n,). [-]"""
    return deal([series_of(graph) for graph in graphs], folds, random_state)
