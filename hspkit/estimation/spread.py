"""Error bars: how far a prediction is likely to be off, learnt from out-of-fold residuals.

log sd is linear in: the logarithm of the level, how unlike the most alike known molecule is, how rare the rarest group
is, and whether elements beyond C, H, O are present. Residuals have longer tails than a normal distribution; the
standard deviation given is the one whose +-1.28 holds 80 %, which serves intervals from 50 to 90 % (checked out of fold).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

__all__ = ["Spread", "features", "fit", "fit_one"]

Array = NDArray[np.float64]

#: Degrees of freedom of the residuals' Student distribution: long tails, as the tables have.
TAIL = 4.0
#: Slopes towards which few data are drawn, and how many residuals it takes to move half way.
PRIOR_SLOPES = np.array([0.4, 1.0, 1.0, 0.3])
PRIOR_WEIGHT = 5.0
#: Smallest and largest standard deviation given [MPa^0.5]: the tables are printed to 0.1; beyond 8 nothing is known.
LEAST_SD, MOST_SD = 0.15, 8.0
NORMAL_80 = 1.2816
SAME = 1.4


class Spread(NamedTuple):
    """Coefficients of log sd; shape (n_quantities, 5): constant, level, unlikeness, rarity, other elements."""

    coefficients: Array

    def sd(self, given: Array) -> Array:
        """Return standard deviations; `given` from `features`, shape (n, q, 4) -> (n, q). [MPa^0.5]"""
        logs = self.coefficients[:, 0] + (given * self.coefficients[:, 1:]).sum(axis=-1)
        return np.clip(np.exp(logs), LEAST_SD, MOST_SD)


def features(values: Array, nearest: Array, rare: Array, other: NDArray[np.bool_]) -> Array:
    """Return what the spread depends on; shape (n, 3, 4). [-]

    Parameters
    ----------
    values : ndarray of shape (n, 3)
        Predictions. [MPa^0.5]
    nearest, rare, other : ndarray of shape (n,)
        Likeness to the most alike known molecule, rarity of the rarest group, elements beyond C, H, O. [-]
    """
    level = np.log(np.maximum(values, 1.0) / 8.0)
    shape = level.shape
    return np.stack(
        [
            level,
            np.broadcast_to((SAME - nearest)[:, None], shape),
            np.broadcast_to(rare[:, None], shape),
            np.broadcast_to(other.astype(float)[:, None], shape),
        ],
        axis=-1,
    )


def fit_one(given: Array, residual: Array, prior: Array = PRIOR_SLOPES) -> Array:
    """Fit log sd = c0 + given @ c to residuals; shapes (n, k), (n,) -> (k + 1,). [-]"""

    def loss(c: Array) -> float:
        log_scale = c[0] + given @ c[1:]
        ratio = residual * np.exp(-log_scale)
        tail = 0.5 * (TAIL + 1.0) * np.log1p(ratio**2 / TAIL)
        return float((tail + log_scale).sum() + 0.5 * PRIOR_WEIGHT * ((c[1:] - prior) ** 2).sum())

    start = np.concatenate([[np.log(np.median(np.abs(residual)) + 0.05)], prior])
    found = np.asarray(minimize(loss, start, method="L-BFGS-B").x)
    ratio = np.abs(residual) * np.exp(-(found[0] + given @ found[1:]))
    found[0] += np.log(np.quantile(ratio, 0.8) / NORMAL_80)
    return found


def fit(given: Array, residuals: Array) -> Spread:
    """Fit one spread per quantity; shapes (n, q, k), (n, q)."""
    columns = range(residuals.shape[1])
    return Spread(np.array([fit_one(given[:, column], residuals[:, column]) for column in columns]))
