"""Which phases a mixture separates into: amounts and compositions at equilibrium.

With n_ip the volume of component i in phase p, every equilibrium has

    n_ip = z_i softmax over p of (b_p + V_i (lam_p + q_p.d_i)),

so P phases need (P - 1)(r + 2) numbers whatever the number of components, the material balance holds for any
values of them, and the Gibbs energy can be minimised without constraints. At the minimum b, lam and q equal
what the phases themselves imply: b = ln(N_p/N_0), lam = S_p - S_0 - a(|m_p|^2 - |m_0|^2), q = 2a(m_p - m_0),
where N is the volume of a phase, m its mean d and S = sum phi/V. Replacing the numbers by what they imply
always lowers the Gibbs energy (method of successive substitution); Newton on the same residual is fast;
damping joins the two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.phases.mixture import Array, Mixtures, gather
from hspkit.phases.climb import Trial
from hspkit.phases.search import fluctuation, search

__all__ = ["Split", "split"]

#: Chemical potentials of a component in two phases may differ by this much [RT]; the iteration aims for less.
_EQUAL_POTENTIALS = 1e-10
_ACCEPTED_POTENTIALS = 1e-8
_MOST_STEPS = 200
#: A trial phase must beat the common tangent plane by this share of its cost to count as a further phase; the
#: phases already found lie on the plane, exact to about 1e-8.
_FURTHER_PHASE = 1e-6
#: Volume below which a phase is taken to have vanished, and difference in composition below which two are
#: one.
_VANISHED = 1e-13
_MERGED = 1e-6
#: Phases at most; ordinary mixtures make two, contrived ones of twenty unlike liquids more.
_MOST_PHASES = 8
_FIRST_AMOUNTS = np.array([1e-8, 1e-6, 1e-4, 1e-3, 0.01, 0.03, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.97, 0.99])


@dataclass(frozen=True, slots=True)
class Split:
    """Phases at equilibrium, largest first.

    Parameters
    ----------
    amounts : ndarray of shape (..., p)
        Volume fraction of each phase in the whole; 0 for a phase that is not there. p is at least 2. [-]
    fractions : ndarray of shape (..., p, n)
        Volume fractions of the components in each phase; NaN for a phase that is not there. [-]
    n_phases : ndarray of int, shape (...)
        Number of phases. [-]
    balance : ndarray of shape (...)
        Largest error of the material balance of a component. [-]
    potential : ndarray of shape (...)
        Largest difference of the chemical potential of a component between phases. [RT]
    converged : ndarray of bool, shape (...)
        Whether potentials agree within 1e-8 and no further phase would form. [-]
    """

    amounts: Array
    fractions: Array
    n_phases: NDArray[np.intp]
    balance: Array
    potential: Array
    converged: NDArray[np.bool_]

    @property
    def separated(self) -> Array:
        """Volume fraction of everything outside the largest phase; 0 when clear. [-]"""
        return 1.0 - self.amounts[..., 0]


class _Phases:
    """The Gibbs energy of b mixtures in P phases as a function of u (b, P - 1, r + 2), and its residual."""

    def __init__(self, mixtures: Mixtures) -> None:
        self.feed = mixtures.fractions
        self.sizes = mixtures.volumes
        points = mixtures.points - mixtures.points.mean(axis=-2, keepdims=True)
        self.strength = mixtures.strength
        inverse = np.broadcast_to(1.0 / self.sizes, np.broadcast_shapes(self.sizes.shape, points.shape[:-1]))
        self.moment = np.concatenate([inverse[..., None], np.ones_like(inverse)[..., None], points], axis=-1)
        self.feature = self.moment * self.sizes[..., None]
        present = self.feed > 0
        self.present = present
        self.total = self._moments(self.feed[:, None, :])

    def take(self, rows: NDArray[np.bool_]) -> _Phases:
        """Return some of the mixtures."""
        other = object.__new__(_Phases)
        for name in ("feed", "sizes", "strength", "moment", "feature", "present", "total"):
            values = getattr(self, name)
            setattr(other, name, values if values.shape[0] == 1 and self.feed.shape[0] > 1 else values[rows])
        return other

    def _moments(self, volumes: Array) -> Array:
        """T_p = sum_i n_ip (1/V_i, 1, d_i), shape (b, P, r + 2)."""
        return volumes @ self.moment[0] if self.moment.shape[0] == 1 else np.matmul(volumes, self.moment)

    def volumes(self, u: Array) -> tuple[Array, Array]:
        """Return n_ip and ln of the softmax, both (b, P, n)."""
        logits = u @ self.feature[0].T if self.feature.shape[0] == 1 else np.matmul(u, self.feature.transpose(0, 2, 1))
        logits = np.concatenate([np.zeros_like(logits[:, :1]), logits], axis=1)
        logits -= logits.max(axis=1, keepdims=True)
        log_share = logits - np.log(np.exp(logits).sum(axis=1, keepdims=True))
        return self.feed[:, None, :] * np.exp(log_share), log_share

    def state(self, u: Array) -> tuple[Array, Array, Array, Array, Array]:
        """Return Gibbs energy against one phase (b,), residual (b, P-1, k), potential gap (b,), n_ip, T_p."""
        volumes, log_share = self.volumes(u)
        moments = self._moments(volumes)
        moles, sizes, reach = moments[..., 0], moments[..., 1], moments[..., 2:]
        safe = np.maximum(sizes, 1e-300)
        mean = reach / safe[..., None]
        square = (mean**2).sum(axis=-1)
        energy = (volumes * log_share / self.sizes[:, None, :]).sum(axis=(1, 2))
        energy -= (moles * np.log(safe)).sum(axis=-1)
        whole = (self.total[:, 0, 2:] ** 2).sum(axis=-1)
        energy += self.strength * (whole - (safe * square).sum(axis=-1))
        density = moles / safe
        implied = np.empty_like(u)
        implied[..., 0] = np.log(safe[:, 1:]) - np.log(safe[:, :1])
        implied[..., 1] = density[:, 1:] - density[:, :1] - self.strength[:, None] * (square[:, 1:] - square[:, :1])
        implied[..., 2:] = 2.0 * self.strength[:, None, None] * (mean[:, 1:] - mean[:, :1])
        residual = u - implied
        if self.feature.shape[0] == 1:
            gap = residual @ self.feature[0].T
        else:
            gap = np.matmul(residual, self.feature.transpose(0, 2, 1))
        gap = np.where(self.present[:, None, :], np.abs(gap), 0.0).max(axis=(1, 2))
        return energy, residual, gap, volumes, moments

    def jacobian(self, volumes: Array, moments: Array) -> Array:
        """Return d residual / du as (b, (P-1) k, (P-1) k)."""
        count, phases, n = volumes.shape
        k = moments.shape[-1]
        size = (phases - 1) * k
        share = volumes / np.where(self.present, self.feed, 1.0)[:, None, :]
        # B_pq = sum_i z_i f_ip (delta_pq - f_iq) F_i F_i^T / V_i, how the moments answer to the numbers
        weight = -volumes[:, :, None, :] * share[:, None, 1:, :]
        index = np.arange(1, phases)
        weight[:, index, index - 1, :] += volumes[:, 1:, :]
        square = (self.feature[..., :, None] * self.moment[..., None, :]).reshape(self.feature.shape[0], n, k * k)
        flat = weight.reshape(count, phases * (phases - 1), n)
        answer = (flat @ square[0] if square.shape[0] == 1 else np.matmul(flat, square)).reshape(
            count, phases, phases - 1, k, k
        )
        # d implied / dT of one phase
        sizes = np.maximum(moments[..., 1], 1e-300)
        density = moments[..., 0] / sizes
        mean = moments[..., 2:] / sizes[..., None]
        a = self.strength[:, None]
        local = np.zeros((count, phases, k, k))
        local[..., 0, 1] = 1.0 / sizes
        local[..., 1, 0] = 1.0 / sizes
        local[..., 1, 1] = (-density + 2.0 * a * (mean**2).sum(axis=-1)) / sizes
        local[..., 1, 2:] = -2.0 * a[..., None] * mean / sizes[..., None]
        local[..., 2:, 1] = -2.0 * a[..., None] * mean / sizes[..., None]
        rank = k - 2
        local[..., 2:, 2:] = (2.0 * a / sizes)[..., None, None] * np.eye(rank)
        # implied_p = s(T_p) - s(T_0)
        change = np.matmul(local[:, 1:, None], answer[:, 1:])
        change -= np.matmul(local[:, :1], answer[:, 0])[:, None]
        matrix = -change.transpose(0, 1, 3, 2, 4).reshape(count, size, size)
        return matrix + np.eye(size)


def _minimise(phases: _Phases, u: Array) -> tuple[Array, Array, Array]:
    """Go down to the nearest minimum of the Gibbs energy; return u, potential gap and n_ip."""
    count, others, k = u.shape
    size = others * k
    u = u.copy()
    energy, residual, gap, volumes, moments = phases.state(u)
    found_volumes, found_gap, found_u = volumes.copy(), gap.copy(), u.copy()
    alive = np.arange(count)
    damping = np.zeros(count)
    # below this the Gibbs energy of a step is rounding, and the potentials decide
    noise = 1e-14 * phases.total[:, 0, 0]
    for _ in range(_MOST_STEPS):
        going = (gap > _EQUAL_POTENTIALS) & (damping < 1e6)
        if not going.all():
            done = ~going
            found_volumes[alive[done]], found_gap[alive[done]] = volumes[done], gap[done]
            found_u[alive[done]] = u[done]
            alive, u, damping, noise = alive[going], u[going], damping[going], noise[going]
            energy, residual, gap = energy[going], residual[going], gap[going]
            volumes, moments = volumes[going], moments[going]
            if alive.size == 0:
                break
            phases = phases.take(going)
        matrix = phases.jacobian(volumes, moments) + damping[:, None, None] * np.eye(size)
        right = residual.reshape(-1, size, 1)
        try:
            step = -np.linalg.solve(matrix, right).reshape(u.shape)
        except np.linalg.LinAlgError:  # an exactly singular one among them: the plain step goes down for all
            step = -residual
        # far away Newton may be wild: the amounts of phases may change by some e-folds only
        reach = np.abs(step[..., 0]).max(axis=-1) / 8.0
        step /= np.maximum(reach, 1.0)[:, None, None]
        trial = u + step
        new = phases.state(trial)
        better = (new[0] < energy - noise) | ((new[0] <= energy + noise) & (new[2] < gap))
        better &= np.isfinite(new[0])
        pick = better[:, None, None]
        u = np.where(pick, trial, u)
        energy, gap = np.where(better, new[0], energy), np.where(better, new[2], gap)
        residual, volumes = np.where(pick, new[1], residual), np.where(pick, new[3], volumes)
        moments = np.where(pick, new[4], moments)
        damping = np.where(better, np.where(damping < 0.05, 0.0, damping / 5.0), np.maximum(4.0 * damping, 0.3))
    found_volumes[alive], found_gap[alive], found_u[alive] = volumes, gap, u
    return found_u, found_gap, found_volumes


def _first_guess(phases: _Phases, trial: Trial) -> tuple[Array, NDArray[np.bool_]]:
    """Two phases from the best trial phase: the amount of it, of a few, that lowers the Gibbs energy most.

    Also whether that is more than the smallest of them: else there is next to nothing to make the phase of.
    """
    offset = (trial.direction * phases.total[:, 0, 2:]).sum(axis=-1)
    base = np.concatenate(
        [np.zeros_like(offset)[:, None], (trial.pressure - offset)[:, None], trial.direction], axis=-1
    )[:, None, :]
    energies, guesses = [], []
    for amount in _FIRST_AMOUNTS:
        guess = base.copy()
        guess[..., 0] = np.log(amount / (1.0 - amount))
        guesses.append(guess)
        energies.append(phases.state(guess)[0])
    best = np.argmin(np.stack(energies), axis=0)
    return np.stack(guesses)[best, np.arange(base.shape[0])], best > 0


def _further(mixtures: Mixtures, volumes: Array) -> tuple[Trial, NDArray[np.intp], NDArray[np.bool_]]:
    """Look for a phase below the common tangent plane of the phases found."""
    sizes = volumes.sum(axis=-1, keepdims=True)
    inside = volumes / sizes
    # the phase in which no component is lost to underflow knows the plane best
    poorest = np.where(mixtures.fractions[:, None, :] > 0, inside, np.inf).min(axis=-1)
    reference = poorest.argmax(axis=-1)
    rows = np.arange(volumes.shape[0])
    plane = inside[rows, reference]
    trial = search(mixtures.take(rows, plane / plane.sum(axis=-1, keepdims=True)))
    return trial, reference, trial.value > 1.0 + _FURTHER_PHASE


def _tidy(volumes: Array) -> tuple[Array, bool]:
    """Join phases (P, n) of equal composition and drop vanished ones; also say whether any were."""
    kept: list[Array] = []
    for phase in volumes:
        if phase.sum() < _VANISHED:
            continue
        for number, other in enumerate(kept):
            if np.abs(phase / phase.sum() - other / other.sum()).max() < _MERGED:
                kept[number] = other + phase
                break
        else:
            kept.append(phase)
    result = np.array(kept)
    return result, len(kept) != len(volumes)


def solve(mixtures: Mixtures) -> tuple[list[Array], Array, NDArray[np.bool_]]:
    """Return n_ip (P, n), potential gap and convergence of each mixture."""
    count = mixtures.fractions.shape[0]
    found: list[Array] = [mixtures.fractions[i : i + 1] for i in range(count)]
    gaps, sure = np.zeros(count), np.ones(count, dtype=bool)
    trial = search(mixtures)
    rows = np.flatnonzero(trial.value > 1.0 + 1e-12)
    if rows.size == 0:
        return found, gaps, sure
    local = rows[np.abs(trial.direction[rows]).max(axis=-1) == 0]
    if local.size:
        for whole, part in zip(trial, fluctuation(mixtures.take(local)), strict=True):
            whole[local] = part
    start, worth = _first_guess(_Phases(mixtures.take(rows)), Trial(*(part[rows] for part in trial)))
    rows, start = rows[worth], start[worth]
    if rows.size == 0:
        return found, gaps, sure
    _, gap, volumes = _minimise(_Phases(mixtures.take(rows)), start)
    for number, row in enumerate(rows):
        found[row] = volumes[number]
    gaps[rows] = gap
    for _ in range(2 * _MOST_PHASES):
        more: list[int] = []
        by_count: dict[int, list[int]] = {}
        for row in rows:
            by_count.setdefault(len(found[row]), []).append(int(row))
        for phase_count, members in by_count.items():
            more += _next_phase(mixtures, np.array(members), phase_count, found, gaps, sure)
        if not more:
            break
        rows = np.array(more)
    return found, gaps, sure


def _next_phase(
    mixtures: Mixtures,
    group: NDArray[np.intp],
    phase_count: int,
    found: list[Array],
    gaps: Array,
    sure: NDArray[np.bool_],
) -> list[int]:
    """Test mixtures of equally many phases for one more, and add it; return the rows to be tested again."""
    volumes = np.stack([found[i] for i in group])
    trial, reference, unstable = _further(mixtures.take(group), volumes)
    sure[group] = ~unstable & (gaps[group] < _ACCEPTED_POTENTIALS)
    again = np.flatnonzero(unstable)
    if again.size == 0 or phase_count >= _MOST_PHASES:
        return []
    trial = Trial(*(part[again] for part in trial))
    start, worth = _add_phase(_Phases(mixtures.take(group[again])), volumes[again], reference[again], trial)
    # next to nothing to make the phase of: what was found stands
    sure[group[again[~worth]]] = gaps[group[again[~worth]]] < _ACCEPTED_POTENTIALS
    again, start = again[worth], start[worth]
    if again.size == 0:
        return []
    _, gap, volumes = _minimise(_Phases(mixtures.take(group[again])), start)
    for number, row in enumerate(group[again]):
        found[row], changed = _tidy(volumes[number])
        gaps[row] = gap[number]
        if changed and len(found[row]) > 1:
            found[row], gaps[row] = _polish(mixtures, int(row), found[row])
    return [int(row) for row in group[again]]


def _numbers(phases: _Phases, volumes: Array) -> Array:
    """Return u that gives phases of these volumes, as far as the parametrisation can: the implied numbers."""
    moments = phases._moments(volumes)
    moles, sizes, reach = moments[..., 0], moments[..., 1], moments[..., 2:]
    mean, density = reach / sizes[..., None], moles / sizes
    square = (mean**2).sum(axis=-1)
    a = phases.strength[:, None]
    return np.concatenate(
        [
            np.log(sizes[:, 1:] / sizes[:, :1])[..., None],
            (density[:, 1:] - density[:, :1] - a * (square[:, 1:] - square[:, :1]))[..., None],
            2.0 * a[..., None] * (mean[:, 1:] - mean[:, :1]),
        ],
        axis=-1,
    )


def _add_phase(
    phases: _Phases, volumes: Array, reference: NDArray[np.intp], trial: Trial
) -> tuple[Array, NDArray[np.bool_]]:
    """Return u for the phases found plus the trial phase, as `_first_guess` does."""
    rows = np.arange(volumes.shape[0])
    order = np.argsort(np.arange(volumes.shape[1])[None, :] != reference[:, None], axis=1, kind="stable")
    volumes = np.take_along_axis(volumes, order[..., None], axis=1)
    old = _numbers(phases, volumes)
    first = phases._moments(volumes[:, :1])[:, 0]
    mean = first[:, 2:] / first[:, 1:2]
    offset = (trial.direction * mean).sum(axis=-1)
    new = np.concatenate(
        [np.zeros_like(offset)[:, None], (trial.pressure - offset)[:, None], trial.direction], axis=-1
    )[:, None, :]
    energies, guesses = [], []
    for amount in _FIRST_AMOUNTS[:10]:
        guess = np.concatenate([old, new], axis=1)
        guess[:, -1, 0] = np.log(amount) - np.log(first[:, 1])
        guesses.append(guess)
        energies.append(phases.state(guess)[0])
    best = np.argmin(np.stack(energies), axis=0)
    return np.stack(guesses)[best, rows], best > 0


def _polish(mixtures: Mixtures, row: int, volumes: Array) -> tuple[Array, float]:
    """Solve once more with the phases that are left."""
    phases = _Phases(mixtures.take(np.array([row])))
    _, gap, again = _minimise(phases, _numbers(phases, volumes[None]))
    return again[0], float(gap[0])


def minimise_pair(mixtures: Mixtures, start: Array) -> Array:
    """Return the first component's fraction in both phases of binaries (b, 2), from an unstable pair."""
    feed = mixtures.fractions[:, 0]
    amount = (feed - start[:, 0]) / (start[:, 1] - start[:, 0])
    inside = np.stack([start, 1.0 - start], axis=-1)
    volumes = inside * np.stack([1.0 - amount, amount], axis=-1)[..., None]
    phases = _Phases(mixtures)
    _, _, found = _minimise(phases, _numbers(phases, volumes))
    return np.sort(found[..., 0] / found.sum(axis=-1), axis=-1)


