"""`dissolve`: does this oil dissolve in that carrier, how surely, and how far."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from hspkit import checks
from hspkit.belief import DRAWS
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.checks import CELSIUS_RANGE
from hspkit.miscibility.extent import haze_edge, look
from hspkit.miscibility.margin import Margin, after_trial, margin_of, mixture_key
from hspkit.miscibility.outcome import Outcome
from hspkit.miscibility.solids import may_crystallise, reason_unknown
from hspkit.mixture import Mixture, stock_of
from hspkit.oils import Oil, covered
from hspkit.phases import StabilityAnalysis

__all__ = [
    "CELSIUS_RANGE", "MOST_PARTS", "check_celsius", "check_parts", "dissolve", "outcome_chances", "stock_margin",
]  # fmt: skip

#: More parts than this are a slip of the keyboard [-].
MOST_PARTS = 1e6
#: Above this probability of clear the rest is called hazy without asking where haze ends [-].
SURELY_CLEAR = 0.999


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
    return (
        checks.positive(oil_parts, "oil_parts", "of parts by volume", most=MOST_PARTS),
        checks.positive(carrier_parts, "carrier_parts", "of parts by volume", most=MOST_PARTS),
    )


def check_celsius(celsius: float) -> float:
    """Return a temperature after checking that stocks are mixed or kept at it.

    Parameters
    ----------
    celsius : float
        Temperature. [degC]

    Raises
    ------
    InputError
        When it is not a number from -60 to 250.

    Examples
    --------
    >>> check_celsius(25)
    25.0
    """
    return checks.celsius(celsius)


def dissolve(
    oil_or_name: Oil | str,
    carrier_or_blend: Carrier | Blend | str,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    celsius: float = 25.0,
    draws: int = DRAWS,
    random_state: int | np.random.Generator | None = 0,
) -> Outcome:
    """Say whether an oil dissolves in a carrier at a ratio.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carrier_or_blend : Carrier, Blend or str
        The carrier. [-]
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    draws : int
        Even number of draws of the uncertain parameters behind the probabilities. [-]
    random_state : int, Generator or None
        Seed of the draws; fixed by default so that the same question has the same answer. [-]

    Returns
    -------
    Outcome
        Verdict, probabilities, largest clear share of oil, water tolerance, limiting components, advice. The verdict
        is "unknown" when more than 1 % of the mixture is solid at this temperature and may crystallise.

    Raises
    ------
    UnknownNameError
        For an unknown oil or carrier.
    InputError
        For parts that are not positive, a temperature at which nothing is mixed, or an oil of which too little is
        known (`Oil.least_covered_percent`).

    Examples
    --------
    >>> dissolve("sweet orange, cold-pressed", "propylene glycol").verdict
    'splits'
    """
    subject, liquid = covered(oil_or_name), carrier(carrier_or_blend)
    parts, warmth = check_parts(oil_parts, carrier_parts), check_celsius(celsius)
    stock = stock_of(subject, liquid, *parts)
    extent = look(stock, subject, warmth)
    present = stock.present
    margin = margin_of(present, extent.scene, belief=subject.belief, draws=draws, random_state=random_state)
    key = mixture_key(stock.carrier_key, *parts, 0.0, warmth)
    tried = None if subject.belief is None else subject.belief.outcome_of(key)
    seen = "" if tried is None else tried.outcome
    if extent.solids:
        reason = reason_unknown(present, extent.solids, warmth)
        nan = float("nan")
        return Outcome(subject, liquid, *parts, warmth, nan, nan, nan, margin, extent, reason, seen)
    chances = after_trial(subject.belief, key, _chances(margin, lambda: extent.haze_edge))
    said = chances["clear"], chances["hazy"], chances["splits"]
    return Outcome(subject, liquid, *parts, warmth, *said, margin, extent, seen=seen)


class _Asked(NamedTuple):
    """A stock that was asked about, its arguments checked: what its margin and its chances are computed from."""

    subject: Oil
    present: Mixture
    scene: StabilityAnalysis
    solids: tuple[str, ...]
    key: tuple[object, ...]

    @classmethod
    def of(cls, subject: Oil, liquid: Carrier | Blend, parts: tuple[float, float, float], celsius: float) -> _Asked:
        subject, liquid = covered(subject), carrier(liquid)
        water = checks.number(parts[2], "water_parts", "of parts by volume", low=0, high=2.0 * MOST_PARTS)
        parts, warmth = (*check_parts(*parts[:2]), water), check_celsius(celsius)
        present = stock_of(subject, liquid, *parts).present
        scene = StabilityAnalysis.of(
            present.fractions, present.volumes, present.hsp, sites=present.sites, celsius=warmth
        )
        solids = may_crystallise(present, subject, warmth, clear=scene.index < 1.0)
        return cls(subject, present, scene, solids, mixture_key(present.carrier_key, *parts, warmth))


def _chances(margin: Margin, where_haze_ends: Callable[[], float]) -> dict[str, float]:
    """Return the chances of the three outcomes of a mixture that was not tried; where haze ends only if it matters."""
    p_clear = margin.p_clear
    edge = where_haze_ends() if p_clear < SURELY_CLEAR else np.inf
    p_splits = 1.0 - margin.p_below(edge)
    return {"clear": p_clear, "hazy": max(0.0, 1.0 - p_clear - p_splits), "splits": p_splits}


def outcome_chances(
    subject: Oil,
    liquid: Carrier | Blend,
    oil_parts: float,
    carrier_parts: float,
    *,
    water_parts: float = 0.0,
    celsius: float = 25.0,
) -> dict[str, float]:
    """Return the chances of `clear`, `hazy` and `splits` of one mixture, as `dissolve` has them; NaN when unknown.

    Parameters
    ----------
    subject : Oil
        The oil.
    liquid : Carrier or Blend
        The carrier.
    oil_parts, carrier_parts, water_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]

    Raises
    ------
    InputError
        As `stock_margin`.

    Examples
    --------
    >>> from hspkit.oils import oil
    >>> chances = outcome_chances(oil("limonene"), carrier("triacetin"), 1, 2)
    >>> chances["splits"] == dissolve("limonene", "triacetin").p_splits
    True
    """
    stock = _Asked.of(subject, liquid, (oil_parts, carrier_parts, water_parts), celsius)
    if stock.solids:
        return dict.fromkeys(("clear", "hazy", "splits"), float("nan"))
    margin = margin_of(stock.present, stock.scene, belief=stock.subject.belief)
    return after_trial(stock.subject.belief, stock.key, _chances(margin, lambda: haze_edge(stock.scene)))


def stock_margin(
    subject: Oil,
    liquid: Carrier | Blend,
    oil_parts: float,
    carrier_parts: float,
    *,
    water_parts: float = 0.0,
    celsius: float = 25.0,
    draws: int = DRAWS,
    random_state: int | np.random.Generator | None = 0,
) -> tuple[Margin, float]:
    """Return the margin of one mixture and its probability of clear, as `dissolve` has them, without the rest.

    The probability is NaN where a component may crystallise.

    Parameters
    ----------
    subject : Oil
        The oil.
    liquid : Carrier or Blend
        The carrier.
    oil_parts, carrier_parts, water_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    draws : int
        Even number of draws. [-]
    random_state : int, Generator or None
        Seed. [-]

    Examples
    --------
    >>> from hspkit.oils import oil
    >>> alone = stock_margin(oil("limonene"), carrier("triacetin"), 1, 2)[1]
    >>> alone == dissolve("limonene", "triacetin").p_clear
    True
    """
    stock = _Asked.of(subject, liquid, (oil_parts, carrier_parts, water_parts), celsius)
    belief = stock.subject.belief
    margin = margin_of(stock.present, stock.scene, belief=belief, draws=draws, random_state=random_state)
    if stock.solids:
        return margin, float("nan")
    rest = 1.0 - margin.p_clear
    chances = after_trial(belief, stock.key, {"clear": margin.p_clear, "hazy": rest / 2, "splits": rest / 2})
    return margin, chances["clear"]
