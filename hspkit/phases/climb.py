"""The climb of trial phases to the maxima of the ratio of gain to cost, by Newton's method."""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.mixture import Array, Mixtures, metric, squared, tilt_of
from hspkit.phases.tilts import Tilt, Tilting, curved, modes, solve_symmetric

__all__ = ["MOST_STEPS", "Starts", "Trial", "climb"]

#: Relative length of the last Newton step; what is left after it is its square, and of the index the fourth power.
_STEP = 1e-3
MOST_STEPS = 80
#: A trial may rise this many times what Newton promises before it is given up for what cannot reach far enough.
_MOST_GAIN_RATIO = 25.0
#: Share by which a trial must promise to pass the best of its mixture.
_GAIN = 1e-10
#: Two trials closer than this share of their tilt climb to the same maximum.
_SAME_MAXIMUM = 0.02
#: Critical strength, as a multiple of that of the mixture itself, below which a trial may be returning to it, the feed.
_NEAR = 1.01
#: Longest step, as a share of the tilt.
_LONGEST_STEP = 0.7
#: Critical strength of a trial that gains nothing, as a multiple of that of the mixture itself.
_NO_GAIN_STRENGTH = 1e3
#: Shortest step out of a saddle, as a share of the tilt.
_LEAST_SADDLE_STEP = 0.5
#: Least curvature reckoned with where the ratio is curved upwards; a plain step has 1.
_LEAST_CURVATURE = 0.02
#: The metric as a matrix, and how many of its signs are negative, by the number of coordinates.
_DIAGONAL = {rank: np.diag(metric(rank)) for rank in (3, 5)}
_NEGATIVE = {rank: int((metric(rank) < 0).sum()) for rank in (3, 5)}

#: Tilts (b, s, r) to set out from, of mixtures (b), the tilt along their largest fluctuation (b, r), and which
#: of the mixtures asked about (b,) they are.
Starts = Callable[[Tilting, Array, NDArray[np.intp]], Array]


class Trial(NamedTuple):
    """Best trial phase of each mixture: binodal index (b,), q (b, r), lam (b,), fractions (b, n)."""

    value: Array
    direction: Array
    pressure: Array
    fractions: Array


def climb(
    mixtures: Mixtures,
    starts: Starts,
    *,
    enough: float = np.inf,
    promise: float = 0.0,
    through: float = np.inf,
    steps: int = MOST_STEPS,
) -> Trial:
    """Climb from several starts to the maxima of the ratio; keep the best of each mixture.

    A mixture is left as soon as its index passes ``enough``, a trial as soon as it cannot promise an index of
    ``promise`` and more than the best of its mixture, returns to the feed, or wants a step ``through``
    times as long as its tilt, straight back through the feed.
    """
    count, n = mixtures.fractions.shape
    rank = mixtures.points.shape[-1]
    found = Trial(np.zeros(count), np.zeros((count, rank)), np.zeros(count), mixtures.fractions.copy())
    several = (mixtures.fractions > 0).sum(axis=-1) > 1
    if n == 1 or not several.any():
        return found
    field = Tilting(mixtures)
    values, vectors = modes(field.spread)
    top = np.maximum(values[:, -1], 0.0)
    found.value[:] = 2.0 * mixtures.strength * top
    asked = several & (top > 1e-12) & (found.value <= enough)
    if not asked.any():
        return found
    alive = np.flatnonzero(asked)
    if alive.size < count:
        field.keep(asked)
        top, vectors = top[alive], vectors[alive]
    whole = copy(field)
    local = 1.0 / (2.0 * top)
    best = _Best(local.copy(), np.zeros((alive.size, rank)), np.zeros(alive.size))
    q = starts(field, vectors[:, :, -1] * np.sqrt(field.moles / top)[:, None], alive)
    _search(field, q, local, best, enough=enough, promise=promise, through=through, steps=steps)
    found.value[alive] = whole.strength / best.critical
    found.direction[alive], found.pressure[alive] = best.direction, best.pressure
    found.fractions[alive] = whole.trial(best.direction, best.pressure)
    return found


