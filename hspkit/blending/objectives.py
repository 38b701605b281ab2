"""What makes a blend the best one: each objective with its search, its value and what it needs."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit import checks
from hspkit.blending.exact import Search, search_exact
from hspkit.blending.grid import BlendArray, highest_margin, log_spinodal, margin_of, margins
from hspkit.blending.problem import Problem, Recipe
from hspkit.blending.robust import search_worst_distance
from hspkit.blending.screened import ScreenedObjective, search_screened
from hspkit.blending.supports import Convex
from hspkit.errors import InputError
from hspkit.miscibility import UNDECIDED

__all__ = ["Clear", "Cost", "Distance", "Objective", "WaterTolerance", "WorstDistance", "objective_of"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Blends of each part of the grid that stay in although their spinodal index says that they split. [-]
_LEAST_KEPT = 50


@dataclass(frozen=True)
class Objective:
    """What makes a blend the best one; the smallest value does.

    Parameters
    ----------
    worst : float or None
        The value is that of the worst case of this share. [-]
    """

    worst: float | None = None

    #: As it is asked for.
    name: ClassVar[str]
    #: Whether it says nothing of a point in Hansen space, and whether every carrier must have a price.
    needs_oil = needs_price = False
    #: Whether all blends of a grid are looked at.
    on_grid = True
    #: Whether convexity gives a bound for blends of any number of carriers.
    bounded = False

    @property
    def label(self) -> str:
        """As it is called in the certificate."""
        return self.name if self.worst is None else f"{self.name}, worst {100 * self.worst:g} %"

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        """Return the best blends, in whole steps or, with None, in steps that suit the objective."""
        raise NotImplementedError

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        """Return the value of a blend as the certificate shows it."""
        return recipe.value


@dataclass(frozen=True)
class Distance(Objective):
    """The smallest Hansen distance; the value is its square [MPa]."""

    name = "distance"
    on_grid = False
    bounded = True

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        return search_exact(problem, Convex(problem.targets), steps, keep)

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        return float(np.sqrt(max(recipe.value, 0.0)))


@dataclass(frozen=True)
class WorstDistance(Objective):
    """The smallest Hansen distance in the worst case; the value is that distance [MPa^0.5]."""

    worst: float
    random_state: int | np.random.Generator | None = 0

    name = "distance"
    on_grid = False

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        return search_worst_distance(problem, steps, keep, self.worst, self.random_state)


@dataclass(frozen=True)
class Clear(ScreenedObjective, Objective):
    """The largest probability of clear, or the best worst case; the value is minus the margin [-].

    The margin is of first order: where the phase that separates first changes, it may jump although the probability
    does not. So the best blends are put in the order of the probability that `dissolve` gives them.
    """

    name = "clear"
    needs_oil = refined = True

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        search = search_screened(problem, self, steps, keep)
        if self.worst is not None:
            return search
        chances = np.array([self.shown(problem, recipe) for recipe in search.recipes])
        order = np.argsort(-chances, kind="stable")
        recipes = [search.recipes[place] for place in order if np.isfinite(chances[place])]
        how = search.how + "; those shown stand in the order of the probability that draws give"
        return replace(search, recipes=recipes, how=how)

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        if self.worst is not None:
            return float(np.exp(recipe.value))
        return float(np.min([outcome.p_clear for outcome in problem.outcomes(recipe)]))

    def bound(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        bound = np.full(len(supports), np.inf)
        log_l = log_spinodal(problem, supports, shares)
        rows = np.flatnonzero(log_l <= max(0.0, float(np.sort(log_l)[:_LEAST_KEPT][-1])))
        bound[rows] = -highest_margin(problem, supports[rows], shares[rows], self.worst)
        return bound

    def values(self, problem: Problem, blends: BlendArray) -> Array:
        return -margins(problem, blends, self.worst)

    def single(self, problem: Problem) -> Recipe | None:
        supports, shares = next(problem.grid(1), (np.zeros((0, 1), dtype=np.intp), np.ones((0, 1))))
        alone = BlendArray(supports, shares, -margin_of(problem, supports, shares, self.worst))
        return next(iter(alone.best(problem, 1)), None)

    def how(self, looked: int, screened: int, *, settled: bool) -> str:
        which = "every one that could win" if settled else f"the best {looked:,} of {screened:,}"
        return f"screened by their margin against small fluctuations, {which} given to the phase engine"

    def proves(self, problem: Problem, steps: int | None, *, settled: bool) -> bool:
        return settled and steps is not None


@dataclass(frozen=True)
class _AmongClear(ScreenedObjective, Objective):
    """Something else than the phases, among the blends that are clear with a probability [-].

    The margin is asked first, then `dissolve`, which is slower and surer. Points in Hansen space have neither, so all
    their blends count.
    """

    min_p_clear: float = UNDECIDED[1]

    def value(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        """Return the value of blends (b, s), shape (b,)."""
        raise NotImplementedError

    def quick(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        """Return a quick lower bound of the value."""
        return self.value(problem, supports, shares)

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        return search_screened(problem, self, steps, keep)

    def bound(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        rows, bound, least = np.arange(len(supports)), np.full(len(supports), np.inf), ndtri(self.min_p_clear)
        if problem.stocks:
            rows = np.flatnonzero(log_spinodal(problem, supports, shares) < (0.0 if least >= 0 else np.inf))
            rows = rows[highest_margin(problem, supports[rows], shares[rows], None) >= least]
        bound[rows] = self.quick(problem, supports[rows], shares[rows])
        return bound

    def values(self, problem: Problem, blends: BlendArray) -> Array:
        value, rows = np.full(len(blends), np.inf), np.arange(len(blends))
        if problem.stocks:
            rows = rows[margins(problem, blends) >= ndtri(self.min_p_clear)]
        for part, supports, shares in blends.take(rows).by_size():
            value[rows[part]] = self.value(problem, supports, shares)
        return value

    def accepts(self, problem: Problem, recipe: Recipe) -> bool:
        return all(outcome.p_clear >= self.min_p_clear for outcome in problem.outcomes(recipe))


@dataclass(frozen=True)
class WaterTolerance(_AmongClear):
    """The most water; the value is minus its share in the whole at the cloud point [-], of several oils the least."""

    name = "water tolerance"
    needs_oil = True
    most_values, slowness = 1500, 10  # each blend is followed along a line of dilution

    def value(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        return -np.min([stock.water_tolerance(supports, shares) for stock in problem.stocks], axis=0)

    def quick(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        return -np.min([stock.highest_water_tolerance(supports, shares) for stock in problem.stocks], axis=0)

    def order(self, blends: BlendArray) -> Indices:
        # carriers alone first, so that the best of them is known; then by the bound
        return np.lexsort([blends.value, blends.sizes > 1])

    def shown(self, problem: Problem, recipe: Recipe) -> float:
        return -recipe.value

    def how(self, looked: int, screened: int, *, settled: bool) -> str:
        which = "until no other could take more" if settled else f"the best {looked:,} of {screened:,}"
        return f"that could be clear, in the order of the water they could take, {which}"


@dataclass(frozen=True)
class Cost(_AmongClear):
    """The lowest cost [per L]."""

    name = "cost"
    needs_price = True

    def value(self, problem: Problem, supports: Indices, shares: Array) -> Array:
        return (np.asarray(problem.cost)[supports] * shares).sum(axis=1)

    def search(self, problem: Problem, steps: int | None, keep: int) -> Search:
        if not problem.stocks and problem.max_distance is None:
            return search_exact(problem, Convex([], problem.cost), steps, keep)
        return super().search(problem, steps, keep)

    def how(self, looked: int, screened: int, *, settled: bool) -> str:
        enough = "taken in the order of their cost until enough were clear"
        return enough if looked < self.most_values else f"{enough}, or {looked:,} looked at"

    def proves(self, problem: Problem, steps: int | None, *, settled: bool) -> bool:
        # draws decide in the end, and they may call clear what the margin, of first order, does not
        return not problem.stocks


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
    distance = Distance() if worst_case is None else WorstDistance(worst_case, random_state)
    every = (distance, Clear(worst_case), WaterTolerance(min_p_clear=least), Cost(min_p_clear=least))
    objectives: dict[str, Objective] = {objective.name: objective for objective in every}
    objective = objectives[checks.choice(name, "objective", tuple(objectives))]
    if worst_case is not None and objective.worst is None:
        message = f"worst_case goes with 'distance' and 'clear'; for {name!r} raise min_p_clear instead"
        raise InputError(message)
    return objective
