"""What was read of the law: who may eat a carrier where, in what food, and how much.

The rows stand in ``datasets/carrier_limits.csv``, each with its legal reference and the date of the text.
They are notes of a reader, not the law: check the text in force, and ask someone licensed to say so.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any, NamedTuple

import numpy as np

from hspkit import checks, data
from hspkit.errors import UnknownNameError

__all__ = ["Limit", "LimitUse", "categories", "grounds", "limit_uses", "limits", "markets", "permission"]

#: What a row must be evidence of before it counts as permission to use a liquid as a carrier. Permission as a
#: flavouring substance or an extraction solvent is not.
PERMITTING_ROLES = ("carrier", "flavouring adjuvant", "food", "evaluation")
CONSUMED, IN_FLAVOURING = "in the food as consumed", "in the flavouring"
_ALL, _OTHER, _FLAVOURING, _INFANT = "all foods", "other foods", "flavouring", "infant food"
_PERMITTED = ("yes", "restricted")


class Limit(NamedTuple):
    """One row of ``carrier_limits.csv``; its columns are explained in ``columns.csv``."""

    carrier: str
    market: str
    permitted: str
    category: str
    wording: str
    role: str
    rule: str
    limit: float | None
    unit: str | None
    basis: str
    sum_group: str | None
    reference: str
    text_date: str | None
    note: str | None
    source: str


class LimitUse(NamedTuple):
    """How much of one numeric limit the doses use.

    Attributes
    ----------
    carriers : tuple of str
        The carriers that count against the limit together. [-]
    dose, limit : float
        Dose and limit, in `unit`. [-]
    unit : str
        mg/kg or mg/L. [-]
    share : float
        dose / limit; above 1 the limit is broken. [-]
    rows : tuple of Limit
        The rows that state it. [-]
    """

    carriers: tuple[str, ...]
    dose: float
    limit: float
    unit: str
    share: float
    rows: tuple[Limit, ...]


@cache
def _rows() -> tuple[Limit, ...]:
    return tuple(Limit(**row) for row in data.read_table("carrier_limits.csv").rows)


@cache
def markets() -> tuple[str, ...]:
    """Return the markets of which something was read.

    Examples
    --------
    >>> markets()[:2]
    ('US', 'EU')
    """
    return tuple(dict.fromkeys(row.market for row in _rows()))


@cache
def categories() -> tuple[str, ...]:
    """Return the categories of food, in the plain words of the library.

    Examples
    --------
    >>> categories()[:2]
    ('soft drinks', 'alcoholic drinks')
    """
    return tuple(row["category"] for row in data.read_table("food_categories.csv").rows)


def _check(value: str, allowed: Iterable[str], what: str) -> None:
    known = list(allowed)
    if not isinstance(value, str) or value not in known:
        message = f"no {what} {checks.said(value)}; expected one of {', '.join(known)}"
        raise UnknownNameError(message)


def limits(carrier: str, market: str, category: str | None = None) -> tuple[Limit, ...]:
    """Return what was read of the law for a carrier in a market and a category of food.

    Parameters
    ----------
    carrier : str
        Name as in ``carriers.csv``. [-]
    market : str
        One of `markets`. [-]
    category : str, optional
        One of `categories`. Rows for it and for all foods apply; a row for "other foods" applies where the
        same text does not name the category; limits in the flavouring itself always apply. Without a
        category all rows. [-]

    Returns
    -------
    tuple of Limit
        Empty when nothing was read.

    Raises
    ------
    UnknownNameError
        When the market or the category is not known; the known ones are listed.

    Examples
    --------
    >>> [(row.limit, row.unit) for row in limits("propylene glycol", "EU", "soft drinks") if row.sum_group]
    [(3000.0, 'mg/kg')]
    """
    _check(market, markets(), "market")
    checks.text(carrier, "carrier", "the name of a carrier")
    rows = [row for row in _rows() if row.carrier == carrier and row.market == market]
    if category is None:
        return tuple(rows)
    _check(category, categories(), "category")
    named = {row.source for row in rows if row.category == category}
    return tuple(
        row
        for row in rows
        if row.category in (category, _ALL, _FLAVOURING) or (row.category == _OTHER and row.source not in named)
    )


def grounds(carrier: str, market: str, category: str | None = None) -> tuple[Limit, ...]:
    """Return the rows that answer whether the law lets one eat it as a carrier; see `permission`.

    Parameters
    ----------
    carrier : str
        Name as in ``carriers.csv``. [-]
    market : str
        One of `markets`. [-]
    category : str, optional
        One of `categories`. A limit in the flavouring alone does not say in which food the flavouring may end. What is
        said of all or of other foods may refuse food for infants but never permits it: the texts rule that food apart.
        Without a category, and for a "flavouring" of which the text says nothing, the rows of every food. [-]

    Returns
    -------
    tuple of Limit
        Empty when nothing was read.

    Raises
    ------
    UnknownNameError
        When the market or the category is not known.

    Examples
    --------
    >>> [row.permitted for row in grounds("lactic acid", "US", "soft drinks")]
    ['yes']
    >>> [row.permitted for row in grounds("lactic acid", "US", "infant food")]
    ['no']
    """
    everything = tuple(row for row in limits(carrier, market) if row.role in PERMITTING_ROLES)
    if category is None:
        return everything
    _check(category, categories(), "category")
    if category == _FLAVOURING:
        return tuple(row for row in everything if row.category in (_ALL, _FLAVOURING)) or everything
    return tuple(
        row
        for row in limits(carrier, market, category)
        if row.role in PERMITTING_ROLES
        and row.category != _FLAVOURING
        and (category != _INFANT or row.category == _INFANT or row.permitted not in _PERMITTED)
    )


def permission(carrier: str, market: str, category: str | None = None) -> str:
    """Return whether the law lets one eat it as a carrier: "yes", "restricted", "no" or "no evidence".

    Parameters
    ----------
    carrier : str
        Name as in ``carriers.csv``. [-]
    market : str
        One of `markets`. [-]
    category : str, optional
        One of `categories`. Without it, and for a "flavouring" of which the text says nothing, "restricted" also
        means: in some foods only. One food that is refused makes it so, for "all foods" too. [-]

    Returns
    -------
    str
        Never "yes" or "restricted" without a row that says so; for infant food, a row for infant food. "no evidence"
        is not permission.

    Raises
    ------
    UnknownNameError
        When the market or the category is not known.

    Examples
    --------
    >>> permission("benzyl alcohol", "EU", "confectionery"), permission("benzyl alcohol", "EU", "soft drinks")
    ('restricted', 'no evidence')
    >>> permission("lactic acid", "US", "infant food"), permission("lactic acid", "US")
    ('no', 'restricted')
    """
    rows = grounds(carrier, market, category)
    said = {row.permitted for row in rows}
    if category in (None, _ALL, _FLAVOURING):
        refused = {row.category for row in grounds(carrier, market) if row.permitted == "no"}
        if not refused.isdisjoint({_ALL, category}):
            return "no"
        everywhere = any(row.permitted == "yes" and row.category in (_ALL, _OTHER, category) for row in rows)
        if "yes" in said and (refused or not everywhere):
            said.add("restricted")
        said.discard("no")  # of one food: a restriction of the market as a whole
    return next((word for word in ("no", "restricted", "yes") if word in said), "no evidence")


def limit_uses(
    doses: Mapping[Any, float],
    market: str,
    category: str,
    *,
    product_density: float = 1.0,
    basis: str = CONSUMED,
) -> tuple[LimitUse, ...]:
    """Return how much of every numeric limit a set of doses uses, sum rules included.

    Parameters
    ----------
    doses : mapping to float
        Carrier (its name in ``carriers.csv``, or a `hspkit.carriers.Carrier`) -> its dose in the finished product; for
        basis "in the flavouring", in the flavouring. `hspkit.carriers.Blend.doses` splits the dose of a blend. [mg/L]
    market, category : str
        See `limits`. [-]
    product_density : float
        Density of what the dose is in, to compare with limits by mass. [g/mL]
    basis : str
        Which limits: "in the food as consumed" or "in the flavouring". [-]

    Returns
    -------
    tuple of LimitUse
        One per limit, the most used first; carriers of one sum rule count together. Empty where no number was
        read, which is not permission: see `permission`.

    Raises
    ------
    InputError
        When a dose or the density is not a number that makes sense.
    UnknownNameError
        When the market or the category is not known.

    Examples
    --------
    >>> uses = limit_uses({"triacetin": 1600, "propylene glycol": 900}, "EU", "soft drinks")
    >>> [(use.carriers, round(use.share, 2)) for use in uses]
    [(('propylene glycol',), 0.9), (('triacetin', 'propylene glycol'), 0.83)]
    """
    density = checks.between(product_density, "product_density", 0, np.inf, "a positive density in g/mL")
    checks.choice(basis, "basis", (CONSUMED, IN_FLAVOURING))
    checks.kind(doses, "doses", Mapping, "a mapping such as {'triacetin': 110}")
    grouped: dict[tuple[str, float, str, str], list[tuple[float, Limit]]] = {}
    for given, dose in doses.items():
        named = given if isinstance(given, str) else getattr(given, "listed_name", None)
        carrier = checks.text(named, f"the listed name of {checks.said(given)}", "the name of a carrier, or a Carrier")
        mass = checks.number(dose, f"the dose of {given!r}", "in mg/L", low=0)
        for row in limits(carrier, market, category):
            if row.basis == basis and row.role in PERMITTING_ROLES and row.unit in ("mg/kg", "mg/L"):
                key = (row.sum_group or carrier, float(row.limit or 0.0), row.unit, row.reference)
                grouped.setdefault(key, []).append((mass, row))
    uses = []
    for (_, limit, unit, _), entries in grouped.items():
        total = sum(dose for dose, _ in entries) / (density if unit == "mg/kg" else 1.0)
        names = tuple(dict.fromkeys(row.carrier for _, row in entries))
        uses.append(LimitUse(names, total, limit, unit, total / limit, tuple(row for _, row in entries)))
    return tuple(sorted(uses, key=lambda use: -use.share))