def _search(
    field: Tilting, q: Array, local: Array, best: _Best, *, enough: float, promise: float, through: float, steps: int
) -> None:
    """Take Newton steps from the starts ``q`` (b, s, r) and note the best of each mixture; see `climb`."""
    state = field.tilt(q)
    critical = _critical(state, local)
    moving = ~state.same
    careful = np.zeros_like(moving)
    rows = np.arange(local.size)  # of the mixtures alive, those still searched
    for turn in range(steps):
        best.note(rows, critical, q, state.pressure)
        if turn % 2 and moving.shape[1] > 1:
            moving &= ~_followers(q, critical)
        going = moving.any(axis=-1) & (field.strength <= best.critical[rows] * enough)
        if not going.all():
            rows = rows[going]
            if rows.size == 0:
                break
            field.keep(going)
            local, q, critical = local[going], q[going], critical[going]
            moving, careful = moving[going], careful[going]
            state = state.at(going)
        width = int(moving.sum(axis=-1).max())
        if width < moving.shape[1]:
            order = np.argsort(~moving, axis=1, kind="stable")[:, :width]
            first = (np.arange(order.shape[0])[:, None], order)
            q, critical, moving, careful = q[first], critical[first], moving[first], careful[first]
            state = state.at(first)
        balanced = tilt_of(critical, state.shift)
        residual = q - balanced
        step, usable, gain = _newton(residual, balanced, critical, state)
        least = best.critical[rows] / (1.0 + _GAIN)
        if promise > 0:
            least = np.minimum(least, field.strength / promise)
        moving &= _worthwhile(least, gain, critical, local, q, residual, state)
        saddle = moving & ~usable & ~careful
        if saddle.any():
            step[saddle] = _past_saddle(q[saddle], residual[saddle], critical[saddle], state.spread[saddle])
        length, stride = _length(q), _length(step)
        if through < np.inf:
            back = np.einsum("...r,...r->...", step, q) > 0.8 * stride * length
            moving &= ~(usable & back & (stride > through * length))
        if not moving.any():
            break
        # a longer step may leap over the maximum this trial was sent to find
        step *= np.minimum(_LONGEST_STEP * length / np.maximum(stride, 1e-300), 1.0)[..., None]
        if careful.any():
            step[careful] = residual[careful]
            stride = _length(step)
        step = np.where(moving[..., None], -step, 0.0)
        trial_q = q + step
        trial = field.tilt(trial_q, state.pressure - np.einsum("bsr,bsr->bs", state.centre, step))
        trial_critical = _critical(trial, local)
        take = moving & (trial_critical <= critical * (1 + 1e-14))
        small = stride <= _STEP * length
        q, critical, state = _accepted(take, (trial_q, trial_critical, trial), (q, critical, state))
        # after a refusal one plain step, which never goes down; if that is refused its digits are used up
        moving &= ~small & ~(take & trial.same) & ~(~take & careful)
        careful = moving & ~take
    else:
        best.note(rows, critical, q, state.pressure)


def _worthwhile(
    least: Array, gain: Array, critical: Array, local: Array, q: Array, residual: Array, state: Tilt
) -> NDArray[np.bool_]:
    """Say which trials (b, s) may still get below the strength ``least`` (b,) and do not return to the feed."""
    worth = critical < least[:, None] * np.exp(np.minimum(_MOST_GAIN_RATIO * gain, 50.0))
    near = worth & (critical > local[:, None]) & (critical < _NEAR * local[:, None])
    if near.any():
        worth &= ~(near & _returns_to_feed(q, residual, state, np.log(critical / local[:, None])))
    return worth


def _length(q: Array) -> Array:
    """Return the length of tilts or steps (..., r)."""
    return np.sqrt(np.einsum("...r,...r->...", q, q))


def _accepted(
    take: NDArray[np.bool_], new: tuple[Array, Array, Tilt], old: tuple[Array, Array, Tilt]
) -> tuple[Array, Array, Tilt]:
    """Take over tilt, critical strength and state of the trials (b, s) whose step is accepted."""
    if take.all():
        return new
    return np.where(take[..., None], new[0], old[0]), np.where(take, new[1], old[1]), _merge(take, new[2], old[2])


def _merge(take: NDArray[np.bool_], new: Tilt, old: Tilt) -> Tilt:
    """Take over the new state of some trials (b, s)."""
    vector, matrix = take[..., None], take[..., None, None]
    return Tilt(
        np.where(take, new.pressure, old.pressure),
        np.where(vector, new.shift, old.shift),
        np.where(take, new.cost, old.cost),
        np.where(take, new.same, old.same),
        np.where(matrix, new.spread, old.spread),
        np.where(vector, new.centre, old.centre),
    )


class _Best(NamedTuple):
    """Best trial of each mixture so far: critical strength (b,), q (b, r), lam (b,); changed in place."""

    critical: Array
    direction: Array
    pressure: Array

    def note(self, rows: NDArray[np.intp], critical: Array, q: Array, pressure: Array) -> None:
        """Take over what is better among trials (k, s) of some mixtures (k,)."""
        every, pick = np.arange(rows.size), critical.argmin(axis=-1)
        lowest = critical[every, pick]
        better = lowest < self.critical[rows]
        if better.any():
            rows, every, pick = rows[better], every[better], pick[better]
            self.critical[rows] = lowest[better]
            self.direction[rows] = q[every, pick]
            self.pressure[rows] = pressure[every, pick]


