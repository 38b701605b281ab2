"""How a pair of liquids departs from ideal mixing: a series in their volume fractions, fitted to measured mixtures.

The form is that of Redlich and Kister, with coefficients that may depend on the temperature. `hspkit.viscosity` applies
it to the logarithm of the viscosity and `hspkit.contraction` to the volume. Arrays only, no names of substances.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data
from hspkit.errors import InputError
from hspkit.frozen import freeze

__all__ = ["excess", "fit", "read_coefficients"]


def excess(
    first: ArrayLike, second: ArrayLike, coefficients: ArrayLike, difference: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Return first x second x sum_kj c_kj (first - second)^k difference^j.

    Parameters
    ----------
    first, second : array_like of shape (...)
        Volume fractions of the two liquids as measured out; they need not sum to 1. [-]
    coefficients : array_like of shape (k, j)
        Coefficients; j is 1 where the temperature does not matter. [1/K^j]
    difference : array_like of shape (...)
        Temperature minus the reference temperature. [K]

    Returns
    -------
    ndarray of shape (...)
        What the pair adds to the ideal mixture. [-]

    References
    ----------
    Redlich and Kister, Ind. Eng. Chem. 40 (1948) 345 (from memory), for the form.

    Examples
    --------
    >>> float(excess(0.5, 0.5, [[4.0, 0.1]], 10.0))
    1.25
    """
    a, b, warmth = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (first, second, difference)))
    return np.asarray(a * b * np.polynomial.polynomial.polyval2d(a - b, warmth, np.asarray(coefficients, dtype=float)))


def fit(
    first: ArrayLike, values: ArrayLike, shape: tuple[int, int], difference: ArrayLike = 0.0
) -> NDArray[np.float64]:
    """Fit the coefficients of a pair to measured mixtures of the two by least squares.

    Parameters
    ----------
    first : array_like of shape (n,)
        Volume fraction of the first liquid; the rest is the second. [-]
    values : array_like of shape (n,)
        Measured departures from the ideal mixture. [-]
    shape : tuple of int
        Numbers k and j of coefficients. [-]
    difference : array_like of shape (n,)
        Temperature minus the reference temperature. [K]

    Returns
    -------
    ndarray of shape (k, j)
        Coefficients for `excess`. [1/K^j]

    Raises
    ------
    InputError
        When there are fewer mixtures than coefficients.

    Examples
    --------
    >>> x = np.array([0.2, 0.4, 0.6, 0.8])
    >>> fit(x, excess(x, 1 - x, [[0.04], [0.01]]), (2, 1)).round(6).tolist()
    [[0.04], [0.01]]
    """
    share = np.asarray(first, dtype=float)
    units = np.eye(shape[0] * shape[1]).reshape(-1, *shape)
    if share.size < len(units):
        message = f"{share.size} mixtures given; expected at least {len(units)}, as many as there are coefficients"
        raise InputError(message)
    basis = np.stack([excess(share, 1.0 - share, unit, difference) for unit in units], axis=1)
    solution, *_ = np.linalg.lstsq(basis, np.asarray(values, dtype=float), rcond=None)
    return np.asarray(solution).reshape(shape)


def read_coefficients(table: str, letters: str, terms: int) -> dict[tuple[str, str], NDArray[np.float64]]:
    """Return the coefficients of the pairs of a shipped table, by the names of the two liquids.

    Parameters
    ----------
    table : str
        Name of the table; its columns of coefficients are named by a letter and the power, as in ``g0``. [-]
    letters : str
        One letter for each power of the temperature. [-]
    terms : int
        Number of powers of the difference of the fractions. [-]

    Examples
    --------
    >>> read_coefficients("contraction_pairs.csv", "c", 3)["glycerol", "water"].shape
    (3, 1)
    """
    return freeze(
        {
            (row["first"], row["second"]): np.array([[row[f"{letter}{k}"] for letter in letters] for k in range(terms)])
            for row in data.read_table(table).rows
        }
    )
