"""Trial phases at tilts of the free energy: w = phi exp(V (lam + q.d)), what they gain and what they cost.

Every maximum of the ratio of gain to cost has this form with q = 2a*(m(w) - m(phi)), so whatever the number of
components a trial phase is q in r dimensions; lam follows from sum w = 1. All mixtures and all trials at once.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.mixture import Array, Mixtures, metric

__all__ = [
    "Tilt",
    "Tilting",
    "covariance",
    "curved",
    "local_index",
    "locally_stable",
    "modes",
    "solve_symmetric",
    "times",
]

#: A trial phase in which no component's ln(w/phi) exceeds this is the mixture itself: its ratio is the
#: spinodal index there, to about the square of this.
_SAME_PHASE = 3e-4
#: ln of the sum of a trial phase from which on one more step of Newton brings all digits.
_CLOSED = 1e-6


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
    spread = covariance(mixtures)
    if spread.shape[-1] == 5:
        factor = _factor(spread)
        spread = np.matmul(factor.swapaxes(-1, -2) * metric(5), factor)
    largest = np.linalg.eigvalsh(spread)[..., -1]
    return np.asarray(2.0 * mixtures.strength * np.maximum(largest, 0.0))


def locally_stable(mixtures: Mixtures) -> NDArray[np.bool_]:
    """Say where the spinodal index is below 1 (b,), for a fraction of the time of the index itself.

    S - 2a C has no more negative eigenvalues than the metric S exactly while all those of I - 2a S C are positive.
    """
    spread = covariance(mixtures)
    signs = metric(spread.shape[-1])
    matrix = np.diag(signs) - (2.0 * mixtures.strength)[:, None, None] * spread
    _, negative = solve_symmetric(matrix, np.zeros((*matrix.shape[:-1], 0)))
    return np.asarray(negative <= np.count_nonzero(signs < 0))


def _factor(spread: Array) -> Array:
    """Return L (..., r, r) with L L^T = C, also where C is singular."""
    trace = np.einsum("...rr->...", spread)
    try:
        return np.linalg.cholesky(spread + (1e-13 * trace + 1e-300)[..., None, None] * np.eye(spread.shape[-1]))
    except np.linalg.LinAlgError:  # rounding has made one of them indefinite
        values, vectors = np.linalg.eigh(spread)
        return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :])


def modes(spread: Array) -> tuple[Array, Array]:
    """Return the fluctuations of composition by how much they pay: eigenvalues of S C and the tilts q along them.

    S is the metric. The eigenvalues (..., r) rise; the tilts (..., r, r) are columns with S C q = value q and
    q C q = value, which for S = 1 are the unit eigenvectors of C.
    """
    if spread.shape[-1] != 5:
        return np.linalg.eigh(spread)
    signs, factor = metric(5), _factor(spread)
    values, vectors = np.linalg.eigh(np.matmul(factor.swapaxes(-1, -2) * signs, factor))
    tilts = signs[:, None] * np.matmul(factor, vectors)
    return values, tilts / np.sqrt(np.maximum(np.abs(values), 1e-300))[..., None, :]


def curved(spread: Array, strength: Array, least: float, residual: Array) -> Array:
    """Return residuals (k, r) divided along each mode by the size of its curvature 1 - 2 a* value, or ``least``."""

    def stretch(values: Array) -> Array:
        return 1.0 / np.maximum(np.abs(1.0 - 2.0 * strength[:, None] * values), least)

    if spread.shape[-1] != 5:
        values, vectors = np.linalg.eigh(spread)
        along = np.matmul(residual[:, None, :], vectors)[:, 0] * stretch(values)
        return np.asarray(np.matmul(vectors, along[..., None])[..., 0])
    # f(S C) = 1 + S L h(L^T S L) L^T with C = L L^T and h(x) = (f(x) - 1)/x
    signs, factor = metric(5), _factor(spread)
    values, vectors = np.linalg.eigh(np.matmul(factor.swapaxes(-1, -2) * signs, factor))
    far = np.abs(values) > 1e-9 * np.abs(values).max(axis=-1, keepdims=True)
    slope = np.where(far, (stretch(values) - 1.0) / np.where(far, values, 1.0), 2.0 * strength[:, None])
    inner = np.matmul(factor.swapaxes(-1, -2), residual[..., None])
    turned = np.matmul(vectors, slope[..., None] * np.matmul(vectors.swapaxes(-1, -2), inner))
    return residual + signs * np.matmul(factor, turned)[..., 0]


def solve_symmetric(matrix: Array, rights: Array) -> tuple[Array, NDArray[np.intp]]:
    """Solve small symmetric systems (..., r, r) for rights (..., r, k); also count their negative eigenvalues.

    Gauss and Jordan's elimination for all systems at once, without exchange of rows, so that the pivots have the
    signs of the eigenvalues: LAPACK has no count of them short of the eigenvalues, at several times the cost.
    From the last row up, because the last of five is negative in itself and what is left of a maximum is positive.
    """
    rank, width = rights.shape[-2:]
    table = np.concatenate([rights, matrix], axis=-1).reshape(-1, rank, width + rank).transpose(1, 2, 0).copy()
    for k in reversed(range(rank)):
        pivot = table[k, width + k]
        pivot[pivot == 0] = 1e-14  # an exactly singular one: far, and refused if too far
        left = table[:, : width + k]  # the columns from here on are done with; the pivots stay in them
        row = left[k] / pivot
        left -= table[:, width + k, None] * row
        left[k] = row
    solved = table[:, :width].transpose(2, 0, 1).reshape(rights.shape)
    pivots = table.diagonal(width)
    return solved, (pivots <= 0).sum(axis=-1).reshape(matrix.shape[:-2])


class Tilt(NamedTuple):
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

    def at(self, index: Any) -> Tilt:
        """Return the state of some mixtures, or of some trials of each."""
        return Tilt(
            self.pressure[index],
            self.shift[index],
            self.cost[index],
            self.same[index],
            self.spread[index],
            self.centre[index],
        )


class Tilting:
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
        # one product with these sums over the components: 1/V; 1, V
        self.inverse = 1.0 / sizes
        self.pair = np.concatenate([np.ones_like(sizes), sizes], axis=-1)
        # and in another d; V, V d, V d d^T
        self.moments = np.concatenate([points, sizes, points * sizes, squares * sizes], axis=-1)
        self.sums = times(self.phi[:, None, :], self.moments)
        self.mean = self.sums[:, 0, :rank]
        self.moles = (self.phi / self.volumes).sum(axis=-1)

    @property
    def spread(self) -> Array:
        """C of the mixtures themselves (b, r, r)."""
        return self._answer(self.sums)[0][:, 0]

    @property
    def centre(self) -> Array:
        """Volume-weighted mean of d - m of the mixtures themselves (b, r)."""
        return self._answer(self.sums)[1][:, 0]

    def tilt(self, q: Array, guess: Array | None = None) -> Tilt:
        """Return w = phi exp(V (lam + q.(d - m))) with lam such that w sums to 1.

        ln sum w is convex and increasing in lam, so Newton comes down on the root from above, and lam is
        concave in q, so a guess along the tangent is above. Far away a bound at which no term exceeds 1 is
        better: nothing overflows, whatever the ratio of volumes.
        """
        sizes = self.volumes[:, None, :]
        lift = times(q, self.scaled)
        shifted = np.einsum("bsr,br->bs", q, self.mean)
        exponent = self.log_phi[:, None, :] + lift
        # lam counts from m(phi); level counts from the origin of the points
        level = np.full(q.shape[:2], np.inf) if guess is None else guess - shifted
        with np.errstate(over="ignore", invalid="ignore"):
            for turn in range(60):
                sums = times(np.exp(exponent + sizes * level[..., None]), self.pair)
                total = sums[..., 0]
                if turn == 0 and not total.max() < 3.0:
                    bound = -(exponent / sizes).max(axis=-1)
                    level = np.where(total < 3.0, level, np.minimum(level, bound))
                    continue
                off = np.log(total)
                level = level - off * total / sums[..., 1]
                if np.abs(off).max() < _CLOSED:
                    break
        # once more with ln(w/phi) itself, so that a trial close to the mixture keeps its digits
        phi = self.phi[:, None, :]
        log_ratio = lift + sizes * level[..., None]
        if self.gaps:
            log_ratio *= self.present[:, None, :]
        change = np.expm1(log_ratio)
        change *= phi
        last = -change.sum(axis=-1) / sums[..., 1]
        more = sizes * last[..., None]
        log_ratio += more
        change += (phi + change) * more
        w = phi + change
        cost = times(w * log_ratio - change, self.inverse)[..., 0]
        same = np.einsum("bsn,bsn->bs", log_ratio, log_ratio) < _SAME_PHASE**2
        moved = times(change, self.moments)
        spread, centre = self._answer(self.sums + moved)
        return Tilt(level + last + shifted, moved[..., : q.shape[-1]], cost, same, spread, centre)

    def _answer(self, sums: Array) -> tuple[Array, Array]:
        """Return C of trials and their volume-weighted mean of d - m: how m and lam answer to q."""
        rank = self.points.shape[-1]
        first = sums[..., rank + 1 : 2 * rank + 1]
        centre = first / sums[..., rank, None]
        second = sums[..., 2 * rank + 1 :].reshape(*sums.shape[:-1], rank, rank)
        return second - first[..., :, None] * centre[..., None, :], centre - self.mean[:, None, :]

    def trial(self, q: Array, pressure: Array) -> Array:
        """Return the fractions (b, n) of one trial of each mixture."""
        level = pressure - (q * self.mean).sum(axis=-1)
        exponent = times(q[:, None, :], self.scaled)[:, 0] + self.volumes * level[:, None]
        with np.errstate(over="ignore", invalid="ignore"):
            return np.where(self.present, np.exp(self.log_phi + exponent), 0.0)

    def keep(self, rows: NDArray[np.bool_]) -> None:
        """Forget the mixtures that are done."""
        for name in ("phi", "present", "log_phi", "sums", "mean", "moles"):
            setattr(self, name, getattr(self, name)[rows])
        for name in ("volumes", "points", "scaled", "inverse", "pair", "moments", "strength"):
            values = getattr(self, name)
            if values.shape[0] > 1:
                setattr(self, name, values[rows])


def times(trials: Array, values: Array) -> Array:
    """Sum over the components: (b, s, n) times (b, n, k) or (1, n, k)."""
    if values.shape[0] > 1:
        return np.matmul(trials, values)
    flat = trials.reshape(-1, trials.shape[-1]) @ values[0]  # one large product, not many small ones
    return flat.reshape(*trials.shape[:-1], values.shape[-1])
