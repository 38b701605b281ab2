"""Fit the pair terms to the measured mixtures that ship: ``python -m hspkit.workshop.viscosity``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hspkit import data
from hspkit.viscosity import PAIR_TERMS, at_temperature, fit_pair, pair_excess

#: Colder or warmer mixtures are left out: the pure liquids are known at 20 and 25 C only [degC].
FIT_CELSIUS = (10.0, 30.0)


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
    pure = {row["name"]: row for row in data.read_table("carriers.csv").rows}
    pair = (pure[first], pure[second])
    points = []
    for row in data.read_table("viscosity_mixtures.csv").rows:
        mass = row["mass_percent"]
        inside = FIT_CELSIUS[0] <= row["celsius"] <= FIT_CELSIUS[1] and 0 < mass < 100
        if not inside or (row["first"], row["second"]) != (first, second):
            continue
        volumes = [share / liquid["density_20"] for share, liquid in zip((mass, 100 - mass), pair, strict=True)]
        share = volumes[0] / sum(volumes)
        thick = [
            at_temperature(row["celsius"], {20.0: liquid["viscosity_20"], 25.0: liquid["viscosity_25"]})
            for liquid in pair
        ]
        ideal = np.exp(share * np.log(thick[0]) + (1 - share) * np.log(thick[1]))
        points.append((share, row["celsius"], row["viscosity"], ideal, mass))
    return np.array(points)


def largest_error(coefficients: NDArray[np.float64], points: NDArray[np.float64]) -> float:
    """Return the largest deviation from the measured mixtures. [%]"""
    share, celsius, viscosity, ideal, _ = points.T
    found = ideal * np.exp(pair_excess(share, 1 - share, celsius, coefficients))
    return float(100 * np.max(np.abs(found / viscosity - 1)))


def fit(first: str, second: str) -> tuple[NDArray[np.float64], float, float]:
    """Return the coefficients of a pair, its largest error [%], and that on compositions left out [%]."""
    points = measured(first, second)
    mass = points[:, 4]
    found = fit_pair(*points.T[:4])
    left_out = max(largest_error(fit_pair(*points[mass != m].T[:4]), points[mass == m]) for m in np.unique(mass))
    return found, largest_error(found, points), left_out


def main() -> None:
    """Fit every pair and write the table."""
    pairs = sorted({(row["first"], row["second"]) for row in data.read_table("viscosity_mixtures.csv").rows})
    names = [f"{letter}{k}" for k in range(PAIR_TERMS) for letter in "gh"]
    tail = "celsius_min,celsius_max,max_error_percent,left_out_error_percent,source"
    lines = [",".join(["first", "second", *names, tail])]
    for first, second in pairs:
        found, error, left_out = fit(first, second)
        celsius = measured(first, second)[:, 1]
        numbers = [*(f"{x:.5f}" for x in found.ravel()), f"{celsius.min():g}", f"{celsius.max():g}"]
        lines.append(",".join([first, second, *numbers, f"{error:.2f}", f"{left_out:.2f}", "viscosity-fit"]))
    path = Path(__file__).parents[2] / "datasets" / "viscosity_pairs.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
