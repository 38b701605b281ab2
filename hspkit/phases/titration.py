"""Cloud points: how much of one liquid another takes before it stops being clear."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.errors import InputError
from hspkit.hansen import check_fractions
from hspkit.phases.association import Sites, dot
from hspkit.phases.energy import Feed
from hspkit.phases.mixture import Array, Mixtures, gather
from hspkit.phases.search import Best, follow, local_index, one_search, quick_search, search
from hspkit.phases.steps import newton_or_plain, steps_of

__all__ = ["CloudPoint", "cloud_point"]

#: Shares of the added liquid at which the global test is made; closer at both ends, where a per cent matters
#: most.
_STATIONS = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 17)))
#: Shares at which the spinodal index, which costs almost nothing, is asked too.
_SCAN = 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, 129)))
_TOLERANCE = 1e-5
#: The last step to a cloud point, as a share of it; what is left is less than the square of it.
_LAST_STEP = 3e-3
#: How far the fields of the trial phase may still move then, as a share; of ln M about the square of it is left.
_SETTLED = 1e-7
_MOST_STEPS = 40
#: Trial phases are of interest from this index on where a full search decides.
_DOUBT = 0.9
#: Searches on the clear side at most.
_MOST_ROUNDS = 6
#: Rise of ln M on a step of Newton that is foretold well enough to count.
_LITTLE = 0.05
#: ln M is surely below what a trial has and this many times that rise.
_MOST_CLIMBS = 4.0


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
    sites: Sites | None = None,
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
    volumes, hsp, celsius, alpha, sites
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
    mixtures = gather(first, volumes, hsp, celsius, alpha, sites)
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
    latest = _first(local_index(scan).reshape(count, _SCAN.size) >= 1.0, _SCAN)
    # a quick search, as far as that leaves it open: the crossing itself is confirmed by a full one
    line, station = np.nonzero(latest[:, None] > _STATIONS)
    trial = quick_search(_on_line(mixtures, last, line, _STATIONS[station]))
    unstable = np.zeros((count, _STATIONS.size), dtype=bool)
    fields = np.zeros((count, _STATIONS.size, trial.fields.shape[-1]))
    unstable[line, station], fields[line, station] = trial.value >= 1.0, trial.fields
    bad = np.minimum(latest, _first(unstable, _STATIONS))
    before = (_STATIONS[None, :] < bad[:, None]).sum(axis=1) - 1  # the last station before it is clear
    doubted = rows[before >= 0]
    while doubted.size:  # unless a quick search has missed a phase there
        there = before[doubted]
        trial = search(_on_line(mixtures, last, doubted, _STATIONS[there]), enough=1.0, least=_DOUBT)
        wrong = trial.value >= 1.0
        doubted, there = doubted[wrong], there[wrong]
        unstable[doubted, there], fields[doubted, there] = True, trial.fields[wrong]
        bad[doubted], before[doubted] = _STATIONS[there], there - 1
        doubted = doubted[there > 0]
    clouds = bad < np.inf
    fraction = np.where(clouds, 0.0, 1.0)
    todo = np.flatnonzero(clouds & (before >= 0))
    if todo.size:
        guess = fields[todo, unstable[todo].argmax(axis=1)]
        fraction[todo] = _cross(mixtures, last, todo, _STATIONS[before[todo]], bad[todo], guess)
    return fraction, clouds


def _first(found: NDArray[np.bool_], shares: Array) -> Array:
    """Return the first share (b,) at which something is found (b, k), infinite where nowhere."""
    return np.where(found.any(axis=1), shares[found.argmax(axis=1)], np.inf)


def _slope(feed: Feed, phase: Array, direction: Array) -> Array:
    """Return d ln M / dt when mixtures move along ``direction`` (b, n) and their best trial phases (b, n) stay."""
    here = feed.phases(phase[:, None, :])
    with np.errstate(divide="ignore", invalid="ignore"):
        cost = dot(direction, np.where(feed.present, 1.0 - phase / feed.fractions, 0.0) / feed.volumes)
        return feed.gain_slope(phase, direction) / here.gain[:, 0] - cost / here.cost[:, 0]


class _Followed(NamedTuple):
    """A trial phase (b, n), and its fields (b, r + 3) one step of Newton on.

    Of ln M (b,): what it is, at least, at most, and its slope; whether the phase is at rest (b,).
    """

    phase: Array
    fields: Array
    value: Array
    least: Array
    most: Array
    slope: Array
    settled: NDArray[np.bool_]


def _followed(mixtures: Mixtures, fields: Array, direction: Array) -> _Followed:
    """Follow trial phases at fields (b, r + 3) to mixtures close by."""
    with np.errstate(all="ignore"):
        feed = Feed(mixtures)
        trials = feed.trials(fields[:, None, :])
        steps = steps_of(feed, trials)
        index = np.zeros(len(fields))
        astray = ~steps.usable[:, 0] | trials.same[:, 0]
        if astray.any():  # Newton would go down, or there is no trial left
            found = _found_again(mixtures.take(astray), fields[astray])
            fields = fields.copy()
            index[astray], fields[astray] = found.value, found.fields
            trials = feed.trials(fields[:, None, :])
            steps = steps_of(feed, trials)
        following = newton_or_plain(feed, trials, steps, np.ones((len(fields), feed.rank + 2)))[0][:, 0]
        same, usable = trials.same[:, 0], steps.usable[:, 0]
        climb = np.where(same, 0.0, np.maximum(steps.climb[:, 0], 0.0))
        least = np.log(np.where(same, np.maximum(index, 1e-300), trials.gain[:, 0] / trials.cost[:, 0]))
        value = least + np.where(climb < _LITTLE, 0.5 * climb, 0.0)
        most = least + np.where(same, 0.0, np.where(usable, _MOST_CLIMBS * climb, np.inf))
        phase = trials.fractions[:, 0]
        slope = _slope(feed, phase, direction)
        settled = same | (usable & (climb < _SETTLED))
        return _Followed(phase, np.where(same[:, None], 0.0, following), value, least, most, slope, settled)


def _found_again(mixtures: Mixtures, fields: Array) -> Best:
    """Climb from fields (b, r + 3) with care; search anew where that ends at the mixture itself."""
    best = follow(mixtures, fields[:, None, :])
    lost = np.asarray(~best.fields.any(axis=-1))
    if lost.any():
        for whole, part in zip(best, search(mixtures.take(lost)), strict=True):
            whole[lost] = part
    return best


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


def _cross(mixtures: Mixtures, last: Array, rows: NDArray[np.intp], good: Array, bad: Array, fields: Array) -> Array:
    """Return where M passes 1 between a stable and an unstable share.

    Newton on ln M with the trial phase followed from step to step, inside a bracket that only closes. Another
    phase may come first, so the answer is confirmed by a full search just on the clear side, and where that
    finds a trial phase the bracket ends there and the search goes on with it.
    """
    good, bad, fields = good.copy(), bad.copy(), fields.copy()
    answer = bad.copy()
    here = np.arange(rows.size)
    for _ in range(_MOST_ROUNDS):
        answer[here], phase = _solve_line(mixtures, last, rows[here], good[here], bad[here], fields[here])
        # just on the clear side
        probe = answer[here] + 1e-5 * (good[here] - answer[here])
        tested = _on_line(mixtures, last, rows[here], probe)
        check = one_search(tested, known=phase[:, None, :], enough=1.0, least=1.0)
        early = check.value >= 1.0
        bad[here[early]], fields[here[early]] = probe[early], check.fields[early]
        here = here[early]
        if here.size == 0:
            break
    answer[here] = bad[here]  # out of rounds: the least share at which a phase was seen to pay
    return answer


def _solve_line(
    mixtures: Mixtures, last: Array, rows: NDArray[np.intp], good: Array, bad: Array, fields: Array
) -> tuple[Array, Array]:
    """Return the share at which the index of the followed trial phase is 1, and that phase."""
    share, low, high, fields = bad.copy(), good.copy(), bad.copy(), fields.copy()
    phase = np.zeros((rows.size, last.shape[-1]))
    moving = np.ones(rows.size, dtype=bool)
    before = np.full((3, rows.size), np.nan)
    for _ in range(_MOST_STEPS):
        work = np.flatnonzero(moving)
        if work.size == 0:
            break
        mixture = _on_line(mixtures, last, rows[work], share[work])
        direction = last[rows[work]] - mixtures.fractions[rows[work]]
        here = _followed(mixture, fields[work], direction)
        phase[work], fields[work], value, slope = here.phase, here.fields, here.value, here.slope
        high[work] = np.where(here.least >= 0, share[work], high[work])
        low[work] = np.where(here.most < 0, share[work], low[work])
        following = _through_two(share[work], value, slope, before[:, work])
        worse = ~(np.abs(value) < 0.7 * np.abs(before[1, work]))  # also where there is none before
        following = np.where(worse, _newton(share[work], value, slope), following)
        before[:, work] = share[work], value, slope
        inside = (following - low[work]) * (high[work] - following) > 0
        following = np.where(inside, following, 0.5 * (low[work] + high[work]))
        least = np.where(inside, _LAST_STEP, _TOLERANCE) * (share[work] + 1e-6)
        small = (here.settled & (np.abs(following - share[work]) < least)) | (np.abs(high[work] - low[work]) < 1e-12)
        share[work] = following
        moving[work] = ~small
    return share, phase
