"""Blends by the probability of clear, by cost among the clear ones, or by their bad cases: searched on a grid.

None of these is convex. All blends of the grid go through what costs next to nothing (the limits, the price, the
margin against small fluctuations, which bounds the margin from above); the phase engine looks at the promising ones in
that order until none of the others can win.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit.blending.exact import Search, solve
from hspkit.blending.problem import Found, Problem, compositions
from hspkit.blending.stock import drawn
from hspkit.blending.supports import combinations
from hspkit.oils import Oil

__all__ = ["ENGINE_POINTS", "margin_of", "search_by_cost", "search_by_margin", "search_worst_distance"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Most mixtures that a search by margin gives to the phase engine [-]: some seconds' work.
ENGINE_POINTS = 6000
_BATCH = 500
#: Blends of each part of the grid that stay in although their spinodal index says that they split. [-]
_LEAST_KEPT = 50
#: Steps of the last refinement (1 %) and how far it reaches from a blend of the grid, in such steps.
_FINE_STEPS = 100
_REACH = 4
#: Supports whose grid is searched for the best bad case, by their distance. [-]
_POOL = 400
_DRAWS = 400


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
    lowest = _highest_margin(problem, supports, shares, worst)
    for stock in problem.stocks:
        lowest = np.minimum(lowest, _margin(*stock.log_index(supports, shares), worst))
    return lowest


def _highest_margin(problem: Problem, supports: Indices, shares: Array, worst: float | None) -> Array:
    """Return the margin against small fluctuations alone, shape (b,): quick, and never less than the margin."""
    found = [_margin(*stock.log_local_index(supports, shares), worst) for stock in problem.stocks]
    return np.min(found, axis=0)


def _margin(log_index: Array, spread: Array, worst: float | None) -> Array:
    return -log_index / spread if worst is None else -log_index + ndtri(worst) * spread


@dataclass
class _Grid:
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
    ) -> _Grid:
        """Gather the blends whose figure is to be kept."""
        supports, shares, figures = [], [], []
        width = min(problem.max_carriers, len(problem.chosen))
        for some, mixed in problem.grid(steps):
            values = figure(some, mixed)
            rows = np.flatnonzero(kept(values))
            supports.append(_padded(some[rows], width))
            shares.append(np.pad(mixed[rows], ((0, 0), (0, width - mixed.shape[1]))))
            figures.append(values[rows])
        return cls(supports, shares, np.concatenate(figures) if figures else np.zeros(0))

    def arrays(self) -> tuple[Indices, Array]:
        """Return all supports and shares (b, widest); a carrier repeated with share 0 fills a small support."""
        return np.concatenate(self.supports), np.concatenate(self.shares)


def _padded(supports: Indices, width: int) -> Indices:
    return np.concatenate([supports, np.repeat(supports[:, :1], width - supports.shape[1], axis=1)], axis=1)


def _by_size(supports: Indices, shares: Array) -> Iterator[tuple[Indices, Indices, Array]]:
    """Yield rows of one size of support with their arrays, cut to that size."""
    sizes = (shares > 0).sum(axis=1)
    for size in np.unique(sizes):
        rows = np.flatnonzero(sizes == size)
        yield rows, supports[rows, :size], shares[rows, :size]


def _margins(problem: Problem, supports: Indices, shares: Array, worst: float | None) -> Array:
    margin = np.empty(len(supports))
    for rows, some, mixed in _by_size(supports, shares):
        margin[rows] = margin_of(problem, some, mixed, worst)
    return margin


class _Best:
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


def _log_spinodal(problem: Problem, supports: Indices, shares: Array) -> Array:
    """Return ln L, of several oils the largest."""
    largest = np.max([stock.spinodal_index(supports, shares) for stock in problem.stocks], axis=0)
    return np.log(np.maximum(largest, 1e-12))


def _single(problem: Problem, worst: float | None) -> Found | None:
    supports = combinations(len(problem.chosen), 1)
    shares = np.ones((len(supports), 1))
    rows = np.flatnonzero(problem.feasible(supports, shares))
    if not rows.size:
        return None
    margin = margin_of(problem, supports[rows], shares[rows], worst)
    best = int(np.argmax(margin))
    return Found((int(rows[best]),), np.ones(1), -float(margin[best]))


def search_by_margin(problem: Problem, *, steps: int | None, keep: int, worst: float | None) -> Search:
    """Return the blends that are most surely clear.

    Parameters
    ----------
    problem : Problem
        The question; it has at least one oil.
    steps : int or None
        Steps of the grid; None searches in steps of 5 % and then of 1 % around the best. [-]
    keep : int
        How many blends. [-]
    worst : float or None
        As in `margin_of`. [-]

    Returns
    -------
    Search
        The value of a blend is minus its margin.
    """
    coarse = steps or 20

    def figure(some: Indices, mixed: Array) -> Array:
        bound = np.full(len(some), -np.inf)
        log_l = _log_spinodal(problem, some, mixed)
        rows = np.flatnonzero(log_l <= max(0.0, float(np.sort(log_l)[:_LEAST_KEPT][-1])))
        bound[rows] = _highest_margin(problem, some[rows], mixed[rows], worst)
        return -bound

    grid = _Grid.of(problem, coarse, figure, np.isfinite)
    width = min(problem.max_carriers, len(problem.chosen))
    if not grid.figure.size:
        return Search([], _count(problem, width), 0, 0, "no blend of the grid keeps to the limits", True, None)
    supports, shares = grid.arrays()
    order = np.argsort(grid.figure, kind="stable")
    supports, shares, least = supports[order], shares[order], grid.figure[order]
    value = np.full(len(supports), np.inf)
    best = _Best(problem, keep)
    picked: list[Found] = []
    done, settled = 0, False
    while done < min(len(supports), ENGINE_POINTS) and not settled:
        part = slice(done, min(done + _BATCH, ENGINE_POINTS))
        value[part] = -_margins(problem, supports[part], shares[part], worst)
        done = min(part.stop, len(supports))
        picked = best.pick(supports[:done], shares[:done], value[:done])
        settled = done == len(supports) or (len(picked) == keep and picked[-1].value <= least[done])
    looked = done
    if steps is None and picked:
        around = [_around(problem, one) for one in picked]
        fine_supports = np.concatenate([_padded(a, width) for a, _ in around])
        fine_shares = np.concatenate([np.pad(b, ((0, 0), (0, width - b.shape[1]))) for _, b in around])
        margin = _margins(problem, fine_supports, fine_shares, worst)
        looked += len(margin)
        picked = best.pick(fine_supports, fine_shares, -margin)
    how = f"all blends in steps of {100 / coarse:g} % screened by their margin against small fluctuations"
    how += ", every one that could win" if settled else f", the best {done:,} of {len(supports):,}"
    how += " given to the phase engine" + ("" if steps else ", then refined in steps of 1 %")
    return Search(
        picked,
        _count(problem, width),
        len({tuple(row) for row in supports.tolist()}),
        looked,
        how,
        proven=settled and steps is not None,
        single=_single(problem, worst),
    )


def _count(problem: Problem, width: int) -> int:
    from math import comb

    return sum(comb(len(problem.chosen), size) for size in range(1, width + 1))


def _around(problem: Problem, one: Found) -> tuple[Indices, Array]:
    """Return all blends of a support in steps of 1 % near one blend that keep to the limits."""
    size = len(one.support)
    centre = np.round(one.shares * _FINE_STEPS).astype(int)
    if size == 1:
        return np.array([one.support], dtype=np.intp), np.ones((1, 1))
    axes = np.meshgrid(*[np.arange(-_REACH, _REACH + 1)] * (size - 1), indexing="ij")
    moves = np.stack([axis.ravel() for axis in axes], axis=1)
    moves = np.column_stack([moves, -moves.sum(axis=1)])
    whole = centre + moves[np.abs(moves).max(axis=1) <= _REACH]
    whole[:, -1] += _FINE_STEPS - whole.sum(axis=1)
    shares = whole[(whole > 0).all(axis=1)] / _FINE_STEPS
    supports = np.tile(np.array(one.support, dtype=np.intp), (len(shares), 1))
    fine = problem.feasible(supports, shares)
    if not fine.any():
        return supports[:1], one.shares[None, :]
    return supports[fine], shares[fine]


def search_by_cost(problem: Problem, *, steps: int | None, keep: int, min_p_clear: float) -> Search:
    """Return the cheapest blends that are clear.

    Parameters
    ----------
    problem : Problem
        The question, with prices.
    steps : int or None
        Steps of the grid; None for 5 %. [-]
    keep : int
        How many blends. [-]
    min_p_clear : float
        The probability that counts as clear; without an oil it is not asked for. It is asked of the margin first, then
        of draws, then of `dissolve`: each is slower and surer than the one before. [-]

    Returns
    -------
    Search
        The value of a blend is its cost per L.
    """
    price = np.zeros(len(problem.chosen)) if problem.cost is None else problem.cost
    coarse = steps or 20
    width = min(problem.max_carriers, len(problem.chosen))
    least_margin = float(ndtri(min_p_clear))
    hopeless = 0.0 if least_margin >= 0 else np.inf

    def figure(some: Indices, mixed: Array) -> Array:
        cost = (price[some] * mixed).sum(axis=1)
        if problem.stocks:
            cost = np.where(_log_spinodal(problem, some, mixed) < hopeless, cost, np.inf)
        return cost

    grid = _Grid.of(problem, coarse, figure, np.isfinite)
    looked = 0
    found: dict[tuple[int, ...], Found] = {}
    single: Found | None = None
    if grid.figure.size:
        supports, shares = grid.arrays()
        order = np.argsort(grid.figure, kind="stable")
        supports, shares, cost = supports[order], shares[order], grid.figure[order]
        start = 0
        while start < len(order) and (len(found) < keep or single is None):
            part = slice(start, start + _BATCH)
            lone = (shares[part] > 0).sum(axis=1) == 1
            wanted = np.ones(len(lone), dtype=bool) if len(found) < keep else lone
            clear = wanted.copy()
            if problem.stocks and wanted.any():
                rows = np.flatnonzero(wanted)
                margin = _margins(problem, supports[part][rows], shares[part][rows], None)
                clear[rows] = margin >= least_margin
                looked += len(rows)
            for row in np.flatnonzero(clear) + start:
                size = int((shares[row] > 0).sum())
                support = tuple(int(i) for i in supports[row, :size])
                if support in found or (len(found) == keep and (size > 1 or single is not None)):
                    continue
                if not problem.mixes(support, shares[row, :size])[0]:
                    continue
                one = Found(support, shares[row, :size], float(cost[row]))
                if not _is_clear(problem, one, min_p_clear):
                    continue
                if size == 1 and single is None:
                    single = one
                if len(found) < keep:
                    found[support] = one
            start += _BATCH
    how = f"all blends in steps of {100 / coarse:g} % taken in the order of their cost until enough were clear"
    possible = len({tuple(row) for chunk in grid.supports for row in chunk.tolist()})
    return Search(list(found.values()), _count(problem, width), possible, looked, how, proven=True, single=single)


def _is_clear(problem: Problem, one: Found, least: float) -> bool:
    support = np.array(one.support)
    if any(stock.p_clear(support, one.shares) < least for stock in problem.stocks):
        return False
    return all(outcome.p_clear >= least for outcome in problem.outcomes(one))


def search_worst_distance(
    problem: Problem, *, steps: int | None, keep: int, worst: float, random_state: int | np.random.Generator | None
) -> Search:
    """Return the blends whose distance in the worst cases is smallest.

    Parameters
    ----------
    problem : Problem
        The question.
    steps : int or None
        Steps of the grid; None for 5 %. [-]
    keep : int
        How many blends. [-]
    worst : float
        Share of the draws that is worse than the value of a blend. [-]
    random_state : int, Generator or None
        Seed of the draws of the parameters, the same for all blends. [-]

    Returns
    -------
    Search
        The value of a blend is the distance that only this share of the draws exceeds.
    """
    rng = np.random.default_rng(random_state)
    points = drawn(problem.points, np.array([one.covariance for one in problem.chosen]), rng, _DRAWS)
    targets = []
    for subject in problem.subjects:
        here = subject.hsp.array if isinstance(subject, Oil) else subject.array
        spread = subject.covariance if isinstance(subject, Oil) else np.zeros((3, 3))
        targets.append(drawn(here[None, :], spread[None], rng, _DRAWS)[:, 0])
    scale = np.array([2.0, 1.0, 1.0])
    supports, shares, value = [], [], []
    solved = solve(problem)
    width = len(solved)
    ranked = sorted(
        (float(one.closed[row]), size, int(row))
        for size, one in enumerate(solved)
        for row in np.flatnonzero(np.isfinite(one.closed))
    )
    pool = ranked[:_POOL] + [one for one in ranked[_POOL:] if one[1] == 0]
    for _, size, row in pool:
        support = solved[size].supports[row]
        mixed = compositions(steps or 20, size + 1) / (steps or 20)
        if steps is None and np.isfinite(solved[size].value[row]):
            mixed = np.concatenate([mixed, solved[size].fractions[row][None, :]])
        every = np.tile(support, (len(mixed), 1))
        mixed = mixed[problem.feasible(every, mixed)]
        if not len(mixed):
            continue
        blends = np.einsum("bs,dsk->bdk", mixed, points[:, support])
        gaps = [np.sqrt(np.square((blends - target) * scale).sum(axis=-1)) for target in targets]
        far = np.quantile(np.max(gaps, axis=0), 1.0 - worst, axis=1)
        supports.append(_padded(np.tile(support, (len(mixed), 1)), width))
        shares.append(np.pad(mixed, ((0, 0), (0, width - size - 1))))
        value.append(far)
    count = sum(len(one.supports) for one in solved)
    how = (
        f"the {min(_POOL, len(ranked))} nearest sets of carriers on a grid of {100 / (steps or 20):g} %, {_DRAWS} draws"
    )
    if not value:
        return Search([], count, 0, 0, how, proven=False, single=None)
    every, mixed, far = np.concatenate(supports), np.concatenate(shares), np.concatenate(value)
    picked = _Best(problem, keep).pick(every, mixed, far)
    alone = (mixed > 0).sum(axis=1) == 1
    single = _Best(problem, 1).pick(every[alone], mixed[alone], far[alone])
    return Search(picked, count, len(ranked), 0, how, proven=False, single=single[0] if single else None)
