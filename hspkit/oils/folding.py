"""Concentrating an oil: what distilling off terpene hydrocarbons, washing and filtering leave of its components."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = ["are_alkanes", "are_terpenes", "distil"]

#: Formulas of the terpene hydrocarbons, those that boil off first in front.
TERPENES = ("C10H16", "C15H24")


def are_terpenes(formulas: Sequence[str]) -> NDArray[np.bool_]:
    """Tell which formulas are those of terpene hydrocarbons.

    Parameters
    ----------
    formulas : sequence of str, length n
        Such as "C10H16". [-]

    Examples
    --------
    >>> are_terpenes(["C10H16", "C10H18O"]).tolist()
    [True, False]
    """
    return np.isin(np.array(formulas, dtype=str), TERPENES)


def are_alkanes(formulas: Sequence[str]) -> NDArray[np.bool_]:
    """Tell which formulas are those of alkanes without a ring, such as the waxes of the peel.

    Parameters
    ----------
    formulas : sequence of str, length n
        Such as "C29H60". [-]

    Examples
    --------
    >>> are_alkanes(["C29H60", "C29H58"]).tolist()
    [True, False]
    """
    atoms = (re.fullmatch(r"C(\d+)H(\d+)", formula) for formula in formulas)
    return np.array([match is not None and int(match[2]) == 2 * int(match[1]) + 2 for match in atoms], dtype=bool)


def distil(mass: NDArray[np.float64], formulas: Sequence[str], amount: float) -> NDArray[np.float64]:
    """Return what is left of each component after distilling off monoterpene hydrocarbons, then sesquiterpenes.

    Parameters
    ----------
    mass : array, shape (n,)
        Mass of each component per 100 of oil. [mass %]
    formulas : sequence of str, length n
        Formulas of the components. [-]
    amount : float
        How much is distilled off, at most what there is of terpene hydrocarbons. [mass %]

    Returns
    -------
    array, shape (n,)
        Mass of each component per 100 of the oil before. [mass %]

    Examples
    --------
    >>> distil(np.array([90.0, 5.0, 5.0]), ["C10H16", "C15H24", "C10H18O"], 92.5).tolist()
    [0.0, 2.5, 5.0]
    """
    kept = np.array(mass, dtype=float)
    for formula in TERPENES:  # the lighter ones boil off first
        boiling = np.array(formulas, dtype=str) == formula
        present = kept[boiling].sum()
        distilled = min(amount, present)
        if present > 0:
            kept[boiling] *= 1.0 - distilled / present
        amount -= distilled
    return kept
