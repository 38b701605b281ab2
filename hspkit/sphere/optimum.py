"""The published desirability of a sphere and its global optimum, with a proof.

A sphere (centre c, radius R) is worth (prod A_i)^(1/n) with A_i = exp(-error_i), where error_i = |Ra - R| for a trial
on the wrong side and 0 otherwise. A hazy trial belongs on the surface: it counts as half a clear and half a split one.
So the sphere is sought that makes the mean error F least. Coordinates are stretched, x = (2 delta_d, delta_p, delta_h),
so that distances are Ra.

The radius needs no search. With k clear trials, F is convex in R and flat between the k-th and the (k+1)-th smallest
distance, so for a given centre

    n F(c) = sum of the distances to clear trials - sum of the k smallest distances.

That is the largest of smooth functions (one for each choice S of k trials, sum over clear - sum over S), so any one
choice bounds F from below. In a box about c, with half edges h, half diagonal r and g the slope for the choice at c,

    F >= F(c) - sum h |g| - r^2/(2n) sum over misplaced splits of 1/distance,

which branch and bound uses to prove that no centre anywhere is better than the one found.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.sphere.descent import Problem, minimise

__all__ = [
    "Copies",
    "Optimum",
    "best_radius",
    "distances",
    "enclosing",
    "exact_error",
    "mean_error",
    "optimum",
    "starts",
    "widest",
]

Array = NDArray[np.float64]

#: First boxes along each axis; they give starts for the descent too.
LATTICE = (6, 6, 6)
#: Descents from the most promising boxes.
STARTS = 12
#: Widths [MPa^0.5] of the rounding of the corners of F, one after the other.
WIDTHS = tuple(0.5 * 0.25**step for step in range(14))
#: How many of them the first descents go through; the best of them goes through the rest.
ROUGH = 4
#: What a unit of radius costs, in units of distance kept, when spheres without a misplaced trial are compared.
PRICE = 1e-3
#: The proof stops at this distance from certainty [MPa^0.5], or after so many boxes.
GAP = 1e-3
MOST_BOXES = 12_000


class Copies(NamedTuple):
    """Trials as the criterion counts them: ``points`` (n, 3), stretched; ``clear`` (n,).

    A hazy trial stands here twice, once clear and once split, and then every other trial twice too.
    """

    points: Array
    clear: NDArray[np.bool_]

    @classmethod
    def of(cls, points: Array, kinds: NDArray[np.intp]) -> Copies:
        """Return copies of trials with kinds 0 clear, 1 hazy, 2 splits."""
        if not np.any(kinds == 1):
            return cls(points, kinds == 0)
        return cls(np.concatenate([points, points]), np.concatenate([kinds < 2, kinds < 1]))

    @property
    def k(self) -> int:
        """How many are clear."""
        return int(self.clear.sum())


class Optimum(NamedTuple):
    """Centre (3,) stretched, radius, mean error, and how far a better sphere is not ruled out [MPa^0.5]."""

    centre: Array
    radius: float
    error: float
    gap: float


def distances(centres: Array, points: Array) -> Array:
    """Return |centre - point|, shape (m, n)."""
    squares = (centres**2).sum(axis=1)[:, None] + (points**2).sum(axis=1) - 2.0 * centres @ points.T
    return np.sqrt(np.maximum(squares, 0.0))


def mean_error(centres: Array, copies: Copies) -> Array:
    """Return F (m,) of centres (m, 3), each with its best radius."""
    apart = distances(centres, copies.points)
    k = copies.k
    if k == copies.clear.size:
        return np.zeros(len(centres))
    nearest = np.partition(apart, k - 1, axis=1)[:, :k].sum(axis=1)
    return np.maximum(apart[:, copies.clear].sum(axis=1) - nearest, 0.0) / copies.clear.size


def best_radius(centres: Array, copies: Copies) -> tuple[Array, Array]:
    """Return the smallest and largest radius (m,) that are best for centres (m, 3)."""
    apart = np.sort(np.sqrt(((centres[:, None, :] - copies.points) ** 2).sum(axis=2)), axis=1)
    k = copies.k
    low = apart[:, k - 1]
    return low, apart[:, k] if k < copies.clear.size else low


def _bounded(centres: Array, half: Array, copies: Copies) -> tuple[Array, Array]:
    """Return F at the centres of boxes and a lower bound of F in each box."""
    difference = centres[:, None, :] - copies.points
    apart = np.sqrt((difference**2).sum(axis=2))
    order = np.argpartition(apart, copies.k - 1, axis=1)
    inside = np.zeros(apart.shape, dtype=bool)
    np.put_along_axis(inside, order[:, : copies.k], True, axis=1)
    weight = copies.clear.astype(float) - inside
    n = copies.clear.size
    error = np.maximum((weight * apart).sum(axis=1), 0.0) / n
    safe = np.maximum(apart, 1e-9)
    slope = np.matmul((weight / safe)[:, None, :], difference)[:, 0] / n
    bend = np.where(weight < 0, 1.0 / safe, 0.0).sum(axis=1) / n
    bound = error - (half * np.abs(slope)).sum(axis=1) - 0.5 * (half**2).sum() * bend
    return error, bound


def _rounded(copies: Copies, width: float) -> Problem:
    """Return F with centre and radius free and its corners rounded, as a problem for `minimise`."""
    sign = np.where(copies.clear, 1.0, -1.0)
    n = copies.clear.size
    identity = np.eye(3)

    def problem(spheres: Array) -> tuple[Array, Array, Array]:
        difference = spheres[:, None, :3] - copies.points
        apart = np.maximum(np.sqrt((difference**2).sum(axis=2)), 1e-9)
        unit = difference / apart[..., None]
        off = sign * (apart - spheres[:, 3:]) / width
        value = width * np.logaddexp(0.0, off).sum(axis=1) / n
        share = 0.5 * (1.0 + np.tanh(0.5 * off))
        first = sign * share
        second = share * (1.0 - share) / width
        m = len(spheres)
        slope, bend = np.empty((m, 4)), np.empty((m, 4, 4))
        slope[:, :3] = np.matmul(first[:, None, :], unit)[:, 0]
        slope[:, 3] = -first.sum(axis=1)
        curl = first / apart
        bend[:, :3, :3] = np.matmul(unit.transpose(0, 2, 1) * (second - curl)[:, None, :], unit)
        bend[:, :3, :3] += curl.sum(axis=1)[:, None, None] * identity
        bend[:, :3, 3] = bend[:, 3, :3] = -np.matmul(second[:, None, :], unit)[:, 0]
        bend[:, 3, 3] = second.sum(axis=1)
        return value, slope / n, bend / n

    return problem


def _descend(starts: Array, copies: Copies, low: Array, high: Array, widths: Sequence[float]) -> tuple[Array, float]:
    """Return the best centre that descents from the starts reach, and its F."""
    smallest, largest = best_radius(starts, copies)
    spheres = np.column_stack([starts, 0.5 * (smallest + largest)])
    bottom, top = np.append(low, 0.0), np.append(high, np.inf)
    errors = exact_error(starts, copies)
    best, least = starts[np.argmin(errors)], float(errors.min())
    for width in widths:
        spheres = minimise(_rounded(copies, width), spheres, bottom, top, steps=25, tolerance=1e-3 * width)
        errors = exact_error(spheres[:, :3], copies)
        order = np.argsort(errors, kind="stable")
        if errors[order[0]] < least:
            best, least = spheres[order[0], :3], float(errors[order[0]])
        if least == 0.0:
            break
        spheres = spheres[order[: max(len(order) // 2, 2)]]
    return best, least


def exact_error(centres: Array, copies: Copies) -> Array:
    """Return F without the cancellation that `mean_error` accepts for speed."""
    apart = np.sqrt(((centres[:, None, :] - copies.points) ** 2).sum(axis=2))
    low, high = best_radius(centres, copies)
    over = (apart - 0.5 * (low + high)[:, None]) * np.where(copies.clear, 1.0, -1.0)
    return np.maximum(over, 0.0).sum(axis=1) / copies.clear.size


def _boxes(low: Array, high: Array) -> tuple[Array, Array]:
    half = (high - low) / (2.0 * np.array(LATTICE))
    axes = [
        bottom + step * (2.0 * np.arange(count) + 1.0) for bottom, step, count in zip(low, half, LATTICE, strict=True)
    ]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3), half


def starts(copies: Copies, low: Array, high: Array) -> Array:
    """Return the most promising of the lattice, the clear trials and their mean, shape (at most `STARTS`, 3)."""
    clear = copies.points[copies.clear]
    everything = np.clip(np.vstack([clear.mean(axis=0), clear, _boxes(low, high)[0]]), low, high)
    return everything[np.argsort(mean_error(everything, copies), kind="stable")[:STARTS]]


def optimum(copies: Copies, low: Array, high: Array, *, most_boxes: int = MOST_BOXES) -> Optimum:
    """Return the sphere of least mean error with its centre inside bounds, and what is proved about it.

    Parameters
    ----------
    copies : Copies
        Trials; at least one clear. [-]
    low, high : ndarray of shape (3,)
        Bounds of the centre, stretched. [MPa^0.5]
    most_boxes : int
        Boxes after which the proof is given up; the gap then says how far it came. [-]

    Examples
    --------
    >>> copies = Copies(np.array([[32.0, 5, 5], [32.0, 7, 5], [32.0, 16, 5]]), np.array([True, True, False]))
    >>> optimum(copies, np.array([20.0, 0, 0]), np.array([50.0, 30, 45])).error
    0.0
    """
    corners = np.array([[1.0 if sign >> axis & 1 else -1.0 for axis in range(3)] for sign in range(8)])
    centres, half = _boxes(low, high)
    best, least = _descend(starts(copies, low, high), copies, low, high, WIDTHS[:ROUGH])
    used = len(centres)
    left = np.inf  # the lowest bound among boxes that are put aside as good enough
    aside: list[tuple[float, Array]] = []
    while least > 0.0 and len(centres):
        errors, bounds = _bounded(centres, half, copies)
        promising = errors < least - 1e-9
        if np.any(promising):
            order = np.argsort(errors, kind="stable")[:STARTS]
            found, value = _descend(centres[order[errors[order] < least]], copies, low, high, WIDTHS[1:ROUGH])
            if value < least:
                best, least = found, value
        open_ = bounds < least
        fine = open_ & (bounds >= least - GAP)
        if np.any(fine):
            left = min(left, float(bounds[fine].min()))
            chosen = np.flatnonzero(fine)[np.argsort(errors[fine], kind="stable")[:2]]
            aside += [(float(errors[row]), centres[row]) for row in chosen]
        rest = centres[open_ & ~fine]
        if used + 8 * len(rest) > most_boxes:
            left = min(left, float(bounds[open_].min())) if len(rest) else left
            break
        half = half / 2.0
        centres = (rest[:, None, :] + half * corners).reshape(-1, 3)
        used += len(centres)
    if least > 0.0:
        # a box that was put aside may hold a slightly better valley
        others = [centre for _, centre in sorted(aside, key=lambda one: one[0])[: STARTS // 2]]
        found, value = _descend(np.array([best, *others]), copies, low, high, WIDTHS[ROUGH - 1 :])
        if value < least:
            best, least = found, value
    smallest, largest = best_radius(best[None], copies)
    gap = max(0.0, least - max(left, 0.0)) if np.isfinite(left) else 0.0
    return Optimum(best, float(0.5 * (smallest[0] + largest[0])), least, gap)


def enclosing(points: Array, low: Array, high: Array) -> tuple[Array, float]:
    """Return the smallest sphere around all points whose centre is inside bounds.

    Examples
    --------
    >>> centre, radius = enclosing(np.array([[0.0, 0, 0], [4, 0, 0]]), np.full(3, -9.0), np.full(3, 9.0))
    >>> centre.round(2), radius
    (array([2., 0., 0.]), 2.0)
    """
    start = np.append(np.clip(points.mean(axis=0), low, high), 0.0)
    found = _keep_off(points, np.ones(len(points)), 2.0, start[None], low, high)  # at this price the radius stays 0
    return found[:3], float(np.sqrt(((points - found[:3]) ** 2).sum(axis=1)).max())


def widest(copies: Copies, start: Array, low: Array, high: Array) -> Array:
    """Return, among spheres without a misplaced trial, the one whose surface keeps farthest from every trial.

    Of spheres that keep equally far the smaller one: it claims less.

    Parameters
    ----------
    start : ndarray of shape (m, 4)
        Spheres without a misplaced trial: centre, stretched, and radius. [MPa^0.5]

    Returns
    -------
    ndarray of shape (4,)
    """
    sign = np.where(copies.clear, 1.0, -1.0)
    return _keep_off(copies.points, sign, PRICE, np.atleast_2d(start), low, high)


def _keep_off(points: Array, sign: Array, price: float, spheres: Array, low: Array, high: Array) -> Array:
    """Return the sphere (4,) that makes max over trials of sign (Ra - R) + price R least."""
    identity = np.eye(3)
    bottom, top = np.append(low, 0.0), np.append(high, np.inf)

    def rounded(width: float) -> Problem:
        def problem(spheres: Array) -> tuple[Array, Array, Array]:
            difference = spheres[:, None, :3] - points
            apart = np.maximum(np.sqrt((difference**2).sum(axis=2)), 1e-9)
            unit = difference / apart[..., None]
            off = sign * (apart - spheres[:, 3:]) / width
            top_off = off.max(axis=1, keepdims=True)
            share = np.exp(off - top_off)
            total = share.sum(axis=1, keepdims=True)
            share = share / total
            value = width * (top_off + np.log(total))[:, 0] + price * spheres[:, 3]
            first = sign * share
            direction = sign[None, :, None] * np.concatenate([unit, -np.ones((*unit.shape[:2], 1))], axis=2)
            slope = np.matmul(share[:, None, :], direction)[:, 0]
            curl = first / apart
            bend = np.matmul(direction.transpose(0, 2, 1) * share[:, None, :], direction)
            bend = (bend - slope[:, :, None] * slope[:, None, :]) / width
            bend[:, :3, :3] += curl.sum(axis=1)[:, None, None] * identity
            bend[:, :3, :3] -= np.matmul(unit.transpose(0, 2, 1) * curl[:, None, :], unit)
            slope = slope + np.array([0.0, 0.0, 0.0, price])
            return value, slope, bend

        return problem

    def margin(spheres: Array) -> Array:
        apart = np.sqrt(((spheres[:, None, :3] - points) ** 2).sum(axis=2))
        return (sign * (apart - spheres[:, 3:])).max(axis=1) + price * spheres[:, 3]

    best = spheres[np.argmin(margin(spheres))]
    for width in (0.5, 0.1, 0.02, 0.004):
        spheres = minimise(rounded(width), spheres, bottom, top, steps=20, tolerance=1e-3 * width)
        candidate = spheres[np.argmin(margin(spheres))]
        if margin(candidate[None])[0] < margin(best[None])[0]:
            best = candidate
    return best
