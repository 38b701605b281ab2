"""All blends of two or three carriers on an even grid, with what a figure shows of them."""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.blending.limits import Limits
from hspkit.blending.problem import Problem, compositions
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
    asked: BlendSearch | Oil | HSP | str,
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
    asked : BlendSearch, Oil, HSP or str
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
        When a carrier was not part of the search, or is not for ingestion: such a one is never blended.

    Examples
    --------
    >>> seen = survey("clove, bud", ["glycerol", "MCT"], steps=4)
    >>> seen.shares[:, 0].tolist(), seen.mixes.tolist()
    ([0.0, 0.25, 0.5, 0.75, 1.0], [True, False, False, False, True])
    """
    members = [carrier(one) for one in liquids]
    for one in members:
        if one.not_for_ingestion:
            message = f"{one.name} is not for ingestion: it is mistaken for a carrier, and never blended; name another"
            raise InputError(message)
    n = len(members)
    if isinstance(asked, BlendSearch):
        problem = _part_of(asked, members)
    else:
        subject = asked if isinstance(asked, HSP) else covered(asked)
        example = "a mapping such as {'triacetin': 3.2}"
        asked_of = {} if price_per_L is None else checks.kind(price_per_L, "price_per_L", Mapping, example)
        prices = {
            carrier(name).name: checks.number(price, f"the price of {name!r}", "", low=0)
            for name, price in asked_of.items()
        }
        known = all(one.name in prices for one in members)
        cost = np.array([prices[one.name] for one in members]) if known else None
        none = Limits((), np.zeros((0, n)), np.zeros(0), np.zeros(0))
        problem = Problem((subject,), members, none, cost, n, check_parts(oil_parts, carrier_parts), 25.0, None)
    shares = (compositions(steps + n, n) - 1) / steps
    everyone = np.tile(np.arange(n), (len(shares), 1))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        blends = [Blend(dict(zip(members, row, strict=True)), basis="volume") for row in shares]
        viscosity = [blend.viscosity(20.0) for blend in blends]
    clear = np.full(len(shares), np.nan)
    if problem.stocks:
        clear = np.array([problem.p_clear(blend) for blend in blends])
    return Survey(
        problem,
        shares,
        clear,
        np.sqrt(problem.squared_distance(everyone, shares)),
        np.array(viscosity),
        None if problem.cost is None else shares @ problem.cost,
        problem.mixes(range(n), shares),
        problem.feasible(everyone, shares),
    )


def _part_of(search: BlendSearch, members: Sequence[Carrier | Blend]) -> Problem:
    """Return the question of a search for some of its carriers only."""
    names = [one.name for one in search.problem.chosen]
    for one in members:
        if one.name not in names:
            reason = search.left_out.get(one.name, "it is not among its carriers")
            message = f"{one.name!r} is not in this search: {reason}; its carriers: {', '.join(names)}"
            raise InputError(message)
    columns = [names.index(one.name) for one in members]
    whole = search.problem
    limits = replace(whole.limits, rows=whole.limits.rows[:, columns])
    cost = None if whole.cost is None else whole.cost[columns]
    return Problem(
        whole.subjects, list(members), limits, cost, len(members), whole.parts, whole.celsius, whole.max_distance
    )
