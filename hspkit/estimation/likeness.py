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

__all__ = ["Anchors", "describe", "is_other", "summable"]

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

#: Likeness is a multiple of this, the scaled descriptors of `PLACE_GRAIN`, and a scaled descriptor lies within +-`FAR`,
#: where nothing is alike any more. Then float64 holds every sum of their products exactly, float32 every likeness.
GRAIN, PLACE_GRAIN, FAR = 2.0**-22, 2.0**-19, 20.0
#: Importances are whole multiples of one over this; float32 holds sums of them up to 16,777 groups in common exactly.
IMPORTANCE_PARTS = 1_000.0

Array = NDArray[np.float64]
Floats = NDArray[np.float32]


def is_other(batch: Batch) -> NDArray[np.bool_]:
    """Whether a molecule holds elements other than C, H and O; shape (n,). [-]"""
    return batch.per_molecule(np.flatnonzero((batch.number != 6) & (batch.number != 8))) > 0


def describe(batch: Batch, volume: Array) -> Array:
    """Return the descriptors of `DESCRIPTORS`; shape (n, 9).

    Parameters
    ----------
    batch : Batch
        Molecules. [-]
    volume : ndarray of shape (n,)
        Molar volumes. [cm3/mol]
    """
    number = batch.number

    def total(mask: NDArray[np.bool_], amount: NDArray[np.int16] | None = None) -> Array:
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

    centre: Array
    spread: Array


class Anchors:
    """The known molecules, prepared for comparison with many others.

    Every sum here is one of whole multiples of some unit, so small that floating point holds it exactly: it is the same
    on every processor, in whatever order a library adds it up, and does not depend on which other molecules are
    compared at the same time.

    Parameters
    ----------
    counts : ndarray of shape (m, n_groups)
        Groups of the known molecules. [-]
    descriptors : ndarray of shape (m, 9)
        From `describe`. [-]
    importance : ndarray of shape (n_groups,)
        How much a group in common counts; taken to three decimals. [-]
    scaling : Scaling, optional
        Default: that of the known molecules. [-]
    """

    def __init__(
        self,
        counts: NDArray[np.int64],
        descriptors: Array,
        importance: Array,
        scaling: Scaling | None = None,
    ) -> None:
        if scaling is None:
            spread = descriptors.std(axis=0)
            scaling = Scaling(descriptors.mean(axis=0), np.where(spread > 0, spread, 1.0))
        self.scaling = scaling
        self._importance = np.rint(importance * IMPORTANCE_PARTS)
        capped = np.minimum(counts, MOST_ALIKE)
        self._most = np.where(importance > 0, capped.max(axis=0, initial=0), 0)
        self._first = np.cumsum(self._most) - self._most
        # a row for each count of each group: what every known molecule has in common with that
        group = np.repeat(np.arange(len(self._most)), self._most)
        count = np.arange(len(group)) - self._first[group] + 1
        common = np.minimum(count[:, None], capped.T[group]) * self._importance[group, None]
        self._common = np.ascontiguousarray(common, dtype=np.float32)
        # without any group nothing is in common, whatever the mass: 1 keeps 0 / 0 away
        self._mass = np.maximum(capped @ self._importance, 1.0).astype(np.float32)
        place, norm = self._position(descriptors)
        self._place = np.vstack([-2.0 * place.T, np.ones(len(place)), norm + 1.0])

    def _position(self, descriptors: Array) -> tuple[Array, Array]:
        scale = self.scaling.spread * REACH * np.sqrt(2.0 * len(DESCRIPTORS))
        place = np.clip((descriptors - self.scaling.centre) / scale, -FAR, FAR)
        place = np.rint(place / PLACE_GRAIN) * PLACE_GRAIN
        return place, (place**2).sum(axis=1)

    def _groups_in_common(self, counts: NDArray[np.int64]) -> Floats:
        from scipy.sparse import csr_array  # a molecule has a handful of the groups: most of the product is zeros

        row, group = np.divmod(np.flatnonzero((counts > 0) & (self._most > 0)), counts.shape[1])
        which = self._first[group] + np.minimum(counts[row, group], self._most[group]) - 1
        starts = np.searchsorted(row, np.arange(len(counts) + 1))
        chosen = csr_array((np.ones(len(which), np.float32), which, starts), shape=(len(counts), len(self._common)))
        return np.asarray(chosen @ self._common)

    def likeness(self, counts: NDArray[np.int64], descriptors: Array) -> Floats:
        """Return the likeness of other molecules to the known ones, multiples of `GRAIN`; shape (n, m). [-]"""
        alike = self._groups_in_common(counts)
        mass = (np.minimum(counts, MOST_ALIKE) @ self._importance).astype(np.float32)
        union = mass[:, None] + self._mass
        union -= alike
        alike /= union
        alike += np.float32(BASE)
        place, norm = self._position(descriptors)
        apart = np.column_stack([place, norm, np.ones(len(place))]) @ self._place  # 1 + squared distance
        alike /= apart.astype(np.float32)
        alike *= np.float32(1.0 / GRAIN)
        np.rint(alike, out=alike)
        alike *= np.float32(GRAIN)
        return alike


def summable(weights: Array) -> Array:
    """Round weights of known molecules so that likenesses times weights add up exactly in any order; (m, k) -> (m, k).

    The largest error of a weight is some 1e-9 of the sum of all: less than the tables of the weights leave off.
    """
    _, exponent = np.frexp(np.abs(weights).sum(axis=0).max(initial=0.0))
    grain = np.ldexp(GRAIN, exponent - 8)  # sums of at most 1.4 / GRAIN times 2**30 grains: 53 bits hold them
    return np.rint(weights / grain) * grain