def _followers(q: Array, critical: Array) -> NDArray[np.bool_]:
    """Say which trials (b, s) have come close to a better one of their mixture and will end where it does."""
    gap = _length(q[:, :, None, :] - q[:, None, :, :])
    size = _length(q)
    order = np.arange(q.shape[1])
    ahead = (critical[:, None, :] < critical[:, :, None]) | (
        (critical[:, None, :] == critical[:, :, None]) & (order[None, None, :] < order[None, :, None])
    )
    return (ahead & (gap <= _SAME_MAXIMUM * size[:, :, None])).any(axis=-1)


def _returns_to_feed(q: Array, residual: Array, state: Tilt, deficit: Array) -> NDArray[np.bool_]:
    """Say which trials (b, s) close to the mixture itself rise straight back to it, in ever smaller steps.

    ``deficit`` is by how much ln ratio is below that of the mixture. A parabola through both with the slope at the
    trial has a maximum in between when the slope is more than twice the deficit, and the slope is small where the
    trial is on its way to another direction. The other side of the mixture is that of other trials.
    """
    push = np.matmul(state.spread, residual[..., None])[..., 0]
    slope = np.einsum("...r,...r->...", push, q) / np.maximum(state.cost, 1e-300)
    return np.asarray((slope > 0.85 * deficit) & (slope < 1.15 * deficit))


def _critical(tilt: Tilt, local: Array) -> Array:
    """Return the strength at which each trial (b, s) pays; at the mixture itself the local one."""
    square = squared(tilt.shift)
    gains = square > 0
    # a trial that gains nothing yet has everything before it
    critical = np.where(gains, tilt.cost / np.where(gains, square, 1.0), _NO_GAIN_STRENGTH * local[:, None])
    return np.where(tilt.same, local[:, None], critical)


def _newton(residual: Array, balanced: Array, critical: Array, state: Tilt) -> tuple[Array, NDArray[np.bool_], Array]:
    """Newton step on the gradient of ln ratio, -C residual / cost with residual = q - balanced, balanced = 2 a* shift.

    Also whether it goes up, and by how much ln ratio should rise (inf where that cannot be told).

    The matrix is I - 2 a* C less two products of vectors, from the change of a* and of the cost; they matter
    when a trial is close to the mixture itself, where everything but the ratio goes to zero.
    """
    spread = state.spread
    # S x (I - 2 a* S C) = S - 2 a* C is symmetric; as a* grows from 0 its eigenvalues only fall, each through zero
    # where one of I - 2 a* S C does, so all of those are positive when it has no more negative ones than S
    rank = spread.shape[-1]
    matrix = _DIAGONAL[rank] - (2.0 * critical)[..., None, None] * spread
    rights = np.empty((*residual.shape, 2))
    rights[..., 0], rights[..., 1] = residual, balanced
    solved, negative = solve_symmetric(matrix, metric(rank)[:, None] * rights)
    definite = negative <= _NEGATIVE[rank]
    pushes = np.matmul(spread, rights)
    # how the gradient (first row) and C balanced (second) change along both solutions
    change = np.matmul(pushes.swapaxes(-1, -2), solved) / np.maximum(state.cost, 1e-300)[..., None, None]
    vx, vy = change[..., 0, 0], change[..., 0, 1]
    wx, wy = vx + change[..., 1, 0], vy + change[..., 1, 1]
    rest = 1.0 - vy
    with np.errstate(all="ignore"):
        determinant = rest * (1.0 - wx) - vx * wy
        along_x, along_y = rest / determinant, vx / determinant
        step = along_x[..., None] * solved[..., 0] + along_y[..., None] * solved[..., 1]
        rise = along_x * vx + along_y * vy
    uphill = (rise > 0) & np.isfinite(rise)
    gain = np.where(definite & uphill, 0.5 * rise, np.inf)
    return np.where(uphill[..., None], step, solved[..., 0]), definite | uphill, gain


def _past_saddle(q: Array, residual: Array, critical: Array, spread: Array) -> Array:
    """Return steps (k, r) that go up where the ratio is curved upwards: each curvature by its size.

    A plain step leaves the neighbourhood of a saddle or a minimum ever so slowly, and so does this one close to the
    mixture itself, where slope and curvature vanish together: it is made a good share of the tilt.
    """
    step = curved(spread, critical, _LEAST_CURVATURE, residual)
    return step * np.maximum(_LEAST_SADDLE_STEP * _length(q) / np.maximum(_length(step), 1e-300), 1.0)[:, None]
