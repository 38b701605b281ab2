"""The finished product: market, food category and use level; dose, law, taste, pouring and clouding.

Nothing here says whether an oil dissolves; that is `hspkit.miscibility`. Doses are mg per litre of finished
product. A limit given in mg/kg is turned into mg/L with the density of the product.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from hspkit import data
from hspkit.errors import InputError, UnknownNameError
from hspkit.names import near_names

if TYPE_CHECKING:
    from hspkit.oils import Oil

__all__ = [
    "Application",
    "Clouding",
    "Dose",
    "Limit",
    "Permission",
    "clouding",
    "dose",
    "food_categories",
    "legal_limit",
    "markets",
    "permission",
    "pouring_band",
    "taste_limit",
]

#: A row with one of these roles is positive evidence that the liquid may carry a flavour into food.
_CARRYING_ROLES = ("carrier", "food", "flavouring adjuvant")
#: Categories that are not foods a product can be: they stand for the flavouring itself, or for every food.
_NOT_PRODUCTS = ("flavouring", "all foods", "other foods")
_MG_PER_KG = 1e6


@cache
def markets() -> tuple[str, ...]:
    """Return the markets for which rows of law ship.

    Examples
    --------
    >>> "US" in markets() and "EU" in markets()
    True
    """
    return tuple(dict.fromkeys(row["market"] for row in data.read_table("carrier_limits.csv").rows))


@cache
def food_categories() -> tuple[str, ...]:
    """Return the food categories, in the plain words of the regulations.

    Examples
    --------
    >>> "soft drinks" in food_categories()
    True
    """
    return tuple(row["category"] for row in data.read_table("food_categories.csv").rows)


def _choice(given: str, allowed: Sequence[str], what: str) -> str:
    wanted = str(given).strip().casefold()
    for name in allowed:
        if name.casefold() == wanted:
            return name
    close = near_names(str(given), allowed)
    hint = f"; near: {', '.join(close)}" if close else ""
    message = f"unknown {what} {given!r}{hint}; allowed: {', '.join(allowed)}"
    raise UnknownNameError(message)


def _positive(value: float | None, name: str, unit: str) -> float | None:
    if value is None:
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not np.isfinite(number) or number <= 0:
        message = f"{name} is {value!r}; expected a number > 0 in {unit}"
        raise InputError(message)
    return number


@dataclass(frozen=True)
class Application:
    """What is made, where it is sold, and how much oil or stock goes in.

    Parameters
    ----------
    market : str
        One of `markets()`. [-]
    category : str
        One of `food_categories()`. [-]
    oil_mg_per_L : float, optional
        Use level of the oil in the finished product. [mg/L]
    stock_mg_per_L : float, optional
        Use level of the stock (oil + carrier). Give one of the two. [mg/L]
    ethanol_percent : float
        Ethanol in the finished product, for its clouding. [% vol]
    product_density : float
        Density of the finished product; turns mg/kg of the law into mg/L. [g/mL]

    Raises
    ------
    UnknownNameError
        For a market or category that no row of law uses.
    InputError
        For a dose that is not a positive number, or when both doses or none are given.

    Examples
    --------
    >>> Application("US", "soft drinks", oil_mg_per_L=40).market
    'US'
    """

    market: str
    category: str
    oil_mg_per_L: float | None = field(default=None, kw_only=True)
    stock_mg_per_L: float | None = field(default=None, kw_only=True)
    ethanol_percent: float = field(default=0.0, kw_only=True)
    product_density: float = field(default=1.0, kw_only=True)

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "market", _choice(self.market, markets(), "market"))
        products = [c for c in food_categories() if c not in ("all foods",)]
        put(self, "category", _choice(self.category, products, "food category"))
        for name in ("oil_mg_per_L", "stock_mg_per_L"):
            put(self, name, _positive(getattr(self, name), name, "mg/L of finished product"))
        put(self, "product_density", _positive(self.product_density, "product_density", "g/mL"))
        if (self.oil_mg_per_L is None) == (self.stock_mg_per_L is None):
            given = "both" if self.oil_mg_per_L is not None else "neither"
            message = f"{given} of oil_mg_per_L and stock_mg_per_L given; give exactly one use level in mg/L"
            raise InputError(message)
        if not 0 <= float(self.ethanol_percent) < 100:
            message = f"ethanol_percent is {self.ethanol_percent!r}; expected 0 to 100 % vol of the finished product"
            raise InputError(message)


class Dose(NamedTuple):
    """What one litre of finished product holds. [mg/L]"""

    oil_mg_per_L: float
    carrier_mg_per_L: float

    @property
    def stock_mg_per_L(self) -> float:
        """Oil and carrier together. [mg/L]"""
        return self.oil_mg_per_L + self.carrier_mg_per_L


def check_parts(oil_parts: float, carrier_parts: float) -> tuple[float, float]:
    """Return parts as floats after checking that both are positive numbers.

    Parameters
    ----------
    oil_parts, carrier_parts : float
        Parts by volume. [-]

    Raises
    ------
    InputError
        When one is zero, negative or not a number.

    Examples
    --------
    >>> check_parts(1, 2)
    (1.0, 2.0)
    """
    checked = []
    for name, given in (("oil_parts", oil_parts), ("carrier_parts", carrier_parts)):
        checked.append(_positive(given, name, "parts by volume") or 0.0)
    return checked[0], checked[1]


def dose(
    application: Application, *, oil_parts: float, carrier_parts: float, oil_density: float, carrier_density: float
) -> Dose:
    """Return the oil and the carrier in a litre of finished product.

    Parameters
    ----------
    application : Application
        Gives the use level of the oil or of the stock. [mg/L]
    oil_parts, carrier_parts : float
        Parts by volume of the stock. [-]
    oil_density, carrier_density : float
        Densities. [g/mL]

    Returns
    -------
    Dose
        Oil and carrier in the finished product. [mg/L]

    Examples
    --------
    1 part of an oil of 0.84 g/mL and 2 parts of a carrier of 1.16 g/mL, 40 mg/L of oil:
    40 x (2 x 1.16) / (1 x 0.84) = 110.5 mg/L of carrier.

    >>> soda = Application("US", "soft drinks", oil_mg_per_L=40)
    >>> dose(soda, oil_parts=1, carrier_parts=2, oil_density=0.84, carrier_density=1.16).carrier_mg_per_L
    110.476
    """
    oil_share, carrier_share = check_parts(oil_parts, carrier_parts)
    oil_mass = oil_share * float(_positive(oil_density, "oil_density", "g/mL") or 0.0)
    carrier_mass = carrier_share * float(_positive(carrier_density, "carrier_density", "g/mL") or 0.0)
    if application.oil_mg_per_L is not None:
        oil = application.oil_mg_per_L
    else:
        oil = float(application.stock_mg_per_L or 0.0) * oil_mass / (oil_mass + carrier_mass)
    return Dose(oil, oil * carrier_mass / oil_mass)


class Limit(NamedTuple):
    """One numeric rule of law: what the sum of its members may reach.

    ``basis`` is "in the food as consumed" or "in the flavouring"; ``value`` is in mg/kg or mg/L as the unit says.
    """

    members: tuple[str, ...]
    value: float
    unit: str
    basis: str
    wording: str
    reference: str
    text_date: str
    source: str

    def mg_per_L(self, product_density: float) -> float:
        """Return the limit in the finished product. [mg/L]"""
        return self.value * product_density if self.unit == "mg/kg" else self.value


class Permission(NamedTuple):
    """What the shipped rows of law say of one carrier in one market and category."""

    carrier: str
    market: str
    category: str
    allowed: bool
    reason: str
    references: tuple[str, ...]
    limits: tuple[Limit, ...]


@cache
def _law() -> dict[tuple[str, str], list[Mapping[str, Any]]]:
    found: dict[tuple[str, str], list[Mapping[str, Any]]] = {}
    for row in data.read_table("carrier_limits.csv").rows:
        found.setdefault((row["carrier"], row["market"]), []).append(row)
    return found


@cache
def _members(sum_group: str, market: str) -> tuple[str, ...]:
    rows = data.read_table("carrier_limits.csv").rows
    found = [r["carrier"] for r in rows if r["sum_group"] == sum_group and r["market"] == market]
    return tuple(dict.fromkeys(found))


def _cite(row: Mapping[str, Any]) -> str:
    kind = data.sources()[row["source"]]["kind"]
    how = f"text of {row['text_date']}" if row["text_date"] else "date of text not recorded"
    return f"{row['reference'] or row['source']} ({how}; {'read' if kind == 'read' else 'from ' + kind})"


def _in_force(rows: Sequence[Mapping[str, Any]], category: str) -> list[Mapping[str, Any]]:
    """Rows that speak of a category: its own and those of every food; "other foods" when it has none of its own."""
    own = [row for row in rows if row["category"] == category]
    general = [row for row in rows if row["category"] == "all foods"]
    if not own:
        own = [row for row in rows if row["category"] == "other foods"]
    return own + general


@cache
def permission(carrier: str, market: str, category: str) -> Permission:
    """Say whether a carrier may be eaten in a market and category, by positive evidence only.

    Parameters
    ----------
    carrier : str
        Name as in carriers.csv. [-]
    market, category : str
        As in `markets` and `food_categories`. [-]

    Returns
    -------
    Permission
        ``allowed`` is True only when a row permits use as a carrier (or as a food or flavouring adjuvant) in
        that category; a listing as a flavouring substance alone, an intake evaluation alone, or no row at all
        is not permission. The caller still has to check the code in force.

    Examples
    --------
    >>> permission("propylene glycol", "US", "soft drinks").limits[0].value
    20000.0
    >>> permission("dipropylene glycol", "US", "soft drinks").allowed
    False
    """
    market = _choice(market, markets(), "market")
    category = _choice(category, food_categories(), "food category")
    rows = _law().get((carrier, market), [])
    relevant = _in_force(rows, category)
    refusing = [row for row in rows if row["permitted"] == "no"]
    carrying = [r for r in relevant if r["role"] in _CARRYING_ROLES and r["permitted"] in ("yes", "restricted")]
    cited = tuple(dict.fromkeys(_cite(row) for row in (refusing or carrying or rows)))

    def answer(allowed: bool, reason: str, limits: tuple[Limit, ...] = ()) -> Permission:
        return Permission(carrier, market, category, allowed, reason, cited, limits)

    if refusing:
        said = next((row["note"] for row in refusing if row["note"]), "not for ingestion")
        return answer(False, f"not permitted for ingestion in {market}: {said}")
    if carrying:
        flavouring = [row for row in rows if row["category"] == "flavouring"]
        limits = tuple(_limit(row) for row in (*carrying, *flavouring) if _binds(row))
        return answer(True, "; ".join(dict.fromkeys(_plain(row) for row in carrying)), limits)
    elsewhere = [r for r in rows if r["role"] in _CARRYING_ROLES and r["permitted"] in ("yes", "restricted")]
    if elsewhere:
        named = ", ".join(dict.fromkeys(row["category"] for row in elsewhere))
        return answer(False, f"in {market} listed as a carrier for {named} only, not for {category}")
    for role, text in (
        ("flavouring substance", "listed as a flavouring substance, not as a carrier"),
        ("extraction residue", "listed as an extraction solvent with residue limits, not as a carrier"),
        ("evaluation", "evaluated for intake, but no permission as a carrier on record"),
    ):
        if any(row["role"] == role and row["permitted"] in ("yes", "restricted") for row in relevant):
            return answer(False, f"in {market} {text}")
    return answer(False, f"no evidence of permission in {market}")


def _binds(row: Mapping[str, Any]) -> bool:
    return (
        row["rule"] == "limit"
        and row["limit"] is not None
        and row["unit"] in ("mg/kg", "mg/L")
        and row["basis"] in ("in the food as consumed", "in the flavouring")
    )


def _limit(row: Mapping[str, Any]) -> Limit:
    members = _members(row["sum_group"], row["market"]) if row["sum_group"] else (row["carrier"],)
    return Limit(
        members,
        float(row["limit"]),
        row["unit"],
        row["basis"],
        row["wording"] or row["category"],
        row["reference"] or "",
        row["text_date"] or "",
        row["source"],
    )


def _plain(row: Mapping[str, Any]) -> str:
    if row["rule"] != "limit" or row["limit"] is None:
        return str(row["rule"]) if row["rule"] != "none stated" else f"{row['role']}, no limit stated"
    with_others = " together with the others of its group" if row["sum_group"] else ""
    return f"at most {row['limit']:g} {row['unit']} {row['basis']}{with_others}"


def legal_limit(
    mass_fractions: Mapping[str, float], application: Application, *, carrier_share_of_stock: float = 1.0
) -> tuple[float | None, str]:
    """Return how much of a carrier or blend the finished product may hold, and the rule that decides.

    Parameters
    ----------
    mass_fractions : mapping of str to float
        Share by mass of each carrier in the blend; {name: 1.0} for a single carrier. [-]
    application : Application
        Market, category and density of the product.
    carrier_share_of_stock : float
        Mass of carrier over mass of stock, for rules on the flavouring itself. [-]

    Returns
    -------
    limit : float or None
        Smallest limit on the blend as a whole, sum rules included; None when no number is on record. [mg/L]
    rule : str
        The rule in words, with its reference. [-]

    Notes
    -----
    A rule on the flavouring ("at most 97 % of the flavouring") does not depend on the dose; when the stock breaks
    it the limit returned is 0.

    Examples
    --------
    >>> soda = Application("EU", "soft drinks", oil_mg_per_L=40)
    >>> limit, rule = legal_limit({"triacetin": 0.5, "triethyl citrate": 0.5}, soda)
    >>> limit
    3000.0
    """
    best: float | None = None
    words = "no numeric limit on record"
    seen = set()
    for name in mass_fractions:
        for rule in permission(name, application.market, application.category).limits:
            if rule in seen:
                continue
            seen.add(rule)
            share = sum(mass_fractions.get(member, 0.0) for member in rule.members)
            if share <= 0:
                continue
            if rule.basis == "in the flavouring":
                if share * carrier_share_of_stock * _MG_PER_KG <= rule.value:
                    continue
                value = 0.0
            else:
                value = rule.mg_per_L(application.product_density) / share
            if best is None or value < best:
                best = value
                joined = " + ".join(m for m in rule.members if m in mass_fractions)
                words = f"{joined}: {rule.value:g} {rule.unit} {rule.basis} ({rule.reference or rule.source})"
    return best, words


def taste_limit(mass_fractions: Mapping[str, float], limits: Mapping[str, float | None]) -> float | None:
    """Return the dose of a carrier or blend at which one of its members reaches its taste limit.

    Parameters
    ----------
    mass_fractions : mapping of str to float
        Share by mass of each carrier. [-]
    limits : mapping of str to float or None
        Taste limit of each carrier in the product; None when nobody has stated one. [mg/L]

    Returns
    -------
    float or None
        Dose of the whole blend; None when no member has a stated limit. Tastes are not added up: nothing is
        known about their sum. [mg/L]

    Examples
    --------
    >>> taste_limit({"triacetin": 0.5, "glycerol": 0.5}, {"triacetin": 500.0, "glycerol": None})
    1000.0
    """
    reached = []
    for name, share in mass_fractions.items():
        limit = limits.get(name)
        if limit is not None and share > 0:
            reached.append(limit / share)
    return min(reached) if reached else None


class Pouring(NamedTuple):
    """A band of viscosity with an everyday comparison."""

    name: str
    comparison: str
    pours: bool


@cache
def _bands() -> tuple[Mapping[str, Any], ...]:
    return data.read_table("pouring_bands.csv").rows


def pouring_band(viscosity: float | None) -> Pouring | None:
    """Return how a liquid of this viscosity handles; None when the viscosity is not known.

    Parameters
    ----------
    viscosity : float or None
        Dynamic viscosity at 20 C. [mPa s]

    Examples
    --------
    >>> pouring_band(1.0).name
    'runs like water'
    >>> pouring_band(None) is None
    True
    """
    if viscosity is None or not np.isfinite(viscosity):
        return None
    for row in _bands():
        if row["up_to_mPa_s"] is None or viscosity <= row["up_to_mPa_s"]:
            return Pouring(row["band"], row["comparison"], row["pours"])
    message = "pouring_bands.csv: the last band must have an empty upper end"
    raise InputError(message)


class Clouding(NamedTuple):
    """Whether the oil stays dissolved in the finished drink.

    ``index`` is the sum over components of dose / solubility: the oil phase that would separate is taken as an
    ideal mixture, so nothing separates while it stays below 1. ``factor`` is the factor of uncertainty (one
    standard deviation) on the index; ``shares`` gives each component's part of it, largest first.
    """

    index: float
    factor: float
    stays_clear: bool
    undecided: bool
    shares: tuple[tuple[str, float], ...]
    unknown: tuple[str, ...]


def cosolvency_factor(log_p: float, ethanol_percent: float) -> float:
    """Return how many times more of a solute dissolves in a drink with ethanol than in water.

    log10 (S_mix / S_water) = sigma f with sigma = 0.95 log P + 0.30, the log-linear rule.

    Parameters
    ----------
    log_p : float
        Octanol-water partition, log10. [-]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    References
    ----------
    Yalkowsky's log-linear rule; constants of ethanol from Millard, Alvarez-Nunez and Yalkowsky, Int. J. Pharm. 245
    (2002) 153 (from memory).

    Examples
    --------
    >>> cosolvency_factor(4.57, 0.0)
    1.0
    """
    return float(10.0 ** ((0.95 * log_p + 0.30) * ethanol_percent / 100.0))


def clouding(oil: Oil, *, oil_mg_per_L: float, ethanol_percent: float = 0.0) -> Clouding:
    """Say whether a dose of oil stays dissolved in the finished drink, and which component clouds it.

    Parameters
    ----------
    oil : Oil
        Composition with the water solubility of each component (measured, else the general solubility
        equation with log P; both with a standard deviation of ln S).
    oil_mg_per_L : float
        Dose of the oil. [mg/L]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    Returns
    -------
    Clouding
        A carrier at a few hundred mg/L does not change this: it mixes with the water and lets the oil go. Sugar
        and acid are out of scope.

    Raises
    ------
    InputError
        For a dose that is not a positive number.
    """
    amount = float(_positive(oil_mg_per_L, "oil_mg_per_L", "mg/L") or 0.0)
    parts: list[tuple[str, float]] = []
    unknown: list[str] = []
    variance = 0.0
    for member, mass_share in zip(oil.substances, oil.mass_fractions, strict=True):
        solubility = member.water_solubility_mg_per_L
        if solubility is None:
            unknown.append(member.name)
            continue
        raised = 1.0
        if ethanol_percent > 0 and member.log_p is not None:
            raised = cosolvency_factor(member.log_p, ethanol_percent)
        part = amount * mass_share / (solubility * raised)
        parts.append((member.name, part))
        variance += (part * member.water_solubility_sd_ln) ** 2
    total = sum(part for _, part in parts)
    factor = float(np.exp(np.sqrt(variance) / total)) if total > 0 else 1.0
    shares = tuple(sorted(((name, part / total) for name, part in parts), key=lambda item: -item[1])) if total else ()
    undecided = bool(total > 0 and 1.0 / factor < total < factor)
    return Clouding(total, factor, total < 1.0, undecided, shares, tuple(unknown))
