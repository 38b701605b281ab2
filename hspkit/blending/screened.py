"""Blends by the probability of clear, by cost among the clear ones, or by their bad cases: searched on a grid.

None of these is convex. All blends of the grid go through what costs next to nothing (the limits, the price, the
margin against small fluctuations, which bounds the margin from above); the phase engine looks at the promising ones in
that order until none of the others can win.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit.blending.exact import Search
from hspkit.blending.grid import (
    Best,
    Grid,
    by_size,
    count_supports,
    highest_margin,
    log_spinodal,
    margin_of,
    margins,
    padded,
)
from hspkit.blending.problem import Found, Problem
from hspkit.blending.supports import combinations

__all__ = ["ENGINE_POINTS", "search_by_cost", "search_by_margin", "search_by_water"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Most mixtures that a search by margin gives to the phase engine [-]: some seconds' work.
ENGINE_POINTS = 6000
#: Most that a search by water gives to it: each is followed along a line of dilution.
_WATER_POINTS = 1500
_BATCH = 500
#: Blends of each part of the grid that stay in although their spinodal index says that they split. [-]
_LEAST_KEPT = 50
#: Steps of the last refinement (1 %) and how far it reaches from a blend of the grid, in such steps.
_FINE_STEPS = 100
_REACH = 4


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
        log_l = log_spinodal(problem, some, mixed)
        rows = np.flatnonzero(log_l <= max(0.0, float(np.sort(log_l)[:_LEAST_KEPT][-1])))
        bound[rows] = highest_margin(problem, some[rows], mixed[rows], worst)
        return -bound

    grid = Grid.of(problem, coarse, figure, np.isfinite)
    width = min(problem.max_carriers, len(problem.chosen))
    if not grid.figure.size:
        return Search([], count_supports(problem, width), 0, 0, "no blend of the grid keeps to the limits", True, None)
    supports, shares = grid.arrays()
    order = np.argsort(grid.figure, kind="stable")
    supports, shares, least = supports[order], shares[order], grid.figure[order]
    value = np.full(len(supports), np.inf)
    best = Best(problem, keep)
    picked: list[Found] = []
    done, settled = 0, False
    while done < min(len(supports), ENGINE_POINTS) and not settled:
        part = slice(done, min(done + _BATCH, ENGINE_POINTS))
        value[part] = -margins(problem, supports[part], shares[part], worst)
        done = min(part.stop, len(supports))
        picked = best.pick(supports[:done], shares[:done], value[:done])
        settled = done == len(supports) or (len(picked) == keep and picked[-1].value <= least[done])
    looked = done
    if steps is None and picked:
        around = [_around(problem, one) for one in picked]
        fine_supports = np.concatenate([padded(a, width) for a, _ in around])
        fine_shares = np.concatenate([np.pad(b, ((0, 0), (0, width - b.shape[1]))) for _, b in around])
        margin = margins(problem, fine_supports, fine_shares, worst)
        looked += len(margin)
        picked = best.pick(fine_supports, fine_shares, -margin)
    how = f"all blends in steps of {100 / coarse:g} % screened by their margin against small fluctuations"
    how += ", every one that could win" if settled else f", the best {done:,} of {len(supports):,}"
    how += " given to the phase engine" + ("" if steps else ", then refined in steps of 1 %")
    return Search(
        picked,
        count_supports(problem, width),
        len({tuple(row) for row in supports.tolist()}),
        looked,
        how,
        proven=settled and steps is not None,
        single=_single(problem, worst),
    )


def search_by_water(problem: Problem, *, steps: int | None, keep: int, min_p_clear: float) -> Search:
    """Return the clear blends whose stock takes most water before it clouds.

    Parameters
    ----------
    problem : Problem
        The question; it has at least one oil.
    steps : int or None
        Steps of the grid; None for 5 %. [-]
    keep : int
        How many blends. [-]
    min_p_clear : float
        The probability from which a blend counts as clear: by the margin first, then as `dissolve` has it. [-]

    Returns
    -------
    Search
        The value of a blend is minus its water tolerance, the share of water in the whole; of several oils the least.
    """
    coarse = steps or 20
    least_margin = float(ndtri(min_p_clear))

    def figure(some: Indices, mixed: Array) -> Array:
        bound = np.full(len(some), -np.inf)
        rows = np.flatnonzero(log_spinodal(problem, some, mixed) < (0.0 if least_margin >= 0 else np.inf))
        rows = rows[highest_margin(problem, some[rows], mixed[rows], None) >= least_margin]
        if rows.size:
            bound[rows] = _tolerance(problem, some[rows], mixed[rows], exact=False)
        return -bound

    grid = Grid.of(problem, coarse, figure, np.isfinite)
    width = min(problem.max_carriers, len(problem.chosen))
    how = f"all blends in steps of {100 / coarse:g} % that could be clear, in the order of the water they could take"
    if not grid.figure.size:
        return Search([], count_supports(problem, width), 0, 0, how, proven=True, single=None)
    supports, shares = grid.arrays()
    alone = (shares > 0).sum(axis=1) == 1
    # carriers alone first, so that the best of them is known; then by the bound
    order = np.lexsort([grid.figure, ~alone])
    supports, shares, least = supports[order], shares[order], grid.figure[order]
    rest = np.minimum.accumulate(least[::-1])[::-1]
    value = np.full(len(supports), np.inf)
    best, picked, done, settled = Best(problem, keep), [], 0, False
    while done < min(len(supports), _WATER_POINTS) and not settled:
        part = slice(done, min(done + max(_BATCH // 10, int(alone.sum()) if done == 0 else 0), len(supports)))
        margin = margins(problem, supports[part], shares[part], None)
        for rows, some, mixed in by_size(supports[part], shares[part]):
            fine = margin[rows] >= least_margin
            if fine.any():
                value[done + rows[fine]] = -_tolerance(problem, some[fine], mixed[fine], exact=True)
        done = part.stop
        picked = _sure(best, problem, supports[:done], shares[:done], value[:done], min_p_clear)
        settled = done == len(supports) or (len(picked) == keep and picked[-1].value <= rest[done])
    count = int(alone.sum())
    single = _sure(Best(problem, 1), problem, supports[:count], shares[:count], value[:count], min_p_clear)
    how += ", until no other could take more" if settled else f", the best {done:,} of {len(supports):,}"
    possible = len({tuple(row) for row in supports.tolist()})
    return Search(
        picked,
        count_supports(problem, width),
        possible,
        done,
        how,
        proven=settled,
        single=single[0] if single else None,
    )


def _sure(best: Best, problem: Problem, supports: Indices, shares: Array, value: Array, least: float) -> list[Found]:
    """Return the best blends that `dissolve` too calls clear surely enough; the others lose their value for good."""
    while True:
        picked = best.pick(supports, shares, value)
        doubtful = [one for one in picked if not _is_clear(problem, one, least)]
        if not doubtful:
            return picked
        for one in doubtful:
            size = len(one.support)
            same = (supports[:, :size] == np.array(one.support)).all(axis=1) & (shares[:, :size] == one.shares).all(
                axis=1
            )
            value[same & ((shares > 0).sum(axis=1) == size)] = np.inf


def _tolerance(problem: Problem, supports: Indices, shares: Array, *, exact: bool) -> Array:
    """Return the water tolerance of blends (b, s), of several oils the least, or a quick upper bound of it."""
    least = np.full(len(supports), np.inf)
    for stock in problem.stocks:
        ask = stock.water_tolerance if exact else stock.highest_water_tolerance
        least = np.minimum(least, ask(supports, shares))
    return least


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
        of `dissolve`, which is slower and surer. [-]

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
            out = np.ones(len(some), dtype=bool)
            rows = np.flatnonzero(log_spinodal(problem, some, mixed) < hopeless)
            out[rows] = highest_margin(problem, some[rows], mixed[rows], None) < least_margin
            cost[out] = np.inf
        return cost

    grid = Grid.of(problem, coarse, figure, np.isfinite)
    looked = 0
    found: dict[tuple[int, ...], Found] = {}
    single: Found | None = None
    if grid.figure.size:
        supports, shares = grid.arrays()
        order = np.argsort(grid.figure, kind="stable")
        supports, shares, cost = supports[order], shares[order], grid.figure[order]
        start = 0
        while start < len(order) and looked < ENGINE_POINTS and (len(found) < keep or single is None):
            part = slice(start, start + _BATCH)
            lone = (shares[part] > 0).sum(axis=1) == 1
            wanted = np.ones(len(lone), dtype=bool) if len(found) < keep else lone
            clear = wanted.copy()
            if problem.stocks and wanted.any():
                rows = np.flatnonzero(wanted)
                margin = margins(problem, supports[part][rows], shares[part][rows], None)
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
    if looked >= ENGINE_POINTS:
        how += f", or {looked:,} looked at"
    possible = len({tuple(row) for chunk in grid.supports for row in chunk.tolist()})
    # the last word belongs to draws, which may find clear what the margin, of first order, passed over
    sure = not problem.stocks
    return Search(
        list(found.values()), count_supports(problem, width), possible, looked, how, proven=sure, single=single
    )


def _is_clear(problem: Problem, one: Found, least: float) -> bool:
    return all(outcome.p_clear >= least for outcome in problem.outcomes(one))
