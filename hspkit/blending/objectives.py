"""What makes a blend the best one: each objective with its search, its value and what it needs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit import checks
from hspkit.blending.exact import Search, search_exact
from hspkit.blending.grid import BlendArray, highest_margin, log_spinodal, margin_of, margins
from hspkit.blending.problem import Problem, Recipe
from hspkit.blending.robust import search_worst_distance
from hspkit.blending.screened import search_screened
from hspkit.blending.supports import Convex, combinations
from hspkit.errors import InputError

__all__ = ["Clear", "Cost", "Distance", "Objective", "WaterTolerance", "WorstDistance", "objective_of"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Most mixtures that a search by margin gives to the phase engine, and most that a search by water gives to it, where
#: each is followed along a line of dilution: some seconds' work. [-]
_ENGINE_POINTS, _WATER_POINTS = 6000, 1500
#: Blends of each part of the grid that stay in although their spinodal index says that they split. [-]
_LEAST_KEPT = 50


class Objective(Protocol):
    """What is best; the smallest value is."""

    @property
    def name(self) -> str:
        """As it is asked for."""

    @property
    def label(self) -> str:
        """As it is called in the certificate."""

    @property
    def needs_oil(self) -> bool:
        """Whether it says nothing of a point in Hansen space."""

    @property
    def needs_price(self) -> bool:
        """Whether every carrier must have a price."""

    @property
    def on_grid(self) -> bool:
        """Whether all blends of a grid are looked at."""

    @property
    def bounded(self) -> bool:
        """Whether convexity gives a bound for blends of any number of carriers."""

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        """Return the best blends, in whole steps or, with None, in steps that suit the objective."""

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        """Return the value of a blend as the certificate shows it."""


def objective_of(
    name: str, worst_case: float | None, min_p_clear: float, random_state: int | np.random.Generator | None
) -> Objective:
    """Return the objective of a name.

    Parameters
    ----------
    name : str
        As `best_blend` is asked for it. [-]
    worst_case : float or None
        Rank by the worst case of this share. [-]
    min_p_clear : float
        The probability from which a blend counts as clear. [-]
    random_state : int, Generator or None
        Seed of the draws of a worst case. [-]

    Raises
    ------
    InputError
        For another name, or a worst case of an objective that has none.
    """
    least = checks.between(min_p_clear, "min_p_clear", 0, 1, "a probability between 0 and 1")
    if worst_case is not None:
        worst_case = checks.between(worst_case, "worst_case", 0, 1, "a share between 0 and 1, such as 0.2")
    distance: Objective = Distance() if worst_case is None else WorstDistance(worst_case, random_state)
    objectives = {one.name: one for one in (distance, Clear(worst_case), WaterTolerance(least), Cost(least))}
    objective = objectives[checks.choice(name, "objective", tuple(objectives))]
    if worst_case is not None and isinstance(objective, WaterTolerance | Cost):
        message = f"worst_case goes with 'distance' and 'clear'; for {name!r} raise min_p_clear instead"
        raise InputError(message)
    return objective


def _worst(name: str, share: float | None) -> str:
    return name if share is None else f"{name}, worst {100 * share:g} %"


@dataclass(frozen=True)
class Distance:
    """The smallest Hansen distance; the value is its square [MPa]."""

    name = label = "distance"
    needs_oil = needs_price = on_grid = False
    bounded = True

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        return search_exact(problem, Convex(problem.targets), steps, keep)

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        return float(np.sqrt(max(recipe.value, 0.0)))


@dataclass(frozen=True)
class WorstDistance:
    """The smallest Hansen distance in the worst case of a share [-]; the value is that distance [MPa^0.5]."""

    worst: float
    random_state: int | np.random.Generator | None

    name = "distance"
    needs_oil = needs_price = on_grid = bounded = False

    @property
    def label(self) -> str:
        return _worst(self.name, self.worst)

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        return search_worst_distance(problem, steps, keep, self.worst, self.random_state)

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        return recipe.value


@dataclass(frozen=True)
class Clear:
    """The largest probability of clear, or the best worst case of a share [-]; the value is minus the margin [-].

    The margin is of first order: where the phase that separates first changes, it may jump although the probability
    does not. So the blends that it finds are put in the order of the probability that `dissolve` gives them.
    """

    worst: float | None = None

    name = "clear"
    needs_oil = on_grid = refined = True
    needs_price = bounded = False
    most_values, slowness = _ENGINE_POINTS, 1

    @property
    def label(self) -> str:
        return _worst(self.name, self.worst)

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        search = search_screened(problem, self, steps, keep)
        if self.worst is not None:
            return search
        chances = [(_p_clear(problem, recipe), recipe) for recipe in search.recipes]
        chances = [(chance, recipe) for chance, recipe in chances if np.isfinite(chance)]
        recipes = [recipe for _, recipe in sorted(chances, key=lambda pair: -pair[0])]
        how = search.how + "; those shown stand in the order of the probability that draws give"
        return replace(search, recipes=recipes, how=how)

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        return _p_clear(problem, recipe) if self.worst is None else float(np.exp(recipe.value))

    def bound(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        bound = np.full(len(supports), np.inf)
        log_l = log_spinodal(problem, supports, shares)
        rows = np.flatnonzero(log_l <= max(0.0, float(np.sort(log_l)[:_LEAST_KEPT][-1])))
        bound[rows] = -highest_margin(problem, supports[rows], shares[rows], self.worst)
        return bound

    def order(self, blends: BlendArray) -> Indices:
        return np.argsort(blends.value, kind="stable")

    def values(self, problem: Problem, blends: BlendArray) -> Array:
        return -margins(problem, blends, self.worst)

    def accepts(self, problem: Problem, recipe: Recipe) -> bool:
        return True

    def single(self, problem: Problem) -> Recipe | None:
        supports = combinations(len(problem.carriers), 1)
        supports = supports[problem.feasible(supports, np.ones((len(supports), 1)))]
        if not len(supports):
            return None
        margin = margin_of(problem, supports, np.ones((len(supports), 1)), self.worst)
        best = int(np.argmax(margin))
        return Recipe((int(supports[best, 0]),), np.ones(1), -float(margin[best]))

    def how(self, looked: int, screened: int, *, settled: bool) -> str:
        which = "every one that could win" if settled else f"the best {looked:,} of {screened:,}"
        return f"screened by their margin against small fluctuations, {which} given to the phase engine"

    def proves(self, problem: Problem, steps: int | None, *, settled: bool) -> bool:
        return settled and steps is not None


@dataclass(frozen=True)
class WaterTolerance:
    """The most water among the blends that are clear with a probability [-]; the value is minus its share [-].

    The share is that of water in the whole at the cloud point; of several oils the least counts.
    """

    min_p_clear: float

    name = label = "water tolerance"
    needs_oil = on_grid = True
    needs_price = bounded = refined = False
    most_values, slowness = _WATER_POINTS, 10

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        return search_screened(problem, self, steps, keep)

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        return -recipe.value

    def bound(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        bound = np.full(len(supports), np.inf)
        rows = _maybe_clear(problem, supports, shares, self.min_p_clear)
        if rows.size:
            tolerances = [stock.highest_water_tolerance(supports[rows], shares[rows]) for stock in problem.stocks]
            bound[rows] = -np.min(tolerances, axis=0)
        return bound

    def order(self, blends: BlendArray) -> Indices:
        # carriers alone first, so that the best of them is known; then by the bound
        return np.lexsort([blends.value, blends.sizes > 1])

    def values(self, problem: Problem, blends: BlendArray) -> Array:
        value = np.full(len(blends), np.inf)
        clear = np.flatnonzero(margins(problem, blends) >= ndtri(self.min_p_clear))
        for rows, supports, shares in blends.take(clear).by_size():
            tolerances = [stock.water_tolerance(supports, shares) for stock in problem.stocks]
            value[clear[rows]] = -np.min(tolerances, axis=0)
        return value

    def accepts(self, problem: Problem, recipe: Recipe) -> bool:
        return _surely_clear(problem, recipe, self.min_p_clear)

    def single(self, problem: Problem) -> Recipe | None:
        return None

    def how(self, looked: int, screened: int, *, settled: bool) -> str:
        which = "until no other could take more" if settled else f"the best {looked:,} of {screened:,}"
        return f"that could be clear, in the order of the water they could take, {which}"

    def proves(self, problem: Problem, steps: int | None, *, settled: bool) -> bool:
        return settled


@dataclass(frozen=True)
class Cost:
    """The lowest cost among the blends that are clear with a probability [-]; the value is the cost [per L].

    The probability is asked of the margin first, then of `dissolve`, which is slower and surer. A point in Hansen space
    has none: there the cheapest blend within the largest distance counts.
    """

    min_p_clear: float

    name = label = "cost"
    needs_price = on_grid = True
    needs_oil = bounded = refined = False
    most_values, slowness = _ENGINE_POINTS, 1

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        if not problem.stocks and problem.max_distance is None:
            return search_exact(problem, Convex([], problem.cost), steps, keep)
        return search_screened(problem, self, steps, keep)

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        return recipe.value

    def bound(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        cost = (np.asarray(problem.cost)[supports] * shares).sum(axis=1)
        if not problem.stocks:
            return cost
        bound = np.full(len(supports), np.inf)
        rows = _maybe_clear(problem, supports, shares, self.min_p_clear)
        bound[rows] = cost[rows]
        return bound

    def order(self, blends: BlendArray) -> Indices:
        return np.argsort(blends.value, kind="stable")

    def values(self, problem: Problem, blends: BlendArray) -> Array:
        if not problem.stocks:
            return blends.value
        return np.where(margins(problem, blends) >= ndtri(self.min_p_clear), blends.value, np.inf)

    def accepts(self, problem: Problem, recipe: Recipe) -> bool:
        return _surely_clear(problem, recipe, self.min_p_clear)

    def single(self, problem: Problem) -> Recipe | None:
        return None

    def how(self, looked: int, screened: int, *, settled: bool) -> str:
        enough = "taken in the order of their cost until enough were clear"
        return enough if looked < self.most_values else f"{enough}, or {looked:,} looked at"

    def proves(self, problem: Problem, steps: int | None, *, settled: bool) -> bool:
        # draws decide in the end, and they may call clear what the margin, of first order, does not
        return not problem.stocks


def _p_clear(problem: Problem, recipe: Recipe) -> float:
    return float(np.min([outcome.p_clear for outcome in problem.outcomes(recipe)] or [np.nan]))


def _maybe_clear(problem: Problem, supports: Indices, shares: Array, least: float) -> Indices:
    """Return the rows of blends (b, s) that may be clear with a probability, as quick bounds have it."""
    margin = float(ndtri(least))
    rows = np.flatnonzero(log_spinodal(problem, supports, shares) < (0.0 if margin >= 0 else np.inf))
    return rows[highest_margin(problem, supports[rows], shares[rows], None) >= margin]


def _surely_clear(problem: Problem, recipe: Recipe, least: float) -> bool:
    return all(outcome.p_clear >= least for outcome in problem.outcomes(recipe))
