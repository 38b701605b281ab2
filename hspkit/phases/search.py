"""The search for the trial phase that gains most for its cost, from several starts, for many mixtures at once.

The largest ratio of gain to cost (`energy`) is the index M of a mixture: below 1 it is stable, and with all
interactions over RT divided by M it would stand on its binodal. For trial phases close to the mixture the ratio becomes
the spinodal index L, so L <= M.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.association import dot
from hspkit.phases.curvature import Shape, largest
from hspkit.phases.energy import Feed, Trials
from hspkit.phases.mixture import Array, Mixtures
from hspkit.phases.starts import along_fluctuation, implied, nearer_starts, starts_of, within
from hspkit.phases.steps import newton_or_plain, plain, steps_of

__all__ = [
    "Best",
    "Maxima",
    "fluctuation",
    "follow",
    "local_index",
    "maxima",
    "one_search",
    "quick_search",
    "search",
    "verdicts",
]

MOST_STEPS = 60
_QUICK_STEPS = 15
#: Plain steps before Newton's, which are wild far from a solution.
_PLAIN_STEPS = 1
#: Steps after which a trial that gains nothing is given up, and after which one is that is lower than the best and
#: creeps, even where all maxima are asked for.
_PATIENCE, _LATE = 6, 8
#: A trial is given up when it stands lower than the best by more than this many times the rise it can expect, at first
#: and after so many steps.
_MOST_RISES = (8.0, 2.0)
#: A maximum below this share of the best does not count among all: no draw of the parameters makes it the best.
_LOWEST = 0.4
#: A trial close to the mixture whose index passes the spinodal one by less than this share returns to the mixture.
_RETURNS = 1e-6
#: Two trials closer than this share of their fields go to the same maximum, and two maxima closer than that are one.
_CLOSE, _DISTINCT = 0.02, 0.2
#: Indices between which a second search is made, since the verdict could still turn.
_DOUBT = (0.85, 1.0 + 1e-6)
#: Least share of a plain step before a trial is given up, and the most that it is stretched while it goes up.
_LEAST_DAMPING, _MOST_STRETCH = 0.02, 32.0
#: Index of a trial that gains nothing, as a share of the spinodal index.
_NO_GAIN = 1e-3
#: Share of A, D and kappa that a damped plain step leaves at least, the multiple of kappa that it may reach, and by
#: what such a step is shortened when it went down.
_LEAST_DAMPED, _MOST_KAPPA, _SHORTER = 0.2, 5.0, 0.35
#: Relative loss of an index that is rounding.
_ROUNDING = 1e-13
#: Mixtures and trials that have ended are forgotten when fewer than this share is left.
_WORTH = 0.7


class Best(NamedTuple):
    """Best trial phase of each mixture: its index M as ``value`` (b,), fields (b, r + 3), fractions (b, n).

    All fields are 0 where that is the mixture itself.
    """

    value: Array
    fields: Array
    fractions: Array


class Maxima(NamedTuple):
    """Maxima of one mixture, best first: fields (k, r + 3), and the best of all as a `Best` of one row."""

    fields: Array
    best: Best


def local_index(mixtures: Mixtures) -> Array:
    """Return the spinodal index (b,)."""
    return largest(*Feed(mixtures).curvature())


def _index(trials: Trials, local: Array) -> Array:
    """Return the index of trials (b, s); that of the mixture itself is the local one."""
    gains = (trials.gain > 0) & (trials.cost > 0)
    index = np.where(gains, trials.gain / trials.cost, _NO_GAIN * local[:, None])
    return np.where(trials.same, local[:, None], index)


def _beaten(trials: Trials, index: Array, scale: Array) -> NDArray[np.bool_]:
    """Say which trials (b, s) have come close to a better one of their mixture and will end where it does."""
    where = trials.fields[..., :-1] * scale[:, None, :]
    products = np.matmul(where, where.swapaxes(-1, -2))
    size = products.diagonal(axis1=-2, axis2=-1)[..., None]
    close = size + size.swapaxes(-1, -2) - 2.0 * products <= _CLOSE**2 * size
    mine, other = index[:, :, None], index[:, None, :]
    earlier = np.tri(index.shape[1], k=-1, dtype=bool)
    return np.asarray((((other > mine) | ((other == mine) & earlier)) & close).any(axis=-1))


class _Search:
    """Trial phases (b, s) of mixtures on their way to maxima of the ratio of gain to cost.

    ``ends``, where it is asked for, takes the fields of all trials that have arrived, of a single mixture; then none
    is given up soon for being lower than another.
    """

    def __init__(self, mixtures: Mixtures, enough: float, least: float, ends: list[Array] | None) -> None:
        self.enough, self.least, self.ends = enough, least, ends
        self.feed = Feed(mixtures)
        self.shape = Shape.of(self.feed)
        self.index = self.shape.local.copy()
        self.fields = np.zeros((len(self.index), self.feed.rank + 3))
        self.fractions = mixtures.fractions.copy()
        several = (self.feed.present.sum(axis=-1) > 1) & (self.shape.scale.max(axis=-1) > 0) & (self.index <= enough)
        self.rows = np.flatnonzero(several)
        if 0 < self.rows.size < several.size:
            self.feed.keep(several)
            self.shape = self.shape.at(self.rows)

    @property
    def best(self) -> Best:
        """What was found."""
        return Best(self.index, self.fields, self.fractions)

    def run(self, fields: Array, plain_steps: int, steps: int) -> None:
        """Send trials out from fields (k, s, r + 3) of the mixtures that are searched."""
        self.local, self.scale = self.shape.local, self.shape.scale
        self.trials = self.feed.trials(fields)
        self.now = _index(self.trials, self.local)
        self.moving: NDArray[np.bool_] = np.ones(self.now.shape, dtype=bool)
        self.careful = np.zeros_like(self.moving)
        self.damping = np.ones(self.now.shape)
        for turn in range(steps):
            self.moving &= ~self.trials.near | (self.now > self.local[:, None] * (1.0 + _RETURNS))
            if turn % 2 and self.moving.size > len(self.moving):
                self.moving &= ~_beaten(self.trials, self.now, self.scale)
            if not self._narrow():
                break
            self._step(turn, turn < plain_steps)
        self._note()

    def _note(self) -> None:
        """Take over what is better than what was found so far."""
        every, pick = np.arange(self.rows.size), self.now.argmax(axis=-1)
        better = (self.now[every, pick] > self.index[self.rows]) & ~self.trials.same[every, pick]
        rows, every, pick = self.rows[better], every[better], pick[better]
        self.index[rows] = self.now[every, pick]
        self.fields[rows] = self.trials.fields[every, pick]
        self.fractions[rows] = self.trials.fractions[every, pick]

    def _narrow(self) -> bool:
        """Forget what no longer moves, as soon as that is worth it; return whether anything is left."""
        going = self.moving.any(axis=-1) & (self.now.max(axis=-1) <= self.enough)
        left = int(going.sum())
        if left == 0:
            return False
        self.moving &= going[:, None]
        width = int(self.moving.sum(axis=-1).max())
        few_rows, few_trials = left < _WORTH * going.size, width < _WORTH * self.moving.shape[-1]
        if few_rows or few_trials:
            self._note()
        if few_rows:
            self.feed.keep(going)
            self.rows, self.local, self.scale = self.rows[going], self.local[going], self.scale[going]
            self._take(going)
        if few_trials:
            order = np.argsort(~self.moving, axis=1, kind="stable")[:, :width]
            self._take((np.arange(self.rows.size)[:, None], order))
        return True

    def _take(self, places: Any) -> None:
        self.trials = self.trials.at(places)
        for name in ("now", "moving", "careful", "damping"):
            setattr(self, name, getattr(self, name)[places])

    def _step(self, turn: int, plain_only: bool) -> None:
        """Send the trials that move one step on, and keep it where it is one up."""
        feed, trials, r = self.feed, self.trials, self.feed.rank
        gains = trials.gain > 0
        small = newton = np.zeros_like(self.moving)
        ahead = steps_of(feed, trials)
        self._give_up(turn, ahead.rise)
        if plain_only:
            following = plain(feed, trials, ahead.spread)
        else:
            following, small, newton = newton_or_plain(feed, trials, ahead, self.scale, ~self.careful)
        if not newton.all():
            shorter = np.where(newton, 1.0, self.damping)[..., None]
            following = trials.fields + shorter * (following - trials.fields)
            least = (_LEAST_DAMPED - 1.0) * feed.bonds[:, None, :] + _LEAST_DAMPED * trials.fields[..., r : r + 2]
            following[..., r : r + 2] = np.maximum(following[..., r : r + 2], least)
            kappa = trials.fields[..., r + 2]
            following[..., r + 2] = np.clip(following[..., r + 2], _LEAST_DAMPED * kappa, _MOST_KAPPA * kappa)
        if not self.moving.all():
            following = np.where(self.moving[..., None], following, trials.fields)
        new = feed.trials(following, trials.level + dot(ahead.spread.level, following - trials.fields))
        index = _index(new, self.local)
        take = self.moving & ((index >= self.now * (1.0 - _ROUNDING)) | (~gains & ~newton))
        self.trials = trials.replaced(take, new)
        self.now = np.where(take, index, self.now)
        arrived = take & small
        if self.ends is not None and arrived.any():
            self.ends.extend(new.fields[arrived])
        if not newton.all():
            stretched = self.damping * np.where(take, 2.0, _SHORTER)
            self.damping = np.where(newton, self.damping, np.minimum(stretched, _MOST_STRETCH))
        self.careful = self.moving & ~take
        self.moving = self.moving & ~arrived & (self.damping > _LEAST_DAMPING)
        if turn >= _LATE:
            self.moving &= take | (self.now >= self._reached()[:, None])

    def _reached(self) -> Array:
        """Return the index of the best trials so far (k,)."""
        return np.maximum(self.index[self.rows], self.now.max(axis=-1))

    def _give_up(self, turn: int, rise: Array) -> None:
        """Leave trials that cannot be expected to become the best, or that gain nothing for long."""
        late = turn >= _LATE
        reached = self._reached()
        if self.ends is not None and not late:
            reached = np.maximum(self.local, _LOWEST * reached)
        goal = np.maximum(reached, self.least)[:, None]
        deficit = np.log(goal / np.maximum(self.now, 1e-300))
        self.moving &= deficit <= np.minimum(_MOST_RISES[late] * np.maximum(rise, 0.0), 50.0) + 1e-10
        if turn >= _PATIENCE:
            self.moving &= self.trials.gain > 0


def one_search(mixtures: Mixtures, starts: Array | None = None, *, known: Array | None = None, enough: float = np.inf,
               least: float = 0.0, steps: int = MOST_STEPS, nearer: bool = False,
               ends: list[Array] | None = None) -> Best:  # fmt: skip
    """Return the best trial phase of each mixture.

    Parameters
    ----------
    mixtures : Mixtures
        The mixtures (b).
    starts : ndarray of shape (b, s, r + 3), optional
        Fields to start from, such as those of a mixture close by; by default towards components and along the largest
        fluctuation. [mixed]
    known : ndarray of shape (b, k, n), optional
        Phases that are known: to start from too, so that trials on the way to them are left early. [-]
    enough : float
        A mixture is left as soon as its index passes this. [-]
    least : float
        Trials that cannot be expected to pass this are given up. [-]
    steps : int
        Most steps. [-]
    nearer : bool
        Whether to start nearer to the mixture, towards every component. [-]
    ends : list, optional
        Takes the fields of all trials that have arrived, of a single mixture. [mixed]

    Returns
    -------
    Best
    """
    with np.errstate(all="ignore"):
        search = _Search(mixtures, enough, least, ends)
        if search.rows.size == 0:
            return search.best
        if starts is not None:
            search.run(within(search.feed, starts[search.rows]), 0, steps)
            return search.best
        fields = (nearer_starts if nearer else starts_of)(search.feed, search.shape)
        if known is not None:
            fields = np.concatenate([implied(search.feed, known[search.rows]), fields], axis=1)
        search.run(fields, _PLAIN_STEPS, steps)
        return search.best


def search(mixtures: Mixtures, enough: float = np.inf, least: float = 0.0) -> Best:
    """Return the best trial phase of each mixture, looked for again from nearer starts where the verdict could turn."""
    best = one_search(mixtures, enough=enough, least=least)
    rows = np.flatnonzero((best.value > _DOUBT[0]) & (best.value < _DOUBT[1]))
    if rows.size:
        again = one_search(mixtures.take(rows), enough=enough, least=min(enough, 1.0), nearer=True)
        better = again.value > best.value[rows]
        for old, new in zip(best, again, strict=True):
            old[rows[better]] = new[better]
    return best


def fluctuation(mixtures: Mixtures) -> Array:
    """Return fields (b, r + 3) along the largest fluctuation of locally unstable mixtures, as far as lowers most.

    Where the ratio has its maximum at the mixture itself (a binary of critical composition) the search ends there, and
    there is no trial phase to start a split from.
    """
    feed = Feed(mixtures)
    r = feed.rank
    along = along_fluctuation(feed, Shape.of(feed))[:, :2]
    sizes = 2.0 ** np.arange(-10, 4)
    fields = (along[:, :, None, :] * sizes[:, None]).reshape(len(along), -1, along.shape[-1])
    fields[..., -1] = 1.0
    bonds = feed.bonds[:, None, :]
    fields[..., r : r + 2] = np.clip(fields[..., r : r + 2], -0.8 * bonds, 4.0 * bonds + 1e-12)
    trials = feed.trials(fields)
    return fields[np.arange(len(along)), (trials.cost - trials.gain).argmin(axis=-1)]


def quick_search(mixtures: Mixtures) -> Best:
    """Return a trial phase that makes a mixture unstable where there is an obvious one."""
    return one_search(mixtures, enough=1.0, least=1.0, steps=_QUICK_STEPS)


def maxima(mixtures: Mixtures) -> Maxima:
    """Return all maxima of one mixture: a full search that keeps more than the best."""
    ends: list[Array] = []
    best = one_search(mixtures, ends=ends)
    if _DOUBT[0] < best.value[0] < _DOUBT[1]:
        again = one_search(mixtures, least=1.0, nearer=True, ends=ends)
        best = again if again.value[0] > best.value[0] else best
    if not best.fields.any():
        return Maxima(np.zeros((0, best.fields.shape[-1])), best)
    feed = Feed(mixtures)
    scale = Shape.of(feed).scale[0]
    fields = np.array([best.fields[0], *ends])
    trials = feed.trials(fields[None])
    kept: list[Array] = []
    for number in np.argsort(-_index(trials, np.zeros(1))[0], kind="stable"):
        where = fields[number, :-1] * scale
        size = np.sqrt((where**2).sum())
        if all(np.sqrt(((where - other[:-1] * scale) ** 2).sum()) > _DISTINCT * size for other in kept):
            kept.append(fields[number])
    return Maxima(np.array(kept), best)


def follow(mixtures: Mixtures, fields: Array, steps: int = MOST_STEPS) -> Best:
    """Go to the maxima from known fields (b, s, r + 3) only, such as those of a mixture close by."""
    return one_search(mixtures, fields, steps=steps)


def verdicts(mixtures: Mixtures) -> NDArray[np.bool_]:
    """Return whether mixtures (b,) are stable, leaving each as soon as that is certain."""
    return search(mixtures, enough=1.0, least=0.9).value < 1.0
