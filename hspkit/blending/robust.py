"""Blends by their bad cases: the uncertainty of the Hansen parameters is drawn, and the bad draws count."""

from __future__ import annotations

import numpy as np

from hspkit.blending.exact import Search, solve
from hspkit.blending.grid import Best, padded
from hspkit.blending.problem import Problem, compositions
from hspkit.blending.stock import drawn
from hspkit.oils import Oil

__all__ = ["search_worst_distance"]

#: Supports whose grid is searched for the best bad case, by their distance. [-]
_POOL = 400
_DRAWS = 400


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
    scale = np.array([2.0, 1.0, 1.0])  # of the Hansen distance
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
        supports.append(padded(np.tile(support, (len(mixed), 1)), width))
        shares.append(np.pad(mixed, ((0, 0), (0, width - size - 1))))
        value.append(far)
    count = sum(len(one.supports) for one in solved)
    how = (
        f"the {min(_POOL, len(ranked))} nearest sets of carriers on a grid of {100 / (steps or 20):g} %, {_DRAWS} draws"
    )
    if not value:
        return Search([], count, 0, 0, how, proven=False, single=None)
    every, mixed, far = np.concatenate(supports), np.concatenate(shares), np.concatenate(value)
    picked = Best(problem, keep).pick(every, mixed, far)
    alone = (mixed > 0).sum(axis=1) == 1
    single = Best(problem, 1).pick(every[alone], mixed[alone], far[alone])
    return Search(picked, count, len(ranked), 0, how, proven=False, single=single[0] if single else None)
