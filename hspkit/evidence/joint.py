"""All shipped substances at once: solvents and solutes explain the evidence together.

A misfit of an activity may lie with the solute or with the solvent; only all evidence together can say which. So the
parameters of every substance are found in one go, as the most probable point of

    1/2 u' K^-1 u + sum over evidence of loss(residual),    u = (delta - prior)/sd

with K the correlation of deviations between similar structures (`similarity`), by Gauss-Newton steps with Levenberg-
Marquardt damping and components kept >= 0. Covariances are those of the Gaussian that touches the optimum (Laplace).
Nothing is random; the same tables give the same digits.

The steps are written out although each loss can be given to ``scipy.optimize.least_squares`` as a residual
sign * sqrt(2 loss): the objective is flat along some directions, where after 60 steps either way is still creeping
(objectives 469.498 and 469.494, parameters up to 0.1 apart), and the shipped digits are those of these steps.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import theory
from hspkit.evidence.facts import WATER, Fact, liquids
from hspkit.evidence.kinds import Properties, Residuals, residuals_of
from hspkit.evidence.similarity import correlation
from hspkit.theory import Calibration

__all__ = ["Posterior", "fit", "mixing_volumes", "prior_sd"]

Array = NDArray[np.float64]

MAX_STEPS = 60
#: A step that gains less than this in log posterior density ends the search.
TOLERANCE = 1e-7
MOST_DAMPING = 1e8


@dataclass(frozen=True)
class Posterior:
    """Most probable parameters of all shipped substances and what they make of the evidence.

    ``hsp`` (n, 3), ``covariance`` (n, 3, 3); ``facts`` and ``residuals`` in step, residuals in units of their standard
    deviation (for mixing: signed root of twice the deviance); ``predicted`` on the scale of the fact; ``log_evidence``
    is the Laplace approximation of the logarithm of the probability of the evidence given the constants.
    """

    hsp: Array
    covariance: Array
    facts: tuple[Fact, ...]
    residuals: Array
    predicted: Array
    log_evidence: float
    steps: int


@cache
def _similarity(length: float) -> Array:
    return correlation(liquids().smiles, liquids().smiles, length)


@cache
def _prior_precision(shared: float, length: float) -> tuple[Array, float]:
    shipped = liquids()
    matrix = shared * _similarity(length) + (1.0 - shared) * np.eye(len(shipped.names))
    water = shipped.row(WATER)
    matrix[water, :] = matrix[:, water] = 0.0
    matrix[water, water] = 1.0
    return np.asarray(np.linalg.inv(matrix), dtype=float), float(np.linalg.slogdet(matrix)[1])


def prior_sd(constants: Calibration) -> Array:
    """Return the standard deviations of all priors, shape (n, 3). [MPa^0.5]"""
    shipped = liquids()
    published = np.array([constants.published_sd_d, constants.published_sd_p, constants.published_sd_h])
    sd = np.where(shipped.published[:, None], published, constants.estimate_sd_scale * shipped.estimate_sd)
    sd[shipped.row(WATER)] = constants.water_sd_scale * published
    return sd


def mixing_volumes(constants: Calibration) -> Array:
    """Return the volumes that count in the entropy of mixing, shape (n,). [cm3/mol]"""
    shipped = liquids()
    return theory.mixing_volume(shipped.volumes, shipped.hydroxyls, constants=constants)


class _Curvature(NamedTuple):
    """Gradient (3n,) and Gauss-Newton matrix (3n, 3n) of the objective at a point."""

    gradient: Array
    hessian: Array


@dataclass(frozen=True)
class _Objective:
    """Minus the logarithm of the posterior density: the prior and all kinds of evidence."""

    kinds: Sequence[Residuals]
    mean: Array
    sd: Array
    precision: Array

    def value(self, points: Array) -> float:
        """Return the objective at points (n, 3)."""
        u = (points - self.mean) / self.sd
        losses = [np.sum(kind.loss(kind.residuals(points))[0]) for kind in self.kinds]
        return float(0.5 * np.sum(u * (self.precision @ u)) + np.sum(losses))

    def curvature(self, points: Array) -> _Curvature:
        """Return gradient and Gauss-Newton matrix at points (n, 3)."""
        pull = self.precision @ ((points - self.mean) / self.sd)
        gradient = (pull / self.sd).ravel()
        hessian = np.zeros((points.size, points.size))
        for kind in self.kinds:
            jacobian = _jacobian(kind, points)
            _, force, weight = kind.loss(kind.residuals(points))
            gradient += jacobian.T @ force
            hessian += (jacobian.T @ jacobian.multiply(weight[:, None])).toarray()
        for part in range(3):
            hessian[part::3, part::3] += self.precision / np.outer(self.sd[:, part], self.sd[:, part])
        return _Curvature(gradient, hessian)


def _jacobian(kind: Residuals, points: Array):  # type: ignore[no-untyped-def]  # a sparse matrix (k, 3n)
    import scipy.sparse

    blocks = kind.derivatives(points)
    entries = np.concatenate([slope.ravel() for _, slope in blocks])
    columns = np.concatenate([(3 * rows[:, None] + np.arange(3)).ravel() for rows, _ in blocks])
    places = np.tile(np.repeat(np.arange(len(kind.facts)), 3), len(blocks))
    return scipy.sparse.csr_matrix((entries, (places, columns)), shape=(len(kind.facts), points.size))


def _damped_step(points: Array, curvature: _Curvature, damping: float) -> Array:
    """Return points after a Levenberg-Marquardt step; components at 0 that would go below stay."""
    import scipy.linalg

    held = (points.ravel() <= 0.0) & (curvature.gradient > 0.0)
    matrix = curvature.hessian.copy()
    matrix[np.diag_indices(len(matrix))] *= 1.0 + damping
    matrix[held, :] = matrix[:, held] = 0.0
    matrix[held, held] = 1.0
    gradient = np.where(held, 0.0, curvature.gradient)
    step = scipy.linalg.solve(matrix, gradient, assume_a="pos", check_finite=False)
    return np.maximum(points - step.reshape(points.shape), 0.0)


def _minimum(objective: _Objective, points: Array, tolerance: float) -> tuple[Array, Array, int]:
    """Return the point of least objective, the Gauss-Newton matrix of the last step, and the number of steps."""
    value, damping = objective.value(points), 1e-3
    for step in range(1, MAX_STEPS + 1):
        curvature = objective.curvature(points)
        while damping < MOST_DAMPING:
            trial = _damped_step(points, curvature, damping)
            trial_value = objective.value(trial)
            if trial_value < value:
                break
            damping *= 10.0
        else:
            return points, curvature.hessian, step
        gain = value - trial_value
        points, value, damping = trial, trial_value, max(damping / 10.0, 1e-9)
        if gain < tolerance:
            break
    return points, curvature.hessian, step


def fit(
    facts: Sequence[Fact],
    constants: Calibration,
    *,
    start: Array | None = None,
    prior: Mapping[int, tuple[Array, Array]] | None = None,
    sites: Array | None = None,
    tolerance: float = TOLERANCE,
) -> Posterior:
    """Find the most probable parameters of all shipped substances.

    Parameters
    ----------
    facts : sequence of Fact
        The evidence to use. [-]
    constants : Calibration
        Constants of the theory. [-]
    start : ndarray of shape (n, 3), optional
        Where to start; the priors by default. [MPa^0.5]
    prior : mapping of int to (mean, sd), optional
        Other priors for some rows, for checks that pretend a published value is unknown. [MPa^0.5]
    sites : ndarray of shape (n, 2), optional
        Other densities of donors and acceptors than the shipped ones, to scan their strengths. [mol/L]
    tolerance : float
        The search ends with a step that gains less than this in log posterior density. [-]

    Returns
    -------
    Posterior
    """
    import scipy.linalg

    shipped = liquids()
    sd, mean = prior_sd(constants), shipped.prior.copy()
    for row, (other_mean, other_sd) in (prior or {}).items():
        mean[row], sd[row] = other_mean, other_sd
    precision, log_det = _prior_precision(constants.shared_deviation, constants.likeness_length)
    properties = Properties(
        shipped.names, shipped.smiles, shipped.volumes, mixing_volumes(constants), shipped.molar_masses,
        shipped.sites if sites is None else sites,
    )  # fmt: skip
    kinds = residuals_of(facts, properties, constants)
    objective = _Objective(kinds, mean, sd, precision)
    points, hessian, steps = _minimum(objective, mean.copy() if start is None else np.array(start), tolerance)
    inverse = scipy.linalg.inv(hessian, check_finite=False).reshape(len(mean), 3, len(mean), 3)
    normal = sum(np.sum(np.log(kind.sd)) for kind in kinds if kind.is_measured)
    occam = 0.5 * np.linalg.slogdet(hessian)[1] + 1.5 * log_det + np.sum(np.log(sd))
    return Posterior(
        points,
        np.einsum("iaib->iab", inverse),
        tuple(fact for kind in kinds for fact in kind.facts),
        np.concatenate([kind.deviation(kind.residuals(points))[0] for kind in kinds]),
        np.concatenate([kind.predicted(points) for kind in kinds]),
        -float(objective.value(points) + normal + occam),
        steps,
    )
