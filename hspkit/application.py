"""The finished product: market, food category and use level; dose, law, taste, pouring and clouding.

Nothing here says whether an oil dissolves; that is `hspkit.miscibility`. Doses are mg per litre of finished
product. A limit given in mg/kg is turned into mg/L with the density of the product.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import data
from hspkit.carriers import Blend, Carrier
from hspkit.errors import InputError, UnknownNameError
from hspkit.law import IN_FLAVOURING, PERMITTING_ROLES, Limit, LimitUse, categories, limit_uses, limits, markets
from hspkit.miscibility import check_parts
from hspkit.phases import interaction_strength
from hspkit.substances import Substance, substance

if TYPE_CHECKING:
    from hspkit.oils import Oil

__all__ = [
    "Application",
    "Clouding",
    "Dose",
    "Permission",
    "clouding",
    "cosolvency_factor",
    "dose",
    "general_solubility",
    "legal_limit",
    "mass_shares",
    "oil_phase",
    "permission",
    "pouring_band",
    "taste_limit",
    "water_solubility",
]


def _choice(given: str, allowed: Sequence[str], what: str) -> str:
    wanted = str(given).strip().casefold()
    for name in allowed:
        if name.casefold() == wanted:
            return name
    close = difflib.get_close_matches(wanted, [name.casefold() for name in allowed], n=1)
    hint = f"; near: {close[0]}" if close else ""
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
        One of `law.markets()`. [-]
    category : str
        One of `law.categories()`. [-]
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
        put(
            self,
            "category",
            _choice(self.category, [c for c in categories() if c != "all foods"], "food category"),
        )
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


def dose(
    application: Application,
    *,
    oil_parts: float,
    carrier_parts: float,
    oil_density: float,
    carrier_density: float,
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


class Permission(NamedTuple):
    """What was read of the law for one carrier in one market and category of food."""

    carrier: str
    allowed: bool
    reason: str
    references: tuple[str, ...]


def _cite(row: Limit) -> str:
    kind = data.sources()[row.source]["kind"]
    how = f"text of {row.text_date}" if row.text_date else "date of text not recorded"
    return f"{row.reference or row.source} ({how}; {'read' if kind == 'read' else 'from ' + kind})"


def _words(row: Limit) -> str:
    if row.limit is None or row.unit is None:
        return row.rule if row.rule != "none stated" else f"{row.role}, no limit stated"
    together = " together with the others of its group" if row.sum_group else ""
    return f"at most {row.limit:,.12g} {row.unit} {row.basis}{together}"


def permission(part: Carrier, market: str, category: str) -> Permission:
    """Say whether a carrier may be eaten in a market and category, and on what ground.

    Parameters
    ----------
    part : Carrier
        One carrier. [-]
    market, category : str
        As in `law.markets` and `law.categories`. [-]

    Returns
    -------
    Permission
        ``allowed`` only on positive evidence (`Carrier.permitted` says "yes" or "restricted"); the reason and the
        references with the date of the text. The code in force has to be checked all the same.

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> permission(carrier("dipropylene glycol"), "US", "soft drinks").allowed
    False
    """
    word = part.permitted(market, category)
    rows = limits(part.name, market, category)
    allowed = word in ("yes", "restricted")
    grounds = [
        row for row in rows if row.role in PERMITTING_ROLES and (row.permitted in ("yes", "restricted")) == allowed
    ]
    cited = tuple(dict.fromkeys(_cite(row) for row in grounds))
    if allowed:
        return Permission(part.name, True, "; ".join(dict.fromkeys(_words(row) for row in grounds)), cited)
    if word == "no":
        said = next((row.note for row in grounds if row.note), part.caution or "refused")
        return Permission(part.name, False, f"not permitted in {market}: {said}", cited)
    elsewhere = [
        row
        for row in limits(part.name, market)
        if row.role in PERMITTING_ROLES and row.permitted in ("yes", "restricted")
    ]
    if elsewhere:
        named = ", ".join(dict.fromkeys(row.category for row in elsewhere))
        cited = tuple(dict.fromkeys(_cite(row) for row in elsewhere))
        return Permission(part.name, False, f"in {market} listed as a carrier for {named}, not for {category}", cited)
    other = ", ".join(dict.fromkeys(row.role for row in rows if row.permitted in ("yes", "restricted")))
    listed = f"; listed there as {other} only" if other else ""
    return Permission(part.name, False, f"no evidence of permission as a carrier in {market}{listed}", cited)


def legal_limit(
    liquid: Carrier | Blend, application: Application, *, share_of_stock: float = 0.0
) -> tuple[float | None, str]:
    """Return how much of a carrier or blend the finished product may hold, and the rule that decides.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier.
    application : Application
        Market, category and density of the product.
    share_of_stock : float
        Mass of carrier over mass of stock, for rules on the flavouring itself; 0 leaves them out. [-]

    Returns
    -------
    limit : float or None
        Smallest limit on the liquid as a whole, sum rules included; None when no number is on record. [mg/L]
    rule : str
        The rule in words, with its reference. [-]

    Notes
    -----
    A rule on the flavouring ("at most 97 % of the flavouring") does not depend on the dose; when the stock breaks it
    the limit returned is 0.

    Examples
    --------
    The sum rule of the EU counts both as one:

    >>> both = Blend({"triacetin": 0.5, "triethyl citrate": 0.5}, basis="volume")
    >>> legal_limit(both, Application("EU", "soft drinks", oil_mg_per_L=40))[0]
    3000.0
    """
    shares = mass_shares(liquid)
    where = (application.market, application.category)
    stocked = {part.name: 1e6 * share * share_of_stock for part, share in shares.items()}
    for use in limit_uses(stocked, *where, basis=IN_FLAVOURING):
        if use.share > 1.0:
            return 0.0, _rule(use)
    consumed = {part.name: share for part, share in shares.items()}
    uses = limit_uses(consumed, *where, product_density=application.product_density)
    if not uses:
        return None, "no numeric limit on record"
    return 1.0 / uses[0].share, _rule(uses[0])


def _rule(use: LimitUse) -> str:
    row = use.rows[0]
    return (
        f"{' + '.join(use.carriers)}: at most {use.limit:,.12g} {use.unit} {row.basis} ({row.reference or row.source})"
    )


def mass_shares(liquid: Carrier | Blend) -> dict[Carrier, float]:
    """Return the parts of a carrier or blend with their mass fractions. [-]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> mass_shares(carrier("triacetin"))
    {Carrier('triacetin', 102-76-1): 1.0}
    """
    if isinstance(liquid, Carrier):
        return {liquid: 1.0}
    return {part: float(share) for part, share in zip(liquid.parts, liquid.mass_fractions, strict=True) if share > 0}


def taste_limit(liquid: Carrier | Blend) -> float | None:
    """Return the dose of a carrier or blend at which one of its parts reaches its taste limit.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier.

    Returns
    -------
    float or None
        Dose of the whole; None when no part has a stated limit. Tastes are not added up: nothing is known about
        their sum. [mg/L]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> taste_limit(carrier("triacetin"))
    500.0
    """
    reached = [part.taste_limit / share for part, share in mass_shares(liquid).items() if part.taste_limit is not None]
    return min(reached) if reached else None


class Pouring(NamedTuple):
    """A band of viscosity with an everyday comparison."""

    band: str
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
    >>> pouring_band(1.0).band
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
    """Whether oil and carrier stay dissolved in the finished drink.

    ``load`` is the dose over the largest dose that stays clear; ``factor`` its factor of uncertainty (one
    standard deviation); ``separated_mg_per_L`` what separates at equilibrium [mg/L]; ``makers`` the components
    that make up the separated phase with their mole fractions, largest first; ``unknown`` what could not be
    looked at.
    """

    load: float
    factor: float
    stays_clear: bool
    undecided: bool
    separated_mg_per_L: float
    makers: tuple[tuple[str, float], ...]
    unknown: tuple[str, ...]


#: A drink is called clear while less than this share of the dose separates [-]. Traces of wax never dissolve, and
#: nobody sees a hundredth of a dose of tens of milligrams; the figure is a round one, no source.
SEPARATED_SHARE = 0.01
#: Spread of ln S about the general solubility equation over the shipped substances with a measured solubility and
#: log P [-]: a factor of 3. tests/test_application.py computes it again.
GSE_SD_LN = 1.15


def general_solubility(log_p: float, molar_mass: float, melting_celsius: float | None = None) -> float:
    """Return the water solubility of a liquid or solid by the general solubility equation.

    log10 S (mol/L) = 0.5 - 0.01 (MP - 25) - log P; a liquid takes MP = 25.

    Parameters
    ----------
    log_p : float
        Octanol-water partition, log10. [-]
    molar_mass : float
        Molar mass. [g/mol]
    melting_celsius : float, optional
        Melting point of a solid. [degC]

    Returns
    -------
    float
        Water solubility at 25 C. [mg/L]

    References
    ----------
    Jain and Yalkowsky, J. Pharm. Sci. 90 (2001) 234-252; equation as in a QSAR Comb. Sci. 2003 abstract.

    Examples
    --------
    >>> general_solubility(4.57, 136.24)
    11.6
    """
    melting = 25.0 if melting_celsius is None else max(25.0, melting_celsius)
    return float(10.0 ** (0.5 - 0.01 * (melting - 25.0) - log_p) * molar_mass * 1000.0)


def water_solubility(member: Substance) -> tuple[float, float, str]:
    """Return water solubility [mg/L], standard deviation of its logarithm [-] and how it is known.

    Measured where there is a value; else by `general_solubility` where log P is known; else from the Hansen
    parameters by ln phi = -1 + V/V_w - V a |d - d_w|^2, the dilute limit of the free energy of `hspkit.phases`.

    Examples
    --------
    >>> from hspkit.substances import substance
    >>> water_solubility(substance("limonene"))[2]
    'measured'
    """
    if member.water_solubility is not None:
        spread = member.water_solubility_sd_ln
        return float(member.water_solubility), GSE_SD_LN if spread is None else float(spread), "measured"
    if member.log_p is not None:
        guess = general_solubility(member.log_p, member.molar_mass, member.melting_celsius)
        return guess, GSE_SD_LN, "general solubility equation"
    water = substance("water")
    weight = np.array([1.0, 0.25, 0.25])
    away = member.hsp.array - water.hsp.array
    pull = member.volume * float(interaction_strength(25.0))
    ln_fraction = min(0.0, -1.0 + member.volume / water.mixing_volume - pull * float(np.sum(weight * away**2)))
    slope = -2.0 * pull * weight * away
    spread = float(np.sqrt(slope @ (member.covariance + water.covariance) @ slope))
    return float(np.exp(ln_fraction)) * member.molar_mass / member.volume * 1e6, spread, "Hansen parameters"


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


def clouding(
    subject: Oil,
    *,
    oil_mg_per_L: float,
    liquid: Carrier | Blend | None = None,
    carrier_mg_per_L: float = 0.0,
    ethanol_percent: float = 0.0,
) -> Clouding:
    """Say whether oil and carrier stay dissolved in the finished drink, and which component clouds it.

    Parameters
    ----------
    subject : Oil
        Composition; each component's solubility as in `water_solubility`.
    oil_mg_per_L : float
        Dose of the oil. [mg/L]
    liquid : Carrier or Blend, optional
        The carrier that comes with it: one that does not dissolve in water clouds the drink itself.
    carrier_mg_per_L : float
        Dose of the carrier. [mg/L]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    Returns
    -------
    Clouding
        A few hundred mg/L of carrier do not raise the solubility of the oil: the carrier mixes with the water
        and lets the oil go. Sugar and acid are out of scope.

    Raises
    ------
    InputError
        For a dose that is not a positive number.

    Examples
    --------
    >>> from hspkit.oils import oil
    >>> clouding(oil("limonene"), oil_mg_per_L=1).stays_clear
    True
    """
    amount = float(_positive(oil_mg_per_L, "oil_mg_per_L", "mg/L") or 0.0)
    doses = {m: amount * p / 100.0 for m, p in zip(subject.substances, subject.mass_percent, strict=True)}
    if liquid is not None:
        for part, share in mass_shares(liquid).items():
            if part.substance is not None:
                doses[part.substance] = doses.get(part.substance, 0.0) + carrier_mg_per_L * share
    members = [member for member, dosed in doses.items() if member.name != "water" and dosed > 0]
    known = [water_solubility(member) for member in members]
    raised = [1.0 if member.log_p is None else cosolvency_factor(member.log_p, ethanol_percent) for member in members]
    molar_mass = np.array([member.molar_mass for member in members])
    given = np.array([doses[member] for member in members]) / molar_mass
    soluble = np.array([one[0] for one in known]) * np.array(raised) / molar_mass
    separated = float(np.sum(oil_phase(given, soluble) * molar_mass))
    dosed = float(np.sum(given * molar_mass))
    low, high = -12.0, 12.0  # ln of the multiple of this dose that stays just clear
    for _ in range(60):
        middle = 0.5 * (low + high)
        lost = float(np.sum(oil_phase(np.exp(middle) * given, soluble) * molar_mass))
        low, high = (middle, high) if lost < SEPARATED_SHARE * dosed * np.exp(middle) else (low, middle)
    makers = oil_phase(np.exp(high) * given, soluble)
    makers = makers / makers.sum() if makers.sum() > 0 else makers
    spread = float(np.sqrt(np.sum((makers * np.array([one[1] for one in known])) ** 2)))
    order = np.argsort(-makers, kind="stable")
    return Clouding(
        float(np.exp(-low)),
        float(np.exp(spread)),
        separated < SEPARATED_SHARE * dosed,
        abs(low) < spread,
        separated,
        tuple((members[i].name, float(makers[i])) for i in order if makers[i] > 0),
        tuple(label for label, _ in subject.uncovered),
    )


def oil_phase(given: NDArray[np.float64], soluble: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what separates from water as an ideal mixture.

    Each component divides between water, where it is dissolved to its mole fraction in the separated phase times
    its solubility, and that phase: sum_i c_i / (N + S_i) = 1 gives the moles N of the phase.

    Parameters
    ----------
    given, soluble : ndarray of shape (n,)
        What was added and what would dissolve of each alone. [mmol/L]

    Returns
    -------
    ndarray of shape (n,)
        Separated amounts; all zero while sum c_i / S_i <= 1. [mmol/L]

    References
    ----------
    Raoult's law with the balance of Rachford and Rice, J. Pet. Technol. 4 (1952) 19 (from memory).

    Examples
    --------
    >>> oil_phase(np.array([2.0]), np.array([0.5]))
    array([1.5])
    """
    if np.sum(given / soluble) <= 1.0:
        return np.zeros_like(given)
    low, high = 0.0, float(given.sum())
    for _ in range(200):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if np.sum(given / (middle + soluble)) > 1.0 else (low, middle)
    return given * high / (high + soluble)
