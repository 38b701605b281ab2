"""The taste of a carrier at its dose: what is on record, and whether the dose keeps to the stated limits."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from hspkit import checks, data
from hspkit.application.use import mass_shares
from hspkit.carriers import Blend, Carrier
from hspkit.rendering import number

__all__ = ["TasteLine", "taste_limit", "taste_lines", "taste_unknown", "under_taste_limit"]

#: What a dose may seem to be over a taste limit by rounding: a blend that was fitted to its limit keeps it [-].
_ROUNDING = 1e-6


class TasteLine(NamedTuple):
    """Taste of one carrier at its dose; an unknown figure is NaN. [mg/L]"""

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
        words = [f"{self.carrier}: {self.taste or 'taste not on record'}, {number(self.dose)} mg/L in the product"]
        if np.isfinite(self.noticed_from):
            degree = "may be noticed" if self.dose > self.noticed_from else "hardly noticed"
            words.append(f"{degree} (from about {number(self.noticed_from)} mg/L)")
        if np.isfinite(self.limit):
            side = "OVER" if self.broken else "under"
            words.append(f"{side} the taste limit of {number(self.limit)} mg/L")
        else:
            words.append("no taste limit on record")
        has_figure = np.isfinite(self.noticed_from) or np.isfinite(self.limit)
        kind = f" [{data.sources()[self.source]['kind']}]" if has_figure and self.source else ""
        return "; ".join(words) + kind


def taste_limit(liquid: Carrier | Blend) -> float | None:
    """Return the dose of a carrier or blend at which the first of its parts reaches its taste limit.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier.

    Returns
    -------
    float or None
        Dose of the whole; None when no part has a stated limit. Above it the dose is over a taste limit; whether
        it is under all of them, `under_taste_limit` says, as some parts have no limit on record. Tastes are not added
        up: their sum was not measured. [mg/L]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> taste_limit(carrier("triacetin"))
    500.0
    """
    doses = [part.taste_limit / share for part, share in mass_shares(liquid).items() if part.taste_limit is not None]
    return min(doses, default=None)


def taste_unknown(liquid: Carrier | Blend) -> tuple[str, ...]:
    """Return the names of the parts of a carrier without a taste limit on record.

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
    return True if np.isfinite(dose) and all(np.isfinite(line.limit) for line in lines) else None


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
    dose = checks.perhaps(carrier_mg_per_L, "carrier_mg_per_L", "in mg/L", low=0)
    lines = []
    for part, share in mass_shares(liquid).items():
        noticed, limit = (float("nan") if x is None else x for x in (part.taste_unnoticed, part.taste_limit))
        lines.append(TasteLine(part.name, part.taste, share * dose, noticed, limit, part.sources.get("taste", "")))
    return tuple(lines)
