"""Hansen parameters: values, distances, mixing by volume, temperature, Teas fractions.

Order is always delta_d, delta_p, delta_h, unit always MPa^0.5. Functions work on arrays whose last axis has
length 3; `HSP` holds one point and delegates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks
from hspkit.errors import InputError

__all__ = ["HSP", "at_temperature", "distance", "mix", "point", "red", "teas_fractions"]

#: Volume expansivity of a typical organic liquid near room temperature [1/K]; from memory, a mid value of
#: the 7e-4 to 1.2e-3 that handbooks list. Pass the liquid's own where it is known.
TYPICAL_EXPANSIVITY = 8e-4
#: How far fractions may sum from 1 before they are refused; loose enough for figures typed to 6 digits.
FRACTION_TOLERANCE = 1e-6
#: No liquid grows or shrinks by more than this on warming [1/K]; judgement, for a slip of the unit.
_MOST_EXPANSIVITY = 0.1


@dataclass(frozen=True, slots=True)
class HSP:
    """One point in Hansen space.

    Parameters
    ----------
    delta_d, delta_p, delta_h : float
        Dispersion, polar and hydrogen-bonding part. [MPa^0.5]

    Raises
    ------
    InputError
        When a part is not a number from 0 to 1000.

    Examples
    --------
    >>> HSP(15.8, 8.8, 19.4).total
    26.5
    """

    delta_d: float
    delta_p: float
    delta_h: float

    def __post_init__(self) -> None:
        for name in ("delta_d", "delta_p", "delta_h"):
            value = checks.number(getattr(self, name), name, "in MPa^0.5", low=0, high=checks.MOST_HSP)
            object.__setattr__(self, name, value)

    @property
    def array(self) -> NDArray[np.float64]:
        """The three parts, shape (3,). [MPa^0.5]"""
        return np.array([self.delta_d, self.delta_p, self.delta_h])

    @property
    def total(self) -> float:
        """Total (Hildebrand) parameter, sqrt(delta_d^2 + delta_p^2 + delta_h^2). [MPa^0.5]"""
        return float(np.sqrt(np.sum(self.array**2)))

    def at(self, celsius: float, *, expansivity: float = TYPICAL_EXPANSIVITY) -> HSP:
        """Return the point at another temperature; see `at_temperature`.

        Parameters
        ----------
        celsius : float
            Temperature. [degC]
        expansivity : float
            Volume expansivity. [1/K]

        Examples
        --------
        >>> HSP(16, 8, 8).at(40, expansivity=8e-4)
        HSP(15.762, 7.952, 7.808)
        """
        warmth = checks.number(celsius, "celsius", "in degC")
        rate = checks.number(expansivity, "expansivity", "per kelvin")
        return HSP(*at_temperature(self.array, warmth, expansivity=rate))

    def distance(self, other: HSP | ArrayLike) -> float:
        """Return Ra to another point. [MPa^0.5]

        Parameters
        ----------
        other : HSP or array_like of shape (3,)
            The other point. [MPa^0.5]
        """
        return float(distance(self, point(other, "other")))

    def __repr__(self) -> str:
        return f"HSP({self.delta_d:.3f}, {self.delta_p:.3f}, {self.delta_h:.3f})"


def point(value: HSP | ArrayLike, name: str = "hsp") -> HSP:
    """Return one point in Hansen space, given as such or as three numbers.

    Parameters
    ----------
    value : HSP or array_like of shape (3,)
        The point. [MPa^0.5]
    name : str
        For the message. [-]

    Raises
    ------
    InputError
        When it is not one point.

    Examples
    --------
    >>> point([16, 8, 8])
    HSP(16.000, 8.000, 8.000)
    """
    if isinstance(value, HSP):
        return value
    parts = checks.array(value, name, "(3,)")
    if parts.shape != (3,):
        message = f"{name} has shape {parts.shape}; expected (3,) in the order delta_d, delta_p, delta_h"
        raise InputError(message)
    return HSP(*parts.tolist())


def _points(value: HSP | ArrayLike, name: str) -> NDArray[np.float64]:
    points = value.array if isinstance(value, HSP) else checks.array(value, name, "(..., 3)")
    if points.ndim == 0 or points.shape[-1] != 3:
        message = f"{name} has shape {points.shape}; expected (..., 3) in the order delta_d, delta_p, delta_h"
        raise InputError(message)
    return points


def _within_reach(points: NDArray[np.float64], name: str) -> NDArray[np.float64]:
    """Refuse points that are infinite or far beyond nature; what is not known may be NaN."""
    far = np.abs(points) > checks.MOST_HSP
    if np.any(far):
        message = f"{name} holds {points[far].flat[0]:g}; expected at most {checks.MOST_HSP:g} MPa^0.5"
        raise InputError(message)
    return points


def distance(a: HSP | ArrayLike, b: HSP | ArrayLike) -> float | NDArray[np.float64]:
    """Return Ra = sqrt(4 (delta_d difference)^2 + (delta_p difference)^2 + (delta_h difference)^2).

    Parameters
    ----------
    a, b : HSP or array_like of shape (..., 3)
        Points in Hansen space; they broadcast. [MPa^0.5]

    Returns
    -------
    float or ndarray of shape (...)
        Ra; a float when both are single points. NaN where a point is NaN. [MPa^0.5]

    Raises
    ------
    InputError
        When the last axis is not of length 3, the shapes do not broadcast, or a number is beyond nature.

    References
    ----------
    Hansen, Hansen Solubility Parameters: A User's Handbook, 2nd ed., CRC 2007, ch. 1 (from memory).

    Examples
    --------
    >>> distance(HSP(15.8, 8.8, 19.4), HSP(15.5, 10.4, 7.0))
    12.517
    """
    first, second = _points(a, "a"), _points(b, "b")
    try:
        with np.errstate(invalid="ignore"):
            difference = first - second
    except ValueError:
        message = f"a has shape {first.shape} and b {second.shape}; they must broadcast"
        raise InputError(message) from None
    with np.errstate(over="ignore"):
        result = np.sqrt(4.0 * difference[..., 0] ** 2 + difference[..., 1] ** 2 + difference[..., 2] ** 2)
    if not np.all(result <= checks.MOST_HSP):  # cheaper than to look at the points of every distance
        _within_reach(first, "a")
        _within_reach(second, "b")
    return float(result) if result.ndim == 0 else result


def red(a: HSP | ArrayLike, b: HSP | ArrayLike, radius: ArrayLike) -> float | NDArray[np.float64]:
    """Return RED = Ra / R0, the relative energy difference.

    Parameters
    ----------
    a, b : HSP or array_like of shape (..., 3)
        Points in Hansen space. [MPa^0.5]
    radius : array_like of shape (...)
        Radius of the solubility sphere, R0. [MPa^0.5]

    Returns
    -------
    float or ndarray of shape (...)
        RED. [-]

    Raises
    ------
    InputError
        When a radius is not a number > 0, or the shapes do not broadcast, and as in `distance`.

    Examples
    --------
    >>> red([16, 4, 8], [16, 4, 4], 8)
    0.5
    """
    radii = checks.array(radius, "radius", "(...)")
    if not np.all((radii > 0) & (radii <= checks.MOST_HSP)):
        raise checks.refuse(radius, "radius", "R0 > 0 in MPa^0.5")
    apart = distance(a, b)
    try:
        result = np.asarray(apart / radii)
    except ValueError:
        message = f"radius has shape {radii.shape} and the distances {np.shape(apart)}; they must broadcast"
        raise InputError(message) from None
    return float(result) if result.ndim == 0 else result


def check_fractions(fractions: ArrayLike, *, kind: str = "volume fractions") -> NDArray[np.float64]:
    """Return fractions as an array after checking that they are >= 0 and sum to 1 along the last axis.

    Parameters
    ----------
    fractions : array_like of shape (..., n)
        Shares of n components. [-]
    kind : str
        What they are, for the message. [-]

    Raises
    ------
    InputError
        When one is negative or not finite, or the sum differs from 1. Nothing is rescaled silently.

    Examples
    --------
    >>> check_fractions([0.2, 0.7])
    Traceback (most recent call last):
    hspkit.errors.InputError: volume fractions sum to 0.9, not 1; divide by the sum if they are parts
    """
    shares = checks.array(fractions, "fractions", "(..., n)")
    if shares.ndim == 0 or shares.shape[-1] == 0:
        message = f"{kind} have shape {shares.shape}; expected (..., n) with n >= 1"
        raise InputError(message)
    if not np.all(np.isfinite(shares)) or np.any(shares < 0):
        worst = shares[~(np.isfinite(shares) & (shares >= 0))].flat[0]
        message = f"{kind} hold {worst:g}; expected finite numbers >= 0"
        raise InputError(message)
    sums = shares.sum(axis=-1)
    off = np.abs(sums - 1.0)
    if np.any(off > FRACTION_TOLERANCE):
        worst = np.asarray(sums).flat[int(np.argmax(off))]
        message = f"{kind} sum to {worst:g}, not 1; divide by the sum if they are parts"
        raise InputError(message)
    return shares


def mix(hsp: ArrayLike, fractions: ArrayLike) -> NDArray[np.float64]:
    """Return the Hansen parameters of mixtures: the volume-fraction mean.

    Parameters
    ----------
    hsp : array_like of shape (n, 3)
        Parameters of the n components. [MPa^0.5]
    fractions : array_like of shape (..., n)
        Volume fractions; must sum to 1. [-]

    Returns
    -------
    ndarray of shape (..., 3)
        Parameters of each mixture. [MPa^0.5]

    Raises
    ------
    InputError
        When fractions are negative or do not sum to 1, or the shapes do not fit.

    References
    ----------
    Hansen, User's Handbook, 2nd ed., 2007, ch. 1 (from memory).

    Examples
    --------
    >>> mix([[16, 8, 8], [18, 2, 4]], [0.5, 0.5])
    array([17., 5., 6.])
    """
    points = _within_reach(_points(hsp, "hsp"), "hsp")
    shares = check_fractions(fractions)
    if points.ndim != 2 or points.shape[0] != shares.shape[-1]:
        message = f"hsp has shape {points.shape} and fractions {shares.shape}; expected (n, 3) and (..., n)"
        raise InputError(message)
    return shares @ points


def at_temperature(
    hsp: HSP | ArrayLike,
    celsius: ArrayLike,
    *,
    expansivity: ArrayLike = TYPICAL_EXPANSIVITY,
    reference_celsius: float = 25.0,
) -> NDArray[np.float64]:
    """Return Hansen parameters at another temperature.

    The published rates d(delta_d)/dT = -1.25 a delta_d, d(delta_p)/dT = -0.5 a delta_p and
    d(delta_h)/dT = -(1.22e-3 + a/2) delta_h are integrated exactly with a constant expansivity a.

    Parameters
    ----------
    hsp : HSP or array_like of shape (..., 3)
        Parameters at the reference temperature. [MPa^0.5]
    celsius : array_like of shape (...)
        Temperature wanted. [degC]
    expansivity : array_like of shape (...)
        Volume expansivity a. [1/K]
    reference_celsius : float
        Temperature of the given parameters. [degC]

    Returns
    -------
    ndarray of shape (..., 3)
        Parameters at the temperature. [MPa^0.5]

    Raises
    ------
    InputError
        When something is not a number, beyond nature, or the shapes do not broadcast.

    References
    ----------
    Hansen, User's Handbook, 2nd ed., 2007, ch. 1 (from memory; the constant is recalled as 1.22e-3 and, in
    the integrated form, as 1.32e-3. The difference is 0.001 in delta_h per 10 K; 1.22e-3 is used throughout).

    Examples
    --------
    >>> at_temperature([16, 8, 8], 40.0, expansivity=8e-4)
    array([15.762, 7.952, 7.808])
    """
    points = _within_reach(_points(hsp, "hsp"), "hsp")
    rise = checks.temperatures(celsius)[..., None] - checks.temperatures(reference_celsius, "reference_celsius")
    rate = checks.array(expansivity, "expansivity", "(...)")[..., None]
    if not np.all(np.abs(rate) <= _MOST_EXPANSIVITY):
        raise checks.refuse(expansivity, "expansivity", f"numbers up to {_MOST_EXPANSIVITY:g} per kelvin")
    per_kelvin = np.concatenate([1.25 * rate, 0.5 * rate, 1.22e-3 + 0.5 * rate], axis=-1)
    try:
        return points * np.exp(-per_kelvin * rise)
    except ValueError:
        message = f"hsp {points.shape}, celsius {np.shape(celsius)} and expansivity {rate.shape[:-1]} do not broadcast"
        raise InputError(message) from None


def teas_fractions(hsp: HSP | ArrayLike) -> NDArray[np.float64]:
    """Return Teas fractional parameters, 100 delta / (delta_d + delta_p + delta_h).

    Parameters
    ----------
    hsp : HSP or array_like of shape (..., 3)
        Points in Hansen space. [MPa^0.5]

    Returns
    -------
    ndarray of shape (..., 3)
        Shares that sum to 100. [%]

    Raises
    ------
    InputError
        When the last axis is not of length 3, or the three sum to nothing.

    References
    ----------
    Teas fractions as used in conservation: J. Burke, 1984.

    Examples
    --------
    >>> teas_fractions(HSP(15.5, 10.4, 7.0)).round(1)
    array([47.1, 31.6, 21.3])
    """
    points = _within_reach(_points(hsp, "hsp"), "hsp")
    total = points.sum(axis=-1, keepdims=True)
    if np.any(total <= 0):
        message = f"hsp holds a point whose parts sum to {total[total <= 0].flat[0]:g}; expected numbers > 0 in MPa^0.5"
        raise InputError(message)
    return 100.0 * points / total
