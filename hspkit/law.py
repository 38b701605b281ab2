"""What was read of the law: in which market and food a carrier is permitted, and how much of it.

The rows are in ``datasets/carrier_limits.csv``, each with its legal reference and the date of the text.
They are notes of a reader, not the law: check the text in force, and ask someone licensed to say so.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from typing import NamedTuple, TypeVar

import numpy as np

from hspkit import checks, data
from hspkit.errors import UnknownNameError
from hspkit.names import check_length

__all__ = ["Limit", "LimitUse", "categories", "grounds", "limit_uses", "limits", "markets", "permitted"]

#: Roles in which a row counts as permission to use a liquid as a carrier. A flavouring substance or an extraction
#: solvent is permitted for another use.
PERMITTING_ROLES = ("carrier", "flavouring adjuvant", "food", "evaluation")
#: The name of a carrier, or an object with an attribute `listed_name`.
Liquid = TypeVar("Liquid")
CONSUMED, IN_FLAVOURING = "in the food as consumed", "in the flavouring"
_ALL, _OTHER, _FLAVOURING, _INFANT = "all foods", "other foods", "flavouring", "infant food"
#: The least permissive first.
_WORDS = ("no", "no evidence", "restricted", "yes")


class Limit(NamedTuple):
    """One rule of law: a row of ``carrier_limits.csv``, whose columns are explained in ``columns.csv``."""

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

    @property
    def permits(self) -> bool:
        """Whether it permits the carrier, with or without a limit."""
        return self.permitted in ("yes", "restricted")

    @property
    def refuses(self) -> bool:
        """Whether it forbids the carrier."""
        return self.permitted == "no"

    @property
    def for_carriers(self) -> bool:
        """Whether it is about use as a carrier, and not as a flavouring substance or for extraction."""
        return self.role in PERMITTING_ROLES

    @property
    def by_amount(self) -> bool:
        """Whether it limits the amount in the food or in the flavouring."""
        return self.unit in ("mg/kg", "mg/L")

    @property
    def by_intake(self) -> bool:
        """Whether it is an acceptable daily intake, with which no dose can be compared."""
        return self.unit == "mg/kg body weight and day"

    @property
    def words(self) -> str:
        """How much it permits, in words."""
        if self.limit is None:
            return self.rule if self.rule != "none stated" else f"{self.role}, no limit stated"
        together = " together with the others of its group" if self.sum_group else ""
        return f"at most {self.limit:,.12g} {self.unit} {self.basis}{together}"

    @property
    def dated(self) -> str:
        """The date of the text, in words."""
        return f"text of {self.text_date}" if self.text_date else "date of text not recorded"

    @property
    def known(self) -> str:
        """Whether the text was read, or recalled from memory."""
        kind = data.sources()[self.source]["kind"]
        return "read" if kind == "read" else f"from {kind}"

    def answers(self, category: str) -> bool:
        """Say whether it answers if the carrier is permitted in a category of food.

        A limit in the flavouring alone does not say in which food the flavouring may be used. A row for all or for
        other foods may refuse food for infants but never permits it: the texts regulate that food separately.

        Parameters
        ----------
        category : str
            One of `categories`. [-]
        """
        if category == _FLAVOURING:
            return self.category in (_ALL, _FLAVOURING)
        infants_apart = category == _INFANT and self.category != _INFANT and self.permits
        return self.category != _FLAVOURING and not infants_apart


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

    @property
    def words(self) -> str:
        """The limit in words, without the carriers and the reference."""
        return f"at most {self.limit:,.12g} {self.unit} {self.rows[0].basis}"


@cache
def _recorded() -> tuple[Limit, ...]:
    return tuple(Limit(**row) for row in data.read_table("carrier_limits.csv").rows)


@cache
def markets() -> tuple[str, ...]:
    """Return the markets of which a text of law is on record.

    Examples
    --------
    >>> markets()[:2]
    ('US', 'EU')
    """
    return tuple(dict.fromkeys(row.market for row in _recorded()))


@cache
def categories() -> tuple[str, ...]:
    """Return the categories of food, in the plain words of the library.

    Examples
    --------
    >>> categories()[:2]
    ('soft drinks', 'alcoholic drinks')
    """
    return tuple(row["category"] for row in data.read_table("food_categories.csv").rows)


def recognise(word: str, allowed: Sequence[str], what: str) -> str:
    """Return the market or category of food that a word means, in any case of letters.

    Parameters
    ----------
    word : str
        The word. [-]
    allowed : sequence of str
        The words that are known. [-]
    what : str
        What it is, for the message. [-]

    Raises
    ------
    UnknownNameError
        When it is none of them; they are listed, and the nearest is named.
    InputError
        When it is not a text.

    Examples
    --------
    >>> recognise("Soft Drinks", categories(), "food category")
    'soft drinks'
    """
    if isinstance(word, str) and word in allowed:
        return word
    checks.text(word, what, f"one of {', '.join(allowed)}")
    by_folded = {name.casefold(): name for name in allowed}
    folded = check_length(word, what).strip().casefold()
    if folded in by_folded:
        return by_folded[folded]
    near = difflib.get_close_matches(folded, by_folded, n=1)
    hint = f"; near: {near[0]}" if near else ""
    message = f"unknown {what} {word!r}{hint}; allowed: {', '.join(allowed)}"
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
    market = recognise(market, markets(), "market")
    checks.text(carrier, "carrier", "the name of a carrier")
    rows = [row for row in _recorded() if row.carrier == carrier and row.market == market]
    if category is None:
        return tuple(rows)
    category = recognise(category, categories(), "food category")
    naming_it = {row.source for row in rows if row.category == category}
    applying = {category, _ALL, _FLAVOURING}
    return tuple(r for r in rows if r.category in applying or (r.category == _OTHER and r.source not in naming_it))


def grounds(carrier: str, market: str, category: str | None = None) -> tuple[Limit, ...]:
    """Return the rows that answer whether a carrier is permitted as such; see `permitted`.

    Parameters
    ----------
    carrier : str
        Name as in ``carriers.csv``. [-]
    market : str
        One of `markets`. [-]
    category : str, optional
        One of `categories`; see `Limit.answers`. Without a category, and for a "flavouring" of which the text says
        nothing, the rows of every food. [-]

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
    if category is not None:
        category = recognise(category, categories(), "food category")
    read = limits(carrier, market, None if category == _FLAVOURING else category)
    rows = tuple(row for row in read if row.for_carriers)
    if category is None:
        return rows
    answering = tuple(row for row in rows if row.answers(category))
    return answering or rows if category == _FLAVOURING else answering


