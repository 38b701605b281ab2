"""Aqueous ethanol: density, strength by volume and by mass, contraction, dilution to a lower strength.

All from the density relation of OIML R 22 (1975), whose coefficients are in ``datasets/ethanol_water.csv``.
Strength by volume is the alcoholometric one: millilitres of ethanol at 20 C in 100 mL of the mixture at 20 C.
"""

from __future__ import annotations

import re
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks, data
from hspkit.errors import InputError
from hspkit.frozen import freeze

__all__ = ["Dilution", "density", "dilute", "mass_percent", "parse_strength", "volume_fractions", "volume_percent"]

#: Range of temperature in which the relation was established [degC].
CELSIUS_RANGE = (-20.0, 40.0)
#: No larger volume is diluted, in any unit [-]; judgement.
MOST_VOLUME = 1e12
_HALVINGS = 60  # of the interval [0, 1]: more than a double resolves
_TABLE = "ethanol_water.csv"


class Dilution(NamedTuple):
    """How to dilute a spirit; volumes at 20 C, in the unit in which that of the spirit was given.

    Attributes
    ----------
    spirit_volume, water_volume, product_volume : float
        Volumes of the spirit, of the water to add and of the result. [-]
    water_mass_ratio : float
        Mass of water per mass of spirit. [-]
    contraction_percent : float
        Loss of volume on mixing, of the sum of the two volumes. [%]
    """

    spirit_volume: float
    water_volume: float
    product_volume: float
    water_mass_ratio: float
    contraction_percent: float


@cache
def _coefficients() -> NDArray[np.float64]:
    by_powers = {(r["mass_power"], r["celsius_power"]): r["coefficient"] for r in data.read_table(_TABLE).rows}
    table = np.zeros(1 + np.max(list(by_powers), axis=0))
    for powers, coefficient in by_powers.items():
        table[powers] = coefficient
    return freeze(table)


def _checked(value: ArrayLike, name: str) -> NDArray[np.float64]:
    percent = checks.array(value, name, "(...)")
    if not np.all((percent >= 0) & (percent <= 100)):
        raise checks.refuse(value, name, "0 to 100 %")
    return percent


def _value(result: NDArray[np.float64]) -> float | NDArray[np.float64]:
    return float(result) if result.ndim == 0 else result


def density(mass_percent: ArrayLike, *, celsius: ArrayLike = 20.0) -> float | NDArray[np.float64]:
    """Return the density of aqueous ethanol.

    Parameters
    ----------
    mass_percent : array_like of shape (...)
        Ethanol in the mixture, by mass. [%]
    celsius : array_like of shape (...)
        Temperature, -20 to 40; broadcasts with the strength. [degC]

    Returns
    -------
    float or ndarray of shape (...)
        Density. [g/mL]

    Raises
    ------
    InputError
        When a strength or a temperature is out of range.

    References
    ----------
    OIML R 22, International alcoholometric tables, 1975.

    Examples
    --------
    >>> density(0.0), density(100.0)
    (0.99820, 0.78924)
    """
    share = _checked(mass_percent, "mass_percent") / 100.0
    temperature = checks.array(celsius, "celsius", "(...)")
    low, high = CELSIUS_RANGE
    if not np.all((temperature >= low) & (temperature <= high)):
        raise checks.refuse(celsius, "celsius", f"{low:g} to {high:g} C, where the relation holds")
    try:
        share, temperature = np.broadcast_arrays(share, temperature)
    except ValueError:
        message = f"mass_percent has shape {share.shape} and celsius {temperature.shape}; they must broadcast"
        raise InputError(message) from None
    result = np.polynomial.polynomial.polyval2d(share, temperature - 20.0, _coefficients())
    return _value(np.asarray(result, dtype=float) / 1000.0)  # the relation gives kg/m3


def volume_percent(mass_percent: ArrayLike) -> float | NDArray[np.float64]:
    """Return the strength by volume at 20 C from the strength by mass.

    Parameters
    ----------
    mass_percent : array_like of shape (...)
        Ethanol by mass. [%]

    Returns
    -------
    float or ndarray of shape (...)
        Ethanol by volume at 20 C. [% vol]

    References
    ----------
    OIML R 22, 1975.

    Examples
    --------
    >>> round(volume_percent(62.39), 1)
    70.0
    """
    percent = _checked(mass_percent, "mass_percent")
    return _value(np.asarray(percent * density(percent) / density(100.0)))


