"""Trials of liquids, where they lie and what was seen; how far each is on the wrong side of a sphere."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks, hansen
from hspkit.errors import InputError
from hspkit.hansen import HSP

__all__ = ["OUTCOMES", "PARTS", "desirability", "errors_of", "kinds_of", "points_of"]

Array = NDArray[np.float64]

#: The words for what is seen at the bench, from one phase to two.
OUTCOMES = ("clear", "hazy", "splits")
PARTS = ("delta_d", "delta_p", "delta_h")


def kinds_of(outcomes: ArrayLike | Sequence[str]) -> NDArray[np.intp]:
    words = checks.several(outcomes, "outcomes", "['clear', 'splits']")
    found = np.empty(len(words), dtype=np.intp)
    for row, given in enumerate(words):
        word = given.strip().lower() if isinstance(given, str) else given
        if not isinstance(word, str) or word not in OUTCOMES:
            message = f"row {row}: outcome is {given!r}; expected one of the words {', '.join(OUTCOMES)}"
            raise InputError(message)
        found[row] = OUTCOMES.index(word)
    return found


def points_of(hsp: Any) -> Array:
    if hasattr(hsp, "columns"):
        missing = [part for part in PARTS if part not in hsp.columns]
        if missing:
            message = f"hsp lacks the columns {', '.join(missing)}; expected {', '.join(PARTS)}"
            raise InputError(message)
        return _possible(np.column_stack([checks.array(hsp[part], part, "(n,)") for part in PARTS]))
    if isinstance(hsp, HSP):
        hsp = [hsp]
    if not isinstance(hsp, np.ndarray):
        rows = checks.several(hsp, "hsp", "[[17.2, 1.8, 4.3]]")
        hsp = [one.array if isinstance(one, HSP) else one for one in rows]
    points = checks.array(hsp, "hsp", "(n, 3)")
    if points.ndim != 2 or points.shape[1] != 3:
        message = f"hsp has shape {points.shape}; expected (n, 3) in the order delta_d, delta_p, delta_h"
        raise InputError(message)
    return _possible(points)


def _possible(points: Array) -> Array:
    """Refuse parameters beyond nature; one that is not finite makes its row unknown."""
    far = np.isfinite(points) & (np.abs(points) > checks.MOST_HSP)
    if far.any():
        message = f"hsp holds {points[far][0]:g}; expected at most {checks.MOST_HSP:g} MPa^0.5"
        raise InputError(message)
    return points


def errors_of(apart: Array, kinds: NDArray[np.intp], radius: float) -> Array:
    over = apart - radius
    return np.select([kinds == 0, kinds == 2], [np.maximum(over, 0.0), np.maximum(-over, 0.0)], 0.5 * np.abs(over))


def desirability(center: HSP | ArrayLike, radius: float, hsp: Any, outcomes: ArrayLike | Sequence[str]) -> float:
    """Return the published desirability of a sphere, (prod A_i)^(1/n) with A_i = exp(-error_i).

    Parameters
    ----------
    center : HSP or array_like of shape (3,)
        Centre of the sphere. [MPa^0.5]
    radius : float
        R0. [MPa^0.5]
    hsp : array_like of shape (n, 3), sequence of HSP, or DataFrame
        Liquids tried. [MPa^0.5]
    outcomes : sequence of str, length n
        "clear", "hazy" or "splits". A trial on the wrong side has the error |Ra - R0|, one on the right side 0; a hazy
        one half of |Ra - R0| on either side, as the geometric mean of a clear and a split one would. [-]

    Returns
    -------
    float
        1 when every trial is on its side. [-]

    Raises
    ------
    InputError
        For an unknown word or a shape that does not fit.

    References
    ----------
    Durkee, Cleaning with Solvents, 2014, app. C1, eq. C1-1; in the form without a size factor. Hazy trials: ours.

    Examples
    --------
    Three right and one misplaced by 1.0, so exp(-1/4):

    >>> tried = [[16, 4, 4], [16, 6, 4], [16, 4, 20], [16, 4, 13]]
    >>> desirability([16, 4, 4], 8.0, tried, ["clear", "clear", "splits", "clear"])
    0.7788
    """
    points, kinds = points_of(hsp), kinds_of(outcomes)
    if len(points) != len(kinds):
        message = f"hsp has {len(points)} rows and outcomes {len(kinds)}; expected as many"
        raise InputError(message)
    apart = np.atleast_1d(hansen.distance(points, center))
    return float(np.exp(-errors_of(apart, kinds, float(radius)).mean()))
