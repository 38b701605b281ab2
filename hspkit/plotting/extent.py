"""How far axes go: past every carrier but those that stand far beyond the others."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["reach"]

#: A carrier further out than this multiple of the reach of all others is left beyond the frame [-].
_FAR = 1.35


def reach(values: NDArray[np.float64], least: float) -> float:
    """Return the upper end of an axis.

    Parameters
    ----------
    values : ndarray of shape (n,)
        What is to be drawn. [any]
    least : float
        The end when nothing is larger. [any]

    Returns
    -------
    float
        The end, in the unit of the values.

    Examples
    --------
    Water, at 42, is left out:

    >>> round(reach(np.array([4.0, 9.0, 21.0, 27.0, 42.0]), 20.0), 1)
    30.0
    """
    ordered = np.sort(values)
    while len(ordered) > 3 and ordered[-1] > _FAR * max(ordered[-2], least):
        ordered = ordered[:-1]
    return max(least, float(ordered[-1]) * 1.08 + 0.8)
