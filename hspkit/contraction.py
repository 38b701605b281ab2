"""What is lost of the volume when two liquids mix; arrays only, no names of substances."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data
from hspkit.errors import InputError
from hspkit.frozen import freeze

__all__ = ["TERMS", "contraction", "fit_pair", "pair_coefficients"]

#: Powers of (first - second fraction) in a pair. Two leave 0.07 % of density for propylene glycol with water, three
#: 0.03 %; more would follow the noise between the sources.
TERMS = 3


def contraction(first: ArrayLike, second: ArrayLike, coefficients: ArrayLike) -> NDArray[np.float64]:
    """Return the share of the volume lost on mixing, first x second x sum_k c_k (first - second)^k.

    Parameters
    ----------
    first, second : array_like of shape (...)
        Volume fractions as measured out. [-]
    coefficients : array_like of shape (TERMS,)
        c_k. [-]

    Returns
    -------
    ndarray of shape (...)
        1 - volume of the mixture / sum of the volumes. [-]

    References
    ----------
    Redlich and Kister, Ind. Eng. Chem. 40 (1948) 345 (from memory), for the form.

    Examples
    --------
    >>> float(contraction(0.5, 0.5, [0.04, 0.0, 0.0]))
    0.01
    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    table = np.asarray(coefficients, dtype=float)
    return np.asarray(a * b * sum(c * (a - b) ** k for k, c in enumerate(table)))


def fit_pair(first: ArrayLike, lost: ArrayLike) -> NDArray[np.float64]:
    """Fit the coefficients of a pair by least squares.

    Parameters
    ----------
    first : array_like of shape (n,)
        Volume fraction of the first liquid. [-]
    lost : array_like of shape (n,)
        Measured share of the volume lost. [-]

    Returns
    -------
    ndarray of shape (TERMS,)
        c_k of `contraction`. [-]

    Raises
    ------
    InputError
        When there are fewer mixtures than coefficients.

    Examples
    --------
    >>> x = np.array([0.2, 0.4, 0.6, 0.8])
    >>> fit_pair(x, contraction(x, 1 - x, [0.04, 0.01, 0.0])).round(6) + 0.0
    array([0.04, 0.01, 0.  ])
    """
    share = np.asarray(first, dtype=float)
    if share.size < TERMS:
        message = f"{share.size} mixtures given; expected at least {TERMS}"
        raise InputError(message)
    basis = np.stack([contraction(share, 1.0 - share, unit) for unit in np.eye(TERMS)], axis=1)
    solution, *_ = np.linalg.lstsq(basis, np.asarray(lost, dtype=float), rcond=None)
    return np.asarray(solution)


@cache
def pair_coefficients() -> dict[tuple[str, str], NDArray[np.float64]]:
    """Return the coefficients of the pairs that ship, by the names of the two carriers.

    Examples
    --------
    >>> sorted(pair_coefficients())
    [('glycerol', 'water'), ('propylene glycol', 'water')]
    """
    found = {}
    for row in data.read_table("contraction_pairs.csv").rows:
        found[row["first"], row["second"]] = np.array([row[f"c{k}"] for k in range(TERMS)])
    return freeze(found)
