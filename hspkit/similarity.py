"""How similar two structures are, and so how far what was learnt about one bears on the other.

Tables and group methods err in families: the parameters of all alkanes, or of all alkyl benzenes, are off by much the
same amount. So the deviation of the truth from the prior, in units of its standard deviation, is taken as correlated
between substances, with exp(-(1 - cosine)/length) of the counts of their atom surroundings (Morgan, radius 1). The
cosine leaves size out of account: homologues are alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from hspkit.frozen import Frozen

__all__ = ["correlation", "surroundings"]

Array = NDArray[np.float64]


@cache
def surroundings(smiles: str) -> Frozen[int, int]:
    """Return how often each atom surrounding of radius 1 occurs in a structure.

    References
    ----------
    D. Rogers, M. Hahn, J. Chem. Inf. Model. 50 (2010) 742-754 (circular fingerprints).

    Examples
    --------
    >>> sorted(surroundings("CCO").values())
    [1, 1, 1, 1, 1, 1]
    """
    from rdkit import Chem
    from rdkit.Chem import rdFingerprintGenerator

    generator = rdFingerprintGenerator.GetMorganGenerator(radius=1, includeChirality=False)
    molecule = Chem.MolFromSmiles(smiles)
    if molecule is None:
        return Frozen()
    return Frozen(generator.GetCountFingerprint(molecule).GetNonzeroElements())


def correlation(first: Sequence[str], second: Sequence[str], length: float) -> Array:
    """Return exp(-(1 - cosine)/length) between structures, shape (len(first), len(second)). [-]

    Parameters
    ----------
    first, second : sequence of str
        Structures as SMILES. [-]
    length : float
        Length of the decay. [-]

    Examples
    --------
    >>> correlation(["CCCCCC"], ["CCCCCCC", "c1ccccc1"], 0.15).round(2)
    array([[0.94, 0.  ]])
    """
    columns: dict[int, int] = {}
    for smiles in (*first, *second):
        for key in surroundings(smiles):
            columns.setdefault(key, len(columns))

    def counts(structures: Sequence[str]) -> Array:
        found = np.zeros((len(structures), len(columns)))
        for place, smiles in enumerate(structures):
            for key, count in surroundings(smiles).items():
                found[place, columns[key]] = count
        norm = np.linalg.norm(found, axis=1, keepdims=True)
        return found / np.where(norm > 0, norm, 1.0)

    cosine = counts(first) @ counts(second).T
    return np.exp(-(1.0 - np.clip(cosine, 0.0, 1.0)) / length)
