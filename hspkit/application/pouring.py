"""How a liquid handles: bands of viscosity with everyday comparisons, and the viscosity of a stock."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from hspkit import checks, data
from hspkit.errors import InputError
from hspkit.miscibility import check_parts
from hspkit.viscosity import mix

__all__ = ["Pouring", "pouring_band", "stock_viscosity"]


class Pouring(NamedTuple):
    """A band of viscosity at 20 C with an everyday comparison and what to do at the bench."""

    band: str
    comparison: str
    pours: bool
    advice: str

    def sentence(self) -> str:
        """Return the band in one line.

        Examples
        --------
        >>> pouring_band(1410).sentence()
        'creeps like honey (as glycerol, honey): warm it to 40-50 C, weigh it; aromas and oil move through it slowly'
        """
        return f"{self.band} (as {self.comparison})" + (f": {self.advice}" if self.advice else "")


def pouring_band(viscosity: float | None) -> Pouring | None:
    """Return how a liquid of this viscosity handles; None when the viscosity is not known.

    Parameters
    ----------
    viscosity : float or None
        Dynamic viscosity at 20 C. [mPa s]

    Raises
    ------
    InputError
        When no band of ``pouring_bands.csv`` is open upwards.

    Examples
    --------
    >>> pouring_band(1.0).band
    'runs like water'
    >>> pouring_band(None) is None
    True
    """
    if viscosity is None:
        return None
    viscosity = checks.perhaps(viscosity, "viscosity", "in mPa s", low=0)
    if np.isnan(viscosity):
        return None
    for row in data.read_table("pouring_bands.csv").rows:
        if row["up_to_mPa_s"] is None or viscosity <= row["up_to_mPa_s"]:
            return Pouring(row["band"], row["comparison"], row["pours"], row["advice"] or "")
    message = "pouring_bands.csv: the last band must have an empty upper end"
    raise InputError(message)


def stock_viscosity(
    carrier_viscosity: float, oil_viscosity: float | None, *, oil_parts: float, carrier_parts: float
) -> float:
    """Return the viscosity of oil and carrier together, ln(viscosity) by volume; NaN when one is not known.

    Parameters
    ----------
    carrier_viscosity, oil_viscosity : float or None
        Dynamic viscosities at one temperature. Viscosities of oils are not included: measure yours. [mPa s]
    oil_parts, carrier_parts : float
        Parts by volume. [-]

    Returns
    -------
    float
        Viscosity of the stock. [mPa s]

    Raises
    ------
    InputError
        When a viscosity or a part is not a number > 0.

    References
    ----------
    Arrhenius's rule for ideal mixtures; for oils in carriers it was not tested.

    Examples
    --------
    >>> stock_viscosity(20.0, 1.0, oil_parts=1, carrier_parts=2)
    7.37
    """
    parts = np.array(check_parts(oil_parts, carrier_parts))
    viscosities = []
    for name, value in (("oil_viscosity", oil_viscosity), ("carrier_viscosity", carrier_viscosity)):
        if value is None or np.isnan(checks.perhaps(value, name, "in mPa s")):
            return float("nan")
        viscosities.append(checks.positive(value, name, "in mPa s"))
    return float(mix(parts / parts.sum(), viscosities))