def split(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
) -> Split:
    """Return the phases that mixtures separate into: amounts and compositions.

    A third phase is found where there is one. Stable mixtures come back as one phase; so do mixtures whose
    second phase would be less than about 1e-8 of the whole.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha
        As in `spinodal_index`.

    Returns
    -------
    Split
        Amounts (..., p), compositions (..., p, n), number of phases, residuals; largest phase first.

    Raises
    ------
    InputError
        As in `spinodal_index`.

    Examples
    --------
    Equal volumes of limonene and water: two phases, nearly pure.

    >>> phases = split([0.5, 0.5], [162.9, 18.0], [[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]], alpha=0.7)
    >>> int(phases.n_phases), phases.amounts.round(2)
    (2, array([0.54, 0.46]))
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha)
    found, gaps, sure = solve(mixtures)
    count, n = mixtures.fractions.shape
    most = max([2, *(len(phase) for phase in found)])
    amounts, inside = np.zeros((count, most)), np.full((count, most, n), np.nan)
    number, balance = np.zeros(count, dtype=np.intp), np.zeros(count)
    for row, parts in enumerate(found):
        sizes = parts.sum(axis=-1)
        order = np.argsort(-sizes, kind="stable")
        number[row] = len(parts)
        amounts[row, : len(parts)] = sizes[order]
        inside[row, : len(parts)] = parts[order] / sizes[order, None]
        back = amounts[row, : len(parts)] @ inside[row, : len(parts)]
        balance[row] = np.abs(back - mixtures.fractions[row]).max()
    shape = mixtures.shape
    return Split(
        amounts.reshape(*shape, most),
        inside.reshape(*shape, most, n),
        number.reshape(shape)[()],
        balance.reshape(shape)[()],
        gaps.reshape(shape)[()],
        sure.reshape(shape)[()],
    )
