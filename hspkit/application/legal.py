"""The limits of law for one use: how much of a carrier the product and the stock may hold, and the margin of a dose.

Each rule is a line of its own kind: a limit on the amount (`AmountLine`), an acceptable daily intake (`IntakeLine`), or
a rule without a number (`LawLine`).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import ClassVar

from hspkit import checks
from hspkit.application.use import Application, Dose, check_application, mass_shares
from hspkit.carriers import Blend, Carrier
from hspkit.law import CONSUMED, IN_FLAVOURING, Limit, LimitUse, grounds, limit_uses, limits
from hspkit.rendering import number

__all__ = ["AmountLine", "IntakeLine", "LawLine", "law_lines", "legal_limit", "most_carrier_in_stock"]


@dataclass(frozen=True, repr=False)
class LawLine:
    """One rule of law for one use; here one without a number, in words.

    Parameters
    ----------
    carriers : tuple of str
        Those it applies to; several share a sum rule. [-]
    rule : str
        In words. [-]
    row : hspkit.law.Limit
        The row that states it, with its reference and the date of the text. [-]
    dose : float
        How much is used; NaN where the rule has no number. [as in ``unit``]
    """

    carriers: tuple[str, ...]
    rule: str
    row: Limit
    dose: float = float("nan")
    #: Place among the lines: amounts first, then words, then intakes.
    place: ClassVar[int] = 1

    def __repr__(self) -> str:
        return f"<{type(self).__name__}: {self.sentence()}>"

    @property
    def limit(self) -> float:
        """The limit; NaN where the rule has no number. [as in ``unit``]"""
        return float("nan") if self.row.limit is None else float(self.row.limit)

    @property
    def unit(self) -> str:
        """mg/kg, mg/L or mg/kg body weight and day; empty where the rule has no number. [-]"""
        return self.row.unit or ""

    @property
    def margin_percent(self) -> float:
        """Margin to the limit; negative when it is broken, NaN where the dose cannot be compared with it. [%]"""
        return float("nan")

    @property
    def broken(self) -> bool:
        """Whether the dose is over the limit."""
        return bool(self.margin_percent < 0)

    def used(self) -> str:
        """Return what the dose uses of the limit, in words."""
        return ""

    def sentence(self) -> str:
        """Return the line in words, with its reference and date."""
        citation = f"{self.row.reference}; {self.row.dated}; {self.row.known}"
        return f"{' + '.join(self.carriers)}: {self.rule}{self.used()} [{citation}]"


class AmountLine(LawLine):
    """A limit on the amount in the food as consumed or in the flavouring, sum rules included."""

    place = 0

    @property
    def margin_percent(self) -> float:
        """Margin to the limit; negative when it is broken. [%]"""
        return 100.0 * (1.0 - self.dose / self.limit)

    def used(self) -> str:
        """Return what the dose uses of the limit, in words."""
        state = "BROKEN, over by" if self.broken else "kept, margin"
        return f"; used {number(self.dose)} {self.unit}: {state} {number(abs(self.margin_percent))} %"


class IntakeLine(LawLine):
    """An acceptable daily intake: shown but not judged, because how much a person eats is not known."""

    place = 2

    def used(self) -> str:
        """Return what a litre of product holds, in words."""
        return f"; one litre of product holds {number(self.dose)} mg"


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
    scope = check_application(application).scope
    held = checks.number(share_of_stock, "share_of_stock", "", low=0, high=1)
    in_stock = limit_uses(_doses(liquid, 1e6 * held), *scope, basis=IN_FLAVOURING)
    if in_stock and in_stock[0].share > 1.0:
        return 0.0, _rule(in_stock[0])
    uses = limit_uses(_doses(liquid, 1.0), *scope, product_density=application.product_density)
    return (1.0 / uses[0].share, _rule(uses[0])) if uses else (None, "no numeric limit on record")


def _doses(liquid: Carrier | Blend, whole: float) -> dict[str, float]:
    """Return the doses of the parts by listed name that make a dose of the whole. [as the whole]"""
    return {part.listed_name: whole * share for part, share in mass_shares(liquid).items()}


def _rule(use: LimitUse) -> str:
    return f"{' + '.join(use.carriers)}: {use.words} ({use.rows[0].reference})"


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
        Largest mass of carrier over mass of stock; 1 when no rule limits it. [-]
    rule : str
        The rule that decides, with its reference; empty when none does. [-]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> most_carrier_in_stock(carrier("propylene glycol"), Application("US", "soft drinks", oil_mg_per_L=40))
    (0.97, 'propylene glycol: at most 970,000 mg/kg in the flavouring (21 CFR 184.1666(d))')
    """
    uses = limit_uses(_doses(liquid, 1e6), *check_application(application).scope, basis=IN_FLAVOURING)
    return (1.0 / uses[0].share, _rule(uses[0])) if uses and uses[0].share > 1.0 else (1.0, "")


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
    >>> line.limit, line.unit, line.dose, line.row.reference
    (970000.0, 'mg/kg', 714285.7, '21 CFR 184.1666(d)')
    """
    scope = check_application(application).scope
    checks.kind(amount, "amount", Dose, "a Dose, as hspkit.application.dose returns it")
    consumed = _doses(liquid, amount.carrier_mg_per_L)
    in_stock = _doses(liquid, 1e6 * amount.carrier_share)
    uses = [
        *limit_uses(consumed, *scope, basis=CONSUMED, product_density=application.product_density),
        *limit_uses(in_stock, *scope, basis=IN_FLAVOURING),
    ]
    lines: list[LawLine] = []
    for use in sorted(uses, key=lambda use: -use.share):
        together = ", singly or together" if use.rows[0].sum_group else ""
        lines.append(AmountLine(use.carriers, use.words + together, use.rows[0], use.dose))
    for part in mass_shares(liquid):
        lines.extend(_without_amount(part, scope, consumed[part.listed_name]))
    return tuple(sorted(lines, key=lambda line: line.place))


def _without_amount(part: Carrier, scope: tuple[str, str], dose: float) -> Iterable[LawLine]:
    answering = grounds(part.listed_name, *scope)
    for row in limits(part.listed_name, *scope):
        if row.by_intake:
            yield IntakeLine((part.name,), f"{row.wording}: {row.limit:,.12g} {row.unit}", row, dose)
        elif row.limit is None and row in answering:
            rule = f"{row.words} ({row.wording})" if row.permits else row.wording
            yield LawLine((part.name,), f"{row.permitted}: {rule}", row)
