"""Is a mixture one phase? Local (spinodal) and global (binodal) index.

With w a trial phase of a mixture phi, the distance of the free energy from its tangent plane is

    TPD(w) = sum [w ln(w/phi) - w + phi]/V  -  a |m(w) - m(phi)|^2,      m(w) = sum w d,

a cost of unmixing that does not know the interaction, minus a gain that is proportional to it. The mixture is
stable when no trial gains more than it costs. So one number says everything:

    binodal index M = max over w of  a |m(w) - m(phi)|^2 / sum [w ln(w/phi) - w + phi]/V.

M < 1 is stable; dividing the interaction by M puts the mixture exactly on its binodal. For trials close to phi the
ratio becomes the spinodal index L = 2 a x largest eigenvalue of C, the volume-weighted covariance of d, so L <= M.
Every maximum has the form w = phi exp(V (lam + q.d)) with q in r dimensions, whatever the number of components.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.phases.mixture import Array, Mixtures, gather

__all__ = ["binodal_index", "spinodal_index", "stable"]

#: A trial phase whose cost of unmixing, per mole of mixture and in RT, is below this is the mixture itself: the
#: ratio is the spinodal index there, and the difference between the two costs loses its digits.
_SAME_PHASE = 1e-7
#: Relative length of the last Newton step; the index is then exact to about its square.
_STEP = 1e-7
_MOST_STEPS = 80
#: Trials per mixture: towards this many components, as different as possible, and both ways along the direction
#: of the largest composition fluctuation.
_COMPONENT_TRIALS = 6


class Trial(NamedTuple):
    """Best trial phase of each mixture: binodal index (b,), q (b, r), lam (b,), fractions (b, n)."""

    value: Array
    direction: Array
    pressure: Array
    fractions: Array


def covariance(mixtures: Mixtures, trials: Array | None = None) -> Array:
    """Return C = sum V w d d^T - (sum V w d)(sum V w d)^T / sum V w for (..., n) trials of each mixture."""
    weights = (mixtures.fractions if trials is None else trials) * (
        mixtures.volumes if trials is None else mixtures.volumes[:, None, :]
    )
    shared = mixtures.points.shape[0] == 1
    # differences are what counts: moving the origin into the cloud of points saves digits
    points = mixtures.points - mixtures.points.mean(axis=-2, keepdims=True)
    rank = points.shape[-1]
    squares = (points[..., :, None] * points[..., None, :]).reshape(*points.shape[:-1], rank * rank)
    if shared:
        total = weights.sum(axis=-1)
        first, second = weights @ points[0], weights @ squares[0]
    elif trials is None:
        total = weights.sum(axis=-1)
        first = np.matmul(weights[:, None, :], points)[:, 0]
        second = np.matmul(weights[:, None, :], squares)[:, 0]
    else:
        total = weights.sum(axis=-1)
        first, second = np.matmul(weights, points), np.matmul(weights, squares)
    second = second.reshape(*total.shape, rank, rank)
    return second - first[..., :, None] * (first / total[..., None])[..., None, :]


def local_index(mixtures: Mixtures) -> Array:
    """Return the spinodal index (b,)."""
    if mixtures.fractions.shape[-1] == 1:
        return np.zeros(mixtures.fractions.shape[0])
    largest = np.linalg.eigvalsh(covariance(mixtures))[..., -1]
    return 2.0 * mixtures.strength * np.maximum(largest, 0.0)


def _solve_definite(matrix: Array, right: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Solve small symmetric systems (..., r, r) by Cholesky; also say which were positive definite.

    Written out because LAPACK costs microseconds for every 3x3 matrix.
    """
    rank = right.shape[-1]
    lower: list[list[Array]] = [[np.empty(0)] * rank for _ in range(rank)]
    good = np.ones(right.shape[:-1], dtype=bool)
    for i in range(rank):
        for j in range(i + 1):
            value = matrix[..., i, j]
            for k in range(j):
                value = value - lower[i][k] * lower[j][k]
            if i == j:
                good &= value > 1e-12
                lower[i][i] = np.sqrt(np.where(value > 1e-12, value, 1.0))
            else:
                lower[i][j] = value / lower[j][j]
    solution: list[Array] = [np.empty(0)] * rank
    for i in range(rank):
        value = right[..., i]
        for k in range(i):
            value = value - lower[i][k] * solution[k]
        solution[i] = value / lower[i][i]
    for i in reversed(range(rank)):
        value = solution[i]
        for k in range(i + 1, rank):
            value = value - lower[k][i] * solution[k]
        solution[i] = value / lower[i][i]
    return np.stack(solution, axis=-1), good


