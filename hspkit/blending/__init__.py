"""Blends of carriers: which two or three, in what shares, and the proof.

The best blend by distance is exact: every set of carriers is solved to its optimum. By probability of clear, by cost
among the clear blends and by the worst cases it is searched on the grid of a formulator's balance.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from math import comb
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from hspkit import application as product
from hspkit import checks
from hspkit.application import Application
from hspkit.blending.certificate import Certificate, certify
from hspkit.blending.exact import Search, search_exact
from hspkit.blending.limits import build_limits, check_shares, clash, sort_out
from hspkit.blending.problem import Found, Problem, steps_of
from hspkit.blending.result import COLUMNS, BlendSearch, cautions_for, row_of
from hspkit.blending.robust import search_worst_distance
from hspkit.blending.screened import search_by_cost, search_by_margin, search_by_water
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.hansen import HSP
from hspkit.miscibility import UNDECIDED, check_celsius, check_parts
from hspkit.oils import Oil, covered
from hspkit.ranking import candidates
from hspkit.substances import Substance

__all__ = ["COLUMNS", "BlendSearch", "Certificate", "best_blend"]

OBJECTIVES = ("distance", "clear", "water tolerance", "cost")


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
    returned; where the optimum of some carriers is such a one, their best blend lies at the edge of what mixes. That
    edge is followed from several sides, which is no proof: `certificate.proven` is then False, and its text says so.

    Examples
    --------
    >>> middle = HSP(*(0.7 * carrier("triacetin").hsp.array + 0.3 * carrier("propylene glycol").hsp.array))
    >>> search = best_blend(middle, ["triacetin", "propylene glycol", "glycerol"], increments_percent=5)
    >>> search.best.name
    '70 % triacetin + 30 % propylene glycol'
    >>> "dipropylene glycol" in best_blend("clove, bud", ["dipropylene glycol", "triacetin"]).left_out
    True
    """
    import pandas as pd

    subjects = _subjects(oil_or_hsp)
    parts = check_parts(oil_parts, carrier_parts)
    max_carriers, keep, worst_case, min_p_clear = _check(
        objective, subjects, max_carriers, keep, worst_case, min_p_clear, application
    )
    checks.flag(within_taste, "within_taste")
    warmth, random_state = check_celsius(celsius), checks.random_state(random_state)
    steps = None if increments_percent is None else steps_of(increments_percent)
    given = _liquids(carriers)
    prices = _prices(given, price_per_L, price_per_kg)
    lowest, highest = check_shares(min_share, "min_share"), check_shares(max_share, "max_share")
    needs = {
        "viscosity": max_viscosity is not None,
        "cost": max_cost is not None or objective == "cost",
        "density": False,
    }
    chosen, left_out = sort_out(given, application, needs, prices, warmth)
    if not chosen:
        reasons = "; ".join(f"{name}: {reason}" for name, reason in left_out.items())
        message = f"none of the carriers may be in a blend: {reasons}. Offer other carriers"
        raise InputError(message)
    _check_named(lowest, chosen, left_out)
    _check_size(len(chosen), max_carriers, objective, steps)
    cost = np.array([prices[one.name] for one in chosen]) if all(one.name in prices for one in chosen) else None
    densities = [one.density for one in subjects if isinstance(one, Oil)]
    limits = build_limits(
        chosen,
        asked=application,
        parts=parts,
        oil_density=min(densities) if densities else None,
        max_viscosity=_positive(max_viscosity, "max_viscosity", "mPa s"),
        max_cost=_positive(max_cost, "max_cost", "the currency of the prices per L"),
        cost=cost,
        min_share=lowest,
        max_share={name: share for name, share in highest.items() if name in [one.name for one in chosen]},
        within_taste=within_taste,
    )
    problem = Problem(
        subjects,
        chosen,
        limits,
        cost,
        max_carriers,
        parts,
        warmth,
        _positive(max_distance, "max_distance", "MPa^0.5"),
    )
    search = _search(problem, objective, steps, keep, min_p_clear, worst_case, random_state)
    if objective == "clear" and worst_case is None:
        search = _by_draws(problem, search)
    if not search.found:
        raise InputError(_nothing_found(problem, objective, min_p_clear, left_out))
    shown = list(search.found)
    if search.single is not None and search.single.support not in [one.support for one in shown]:
        shown.append(search.single)
    rows = [row_of(problem, one, application) for one in shown]
    table = pd.DataFrame(rows, columns=list(COLUMNS))
    if search.single is not None:
        alone = [one.support for one in shown].index(search.single.support)
        noted = [str(table.loc[alone, "notes"]), "best carrier alone"]
        table.loc[alone, "notes"] = "; ".join(text for text in noted if text)
    blends = tuple(problem.blend(one) for one in shown)
    first = search.found[0]
    value = {
        "distance": first.value if worst_case is not None else float(np.sqrt(max(first.value, 0.0))),
        "clear": _p_clear(problem, first) if worst_case is None else float(np.exp(first.value)),
        "water tolerance": -first.value,
        "cost": first.value,
    }[objective]
    label = objective if worst_case is None else f"{objective}, worst {100 * worst_case:g} %"
    return BlendSearch(
        blends[0],
        table,
        certify(problem, search, label, first, value),
        blends,
        left_out,
        cautions_for(subjects, blends),
        problem,
        application,
        tuple(shown),
    )


