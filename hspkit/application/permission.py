"""Whether a carrier is permitted in one market and category of food, and on what ground.

`hspkit.law` holds what was read. None of it is advice on the law: check the code in force in your market, and have a
qualified person confirm the use.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from hspkit import checks
from hspkit.carriers import Carrier
from hspkit.law import Limit, grounds, limits

__all__ = ["CHECK_THE_LAW", "Permission", "permission"]

#: Said wherever a limit is shown.
CHECK_THE_LAW = (
    "Limits as consumed count every source: add what other ingredients bring. Check the code in force in your market, "
    "and have a qualified person confirm the use."
)


class Permission(NamedTuple):
    """What was read of the law for one carrier in one market and category of food."""

    carrier: str
    allowed: bool
    reason: str
    references: tuple[str, ...]

    def sentence(self, market: str, category: str) -> str:
        """Return the permission in words, with its references.

        Parameters
        ----------
        market, category : str
            Market and category of this permission. [-]
        """
        word = "allowed" if self.allowed else "NOT allowed"
        citation = f" [{'; '.join(self.references)}]" if self.references else ""
        return f"{self.carrier} is {word} ({market}, {category}): {self.reason}{citation}"


def permission(part: Carrier, market: str, category: str) -> Permission:
    """Say whether a carrier is permitted in a market and category, and on what ground.

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
    if word in ("yes", "restricted"):
        rows = tuple(row for row in rows if row.permits)
        return Permission(part.name, True, "; ".join(dict.fromkeys(row.words for row in rows)), _cited(rows))
    if word == "no":
        rows = tuple(row for row in rows if row.refuses)
        note = next((row.note for row in rows if row.note), part.caution or "refused")
        return Permission(part.name, False, f"not permitted in {market}: {note}", _cited(rows))
    elsewhere = [row for row in grounds(part.listed_name, market) if row.permits]
    if elsewhere:
        foods = ", ".join(dict.fromkeys(row.category for row in elsewhere))
        apart = ", which needs a text of its own" if category == "infant food" else ""
        reason = f"in {market} listed as a carrier for {foods}, not for {category}{apart}"
        return Permission(part.name, False, reason, _cited(elsewhere))
    roles = dict.fromkeys(row.role for row in limits(part.listed_name, market, category) if row.permits)
    listed = f"; listed there as {', '.join(roles)} only" if roles else ""
    return Permission(part.name, False, f"no evidence of permission as a carrier in {market}{listed}", _cited(rows))


def _cited(rows: Iterable[Limit]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(f"{row.reference} ({row.dated}; {row.known})" for row in rows))
