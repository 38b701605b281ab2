"""Which phases a mixture separates into: two from the best trial phase, then more while one lies below the plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.phases.association import Sites
from hspkit.phases.equilibrium import ACCEPTED_POTENTIALS, Phases, minimise
from hspkit.phases.mixture import Array, Mixtures, gather
from hspkit.phases.search import Best, fluctuation, local_index, one_search, search

__all__ = ["Split", "split"]

#: A trial phase must beat the common tangent plane by this share of its cost to count as a further phase; the
#: phases already found lie on the plane, exact to about 1e-8.
_FURTHER_PHASE = 1e-6
#: Volume below which a phase is taken to have vanished, and difference in composition below which two are
#: one.
_VANISHED = 1e-13
_MERGED = 1e-6
#: Phases at most; ordinary mixtures make two, contrived ones of twenty unlike liquids more.
_MOST_PHASES = 8
#: Volumes of a further phase that are tried; those of a first one begin lower: a trace of wax just beyond its cloud
#: point makes a billionth of the volume, and it clouds.
_FURTHER_AMOUNTS = np.array([1e-8, 1e-6, 1e-4, 1e-3, 0.01, 0.03, 0.1, 0.2, 0.35, 0.5])
_FIRST_AMOUNTS = np.concatenate([[1e-11, 1e-9], _FURTHER_AMOUNTS, [0.65, 0.8, 0.9, 0.97, 0.99]])
#: Guesses whose Gibbs energy is worked out together.
_AT_ONCE = 4096


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


def _phase_numbers(phases: Phases, fields: Array) -> Array:
    """Return u (b, r + 4) but for b of the phase that grows from trial phases at fields (b, r + 3)."""
    feed, r = phases.feed, phases.feed.rank
    fields = fields.copy()
    fields[:, r + 2] = 1.0
    u = np.zeros((len(fields), r + 4))
    u[:, 1] = feed.trials(fields[:, None, :]).level[:, 0]
    u[:, 2 : r + 2] = fields[:, :r]
    u[:, r + 2] = feed.acceptors + fields[:, r]
    u[:, r + 3] = feed.donors + fields[:, r + 1]
    return u


def _first_guess(phases: Phases, fields: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Two phases from the best trial phase: the amount of it, of a few, that lowers the Gibbs energy most.

    Also whether that is more than the smallest of them: else there is next to nothing to make the phase of.
    """
    feed, r = phases.feed, phases.feed.rank
    base = np.zeros((len(fields), 2, r + 4))
    base[:, 1] = _phase_numbers(phases, fields)
    base[:, 0, r + 2], base[:, 0, r + 3] = feed.acceptors, feed.donors
    guesses = np.repeat(base[None], _FIRST_AMOUNTS.size, axis=0)
    guesses[:, :, 1, 0] = np.log(_FIRST_AMOUNTS / (1.0 - _FIRST_AMOUNTS))[:, None]
    return _lowest(phases, guesses)


