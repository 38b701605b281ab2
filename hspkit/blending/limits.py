"""Linear limits on the volume fractions of a blend, the pair terms of its viscosity, and why limits clash.

Doses, sum rules, tastes, prices and the logarithm of the viscosity are linear in the fractions as measured out; the
few per cent that glycols and ethanol contract with water are left out. The viscosity has pair terms for a few
carriers with water: supports that hold such a pair are held to the highest that their pair term can add.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import viscosity
from hspkit.carriers import Blend, Carrier

__all__ = ["Limits", "LinearLimit", "clash", "viscosity_excess"]

Array = NDArray[np.float64]


class LinearLimit(NamedTuple):
    """One limit ``row @ fractions <= bound``, named in words."""

    name: str
    row: Array
    bound: float
    pair_terms: bool = False


@dataclass(frozen=True)
class Limits:
    """Linear limits ``rows @ fractions <= bounds``, each scaled to largest number 1 and named in words.

    Parameters
    ----------
    names : tuple of str
        In words, with the figure and its unit. [-]
    rows : ndarray of shape (m, n)
        Coefficients. [-]
    bounds : ndarray of shape (m,)
        Right-hand sides. [-]
    scales : ndarray of shape (m,)
        What the rows and bounds were divided by. [-]
    viscosity_row : int or None
        Which row is the viscosity, the one with pair terms. [-]
    """

    names: tuple[str, ...]
    rows: Array
    bounds: Array
    scales: Array
    viscosity_row: int | None = None

    @classmethod
    def of(cls, limits: Sequence[LinearLimit], n: int) -> Limits:
        """Return limits on the fractions of n carriers, scaled."""
        rows = np.array([limit.row for limit in limits]).reshape(len(limits), n)
        bounds = np.array([limit.bound for limit in limits], dtype=float)
        scales = np.maximum(np.maximum(np.abs(rows).max(axis=1, initial=0.0), np.abs(bounds)), 1e-300)
        row = next((number for number, limit in enumerate(limits) if limit.pair_terms), None)
        return cls(tuple(limit.name for limit in limits), rows / scales[:, None], bounds / scales, scales, row)

    def slack(self, fractions: Array) -> Array:
        """Return bounds - rows @ fractions, shape (..., m); negative where a limit is broken. [-]"""
        return self.bounds - fractions @ self.rows.T


@cache
def _highest_excess(first: str, second: str) -> float:
    """Return the most that the pair term of two carriers can add to ln(viscosity)."""
    coefficients = viscosity.pair_coefficients()[first, second][0]
    a, b = np.meshgrid(np.linspace(0.0, 1.0, 201), np.linspace(0.0, 1.0, 201))
    return float(np.max(np.where(a + b <= 1.0, viscosity.pair_excess(a, b, 20.0, coefficients), 0.0)))


def viscosity_excess(carriers: Sequence[Carrier | Blend], supports: NDArray[np.intp]) -> Array:
    """Return the most that pair terms can add to ln(viscosity) of any blend of each support, shape (c,). [-]"""
    identities = [carrier.identity for carrier in carriers]
    total = np.zeros(len(supports))
    for pair in viscosity.pair_coefficients():
        if set(pair) <= set(identities):
            first, second = ((supports == identities.index(member)).any(axis=1) for member in pair)
            total += (first & second) * _highest_excess(*pair)
    return total


def clash(limits: Limits, max_carriers: int) -> str:
    """Say which limits cannot be kept together: a smallest set of them, found by leaving out one after the other.

    Parameters
    ----------
    limits : Limits
        Limits that no blend keeps to.
    max_carriers : int
        Most carriers in a blend. [-]

    Returns
    -------
    str
        The reason in words. [-]
    """
    from scipy.optimize import linprog

    n = limits.rows.shape[1]

    def possible(kept: list[int]) -> bool:
        rows, bounds = limits.rows[kept], limits.bounds[kept]
        solution = linprog(np.zeros(n), A_ub=rows, b_ub=bounds + 1e-9, A_eq=np.ones((1, n)), b_eq=[1.0], bounds=(0, 1))
        return bool(solution.status == 0)

    kept = list(range(len(limits.names)))
    if possible(kept):
        return (
            f"blends of more than {max_carriers} carriers keep to all limits, but none of at most {max_carriers} does;"
            " raise max_carriers or loosen a limit"
        )
    for number in list(kept):
        without = [k for k in kept if k != number]
        if not possible(without):
            kept = without
    words = "; ".join(limits.names[k] for k in kept)
    together = "these limits cannot be kept together" if len(kept) > 1 else "no blend can keep to this limit"
    return f"{together}: {words}. Leave one out, loosen it, or offer other carriers"
