"""The free energy close to a mixture: its spinodal index, and the fluctuation that is nearest to unmixing."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.energy import Feed
from hspkit.phases.mixture import Array

__all__ = ["Shape", "largest", "largest_mode"]

#: Share by which variances are enlarged before their matrix is factored, which rounding may have made indefinite; and
#: the variance of what does not vary.
_JITTER, _NOTHING = 1e-13, 1e-300
#: An index below this is rounding: nothing differs enough to unmix.
_LEAST = 1e-12


def _root(spread: Array) -> Array:
    """Return a factor F of C = F F' (b, k, k), also where some coordinates do not vary."""
    index = np.arange(spread.shape[-1])
    varied = spread.copy()
    varied[:, index, index] = varied[:, index, index] * (1.0 + _JITTER) + _NOTHING
    return np.asarray(np.linalg.cholesky(varied), dtype=np.float64)


def _index(values: Array) -> Array:
    """Return the largest eigenvalues (b,), 0 where there are none but of what does not vary."""
    return np.where(values[..., -1] > _LEAST, values[..., -1], 0.0)


def largest(spread: Array, worth: Array) -> Array:
    """Return the largest eigenvalue L (b,) of S C, 0 where none is positive."""
    root = _root(spread)
    return _index(np.linalg.eigvalsh(np.matmul(root.swapaxes(-1, -2), np.matmul(worth, root))))


def largest_mode(spread: Array, worth: Array) -> tuple[Array, Array]:
    """Return the largest eigenvalue L (b,) of S C and its fields g (b, r + 2), S C g = L g; 0 without one."""
    root = _root(spread)
    values, vectors = np.linalg.eigh(np.matmul(root.swapaxes(-1, -2), np.matmul(worth, root)))
    index = _index(values)
    mode = np.matmul(worth, np.matmul(root, vectors[..., -1:]))[..., 0]
    return index, np.where(index[:, None] > 0, mode, 0.0)


class Shape(NamedTuple):
    """The free energy close to mixtures: covariance (b, r + 2, r + 2), index ``local`` and mode (b, r + 2)."""

    spread: Array
    local: Array
    mode: Array

    @classmethod
    def of(cls, feed: Feed) -> Shape:
        spread, worth = feed.curvature()
        local, mode = largest_mode(spread, worth)
        return cls(spread, local, mode)

    @property
    def scale(self) -> Array:
        """How much of each field makes the same change of composition (b, r + 2)."""
        return np.sqrt(np.maximum(self.spread.diagonal(axis1=-2, axis2=-1), 0.0))

    def at(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> Shape:
        return Shape(*(part[rows] for part in self))
