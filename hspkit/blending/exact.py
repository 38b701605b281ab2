"""Blends by distance or by cost under linear limits: exact, best first.

Continuous fractions come from `supports`. Blends in whole increments, and blends at the boundary of one phase (`edge`),
come from going through the supports in the order of their continuous optimum: it bounds whatever a support holds.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from itertools import islice
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.edge import best_in_one_phase
from hspkit.blending.problem import Problem, Recipe
from hspkit.blending.supports import Convex, Solved, combinations, rank_of, ranked, solve_supports

__all__ = ["Search", "search_exact", "solve"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]


@dataclass(frozen=True)
class Search:
    """Blends, best first, and what was looked at.

    Parameters
    ----------
    recipes : list of Recipe
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
    single : Recipe or None
        Best carrier alone.
    optimum : bool
        Whether the first blend is the optimum of the distance over the continuous fractions of its carriers.
    """

    recipes: list[Recipe]
    supports: int
    possible: int
    mixtures: int
    how: str
    proven: bool
    single: Recipe | None
    optimum: bool = False


class _Place(NamedTuple):
    """Where a support stands among those that were solved."""

    size: int
    row: int


def solve(problem: Problem, objective: Convex | None = None) -> list[Solved]:
    """Return the optimum of every support, by distance unless another objective is given."""
    objective = objective or Convex(problem.targets)
    offsets = None
    if problem.limits.viscosity_row is not None:
        sizes = range(1, problem.widest + 1)
        offsets = [problem.viscosity_offsets(combinations(len(problem.carriers), size)) for size in sizes]
    return solve_supports(
        objective.targets,
        problem.limits.rows,
        problem.limits.bounds,
        problem.max_carriers,
        cost=objective.cost,
        offsets=offsets,
    )


def search_exact(problem: Problem, objective: Convex, steps: int | None, keep: int) -> Search:
    """Return the best blends by distance or by cost.

    Parameters
    ----------
    problem : Problem
        The question.
    objective : Convex
        Distance or cost.
    steps : int or None
        Steps of the grid; None for continuous fractions. [-]
    keep : int
        How many blends. [-]

    Returns
    -------
    Search
    """
    search = _BestFirst(problem, objective, keep)
    recipes = search.run(steps)
    solved = search.solved
    single = int(np.argmin(solved[0].value))
    lowest = float(solved[0].value[single])
    how = f"every set of at most {len(solved)} carriers solved to its optimum"
    how += "" if steps is None else f", in whole steps of {100 / steps:g} %"
    if search.followed:
        how += (
            f"; for {search.followed:,} whose optimum separates without the oil, the boundary of one phase was searched"
        )
        how += ", which is no proof" if search.followed_before_best else ""
    return Search(
        recipes,
        sum(len(solution.supports) for solution in solved),
        int(sum(np.isfinite(solution.closed).sum() for solution in solved)),
        0,
        how,
        proven=not search.followed_before_best,
        single=Recipe((single,), np.ones(1), lowest) if np.isfinite(lowest) else None,
        optimum=search.optimum_is_best and objective.cost is None,
    )


class _BestFirst:
    """The supports in the order of their continuous optimum, each replaced by its best blend that can be made.

    Attributes
    ----------
    solved : list of Solved
        Continuous optima.
    followed, followed_before_best : int
        Supports whose boundary of one phase was searched, and how many of them before the best blend was certain. [-]
    optimum_is_best : bool
        Whether the best blend is a continuous optimum.
    """

    def __init__(self, problem: Problem, objective: Convex, keep: int) -> None:
        self.problem, self.objective, self.keep = problem, objective, keep
        self.solved = solve(problem, objective)
        self.farthest = np.finfo(float).max if problem.max_distance is None else problem.max_distance**2
        self.values: list[float] = []
        self.followed = self.followed_before_best = 0
        self.optimum_is_best = False

    def run(self, steps: int | None) -> list[Recipe]:
        """Return the best blends in whole steps, or in continuous fractions."""
        closed = ranked([solution.closed for solution in self.solved], self.farthest)
        waiting: list[tuple[float, int, _Place, Recipe | None]]  # a heap, as it is sorted
        waiting = [(value, 0, _Place(*place), None) for value, *place in closed]
        self.values = self._best_optima() if steps is None else []
        recipes: list[Recipe] = []
        while waiting and len(recipes) < self.keep:
            value, _, place, recipe = heapq.heappop(waiting)
            if recipe is not None:
                recipes.append(recipe)
                continue
            if steps is not None:
                recipe = self._best_of_grid(self._support(place), steps)
            elif self._mixes(optimum := self._optimum_of(place)):
                if optimum == place:
                    self.optimum_is_best |= not recipes
                    recipes.append(self._recipe(place, value))
                continue
            else:
                recipe = self._at_the_edge(place, optimum, value, first=not recipes)
            if recipe is not None and recipe.value <= self.farthest:
                self.values.append(recipe.value)
                heapq.heappush(waiting, (recipe.value, 1, place, recipe))
        return recipes

    def _support(self, place: _Place) -> Indices:
        return self.solved[place.size - 1].supports[place.row]

    def _recipe(self, place: _Place, value: float) -> Recipe:
        return Recipe(tuple(self._support(place).tolist()), self.solved[place.size - 1].fractions[place.row], value)

    def _optimum_of(self, place: _Place) -> _Place:
        """Return the support, this one or a part of it, that has the optimum of all blends of these carriers."""
        size, row = place
        while not np.isfinite(self.solved[size - 1].value[row]):
            support = self.solved[size - 1].supports[row]
            parts = rank_of(np.array([np.delete(support, member) for member in range(size)]))
            size -= 1
            row = int(parts[np.argmin(self.solved[size - 1].closed[parts])])
        return _Place(size, row)

    def _mixes(self, place: _Place) -> bool:
        """Return whether the optimum of a support is one phase without the oil."""
        optimum = self._recipe(place, np.nan)
        return self.problem.one_phase(optimum.support, optimum.shares)

    def _best_optima(self) -> list[float]:
        """Return the objectives of as many of the best optima that mix as blends are kept. [objective]"""
        optima = ranked([solution.value for solution in self.solved], self.farthest)
        mixing = (value for value, *place in optima if self._mixes(_Place(*place)))
        return list(islice(mixing, self.keep))

    def _at_the_edge(self, place: _Place, optimum: _Place, value: float, *, first: bool) -> Recipe | None:
        """Return the best blend of a support, whose optimum separates, in one phase; None where it is not needed.

        Blends that are no better than those known are not needed. Carriers that the optimum does without are tried
        only where they may bring the best blend of all.
        """
        last = self.keep if optimum == place else 1
        limit = sorted(self.values)[last - 1] if len(self.values) >= last else np.inf
        if value >= limit:
            return None
        self.followed += 1
        self.followed_before_best += first
        support, best = self._support(place), self._recipe(optimum, np.nan)
        shares = np.zeros(len(support))
        shares[np.searchsorted(support, best.support)] = best.shares
        return best_in_one_phase(self.problem, self.objective, support, shares, limit)

    def _best_of_grid(self, support: Indices, steps: int) -> Recipe | None:
        """Return the best blend of exactly these carriers in whole steps that is one phase; None when there is none."""
        supports, shares = self.problem.feasible_grid(support, steps)
        if self.objective.cost is not None:
            values = shares @ self.objective.cost[support]
        else:
            values = self.problem.squared_distance(supports, shares)
        order = np.argsort(values, kind="stable")
        start = 0
        while start < len(order):  # most often the first one mixes; widen when not
            part = order[start : start + max(1, 4 * start)]
            mixing = np.flatnonzero(self.problem.mixes(support, shares[part]))
            if mixing.size:
                best = part[mixing[0]]
                return Recipe(tuple(support.tolist()), shares[best], float(values[best]))
            start += len(part)
        return None
