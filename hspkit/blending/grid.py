"""Blends of a grid in one array, their margins, and the best of each set of carriers."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit.blending.problem import Problem, Recipe

__all__ = ["BlendArray", "highest_margin", "log_spinodal", "margin_of", "margins"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]


def margin_of(problem: Problem, supports: Indices, shares: Array, worst: float | None) -> Array:
    """Return the margin of clear of blends (b, s), the worst oil counting, shape (b,). [-]

    Parameters
    ----------
    problem : Problem
        The question.
    supports, shares : ndarray of shape (b, s)
        Blends. [-]
    worst : float or None
        Without it the margin is -ln M over its standard deviation: its normal probability is that of clear. With
        it -ln M in the worst case of this share. [-]
    """
    lowest = highest_margin(problem, supports, shares, worst)
    for stock in problem.stocks:
        lowest = np.minimum(lowest, _margin(*stock.log_index(supports, shares), worst))
    return lowest


def highest_margin(problem: Problem, supports: Indices, shares: Array, worst: float | None) -> Array:
    """Return the margin against small fluctuations alone, shape (b,): quick, and never less than the margin."""
    return np.min([_margin(*stock.log_local_index(supports, shares), worst) for stock in problem.stocks], axis=0)


def _margin(log_index: Array, spread: Array, worst: float | None) -> Array:
    return -log_index / spread if worst is None else -log_index + ndtri(worst) * spread


def log_spinodal(problem: Problem, supports: Indices, shares: Array) -> Array:
    """Return ln L, of several oils the largest."""
    largest = np.max([stock.spinodal_index(supports, shares) for stock in problem.stocks], axis=0)
    return np.log(np.maximum(largest, 1e-12))


def margins(problem: Problem, blends: BlendArray, worst: float | None = None) -> Array:
    """Return the margin of blends of all sizes, shape (b,). [-]"""
    margin = np.empty(len(blends))
    for rows, supports, shares in blends.by_size():
        margin[rows] = margin_of(problem, supports, shares, worst)
    return margin


@dataclass(frozen=True)
class BlendArray:
    """Blends of all sizes in one array; the first carrier repeated with share 0 fills a small support.

    Parameters
    ----------
    supports, shares : ndarray of shape (b, w)
        Carriers and their volume fractions. [-]
    value : ndarray of shape (b,)
        Objective, or a bound of it: smaller is better; inf where a blend is out of the question. [objective]
    """

    supports: Indices
    shares: Array
    value: Array

    @classmethod
    def of(cls, parts: Iterable[tuple[Indices, Array, Array]], width: int) -> BlendArray:
        """Gather blends of several sizes: supports and shares (b, s), value (b,)."""
        columns: list[tuple[Indices, Array, Array]] = [
            (np.zeros((0, width), np.intp), np.zeros((0, width)), np.zeros(0))
        ]
        for supports, shares, value in parts:
            wide = ((0, 0), (0, width - supports.shape[1]))
            first = np.repeat(supports[:, :1], wide[1][1], axis=1)
            columns.append((np.concatenate([supports, first], axis=1), np.pad(shares, wide), value))
        return cls(*(np.concatenate(column) for column in zip(*columns, strict=True)))

    @classmethod
    def screened(cls, problem: Problem, steps: int, bound: Callable[[Indices, Array], Array]) -> BlendArray:
        """Gather the blends of a grid that keep to the limits and whose bound is finite; their value is the bound."""

        def parts() -> Iterator[tuple[Indices, Array, Array]]:
            for supports, shares in problem.grid(steps):
                value = bound(supports, shares)
                rows = np.isfinite(value)
                yield supports[rows], shares[rows], value[rows]

        return cls.of(parts(), problem.widest)

    def __len__(self) -> int:
        return len(self.value)

    def take(self, rows: Indices | slice | NDArray[np.bool_]) -> BlendArray:
        """Return some of the blends."""
        return BlendArray(self.supports[rows], self.shares[rows], self.value[rows])

    @property
    def sizes(self) -> Indices:
        """How many carriers each blend has, shape (b,). [-]"""
        return (self.shares > 0).sum(axis=1)

    def by_size(self) -> Iterator[tuple[Indices, Indices, Array]]:
        """Yield the rows of one size of support, with supports and shares cut to that size."""
        sizes = self.sizes
        for size in np.unique(sizes):
            rows = np.flatnonzero(sizes == size)
            yield rows, self.supports[rows, :size], self.shares[rows, :size]

    def best(self, problem: Problem, keep: int, accepts: Callable[[Recipe], bool] | None = None) -> list[Recipe]:
        """Return the best blends, one a support, that are one phase without the oil and are accepted.

        Parameters
        ----------
        problem : Problem
            The question.
        keep : int
            How many at most. [-]
        accepts : callable, optional
            A last test of each of them.
        """
        recipes: dict[tuple[int, ...], Recipe] = {}
        sizes = self.sizes
        for row in np.argsort(self.value, kind="stable"):
            if len(recipes) == keep or not np.isfinite(self.value[row]):
                break
            support = tuple(self.supports[row, : sizes[row]].tolist())
            recipe = Recipe(support, self.shares[row, : sizes[row]], float(self.value[row]))
            if support in recipes or not problem.one_phase(support, recipe.shares):
                continue
            if accepts is None or accepts(recipe):
                recipes[support] = recipe
        return list(recipes.values())
