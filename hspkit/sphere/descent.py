"""Damped Newton steps for many small problems at once, inside bounds."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["Problem", "minimise"]

Array = NDArray[np.float64]
#: Value (m,), gradient (m, p) and Hessian (m, p, p) at m points (m, p).
Problem = Callable[[Array], tuple[Array, Array, Array]]


def minimise(problem: Problem, start: Array, low: Array, high: Array, *, steps: int, tolerance: float = 1e-12) -> Array:
    """Walk every start downhill and return where each arrives.

    The Hessian's eigenvalues are taken by their size, so that a step always goes down; damping grows where a step
    fails and shrinks where one succeeds. A coordinate that a bound holds is left out of the step.

    Parameters
    ----------
    problem : callable
        Returns value (m,), gradient (m, p) and Hessian (m, p, p). [-]
    start : ndarray of shape (m, p)
        Where to begin. [-]
    low, high : ndarray of shape (p,)
        Bounds. [-]
    steps : int
        Most steps to take. [-]
    tolerance : float
        Ends the walk when no start can gain more than this in a step. [-]

    Returns
    -------
    ndarray of shape (m, p)

    Examples
    --------
    >>> def bowl(x):
    ...     return (x**2).sum(axis=1), 2 * x, np.broadcast_to(2 * np.eye(2), (len(x), 2, 2))
    >>> minimise(bowl, np.array([[3.0, -4.0]]), np.array([1.0, -9.0]), np.array([9.0, 9.0]), steps=40).round(3)
    array([[ 1., -0.]])
    """
    here = np.clip(start, low, high)
    value, slope, bend = problem(here)
    damping = np.full(here.shape[0], 1e-3)
    identity = np.eye(here.shape[1])
    for _ in range(steps):
        held = ((here <= low) & (slope > 0)) | ((here >= high) & (slope < 0))
        free = ~held
        push = np.where(free, slope, 0.0)
        matrix = np.where(free[:, :, None] & free[:, None, :], bend, identity)
        sizes, axes = np.linalg.eigh(matrix)
        sizes = np.abs(sizes)
        bare = np.maximum(sizes, 1e-12)
        middle = np.sort(sizes, axis=1)[:, sizes.shape[1] // 2, None]
        # relative to each direction, so that a kink (a huge bend in one) does not freeze the others
        sizes = sizes + damping[:, None] * (sizes + 0.1 * middle + 1e-9)
        along = np.matmul(push[:, None, :], axes)[:, 0]
        if np.all((along**2 / bare).sum(axis=1) < 2.0 * tolerance):  # what undamped steps promise
            break
        along = along / sizes
        step = -np.matmul(axes, along[..., None])[..., 0]
        there = np.clip(here + np.where(free, step, 0.0), low, high)
        new_value, new_slope, new_bend = problem(there)
        better = new_value < value
        here = np.where(better[:, None], there, here)
        value = np.where(better, new_value, value)
        slope = np.where(better[:, None], new_slope, slope)
        bend = np.where(better[:, None, None], new_bend, bend)
        damping = np.clip(np.where(better, 0.2 * damping, 8.0 * damping), 1e-12, 1e9)
    return here
