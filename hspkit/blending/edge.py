"""Blends at the edge of what mixes: where the optimum of some carriers parts, their best blend in one phase.

Distance and cost are convex in the fractions, the set of blends in one phase is not. The search goes from several
blends that mix, on different sides of the optimum, towards it as far as they mix, and from there along the edge (SLSQP
with the margins of mixing as constraints). It is no proof: an island of mixing between its starts may be missed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.problem import Found, Problem, compositions
from hspkit.blending.stock import mixing_margins
from hspkit.blending.supports import SMALLEST, TOLERANCE

__all__ = ["best_in_one_phase"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Steps of the grid of starts for 2, 3, 4, 5 and more carriers: some hundred blends each. [-]
_STEPS = (100, 30, 12, 8, 6)
#: Starts whose directions from the optimum have a larger cosine than this lie on the same side of it.
_SAME_SIDE = 0.8
#: Most sides that are searched.
_SIDES = 3
#: How many steps of the grid the edge may lie beyond the last blend of the grid that mixes. [-]
_CELLS = 2.0
#: By how much the search along the edge keeps to the side that mixes, as a margin. [-]
_INSIDE = 1e-6


def best_in_one_phase(
    problem: Problem, support: Indices, optimum: Array, *, by_cost: bool = False, limit: float = np.inf
) -> Found | None:
    """Return the best blend of exactly these carriers that keeps to the limits and is one phase.

    Parameters
    ----------
    problem : Problem
        The question.
    support : ndarray of int, shape (s,)
        The carriers, two or more; their optimum parts. [-]
    optimum : ndarray of shape (s,)
        The fractions there, 0 for a carrier that is not in it. [-]
    by_cost : bool
        Cost instead of distance.
    limit : float
        A blend that is surely no better than this need not be found. [objective]

    Returns
    -------
    Found or None
        None where none was found, or where fewer of the carriers are as good.
    """
    edge = _Edge(problem, support, by_cost=by_cost)
    best: Array | None = None
    for start in _starts(edge, optimum, limit):
        if edge.promise(start) >= limit:
            continue
        goal = optimum if len(support) == 2 else _follow(edge, start)  # the edge of two carriers is a point
        end = edge.last(start, goal)
        value = float(edge.value(end))
        if best is None or value < edge.value(best):
            best, limit = end, min(limit, value)
    if best is None or best.min() <= SMALLEST:
        return None
    return Found(tuple(int(i) for i in support), best, float(edge.value(best)))


class _Edge:
    """Objective, limits and margins of the blends (..., s) of one support."""

    def __init__(self, problem: Problem, support: Indices, *, by_cost: bool) -> None:
        self.problem, self.support = problem, support
        self.rows = problem.limits.rows[:, support]
        self.bounds = problem.limits.bounds - problem.viscosity_offsets(support[None, :])[0]
        cost = problem.cost[support] if by_cost and problem.cost is not None else np.zeros(len(support))
        # each objective is |x P|^2 + x c; the largest of them counts
        self.pieces = [(points[support], cost) for points in problem.targets]
        if by_cost:
            self.pieces = [(np.zeros((len(support), 3)), cost)]

    def values(self, shares: Array) -> Array:
        """Return every objective, shape (..., t)."""
        return np.stack([np.square(shares @ p).sum(axis=-1) + shares @ cost for p, cost in self.pieces], axis=-1)

    def value(self, shares: Array) -> Array:
        """Return the objective that counts, shape (...)."""
        return np.asarray(self.values(shares).max(axis=-1))

    def slopes(self, shares: Array) -> Array:
        """Return the gradient of every objective, shape (..., t, s)."""
        return np.stack([2.0 * (shares @ p) @ p.T + cost for p, cost in self.pieces], axis=-2)

    def promise(self, shares: Array) -> Array:
        """Return the best objective that the edge near blends of the grid of starts may have, shape (...)."""
        within = _CELLS / _steps(len(self.support))
        return np.asarray((self.values(shares) - within * np.ptp(self.slopes(shares), axis=-1)).max(axis=-1))

    def margins(self, shares: Array) -> Array:
        """Return the margins of mixing of blends (b, s), shape (b, 2). [-]"""
        return mixing_margins(self.problem.alone, np.tile(self.support, (len(shares), 1)), shares)

    def last(self, start: Array, end: Array) -> Array:
        """Return the last blend that mixes and keeps to the limits on the way from one that does."""
        from scipy.optimize import toms748

        def least(part: float) -> float:
            shares = start + part * (end - start)
            slack = self.bounds - self.rows @ shares + TOLERANCE
            return float(min(self.margins(shares[None, :]).min(), slack.min(initial=np.inf)))

        if least(1.0) >= 0.0:
            return end
        if least(0.0) <= 0.0:
            return start
        part = toms748(least, 0.0, 1.0, xtol=1e-10, rtol=1e-9)
        while least(part) < 0.0:  # the root may lie a hair beyond
            part = max(0.0, part - max(1e-9, 1e-6 * part))
        return np.asarray(start + part * (end - start))


def _steps(size: int) -> int:
    return _STEPS[min(size - 2, len(_STEPS) - 1)]


def _starts(edge: _Edge, optimum: Array, limit: float) -> list[Array]:
    """Return the best blends of a grid that mix and promise to stay below a limit, one for each side of the optimum.

    What breaks a limit is moved towards the optimum, which keeps to them all, until it does so too.
    """
    size = len(optimum)
    steps = _steps(size)
    away = (compositions(steps + size, size) - 1) / steps - optimum
    slack = np.maximum(edge.bounds - edge.rows @ optimum, 0.0)
    needed = away @ edge.rows.T
    part = np.where(needed > slack, slack / np.maximum(needed, 1e-300), 1.0).min(axis=1, initial=1.0)
    grid = optimum + part[:, None] * away
    grid = grid[edge.promise(grid) < limit]
    grid = grid[np.argsort(edge.value(grid), kind="stable")]
    grid = grid[edge.problem.mixes(edge.support, grid)] if len(grid) else grid
    found: list[Array] = []
    while len(grid) and len(found) < _SIDES:
        found.append(grid[0])
        away = grid - optimum
        away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-12)
        grid = grid[away @ away[0] < _SAME_SIDE]
    return found


def _follow(edge: _Edge, start: Array) -> Array:
    """Return the best blend that is reached from one that mixes; it may lie a hair beyond the edge or a limit.

    The unknowns are all fractions but the largest, and an upper bound of the objectives, which is minimised.
    """
    from scipy.optimize import minimize

    size = len(start)
    rest = int(np.argmax(start))
    turn = np.delete(np.eye(size), rest, axis=0)
    turn[:, rest] = -1.0
    corner = np.eye(size)[rest]
    scale = max(float(edge.value(start)), 1e-9)
    seen: dict[bytes, Array] = {}

    def shares_of(z: Array) -> Array:
        return corner + z @ turn

    def margins(*some: Array) -> Array:
        shares = np.clip(shares_of(np.array(some)), 0.0, None)
        return edge.margins(shares / shares.sum(axis=1, keepdims=True)) - _INSIDE

    def margins_at(z: Array) -> Array:
        if z.tobytes() not in seen:
            seen[z.tobytes()] = margins(z)[0]
        return seen[z.tobytes()]

    def margin_slopes_at(z: Array) -> Array:
        step = 1e-4 * np.abs(z) + 1e-9
        return ((margins(*(z + np.diag(step))) - margins_at(z)) / step[:, None]).T

    def wide(slope: Array, last: float = 0.0) -> Array:
        return np.column_stack([slope, np.full(len(slope), last)])

    constraints: list[dict[str, Any]] = [
        {"type": "ineq", "fun": lambda v: margins_at(v[:-1]), "jac": lambda v: wide(margin_slopes_at(v[:-1]))},
        {"type": "ineq", "fun": lambda v: [1.0 - v[:-1].sum()], "jac": lambda _: wide(-np.ones((1, size - 1)))},
        {
            "type": "ineq",
            "fun": lambda v: v[-1] - edge.values(shares_of(v[:-1])) / scale,
            "jac": lambda v: wide(-edge.slopes(shares_of(v[:-1])) @ turn.T / scale, 1.0),
        },
    ]
    if len(edge.bounds):
        slack = {"fun": lambda v: edge.bounds - edge.rows @ shares_of(v[:-1])}
        constraints.append({"type": "ineq", **slack, "jac": lambda _: wide(-edge.rows @ turn.T)})
    with np.errstate(all="ignore"):
        found = minimize(
            lambda v: v[-1],
            np.append(np.delete(start, rest), 1.0),
            jac=lambda v: np.append(np.zeros(size - 1), 1.0),
            method="SLSQP",
            bounds=[(0.0, 1.0)] * (size - 1) + [(None, None)],
            constraints=constraints,
            options={"maxiter": 25, "ftol": 1e-9},
        )
    shares = np.clip(shares_of(found.x[:-1]), 0.0, None)
    shares = shares / shares.sum()
    return shares if np.isfinite(shares).all() else start
