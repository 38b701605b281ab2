"""Liquids and facts together: the most probable parameters of all of them.

A misfit of an activity may lie with the solute or with the solvent; only all evidence together can say which. So the
parameters of all liquids are found in one go, as the most probable point of

    1/2 (delta - prior)' P (delta - prior) + sum over evidence of loss(residual),

with P the precision of the priors, which ties similar structures together (`hspkit.similarity`), by Gauss-Newton steps
with Levenberg-Marquardt damping and components kept >= 0. Covariances are those of the Gaussian that touches the
optimum (Laplace). Nothing is random; the same tables give the same digits.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.calibration import Calibration
from hspkit.errors import ExtrapolationWarning
from hspkit.evidence.facts import Fact, Liquids
from hspkit.evidence.kinds import Evaluation, sorted_by_kind

__all__ = ["Fit", "Prior", "fit"]

Array = NDArray[np.float64]

MAX_STEPS = 60
#: A step that gains less than this in log posterior density ends the search; parameters are then still to 1e-4.
TOLERANCE = 1e-7
_MOST_DAMPING = 1e8


class Prior(NamedTuple):
    """Priors of n liquids: means (n, 3) [MPa^0.5], precision (3 n, 3 n) [1/MPa], ln determinant of their covariance."""

    mean: Array
    precision: Array
    log_determinant: float


@dataclass(frozen=True)
class Fit:
    """Most probable parameters of liquids and what they make of the evidence.

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


class _State(NamedTuple):
    """The search at ``points`` (n, 3): value to be minimised, what each kind of evidence says, pull of the priors."""

    points: Array
    value: float
    evaluations: tuple[Evaluation, ...]
    pull: Array


def fit(
    facts: Sequence[Fact],
    liquids: Liquids,
    prior: Prior,
    constants: Calibration,
    *,
    start: Array | None = None,
    tolerance: float = TOLERANCE,
) -> Fit:
    """Find the most probable parameters of liquids.

    Parameters
    ----------
    facts : sequence of Fact
        The evidence to use. [-]
    liquids : Liquids
        The liquids (n). [-]
    prior : Prior
        What is thought of them before. [-]
    constants : Calibration
        Constants of the theory. [-]
    start : ndarray of shape (n, 3), optional
        Where to start; the priors by default. [MPa^0.5]
    tolerance : float
        Gain in log posterior density below which the search ends. [-]

    Returns
    -------
    Fit
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # facts far from room temperature are marked in their sd
        evidence = sorted_by_kind(facts, liquids, constants)

    def at(points: Array) -> _State:
        evaluations = tuple(kind.evaluate(points) for kind in evidence)
        off = (points - prior.mean).ravel()
        pull = prior.precision @ off
        return _State(points, 0.5 * float(off @ pull) + sum(one.loss for one in evaluations), evaluations, pull)

    state, damping, steps = at(np.maximum(prior.mean if start is None else start, 0.0)), 1e-3, 0
    gradient, hessian = _slopes(state, prior)
    while steps < MAX_STEPS:
        steps += 1
        new, damping = _step(at, state, gradient, hessian, damping)
        if new is None:
            break
        gain, state = state.value - new.value, new
        gradient, hessian = _slopes(state, prior)
        if gain < tolerance:
            break
    n = len(prior.mean)
    inverse = np.linalg.inv(hessian)
    spread = sum(float(np.sum(np.log(kind.sd))) for kind in evidence if hasattr(kind, "sd"))
    occam = 0.5 * np.linalg.slogdet(hessian)[1] + 0.5 * prior.log_determinant
    return Fit(
        state.points,
        np.array([inverse[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] for i in range(n)]),
        tuple(fact for kind in evidence for fact in kind.facts),
        np.concatenate([np.zeros(0), *(one.residual for one in state.evaluations)]),
        np.concatenate([np.zeros(0), *(one.predicted for one in state.evaluations)]),
        -float(state.value + spread + occam),
        steps,
    )


def _slopes(state: _State, prior: Prior) -> tuple[Array, Array]:
    """Return the gradient (3 n,) and the Gauss-Newton matrix (3 n, 3 n)."""
    import scipy.sparse

    gradient, hessian = state.pull.copy(), prior.precision.copy()
    for one in state.evaluations:
        columns = (3 * one.liquids[:, None] + np.arange(3)).ravel()
        jacobian = scipy.sparse.csr_matrix(
            (one.slopes.ravel(), (np.repeat(one.rows, 3), columns)), shape=(len(one.residual), gradient.size)
        )
        gradient += jacobian.T @ one.force
        hessian += (jacobian.T @ scipy.sparse.diags(one.curvature) @ jacobian).toarray()
    return gradient, hessian


def _step(at, state: _State, gradient: Array, hessian: Array, damping: float) -> tuple[_State | None, float]:  # type: ignore[no-untyped-def]
    """Return the next state and damping; no state when no step goes down."""
    import scipy.linalg

    held = (state.points.ravel() <= 0.0) & (gradient > 0.0)
    slope = np.where(held, 0.0, gradient)
    index = np.arange(slope.size)
    while damping < _MOST_DAMPING:
        damped = hessian.copy()
        damped[index, index] *= 1.0 + damping
        damped[held, :] = damped[:, held] = 0.0
        damped[held, held] = 1.0
        step = scipy.linalg.solve(damped, slope, assume_a="pos", check_finite=False).reshape(-1, 3)
        new = at(np.maximum(state.points - step, 0.0))
        if new.value < state.value:
            return new, max(damping / 10.0, 1e-9)
        damping *= 10.0
    return None, damping
