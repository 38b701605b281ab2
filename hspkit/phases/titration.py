"""Cloud points: how much of one liquid another takes before it stops being clear."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.errors import InputError
from hspkit.hansen import check_fractions
from hspkit.phases.climb import Trial
from hspkit.phases.mixture import Array, Mixtures, dual, gather, squared
from hspkit.phases.search import any_above, follow, glance, search
from hspkit.phases.tilts import locally_stable

__all__ = ["CloudPoint", "cloud_point"]

#: Shares of the added liquid at which the global test is made; closer at both ends, where a per cent matters
#: most.
_STATIONS = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 17)))
#: Shares at which the spinodal index, which costs almost nothing, is asked too.
_SCAN = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 129)))
_TOLERANCE = 1e-5
#: The last step to a cloud point, as a share of it; what is left is less than the square of it.
_LAST_STEP = 3e-3
#: How far the trial phase may still move then, as a share of its tilt; what is left of ln M is about the fourth power.
_SETTLED = 0.03
_MOST_STEPS = 40


@dataclass(frozen=True, slots=True)
class CloudPoint:
    """Where mixtures cloud on the straight line from a start to what is added.

    Parameters
    ----------
    fraction : ndarray of shape (...)
        Volume fraction of the added liquid in the whole at the first cloud point; 0 when the start is not
        clear, 1 when it never clouds. [-]
    clouds : ndarray of bool, shape (...)
        Whether it clouds anywhere on the line. [-]
    """

    fraction: Array
    clouds: NDArray[np.bool_]


def cloud_point(
    start: ArrayLike,
    added: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
) -> CloudPoint:
    """Return the first cloud point when one mixture is added to another: water to a stock, oil to a carrier.

    The share of the addition runs from 0 to 1. The global test is made at 17 shares (and the spinodal index
    asked at 129), then the crossing is solved for. Clouding that comes and goes between two shares of both is
    missed. A mixture that clouds may clear again, nearly always so when very little of the start is left: the
    answer is where it clouds first. To learn from where on it stays clear, swap ``start`` and ``added``: one
    minus the fraction of that answer.

    Parameters
    ----------
    start, added : array_like of shape (..., n)
        Volume fractions of both liquids in the same n components; leading axes broadcast. [-]
    volumes, hsp, celsius, alpha
        As in `spinodal_index`; leading axes broadcast, e.g. over draws of parameters.

    Returns
    -------
    CloudPoint
        First cloud point, whether there is one, and where it is clear again.

    Raises
    ------
    InputError
        As in `spinodal_index`, for both liquids.

    Examples
    --------
    Water added to limonene in ethanol (1 volume in 9):

    >>> parameters = [[17.2, 1.8, 4.3], [15.8, 8.8, 19.4], [15.5, 16.0, 42.3]]
    >>> point = cloud_point([0.1, 0.9, 0], [0, 0, 1], [162.9, 58.5, 18.0], parameters)
    >>> float(point.fraction), bool(point.clouds)
    (0.2, True)
    """
    first, last = check_fractions(start), check_fractions(added)
    try:
        first, last = np.broadcast_arrays(first, last)
    except ValueError:
        message = (
            f"start has shape {first.shape} and added {last.shape}; expected (..., n) with the same"
            " components in both, 0 where one has none"
        )
        raise InputError(message) from None
    mixtures = gather(first, volumes, hsp, celsius, alpha)
    n = first.shape[-1]
    last = np.broadcast_to(last, (*mixtures.shape, n)).reshape(len(mixtures.fractions), n)
    fraction, clouds = solve(mixtures, last)
    return CloudPoint(fraction.reshape(mixtures.shape)[()], clouds.reshape(mixtures.shape)[()])


def _on_line(mixtures: Mixtures, last: Array, rows: NDArray[np.intp], share: Array) -> Mixtures:
    inside = mixtures.fractions[rows] + share[:, None] * (last[rows] - mixtures.fractions[rows])
    return mixtures.take(rows, np.maximum(inside, 0.0))


def solve(mixtures: Mixtures, last: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Return the first cloud point and whether there is one, each (b,)."""
    count = mixtures.fractions.shape[0]
    rows = np.arange(count)
    scan = _on_line(mixtures, last, np.repeat(rows, _SCAN.size), np.tile(_SCAN, count))
    latest = _first(~locally_stable(scan).reshape(count, _SCAN.size), _SCAN)
    # a quick look, as far as that leaves it open: the crossing itself is confirmed by a search from every component
    line, station = np.nonzero(latest[:, None] > _STATIONS)
    trial = glance(_on_line(mixtures, last, line, _STATIONS[station]))
    unstable = np.zeros((count, _STATIONS.size), dtype=bool)
    tilts = np.zeros((count, _STATIONS.size, trial.direction.shape[-1]))
    unstable[line, station], tilts[line, station] = trial.value >= 1.0, trial.direction
    bad = np.minimum(latest, _first(unstable, _STATIONS))
    clouds = bad < np.inf
    before = (_STATIONS[None, :] < bad[:, None]).sum(axis=1) - 1  # the last station before it is clear
    fraction = np.where(clouds, 0.0, 1.0)
    todo = np.flatnonzero(clouds & (before >= 0))
    if todo.size:
        guess = tilts[todo, unstable[todo].argmax(axis=1)]
        fraction[todo] = _cross(mixtures, last, todo, _STATIONS[before[todo]], bad[todo], guess)
    return fraction, clouds


