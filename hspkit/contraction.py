"""The share of the volume that is lost when two liquids mix: 1 - volume of the mixture / sum of the volumes."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from hspkit import pair_series

__all__ = ["TERMS", "pair_coefficients"]

#: Powers of (first - second fraction) in a pair. Two leave 0.07 % of density for propylene glycol with water, three
#: 0.03 %; more would follow the noise between the sources.
TERMS = 3


@cache
def pair_coefficients() -> dict[tuple[str, str], NDArray[np.float64]]:
    """Return the coefficients (TERMS, 1) for `pair_series.excess` by the names of the two carriers.

    Examples
    --------
    >>> coefficients = pair_coefficients()["propylene glycol", "water"]
    >>> float(pair_series.excess(0.5, 0.5, coefficients)) > 0.01
    True
    """
    return pair_series.read_coefficients("contraction_pairs.csv", "c", TERMS)