class _Tilt(NamedTuple):
    """Trial phases at tilts q: lam, w, shift of m, cost of unmixing; shapes (b, s), (b, s, n), (b, s, r), (b, s)."""

    pressure: Array
    fractions: Array
    shift: Array
    cost: Array


class _Search:
    """The mixtures still searched, with everything that does not depend on the trial worked out once."""

    def __init__(self, mixtures: Mixtures) -> None:
        self.mixtures = mixtures
        self.phi = mixtures.fractions
        with np.errstate(divide="ignore"):
            self.log_phi = np.log(self.phi)
        self.volumes = mixtures.volumes
        self.points = mixtures.points - mixtures.points.mean(axis=-2, keepdims=True)
        self.shared = mixtures.points.shape[0] == 1
        self.mean = self._with_points(self.phi[:, None, :])[:, 0]
        self.moles = (self.phi / self.volumes).sum(axis=-1)

    def _with_points(self, trials: Array) -> Array:
        return trials @ self.points[0] if self.shared else np.matmul(trials, self.points)

    def tilt(self, q: Array, guess: Array | None = None) -> _Tilt:
        """Return w = phi exp(V (lam + q.(d - m))) with lam such that w sums to 1.

        ln sum w is convex and increasing in lam, so Newton comes down on the root from above. The start is a bound
        at which no term exceeds 1: nothing overflows, whatever the ratio of volumes.
        """
        sizes = self.volumes[:, None, :]
        if self.shared:
            reach = q @ self.points[0].T
        else:
            reach = np.matmul(q, self.points.transpose(0, 2, 1))
        reach -= (q * self.mean[:, None, :]).sum(axis=-1)[..., None]
        exponent = self.log_phi[:, None, :] + sizes * reach
        bound = -(exponent / sizes).max(axis=-1)
        pressure = bound if guess is None else np.minimum(bound, guess)
        for _ in range(60):
            w = np.exp(exponent + sizes * pressure[..., None])
            total = w.sum(axis=-1)
            off = np.log(total)
            pressure = np.minimum(pressure - off * total / (w * sizes).sum(axis=-1), bound)
            if np.all(np.abs(off) < 1e-9):
                break
        w /= total[..., None]
        change = w - self.phi[:, None, :]
        shift = self._with_points(change)
        # the sum over components in closed form; pressure is one Newton step ahead of w, exact to second order
        cost = (q * shift).sum(axis=-1) + pressure - (change / sizes).sum(axis=-1)
        return _Tilt(pressure, w, shift, cost)

    def keep(self, rows: NDArray[np.bool_]) -> None:
        """Forget the mixtures that are done."""
        self.mixtures = self.mixtures.take(rows)
        self.phi, self.log_phi = self.phi[rows], self.log_phi[rows]
        self.mean, self.moles = self.mean[rows], self.moles[rows]
        if self.volumes.shape[0] > 1:
            self.volumes = self.volumes[rows]
        if self.points.shape[0] > 1:
            self.points = self.points[rows]


def _starts(search: _Search, fluctuation: Array) -> Array:
    """Return tilts (b, s, r) to start from: towards unlike components, and both ways along the fluctuation."""
    count, n = search.phi.shape
    points, present = search.points, search.phi > 0
    offset = points - search.mean[:, None, :]
    gap = (offset**2).sum(axis=-1)
    chosen = []
    nearest = np.where(present, gap, -1.0)
    rows = np.arange(count)
    for _ in range(min(n, _COMPONENT_TRIALS)):
        pick = nearest.argmax(axis=-1)
        chosen.append(pick)
        centre = points[0][pick] if search.shared else points[rows, pick]
        nearest = np.minimum(nearest, ((points - centre[:, None, :]) ** 2).sum(axis=-1))
        nearest[rows, pick] = -1.0
    picks = np.stack(chosen, axis=-1)
    towards = np.take_along_axis(offset, picks[..., None], axis=1)
    distance = np.maximum(np.take_along_axis(gap, picks, axis=1), 1e-12)
    own = search.phi[rows[:, None], picks]
    sizes = search.volumes[0][picks] if search.volumes.shape[0] == 1 else search.volumes[rows[:, None], picks]
    # cost of the pure component as a trial phase; the tilt that would balance it
    with np.errstate(divide="ignore", invalid="ignore"):
        cost = np.where(
            own > 0, (-np.log(np.maximum(own, 1e-300)) - 1.0) / sizes + search.moles[:, None], 0.0
        )
    towards = towards * (2.0 * cost / distance)[..., None]
    return np.concatenate([towards, fluctuation[:, None, :], -fluctuation[:, None, :]], axis=1)


