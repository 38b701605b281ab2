"""The search for the trial phase that pays most for unmixing, under `stability`, `splitting`, `titration`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases import starts
from hspkit.phases.climb import MOST_STEPS, Trial, climb
from hspkit.phases.mixture import Array, Mixtures, metric, squared
from hspkit.phases.tilts import Tilting, covariance, modes

__all__ = [
    "Maxima",
    "any_above",
    "fluctuation",
    "follow",
    "glance",
    "maxima",
    "search",
    "verdicts",
]

#: Indices between which all components are tried before the verdict stands: wider than a few starts were seen to
#: fall short.
_DOUBT = (0.9, 1.0 + 1e-6)
_QUICK_STEPS = 15
#: A trial that wants to go so many times its tilt back through the mixture, to a maximum on the other side, would
#: only come down on the mixture itself in many small steps; other trials set out on that side.
_THROUGH = 12.0
#: Two maxima closer than this share of their tilt count as one.
_DISTINCT = 0.2


class Maxima(NamedTuple):
    """Maxima of one mixture, best first: tilts (k, r), and the best of all as a `Trial` of one row.

    None of them has a tilt, and the best is the mixture itself, when all trials come back to it.
    """

    tilts: Array
    best: Trial


def search(mixtures: Mixtures) -> Trial:
    """Return the best trial phase of each mixture.

    A few unlike starts show the way to the best trial phase of nearly every mixture: of 30,000 random ones of 2
    to 25 components they miss 8, and the index falls short there by 7 % at most. Where the verdict could still
    turn, all components are tried; against a plain search no verdict of 10,000 differs by more than 1e-6 of the
    interaction (tests/test_phases_stability.py).
    """
    return _twice(mixtures, climb(mixtures, _few, through=_THROUGH), np.inf)


def _twice(mixtures: Mixtures, found: Trial, enough: float) -> Trial:
    """Search again with all components where the verdict could still turn."""
    many = (mixtures.fractions > 0).sum(axis=-1) > 2
    rows = np.flatnonzero(many & (found.value > _DOUBT[0]) & (found.value < _DOUBT[1]))
    if rows.size:
        again = climb(
            mixtures.take(rows), _every, enough=enough, promise=enough if enough < np.inf else 0.0, through=_THROUGH
        )
        wins = again.value > found.value[rows]
        for old, new in zip(found, again, strict=True):
            old[rows[wins]] = new[wins]
    return found


def any_above(mixtures: Mixtures, enough: float, known: Array) -> Trial:
    """Return a trial phase whose index passes ``enough``, where there is one; else one that does not.

    All components are tried. Trials that come close to ``known`` maxima (b, s, r) are spared the rest of the way.
    """

    def setting_out(field: Tilting, along: Array, rows: NDArray[np.intp]) -> Array:
        return np.concatenate([known[rows], starts.every(field, along)], axis=1)

    return climb(mixtures, setting_out, enough=enough, promise=enough, through=_THROUGH)


def glance(mixtures: Mixtures) -> Trial:
    """Return a trial phase that makes a mixture unstable where there is an obvious one: a quick look."""
    return climb(mixtures, _few, enough=1.0, promise=1.0, through=_THROUGH, steps=_QUICK_STEPS)


def follow(mixtures: Mixtures, q: Array, steps: int = MOST_STEPS) -> Trial:
    """Climb from known tilts (b, s, r) only, such as those of a mixture close by."""
    return climb(mixtures, lambda _field, _along, rows: q[rows], steps=steps)


def _few(field: Tilting, along: Array, _: NDArray[np.intp]) -> Array:
    return starts.few(field, along)


def _every(field: Tilting, along: Array, _: NDArray[np.intp]) -> Array:
    return starts.every(field, along)


def maxima(mixture: Mixtures) -> Maxima:
    """Return all maxima of one mixture: a full search that keeps more than the best."""
    n, rank = mixture.fractions.shape[-1], mixture.points.shape[-1]
    values, vectors = modes(covariance(mixture))
    if n == 1 or values[0, -1] <= 1e-12:
        local = 2.0 * mixture.strength * np.maximum(values[:, -1], 0.0)
        return Maxima(np.zeros((0, rank)), Trial(local, np.zeros((1, rank)), np.zeros(1), mixture.fractions))
    field = Tilting(mixture)
    every = starts.every(field, vectors[:, :, -1] * np.sqrt(field.moles / values[:, -1])[:, None])[0]
    copies = mixture.take(np.zeros(len(every), dtype=np.intp))
    ends = climb(copies, lambda _field, _along, rows: every[rows, None, :], through=_THROUGH)
    kept: list[Array] = []
    order = np.argsort(-ends.value, kind="stable")
    for number in order:
        q = ends.direction[number]
        size = np.sqrt((q * q).sum())
        if size > 0 and all(np.sqrt(((q - other) ** 2).sum()) > _DISTINCT * size for other in kept):
            kept.append(q)
    return Maxima(np.array(kept).reshape(-1, rank), Trial(*(part[order[:1]] for part in ends)))


def fluctuation(mixtures: Mixtures) -> Trial:
    """Return trial phases along the largest fluctuation of locally unstable mixtures, as far as pays most.

    Where the ratio has its maximum at the mixture itself (a binary of critical composition) the search ends
    there, and there is no trial phase to start a split from.
    """
    values, vectors = modes(covariance(mixtures))
    field = Tilting(mixtures)
    along = vectors[:, None, :, -1] * np.sqrt(field.moles / np.maximum(values[:, -1], 1e-300))[:, None, None]
    sizes = 2.0 ** np.arange(-10, 4)
    q = along * np.concatenate([sizes, -sizes])[None, :, None]
    tilt = field.tilt(q)
    gain = field.strength[:, None] * squared(tilt.shift)
    rows, best = np.arange(q.shape[0]), (tilt.cost - gain).argmin(axis=-1)
    pressure = tilt.pressure[rows, best]
    index = gain[rows, best] / tilt.cost[rows, best]
    return Trial(index, q[rows, best], pressure, field.trial(q[rows, best], pressure))


def verdicts(mixtures: Mixtures) -> NDArray[np.bool_]:
    """Return the global verdict (b,), leaving each mixture as soon as its verdict is certain."""
    answer = np.ones(mixtures.fractions.shape[0], dtype=bool)
    # No trial phase can spread more than the two ends of the cloud of points: a bound that costs next to
    # nothing.
    present = mixtures.fractions > 0
    inside = np.where(present[..., None], mixtures.points, np.nan)
    extent = np.nanmax(inside, axis=-2) - np.nanmin(inside, axis=-2)
    extent = extent * (metric(extent.shape[-1]) > 0)
    largest = np.where(present, mixtures.volumes, 0.0).max(axis=-1)
    doubt = np.flatnonzero(0.5 * mixtures.strength * largest * (extent**2).sum(axis=-1) >= 1.0)
    if doubt.size:
        asked = mixtures.take(doubt)
        found = climb(asked, _few, enough=1.0, promise=_DOUBT[0], through=_THROUGH)
        answer[doubt] = _twice(asked, found, 1.0).value < 1.0
    return answer
