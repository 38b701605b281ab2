"""The yardstick that everyone knows: the weakest aqueous ethanol in which an oil is clear."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, ethanol, phases
from hspkit.errors import InputError
from hspkit.miscibility.dissolving import MOST_PARTS, check_celsius
from hspkit.miscibility.solids import may_crystallise, reason_unknown
from hspkit.mixture import Mixture
from hspkit.oils import RESIDUE, Oil, covered, oil
from hspkit.substances import substance

__all__ = ["ethanol_strength_to_clear"]

Array = NDArray[np.float64]


def ethanol_strength_to_clear(oil_or_name: Oil | str, *, volumes: float, celsius: float = 20.0) -> float:
    """Return the weakest aqueous ethanol in which one volume of an oil is clear.

    The residue on evaporation of cold-pressed oils (waxes and their like) is left out: the standards know the
    opalescence that it makes and do not count it.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    volumes : float
        Volumes of aqueous ethanol to one volume of oil. [-]
    celsius : float
        Temperature of the test. [degC]

    Returns
    -------
    float
        Strength from which on every stronger alcohol is clear; NaN when pure ethanol is not. [% vol]

    Raises
    ------
    InputError
        When volumes is not positive, a component may crystallise, or too little of the oil is known.

    Examples
    --------
    >>> 40 < ethanol_strength_to_clear("limonene", volumes=10) <= 100
    True
    """
    subject = oil(oil_or_name)
    own = not subject.sources  # profiles that ship are judged by this very test, with what is covered of them
    if own:
        covered(subject)
    ratio = checks.positive(volumes, "volumes", "of aqueous ethanol to one of oil", most=MOST_PARTS)
    warmth = check_celsius(celsius)
    spirit = (substance("ethanol"), substance("water"))
    filtered = np.array([member.role != RESIDUE for member in subject.substances]) * subject.fractions
    if not np.any(filtered > 0):
        message = f"{subject.name!r} is all residue on evaporation; nothing is left to test"
        raise InputError(message)
    filtered = filtered / filtered.sum()
    mixture = Mixture.of([(1.0, subject.substances, filtered), (0.0, spirit, np.ones(2) / 2)])
    pure_oil = mixture.liquids[0]

    def clear(strengths: Array) -> NDArray[np.bool_]:
        shares = np.stack([mixture.shares_of(spirit, row) for row in ethanol.volume_fractions(strengths)])
        mixed = (pure_oil + ratio * shares) / (1.0 + ratio)
        return phases.stable(mixed, mixture.volumes, mixture.hsp, sites=mixture.sites, celsius=warmth)

    def told(strength: float) -> float:
        """Return the strength unless a solid may crystallise from it."""
        shares = mixture.shares_of(spirit, ethanol.volume_fractions(np.array([strength]))[0])
        at = replace(mixture, fractions=(pure_oil + ratio * shares) / (1.0 + ratio)).present
        solids = may_crystallise(at, subject, warmth, clear=True)
        if own and solids:
            raise InputError(reason_unknown(at, solids, warmth))
        return strength

    low, high = 0.0, 100.0
    for _ in range(3):  # 101 strengths at a time: steps of 1, 0.01 and 0.0001 % vol
        strengths = np.linspace(low, high, 101)
        cloudy = np.flatnonzero(~clear(strengths))
        if cloudy.size == 0:
            return told(float(low))
        last = int(cloudy[-1])
        if last == 100:
            return float("nan") if high == 100.0 else told(float(high))
        low, high = float(strengths[last]), float(strengths[last + 1])
    return told(high)
