"""How alike two molecules are, as far as Hansen parameters go.

Two molecules are alike when they share groups (the share of groups that they have in common, polar groups
counting more than hydrocarbon ones) and when they resemble each other in size, polarity, ring and
unsaturation content. The likeness is a positive definite function, so it can serve as a covariance; of a
molecule with itself it is `BASE` + 1.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.groups import Batch

__all__ = ["Anchors", "describe", "is_other"]

#: Groups are compared up to this count; beyond it two chains are alike as far as groups go.
MOST_ALIKE = 6
#: Likeness that remains between molecules of equal composition without a common group.
BASE = 0.4
#: Root mean square difference of the standardised descriptors at which likeness has fallen to two thirds.
REACH = 0.5
DESCRIPTORS = (
    "log volume", "volume per atom", "donor hydrogens per volume", "oxygen per volume", "nitrogen per volume",
    "halogen per volume", "rings per atom", "aromatic share", "unsaturated share",
)  # fmt: skip

Floats = NDArray[np.float32]


def is_other(batch: Batch) -> NDArray[np.bool_]:
    """Whether a molecule holds elements other than C, H and O; shape (n,). [-]"""
    return batch.per_molecule(np.flatnonzero((batch.number != 6) & (batch.number != 8))) > 0


def describe(batch: Batch, volume: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the descriptors of `DESCRIPTORS`; shape (n, 9).

    Parameters
    ----------
    batch : Batch
        Molecules. [-]
    volume : ndarray of shape (n,)
        Molar volumes. [cm3/mol]
    """
    number = batch.number

    def total(mask: NDArray[np.bool_], amount: NDArray[np.int16] | None = None) -> NDArray[np.float64]:
        weights = None if amount is None else amount[mask]
        return np.bincount(batch.molecule[mask], weights=weights, minlength=batch.n_molecules).astype(float)

    heavy = np.maximum(batch.sizes, 1)
    polar = (number == 7) | (number == 8) | (number == 16)
    unsaturated = batch.aromatic.copy()
    unsaturated[batch.source[batch.order == 2]] = True
    halogen = (number == 9) | (number == 17) | (number == 35) | (number == 53)
    rings = np.bincount(batch.ring_molecule, minlength=batch.n_molecules)
    return np.column_stack(
        [
            np.log(volume),
            volume / heavy,
            100.0 * total(polar, batch.hydrogens) / volume,
            100.0 * total(number == 8) / volume,
            100.0 * total(number == 7) / volume,
            100.0 * total(halogen) / volume,
            rings / heavy,
            total(batch.aromatic) / heavy,
            total(unsaturated) / heavy,
        ]
    )


class Scaling(NamedTuple):
    """Centre and spread of each descriptor over the known molecules. Shapes (9,)."""

    centre: NDArray[np.float64]
    spread: NDArray[np.float64]


class Anchors:
    """The known molecules, prepared for comparison with many others.

    Parameters
    ----------
    counts : ndarray of shape (m, n_groups)
        Groups of the known molecules. [-]
    descriptors : ndarray of shape (m, 9)
        From `describe`. [-]
    importance : ndarray of shape (n_groups,)
        How much a group in common counts. [-]
    scaling : Scaling, optional
        Default: that of the known molecules. [-]
    """

    def __init__(
        self,
        counts: NDArray[np.int64],
        descriptors: NDArray[np.float64],
        importance: NDArray[np.float64],
        scaling: Scaling | None = None,
    ) -> None:
        if scaling is None:
            spread = descriptors.std(axis=0)
            scaling = Scaling(descriptors.mean(axis=0), np.where(spread > 0, spread, 1.0))
        self.scaling = scaling
        self.importance = importance
        capped = np.minimum(counts, MOST_ALIKE)
        most = np.where(importance > 0, capped.max(axis=0, initial=0), 0)
        # min(a, b) summed over groups is the number of steps both have taken: a product of step matrices
        self._group = np.repeat(np.arange(len(most)), most)
        self._level = np.concatenate([np.arange(1, top + 1) for top in most]) if len(most) else np.empty(0)
        self._weight = np.sqrt(importance[self._group]).astype(np.float32)
        self._steps = self._ladder(counts)
        self._mass = (capped @ importance).astype(np.float32)
        self._place, self._norm = self._position(descriptors)

    def _ladder(self, counts: NDArray[np.int64]) -> Floats:
        return (counts[:, self._group] >= self._level) * self._weight

    def _position(self, descriptors: NDArray[np.float64]) -> tuple[Floats, Floats]:
        scale = self.scaling.spread * REACH * np.sqrt(2.0 * len(DESCRIPTORS))
        place = (descriptors - self.scaling.centre) / scale
        return place.astype(np.float32), (place**2).sum(axis=1).astype(np.float32)

    def likeness(self, counts: NDArray[np.int64], descriptors: NDArray[np.float64]) -> Floats:
        """Return the likeness of other molecules to the known ones; shape (n, m). [-]"""
        common = self._ladder(counts) @ self._steps.T
        mass = (np.minimum(counts, MOST_ALIKE) @ self.importance).astype(np.float32)
        union = mass[:, None] + self._mass[None, :]
        union -= common
        np.maximum(union, np.float32(1e-6), out=union)
        common /= union
        common += np.float32(BASE)
        place, norm = self._position(descriptors)
        apart = place @ self._place.T
        apart *= np.float32(-2.0)
        apart += norm[:, None]
        apart += (self._norm + np.float32(1.0))[None, :]
        np.maximum(apart, np.float32(1.0), out=apart)
        common /= apart
        return common