def search(mixtures: Mixtures, *, enough: float = np.inf) -> Trial:
    """Return the best trial phase of each mixture, or any whose index passes ``enough``."""
    count, n = mixtures.fractions.shape
    rank = mixtures.points.shape[-1]
    found = Trial(np.zeros(count), np.zeros((count, rank)), np.zeros(count), mixtures.fractions.copy())
    several = (mixtures.fractions > 0).sum(axis=-1) > 1
    if n == 1 or not several.any():
        return found
    values, vectors = np.linalg.eigh(covariance(mixtures))
    top = np.maximum(values[:, -1], 0.0)
    found.value[:] = 2.0 * mixtures.strength * top
    open_rows = several & (top > 1e-12) & (found.value <= enough)
    alive = np.flatnonzero(open_rows)
    if alive.size == 0:
        return found
    work = _Search(mixtures.take(alive))
    size = np.sqrt(work.moles / top[alive])
    q = _starts(work, vectors[alive, :, -1] * size[:, None])
    state = work.tilt(q)
    strength = work.mixtures.strength
    moving = np.ones(q.shape[:2], dtype=bool)
    careful = np.zeros_like(moving)
    identity = np.eye(rank)

    def ratio(tilt: _Tilt) -> tuple[Array, NDArray[np.bool_]]:
        """Critical strength of each trial (infinite for the mixture itself), and whether it is the mixture."""
        same = tilt.cost < _SAME_PHASE * work.moles[:, None]
        square = (tilt.shift**2).sum(axis=-1)
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(same | (square <= 0), np.inf, tilt.cost / square), same

    critical, same = ratio(state)
    moving &= ~same
    for _ in range(_MOST_STEPS):
        index = strength[:, None] / critical
        done = ~moving.any(axis=-1) | (index.max(axis=-1) > enough)
        if done.any():
            _record(found, alive, done, index, q, state)
            keep = ~done
            if not keep.any():
                return found
            alive = alive[keep]
            work.keep(keep)
            strength = work.mixtures.strength
            q, critical, moving, careful = q[keep], critical[keep], moving[keep], careful[keep]
            state = _Tilt(*(part[keep] for part in state))
        twice = np.where(np.isfinite(critical), 2.0 * critical, 0.0)
        residual = q - twice[..., None] * state.shift
        curvature = identity - twice[..., None, None] * covariance(work.mixtures, state.fractions)
        newton, definite = _solve_definite(curvature, residual)
        step = -np.where((definite & ~careful)[..., None], newton, residual)
        step[~moving] = 0.0
        trial_q = q + step
        trial = work.tilt(trial_q)
        trial_critical, trial_same = ratio(trial)
        better = (trial_critical <= critical * (1 + 1e-14)) | trial_same
        small = (step**2).sum(axis=-1) <= _STEP**2 * (q**2).sum(axis=-1)
        take = better & moving
        q = np.where(take[..., None], trial_q, q)
        critical = np.where(take, trial_critical, critical)
        state = _Tilt(
            *(
                np.where(take[..., None] if new.ndim == 3 else take, new, old)
                for new, old in zip(trial, state, strict=True)
            )
        )
        careful = moving & ~better & ~careful  # after a refusal one plain step, which never goes down
        moving &= ~(trial_same & take) & ~small
    done = np.ones(alive.size, dtype=bool)
    _record(found, alive, done, strength[:, None] / critical, q, state)
    return found


def _record(
    found: Trial, alive: NDArray[np.intp], done: NDArray[np.bool_], index: Array, q: Array, state: _Tilt
) -> None:
    rows, local = alive[done], np.flatnonzero(done)
    best = index[local].argmax(axis=-1)
    value = index[local, best]
    wins = value > found.value[rows]
    rows, local, best = rows[wins | True], local[wins | True], best[wins | True]
    found.value[rows] = np.maximum(value, found.value[rows])
    found.direction[rows] = q[local, best]
    found.pressure[rows] = state.pressure[local, best]
    found.fractions[rows] = state.fractions[local, best]


