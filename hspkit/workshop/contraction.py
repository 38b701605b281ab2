"""Fit the contraction of pairs to the measured densities that ship: ``python -m hspkit.workshop.contraction``."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hspkit import data
from hspkit.contraction import TERMS, contraction, fit_pair


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
    pure = {row["name"]: row["density_20"] for row in data.read_table("carriers.csv").rows}
    points = []
    for row in data.read_table("density_mixtures.csv").rows:
        mass = row["mass_percent"] / 100.0
        if (row["first"], row["second"]) == (first, second) and 0 < mass < 1:
            volumes = np.array([mass / pure[first], (1 - mass) / pure[second]])
            lost = 1.0 - 1.0 / (row["density"] * volumes.sum())
            points.append((volumes[0] / volumes.sum(), lost, row["mass_percent"]))
    return np.array(points)


def largest_error(coefficients: NDArray[np.float64], points: NDArray[np.float64]) -> float:
    """Return the largest deviation of the density from the measured one. [%]"""
    share, lost, _ = points.T
    return float(100 * np.max(np.abs((1 - lost) / (1 - contraction(share, 1 - share, coefficients)) - 1)))


def fit(first: str, second: str) -> tuple[NDArray[np.float64], float, float]:
    """Return the coefficients, the largest error of the density, and that on compositions left out [%]."""
    points = measured(first, second)
    mass = points[:, 2]
    found = fit_pair(*points.T[:2])
    left_out = max(largest_error(fit_pair(*points[mass != m].T[:2]), points[mass == m]) for m in np.unique(mass))
    return found, largest_error(found, points), left_out


def main() -> None:
    """Fit every pair and write the table."""
    pairs = sorted({(row["first"], row["second"]) for row in data.read_table("density_mixtures.csv").rows})
    names = ",".join(f"c{k}" for k in range(TERMS))
    lines = [f"first,second,{names},mass_percent_max,max_error_percent,left_out_error_percent,source"]
    for first, second in pairs:
        found, error, left_out = fit(first, second)
        numbers = [*(f"{x:.5f}" for x in found), f"{measured(first, second)[:, 2].max():g}"]
        lines.append(",".join([first, second, *numbers, f"{error:.3f}", f"{left_out:.3f}", "contraction-fit"]))
    path = Path(__file__).parents[2] / "datasets" / "contraction_pairs.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
