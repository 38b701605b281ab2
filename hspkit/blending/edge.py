"""Blends at the boundary of one phase: where the optimum of some carriers separates, their best blend that does not.

Distance and cost are convex in the fractions, the set of blends in one phase is not. The search goes from several
blends that mix, on different sides of the optimum, towards it as far as they mix, and from there along the edge (SLSQP
with the margins of mixing as constraints). It is no proof: an island of mixing between its starts may be missed.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.problem import Problem, Recipe, compositions
from hspkit.blending.stock import mixing_margins
from hspkit.blending.supports import SMALLEST, TOLERANCE, Convex

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
    problem: Problem, objective: Convex, support: Indices, optimum: Array, limit: float = np.inf
) -> Recipe | None:
    """Return the best blend of exactly these carriers that keeps to the limits and is one phase.

    Parameters
    ----------
    problem : Problem
        The question.
    objective : Convex
        Distance or cost.
    support : ndarray of int, shape (s,)
        The carriers, two or more; their optimum separates. [-]
    optimum : ndarray of shape (s,)
        The fractions there, 0 for a carrier that is not in it. [-]
    limit : float
        A blend that is surely no better than this is not looked for. [objective]

    Returns
    -------
    Recipe or None
        None where there is none, or where fewer of the carriers are as good.
    """
    edge = _Edge(problem, objective, support)
    best: Array | None = None
    for start in _starts(edge, optimum, limit):
        if edge.least_near(start) >= limit:
            continue
        goal = optimum if len(support) == 2 else _follow(edge, start)  # the edge of two carriers is a point
        end = edge.last(start, goal)
        value = float(edge.value(end))
        if best is None or value < edge.value(best):
            best, limit = end, min(limit, value)
    if best is None or best.min() <= SMALLEST:
        return None
    return Recipe(tuple(int(i) for i in support), best, float(edge.value(best)))


class _Edge:
    """Objective, limits and margins of the blends (..., s) of one support."""

    def __init__(self, problem: Problem, objective: Convex, support: Indices) -> None:
        self.problem, self.support = problem, support
        self.rows = problem.limits.rows[:, support]
        self.bounds = problem.limits.bounds - problem.viscosity_offsets(support[None, :])[0]
        self.terms = [(points[support], cost[support]) for points, cost in objective.terms]

    def values(self, shares: Array) -> Array:
        """Return every objective, shape (..., t)."""
        return np.stack([np.square(shares @ p).sum(axis=-1) + shares @ cost for p, cost in self.terms], axis=-1)

    def value(self, shares: Array) -> Array:
        """Return the objective that counts, shape (...)."""
        return np.asarray(self.values(shares).max(axis=-1))

    def slopes(self, shares: Array) -> Array:
        """Return the gradient of every objective, shape (..., t, s)."""
        return np.stack([2.0 * (shares @ p) @ p.T + cost for p, cost in self.terms], axis=-2)

    def least_near(self, shares: Array) -> Array:
        """Return a lower bound of the objective of the edge near blends of the grid of starts, shape (...)."""
        within = _CELLS / _steps(len(self.support))
        return np.asarray((self.values(shares) - within * np.ptp(self.slopes(shares), axis=-1)).max(axis=-1))

    def margins(self, shares: Array) -> Array:
        """Return the margins of mixing of blends (b, s), shape (b, 2). [-]"""
        return mixing_margins(self.problem.without_oil, np.tile(self.support, (len(shares), 1)), shares)

    def last(self, start: Array, end: Array) -> Array:
        """Return the last blend that mixes and keeps to the limits on the way from one that does."""
        from scipy.optimize import toms748

        def least_margin(part: float) -> float:
            shares = start + part * (end - start)
            slack = self.bounds - self.rows @ shares + TOLERANCE
            return float(min(self.margins(shares[None, :]).min(), slack.min(initial=np.inf)))

        if least_margin(1.0) >= 0.0:
            return end
        if least_margin(0.0) <= 0.0:
            return start
        part = toms748(least_margin, 0.0, 1.0, xtol=1e-10, rtol=1e-9)
        while least_margin(part) < 0.0:  # the root may lie slightly beyond
            part = max(0.0, part - max(1e-9, 1e-6 * part))
        return np.asarray(start + part * (end - start))


def _steps(size: int) -> int:
    return _STEPS[min(size - 2, len(_STEPS) - 1)]


def _starts(edge: _Edge, optimum: Array, limit: float) -> list[Array]:
    """Return the best blends of a grid that mix and may stay below a limit, one for each side of the optimum.

    What breaks a limit is moved towards the optimum, which keeps to them all, until it does so too.
    """
    size = len(optimum)
    steps = _steps(size)
    moves = (compositions(steps + size, size) - 1) / steps - optimum
    slack = np.maximum(edge.bounds - edge.rows @ optimum, 0.0)
    needed = moves @ edge.rows.T
    part = np.where(needed > slack, slack / np.maximum(needed, 1e-300), 1.0).min(axis=1, initial=1.0)
    grid = optimum + part[:, None] * moves
    grid = grid[edge.least_near(grid) < limit]
    grid = grid[np.argsort(edge.value(grid), kind="stable")]
    grid = grid[edge.problem.mixes(edge.support, grid)] if len(grid) else grid
    starts: list[Array] = []
    while len(grid) and len(starts) < _SIDES:
        starts.append(grid[0])
        direction = grid - optimum
        direction /= np.maximum(np.linalg.norm(direction, axis=1, keepdims=True), 1e-12)
        grid = grid[direction @ direction[0] < _SAME_SIDE]
    return starts


def _follow(edge: _Edge, start: Array) -> Array:
    """Return the best blend that is reached from one that mixes; it may lie slightly beyond the edge or a limit.

    The unknowns are all fractions but the largest, and an upper bound of the objectives, which is minimised.
    """
    from scipy.optimize import minimize

    size = len(start)
    rest = int(np.argmax(start))
    turn = np.delete(np.eye(size), rest, axis=0)
    turn[:, rest] = -1.0
    corner = np.eye(size)[rest]
    scale = max(float(edge.value(start)), 1e-9)
    computed: dict[bytes, Array] = {}

    def shares_of(z: Array) -> Array:
        return corner + z @ turn

    def margins(*unknowns: Array) -> Array:
        shares = np.clip(shares_of(np.array(unknowns)), 0.0, None)
        return edge.margins(shares / shares.sum(axis=1, keepdims=True)) - _INSIDE

    def margins_at(z: Array) -> Array:
        if z.tobytes() not in computed:
            computed[z.tobytes()] = margins(z)[0]
        return computed[z.tobytes()]

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
        solution = minimize(
            lambda v: v[-1],
            np.append(np.delete(start, rest), 1.0),
            jac=lambda v: np.append(np.zeros(size - 1), 1.0),
            method="SLSQP",
            bounds=[(0.0, 1.0)] * (size - 1) + [(None, None)],
            constraints=constraints,
            options={"maxiter": 25, "ftol": 1e-9},
        )
    shares = np.clip(shares_of(solution.x[:-1]), 0.0, None)
    shares = shares / shares.sum()
    return shares if np.isfinite(shares).all() else start
