"""The form of the calibrated model and its fit: numpy only, no molecules.

A parameter is delta = sqrt(h(sum n_i e_i) / V): group energies e_i [kJ/mol] add up, h keeps the sum positive, V is
the molar volume. Groups of one family share a family energy from which each departs by a penalised amount, so
that a rare group leans on its kin. The loss is Huber's: a wild table value pulls with bounded force.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["delta_from_energy", "fit_energies", "fit_linear", "positive_part"]

#: Rounding of h near zero energy [kJ/mol]: keeps the slope finite where a parameter vanishes.
SOFTNESS = 0.3
#: kJ/mol over cm3/mol to MPa.
TO_MPA = 1000.0
#: Share of a Gauss-Newton step taken in the first rounds, before the active outliers have settled.
CAREFUL_STEP, CAREFUL_ROUNDS, ROUNDS = 0.7, 5, 30


def positive_part(energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return h(E) = (E + sqrt(E^2 + s^2)) / 2, smooth and > 0. [kJ/mol]"""
    return 0.5 * (energy + np.sqrt(energy**2 + SOFTNESS**2))


def delta_from_energy(energy: NDArray[np.float64], volume: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return delta = sqrt(h(E)/V). [MPa^0.5]

    Examples
    --------
    >>> delta_from_energy(np.array([20.0]), np.array([58.5])).round(2)
    array([18.49])
    """
    return np.sqrt(TO_MPA * positive_part(energy) / volume)


def _huber(residual: NDArray[np.float64], cut: float, floor: float) -> NDArray[np.float64]:
    scale = 1.483 * float(np.median(np.abs(residual))) + floor
    return np.minimum(1.0, cut * scale / np.maximum(np.abs(residual), 1e-12))


def fit_energies(
    counts: NDArray[np.float64],
    volume: NDArray[np.float64],
    delta: NDArray[np.float64],
    ridge: NDArray[np.float64],
    weight: NDArray[np.float64],
    *,
    huber: float = 1.0,
) -> NDArray[np.float64]:
    """Fit energies so that sqrt(h(counts @ e)/volume) meets delta, by robust Gauss-Newton with a ridge.

    Parameters
    ----------
    counts : ndarray of shape (n, p)
        Occurrences. [-]
    volume, delta, weight : ndarray of shape (n,)
        Molar volumes [cm3/mol], targets [MPa^0.5], weights [-].
    ridge : ndarray of shape (p,)
        Penalty on each squared energy. [-]
    huber : float
        Residuals beyond this many robust standard deviations pull with constant force. [-]

    Returns
    -------
    ndarray of shape (p,)
        Energies. [kJ/mol]
    """
    target = delta**2 * volume / TO_MPA
    slope = 1.0 / (2.0 * np.maximum(delta, 2.0) * volume / TO_MPA)  # d delta / d E
    scaled = counts * (weight * slope**2)[:, None]
    energies = np.linalg.solve(scaled.T @ counts + np.diag(ridge), scaled.T @ target)
    for turn in range(ROUNDS):
        energy = counts @ energies
        fitted = delta_from_energy(energy, volume)
        slope = TO_MPA * 0.5 * (1.0 + energy / np.sqrt(energy**2 + SOFTNESS**2)) / (2.0 * fitted * volume)
        jacobian = counts * slope[:, None]
        residual = delta - fitted
        pull = weight * _huber(residual, huber, 0.05)
        step = np.linalg.solve(
            (jacobian * pull[:, None]).T @ jacobian + np.diag(ridge),
            (jacobian * pull[:, None]).T @ residual - ridge * energies,
        )
        energies = energies + step * (CAREFUL_STEP if turn < CAREFUL_ROUNDS else 1.0)
        if np.abs(step).max() < 1e-6:
            break
    return energies


def fit_linear(
    counts: NDArray[np.float64],
    target: NDArray[np.float64],
    ridge: NDArray[np.float64],
    weight: NDArray[np.float64],
    *,
    huber: float = 1.0,
    floor: float = 0.05,
) -> NDArray[np.float64]:
    """Fit target = counts @ b by robust ridge regression; shapes as `fit_energies`. [unit of target]"""
    pull = weight
    found = np.zeros(counts.shape[1])
    for _ in range(ROUNDS):
        scaled = counts * pull[:, None]
        new = np.linalg.solve(scaled.T @ counts + np.diag(ridge), scaled.T @ target)
        done = np.abs(new - found).max() < 1e-7
        found = new
        if done:
            break
        pull = weight * _huber(target - counts @ found, huber, floor)
    return found
