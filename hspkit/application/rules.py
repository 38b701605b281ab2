"""The rules for one use: permission, legal limits with their references, and taste.

`hspkit.law` holds what was read; here it is put to one carrier or blend at one dose. None of it is advice on the law:
check the code in force in your market, and have a qualified person confirm the use.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from hspkit import checks, data
from hspkit.application.use import Application, Dose, check_application
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.law import CONSUMED, IN_FLAVOURING, Limit, LimitUse, grounds, limit_uses, limits
from hspkit.pages import number

__all__ = [
    "CHECK_THE_LAW",
    "LawLine",
    "Permission",
    "TasteLine",
    "law_lines",
    "legal_limit",
    "mass_shares",
    "most_carrier_in_stock",
    "permission",
    "taste_limit",
    "taste_lines",
    "taste_unknown",
    "under_taste_limit",
]

#: Said wherever a limit is shown.
CHECK_THE_LAW = (
    "Limits as consumed count every source: add what other ingredients bring. Check the code in force in your market, "
    "and have a qualified person confirm the use."
)
_INTAKE = "mg/kg body weight and day"
_PERMITTED = ("yes", "restricted")
#: What a dose may seem to be over a taste limit by rounding: a blend that was fitted to its limit keeps it [-].
_ROUNDING = 1e-6


class LawLine(NamedTuple):
    """One line of law for a use.

    Attributes
    ----------
    carriers : tuple of str
        Those it applies to; several share a sum rule. [-]
    rule : str
        In words. [-]
    limit, dose : float
        The limit and what is used of it; NaN where the rule has no number. [as in ``unit``]
    unit : str
        mg/kg, mg/L or mg/kg body weight and day. [-]
    margin_percent : float
        What is left of the limit; negative when it is broken. [%]
    reference, text_date, known : str
        Legal reference, date of the text, and whether it was read or recalled. [-]
    """

    carriers: tuple[str, ...]
    rule: str
    limit: float
    dose: float
    unit: str
    margin_percent: float
    reference: str
    text_date: str
    known: str

    @property
    def broken(self) -> bool:
        """Whether the dose is over the limit."""
        return bool(self.margin_percent < 0)

    def sentence(self) -> str:
        """Return the line in words, with its reference and date."""
        used = ""
        if np.isfinite(self.limit) and self.unit == _INTAKE:
            used = f"; one litre of product holds {number(self.dose)} mg"
        elif np.isfinite(self.limit):
            state = "BROKEN, over by" if self.broken else "kept, margin"
            used = f"; used {number(self.dose)} {self.unit}: {state} {number(abs(self.margin_percent))} %"
        date = f"text of {self.text_date}" if self.text_date else "date of text not recorded"
        return f"{' + '.join(self.carriers)}: {self.rule}{used} [{self.reference}; {date}; {self.known}]"


class TasteLine(NamedTuple):
    """What is known of the taste of one carrier of a use; a figure that is not known is NaN. [mg/L]"""

    carrier: str
    taste: str
    dose: float
    noticed_from: float
    limit: float
    source: str

    @property
    def broken(self) -> bool:
        """Whether the dose is over the taste limit; not where no limit is stated."""
        return bool(self.dose > self.limit * (1.0 + _ROUNDING))

    def sentence(self) -> str:
        """Return the line in words."""
        said = f"{self.carrier}: {self.taste or 'taste not on record'}, {number(self.dose)} mg/L in the product"
        if np.isfinite(self.noticed_from):
            word = "may be noticed" if self.dose > self.noticed_from else "hardly noticed"
            said += f"; {word} (from about {number(self.noticed_from)} mg/L)"
        if np.isfinite(self.limit):
            word = "OVER" if self.broken else "under"
            said += f"; {word} the taste limit of {number(self.limit)} mg/L"
        else:
            said += "; no taste limit on record"
        something = np.isfinite(self.noticed_from) or np.isfinite(self.limit)
        return said + f" [{data.sources()[self.source]['kind']}]" if something and self.source else said


class Permission(NamedTuple):
    """What was read of the law for one carrier in one market and category of food."""

    carrier: str
    allowed: bool
    reason: str
    references: tuple[str, ...]


def _cite(row: Limit) -> str:
    kind = data.sources()[row.source]["kind"]
    how = f"text of {row.text_date}" if row.text_date else "date of text not recorded"
    return f"{row.reference} ({how}; {'read' if kind == 'read' else 'from ' + kind})"


def _cited(rows: Iterable[Limit]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(map(_cite, rows)))


def _words(row: Limit) -> str:
    if row.limit is None:
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
    expected = "a Carrier, such as hspkit.carrier('triacetin')"
    word = checks.kind(part, "part", Carrier, expected).permitted(market, category)
    rows = grounds(part.listed_name, market, category)
    if word in _PERMITTED:
        allowing = [row for row in rows if row.permitted in _PERMITTED]
        return Permission(part.name, True, "; ".join(dict.fromkeys(map(_words, allowing))), _cited(allowing))
    if word == "no":
        refusing = [row for row in rows if row.permitted == "no"]
        said = next((row.note for row in refusing if row.note), part.caution or "refused")
        return Permission(part.name, False, f"not permitted in {market}: {said}", _cited(refusing))
    elsewhere = [row for row in grounds(part.listed_name, market) if row.permitted in _PERMITTED]
    if elsewhere:
        named = ", ".join(dict.fromkeys(row.category for row in elsewhere))
        apart = ", which needs a text of its own" if category == "infant food" else ""
        reason = f"in {market} listed as a carrier for {named}, not for {category}{apart}"
        return Permission(part.name, False, reason, _cited(elsewhere))
    listed_as = [row.role for row in limits(part.listed_name, market, category) if row.permitted in _PERMITTED]
    other = ", ".join(dict.fromkeys(listed_as))
    listed = f"; listed there as {other} only" if other else ""
    return Permission(part.name, False, f"no evidence of permission as a carrier in {market}{listed}", _cited(rows))


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
    where = (check_application(application).market, application.category)
    held = checks.number(share_of_stock, "share_of_stock", "", low=0, high=1)
    stocked = {part.listed_name: 1e6 * share * held for part, share in shares.items()}
    for use in limit_uses(stocked, *where, basis=IN_FLAVOURING):
        if use.share > 1.0:
            return 0.0, _rule(use)
    consumed = {part.listed_name: share for part, share in shares.items()}
    uses = limit_uses(consumed, *where, product_density=application.product_density)
    if not uses:
        return None, "no numeric limit on record"
    return 1.0 / uses[0].share, _rule(uses[0])


def _rule(use: LimitUse) -> str:
    row = use.rows[0]
    return f"{' + '.join(use.carriers)}: at most {use.limit:,.12g} {use.unit} {row.basis} ({row.reference})"


def mass_shares(liquid: Carrier | Blend) -> dict[Carrier, float]:
    """Return the parts of a carrier or blend with their mass fractions. [-]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> mass_shares(carrier("triacetin"))
    {Carrier('triacetin', 102-76-1): 1.0}
    """
    liquid = carrier(liquid)
    if isinstance(liquid, Carrier):
        return {liquid: 1.0}
    return {part: float(share) for part, share in zip(liquid.parts, liquid.mass_fractions, strict=True) if share > 0}


def taste_limit(liquid: Carrier | Blend) -> float | None:
    """Return the dose of a carrier or blend at which the first of its parts reaches its taste limit.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier.

    Returns
    -------
    float or None
        Dose of the whole; None when no part has a stated limit. Above it the dose is over a taste limit; that it is
        under all of them only `under_taste_limit` can say, as nobody states a limit for some parts. Tastes are not
        added up: nothing is known about their sum. [mg/L]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> taste_limit(carrier("triacetin"))
    500.0
    """
    reached = [part.taste_limit / share for part, share in mass_shares(liquid).items() if part.taste_limit is not None]
    return min(reached) if reached else None


def taste_unknown(liquid: Carrier | Blend) -> tuple[str, ...]:
    """Return the names of the parts of a carrier for which nobody states a taste limit.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]

    Examples
    --------
    >>> taste_unknown(Blend({"triacetin": 0.5, "ethyl lactate": 0.5}, basis="mass"))
    ('ethyl lactate',)
    """
    return tuple(part.name for part in mass_shares(liquid) if part.taste_limit is None)


def under_taste_limit(liquid: Carrier | Blend, carrier_mg_per_L: float) -> bool | None:
    """Say whether a dose of a carrier or blend keeps to the taste limits of all its parts.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]
    carrier_mg_per_L : float
        Its dose in the finished product. [mg/L]

    Returns
    -------
    bool or None
        False when a part is over the limit that is stated for it, whatever the others; None when none is but some part
        has no stated limit, or the dose is not known; else True. [-]

    Examples
    --------
    >>> both = Blend({"triacetin": 0.5, "ethyl lactate": 0.5}, basis="mass")
    >>> [under_taste_limit(both, dose) for dose in (900.0, 1100.0)]
    [None, False]
    """
    dose = checks.perhaps(carrier_mg_per_L, "carrier_mg_per_L", "in mg/L", low=0)
    lines = taste_lines(liquid, dose)
    if any(line.broken for line in lines):
        return False
    known = np.isfinite(dose) and all(np.isfinite(line.limit) for line in lines)
    return True if known else None


def most_carrier_in_stock(liquid: Carrier | Blend, application: Application) -> tuple[float, str]:
    """Return how much of a stock may be carrier, by rules on the flavouring itself.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]
    application : Application
        Market and category. [-]

    Returns
    -------
    share : float
        Largest mass of carrier over mass of stock; 1 when no rule bars it. [-]
    rule : str
        The rule that decides, with its reference; empty when none does. [-]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> most_carrier_in_stock(carrier("propylene glycol"), Application("US", "soft drinks", oil_mg_per_L=40))
    (0.97, 'propylene glycol: at most 970,000 mg/kg in the flavouring (21 CFR 184.1666(d))')
    """
    check_application(application)
    undiluted = {part.listed_name: 1e6 * share for part, share in mass_shares(liquid).items()}
    uses = limit_uses(undiluted, application.market, application.category, basis=IN_FLAVOURING)
    if not uses or uses[0].share <= 1.0:
        return 1.0, ""
    return 1.0 / uses[0].share, _rule(uses[0])


def law_lines(liquid: Carrier | Blend, application: Application, amount: Dose) -> tuple[LawLine, ...]:
    """Return every rule that was read for a carrier at a dose, numbers with their margins first.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]
    application : Application
        Market, category, density of the product. [-]
    amount : Dose
        Oil and carrier in the finished product. [mg/L]

    Returns
    -------
    tuple of LawLine
        Limits as consumed and in the flavouring (sum rules count their carriers together), then rules without a
        number, then acceptable daily intakes.

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> soda = Application("US", "soft drinks", oil_mg_per_L=40)
    >>> line = law_lines(carrier("propylene glycol"), soda, Dose(40.0, 100.0))[0]
    >>> line.limit, line.unit, line.dose, line.reference
    (970000.0, 'mg/kg', 714285.7, '21 CFR 184.1666(d)')
    """
    where = (check_application(application).market, application.category)
    checks.kind(amount, "amount", Dose, "a Dose, as hspkit.application.dose returns it")
    shares = mass_shares(liquid)
    eaten = {part.listed_name: share * amount.carrier_mg_per_L for part, share in shares.items()}
    stocked = {part.listed_name: 1e6 * share * amount.carrier_share for part, share in shares.items()}
    uses = [
        *limit_uses(eaten, *where, basis=CONSUMED, product_density=application.product_density),
        *limit_uses(stocked, *where, basis=IN_FLAVOURING),
    ]
    found = []
    for use in sorted(uses, key=lambda use: -use.share):
        row = use.rows[0]
        together = ", singly or together" if row.sum_group else ""
        rule = f"at most {use.limit:,.12g} {use.unit} {row.basis}{together}"
        margin = 100.0 * (1.0 - use.share)
        found.append(LawLine(use.carriers, rule, use.limit, use.dose, use.unit, margin, *_whence(row)))
    nan = float("nan")
    for part in shares:
        answering = grounds(part.listed_name, *where)
        for row in limits(part.listed_name, *where):
            if row.unit == _INTAKE:
                rule = f"{row.wording}: {row.limit:,.12g} {row.unit}"
                dose = eaten[part.listed_name]
                found.append(LawLine((part.name,), rule, float(row.limit or nan), dose, _INTAKE, nan, *_whence(row)))
            elif row.limit is None and row in answering:
                said = f"{_words(row)} ({row.wording})" if row.permitted in _PERMITTED else row.wording
                rule = f"{row.permitted}: {said}"
                found.append(LawLine((part.name,), rule, nan, nan, "", nan, *_whence(row)))
    return tuple(sorted(found, key=lambda line: (line.unit == _INTAKE, not np.isfinite(line.limit))))


def _whence(row: Limit) -> tuple[str, str, str]:
    kind = data.sources()[row.source]["kind"]
    return row.reference, row.text_date or "", "read" if kind == "read" else f"from {kind}"


def taste_lines(liquid: Carrier | Blend, carrier_mg_per_L: float) -> tuple[TasteLine, ...]:
    """Return what is known of the taste of each part of a carrier at a dose.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]
    carrier_mg_per_L : float
        Its dose in the finished product. [mg/L]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> taste_lines(carrier("triacetin"), 600.0)[0].broken
    True
    """
    dose, nan = checks.perhaps(carrier_mg_per_L, "carrier_mg_per_L", "in mg/L", low=0), float("nan")
    return tuple(
        TasteLine(
            part.name,
            part.taste,
            share * dose,
            nan if part.taste_unnoticed is None else part.taste_unnoticed,
            nan if part.taste_limit is None else part.taste_limit,
            part.sources.get("taste", ""),
        )
        for part, share in mass_shares(liquid).items()
    )
