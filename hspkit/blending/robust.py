"""Blends by their bad cases: the uncertainty of the Hansen parameters is drawn, and the bad draws count."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.exact import Search, solve
from hspkit.blending.grid import BlendArray
from hspkit.blending.problem import DISTANCE_FACTORS, Problem
from hspkit.blending.screened import COARSE_STEPS
from hspkit.blending.stock import drawn
from hspkit.blending.supports import ranked
from hspkit.hansen import HSP

__all__ = ["search_worst_distance"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Supports whose grid is searched for the best bad case, by their distance. [-]
_POOL = 400
_DRAWS = 400


def search_worst_distance(
    problem: Problem, steps: int | None, keep: int, worst: float, random_state: int | np.random.Generator | None
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
    points, targets = _draws(problem, np.random.default_rng(random_state))
    solved = solve(problem)
    nearest = ranked([solution.closed for solution in solved])

    def pool() -> Iterator[tuple[Indices, Array, Array]]:
        for place, (_, size, row) in enumerate(nearest):
            if place >= _POOL and size > 1:  # carriers alone are all looked at
                continue
            optimum = solved[size - 1].fractions[row]
            more = () if steps or np.isnan(optimum).any() else (optimum,)
            support = solved[size - 1].supports[row]
            supports, shares = problem.feasible_grid(support, steps or COARSE_STEPS, *more)
            blends = np.einsum("bs,dsk->bdk", shares, points[:, support])
            gaps = [np.sqrt(np.square((blends - target) * DISTANCE_FACTORS).sum(axis=-1)) for target in targets]
            yield supports, shares, np.quantile(np.max(gaps, axis=0), 1.0 - worst, axis=1)

    blends = BlendArray.of(pool(), problem.widest)
    single = blends.take(blends.sizes == 1).best(problem, 1)
    how = f"the {min(_POOL, len(nearest))} nearest sets of carriers on a grid of {100 / (steps or COARSE_STEPS):g} %"
    return Search(
        blends.best(problem, keep),
        sum(len(solution.supports) for solution in solved),
        len(nearest),
        0,
        f"{how}, {_DRAWS} draws",
        proven=False,
        single=single[0] if single else None,
    )


def _draws(problem: Problem, rng: np.random.Generator) -> tuple[Array, list[Array]]:
    """Return draws of the carriers (d, n, 3) and of each subject (d, 3). [MPa^0.5]"""
    points = drawn(problem.points, np.array([carrier.covariance for carrier in problem.carriers]), rng, _DRAWS)
    targets = []
    for centre, subject in zip(problem.centres, problem.subjects, strict=True):
        covariance = np.zeros((3, 3)) if isinstance(subject, HSP) else subject.covariance
        targets.append(drawn(centre[None], covariance[None], rng, _DRAWS)[:, 0])
    return points, targets
