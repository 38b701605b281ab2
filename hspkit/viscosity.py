"""Viscosity of liquids and of their mixtures; arrays only, no names of substances.

The logarithm of the viscosity is mixed (Arrhenius; Grunberg and Nissan 1949), by volume fraction, with a pair
term where one was fitted to measured mixtures. Linear means are of no use for mixtures with glycerol.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data, pair_series
from hspkit.errors import ExtrapolationWarning
from hspkit.frozen import Frozen

__all__ = ["PAIR_TERMS", "FittedPair", "at_temperature", "fit_pair", "mix", "pair_coefficients", "pair_excess"]

#: Powers of (first - second fraction) in a pair term. One cannot follow glycerol with water (18 % off), two
#: leave 10 %, three 3 %; a fourth does not lower the error on compositions left out of the fit.
PAIR_TERMS = 3
#: Further than this from the temperatures at which a viscosity is known, it is an extrapolation [K]. Over
#: 15 K the line through 20 and 25 C is 2 to 3 % off for water and ethanol.
FAR = 15.0
_KELVIN = 273.15
#: Temperature at which the slopes of the pair terms count nothing [degC].
_REFERENCE = 20.0


class FittedPair(NamedTuple):
    """Two liquids whose pair term was fitted to measured mixtures.

    Attributes
    ----------
    coefficients : ndarray of shape (PAIR_TERMS, 2)
        g_k [-] and h_k [1/K] of `pair_excess`.
    celsius_min, celsius_max : float
        Lowest and highest temperature of the measurements. [degC]
    max_error_percent : float
        Largest error of the fit. [%]
    """

    coefficients: NDArray[np.float64]
    celsius_min: float
    celsius_max: float
    max_error_percent: float


def at_temperature(celsius: float, known: Mapping[float, float]) -> float:
    """Return the viscosity of a liquid at another temperature.

    Between and near two known temperatures ln(viscosity) is linear in 1/T (Andrade). From a single one it
    follows the slope that Lewis and Squires drew through many liquids.

    Parameters
    ----------
    celsius : float
        Temperature wanted. [degC]
    known : mapping
        Viscosity [mPa s] by temperature [degC]; one or two entries, none gives NaN.

    Returns
    -------
    float
        Dynamic viscosity; NaN when nothing is known. [mPa s]

    Warns
    -----
    ExtrapolationWarning
        More than 15 K from what is known.

    References
    ----------
    Lewis and Squires, Refiner Nat. Gasoline Manuf. 13 (1934) 448, as in Poling, Prausnitz and O'Connell, The
    Properties of Gases and Liquids (from memory): mu^-0.2661 = mu_0^-0.2661 + (T - T_0)/233, mu in mPa s.

    Examples
    --------
    >>> round(at_temperature(25.0, {20.0: 57.61, 25.0: 42.48}), 2)
    42.48
    """
    points = sorted(known.items())
    if not points:
        return float("nan")
    if not points[0][0] - FAR <= celsius <= points[-1][0] + FAR:
        message = f"viscosity at {celsius:g} C from figures at {', '.join(f'{t:g}' for t, _ in points)} C only"
        warnings.warn(message, ExtrapolationWarning, stacklevel=2)
    if celsius in known:
        return float(known[celsius])
    if len(points) == 1:
        ((at, value),) = points
        base = value**-0.2661 + (celsius - at) / 233.0
        return float(base ** (-1.0 / 0.2661)) if base > 0 else float("nan")
    (cold, at_cold), (warm, at_warm) = points[0], points[-1]
    inverse = [1.0 / (t + _KELVIN) for t in (celsius, cold, warm)]
    share = (inverse[0] - inverse[1]) / (inverse[2] - inverse[1])
    return float(np.exp(np.log(at_cold) + share * (np.log(at_warm) - np.log(at_cold))))


def pair_excess(
    first: ArrayLike, second: ArrayLike, celsius: ArrayLike, coefficients: ArrayLike
) -> NDArray[np.float64]:
    """Return the pair term of ln(viscosity), first x second x sum_k (g_k + h_k (t - 20)) (first - second)^k.

    Parameters
    ----------
    first, second : array_like of shape (...)
        Volume fractions of the two components in the mixture. [-]
    celsius : array_like of shape (...)
        Temperature. [degC]
    coefficients : array_like of shape (PAIR_TERMS, 2)
        g_k [-] and h_k [1/K].

    Returns
    -------
    ndarray of shape (...)
        Term to add to the ideal ln(viscosity). [-]

    Examples
    --------
    >>> float(pair_excess(0.5, 0.5, 20.0, [[4.0, 0.0], [0.0, 0.0], [0.0, 0.0]]))
    1.0
    """
    return pair_series.excess(first, second, coefficients, np.asarray(celsius, dtype=float) - _REFERENCE)


def fit_pair(first: ArrayLike, celsius: ArrayLike, viscosity: ArrayLike, ideal: ArrayLike) -> NDArray[np.float64]:
    """Fit the pair term of two liquids to measured mixtures by least squares in ln(viscosity).

    Parameters
    ----------
    first : array_like of shape (n,)
        Volume fraction of the first component. [-]
    celsius : array_like of shape (n,)
        Temperature. [degC]
    viscosity, ideal : array_like of shape (n,)
        Measured viscosity, and the viscosity without a pair term. [mPa s]

    Returns
    -------
    ndarray of shape (PAIR_TERMS, 2)
        g_k [-] and h_k [1/K] of `pair_excess`.

    Raises
    ------
    InputError
        When there are fewer mixtures than coefficients.

    Examples
    --------
    >>> x, t = np.tile([0.2, 0.4, 0.6, 0.8], 2), np.repeat([20.0, 25.0], 4)
    >>> mixed = np.exp(pair_excess(x, 1 - x, t, [[4, 0.1], [1, 0], [0, 0]]))
    >>> fit_pair(x, t, mixed, np.ones(8)).round(6)[0]
    array([4. , 0.1])
    """
    logs = np.log(np.asarray(viscosity, dtype=float) / np.asarray(ideal, dtype=float))
    return pair_series.fit(first, logs, (PAIR_TERMS, 2), np.asarray(celsius, dtype=float) - _REFERENCE)


def mix(
    fractions: ArrayLike,
    viscosities: ArrayLike,
    celsius: float = 20.0,
    pairs: Mapping[tuple[int, int], ArrayLike] | None = None,
) -> float | NDArray[np.float64]:
    """Return the viscosity of mixtures: ln(viscosity) by fraction, plus the pair terms that are known.

    Parameters
    ----------
    fractions : array_like of shape (..., n)
        Fractions of the components; by volume where pair terms are given. [-]
    viscosities : array_like of shape (n,)
        Viscosities of the pure components at the temperature. [mPa s]
    celsius : float
        Temperature, for the pair terms. [degC]
    pairs : mapping, optional
        Coefficients of `pair_excess` by (index of first, index of second component).

    Returns
    -------
    float or ndarray of shape (...)
        Dynamic viscosity. [mPa s]

    References
    ----------
    Grunberg and Nissan, Nature 164 (1949) 799 (the original is by mole fraction; volume serves water better).

    Examples
    --------
    >>> mix([0.5, 0.5], [1.0, 100.0])
    10.0
    """
    share = np.asarray(fractions, dtype=float)
    with np.errstate(invalid="ignore"):
        logs = np.log(np.asarray(viscosities, dtype=float))
    # a component that is absent does not matter, even when its viscosity is unknown
    total = np.where(share == 0, 0.0, share * logs).sum(axis=-1)
    for (i, j), coefficients in (pairs or {}).items():
        total = total + pair_excess(share[..., i], share[..., j], celsius, coefficients)
    result = np.asarray(np.exp(total))
    return float(result) if result.ndim == 0 else result


@cache
def pair_coefficients() -> dict[tuple[str, str], FittedPair]:
    """Return the pairs that ship, by the names of the two carriers.

    Examples
    --------
    >>> sorted(pair_coefficients())
    [('ethanol', 'water'), ('glycerol', 'water'), ('propylene glycol', 'water')]
    """
    coefficients = pair_series.read_coefficients("viscosity_pairs.csv", "gh", PAIR_TERMS)
    return Frozen(
        {
            pair: FittedPair(coefficients[pair], row["celsius_min"], row["celsius_max"], row["max_error_percent"])
            for row in data.read_table("viscosity_pairs.csv").rows
            for pair in [(row["first"], row["second"])]
        }
    )
