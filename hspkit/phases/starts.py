"""Where the search for a trial phase sets out: towards components, along fluctuations, close by.

``along`` (b, r) is everywhere the tilt along the largest fluctuation of composition, of the length at which an
ordinary trial phase lies.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.mixture import Array, dual, squared
from hspkit.phases.tilts import Tilting, times

__all__ = ["close_by", "every", "few"]

#: Trials of a first look: towards so many components, as different as possible.
_COMPONENTS = 4
#: Trials of a full search that set out towards components, as different as possible, but close to the mixture.
_CLOSE_COMPONENTS = 6
#: Tilt of the trials that set out close to the mixture, as a share of the usual one.
_SHORT = 0.1
#: Least interaction reckoned with when setting out for a component, as a share of its squared difference.
_LEAST_GAIN = 0.05


def few(field: Tilting, along: Array) -> Array:
    """Return the tilts (b, s, r) of a first look, which finds the best trial phase of nearly every mixture."""
    towards = _towards(field, _unlike(field, _COMPONENTS))
    return np.concatenate([towards, _both_ways(along), close_by(field, along)], axis=1)


def every(field: Tilting, along: Array) -> Array:
    """Return the tilts (b, s, r) of a full search: towards all components, far and near."""
    count, n = field.phi.shape
    whole = _towards(field, np.broadcast_to(np.arange(n), (count, n)))
    near = _SHORT * np.take_along_axis(whole, _unlike(field, _CLOSE_COMPONENTS)[..., None], axis=1)
    return np.concatenate([whole, _both_ways(along), close_by(field, along), near], axis=1)


def close_by(field: Tilting, along: Array) -> Array:
    """Return tilts (b, 2, r) that set out close to the mixture, for the maxima that lie there.

    Large molecules answer to tilts at which small ones hardly move: a swollen polymer, or a family of large
    molecules that gathers, pays most much nearer than any pure component, and a longer tilt leaps over it.
    Close by, the ratio is L (1 + s t + ...) along the largest fluctuation, with s the third cumulant: one trial
    sets out to the side on which that rises. Where the large molecules are so scarce that they do not show in
    the fluctuation, the way is towards the largest: the other trial.
    """
    offset = field.points - field.mean[:, None, :]
    reach = times(along[:, None, :], (offset - field.centre[:, None, :]).transpose(0, 2, 1))[:, 0]
    skewed = (field.phi * field.volumes**2 * reach**3).sum(axis=-1)
    largest = np.where(field.present, field.volumes, 0.0).argmax(axis=-1)
    towards = _towards(field, largest[:, None])[:, 0]
    return _SHORT * np.stack([np.where(skewed < 0, -1.0, 1.0)[:, None] * along, towards], axis=1)


def _both_ways(along: Array) -> Array:
    """Both ways along the largest fluctuation lie the phases of mixtures close to critical."""
    return np.stack([along, -along], axis=1)


def _unlike(field: Tilting, most: int) -> NDArray[np.intp]:
    """Return components (b, s), ordered so that each is as unlike those before as can be."""
    count, n = field.phi.shape
    points = field.points
    nearest = np.where(field.present, _apart(points - field.mean[:, None, :]), -1.0)
    rows = np.arange(count)
    chosen = []
    for _ in range(min(n, most)):
        pick = nearest.argmax(axis=-1)
        chosen.append(pick)
        centre = points[0][pick] if points.shape[0] == 1 else points[rows, pick]
        nearest = np.minimum(nearest, _apart(points - centre[:, None, :]))
        nearest[rows, pick] = -1.0
    return np.stack(chosen, axis=-1)


def _apart(offset: Array) -> Array:
    """Return how unlike (...) differences of coordinates (..., r) are, attracting or not."""
    return np.asarray(np.einsum("...r,...r->...", offset, offset))


def _towards(field: Tilting, picks: NDArray[np.intp]) -> Array:
    """Return tilts (b, s, r) towards components (b, s), of the length that pays for the pure liquid."""
    rows = np.arange(picks.shape[0])[:, None]
    points = field.points[0][picks] if field.points.shape[0] == 1 else field.points[rows, picks]
    sizes = field.volumes[0][picks] if field.volumes.shape[0] == 1 else field.volumes[rows, picks]
    own = field.phi[rows, picks]
    offset = points - field.mean[:, None, :]
    # a component that the mixture attracts gains nothing; a tilt of ordinary length goes there all the same
    distance = np.maximum(np.maximum(squared(offset), _LEAST_GAIN * _apart(offset)), 1e-12)
    # cost of the pure component as a trial phase; the tilt that would balance it
    cost = np.where(own > 0, (-np.log(np.maximum(own, 1e-300)) - 1.0) / sizes + field.moles[:, None], 0.0)
    return dual(offset) * (2.0 * cost / distance)[..., None]
