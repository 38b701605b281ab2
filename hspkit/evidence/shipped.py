"""All shipped substances with the evidence that ships."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np
from numpy.typing import NDArray

from hspkit.calibration import Calibration
from hspkit.evidence.facts import WATER, Fact, Liquids, liquids, prior_sd
from hspkit.evidence.joint import TOLERANCE, Fit, Prior, fit
from hspkit.similarity import correlation

__all__ = ["fit_shipped", "shipped_prior"]

Array = NDArray[np.float64]


@cache
def _similar(shared: float, length: float) -> tuple[Array, float]:
    """Return the precision (n, n) of deviations in units of their sd, and the ln determinant of their correlation."""
    shipped = liquids()
    matrix = shared * correlation(shipped.smiles, shipped.smiles, length) + (1.0 - shared) * np.eye(len(shipped.names))
    water = shipped.row(WATER)
    matrix[water, :] = matrix[:, water] = 0.0
    matrix[water, water] = 1.0
    return np.asarray(np.linalg.inv(matrix)), float(np.linalg.slogdet(matrix)[1])


def shipped_prior(constants: Calibration, other: Mapping[int, tuple[Array, Array]] | None = None) -> Prior:
    """Return the priors of all shipped substances: similar structures deviate alike.

    Parameters
    ----------
    constants : Calibration
        The constants. [-]
    other : mapping of int to (mean, sd), optional
        Other priors for some rows, for checks that pretend a published value is unknown. [MPa^0.5]
    """
    shipped = liquids()
    mean, sd = shipped.prior.copy(), prior_sd(shipped, constants)
    for row, (other_mean, other_sd) in (other or {}).items():
        mean[row], sd[row] = other_mean, other_sd
    precision, log_determinant = _similar(constants.shared_deviation, constants.similarity_length)
    whole = np.zeros((mean.size, mean.size))
    for part in range(3):
        whole[part::3, part::3] = precision / np.outer(sd[:, part], sd[:, part])
    return Prior(mean, whole, 3.0 * log_determinant + 2.0 * float(np.sum(np.log(sd))))


def fit_shipped(
    facts: Sequence[Fact],
    constants: Calibration,
    *,
    start: Array | None = None,
    other: Mapping[int, tuple[Array, Array]] | None = None,
    tolerance: float = TOLERANCE,
    shipped: Liquids | None = None,
) -> Fit:
    """Return the most probable parameters of all shipped substances given some facts, as `joint.fit` does.

    ``shipped`` are the liquids where their sites are others than those that ship.
    """
    return fit(
        facts, shipped or liquids(), shipped_prior(constants, other), constants, start=start, tolerance=tolerance
    )
