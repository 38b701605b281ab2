"""What the fits of pairs of liquids share: measured mixtures by volume, errors on what was left out, the table."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hspkit import data

__all__ = ["mixtures", "pairs", "validated", "write"]

#: A row of a shipped table: column to value.
Row = Mapping[str, Any]

Array = NDArray[np.float64]


def pairs(table: str) -> list[tuple[str, str]]:
    """Return the pairs of liquids in a table of measured mixtures."""
    return sorted({(row["first"], row["second"]) for row in data.read_table(table).rows})


def mixtures(table: str, first: str, second: str) -> Iterator[tuple[Row, float, float]]:
    """Yield each measured mixture of a pair with the volume fraction of the first [-] and the volume of a gram [mL].

    Both before any contraction; the pure liquids are left out.
    """
    density = {row["name"]: row["density_20"] for row in data.read_table("carriers.csv").rows}
    for row in data.read_table(table).rows:
        mass = row["mass_percent"] / 100.0
        if (row["first"], row["second"]) == (first, second) and 0 < mass < 1:
            volumes = mass / density[first], (1.0 - mass) / density[second]
            yield row, volumes[0] / sum(volumes), sum(volumes)


def validated(
    points: Array, fit: Callable[[Array], Array], largest_error: Callable[[Array, Array], float]
) -> tuple[Array, float, float]:
    """Return coefficients, their largest error [%], and that on compositions left out of the fit [%].

    The last column of the points is the composition. [mass %]
    """
    mass = points[:, -1]
    coefficients = fit(points)
    left_out = max(largest_error(fit(points[mass != m]), points[mass == m]) for m in np.unique(mass))
    return coefficients, largest_error(coefficients, points), left_out


def write(checkout: Path, name: str, header: str, rows: Sequence[Sequence[str]]) -> None:
    """Write a shipped table into a checkout."""
    lines = [header, *(",".join(row) for row in rows)]
    (checkout / "datasets" / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