def _search(
    problem: Problem,
    objective: str,
    steps: int | None,
    keep: int,
    min_p_clear: float,
    worst_case: float | None,
    random_state: int | np.random.Generator | None,
) -> Search:
    if objective == "clear":
        return search_by_margin(problem, steps=steps, keep=keep, worst=worst_case)
    if objective == "water tolerance":
        return search_by_water(problem, steps=steps, keep=keep, min_p_clear=min_p_clear)
    if objective == "cost":
        if not problem.stocks and problem.max_distance is None:
            return search_exact(problem, steps=steps, keep=keep, by_cost=True)
        return search_by_cost(problem, steps=steps, keep=keep, min_p_clear=min_p_clear)
    if worst_case is not None:
        return search_worst_distance(problem, steps=steps, keep=keep, worst=worst_case, random_state=random_state)
    return search_exact(problem, steps=steps, keep=keep)


def _p_clear(problem: Problem, one: Found) -> float:
    return float(np.min([outcome.p_clear for outcome in problem.outcomes(one)] or [np.nan]))


def _by_draws(problem: Problem, search: Search) -> Search:
    """Return the blends that a search by margin found in the order of the probability that `dissolve` gives them.

    The margin is of first order: where the phase that separates first changes, it may jump although the probability
    does not.
    """
    chances = [_p_clear(problem, one) for one in search.found]
    known = [(chance, one) for chance, one in zip(chances, search.found, strict=True) if np.isfinite(chance)]
    found = [one for _, one in sorted(known, key=lambda pair: -pair[0])]
    how = search.how + "; those shown stand in the order of the probability that draws give"
    return replace(search, found=found, how=how)


def _subjects(given: Any) -> tuple[Oil | HSP, ...]:
    if isinstance(given, Oil | HSP | Substance | str):
        return (_subject(given),)
    if isinstance(given, np.ndarray) or (isinstance(given, list | tuple) and all(_is_number(x) for x in given)):
        points = np.atleast_2d(checks.array(given, "oil_or_hsp", "(3,) or (n, 3)"))
        if points.size and points.shape[-1] == 3 and points.ndim == 2:
            return tuple(HSP(*row) for row in points)
        message = f"oil_or_hsp has shape {points.shape}; expected (3,) or (n, 3): delta_d, delta_p, delta_h in MPa^0.5"
        raise InputError(message)
    if isinstance(given, Mapping) or hasattr(given, "columns") or not isinstance(given, Iterable):
        raise checks.refuse(given, "oil_or_hsp", "an Oil, a name, an HSP, or several of them")
    several = tuple(_subject(one) for one in given)
    if not several:
        message = "oil_or_hsp is empty; give at least one oil"
        raise InputError(message)
    return several


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float | np.number)


def _subject(given: Any) -> Oil | HSP:
    return given if isinstance(given, HSP) else covered(given)


def _liquids(given: Iterable[str | Carrier | Blend] | None) -> list[Carrier | Blend]:
    if given is None:
        return [one for one in candidates() if all(part.role != "diluent" for part in one.parts)]
    if isinstance(given, str):
        raise checks.refuse(given, "carriers", f"several names, such as [{checks.said(given)}, 'triacetin']")
    found = [carrier(one) for one in checks.several(given, "carriers", "['triacetin', 'MCT']")]
    if not found:
        message = "carriers is empty; give at least one name, or leave it out to try all that ship"
        raise InputError(message)
    return found


def _prices(
    given: Iterable[Carrier | Blend], per_L: Mapping[str, float] | None, per_kg: Mapping[str, float] | None
) -> dict[str, float]:
    """Return the price per L by name of carrier."""
    if per_L is not None and per_kg is not None:
        message = "price_per_L and price_per_kg are both given; give one of them"
        raise InputError(message)
    name, asked = ("price_per_L", per_L) if per_L is not None else ("price_per_kg", per_kg)
    asked = {} if asked is None else checks.kind(asked, name, Mapping, "a mapping such as {'triacetin': 3.2}")
    found = {}
    for key, value in asked.items():
        one = carrier(key)
        price = checks.number(value, f"the price of {key!r}", "", low=0, high=_MOST, expected="a number >= 0")
        if per_kg is not None:
            if not np.isfinite(one.density):
                message = f"no density is known for {one.name!r}, so its price per kg is of no use; give it per L"
                raise InputError(message)
            price *= one.density
        found[one.name] = price
    return found


