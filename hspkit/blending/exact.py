"""Blends by distance or by cost under linear limits: exact, best first.

Continuous fractions come from `supports`. Blends in whole increments, and blends at the edge of what mixes (`edge`),
are found by going through the supports in the order of their continuous optimum: it bounds whatever a support holds.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.edge import best_in_one_phase
from hspkit.blending.problem import Found, Problem, compositions
from hspkit.blending.supports import Solved, combinations, rank_of, solve_supports

__all__ = ["Search", "search_exact", "solve"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]


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
        Whether no support can hold a better blend than the first of the kind asked for.
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
    for size, one in enumerate(solved, start=1):
        rows = np.flatnonzero(one.closed <= farthest)
        waiting.extend((float(one.closed[row]), 0, size, int(row), -1) for row in rows)
    heapq.heapify(waiting)
    optima = _Optima(problem, solved)
    values = optima.best_values(keep, farthest) if steps is None else []
    found: list[Found] = []
    ready: list[Found] = []
    optimum, followed, before = False, 0, 0
    while waiting and len(found) < keep:
        value, _, size, row, place = heapq.heappop(waiting)
        if place >= 0:
            found.append(ready[place])
            continue
        support = solved[size - 1].supports[row]
        if steps is not None:
            best = _best_of_grid(problem, support, steps, by_cost=by_cost)
        elif optima.mixes(least := optima.of(size, row)):
            if least == (size, row):
                optimum |= not found
                found.append(Found(tuple(int(i) for i in support), solved[size - 1].fractions[row], value))
            continue
        else:
            # Blends that are no better than those known of need not be found. Carriers that the optimum does without
            # are worth their while only where they bring the best blend of all.
            last = keep if least == (size, row) else 1
            limit = sorted(values)[last - 1] if len(values) >= last else np.inf
            if value >= limit:
                continue
            shares = optima.shares(least, support)
            best = best_in_one_phase(problem, support, shares, by_cost=by_cost, limit=limit)
            followed += 1
            before += not found
        if best is not None and best.value <= farthest:
            ready.append(best)
            values.append(best.value)
            heapq.heappush(waiting, (best.value, 1, size, row, len(ready) - 1))
    alone = solved[0]
    order = np.argsort(alone.value, kind="stable")
    single = None
    if np.isfinite(alone.value[order[0]]):
        single = Found((int(order[0]),), np.ones(1), float(alone.value[order[0]]))
    how = f"every set of at most {len(solved)} carriers solved to its optimum"
    how += "" if steps is None else f", in whole steps of {100 / steps:g} %"
    if followed:
        how += f"; for {followed:,} whose optimum parts without the oil, the edge of what mixes was followed"
        how += "" if before == 0 else ", which is no proof"
    return Search(
        found,
        sum(len(one.supports) for one in solved),
        int(sum(np.isfinite(one.closed).sum() for one in solved)),
        0,
        how,
        proven=before == 0,
        single=single,
        optimum=optimum and not by_cost,
    )


class _Optima:
    """Continuous optima of supports, by size and row, and whether they mix; that is asked once."""

    def __init__(self, problem: Problem, solved: list[Solved]) -> None:
        self._problem, self._solved = problem, solved
        self._mixes: dict[tuple[int, int], bool] = {}

    def of(self, size: int, row: int) -> tuple[int, int]:
        """Return the support, this one or a part of it, that has the optimum of all blends of these carriers."""
        while not np.isfinite(self._solved[size - 1].value[row]):
            support = self._solved[size - 1].supports[row]
            parts = rank_of(np.array([np.delete(support, place) for place in range(size)]))
            size -= 1
            row = int(parts[np.argmin(self._solved[size - 1].closed[parts])])
        return size, row

    def mixes(self, which: tuple[int, int]) -> bool:
        """Return whether the optimum of a support is one phase without the oil."""
        if which not in self._mixes:
            one, row = self._solved[which[0] - 1], which[1]
            self._mixes[which] = bool(self._problem.mixes(one.supports[row], one.fractions[row])[0])
        return self._mixes[which]

    def shares(self, which: tuple[int, int], support: Indices) -> Array:
        """Return the fractions of an optimum among the carriers of a larger support. [-]"""
        one, row = self._solved[which[0] - 1], which[1]
        found = np.zeros(len(support))
        found[np.searchsorted(support, one.supports[row])] = one.fractions[row]
        return found

    def best_values(self, keep: int, farthest: float) -> list[float]:
        """Return the objectives of so many of the best optima that mix. [objective]"""
        every = [
            (float(one.value[row]), size, int(row))
            for size, one in enumerate(self._solved, start=1)
            for row in np.flatnonzero(one.value <= farthest)
        ]
        found: list[float] = []
        for value, size, row in sorted(every):
            if len(found) == keep:
                break
            if self.mixes((size, row)):
                found.append(value)
        return found


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
