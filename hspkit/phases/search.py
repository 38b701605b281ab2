"""The search for the trial phase that pays most for unmixing, under `stability`, `splitting`, `titration`.

Every maximum of the ratio of gain to cost has the form w = phi exp(V (lam + q.d)) with q = 2a*(m(w) -
m(phi)), so the search is over q in r dimensions, whatever the number of components; lam follows from sum w =
1. All mixtures and all trials move at once.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.mixture import Array, Mixtures

__all__ = [
    "Trial",
    "covariance",
    "fluctuation",
    "follow",
    "glance",
    "local_index",
    "maxima",
    "search",
    "search_all",
    "verdicts",
]

#: A trial phase in which no component's ln(w/phi) exceeds this is the mixture itself: its ratio is the
#: spinodal index there, to about the square of this.
_SAME_PHASE = 3e-4
#: Relative length of the last Newton step; the index is then exact to far better than its square.
_STEP = 1e-6
_MOST_STEPS = 80
_QUICK_STEPS = 15
#: Trials per mixture: towards this many components, as different as possible, both ways along the direction
#: of the largest composition fluctuation, and two that set out close by.
_COMPONENT_TRIALS = 6
#: Indices between which all components are tried before the verdict stands.
_DOUBT = (0.95, 1.0 + 1e-6)
#: Index that a trial must promise to reach when only the verdict is asked.
_PROMISING = 0.8
#: Two trials closer than this share of their tilt climb to the same maximum.
_FOLLOWS = 0.02
#: Tilt of the trials that set out close to the mixture, as a share of the usual one.
_SHORT = 0.1
#: Longest step, as a share of the tilt.
_LEAP = 0.7
#: Up to so many systems are solved by LAPACK.
_FEW = 60
#: Least curvature reckoned with where the ratio is curved upwards; a plain step has 1.
_FLATTEST = 0.02
#: A trial may rise this many times what Newton promises before it is given up on the way to a verdict.
_HOPE = 25.0


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


def _solve_symmetric(matrix: Array, rights: tuple[Array, ...]) -> tuple[list[Array], NDArray[np.bool_]]:
    """Solve small symmetric systems (..., r, r); also say which were positive definite.

    Many are solved by L D L^T written out for all at once, because LAPACK costs microseconds for every 3x3
    matrix; few by LAPACK, because numpy costs microseconds for every line.
    """
    rank = matrix.shape[-1]
    if matrix.size < _FEW * rank * rank:
        try:
            both = np.asarray(np.linalg.solve(matrix, np.stack(rights, axis=-1)), dtype=np.float64)
        except np.linalg.LinAlgError:
            pass  # an exactly singular one: the way below puts a small pivot in
        else:
            return [both[..., k] for k in range(len(rights))], np.linalg.eigvalsh(matrix)[..., 0] > 0
    lower: list[list[Array]] = [[np.empty(0)] * rank for _ in range(rank)]
    pivot: list[Array] = [np.empty(0)] * rank
    good = np.ones(matrix.shape[:-2], dtype=bool)
    for i in range(rank):
        scaled: list[Array] = []
        for j in range(i + 1):
            value = matrix[..., i, j]
            for k in range(j):
                value = value - scaled[k] * lower[j][k]
            scaled.append(value)
            if i == j:
                good &= value > 0
                pivot[i] = np.where(np.abs(value) > 1e-14, value, 1e-14)
            else:
                lower[i][j] = value / pivot[j]
    solutions = []
    for right in rights:
        solution: list[Array] = [np.empty(0)] * rank
        for i in range(rank):
            value = right[..., i]
            for k in range(i):
                value = value - lower[i][k] * solution[k]
            solution[i] = value
        for i in reversed(range(rank)):
            value = solution[i] / pivot[i]
            for k in range(i + 1, rank):
                value = value - lower[k][i] * solution[k]
            solution[i] = value
        solutions.append(np.stack(solution, axis=-1))
    return solutions, good


class _Tilt(NamedTuple):
    """Trial phases at tilts q (b, s, r): what they gain and cost, and how they answer to q.

    lam (b, s), shift of m (b, s, r), cost of unmixing (b, s), whether it is the mixture itself (b, s),
    C (b, s, r, r), volume-weighted mean of d - m (b, s, r).
    """

    pressure: Array
    shift: Array
    cost: Array
    same: NDArray[np.bool_]
    spread: Array
    centre: Array

    def at(self, index: Any) -> _Tilt:
        """Return the state of some mixtures, or of some trials of each."""
        return _Tilt(
            self.pressure[index],
            self.shift[index],
            self.cost[index],
            self.same[index],
            self.spread[index],
            self.centre[index],
        )


class _Search:
    """The mixtures still searched, with everything that does not depend on the trial worked out once."""

    def __init__(self, mixtures: Mixtures) -> None:
        self.phi = mixtures.fractions
        present = self.phi > 0
        self.present = present
        self.gaps = not present.all()
        self.log_phi = np.log(self.phi, out=np.full_like(self.phi, -np.inf), where=present)
        self.volumes = mixtures.volumes
        self.strength = mixtures.strength
        points = mixtures.points - mixtures.points.mean(axis=-2, keepdims=True)
        shape = np.broadcast_shapes(self.volumes.shape, points.shape[:-1])
        sizes = np.broadcast_to(self.volumes, shape)[..., None]
        points = np.broadcast_to(points, (*shape, points.shape[-1]))
        self.points = points
        self.scaled = (points * sizes).transpose(0, 2, 1)
        rank = points.shape[-1]
        squares = (points[..., :, None] * points[..., None, :]).reshape(*shape, rank * rank)
        # one product with these sums over the components: 1, V; 1/V; V, V d, V d d^T
        self.pair = np.concatenate([np.ones_like(sizes), sizes], axis=-1)
        self.moments = np.concatenate([np.ones_like(sizes), points, squares], axis=-1) * sizes
        self.mean = _times(self.phi[:, None, :], points)[:, 0]
        self.moles = (self.phi / self.volumes).sum(axis=-1)

    def tilt(self, q: Array, guess: Array | None = None) -> _Tilt:
        """Return w = phi exp(V (lam + q.(d - m))) with lam such that w sums to 1.

        ln sum w is convex and increasing in lam, so Newton comes down on the root from above, and lam is
        concave in q, so a guess along the tangent is above. Far away a bound at which no term exceeds 1 is
        better: nothing overflows, whatever the ratio of volumes.
        """
        sizes = self.volumes[:, None, :]
        lift = _times(q, self.scaled)
        shifted = (q * self.mean[:, None, :]).sum(axis=-1)
        exponent = self.log_phi[:, None, :] + lift
        # lam counts from m(phi); level counts from the origin of the points
        level = np.full(q.shape[:2], np.inf) if guess is None else guess - shifted
        for turn in range(60):
            with np.errstate(over="ignore", invalid="ignore"):
                sums = _times(np.exp(exponent + sizes * level[..., None]), self.pair)
            total = sums[..., 0]
            far = ~(total < 3.0)
            if far.any() and turn == 0:
                bound = -(exponent / sizes).max(axis=-1)
                level = np.where(far, np.minimum(level, bound), level)
                continue
            off = np.log(total)
            level = level - off * total / sums[..., 1]
            if np.abs(off).max() < 1e-6:
                break
        # once more with ln(w/phi) itself, so that a trial close to the mixture keeps its digits
        phi = self.phi[:, None, :]
        log_ratio = lift + sizes * level[..., None]
        if self.gaps:
            log_ratio *= self.present[:, None, :]
        change = np.expm1(log_ratio)
        change *= phi
        last = -_times(change, self.pair)[..., 0] / _times(phi + change, self.pair)[..., 1]
        more = sizes * last[..., None]
        log_ratio += more
        change += (phi + change) * more
        w = phi + change
        cost = _over(w * log_ratio - change, self.volumes)
        same = np.einsum("bsn,bsn->bs", log_ratio, log_ratio) < _SAME_PHASE**2
        spread, centre = self.answer(w)
        return _Tilt(level + last + shifted, _times(change, self.points), cost, same, spread, centre)

    def answer(self, trials: Array) -> tuple[Array, Array]:
        """Return C of trials and their volume-weighted mean of d - m: how m and lam answer to q."""
        rank = self.points.shape[-1]
        sums = _times(trials, self.moments)
        centre = sums[..., 1 : 1 + rank] / sums[..., :1]
        second = sums[..., 1 + rank :].reshape(*sums.shape[:-1], rank, rank)
        second = second - sums[..., 1 : 1 + rank, None] * centre[..., None, :]
        return second, centre - self.mean[:, None, :]

    def trial(self, rows: NDArray[np.intp], q: Array, pressure: Array) -> Array:
        """Return the fractions (k, n) of one trial of each of some mixtures."""

        def own(values: Array) -> Array:
            return values if values.shape[0] == 1 else values[rows]

        level = pressure - (q * self.mean[rows]).sum(axis=-1)
        exponent = _times(q[:, None, :], own(self.scaled))[:, 0] + own(self.volumes) * level[:, None]
        with np.errstate(over="ignore", invalid="ignore"):
            return np.where(self.present[rows], np.exp(self.log_phi[rows] + exponent), 0.0)

    def keep(self, rows: NDArray[np.bool_]) -> None:
        """Forget the mixtures that are done."""
        for name in ("phi", "present", "log_phi", "mean", "moles"):
            setattr(self, name, getattr(self, name)[rows])
        for name in ("volumes", "points", "scaled", "pair", "moments", "strength"):
            values = getattr(self, name)
            if values.shape[0] > 1:
                setattr(self, name, values[rows])


def _times(trials: Array, values: Array) -> Array:
    """Sum over the components: (b, s, n) times (b, n, k) or (1, n, k)."""
    if values.shape[0] > 1:
        return np.matmul(trials, values)
    flat = trials.reshape(-1, trials.shape[-1]) @ values[0]  # one large product, not many small ones
    return flat.reshape(*trials.shape[:-1], values.shape[-1])


def _over(trials: Array, volumes: Array) -> Array:
    """Sum over the components of trials (b, s, n) divided by volumes (b, n) or (1, n)."""
    return _times(trials, (1.0 / volumes)[..., None])[..., 0]


def _starts(search: _Search, trials: slice) -> Array:
    """Return tilts (b, s, r) towards components, ordered so that each is as unlike those before as can be."""
    count, n = search.phi.shape
    points = search.points
    offset = points - search.mean[:, None, :]
    gap = (offset**2).sum(axis=-1)
    chosen = []
    nearest = np.where(search.present, gap, -1.0)
    rows = np.arange(count)
    for _ in range(n if trials.stop is None else min(n, trials.stop)):
        pick = nearest.argmax(axis=-1)
        chosen.append(pick)
        centre = points[0][pick] if points.shape[0] == 1 else points[rows, pick]
        nearest = np.minimum(nearest, ((points - centre[:, None, :]) ** 2).sum(axis=-1))
        nearest[rows, pick] = -1.0
    return _towards(search, np.stack(chosen[trials], axis=-1))


def _towards(search: _Search, picks: NDArray[np.intp]) -> Array:
    """Return tilts (b, s, r) towards components (b, s), of the length that pays for the pure liquid."""
    rows = np.arange(picks.shape[0])
    offset = search.points - search.mean[:, None, :]
    gap = (offset**2).sum(axis=-1)
    towards = np.take_along_axis(offset, picks[..., None], axis=1)
    distance = np.maximum(np.take_along_axis(gap, picks, axis=1), 1e-12)
    own = search.phi[rows[:, None], picks]
    sizes = search.volumes[0][picks] if search.volumes.shape[0] == 1 else search.volumes[rows[:, None], picks]
    # cost of the pure component as a trial phase; the tilt that would balance it
    cost = np.where(own > 0, (-np.log(np.maximum(own, 1e-300)) - 1.0) / sizes + search.moles[:, None], 0.0)
    return towards * (2.0 * cost / distance)[..., None]


def _close_by(search: _Search, along: Array) -> Array:
    """Return tilts (b, 2, r) that set out close to the mixture, for the maxima that lie there.

    Large molecules answer to tilts at which small ones hardly move: a swollen polymer, or a family of large
    molecules that gathers, pays most much nearer than any pure component, and a longer tilt leaps over it.
    Close by the ratio is L (1 + s t + ...) along the largest fluctuation (``along``, (b, r)), with s the
    third cumulant: one start on the side where that rises. Where large molecules are so scarce that they do
    not show in the fluctuation, the way is towards the largest: the other.
    """
    offset = search.points - search.mean[:, None, :]
    weight = search.moments[..., 0] * search.phi
    centre = search.answer(search.phi[:, None, :])[1]
    reach = _times(along[:, None, :], (offset - centre).transpose(0, 2, 1))[:, 0]
    side = np.sign((weight * search.volumes * reach**3).sum(axis=-1))
    largest = np.where(search.present, search.volumes, 0.0).argmax(axis=-1)
    rows = np.arange(largest.size)
    towards = _towards(search, largest[:, None])[:, 0]
    return _SHORT * np.stack([np.where(side < 0, -1.0, 1.0)[:, None] * along, towards], axis=1)


def _newton(q: Array, residual: Array, critical: Array, state: _Tilt) -> tuple[Array, NDArray[np.bool_], Array]:
    """Newton step on the gradient of ln ratio, which is -C (q - 2 a* shift) / cost.

    Also whether it goes up, and by how much ln ratio should rise (inf where that cannot be told).

    The matrix is I - 2 a* C less two products of vectors, from the change of a* and of the cost; they matter
    when a trial is close to the mixture itself, where everything but the ratio goes to zero.
    """
    spread, twice, cost = state.spread, 2.0 * critical, state.cost
    balanced = twice[..., None] * state.shift
    matrix = np.eye(q.shape[-1]) - twice[..., None, None] * spread
    (x, y), definite = _solve_symmetric(matrix, (residual, balanced))
    inverse = 1.0 / np.maximum(cost, 1e-300)
    both = np.matmul(spread, np.stack([residual, q], axis=-1))
    v, w = both[..., 0], both[..., 1]
    vx, vy = (v * x).sum(axis=-1) * inverse, (v * y).sum(axis=-1) * inverse
    wx, wy = (w * x).sum(axis=-1) * inverse, (w * y).sum(axis=-1) * inverse
    determinant = (1.0 - vy) * (1.0 - wx) - vx * wy
    with np.errstate(divide="ignore", invalid="ignore"):
        along_x = (1.0 - vy) / determinant
        along_y = vx / determinant
    step = along_x[..., None] * x + along_y[..., None] * y
    uphill = ((step * v).sum(axis=-1) > 0) & np.isfinite(step).all(axis=-1)
    gain = np.where(definite & uphill, 0.5 * (step * v).sum(axis=-1) * inverse, np.inf)
    return np.where(uphill[..., None], step, x), definite | uphill, gain


def search(mixtures: Mixtures, *, enough: float = np.inf) -> Trial:
    """Return the best trial phase of each mixture, or any whose index passes ``enough``.

    Six unlike components show the way to the best trial phase of nearly every mixture. Where the verdict
    could still turn, all components are tried.
    """
    found = _climb(mixtures, slice(0, _COMPONENT_TRIALS), enough)
    many = (mixtures.fractions > 0).sum(axis=-1) > 2
    rows = np.flatnonzero(many & (found.value > _DOUBT[0]) & (found.value < _DOUBT[1]))
    if rows.size:
        again = _climb(mixtures.take(rows), slice(_COMPONENT_TRIALS, None), enough)
        wins = again.value > found.value[rows]
        for old, new in zip(found, again, strict=True):
            old[rows[wins]] = new[wins]
    return found


def glance(mixtures: Mixtures) -> Trial:
    """Return a trial phase that makes a mixture unstable where there is an obvious one: a quick look."""
    return _climb(mixtures, slice(0, _COMPONENT_TRIALS), 1.0, None, _QUICK_STEPS)


def follow(mixtures: Mixtures, q: Array, steps: int = _MOST_STEPS) -> Trial:
    """Climb from known tilts (b, s, r) only, such as those of a mixture close by."""
    return _climb(mixtures, slice(0, 0), np.inf, q, steps)


def maxima(mixture: Mixtures) -> Array:
    """Return the tilts (k, r) of the distinct maxima of one mixture, best first; none when all die out."""
    n = mixture.fractions.shape[-1]
    values, vectors = np.linalg.eigh(covariance(mixture))
    rank = mixture.points.shape[-1]
    if n == 1 or values[0, -1] <= 1e-12:
        return np.zeros((0, rank))
    work = _Search(mixture)
    along = vectors[:, :, -1] * np.sqrt(work.moles[0] / values[0, -1])
    every = _starts(work, slice(0, None))[0]
    starts = np.concatenate([every, _SHORT * every[:_COMPONENT_TRIALS], along, -along, _close_by(work, along)[0]])
    copies = mixture.take(np.zeros(len(starts), dtype=np.intp))
    ends = follow(copies, starts[:, None, :])
    kept: list[Array] = []
    for number in np.argsort(-ends.value, kind="stable"):
        q = ends.direction[number]
        size = np.sqrt((q**2).sum())
        if size > 0 and all(np.sqrt(((q - other) ** 2).sum()) > 10 * _FOLLOWS * size for other in kept):
            kept.append(q)
    return np.array(kept).reshape(-1, rank)


def _past_saddle(residual: Array, critical: Array, spread: Array) -> Array:
    """Return steps (k, r) that go up where the ratio is curved upwards: each curvature by its size.

    A plain step leaves the neighbourhood of a saddle or a minimum ever so slowly.
    """
    values, vectors = np.linalg.eigh(spread)
    curvature = np.maximum(np.abs(1.0 - 2.0 * critical[:, None] * values), _FLATTEST)
    along = np.matmul(residual[:, None, :], vectors)[:, 0] / curvature
    return np.matmul(vectors, along[..., None])[..., 0]


def fluctuation(mixtures: Mixtures) -> Trial:
    """Return trial phases along the largest fluctuation of locally unstable mixtures, as far as pays most.

    Where the ratio has its maximum at the mixture itself (a binary of critical composition) the search ends
    there, and there is no trial phase to start a split from.
    """
    values, vectors = np.linalg.eigh(covariance(mixtures))
    work = _Search(mixtures)
    along = vectors[:, None, :, -1] * np.sqrt(work.moles / np.maximum(values[:, -1], 1e-300))[:, None, None]
    sizes = 2.0 ** np.arange(-10, 4)
    q = along * np.concatenate([sizes, -sizes])[None, :, None]
    tilt = work.tilt(q)
    excess = tilt.cost - work.strength[:, None] * (tilt.shift**2).sum(axis=-1)
    rows, best = np.arange(q.shape[0]), excess.argmin(axis=-1)
    pressure = tilt.pressure[rows, best]
    index = work.strength * (tilt.shift**2).sum(axis=-1)[rows, best] / tilt.cost[rows, best]
    return Trial(index, q[rows, best], pressure, work.trial(rows, q[rows, best], pressure))


def search_all(mixtures: Mixtures) -> Trial:
    """Return the best trial phase of each mixture, starting towards every component."""
    return _climb(mixtures, slice(0, None), np.inf)


def _climb(
    mixtures: Mixtures, trials: slice, enough: float, known: Array | None = None, steps: int = _MOST_STEPS
) -> Trial:
    """Climb from several starts to the maxima of the ratio; keep the best of each mixture."""
    count, n = mixtures.fractions.shape
    rank = mixtures.points.shape[-1]
    found = Trial(np.zeros(count), np.zeros((count, rank)), np.zeros(count), mixtures.fractions.copy())
    several = (mixtures.fractions > 0).sum(axis=-1) > 1
    if n == 1 or not several.any():
        return found
    values, vectors = np.linalg.eigh(covariance(mixtures))
    top = np.maximum(values[:, -1], 0.0)
    found.value[:] = 2.0 * mixtures.strength * top
    alive = np.flatnonzero(several & (top > 1e-12) & (found.value <= enough))
    if alive.size == 0:
        return found
    work = _Search(mixtures.take(alive))
    local = 1.0 / (2.0 * top[alive])
    best = _Best(local.copy(), np.zeros((alive.size, rank)), np.zeros(alive.size))
    if known is None:
        every = _starts(work, slice(0, trials.stop))
        q = every[:, trials]
        if trials.stop is None:
            # towards unlike components there may be more maxima close by
            q = np.concatenate([q, _SHORT * every[:, :_COMPONENT_TRIALS]], axis=1)
    else:
        q = known[alive]
    if known is None and not trials.start:
        # both ways along the largest fluctuation: where phases close to critical lie
        along = vectors[alive, :, -1] * np.sqrt(2.0 * work.moles * local)[:, None]
        q = np.concatenate([q, along[:, None], -along[:, None], _close_by(work, along)], axis=1)
    state = work.tilt(q)
    critical = _critical(state, local)
    moving = ~state.same
    careful = np.zeros_like(moving)
    for turn in range(steps):
        best.note(critical, q, state.pressure)
        if turn % 2:
            moving &= ~_followers(q, critical)
        left = moving.sum(axis=-1)
        done = (left == 0) | (work.strength > best.critical * enough)
        if done.any():
            _record(found, work, alive, done, best)
            keep = ~done
            alive = alive[keep]
            if alive.size == 0:
                return found
            work.keep(keep)
            best = _Best(*(part[keep] for part in best))
            local, q, critical, moving = local[keep], q[keep], critical[keep], moving[keep]
            careful = careful[keep]
            state = state.at(keep)
        width = int(moving.sum(axis=-1).max())
        if width < moving.shape[1]:
            order = np.argsort(~moving, axis=1, kind="stable")[:, :width]
            first = (np.arange(order.shape[0])[:, None], order)
            q, critical, moving, careful = q[first], critical[first], moving[first], careful[first]
            state = state.at(first)
        residual = q - 2.0 * critical[..., None] * state.shift
        step, usable, gain = _newton(q, residual, critical, state)
        if np.isfinite(enough):  # only the verdict is asked: leave trials that cannot come near it
            reach = work.strength[:, None] * np.exp(np.minimum(_HOPE * gain, 50.0))
            moving &= reach > _PROMISING * enough * critical
        saddle = moving & ~usable & ~careful
        if saddle.any():
            step[saddle] = _past_saddle(residual[saddle], critical[saddle], state.spread[saddle])
        # a longer step may leap over the maximum this trial was sent to find
        longest = _LEAP * np.sqrt((q**2).sum(axis=-1)) / np.maximum(np.sqrt((step**2).sum(axis=-1)), 1e-300)
        step = -np.where(careful[..., None], residual, step * np.minimum(longest, 1.0)[..., None])
        step[~moving] = 0.0
        trial_q = q + step
        trial = work.tilt(trial_q, state.pressure - (state.centre * step).sum(axis=-1))
        trial_critical = _critical(trial, local)
        take = moving & (trial_critical <= critical * (1 + 1e-14))
        small = (step**2).sum(axis=-1) <= _STEP**2 * (q**2).sum(axis=-1)
        if take.all():
            q, critical, state = trial_q, trial_critical, trial
        else:
            q = np.where(take[..., None], trial_q, q)
            critical = np.where(take, trial_critical, critical)
            state = _merge(take, trial, state)
        # after a refusal one plain step, which never goes down; if that is refused its digits are used up
        moving &= ~small & ~(take & trial.same) & ~(~take & careful)
        careful = moving & ~take
    best.note(critical, q, state.pressure)
    _record(found, work, alive, np.ones(alive.size, dtype=bool), best)
    return found


def _merge(take: NDArray[np.bool_], new: _Tilt, old: _Tilt) -> _Tilt:
    """Take over the new state of some trials (b, s)."""
    vector, matrix = take[..., None], take[..., None, None]
    return _Tilt(
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

    def note(self, critical: Array, q: Array, pressure: Array) -> None:
        """Take over what is better among trials (b, s)."""
        rows = np.arange(critical.shape[0])
        pick = critical.argmin(axis=-1)
        better = critical[rows, pick] < self.critical
        rows, pick = rows[better], pick[better]
        self.critical[rows] = critical[rows, pick]
        self.direction[rows] = q[rows, pick]
        self.pressure[rows] = pressure[rows, pick]


def _followers(q: Array, critical: Array) -> NDArray[np.bool_]:
    """Say which trials (b, s) have come close to a better one of their mixture and will end where it does."""
    gap = ((q[:, :, None, :] - q[:, None, :, :]) ** 2).sum(axis=-1)
    size = (q**2).sum(axis=-1)
    order = np.arange(q.shape[1])
    ahead = (critical[:, None, :] < critical[:, :, None]) | (
        (critical[:, None, :] == critical[:, :, None]) & (order[None, None, :] < order[None, :, None])
    )
    return (ahead & (gap <= _FOLLOWS**2 * size[:, :, None])).any(axis=-1)


def _critical(tilt: _Tilt, local: Array) -> Array:
    """Return the strength at which each trial (b, s) pays; at the mixture itself the local one."""
    square = (tilt.shift**2).sum(axis=-1)
    usable = ~tilt.same & (square > 0)
    return np.where(usable, tilt.cost / np.where(usable, square, 1.0), local[:, None])


def _record(found: Trial, work: _Search, alive: NDArray[np.intp], done: NDArray[np.bool_], best: _Best) -> None:
    """Write the best trial of the mixtures that are done."""
    rows, local = alive[done], np.flatnonzero(done)
    found.value[rows] = np.broadcast_to(work.strength, done.shape)[local] / best.critical[local]
    found.direction[rows] = best.direction[local]
    found.pressure[rows] = best.pressure[local]
    found.fractions[rows] = work.trial(local, best.direction[local], best.pressure[local])


def verdicts(mixtures: Mixtures) -> NDArray[np.bool_]:
    """Return the global verdict (b,), leaving each mixture as soon as its verdict is certain."""
    answer = np.ones(mixtures.fractions.shape[0], dtype=bool)
    # No trial phase can spread more than the two ends of the cloud of points: a bound that costs next to
    # nothing.
    present = mixtures.fractions > 0
    inside = np.where(present[..., None], mixtures.points, np.nan)
    extent = np.nanmax(inside, axis=-2) - np.nanmin(inside, axis=-2)
    largest = np.where(present, mixtures.volumes, 0.0).max(axis=-1)
    doubt = np.flatnonzero(0.5 * mixtures.strength * largest * (extent**2).sum(axis=-1) >= 1.0)
    if doubt.size:
        answer[doubt] = search(mixtures.take(doubt), enough=1.0).value < 1.0
    return answer
