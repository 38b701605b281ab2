"""Steps of trial phases towards a maximum of the ratio of gain to cost.

Newton's, and the plain one: to take the fields that a trial phase implies.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.association import dot
from hspkit.phases.energy import Feed, Trials, component_sum
from hspkit.phases.mixture import Array

__all__ = ["Spread", "Steps", "newton_or_plain", "plain", "spread_of", "steps_of"]

#: Bounds of kappa, far outside of what is asked about; least share of A and D that a plain step leaves.
_KAPPA = (1e-3, 1e6)
_LEAST_LEFT_PLAIN = 0.1
#: Least distance of the bonds from where they would order by themselves, for steps far from a solution.
_LEAST_ORDER = 0.02
#: A step that lowers ln ratio by less than this goes nowhere, and not down.
_LEVEL = 1e-9
#: Relative length of the last Newton step; what is left after it is its square, and of the index the fourth power.
_LAST_STEP = 1e-3
#: Longest step of Newton, as a share of the fields; a longer one may pass over the maximum a trial was sent to find.
_LONGEST_STEP = 0.7
#: Share of A, D and kappa that a step of Newton may leave, and the multiple of kappa that it may reach; by how many
#: times more it may aim too far and still be shortened, not refused.
_LEAST_LEFT, _MOST_KAPPA, _MOST_EXCESS = 0.2, 5.0, 2.5
#: A and D of liquids that do not bond, so that nothing is divided by 0.
_NO_BONDS = 1e-30


class Spread(NamedTuple):
    """How trials answer to their fields.

    ``sums`` (b, s, r + k + l, r + 3): the sums of d and of the sites; ``bonds`` (b, s, 2, r + 3): those of dh/dA and
    dh/dD at A and D of the phase itself; ``level`` (b, s, r + 3): lam.
    """

    sums: Array
    bonds: Array
    level: Array


class Steps(NamedTuple):
    """Where trials may go: Newton's step (b, s, r + 3), what ln M rises by at the end of it or of a plain one (b, s).

    Newton goes to whatever is stationary, down to a saddle where that is nearer than a maximum: ``climb`` is twice what
    ln M rises by on its step, and ``usable`` tells whether it is one, and up (b, s).
    """

    newton: Array
    rise: Array
    climb: Array
    usable: NDArray[np.bool_]
    spread: Spread


def spread_of(feed: Feed, trials: Trials) -> Spread:
    """Return how trials answer to their fields: by covariances of d and sites with what the fields drive."""
    r, (count, several) = feed.rank, trials.level.shape
    kappa, logs = trials.fields[..., r + 2 :], trials.drive[..., r:]
    logs = logs / kappa
    slopes = feed.free[:, None, :] * np.exp(-logs)
    # what each field drives, by kind of site, and then by component
    by_kind = np.empty((count, several, 3, logs.shape[-1]))
    np.multiply((kappa * slopes)[..., None, :], feed.sorting, out=by_kind[..., :2, :])
    by_kind[..., 2, :] = logs
    driven = np.empty((count, several, r + 3, feed.fractions.shape[-1]))
    driven[..., :r, :] = feed.across[:, None, :r]
    flat = component_sum(by_kind.reshape(count, 3 * several, logs.shape[-1]), feed.across[:, r:])
    driven[..., r:, :] = flat.reshape(count, several, 3, -1)
    weights = trials.fractions * feed.volumes[:, None, :]
    mean = np.matmul(driven, weights[..., None])[..., 0] / weights.sum(axis=-1)[..., None]
    driven -= mean[..., None]
    driven *= weights[..., None, :]
    sums = component_sum(driven.reshape(count, (r + 3) * several, -1), feed.moments)
    sums = sums.reshape(*mean.shape, -1).swapaxes(-1, -2)
    own = (feed.free[:, None, :] * np.exp(-trials.own_drive[..., r:]))[..., None, :] * feed.sorting
    return Spread(sums, np.matmul(own, sums[..., r:, :]), -mean)


def plain(feed: Feed, trials: Trials, spread: Spread) -> Array:
    """Return the fields (b, s, r + 3) that trial phases imply.

    Where the gain is convex that step never goes down; where hydrogen bonds resist (one direction of A and D) it
    would overshoot, so that part is taken at the end of the step.
    """
    r = feed.rank
    plain = np.empty_like(trials.fields)
    kappa = np.clip(_ratio(trials), *_KAPPA)[..., None]
    plain[..., :r] = kappa * trials.own_drive[..., :r]
    plain[..., r : r + 2] = trials.bonds
    plain[..., r + 2 :] = kappa
    to_a, to_d = trials.order[..., 0], trials.order[..., 1]
    low = -0.5 * (to_a + to_d + np.sqrt((to_a - to_d) ** 2 + 4.0))
    along = np.stack([np.ones_like(low), low + to_a], axis=-1)
    along /= np.sqrt(dot(along, along))[..., None]
    resists = -low / _rest(trials)
    seen = np.matmul(along[..., None, :], spread.bonds)[..., 0, :]
    push = dot(seen, plain - trials.fields)
    own = dot(seen[..., r : r + 2], along)
    plain[..., r : r + 2] -= along * (resists * push / (1.0 + resists * own))[..., None]
    plain[..., r : r + 2] = np.maximum(plain[..., r : r + 2], (_LEAST_LEFT_PLAIN - 1.0) * feed.bonds[:, None, :])
    return plain


def steps_of(feed: Feed, trials: Trials) -> Steps:
    """Return Newton's steps to where the fields are those that the trial phases imply."""
    spread = spread_of(feed, trials)
    r = feed.rank
    ratio, shift = _ratio(trials)[..., None], trials.own_drive[..., :r]
    kappa = trials.fields[..., r + 2 :]
    pull = trials.drive / trials.cost[..., None] - trials.own_drive / trials.gain[..., None]
    slope = np.matmul(pull[..., None, :], spread.sums)[..., 0, :]
    matrix = np.empty((*trials.fields.shape, r + 3))
    np.multiply(spread.sums[..., :r, :], -2.0 * kappa[..., None], out=matrix[..., :r, :])
    matrix[..., :r, r + 2] -= shift
    order, rest = trials.order[..., None], _rest(trials)[..., None, None]
    np.divide(order * spread.bonds - spread.bonds[..., ::-1, :], rest, out=matrix[..., r : r + 2, :])
    np.multiply(slope, -ratio, out=matrix[..., r + 2, :])
    matrix += np.eye(r + 3)
    residual = trials.fields.copy()
    residual[..., :r] -= kappa * shift
    residual[..., r : r + 2] -= trials.bonds
    residual[..., r + 2 :] -= ratio
    try:
        step = np.asarray(-np.linalg.solve(matrix, residual[..., None])[..., 0], dtype=np.float64)
    except np.linalg.LinAlgError:  # an exactly singular one among them: the plain step for all
        step = np.full_like(residual, np.nan)
    climb = -dot(slope, step)
    rise = 0.5 * np.maximum(dot(slope, residual), climb)
    usable = np.isfinite(rise) & (trials.gain > 0)
    return Steps(
        np.asarray(step, dtype=np.float64), np.where(usable, rise, np.inf), climb, usable & (climb > -_LEVEL), spread
    )


