"""All blends of a grid with a quick figure each, their margins, and the best of each set of carriers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit.blending.problem import Found, Problem

__all__ = [
    "Best", "Grid", "by_size", "count_supports", "highest_margin", "log_spinodal", "margin_of", "margins", "padded",
]  # fmt: skip

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
    found = [_margin(*stock.log_local_index(supports, shares), worst) for stock in problem.stocks]
    return np.min(found, axis=0)


def _margin(log_index: Array, spread: Array, worst: float | None) -> Array:
    return -log_index / spread if worst is None else -log_index + ndtri(worst) * spread


@dataclass
class Grid:
    """Blends of the grid by size of support, with a quick figure each."""

    supports: list[Indices]
    shares: list[Array]
    figure: Array

    @classmethod
    def of(
        cls,
        problem: Problem,
        steps: int,
        figure: Callable[[Indices, Array], Array],
        kept: Callable[[Array], NDArray[np.bool_]],
    ) -> Grid:
        """Gather the blends whose figure is to be kept."""
        supports, shares, figures = [], [], []
        width = min(problem.max_carriers, len(problem.chosen))
        for some, mixed in problem.grid(steps):
            values = figure(some, mixed)
            rows = np.flatnonzero(kept(values))
            supports.append(padded(some[rows], width))
            shares.append(np.pad(mixed[rows], ((0, 0), (0, width - mixed.shape[1]))))
            figures.append(values[rows])
        return cls(supports, shares, np.concatenate(figures) if figures else np.zeros(0))

    def arrays(self) -> tuple[Indices, Array]:
        """Return all supports and shares (b, widest); a carrier repeated with share 0 fills a small support."""
        return np.concatenate(self.supports), np.concatenate(self.shares)


def padded(supports: Indices, width: int) -> Indices:
    return np.concatenate([supports, np.repeat(supports[:, :1], width - supports.shape[1], axis=1)], axis=1)


def by_size(supports: Indices, shares: Array) -> Iterator[tuple[Indices, Indices, Array]]:
    """Yield rows of one size of support with their arrays, cut to that size."""
    sizes = (shares > 0).sum(axis=1)
    for size in np.unique(sizes):
        rows = np.flatnonzero(sizes == size)
        yield rows, supports[rows, :size], shares[rows, :size]


def margins(problem: Problem, supports: Indices, shares: Array, worst: float | None) -> Array:
    margin = np.empty(len(supports))
    for rows, some, mixed in by_size(supports, shares):
        margin[rows] = margin_of(problem, some, mixed, worst)
    return margin


class Best:
    """The best blend of each support so far, given that the carriers mix with one another."""

    def __init__(self, problem: Problem, keep: int) -> None:
        self.problem = problem
        self.keep = keep
        self.known: dict[bytes, bool] = {}

    def pick(self, supports: Indices, shares: Array, value: Array) -> list[Found]:
        """Return the best blends, one a support, smallest value first."""
        found: dict[tuple[int, ...], Found] = {}
        for row in np.argsort(value, kind="stable"):
            size = int((shares[row] > 0).sum())
            support = tuple(int(i) for i in supports[row, :size])
            if support in found or not np.isfinite(value[row]):
                continue
            if self._mixes(support, shares[row, :size]):
                found[support] = Found(support, shares[row, :size], float(value[row]))
                if len(found) == self.keep:
                    break
        return list(found.values())

    def _mixes(self, support: tuple[int, ...], shares: Array) -> bool:
        key = np.array(support).tobytes() + np.asarray(shares).tobytes()
        if key not in self.known:
            self.known[key] = bool(self.problem.mixes(support, shares)[0])
        return self.known[key]


def log_spinodal(problem: Problem, supports: Indices, shares: Array) -> Array:
    """Return ln L, of several oils the largest."""
    largest = np.max([stock.spinodal_index(supports, shares) for stock in problem.stocks], axis=0)
    return np.log(np.maximum(largest, 1e-12))


def count_supports(problem: Problem, width: int) -> int:
    return sum(comb(len(problem.chosen), size) for size in range(1, width + 1))
