"""The form of the calibrated model and its fit: numpy only, no molecules.

A polar or hydrogen-bonding parameter is delta = sqrt(h(E)/V): energies [kJ/mol] add up, h keeps the sum
positive, V is the molar volume. The dispersion parameter adds up directly. What adds up is described by a
covariance between molecules (shared groups, shared families, likeness), so both fits solve for one weight
per known molecule. The loss is Huber's: a wild table value pulls with bounded force.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

__all__ = ["delta_from_energy", "fit_energy_weights", "fit_weights", "positive_part"]

#: Rounding of h near zero energy [kJ/mol]: keeps the slope finite where a parameter vanishes.
SOFTNESS = 0.3
#: kJ/mol over cm3/mol to MPa.
TO_MPA = 1000.0
#: Rounds of reweighting; in the first ones only a share of the step is taken, until the outliers have
#: settled.
ROUNDS, CAREFUL_ROUNDS, CAREFUL_STEP = 16, 4, 0.6
#: Least slope d delta / d E that is used [MPa^0.5 mol/kJ]; below it a row says nothing about its energy.
LEAST_SLOPE = 1e-3
#: Floor of the robust scale of residuals [MPa^0.5]: the tables are printed to 0.1.
LEAST_SCALE = 0.05

Array = NDArray[np.float64]


def positive_part(energy: Array) -> Array:
    """Return h(E) = (E + sqrt(E^2 + s^2)) / 2, smooth and > 0. [kJ/mol]"""
    return 0.5 * (energy + np.sqrt(energy**2 + SOFTNESS**2))


def delta_from_energy(energy: Array, volume: Array) -> Array:
    """Return delta = sqrt(h(E)/V). [MPa^0.5]

    Examples
    --------
    >>> delta_from_energy(np.array([20.0]), np.array([58.5])).round(2)
    array([18.49])
    """
    return np.sqrt(TO_MPA * positive_part(energy) / volume)


def _huber(residual: Array, cut: float) -> Array:
    scale = 1.483 * float(np.median(np.abs(residual))) + LEAST_SCALE
    return np.minimum(1.0, cut * scale / np.maximum(np.abs(residual), 1e-12))


def _solve(covariance: Array, noise: Array, target: Array) -> Array:
    matrix = covariance.copy()
    matrix[np.diag_indices_from(matrix)] += noise
    return np.asarray(cho_solve(cho_factor(matrix, lower=True, overwrite_a=True, check_finite=False), target))


def fit_energy_weights(covariance: Array, volume: Array, delta: Array, *, huber: float) -> Array:
    """Fit E = covariance @ a so that sqrt(h(E)/V) meets delta, by robust Gauss-Newton.

    Parameters
    ----------
    covariance : ndarray of shape (n, n)
        Prior covariance of the energies of the n molecules, in units of the residual variance. [-]
    volume, delta : ndarray of shape (n,)
        Molar volumes [cm3/mol] and targets [MPa^0.5].
    huber : float
        Residuals beyond this many robust standard deviations pull with constant force. [-]

    Returns
    -------
    ndarray of shape (n,)
        Weights a. [-]
    """
    energy = np.maximum(delta, 1.0) ** 2 * volume / TO_MPA
    weights = np.zeros(len(delta))
    pull = np.ones(len(delta))
    for turn in range(ROUNDS):
        fitted = delta_from_energy(energy, volume)
        rise = 0.5 * (1.0 + energy / np.sqrt(energy**2 + SOFTNESS**2))
        slope = np.maximum(TO_MPA * rise / (2.0 * fitted * volume), LEAST_SLOPE)
        residual = delta - fitted
        if turn:
            pull = _huber(residual, huber)
        weights = _solve(covariance, 1.0 / (pull * slope**2), energy + residual / slope)
        found = covariance @ weights
        step = CAREFUL_STEP if turn < CAREFUL_ROUNDS else 1.0
        energy = energy + step * (found - energy)
    return weights


def fit_weights(covariance: Array, target: Array, *, huber: float) -> Array:
    """Fit target = covariance @ a with Huber's loss; shapes and units as `fit_energy_weights`."""
    pull = np.ones(len(target))
    weights = np.zeros(len(target))
    for _ in range(ROUNDS):
        weights = _solve(covariance, 1.0 / pull, target)
        pull = _huber(target - covariance @ weights, huber)
    return weights


def fit_coefficients(design: Array, target: Array, ridge: Array, weight: Array, *, huber: float) -> Array:
    """Fit target = design @ b by robust ridge regression, for many rows and few columns.

    Parameters
    ----------
    design : ndarray of shape (n, p)
        Terms. [-]
    target, weight : ndarray of shape (n,)
        Targets [any unit] and weights [-].
    ridge : ndarray of shape (p,)
        Penalty on each squared coefficient. [-]
    huber : float
        As above. [-]

    Returns
    -------
    ndarray of shape (p,)
        Coefficients. [unit of target]
    """
    pull = weight
    found = np.zeros(design.shape[1])
    for _ in range(ROUNDS):
        scaled = design * pull[:, None]
        matrix = scaled.T @ design
        found = _solve(matrix, ridge, scaled.T @ target)
        pull = weight * _huber(target - design @ found, huber)
    return found
