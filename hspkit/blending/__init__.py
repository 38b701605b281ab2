"""Blends of carriers: which two or three, in what shares, and the proof.

The best blend by distance is exact: every set of carriers is solved to its optimum. By probability of clear, by cost
among the clear blends and by the worst cases it is searched on the grid of a formulator's balance.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from hspkit import application as product
from hspkit import checks
from hspkit.application import Application
from hspkit.blending.certificate import Certificate
from hspkit.blending.objectives import objective_of
from hspkit.blending.problem import steps_of
from hspkit.blending.question import (
    BlendQuestion,
    Requirements,
    nothing_found,
    read_liquids,
    read_most,
    read_price_per_L,
    read_shares,
    read_subjects,
)
from hspkit.blending.result import COLUMNS, BlendSearch
from hspkit.carriers import Blend, Carrier
from hspkit.errors import InputError
from hspkit.hansen import HSP
from hspkit.miscibility import UNDECIDED, check_celsius, check_parts
from hspkit.oils import Oil

__all__ = ["COLUMNS", "BlendSearch", "Certificate", "best_blend"]


def best_blend(
    oil_or_hsp: Oil | HSP | str | ArrayLike | Iterable[Oil | HSP | str],
    carriers: Iterable[str | Carrier | Blend] | None = None,
    *,
    max_carriers: int = 3,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    application: Application | None = None,
    max_viscosity: float | None = None,
    max_cost: float | None = None,
    keep: int = 10,
    objective: Literal["distance", "clear", "water tolerance", "cost"] = "distance",
    price_per_L: Mapping[str, float] | None = None,
    price_per_kg: Mapping[str, float] | None = None,
    increments_percent: float | None = None,
    min_share: Mapping[str, float] | None = None,
    max_share: Mapping[str, float] | None = None,
    max_distance: float | None = None,
    min_p_clear: float = UNDECIDED[1],
    worst_case: float | None = None,
    within_taste: bool = True,
    celsius: float = 25.0,
    random_state: int | np.random.Generator | None = 0,
) -> BlendSearch:
    """Return the best blend of carriers for an oil, within the limits of law, taste, pouring and cost.

    Parameters
    ----------
    oil_or_hsp : Oil, str, HSP, array_like of shape (3,), or several of them
        What is to be dissolved. Of several the worst one counts: one house carrier for a range of flavours. A point in
        Hansen space has no phase behaviour, so only its distance is known. [MPa^0.5]
    carriers : iterable of str, Carrier or Blend, optional
        Candidates; default all shipped carriers; water and alcohol only when named. Liquids that are not for
        ingestion are never in a blend, whoever names them; with an application, nor is a carrier without evidence
        of permission. [-]
    max_carriers : int
        Most carriers in a blend. [-]
    oil_parts, carrier_parts : float
        Parts of oil and of blend by volume. [-]
    application : Application, optional
        The finished product; gives the limits of law, sum rules included, and of taste at the use level.
    max_viscosity : float, optional
        Of the blend at 20 C. Carriers whose viscosity is not on record are left out. [mPa s]
    max_cost : float, optional
        Of the blend; needs prices. [per L]
    keep : int
        How many blends the table shows, the best of each set of carriers. [-]
    objective : {"distance", "clear", "water tolerance", "cost"}
        Smallest Hansen distance; largest probability of clear; most water taken before the stock clouds, among the
        blends that are clear; lowest cost among those (for a point in Hansen space, among those within
        `max_distance`). [-]
    price_per_L, price_per_kg : mapping of str to float, optional
        Price of each carrier, in whatever currency; give one of the two. [per L or per kg]
    increments_percent : float, optional
        Blends in whole steps only, such as 1, 2 or 5. Without it distances are continuous, and the other objectives go
        in steps of 5 %, probabilities then of 1 %. [% vol]
    min_share, max_share : mapping of str to float, optional
        Volume fraction of a named carrier in the blend. [-]
    max_distance : float, optional
        Largest Ra of the blend to any of the oils. [MPa^0.5]
    min_p_clear : float
        For the objectives "water tolerance" and "cost": the probability from which a blend counts as clear. [-]
    worst_case : float, optional
        Rank by the worst case of this share (0.2: in four cases of five it is better) under the uncertainty of the
        Hansen parameters, for the objectives "distance" and "clear". [-]
    within_taste : bool
        Whether to hold every carrier that has a stated taste limit to it; needs an application. Nothing holds the
        others: with one of them in a blend, ``under_taste_limit`` of its row is None or False. [-]
    celsius : float
        Temperature of the stock. [degC]
    random_state : int, Generator or None
        Seed of the draws of a worst case. [-]

    Returns
    -------
    BlendSearch
        best, table, certificate; sensitivity(), limits(), why().

    Raises
    ------
    InputError
        When no blend keeps to all limits (the message says which of them clash), when none is clear, or for a value
        that cannot be used.
    UnknownNameError
        For an unknown oil or carrier.

    Notes
    -----
    Parameters mix by volume, so Ra^2 is a convex quadratic in the fractions; doses, sum rules, prices and ln(viscosity)
    are linear. Volumes are as measured out: the contraction of glycols and ethanol with water, up to 4 %, is not in the
    doses. A blend that is not one phase by itself, with a probability of 0.8 or more, is never
    returned; where the optimum of some carriers is such a blend, their best one lies at the boundary of one
    phase. That is searched from several sides, which is no proof: `certificate.proven` is then False, and its text says
    so.

    Examples
    --------
    >>> from hspkit import carrier
    >>> middle = HSP(*(0.7 * carrier("triacetin").hsp.array + 0.3 * carrier("propylene glycol").hsp.array))
    >>> search = best_blend(middle, ["triacetin", "propylene glycol", "glycerol"], increments_percent=5)
    >>> search.best.name
    '70 % triacetin + 30 % propylene glycol'
    >>> "dipropylene glycol" in best_blend("clove, bud", ["dipropylene glycol", "triacetin"]).left_out
    True
    """
    question = BlendQuestion(
        read_subjects(oil_or_hsp),
        read_liquids(carriers),
        objective_of(objective, worst_case, min_p_clear, checks.random_state(random_state)),
        Requirements(
            None if application is None else product.check_application(application),
            read_most(max_viscosity, "max_viscosity", "mPa s"),
            read_most(max_cost, "max_cost", "the currency of the prices per L"),
            read_most(max_distance, "max_distance", "MPa^0.5"),
            read_shares(min_share, "min_share"),
            read_shares(max_share, "max_share"),
            checks.flag(within_taste, "within_taste"),
        ),
        read_price_per_L(price_per_L, price_per_kg),
        checks.whole(max_carriers, "max_carriers", low=1, high=6),
        check_parts(oil_parts, carrier_parts),
        check_celsius(celsius),
    )
    keep = checks.whole(keep, "keep", low=1)
    steps = None if increments_percent is None else steps_of(increments_percent)
    problem, left_out = question.problem(steps)
    search = question.objective.search(problem, steps, keep)
    if not search.recipes:
        raise InputError(nothing_found(problem, question.objective, float(min_p_clear), left_out))
    return BlendSearch.of(problem, search, question.objective, left_out, application)