def spinodal_index(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
) -> Array:
    """Return the spinodal index L of mixtures; L >= 1 means that the mixture unmixes by itself.

    L < 1 does not prove stability: between spinodal and binodal a mixture is metastable; ask `stable`.

    Parameters
    ----------
    fractions : array_like of shape (..., n)
        Volume fractions of n components; must sum to 1, zeros allowed. [-]
    volumes : array_like of shape (..., n)
        Molar volumes at 25 degC; usually (n,). Leading axes broadcast, e.g. over draws of parameters. [cm3/mol]
    hsp : array_like of shape (..., n, 3)
        Hansen parameters at 25 degC; usually (n, 3). [MPa^0.5]
    celsius : array_like of shape (...)
        Temperature; parameters and volumes follow it with `hansen.TYPICAL_EXPANSIVITY`. [degC]
    alpha : array_like of shape (...), optional
        Weight of the Hansen distance; `ALPHA` by default. [-]

    Returns
    -------
    ndarray of shape (...)
        L = 2a x largest eigenvalue of the volume-weighted covariance of d; 0 for a pure component. [-]

    Raises
    ------
    InputError
        When fractions are negative, not finite or do not sum to 1, a volume is not positive, or shapes do not fit.

    Warns
    -----
    ExtrapolationWarning
        When a temperature is outside 0 to 100 degC.

    References
    ----------
    Lindvig, Michelsen, Kontogeorgis, Fluid Phase Equilib. 203 (2002) 247-260 (the free energy; from memory).

    Examples
    --------
    Limonene and water, half and half by volume:

    >>> float(spinodal_index([0.5, 0.5], [162.9, 18.0], [[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]]))
    1.896
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha)
    return local_index(mixtures).reshape(mixtures.shape)[()]


def binodal_index(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
) -> Array:
    """Return the binodal index M of mixtures: stable below 1, on the binodal at 1, unmixing above.

    M is the factor by which the interaction (alpha) exceeds what the mixture just bears, so it is smooth where the
    verdict jumps: use it for probabilities and for solving. M >= L, the spinodal index.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha
        As in `spinodal_index`.

    Returns
    -------
    ndarray of shape (...)
        M; 0 for a pure component. Exact to about 1e-6 of itself. [-]

    Raises
    ------
    InputError
        As in `spinodal_index`.

    Examples
    --------
    A symmetric binary at its critical composition: both indices agree there.

    >>> float(binodal_index([0.5, 0.5], [100, 100], [[16, 0, 0], [16, 0, 20]], alpha=0.5))
    1.008
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha)
    return search(mixtures).value.reshape(mixtures.shape)[()]


def stable(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
) -> NDArray[np.bool_]:
    """Return whether mixtures stay one phase: a global test, not only the local one.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha
        As in `spinodal_index`.

    Returns
    -------
    ndarray of bool, shape (...)
        True where no trial phase whatever lowers the free energy. [-]

    Raises
    ------
    InputError
        As in `spinodal_index`.

    References
    ----------
    Michelsen, Fluid Phase Equilib. 9 (1982) 1-19 (tangent-plane test; from memory).

    Examples
    --------
    Limonene in water: 1 % unmixes, and so does 0.1 %.

    >>> parameters = [[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]]
    >>> stable([[0.01, 0.99], [0.001, 0.999], [0.0, 1.0]], [162.9, 18.0], parameters)
    array([False, False,  True])
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha)
    return (verdicts(mixtures)).reshape(mixtures.shape)[()]


def verdicts(mixtures: Mixtures) -> NDArray[np.bool_]:
    """Return the global verdict (b,), leaving each mixture as soon as its verdict is certain."""
    answer = np.ones(mixtures.fractions.shape[0], dtype=bool)
    # No trial phase can spread more than the two ends of the cloud of points: a bound that costs next to nothing.
    present = mixtures.fractions > 0
    inside = np.where(present[..., None], mixtures.points, np.nan)
    extent = np.nanmax(inside, axis=-2) - np.nanmin(inside, axis=-2)
    largest = np.where(present, mixtures.volumes, 0.0).max(axis=-1)
    doubt = np.flatnonzero(0.5 * mixtures.strength * largest * (extent**2).sum(axis=-1) >= 1.0)
    if doubt.size:
        answer[doubt] = search(mixtures.take(doubt), enough=1.0).value < 1.0
    return answer