def _lowest(phases: Phases, guesses: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Return of guesses (g, b, P, k) the one of lowest Gibbs energy, and whether it is not the first."""
    amounts, count = guesses.shape[:2]
    at_once = max(1, _AT_ONCE // count)
    energies = []
    for first in range(0, amounts, at_once):
        block = guesses[first : first + at_once]
        several = phases.take(np.tile(np.arange(count), len(block)))
        energies.append(several.state(block.reshape(-1, *guesses.shape[2:])).energy.reshape(len(block), count))
    best = np.argmin(np.concatenate(energies), axis=0)
    return guesses[best, np.arange(count)], best > 0


def _further(mixtures: Mixtures, volumes: Array) -> tuple[Array, NDArray[np.intp], NDArray[np.bool_]]:
    """Look for a phase below the common tangent plane of those found: its fields, the phase of the plane, if any."""
    sizes = volumes.sum(axis=-1, keepdims=True)
    inside = volumes / sizes
    # the phase in which no component is lost to underflow knows the plane best
    poorest = np.where(mixtures.fractions[:, None, :] > 0, inside, np.inf).min(axis=-1)
    reference = poorest.argmax(axis=-1)
    rows = np.arange(volumes.shape[0])
    plane = inside[rows, reference]
    tested = mixtures.take(rows, plane / plane.sum(axis=-1, keepdims=True))
    others = np.argsort(np.arange(volumes.shape[1]) == reference[:, None], axis=1, kind="stable")[:, :-1]
    known = inside[rows[:, None], others]
    best = one_search(tested, known=known, enough=1.0 + _FURTHER_PHASE, least=1.0)
    unstable = best.value > 1.0 + _FURTHER_PHASE
    if unstable.any():  # what is known by now is that there is one, not which gains most
        best.fields[unstable] = _ways_down(tested.take(unstable), search(tested.take(unstable)).fields)
    return best.fields, reference, unstable


def _ways_down(mixtures: Mixtures, fields: Array) -> Array:
    """Return fields (b, r + 3) of trial phases; along the largest fluctuation where the best is the mixture itself."""
    local = np.asarray(~fields.any(axis=-1))
    if local.any():
        fields = fields.copy()
        fields[local] = fluctuation(mixtures.take(local))
    return fields


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


def solve(mixtures: Mixtures, best: Best | None = None) -> tuple[list[Array], Array, NDArray[np.bool_]]:
    """Return n_ip (P, n), potential gap and convergence of each mixture; ``best`` when a search was made."""
    count = mixtures.fractions.shape[0]
    phases: list[Array] = [mixtures.fractions[i : i + 1] for i in range(count)]
    gaps, sure = np.zeros(count), np.ones(count, dtype=bool)
    if best is None:
        best = search(mixtures)
    rows = np.flatnonzero(best.value > 1.0 + 1e-12)
    if rows.size == 0:
        return phases, gaps, sure
    unstable = mixtures.take(rows)
    start, worth = _first_guess(Phases(unstable), _ways_down(unstable, best.fields[rows]))
    again = np.flatnonzero(~worth & (local_index(unstable) > 1.0))
    if again.size:  # the best trial phase is no way down, but the mixture unmixes by itself
        retried = mixtures.take(rows[again])
        start[again], worth[again] = _first_guess(Phases(retried), fluctuation(retried))
    rows, start = rows[worth], start[worth]
    if rows.size == 0:
        return phases, gaps, sure
    state = minimise(Phases(mixtures.take(rows)), start)
    for number, row in enumerate(rows):
        phases[row] = state.volumes[number]
    gaps[rows] = state.gap
    for _ in range(2 * _MOST_PHASES):
        more: list[int] = []
        by_count: dict[int, list[int]] = {}
        for row in rows:
            by_count.setdefault(len(phases[row]), []).append(int(row))
        for phase_count, members in by_count.items():
            more += _next_phase(mixtures, np.array(members), phase_count, phases, gaps, sure)
        if not more:
            break
        rows = np.array(more)
    return phases, gaps, sure


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
    fields, reference, unstable = _further(mixtures.take(group), volumes)
    sure[group] = ~unstable & (gaps[group] < ACCEPTED_POTENTIALS)
    again = np.flatnonzero(unstable)
    if again.size == 0 or phase_count >= _MOST_PHASES:
        return []
    start, worth = _add_phase(mixtures.take(group[again]), volumes[again], reference[again], fields[again])
    # next to nothing to make the phase of: what was found stands
    sure[group[again[~worth]]] = gaps[group[again[~worth]]] < ACCEPTED_POTENTIALS
    again, start = again[worth], start[worth]
    if again.size == 0:
        return []
    state = minimise(Phases(mixtures.take(group[again])), start)
    for number, row in enumerate(group[again]):
        found[row], changed = _tidy(state.volumes[number])
        gaps[row] = state.gap[number]
        if changed and len(found[row]) > 1:
            found[row], gaps[row] = _polish(mixtures, int(row), found[row])
    return [int(row) for row in group[again]]


def _add_phase(
    mixtures: Mixtures, volumes: Array, reference: NDArray[np.intp], fields: Array
) -> tuple[Array, NDArray[np.bool_]]:
    """Return u for the phases found plus the trial phase, as `_first_guess` does."""
    order = np.argsort(np.arange(volumes.shape[1])[None, :] != reference[:, None], axis=1, kind="stable")
    volumes = np.take_along_axis(volumes, order[..., None], axis=1)
    phases = Phases(mixtures)
    sizes = volumes[:, 0].sum(axis=-1)
    plane = Phases(mixtures.take(np.arange(len(volumes)), volumes[:, 0] / sizes[:, None]))
    new = _phase_numbers(plane, fields)[:, None, :]
    guesses = np.repeat(np.concatenate([phases.numbers(volumes), new], axis=1)[None], _FURTHER_AMOUNTS.size, axis=0)
    guesses[:, :, -1, 0] = np.log(_FURTHER_AMOUNTS)[:, None] - np.log(sizes)
    return _lowest(phases, guesses)


def _polish(mixtures: Mixtures, row: int, volumes: Array) -> tuple[Array, float]:
    """Solve once more with the phases that are left."""
    phases = Phases(mixtures.take(np.array([row])))
    state = minimise(phases, phases.numbers(volumes[None]))
    return state.volumes[0], float(state.gap[0])


def arrange(mixtures: Mixtures, found: list[Array], gaps: Array, sure: NDArray[np.bool_]) -> Split:
    """Return what `solve` found in arrays, in the shape of the question."""
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


def split(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Split:
    """Return the phases that mixtures separate into: amounts and compositions.

    A third phase is found where there is one. Stable mixtures come back as one phase; so do mixtures whose
    second phase would be less than about 1e-8 of the whole.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha, sites
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
    mixtures = gather(fractions, volumes, hsp, celsius, alpha, sites)
    return arrange(mixtures, *solve(mixtures))