def least_permissive(words: Iterable[str]) -> str:
    """Return the least permissive of the words that `permitted` returns.

    Parameters
    ----------
    words : iterable of str
        At least one. [-]

    Examples
    --------
    >>> least_permissive(["yes", "no evidence", "restricted"])
    'no evidence'
    """
    return min(words, key=_WORDS.index)


def permitted(carrier: str, market: str, category: str | None = None) -> str:
    """Return whether a carrier is permitted as such: "yes", "restricted", "no" or "no evidence".

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
    >>> permitted("benzyl alcohol", "EU", "confectionery"), permitted("benzyl alcohol", "EU", "soft drinks")
    ('restricted', 'no evidence')
    >>> permitted("lactic acid", "US", "infant food"), permitted("lactic acid", "US")
    ('no', 'restricted')
    """
    rows = grounds(carrier, market, category)
    category = None if category is None else recognise(category, categories(), "food category")
    words = {row.permitted for row in rows} - {"no evidence"}
    if category in (None, _ALL, _FLAVOURING):
        refused = {row.category for row in grounds(carrier, market) if row.refuses}
        if not refused.isdisjoint({_ALL, category}):
            return "no"
        everywhere = any(row.permitted == "yes" and row.category in (_ALL, _OTHER, category) for row in rows)
        if "yes" in words and (refused or not everywhere):
            words.add("restricted")
        words.discard("no")  # a food that is refused restricts the market as a whole
    return least_permissive(words or {"no evidence"})


def limit_uses(
    doses: Mapping[Liquid, float],
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
        read, which is not permission: see `permitted`.

    Raises
    ------
    InputError
        When a dose is not a number >= 0, or the density not a number > 0.
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
    for liquid, dose in doses.items():
        name = liquid if isinstance(liquid, str) else getattr(liquid, "listed_name", None)
        carrier = checks.text(name, f"the listed name of {checks.said(liquid)}", "the name of a carrier, or a Carrier")
        mass = checks.number(dose, f"the dose of {liquid!r}", "in mg/L", low=0)
        for row in limits(carrier, market, category):
            if row.basis == basis and row.for_carriers and row.by_amount:
                key = (row.sum_group or carrier, float(row.limit or 0.0), str(row.unit), row.reference)
                grouped.setdefault(key, []).append((mass, row))
    uses = []
    for (_, limit, unit, _), entries in grouped.items():
        total = sum(dose for dose, _ in entries) / (density if unit == "mg/kg" else 1.0)
        names = tuple(dict.fromkeys(row.carrier for _, row in entries))
        uses.append(LimitUse(names, total, limit, unit, total / limit, tuple(row for _, row in entries)))
    return tuple(sorted(uses, key=lambda use: -use.share))