def _positive(value: float | None, name: str, unit: str) -> float | None:
    if value is None:
        return None
    return checks.positive(value, name, f"in {unit}", most=_MOST)


def _check(
    objective: str,
    subjects: tuple[Oil | HSP, ...],
    max_carriers: int,
    keep: int,
    worst_case: float | None,
    min_p_clear: float,
    application: Application | None,
) -> tuple[int, int, float | None, float]:
    points = [one for one in subjects if isinstance(one, HSP)]
    checks.choice(objective, "objective", OBJECTIVES)
    if application is not None:
        product.check_application(application)
    size = checks.whole(max_carriers, "max_carriers", low=1, high=6)
    kept = checks.whole(keep, "keep", low=1)
    least = checks.between(min_p_clear, "min_p_clear", 0, 1, "a probability between 0 and 1")
    worst = worst_case
    if worst is not None:
        worst = checks.between(worst, "worst_case", 0, 1, "a share between 0 and 1, such as 0.2")
    if objective in ("clear", "water tolerance") and points:
        message = f"{points[0]!r} is a point in Hansen space, of which nothing can be said to be clear; give an oil"
    elif application is not None and points:
        message = f"{points[0]!r} has no density, so no dose; give an oil, or leave out the application"
    elif worst is not None and objective not in ("distance", "clear"):
        message = f"worst_case goes with 'distance' and 'clear'; for {objective!r} raise min_p_clear instead"
    else:
        return size, kept, worst, least
    raise InputError(message)


#: No viscosity, price or distance is greater, in its own unit; judgement, for a slip.
_MOST = 1e9
#: Most sets of carriers, and most blends of a grid, that are looked at: minutes and gigabytes lie beyond.
_MOST_SUPPORTS, _MOST_BLENDS = 1_000_000, 4_000_000


def _check_size(n: int, max_carriers: int, objective: str, steps: int | None) -> None:
    sizes = range(1, min(max_carriers, n) + 1)
    supports = sum(comb(n, size) for size in sizes)
    if supports > _MOST_SUPPORTS:
        message = (
            f"{n} carriers make {supports:,} sets of at most {max_carriers}; at most {_MOST_SUPPORTS:,} are looked at: "
            "offer fewer carriers or lower max_carriers"
        )
        raise InputError(message)
    whole = steps or 20
    blends = sum(comb(n, size) * comb(whole - 1, size - 1) for size in sizes)
    if objective != "distance" and blends > _MOST_BLENDS:
        message = (
            f"{n} carriers make {blends:,} blends in steps of {100 / whole:g} %; at most {_MOST_BLENDS:,} are looked "
            "at: offer fewer carriers, lower max_carriers or raise increments_percent"
        )
        raise InputError(message)


def _check_named(lowest: Mapping[str, float], chosen: list[Carrier | Blend], left_out: Mapping[str, str]) -> None:
    names = [one.name for one in chosen]
    for name, share in lowest.items():
        if share > 0 and name not in names:
            reason = left_out.get(name, "it is not among the carriers")
            message = f"min_share asks for {100 * share:g} % of {name!r}, which cannot be in a blend: {reason}"
            raise InputError(message)


def _nothing_found(problem: Problem, objective: str, min_p_clear: float, left_out: Mapping[str, str]) -> str:
    """Say why there is no blend."""
    unknown = [one.unknown for one in problem.outcomes(Found((0,), np.ones(1), 0.0)) if one.unknown]
    if unknown:
        return f"no blend can be called clear: {unknown[0]}; ask for objective 'distance'"
    from hspkit.blending.exact import solve

    reasons = "; ".join(f"{name} ({reason})" for name, reason in left_out.items())
    tail = f". Left out: {reasons}" if reasons else ""
    solved = solve(problem)
    nearest = min((float(one.closed.min()) for one in solved), default=np.inf)
    if not np.isfinite(nearest):
        return f"no blend keeps to all limits: {clash(problem.limits, problem.max_carriers)}{tail}"
    if problem.max_distance is not None and nearest > problem.max_distance**2:
        near = np.sqrt(nearest)
        return (
            f"no blend within the limits comes nearer than Ra {near:.2f} MPa^0.5, and max_distance is "
            f"{problem.max_distance:g}; raise it or offer other carriers{tail}"
        )
    if objective != "distance" and problem.stocks:
        surest = search_by_margin(problem, steps=20, keep=1, worst=None).found
        best = f"; the surest one has a probability of {ndtr(-surest[0].value):.2f}" if surest else ""
        return (
            f"no blend within the limits is clear with a probability of {min_p_clear:g}{best}; use less oil, lower "
            f"min_p_clear or offer other carriers{tail}"
        )
    return (
        "no blend within the limits that was looked at is one phase by itself; loosen the limits, take smaller or no "
        f"increments, or offer other carriers{tail}"
    )
