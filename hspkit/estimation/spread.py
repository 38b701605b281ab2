"""Error bars: how far a prediction is likely to be off, learnt from out-of-fold residuals.

log sd is linear in: the logarithm of the level, how unlike the most alike known molecule is, how rare the
rarest group is, and whether elements beyond C, H, O are present. Residuals have longer tails than a normal
distribution: the standard deviation given is the one whose +-1.28 holds 80 %, and intervals use limits read
off the residuals.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit import checks

__all__ = ["LEVELS", "Spread", "features", "fit", "fit_one", "limit", "limits_of"]

Array = NDArray[np.float64]

#: Degrees of freedom of the residuals' Student distribution: long tails, as the tables have.
TAIL = 4.0
#: Slopes towards which few data are drawn, and how many residuals it takes to move half way.
PRIOR_SLOPES = np.array([0.4, 1.0, 1.0, 0.3])
PRIOR_WEIGHT = 5.0
#: Smallest and largest standard deviation given [MPa^0.5]: the tables are printed to 0.1; beyond 8 nothing
#: is known.
LEAST_SD, MOST_SD = 0.15, 8.0
#: Range in which log sd is searched, and the residual below which a fit counts as exact [MPa^0.5].
LOG_RANGE, LEAST_RESIDUAL = (-10.0, 10.0), 0.01
NORMAL_80 = 1.2816
#: Likeness of a molecule with itself.
SAME = 1.4
#: Likeness beyond which error bars shrink no more: few out-of-fold molecules have a closer neighbour, and a
#: molecule that was itself fitted shall not look better known than its table value is.
MOST_CLOSE = 1.2
#: Shares for which the limits of intervals are read off the residuals.
LEVELS = (0.5, 0.8, 0.9, 0.95)


class Spread(NamedTuple):
    """Coefficients of log sd and limits of intervals.

    `coefficients` has shape (n_quantities, 5): constant, level, unlikeness, rarity, other elements; `limits`
    has shape (n_quantities, n_levels): within how many sd the shares `LEVELS` of the residuals lie.
    """

    coefficients: Array
    limits: Array

    def sd(self, given: Array) -> Array:
        """Return standard deviations; `given` from `features`, shape (n, q, 4) -> (n, q). [MPa^0.5]"""
        logs = self.coefficients[:, 0] + (given * self.coefficients[:, 1:]).sum(axis=-1)
        return np.clip(np.exp(np.clip(logs, *LOG_RANGE)), LEAST_SD, MOST_SD)


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
            np.broadcast_to((SAME - np.minimum(nearest, MOST_CLOSE))[:, None], shape),
            np.broadcast_to(rare[:, None], shape),
            np.broadcast_to(other.astype(float)[:, None], shape),
        ],
        axis=-1,
    )


def fit_one(given: Array, residual: Array, prior: Array = PRIOR_SLOPES) -> Array:
    """Fit log sd = c0 + given @ c to residuals; shapes (n, k), (n,) -> (k + 1,). [-]"""
    from scipy.optimize import minimize  # only a fit needs it, and it is slow to import

    def loss(c: Array) -> float:
        log_scale = np.clip(c[0] + given @ c[1:], *LOG_RANGE)
        ratio = residual * np.exp(-log_scale)
        tail = 0.5 * (TAIL + 1.0) * np.log1p(ratio**2 / TAIL)
        return float((tail + log_scale).sum() + 0.5 * PRIOR_WEIGHT * ((c[1:] - prior) ** 2).sum())

    residual = np.hypot(residual, LEAST_RESIDUAL)
    start = np.concatenate([[np.log(np.median(np.abs(residual)) + 0.05)], prior])
    found = np.asarray(minimize(loss, start, method="L-BFGS-B").x)
    ratio = residual * np.exp(-np.clip(found[0] + given @ found[1:], *LOG_RANGE))
    found[0] += np.log(np.quantile(ratio, 0.8) / NORMAL_80)
    return found


def limits_of(ratio: Array) -> Array:
    """Return within how many sd the shares `LEVELS` of residuals lie; (n,) -> (n_levels,). [-]"""
    return np.quantile(np.abs(ratio), LEVELS)


def limit(limits: Array, level: float) -> Array:
    """Return the number of sd to either side for an interval of a level between 0 and 1.

    Between the levels of the table the ratio to a normal distribution's limit is interpolated, outside it is
    kept.

    Parameters
    ----------
    limits : ndarray of shape (q, n_levels)
        From `limits_of`. [-]
    level : float
        Share that the interval should hold. [-]

    Examples
    --------
    >>> limit(np.array([[0.6745, 1.2816, 1.6449, 1.9600]]), 0.68).round(2)
    array([0.99])
    """
    share = checks.between(level, "level", 0, 1, "a share between 0 and 1, such as 0.8")
    place = ndtri(0.5 + share / 2)
    known = ndtri(0.5 + np.array(LEVELS) / 2)
    return np.array([place * np.interp(place, known, row / known) for row in np.atleast_2d(limits)])


def fit(given: Array, residuals: Array) -> Spread:
    """Fit one spread per quantity; shapes (n, q, k), (n, q)."""
    columns = range(residuals.shape[1])
    found = np.array([fit_one(given[:, column], residuals[:, column]) for column in columns])
    spread = Spread(found, np.zeros((len(found), len(LEVELS))))
    ratio = residuals / spread.sd(given)
    return spread._replace(limits=np.array([limits_of(ratio[:, column]) for column in columns]))