def _first(found: NDArray[np.bool_], shares: Array) -> Array:
    """Return the first share (b,) at which something is found (b, k), infinite where nowhere."""
    return np.where(found.any(axis=1), shares[found.argmax(axis=1)], np.inf)


def _slope(mixtures: Mixtures, trial: Trial, direction: Array) -> Array:
    """Return d ln M / dt when the mixture moves along ``direction`` (b, n) and the trial phase stays."""
    change = trial.fractions - mixtures.fractions
    shift, move = np.moveaxis(mixtures.means(np.stack([change, direction], axis=1)), 1, 0)
    gain = squared(shift)
    cost = np.maximum(gain * mixtures.strength / np.maximum(trial.value, 1e-300), 1e-300)
    present = mixtures.fractions > 0
    relative = np.where(present, change / np.where(present, mixtures.fractions, 1.0), 0.0)
    cost_slope = -(direction * relative / mixtures.volumes).sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        return -2.0 * (dual(shift) * move).sum(axis=-1) / gain - cost_slope / cost


def _newton(share: Array, value: Array, slope: Array) -> Array:
    """Return where ln M would be 0, were it linear in ln t/(1 - t): at both ends it is, by the entropy of mixing."""
    with np.errstate(all="ignore"):
        away = np.exp(value / (slope * share * (1.0 - share)))
        return np.where((share > 0) & (share < 1), share / (share + (1.0 - share) * away), share - value / slope)


def _through_two(share: Array, value: Array, slope: Array, before: Array) -> Array:
    """Return where ln M would be 0 on the cubic share(ln M) through this share and the one ``before`` it (3, b)."""
    old_share, old_value, old_slope = before
    rise = value - old_value
    with np.errstate(all="ignore"):
        x = -old_value / rise  # 0 at the share before, 1 at this one
        ends = (1.0 + 2.0 * x) * (1.0 - x) ** 2 * old_share + x**2 * (3.0 - 2.0 * x) * share
        return ends + rise * x * (1.0 - x) * ((1.0 - x) / old_slope - x / slope)


def _cross(mixtures: Mixtures, last: Array, rows: NDArray[np.intp], good: Array, bad: Array, tilt: Array) -> Array:
    """Return where M passes 1 between a stable and an unstable share.

    Newton on ln M with the trial phase followed from step to step, inside a bracket that only closes. Another
    phase may come first, so the answer is confirmed by a full search just on the clear side, and where that
    finds a trial phase the bracket ends there and the search goes on with it.
    """
    good, bad = good.copy(), bad.copy()
    answer = bad.copy()
    open_rows = np.arange(rows.size)
    tilt = tilt.copy()
    for _ in range(6):
        here = open_rows
        t = bad[here].copy()
        low, high = good[here].copy(), bad[here].copy()
        moving = np.ones(here.size, dtype=bool)
        before = np.full((3, here.size), np.nan)
        for _ in range(_MOST_STEPS):
            work = np.flatnonzero(moving)
            if work.size == 0:
                break
            own = rows[here[work]]
            mixture = _on_line(mixtures, last, own, t[work])
            known = tilt[here[work]]
            lost = ~(np.abs(known).max(axis=-1) > 0)
            trial = follow(mixture, known[:, None, :], steps=2)
            if lost.any():
                fresh = search(mixture.take(lost))
                for old, new in zip(trial, fresh, strict=True):
                    old[lost] = new
            value = np.log(np.maximum(trial.value, 1e-300))
            moved = np.abs(trial.direction).max(axis=-1) > 0
            tilt[here[work]] = np.where(moved[:, None], trial.direction, known)
            over = value >= 0
            high[work] = np.where(over, t[work], high[work])
            low[work] = np.where(over, low[work], t[work])
            slope = _slope(mixture, trial, last[own] - mixtures.fractions[own])
            following = _through_two(t[work], value, slope, before[:, work])
            worse = ~(np.abs(value) < 0.7 * np.abs(before[1, work]))  # also where there is none before
            following = np.where(worse, _newton(t[work], value, slope), following)
            before[:, work] = t[work], value, slope
            inside = (following - low[work]) * (high[work] - following) > 0
            following = np.where(inside, following, 0.5 * (low[work] + high[work]))
            least = np.where(inside, _LAST_STEP, _TOLERANCE) * (t[work] + 1e-6)
            still = ((trial.direction - known) ** 2).sum(axis=-1) < _SETTLED**2 * (trial.direction**2).sum(axis=-1)
            small = (still & (np.abs(following - t[work]) < least)) | (np.abs(high[work] - low[work]) < 1e-12)
            t[work] = following
            moving[work] = ~small
        answer[here] = t
        # just on the clear side
        probe = t + 1e-5 * (good[here] - t)
        check = any_above(_on_line(mixtures, last, rows[here], probe), 1.0, tilt[here][:, None, :])
        early = check.value >= 1.0
        bad[here[early]] = probe[early]
        tilt[here[early]] = check.direction[early]
        open_rows = here[early]
        if open_rows.size == 0:
            break
    answer[open_rows] = bad[open_rows]  # out of rounds: the least share at which a phase was seen to pay
    return answer
