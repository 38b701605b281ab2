"""Where searches for trial phases set out."""

from __future__ import annotations

import numpy as np

from hspkit.phases.association import dot
from hspkit.phases.curvature import Shape
from hspkit.phases.energy import Feed
from hspkit.phases.mixture import Array

__all__ = ["along_fluctuation", "implied", "nearer_starts", "starts_of", "within"]

#: Starts along the largest fluctuation, as shares of the ordinary length.
_LENGTHS = np.array([1.0, -1.0, 0.1, -0.1])
#: Shares of a pure component in the phases on the way to it; the best of them is a start.
_WAY = np.array([0.03, 0.15, 0.4, 0.7, 0.93, 1.0])
#: Length of the starts of a second search, and once more.
_SECOND_LENGTH = 0.4
#: Components that a first search sets out to.
_FEW = 6
#: Share of A and D that a start takes at most.
_MOST_LOST = 0.8
#: Bounds of the index of such a phase.
_START_INDEX = (0.1, 20.0)


def _towards_components(feed: Feed, most: int) -> Array:
    """Return the fields (b, s, r + 3) of the best phases on the ways from the mixture to pure components.

    Those of at most so many components, of the largest indices.
    """
    count, n = feed.fractions.shape
    r = feed.rank
    phases = feed.towards_components(_WAY)
    with np.errstate(divide="ignore", invalid="ignore"):
        index = np.where((phases.gain > 0) & (phases.cost > 0), phases.gain / phases.cost, 0.0)
    by_component = index.reshape(count, _WAY.size, n)
    pick = by_component.argmax(axis=1) * n + np.arange(n)
    rows = np.arange(count)[:, None]
    if most < n:
        order = np.argsort(-by_component.max(axis=1), axis=1, kind="stable")[:, :most]
        pick, n = np.take_along_axis(pick, order, axis=1), most
    kappa = 1.0 / np.clip(index[rows, pick], *_START_INDEX)
    fields = np.empty((count, n, r + 3))
    fields[..., :r] = 2.0 * kappa[..., None] * phases.shift[rows, pick]
    fields[..., r : r + 2] = phases.bonds[rows, pick]
    fields[..., r + 2] = kappa
    return fields


def implied(feed: Feed, compositions: Array) -> Array:
    """Return the fields (b, k, r + 3) that phases of known compositions (b, k, n) imply."""
    phases = feed.phases(compositions)
    ratio = np.where((phases.gain > 0) & (phases.cost > 0), phases.cost / phases.gain, 1.0)
    kappa = np.clip(ratio, 1.0 / _START_INDEX[1], 1.0 / _START_INDEX[0])[..., None]
    return np.concatenate([2.0 * kappa * phases.shift, phases.bonds, kappa], axis=-1)


def starts_of(feed: Feed, shape: Shape, most: int = _FEW) -> Array:
    """Return fields (b, s, r + 3): towards the components that promise most, and along the largest fluctuation."""
    return np.concatenate([_towards_components(feed, most), along_fluctuation(feed, shape)], axis=1)


def nearer_starts(feed: Feed, shape: Shape) -> Array:
    """Return fields (b, s, r + 3) towards every component and along the largest fluctuation, at two lengths."""
    fields = starts_of(feed, shape, feed.fractions.shape[-1])
    fields[..., :-1] *= _SECOND_LENGTH
    nearer = fields.copy()
    nearer[..., :-1] *= _SECOND_LENGTH
    return np.concatenate([fields, nearer], axis=1)


def along_fluctuation(feed: Feed, shape: Shape) -> Array:
    """Return fields (b, 4, r + 3) both ways along the largest fluctuation of composition, far and close by."""
    r = feed.rank
    mode = shape.mode
    size = dot(mode, np.matmul(shape.spread, mode[..., None])[..., 0])
    along = mode * np.sqrt(feed.moles / np.maximum(size, 1e-300))[:, None]
    kappa = 1.0 / np.maximum(shape.local, 0.02)[:, None, None]
    fields = np.empty((len(along), 4, r + 3))
    fields[..., :-1] = _LENGTHS[:, None] * along[:, None, :]
    bonds = feed.bonds[:, None, :]
    fields[..., r : r + 2] = np.clip(fields[..., r : r + 2] / kappa, -_MOST_LOST * bonds, 4.0 * bonds + 1e-12)
    fields[..., r + 2 :] = kappa
    return fields


def within(feed: Feed, fields: Array) -> Array:
    """Return fields (b, s, r + 3), those of mixtures with more bonds maybe, such that A and D stay positive."""
    r = feed.rank
    fields = fields.copy()
    fields[..., r : r + 2] = np.maximum(fields[..., r : r + 2], -_MOST_LOST * feed.bonds[:, None, :])
    return fields
