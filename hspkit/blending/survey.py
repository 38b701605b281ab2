"""All blends of two or three carriers on an even grid, with what a figure shows of them."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.limits import Limits
from hspkit.blending.problem import Problem, compositions
from hspkit.blending.question import cost_of, read_price_per_L
from hspkit.blending.result import BlendSearch
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.hansen import HSP
from hspkit.miscibility import check_parts
from hspkit.oils import Oil, covered

__all__ = ["Survey", "survey"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Survey:
    """What is known of blends on a grid.

    Parameters
    ----------
    problem : Problem
        Oil, carriers and limits.
    shares : ndarray of shape (b, n)
        Volume fractions. [-]
    p_clear : ndarray of shape (b,)
        Probability of clear as `dissolve` has it; NaN for a point in Hansen space. [-]
    distance : ndarray of shape (b,)
        Ra to the (farthest) oil. [MPa^0.5]
    viscosity : ndarray of shape (b,)
        At 20 C; NaN where unknown. [mPa s]
    cost : ndarray of shape (b,) or None
        Of the blend. [per L]
    mixes : ndarray of bool, shape (b,)
        Whether the carriers are one phase by themselves.
    within : ndarray of bool, shape (b,)
        Whether the blend keeps to the limits of the search.
    """

    problem: Problem
    shares: Array
    p_clear: Array
    distance: Array
    viscosity: Array
    cost: Array | None
    mixes: NDArray[np.bool_]
    within: NDArray[np.bool_]


def survey(
    subject: BlendSearch | Oil | HSP | str,
    liquids: Sequence[str | Carrier | Blend],
    *,
    steps: int,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    price_per_L: Mapping[str, float] | None = None,
) -> Survey:
    """Look at all blends of some carriers in even steps.

    Parameters
    ----------
    subject : BlendSearch, Oil, HSP or str
        A search brings its oils, parts, limits and prices; an oil has no limits.
    liquids : sequence of str, Carrier or Blend
        The carriers, in the order of the shares. [-]
    steps : int
        Steps from nothing to all. [-]
    oil_parts, carrier_parts : float
        Parts by volume; those of the search where one is given. [-]
    price_per_L : mapping, optional
        Price of each carrier. [per L]

    Returns
    -------
    Survey

    Raises
    ------
    InputError
        When a carrier was not part of the search, or is not for ingestion: it is never blended.

    Examples
    --------
    >>> surveyed = survey("clove, bud", ["glycerol", "MCT"], steps=4)
    >>> surveyed.shares[:, 0].tolist(), surveyed.mixes.tolist()
    ([0.0, 0.25, 0.5, 0.75, 1.0], [True, False, False, False, True])
    """
    members = [carrier(liquid) for liquid in liquids]
    for member in members:
        if member.not_for_ingestion:
            message = (
                f"{member.name} is not for ingestion: it is mistaken for a carrier, and never blended; name another"
            )
            raise InputError(message)
    n = len(members)
    if isinstance(subject, BlendSearch):
        problem = _part_of(subject, members)
    else:
        cost = cost_of(members, read_price_per_L(price_per_L))
        own = (subject if isinstance(subject, HSP) else covered(subject),)
        problem = Problem(own, members, Limits.of((), n), cost, n, check_parts(oil_parts, carrier_parts), 25.0, None)
    shares = (compositions(steps + n, n) - 1) / steps
    supports = np.tile(np.arange(n), (len(shares), 1))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        blends = [Blend(dict(zip(members, row, strict=True)), basis="volume") for row in shares]
        viscosity = np.array([blend.viscosity(20.0) for blend in blends])
    return Survey(
        problem,
        shares,
        np.array([problem.p_clear(blend) if problem.oils else np.nan for blend in blends]),
        np.sqrt(problem.squared_distance(supports, shares)),
        viscosity,
        None if problem.cost is None else shares @ problem.cost,
        problem.mixes(range(n), shares),
        problem.feasible(supports, shares),
    )


def _part_of(search: BlendSearch, members: Sequence[Carrier | Blend]) -> Problem:
    """Return the question of a search for some of its carriers only."""
    problem = search.problem
    names = [carrier.name for carrier in problem.carriers]
    for member in members:
        if member.name not in names:
            reason = search.left_out.get(member.name, "it is not among its carriers")
            message = f"{member.name!r} is not in this search: {reason}; its carriers: {', '.join(names)}"
            raise InputError(message)
    columns = [names.index(member.name) for member in members]
    limits = replace(problem.limits, rows=problem.limits.rows[:, columns])
    cost = None if problem.cost is None else problem.cost[columns]
    return replace(problem, carriers=list(members), limits=limits, cost=cost, max_carriers=len(members))