def mass_percent(volume_percent: ArrayLike) -> float | NDArray[np.float64]:
    """Return the strength by mass from the strength by volume at 20 C.

    Parameters
    ----------
    volume_percent : array_like of shape (...)
        Ethanol by volume at 20 C. [% vol]

    Returns
    -------
    float or ndarray of shape (...)
        Ethanol by mass. [%]

    References
    ----------
    OIML R 22, 1975.

    Examples
    --------
    >>> round(mass_percent(70.0), 2)
    62.39
    """
    wanted = _checked(volume_percent, "volume_percent") / 100.0
    low, high = np.zeros_like(wanted), np.ones_like(wanted)
    at_20 = _coefficients()[:, 0]
    ethanol = np.polynomial.polynomial.polyval(1.0, at_20)
    for _ in range(_HALVINGS):  # p * density(p) rises with p, so halving finds the only solution
        middle = 0.5 * (low + high)
        below = middle * np.polynomial.polynomial.polyval(middle, at_20) < wanted * ethanol
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return _value(np.asarray(50.0 * (low + high)))


def volume_fractions(volume_percent: ArrayLike) -> NDArray[np.float64]:
    """Return the volumes of ethanol and water that make a strength, before they contract, as fractions.

    Parameters
    ----------
    volume_percent : array_like of shape (...)
        Ethanol by volume at 20 C. [% vol]

    Returns
    -------
    ndarray of shape (..., 2)
        Volume fractions of ethanol and of water, as the two liquids are measured out. [-]

    Examples
    --------
    >>> volume_fractions(70.0).round(4)
    array([0.6772, 0.3228])
    """
    share = np.asarray(mass_percent(volume_percent)) / 100.0
    volumes = np.stack([share / density(100.0), (1.0 - share) / density(0.0)], axis=-1)
    return volumes / volumes.sum(axis=-1, keepdims=True)


def dilute(from_percent: float, to_percent: float, *, spirit_volume: float = 1.0) -> Dilution:
    """Return how much water brings a spirit to a lower strength.

    The mixture contracts, so the water to add is more than the difference of the volumes.

    Parameters
    ----------
    from_percent, to_percent : float
        Strength of the spirit and strength wanted. [% vol]
    spirit_volume : float
        Volume of the spirit at 20 C, in any unit. [-]

    Returns
    -------
    Dilution
        Water and product volume at 20 C, in the unit of the spirit; contraction.

    Raises
    ------
    InputError
        When the strength wanted is zero or above that of the spirit, or the volume is not positive.

    References
    ----------
    OIML R 22, 1975.

    Examples
    --------
    >>> dilute(96, 70, spirit_volume=1000.0).water_volume
    407.8
    """
    start, end = (
        checks.number(value, name, "", low=0, high=100, expected="0 to 100 %")
        for value, name in ((from_percent, "from_percent"), (to_percent, "to_percent"))
    )
    if not 0 < end <= start:
        raise checks.refuse(to_percent, "to_percent", f"above 0 and at most from_percent, {from_percent!r} % vol")
    spirit = checks.between(spirit_volume, "spirit_volume", 0, MOST_VOLUME, "a positive volume")
    product = spirit * start / end
    spirit_mass = spirit * density(mass_percent(start))
    water_mass = product * density(mass_percent(end)) - spirit_mass
    water = water_mass / density(0.0)
    total = spirit + water
    amounts = (spirit, water, product, water_mass / spirit_mass, 100.0 * (total - product) / total)
    return Dilution(*(float(amount) for amount in amounts))


_SPIRIT = r"(?:aqueous\s+)?(?:ethanol|ethyl alcohol|alcohol|spirit)"
_BY_MASS = r"w/w|m/m|by mass|mass|weight|by weight"
_SHARE = (
    r"(?P<percent>\d+(?:[.,]\d+)?)\s*(?:%|percent|per cent)\s*"
    rf"(?:v/v|abv|vol|volume|by volume|(?P<mass>{_BY_MASS}))?\.?"
)
_STRENGTHS = [
    re.compile(pattern, re.IGNORECASE) for pattern in (rf"{_SPIRIT}\s*,?\s*{_SHARE}", rf"{_SHARE}\s*{_SPIRIT}")
]


def parse_strength(name: str) -> float | None:
    """Return the strength that a name like "ethanol 70 % vol" states, or None when it states none.

    Parameters
    ----------
    name : str
        A name; "% vol", "% v/v", "% abv" and a bare "%" are by volume, "% by mass" and "% w/w" by mass. [-]

    Returns
    -------
    float or None
        Strength by volume at 20 C. [% vol]

    Raises
    ------
    InputError
        When the name states more than 100 %.

    Examples
    --------
    >>> parse_strength("70 % vol ethanol"), parse_strength("ethanol 96%"), parse_strength("ethanol")
    (70.0, 96.0, None)
    """
    text = re.sub(r"[()]", "", checks.text(name, "name")).strip()
    match = next(filter(None, (pattern.fullmatch(text) for pattern in _STRENGTHS)), None)
    if match is None:
        return None
    percent = float(match["percent"].replace(",", "."))
    if percent > 100:
        message = f"{name!r} states {percent:g} %; expected 0 to 100 %"
        raise InputError(message)
    return float(volume_percent(percent)) if match["mass"] else percent
