"""The closest blend of every small set of carriers, all sets at once; arrays only, no names.

With p_i = (2 delta_d, delta_p, delta_h) of carrier i less that of the target, Ra^2 of a blend is |sum x_i p_i|^2: a
convex quadratic of rank 3 in the fractions x. Every set of carriers (a support) therefore has one optimal value. It is
found exactly: the stationary point of the set where it keeps to the limits; else at least one limit that the
stationary point breaks is met with equality at the optimum, so each of those is tried as an equation, which takes
away one unknown, and so on. All supports of one size go through these steps together.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

__all__ = ["Convex", "Solved", "combinations", "rank_of", "ranked", "solve_supports"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: How far a limit, scaled to largest coefficient 1, may be missed by rounding. [-]
TOLERANCE = 1e-9
#: Below this fraction a carrier is not in the blend: the smaller support has the same blend. [-]
SMALLEST = 1e-9
#: Supports that go through together; keeps the largest array near 20 MB.
_CHUNK = 3_000


@dataclass(frozen=True)
class Convex:
    """An objective that is convex in the fractions x, for n carriers.

    Parameters
    ----------
    targets : list of ndarray of shape (n, 3)
        The largest |sum x_i p_i|^2 of several points p; an empty list leaves only the cost. [MPa^0.5]
    cost : ndarray of shape (n,), optional
        sum x_i c_i; `targets` must then be empty. [per L]
    """

    targets: list[Array]
    cost: Array | None = None

    @property
    def terms(self) -> list[tuple[Array, Array]]:
        """Points (n, 3) and cost (n,) of each convex function |x P|^2 + x c, of which the largest counts."""
        if self.cost is not None:
            return [(np.zeros((len(self.cost), 3)), self.cost)]
        return [(points, np.zeros(len(points))) for points in self.targets]


@dataclass(frozen=True, slots=True)
class Solved:
    """Optima of all supports of one size.

    Parameters
    ----------
    supports : ndarray of int, shape (c, s)
        Carriers of each support, ascending, in the order of `combinations`. [-]
    fractions : ndarray of shape (c, s)
        Optimal fractions; NaN where the support has no optimum that uses all its carriers. [-]
    value : ndarray of shape (c,)
        Objective there; inf where there is none. [objective]
    closed : ndarray of shape (c,)
        Least objective of the support and all its subsets: a lower bound on any blend made of these carriers. inf
        where no blend of them keeps to the limits. [objective]
    """

    supports: Indices
    fractions: Array
    value: Array
    closed: Array


def combinations(n: int, size: int) -> Indices:
    """Return all subsets of ``range(n)`` of a size, ascending inside, ordered by their last member first.

    Examples
    --------
    >>> combinations(4, 2).tolist()
    [[0, 1], [0, 2], [1, 2], [0, 3], [1, 3], [2, 3]]
    """
    subsets = np.arange(n, dtype=np.intp)[:, None]
    for done in range(1, size):
        counts = [comb(top, done) for top in range(n)]
        head = np.concatenate([subsets[:count] for count in counts]) if n else subsets[:0].repeat(done, axis=1)
        subsets = np.column_stack([head, np.repeat(np.arange(n, dtype=np.intp), counts)])
    return subsets


def rank_of(subsets: Indices) -> Indices:
    """Return the place of ascending subsets (..., s) in the order of `combinations`.

    Examples
    --------
    >>> rank_of(combinations(5, 3)).tolist() == list(range(10))
    True
    """
    size = subsets.shape[-1]
    top = int(subsets.max(initial=0)) + 1
    table = np.array([[comb(value, place) for place in range(1, size + 1)] for value in range(top)], dtype=np.intp)
    return table.reshape(top, size)[subsets, np.arange(size)].sum(axis=-1)


def ranked(values: list[Array], most: float = np.finfo(float).max) -> list[tuple[float, int, int]]:
    """Return (value, size, row) of the supports of size 1, 2, ... whose values (c,) are at most so much, ascending."""
    places = [
        (float(value[row]), size, int(row))
        for size, value in enumerate(values, start=1)
        for row in np.flatnonzero(value <= most)
    ]
    return sorted(places)


def solve_supports(
    targets: list[Array],
    rows: Array,
    bounds: Array,
    max_carriers: int,
    *,
    cost: Array | None = None,
    offsets: list[Array] | None = None,
) -> list[Solved]:
    """Return the optimum of every support of at most so many carriers.

    Parameters
    ----------
    targets : list of ndarray of shape (n, 3)
        For each target the scaled differences p of the carriers from it; the objective is the largest of
        |sum x_i p_i|^2. An empty list leaves only the cost. [MPa^0.5]
    rows, bounds : ndarray of shape (m, n) and (m,)
        Linear limits rows @ x <= bounds on the fractions, scaled to largest coefficient 1. [-]
    max_carriers : int
        Largest size of a support. [-]
    cost : ndarray of shape (n,), optional
        Minimise cost @ x instead; `targets` must then be empty. [-]
    offsets : list of ndarray of shape (c, m), optional
        Added to rows @ x of each support of size 1, 2, ...: limits that are tighter for some supports. [-]

    Returns
    -------
    list of Solved
        One for each size.

    Examples
    --------
    The point nearest the origin between (1, 1, 0) and (1, -2, 0) is (1, 0, 0):

    >>> points = np.array([[1.0, 1.0, 0.0], [1.0, -2.0, 0.0]])
    >>> pair = solve_supports([points], np.zeros((0, 2)), np.zeros(0), 2)[1]
    >>> pair.fractions.round(3), pair.value
    (array([[0.667, 0.333]]), array([1.]))
    """
    n = rows.shape[1]
    problems = _problems(targets, rows, bounds, cost)
    solved: list[Solved] = []
    for size in range(1, min(max_carriers, n) + 1):
        supports = combinations(n, size)
        value = np.full(len(supports), np.inf)
        fractions = np.full((len(supports), size), np.nan)
        for start in range(0, len(supports), _CHUNK):
            part = slice(start, start + _CHUNK)
            extra = None if offsets is None else offsets[size - 1][part]
            for problem in problems:
                least, place = _solve_chunk(supports[part], *problem, extra)
                better = least < value[part]
                value[part] = np.where(better, least, value[part])
                fractions[part] = np.where(better[:, None], place, fractions[part])
        smaller = np.full(len(supports), np.inf)
        if solved:
            for left_out in range(size):
                subset = np.delete(supports, left_out, axis=1)
                smaller = np.minimum(smaller, solved[-1].closed[rank_of(subset)])
        with np.errstate(invalid="ignore"):
            needless = ~(value < smaller - TOLERANCE * (1.0 + np.abs(smaller)))
        needless &= np.isfinite(smaller)
        closed = np.minimum(value, smaller)
        value[needless] = np.inf
        fractions[~np.isfinite(value)] = np.nan
        solved.append(Solved(supports, fractions, value, closed))
    return solved


def _problems(
    targets: list[Array], rows: Array, bounds: Array, cost: Array | None
) -> list[tuple[Array, Array, Array, Array]]:
    """Return one convex problem for each target: points, linear part, rows and bounds.

    The largest of several distances: in turn each target is the farthest, which is a linear limit, because the
    squared distances to two targets differ by a linear function of the blend.
    """
    n = rows.shape[1]
    if not targets:
        return [(np.zeros((n, 0)), np.zeros(n) if cost is None else cost, rows, bounds)]
    problems = []
    for number, points in enumerate(targets):
        more, more_bounds = [rows], [bounds]
        for other, elsewhere in enumerate(targets):
            if other != number:
                step = points[0] - elsewhere[0]  # the other target as seen from this one
                row, bound = -2.0 * points @ step, -float(step @ step)
                scale = max(float(np.abs(row).max()), abs(bound), 1e-12)
                more.append(row[None, :] / scale)
                more_bounds.append(np.array([bound / scale]))
        problems.append((points, np.zeros(n), np.concatenate(more), np.concatenate(more_bounds)))
    return problems


def _solve_chunk(
    supports: Indices, points: Array, linear: Array, rows: Array, bounds: Array, offsets: Array | None
) -> tuple[Array, Array]:
    """Return value (c,) and fractions (c, s) of the best blend inside each support.

    Arrays keep the supports on their last axis: every step is then one pass over long rows.
    """
    count, size = supports.shape
    r, m = points.shape[1], rows.shape[0]
    # Outputs of a blend, one column a carrier: points, linear part, limits, and the fractions with a minus sign.
    column = np.concatenate([points.T, linear[None, :], rows - bounds[:, None]])[:, supports.T]  # (q, s, c)
    if offsets is not None:
        column[r + 1 : r + 1 + offsets.shape[1]] += offsets.T[:, None, :]
    values = np.full(count, np.inf)
    fractions = np.full((count, size), np.nan)
    possible = np.flatnonzero(np.all(column[r + 1 :].min(axis=1) <= TOLERANCE, axis=0))
    if not possible.size:
        return values, fractions
    if possible.size < count:
        column = column[:, :, possible]
    q = len(column)
    # x = last carrier + sum z_i (carrier i - last): the first column is the constant, the others the unknowns.
    tensor = np.empty((q + size, size, possible.size))
    tensor[:q, 0] = column[:, -1]
    np.subtract(column[:, :-1], column[:, -1:], out=tensor[:q, 1:])
    own = -np.eye(size)
    tensor[q:] = np.concatenate([own[:, -1:], own[:, :-1] - own[:, -1:]], axis=1)[:, :, None]
    size_of = float(np.abs(points).max(initial=0.0)) ** 2
    nodes = [(tensor, possible, np.full(possible.size, -1, dtype=np.intp))]
    while nodes:
        tensor, owner, last = nodes.pop()
        sure, z = _stationary(tensor[:r], size_of)
        outputs = tensor[:, 0].copy()
        for place in range(len(z)):
            outputs += tensor[:, 1 + place] * z[place]
        value = np.square(outputs[:r]).sum(axis=0) + outputs[r]
        broken = outputs[r + 1 : r + 1 + m] > TOLERANCE
        inside = (outputs[r + 1 + m :] < -SMALLEST).all(axis=0)
        outside = broken.any(axis=0)
        good = np.flatnonzero(sure & inside & ~outside)
        good = good[value[good] < values[owner[good]]]
        order = good[np.argsort(-value[good], kind="stable")]  # of equal owners the last, best one stays
        values[owner[order]] = value[order]
        fractions[owner[order]] = -outputs[r + 1 + m :, order].T
        if tensor.shape[1] == 1 or m == 0:
            continue
        # only what breaks a limit goes on, or what has no single stationary point
        on = np.flatnonzero((outside | ~sure) & ~(sure & (value >= values[owner])))
        broken, clear_cut = broken[:, on], sure[on]
        usable = np.abs(tensor[r + 1 : r + 1 + m, 1:][:, :, on]).max(axis=1) > 1e-12
        later = np.arange(m)[:, None] > last[on]
        tried = usable & np.where(clear_cut, broken, later) & ~(broken & ~usable).any(axis=0)
        limit, node = np.nonzero(tried)
        node = on[node]
        for start in range(0, node.size, _CHUNK):
            part = slice(start, start + _CHUNK)
            nodes.append(
                (_with_equality(tensor[:, :, node[part]], r + 1 + limit[part]), owner[node[part]], limit[part])
            )
    return values, fractions


def _with_equality(tensor: Array, row: Indices) -> Array:
    """Return outputs with one unknown fewer, after setting one output of each problem to zero."""
    width, count = tensor.shape[1:]
    every = np.arange(count)
    equation = tensor[row, :, every].T
    pivot = 1 + np.argmax(np.abs(equation[1:]), axis=0)
    kept = np.array([[k for k in range(width) if k != p] for p in range(1, width)], dtype=np.intp)[pivot - 1].T
    factor = equation[kept, every] / equation[pivot, every]
    return tensor[:, kept, every] - tensor[:, pivot, every][:, None, :] * factor


def _stationary(points: Array, scale: float) -> tuple[NDArray[np.bool_], Array]:
    """Return whether |P0 + P z|^2 has one minimum only, and where it is, shape (d, c); points is (r, 1 + d, c)."""
    rank, width, count = points.shape
    d = width - 1
    z = np.zeros((d, count))
    if d == 0:
        return np.ones(count, dtype=bool), z
    if d > rank:
        return np.zeros(count, dtype=bool), z
    gram = np.array([[(points[:, 1 + i] * points[:, 1 + j]).sum(axis=0) for j in range(d)] for i in range(d)])
    pull = np.array([-(points[:, 1 + i] * points[:, 0]).sum(axis=0) for i in range(d)])
    diagonal = np.array([gram[i, i] for i in range(d)])
    sure = np.asarray((diagonal > 1e-14 * max(scale, 1e-300)).all(axis=0))
    if d == 1:
        z[0, sure] = pull[0, sure] / gram[0, 0, sure]
        return sure, z
    if d == 2:
        determinant = gram[0, 0] * gram[1, 1] - gram[0, 1] ** 2
        sure &= determinant > 1e-11 * gram[0, 0] * gram[1, 1]
        safe = np.where(sure, determinant, np.inf)
        z[0] = (gram[1, 1] * pull[0] - gram[0, 1] * pull[1]) / safe
        z[1] = (gram[0, 0] * pull[1] - gram[0, 1] * pull[0]) / safe
        return sure, z
    matrices = np.moveaxis(gram, 2, 0)
    sure &= np.linalg.det(matrices) > 1e-11 * diagonal.prod(axis=0)
    z[:, sure] = np.linalg.solve(matrices[sure], pull.T[sure][:, :, None])[:, :, 0].T
    return sure, z
