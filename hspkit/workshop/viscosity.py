"""Fit the pair terms to the measured mixtures that ship: ``python -m hspkit.workshop.viscosity``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hspkit import data, viscosity
from hspkit.workshop import pair_tables

#: Colder or warmer mixtures are left out: the pure liquids are known at 20 and 25 C only [degC].
FIT_CELSIUS = (10.0, 30.0)
_MIXTURES = "viscosity_mixtures.csv"


def measured(first: str, second: str) -> NDArray[np.float64]:
    """Return the measured mixtures of a pair.

    Parameters
    ----------
    first, second : str
        Names of carriers, as in ``viscosity_mixtures.csv``. [-]

    Returns
    -------
    ndarray of shape (n, 5)
        Volume fraction of the first [-], temperature [degC], viscosity [mPa s], viscosity without a pair term
        [mPa s], mass % of the first [%].

    Examples
    --------
    >>> measured("ethanol", "water").shape[1]
    5
    """
    pure = {
        row["name"]: {20.0: row["viscosity_20"], 25.0: row["viscosity_25"]}
        for row in data.read_table("carriers.csv").rows
    }
    points = []
    for row, share, _ in pair_tables.mixtures(_MIXTURES, first, second):
        celsius = row["celsius"]
        if FIT_CELSIUS[0] <= celsius <= FIT_CELSIUS[1]:
            ideal = viscosity.mix(
                [share, 1.0 - share], [viscosity.at_temperature(celsius, pure[name]) for name in (first, second)]
            )
            points.append((share, celsius, row["viscosity"], ideal, row["mass_percent"]))
    return np.array(points)


def largest_error(coefficients: NDArray[np.float64], points: NDArray[np.float64]) -> float:
    """Return the largest deviation from the measured mixtures. [%]"""
    share, celsius, measurement, ideal, _ = points.T
    fitted = ideal * np.exp(viscosity.pair_excess(share, 1 - share, celsius, coefficients))
    return float(100 * np.max(np.abs(fitted / measurement - 1)))


def fit(first: str, second: str) -> tuple[NDArray[np.float64], float, float]:
    """Return the coefficients of a pair, its largest error [%], and that on compositions left out [%]."""
    return pair_tables.validated(
        measured(first, second), lambda points: viscosity.fit_pair(*points.T[:4]), largest_error
    )


def main() -> None:
    """Fit every pair and write the table."""
    rows = []
    for first, second in pair_tables.pairs(_MIXTURES):
        coefficients, error, left_out = fit(first, second)
        celsius = measured(first, second)[:, 1]
        range_of_fit = f"{celsius.min():g}", f"{celsius.max():g}"
        errors = f"{error:.2f}", f"{left_out:.2f}", "viscosity-fit"
        rows.append([first, second, *(f"{x:.5f}" for x in coefficients.ravel()), *range_of_fit, *errors])
    names = ",".join(f"{letter}{k}" for k in range(viscosity.PAIR_TERMS) for letter in "gh")
    header = f"first,second,{names},celsius_min,celsius_max,max_error_percent,left_out_error_percent,source"
    pair_tables.write(Path(__file__).parents[2], "viscosity_pairs.csv", header, rows)


if __name__ == "__main__":
    main()