def newton_or_plain(
    feed: Feed, trials: Trials, steps: Steps, scale: Array, fit: NDArray[np.bool_] | bool = True
) -> tuple[Array, NDArray[np.bool_], NDArray[np.bool_]]:
    """Return the fields to try, whether the step is a last one, and whether it is Newton's, not the plain one.

    ``scale`` (b, r + 2) weighs the fields; only trials that are ``fit`` for it take Newton's.
    """
    r = feed.rank
    newton, weight = steps.newton, scale[:, None, :]
    where, ahead = trials.fields[..., :-1] * weight, newton[..., :-1] * weight
    size, length = np.sqrt(dot(where, where)), np.sqrt(dot(ahead, ahead))
    # A, D and kappa are positive: no step takes more than a share of them
    left = trials.fields[..., r:].copy()
    left[..., :2] += np.maximum(feed.bonds, _NO_BONDS)[:, None, :]
    excess = (newton[..., r:] / left).clip(-np.inf, 0.0).min(axis=-1) / (_LEAST_LEFT - 1.0)
    excess = np.maximum(excess, newton[..., -1] / ((_MOST_KAPPA - 1.0) * left[..., 2]))
    share = 1.0 / np.maximum(np.maximum(excess, length / (_LONGEST_STEP * size)), 1.0)
    following = trials.fields + share[..., None] * newton
    fine = steps.usable & fit & (excess < _MOST_EXCESS)
    small = fine & (length < _LAST_STEP * size)
    if not fine.all():
        following = np.where(fine[..., None], following, plain(feed, trials, steps.spread))
    return following, small, fine


def _ratio(trials: Trials) -> Array:
    """Return the kappa that trials imply, their own where they gain nothing (b, s)."""
    return np.where(trials.gain > 0, trials.cost / trials.gain, trials.fields[..., -1])


def _rest(trials: Trials) -> Array:
    """Return how far the bonds of trials are from ordering by themselves (b, s)."""
    return np.maximum(1.0 - trials.order[..., 0] * trials.order[..., 1], _LEAST_ORDER)
