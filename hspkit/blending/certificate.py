"""Why a blend is the best one: optimality conditions, bound, and what was looked at."""

from __future__ import annotations

import html
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hspkit.blending.exact import Search
from hspkit.blending.objectives import Objective
from hspkit.blending.problem import Problem, Recipe

__all__ = ["Certificate", "certify"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Slack, of a limit scaled to largest number 1, below which a limit counts as met with equality. [-]
_ACTIVE = 1e-7


@dataclass(frozen=True, repr=False)
class Certificate:
    """Proof that a blend is the best, or what was done in place of a proof where the objective is not convex.

    Parameters
    ----------
    objective : str
        distance, clear, water tolerance or cost. [-]
    value : float
        Objective of the best blend: Ra [MPa^0.5], probability of clear [-], share of
        water at the cloud point [-] or cost [per L]; in a worst case Ra, or the
        binodal index M [-] (clear below 1).
    proven : bool
        Whether every set of carriers was accounted for, so that none of at most that many carriers is better; for
        "clear" and "water tolerance" on the grid, as the margin has it.
    supports_examined, supports_possible : int
        Sets of carriers looked at, and how many of them have a blend that keeps to all limits. [-]
    mixtures_examined : int
        Mixtures given to the phase engine. [-]
    kkt_residual : float
        Largest violation of the conditions of optimality within the carriers of the blend, relative to the gradient;
        NaN where they do not apply (grids, probabilities). [-]
    bound : float
        No blend of any number of the carriers that keeps to the limits does better than this; NaN where unknown.
        [as value]
    multipliers : dict
        Limit met with equality -> how much the objective (Ra^2 for a distance) would fall for each unit that the
        scaled limit is loosened. [-]
    how : str
        What was done, in words. [-]
    """

    objective: str
    value: float
    proven: bool
    supports_examined: int
    supports_possible: int
    mixtures_examined: int
    kkt_residual: float
    bound: float
    multipliers: dict[str, float]
    how: str

    @property
    def gap(self) -> float:
        """How much a blend of more carriers could be better at most; 0 when none can. [as value]"""
        return abs(self.value - self.bound)

    def __repr__(self) -> str:
        return f"<Certificate: {self.objective} {self.value:.4g}{', proven' if self.proven else ''}>"

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(str(self))}</p>"

    def __str__(self) -> str:
        text = f"{self.objective} {self.value:.4g}: {self.how}; {self.supports_examined:,} sets of carriers"
        text += f", {self.supports_possible:,} of them possible"
        if self.mixtures_examined:
            text += f", {self.mixtures_examined:,} mixtures given to the phase engine"
        if np.isfinite(self.kkt_residual):
            text += f"; optimality conditions met to {self.kkt_residual:.1e}"
        if np.isfinite(self.bound):
            text += f"; no number of carriers does better than {self.bound:.4g}"
        return text + "."


def certify(problem: Problem, search: Search, objective: Objective) -> Certificate:
    """Return the certificate of the best blend of a search.

    Parameters
    ----------
    problem : Problem
        The question.
    search : Search
        What was done; of a continuous optimum the conditions are checked.
    objective : Objective
        What is best; where it is convex a bound is computed.
    """
    best = search.recipes[0]
    value = objective.shown(problem, best)
    residual, multipliers = _conditions(problem, best) if search.optimum else (np.nan, {})
    bound = min(float(np.sqrt(max(_lower_bound(problem, best), 0.0))), value) if objective.bounded else np.nan
    return Certificate(
        objective.label,
        value,
        search.proven,
        search.supports,
        search.possible,
        search.mixtures,
        residual,
        bound,
        multipliers,
        search.how,
    )


def _gradients(problem: Problem, blend: Array) -> tuple[Array, Array]:
    """Return squared distances (t,) of a blend (n,) to the subjects and their gradients (t, n)."""
    points = np.array([blend @ p for p in problem.targets])
    slopes = [2.0 * p @ point for p, point in zip(problem.targets, points, strict=True)]
    return np.square(points).sum(axis=1), np.array(slopes)


