"""Blends by an objective that is not convex, searched on a grid.

All blends of the grid go through what costs next to nothing (the limits, and a bound of the objective such as the price
or the margin against small fluctuations); the phase engine looks at the promising ones in the order of that bound until
none of the others can win.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from math import comb

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.exact import Search
from hspkit.blending.grid import BlendArray
from hspkit.blending.problem import Problem, Recipe

__all__ = ["COARSE_STEPS", "ScreenedObjective", "search_screened"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Steps of the grid where none are asked for (5 %), of the refinement of its best blends (1 %), and how far that
#: reaches, in its own steps. [-]
COARSE_STEPS, _FINE_STEPS, _REACH = 20, 100, 4
#: Blends that are given to the phase engine together. [-]
_BATCH = 500


class ScreenedObjective:
    """What a search on a grid needs of an objective; the smallest value is the best."""

    #: Most blends whose value is computed: some seconds' work. [-]
    most_values = 6000
    #: How many times slower a value is than a margin. [-]
    slowness = 1
    #: Whether the best blends are searched again in finer steps where no increments are asked for.
    refined = False

    def bound(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        """Return a quick lower bound of the value of blends (b, s), shape (b,); inf where one cannot win."""
        raise NotImplementedError

    def values(self, problem: Problem, blends: BlendArray) -> Array:
        """Return the value of blends, shape (b,); inf where one is out of the question."""
        raise NotImplementedError

    def how(self, looked: int, screened: int, *, settled: bool) -> str:
        """Say which of the screened blends were looked at."""
        raise NotImplementedError

    def order(self, blends: BlendArray) -> Indices:
        """Return the order in which blends are looked at, from their bounds."""
        return np.argsort(blends.value, kind="stable")

    def accepts(self, problem: Problem, recipe: Recipe) -> bool:
        """Return whether a blend passes the last, slow test."""
        return True

    def single(self, problem: Problem) -> Recipe | None:
        """Return the best carrier alone, where it does not come out of the search itself."""
        return None

    def proves(self, problem: Problem, steps: int | None, *, settled: bool) -> bool:
        """Return whether the best blend is proven to be the best of the grid."""
        return settled


def search_screened(problem: Problem, objective: ScreenedObjective, steps: int | None, keep: int) -> Search:
    """Return the best blends of a grid.

    Parameters
    ----------
    problem : Problem
        The question.
    objective : ScreenedObjective
        What is best.
    steps : int or None
        Steps of the grid; None for 5 %, after which the best blends may be refined in steps of 1 %. [-]
    keep : int
        How many blends. [-]

    Returns
    -------
    Search
    """
    blends = BlendArray.screened(problem, steps or COARSE_STEPS, partial(objective.bound, problem))
    recipes, single, looked, settled = _best_of(problem, objective, blends.take(objective.order(blends)), keep)
    how = f"all blends in steps of {100 / (steps or COARSE_STEPS):g} % "
    how += objective.how(looked, len(blends), settled=settled)
    if steps is None and objective.refined:
        how += ", then refined in steps of 1 %"
        near = BlendArray.of((_around(problem, recipe) for recipe in recipes), problem.widest)
        near = replace(near, value=objective.values(problem, near))
        recipes, looked = near.best(problem, keep), looked + len(near)
    return Search(
        recipes,
        sum(comb(len(problem.carriers), size) for size in range(1, problem.widest + 1)),
        len(np.unique(blends.supports, axis=0)),
        looked,
        how,
        proven=objective.proves(problem, steps, settled=settled),
        single=single,
    )


def _best_of(
    problem: Problem, objective: ScreenedObjective, blends: BlendArray, keep: int
) -> tuple[list[Recipe], Recipe | None, int, bool]:
    """Return the best blends, the best carrier alone, how many were looked at, and whether no other can win."""
    accepts = partial(objective.accepts, problem)
    single = objective.single(problem)
    alone = (blends.sizes == 1) & (single is None)  # rows that may be the best carrier alone
    rest = np.minimum.accumulate(blends.value[::-1])[::-1]
    value = np.full(len(blends), np.inf)
    recipes: list[Recipe] = []
    done, looked, settled, complete = 0, 0, not len(blends), not len(blends)
    while not complete and looked < objective.most_values:
        rows = np.arange(done, min(done + max(1, _BATCH // objective.slowness), len(blends)))
        done += len(rows)
        rows = rows[alone[rows]] if settled else rows
        value[rows] = objective.values(problem, blends.take(rows))
        looked += len(rows) if problem.stocks else 0
        valued = replace(blends, value=value).take(slice(done))
        recipes = valued.best(problem, keep, accepts)
        settled = done == len(blends) or (len(recipes) == keep and recipes[-1].value <= rest[done])
        single = next(iter(valued.take(alone[:done]).best(problem, 1, accepts)), single)
        least = np.inf if single is None else single.value
        complete = settled and not (blends.value[done:][alone[done:]] < least).any()
    return recipes, single, looked, settled


def _around(problem: Problem, recipe: Recipe) -> tuple[Indices, Array, Array]:
    """Return all blends of a support in steps of 1 % near one blend that keep to the limits, and a value of 0."""
    size = len(recipe.support)
    centre = np.round(recipe.shares * _FINE_STEPS).astype(int)
    axes = np.meshgrid(*[np.arange(-_REACH, _REACH + 1)] * (size - 1), indexing="ij")
    moves = np.array([axis.ravel() for axis in axes], dtype=int).reshape(size - 1, (2 * _REACH + 1) ** (size - 1)).T
    moves = np.column_stack([moves, -moves.sum(axis=1)])
    percent = centre + moves[np.abs(moves).max(axis=1) <= _REACH]
    percent[:, -1] += _FINE_STEPS - percent.sum(axis=1)
    shares = percent[(percent > 0).all(axis=1)] / _FINE_STEPS
    supports = np.tile(np.array(recipe.support, dtype=np.intp), (len(shares), 1))
    feasible = problem.feasible(supports, shares)
    if not feasible.any():
        return supports[:1], recipe.shares[None, :], np.zeros(1)
    return supports[feasible], shares[feasible], np.zeros(int(feasible.sum()))
