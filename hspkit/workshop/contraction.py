"""Fit the contraction of pairs to the measured densities that ship: ``python -m hspkit.workshop.contraction``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hspkit import pair_series
from hspkit.contraction import TERMS
from hspkit.workshop import pair_tables

_MIXTURES = "density_mixtures.csv"


def measured(first: str, second: str) -> NDArray[np.float64]:
    """Return the measured mixtures of a pair at 20 C.

    Parameters
    ----------
    first, second : str
        Names of carriers, as in ``density_mixtures.csv``. [-]

    Returns
    -------
    ndarray of shape (n, 3)
        Volume fraction of the first [-], share of the volume lost [-], mass % of the first [%].

    Examples
    --------
    >>> measured("glycerol", "water").shape[1]
    3
    """
    return np.array(
        [
            (share, 1.0 - 1.0 / (row["density"] * volume), row["mass_percent"])
            for row, share, volume in pair_tables.mixtures(_MIXTURES, first, second)
        ]
    )


def largest_error(coefficients: NDArray[np.float64], points: NDArray[np.float64]) -> float:
    """Return the largest deviation of the density from the measured one. [%]"""
    share, lost, _ = points.T
    return float(100 * np.max(np.abs((1 - lost) / (1 - pair_series.excess(share, 1 - share, coefficients)) - 1)))


def fit(first: str, second: str) -> tuple[NDArray[np.float64], float, float]:
    """Return the coefficients, the largest error of the density, and that on compositions left out [%]."""
    return pair_tables.validated(
        measured(first, second), lambda points: pair_series.fit(points[:, 0], points[:, 1], (TERMS, 1)), largest_error
    )


def main() -> None:
    """Fit every pair and write the table."""
    rows = []
    for first, second in pair_tables.pairs(_MIXTURES):
        coefficients, error, left_out = fit(first, second)
        most = f"{measured(first, second)[:, 2].max():g}"
        errors = f"{error:.3f}", f"{left_out:.3f}", "contraction-fit"
        rows.append([first, second, *(f"{x:.5f}" for x in coefficients.ravel()), most, *errors])
    names = ",".join(f"c{k}" for k in range(TERMS))
    header = f"first,second,{names},mass_percent_max,max_error_percent,left_out_error_percent,source"
    pair_tables.write(Path(__file__).parents[2], "contraction_pairs.csv", header, rows)


if __name__ == "__main__":
    main()
