"""How residuals count: a Gaussian core with linear tails, and a probability for "mixes" and "does not mix"."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hspkit.calibration import LAPSE

__all__ = ["HUBER", "LAPSE", "huber", "huber_weight", "mixing_log_likelihood"]

Array = NDArray[np.float64]

#: Residuals beyond this many standard deviations count linearly: one wrong record cannot drag a substance away.
HUBER = 3.0


def huber(residual: Array) -> Array:
    """Return the squared residual, growing only linearly beyond `HUBER`.

    Examples
    --------
    >>> huber(np.array([1.0, 4.0]))
    array([ 1., 15.])
    """
    size = np.abs(residual)
    return np.where(size < HUBER, residual**2, 2.0 * HUBER * size - HUBER**2)


def huber_weight(residual: Array) -> Array:
    """Return the weight of each residual in a least-squares step: 1, or `HUBER` over its size."""
    return np.where(np.abs(residual) < HUBER, 1.0, HUBER / np.maximum(np.abs(residual), 1e-12))


def mixing_log_likelihood(z: Array, mixes: NDArray[np.bool_]) -> tuple[Array, Array, Array]:
    """Return log p, its derivative by z, and a positive curvature, for p(mixes) = lapse + (1 - 2 lapse) Phi(z).

    Parameters
    ----------
    z : ndarray
        -ln(index) over its standard deviation: positive where the theory says that the pair mixes. [-]
    mixes : ndarray of bool
        What is known. [-]

    Examples
    --------
    >>> log_p, slope, curvature = mixing_log_likelihood(np.array([0.0]), np.array([True]))
    >>> np.exp(log_p)
    array([0.5])
    """
    from scipy.special import ndtr

    sign = np.where(mixes, 1.0, -1.0)
    span = 1.0 - 2.0 * LAPSE
    p = LAPSE + span * ndtr(sign * z)
    slope = span * np.exp(-0.5 * z * z) / np.sqrt(2.0 * np.pi) / p
    return np.log(p), sign * slope, np.maximum(slope**2, 1e-9)