def _weights(problem: Problem, blend: Array, members: Indices, bounds: Array) -> tuple[Array, Array, float]:
    """Return weights of the subjects (t,), multipliers of the limits (m,) and the residual of the conditions.

    Stationary in the worst of several distances: sum w_j grad f_j + rows' lambda + mu = 0 on the members, with w and
    lambda >= 0, w of sum 1 on the farthest subjects only, lambda on the limits that are met with equality only.
    """
    from scipy.optimize import nnls

    values, gradients = _gradients(problem, blend)
    scale = max(float(np.abs(gradients[:, members]).max()), 1e-9)
    rows = problem.limits.rows
    far = np.flatnonzero(values >= values.max() * (1 - 1e-7) - 1e-12)
    active = np.flatnonzero(bounds - rows @ blend <= _ACTIVE)
    columns = [gradients[far][:, members] / scale, rows[active][:, members], np.ones((1, len(members)))]
    matrix = np.concatenate([*columns, -columns[-1]]).T
    sums = np.concatenate([np.ones(len(far)), np.zeros(len(active) + 2)])
    solution, _ = nnls(np.vstack([matrix, sums]), np.append(np.zeros(len(members)), 1.0))
    residual = float(np.abs(matrix @ solution).max(initial=0.0) + abs(sums @ solution - 1.0))
    weights, multipliers = np.zeros(len(values)), np.zeros(len(bounds))
    weights[far] = solution[: len(far)] / max(solution[: len(far)].sum(), 1e-12)
    multipliers[active] = scale * solution[len(far) : len(far) + len(active)]
    return weights, multipliers, residual


def _conditions(problem: Problem, best: Recipe) -> tuple[float, dict[str, float]]:
    members, blend = np.array(best.support), problem.fractions(best)
    # the pair terms of the viscosity tighten its bound for this support
    bounds = problem.limits.bounds - problem.viscosity_offsets(members[None, :])[0]
    _, multipliers, residual = _weights(problem, blend, members, bounds)
    excess = float((problem.limits.rows @ blend - bounds).max(initial=0.0))
    broken = max(0.0, excess, abs(float(best.shares.sum()) - 1.0))
    named = {name: float(m) for name, m in zip(problem.limits.names, multipliers, strict=True) if m > 0}
    return max(residual, broken), named


def _lower_bound(problem: Problem, best: Recipe) -> float:
    """Return a bound on Ra^2 that holds for blends of any number of the carriers.

    Whatever the point y and the multipliers, convexity gives f(x) >= sum w_j (f_j(y) + grad f_j(y) (x - y)), and
    lambda (rows x - bounds) <= 0 may be added for any blend that keeps to the limits: the least of that linear
    function over all blends is the bound. y comes from a general solver; it need not be good for the bound to hold.
    """
    from scipy.optimize import minimize

    n, rows, bounds = len(problem.carriers), problem.limits.rows, problem.limits.bounds
    here = problem.fractions(best)

    def bound_from(blend: Array) -> float:
        members = np.flatnonzero(blend > 1e-6)
        weights, multipliers, _ = _weights(problem, blend, members, bounds)
        values, gradients = _gradients(problem, blend)
        slope = weights @ gradients
        return float(weights @ values - slope @ blend + (slope + multipliers @ rows).min() - multipliers @ bounds)

    bound = bound_from(here)
    value = float(_gradients(problem, here)[0].max())
    if bound >= value * (1 - 1e-9) - 1e-12:
        return bound
    # unknowns: the fractions, and an upper bound of the squared distances, which is minimised
    constraints = [
        {"type": "eq", "fun": lambda v: v[:-1].sum() - 1.0, "jac": lambda v: np.append(np.ones(n), 0.0)},
        {
            "type": "ineq",
            "fun": lambda v: v[-1] - _gradients(problem, v[:-1])[0],
            "jac": lambda v: np.column_stack([-_gradients(problem, v[:-1])[1], np.ones(len(problem.targets))]),
        },
    ]
    if len(bounds):
        linear = np.column_stack([-rows, np.zeros(len(bounds))])
        constraints.append({"type": "ineq", "fun": lambda v: bounds - rows @ v[:-1], "jac": lambda v: linear})
    with np.errstate(all="ignore"):
        solution = minimize(
            lambda v: v[-1],
            np.append(here, value),
            jac=lambda v: np.append(np.zeros(n), 1.0),
            method="SLSQP",
            bounds=[(0.0, 1.0)] * n + [(0.0, None)],
            constraints=constraints,
            options={"maxiter": 300, "ftol": 1e-13},
        )
    blend = np.clip(solution.x[:-1], 0.0, None)
    blend[blend < 1e-9] = 0.0
    return max(bound, bound_from(blend / blend.sum()))
