"""The radius that the plain Hansen distance gives two liquids, for spheres and fans."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, phases
from hspkit.phases.mixture import MOST_VOLUME

__all__ = ["interaction_radius"]

Array = NDArray[np.float64]


def interaction_radius(oil_volume: float, carrier_volume: float, *, celsius: float = 25.0) -> float:
    """Return the Ra within which two liquids mix in every proportion: the R0 of the plain Hansen distance.

    A binary is stable everywhere while a (Ra/2)^2 < (V1^-0.5 + V2^-0.5)^2 / 2, so
    R0 = sqrt(2/a) (V1^-0.5 + V2^-0.5). Fitted weights and hydrogen bonds between unlike partners (`dissolve`) make a
    bent ellipsoid of the sphere, with about the same mean radius.

    Parameters
    ----------
    oil_volume, carrier_volume : float
        Molar volumes. [cm3/mol]
    celsius : float
        Temperature. [degC]

    Returns
    -------
    float
        R0. [MPa^0.5]

    Raises
    ------
    InputError
        When a volume is not a number > 0 or the temperature is beyond nature.

    References
    ----------
    Critical point of the Flory-Huggins free energy; interaction after Lindvig, Michelsen and Kontogeorgis, Fluid
    Phase Equilib. 203 (2002) 247-260.

    Examples
    --------
    Small liquids reach further than large ones:

    >>> interaction_radius(160, 75) > interaction_radius(160, 250)
    True
    """
    strength = float(phases.interaction_strength(checks.number(celsius, "celsius", "in degC")))
    oil = checks.positive(oil_volume, "oil_volume", "in cm3/mol", most=MOST_VOLUME)
    carrier = checks.positive(carrier_volume, "carrier_volume", "in cm3/mol", most=MOST_VOLUME)
    return float(np.sqrt(2.0 / strength) * (oil**-0.5 + carrier**-0.5))
