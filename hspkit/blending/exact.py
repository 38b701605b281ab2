"""Blends by distance or by cost under linear limits: exact, best first.

Continuous fractions come from `supports`. Blends in whole increments, and blends that must not split, are found by
going through the supports in the order of their continuous optimum: it bounds whatever the grid of a support holds.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.problem import Found, Problem, compositions
from hspkit.blending.supports import Solved, combinations, solve_supports

__all__ = ["Search", "search_exact", "solve"]

Indices = NDArray[np.intp]

#: Steps of the grid on which a support is searched when its optimum splits without the oil: 1 %.
_FINE_STEPS = 100


@dataclass(frozen=True)
class Search:
    """Blends found, best first, and what was looked at.

    Parameters
    ----------
    found : list of Found
        Best first, one a support.
    supports : int
        Supports examined. [-]
    possible : int
        Of these, supports with a blend that keeps to the limits. [-]
    mixtures : int
        Mixtures given to the phase engine. [-]
    how : str
        In words, for the certificate. [-]
    proven : bool
        Whether no support can hold a better blend of the kind asked for.
    single : Found or None
        Best carrier alone.
    optimum : bool
        Whether the first blend is the continuous optimum of its carriers.
    """

    found: list[Found]
    supports: int
    possible: int
    mixtures: int
    how: str
    proven: bool
    single: Found | None
    optimum: bool = False


def solve(problem: Problem, *, by_cost: bool = False) -> list[Solved]:
    """Return the optimum of every support by distance, or by cost."""
    offsets = None
    if problem.limits.thick is not None:
        n = len(problem.chosen)
        sizes = range(1, min(problem.max_carriers, n) + 1)
        offsets = [problem.viscosity_offsets(combinations(n, size)) for size in sizes]
    return solve_supports(
        [] if by_cost else problem.targets,
        problem.limits.rows,
        problem.limits.bounds,
        problem.max_carriers,
        cost=problem.cost if by_cost else None,
        offsets=offsets,
    )


def search_exact(problem: Problem, *, steps: int | None, keep: int, by_cost: bool = False) -> Search:
    """Return the best blends by distance or by cost.

    Parameters
    ----------
    problem : Problem
        The question.
    steps : int or None
        Steps of the grid; None for continuous fractions. [-]
    keep : int
        How many blends. [-]
    by_cost : bool
        Cost instead of distance.

    Returns
    -------
    Search
    """
    solved = solve(problem, by_cost=by_cost)
    farthest = np.finfo(float).max if problem.max_distance is None or by_cost else problem.max_distance**2
    waiting: list[tuple[float, int, int, int, int]] = []
    grids: list[Found] = []
    for size, one in enumerate(solved, start=1):
        bound = one.value if steps is None else one.closed
        waiting.extend((float(bound[row]), 0, size, int(row), -1) for row in np.flatnonzero(bound <= farthest))
    heapq.heapify(waiting)
    found: list[Found] = []
    optimum = False
    while waiting and len(found) < keep:
        value, _, size, row, ready = heapq.heappop(waiting)
        if ready >= 0:
            found.append(grids[ready])
            continue
        support = solved[size - 1].supports[row]
        if steps is None:
            shares = solved[size - 1].fractions[row]
            if problem.mixes(support, shares)[0]:
                optimum |= not found
                found.append(Found(tuple(int(i) for i in support), shares, value))
                continue
        best = _best_of_grid(problem, support, steps or _FINE_STEPS, by_cost=by_cost)
        if best is not None:
            grids.append(best)
            heapq.heappush(waiting, (best.value, 1, size, row, len(grids) - 1))
    alone = solved[0]
    order = np.argsort(alone.value, kind="stable")
    single = None
    if np.isfinite(alone.value[order[0]]):
        single = Found((int(order[0]),), np.ones(1), float(alone.value[order[0]]))
    grid = "" if steps is None else f", in whole steps of {100 / steps:g} %"
    return Search(
        found,
        sum(len(one.supports) for one in solved),
        int(sum(np.isfinite(one.closed).sum() for one in solved)),
        0,
        f"every set of at most {len(solved)} carriers solved to its optimum{grid}",
        proven=True,
        single=single,
        optimum=optimum and not by_cost,
    )


def _best_of_grid(problem: Problem, support: Indices, steps: int, *, by_cost: bool) -> Found | None:
    """Return the best blend of exactly these carriers in whole steps that is one phase; None when there is none."""
    shares = compositions(steps, len(support)) / steps
    every = np.tile(support, (len(shares), 1))
    shares = shares[problem.feasible(every, shares)]
    if not len(shares):
        return None
    every = every[: len(shares)]
    if by_cost and problem.cost is not None:
        value = shares @ problem.cost[support]
    else:
        value = problem.squared_distance(every, shares)
    order = np.argsort(value, kind="stable")
    start = 0
    while start < len(order):  # most often the first one mixes; widen when not
        some = order[start : start + max(1, 4 * start)]
        fine = np.flatnonzero(problem.mixes(support, shares[some]))
        if fine.size:
            best = some[fine[0]]
            return Found(tuple(int(i) for i in support), shares[best], float(value[best]))
        start += len(some)
    return None
