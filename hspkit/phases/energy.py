"""Trial phases of mixtures: what they gain and cost, and how they answer to the fields that make them.

For a trial phase w of a mixture phi the distance of the free energy from its tangent plane is a cost less a gain,

    cost = sum [w ln(w/phi) - w + phi]/V,      gain = |m(w) - m(phi)|^2 + [B(w) - B(phi) - slope of B along w - phi],

with m = sum w d and B = sum w h(A, D) - A D of the hydrogen bonds (`association`). The mixture is stable when no trial
phase gains more than it costs. Wherever the ratio of both is stationary,

    w_i = phi_i exp V_i (lam + q.(d_i - m) + kappa (h_i(A, D) - h_i(A_0, D_0))),

with kappa = cost/gain, q = 2 kappa (m(w) - m(phi)), A and D those of the trial phase, A_0 and D_0 of the mixture, and
lam so that w sums to 1. So whatever the number of components a trial phase is a few *fields*, y = (q, A - A_0,
D - D_0, kappa). All mixtures and all trials at once.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.phases.association import bonded_by_half, dot
from hspkit.phases.mixture import Array, Mixtures

__all__ = ["Feed", "Trials", "component_sum"]

#: A trial phase in which no component's ln(w/phi) exceeds this is the mixture itself.
_SAME_PHASE = 3e-4
#: And this one, close to it.
_NEAR = 0.15
#: ln of the sum of a trial phase from which on the last, linear step brings all digits; by how much the sum may miss 1
#: before it; sums from which Newton starts.
_CLOSED = 1e-4
_SUM = 1e-3
_SUMS = (0.2, 3.0)
#: Relative step of A at which it is good enough to choose where to start, and for a trial phase: of A about the square
#: of it is left, and of the gain the square of that.
_ROUGH, _FINE = 0.05, 1e-3


def component_sum(trials: Array, values: Array) -> Array:
    """Sum over the components: (b, s, n) times (b, n, k) or (1, n, k)."""
    if values.shape[0] != 1 or trials.shape[0] == 1:
        return np.matmul(trials, values)
    rows = trials.shape[0] * trials.shape[1]
    flat = trials.reshape(rows, trials.shape[-1]) @ values[0]  # one large product, not many small ones
    return flat.reshape(*trials.shape[:-1], values.shape[-1])


class Trials(NamedTuple):
    """Trial phases (b, s, ...) at their fields.

    fields (b, s, r + 3), lam (b, s), fractions (b, s, n); what drives ln(w/phi)/V by d and by kind of site, (q, kappa
    times the change of ln(1 + s A)), and what w itself would drive, 2 (m(w) - m(phi)) and its own change of ln(1 + s A)
    (b, s, r + k + l); A and D of w less those of the mixture (b, s, 2); by how much A answers to D and D to A
    (b, s, 2); gain, cost, and the largest ln(w/phi) (b, s).
    """

    fields: Array
    level: Array
    fractions: Array
    drive: Array
    own_drive: Array
    bonds: Array
    order: Array
    gain: Array
    cost: Array
    reach: Array

    def at(self, index: Any) -> Trials:
        """Return some mixtures, or some trials of each."""
        return Trials(*(part[index] for part in self))

    def replaced(self, take: NDArray[np.bool_], other: Trials) -> Trials:
        """Return these trials with those of ``other`` where ``take`` (b, s) says so."""
        if take.all():
            return other
        every = take[..., None]
        pairs = zip(self, other, strict=True)
        return Trials(*(np.where(take if new.ndim == 2 else every, new, old) for old, new in pairs))

    @property
    def near(self) -> NDArray[np.bool_]:
        """Whether a trial is close to the mixture (b, s)."""
        return np.asarray(self.reach < _NEAR)

    @property
    def same(self) -> NDArray[np.bool_]:
        """Whether a trial is the mixture itself (b, s)."""
        return np.asarray(self.reach < _SAME_PHASE)


class Compositions(NamedTuple):
    """Phases (b, s) of given compositions: the shifts of m (b, s, r) and of A and D (b, s, 2), gain, cost."""

    shift: Array
    bonds: Array
    gain: Array
    cost: Array


class Feed:
    """The mixtures still searched, with everything that does not depend on the trial worked out once.

    ``guess`` are A of the mixtures, where those of mixtures close by are known.
    """

    def __init__(self, mixtures: Mixtures, guess: Array | None = None) -> None:
        self.fractions, self.volumes = mixtures.fractions, mixtures.volumes
        self.present = self.fractions > 0
        self.complete = bool(self.present.all())
        self.log_fractions = np.log(self.fractions, out=np.full_like(self.fractions, -np.inf), where=self.present)
        self.moles = dot(self.fractions, 1.0 / self.volumes)
        self.rank = mixtures.points.shape[-1]
        self._gather(mixtures)
        self.across = self.moments.swapaxes(-1, -2)
        self.lifting = self.across * self.volumes[:, None, :]
        self.sums = component_sum(self.fractions[:, None, :], self.moments)[:, 0]
        self.bonds = self.bonded(self.sums[:, None, :], None if guess is None else guess[:, None])[0][:, 0]
        self.free = self.slopes(self.bonds[:, None, :])[:, 0]

    @property
    def acceptors(self) -> Array:
        """A of the mixtures (b,)."""
        return self.bonds[:, 0]

    @property
    def donors(self) -> Array:
        """D of the mixtures (b,)."""
        return self.bonds[:, 1]

    def _gather(self, mixtures: Mixtures) -> None:
        """Put d and sites of the components side by side (b or 1, n, r + k + l)."""
        points = mixtures.points - mixtures.points.mean(axis=-2, keepdims=True)  # differences count: saves digits
        sites, strengths = (
            (mixtures.donors, mixtures.acceptors),
            (mixtures.donor_strengths, mixtures.acceptor_strengths),
        )
        if not all(part.any() for part in sites):  # nothing can bond
            sites = sites[0][..., :0], sites[1][..., :0]
            strengths = strengths[0][..., :0], strengths[1][..., :0]
        self.kinds = sites[0].shape[-1]
        with np.errstate(divide="ignore"):
            self.half = 1.0 / np.concatenate(strengths, axis=-1)[:, None, :]
        count = np.broadcast_shapes(points.shape[:1], sites[0].shape[:1])[0]
        parts = [points, *sites]
        self.moments = np.concatenate(
            [part if len(part) == count else np.broadcast_to(part, (count, *part.shape[1:])) for part in parts], axis=-1
        )
        # 1 where A or D belongs to a kind of site (2, k + l)
        self.sorting = np.zeros((2, self.half.shape[-1]))
        self.sorting[0, : self.kinds] = self.sorting[1, self.kinds :] = 1.0

    def keep(self, rows: NDArray[np.bool_]) -> None:
        """Forget the mixtures that are done."""
        for name in ("fractions", "present", "log_fractions", "moles", "sums", "bonds", "free"):
            setattr(self, name, getattr(self, name)[rows])
        for name in ("volumes", "half", "moments", "across", "lifting", "_counts"):
            values = self.__dict__.get(name)
            if values is not None and values.shape[0] > 1:
                setattr(self, name, values[rows])

    @cached_property
    def _counts(self) -> Array:
        """Ones and volumes (b or 1, n, 2), to sum over a trial phase."""
        return np.stack([np.ones_like(self.volumes), self.volumes], axis=-1)

    def bonded(self, sums: Array, guess: Array | None = None, tolerance: float = 1e-5) -> tuple[Array, Array]:
        """Return (A, D) and how they answer to each other (b, s, 2) in phases with sums (b, s, r + k + l)."""
        first, last = self.rank, self.rank + self.kinds
        half = self.half[..., : self.kinds], self.half[..., self.kinds :]
        return bonded_by_half(sums[..., first:last], sums[..., last:], *half, guess, tolerance)

    def by_kind(self, bonds: Array) -> Array:
        """Return A for the kinds of donors and D for those of acceptors (b, s, k + l) of (A, D) (b, s, 2)."""
        return np.matmul(bonds, self.sorting)

    def slopes(self, bonds: Array) -> Array:
        """Return s/(1 + s A) and t/(1 + t D) by kind (b, s, k + l): how h answers to A and D."""
        return 1.0 / (self.half + self.by_kind(bonds))

    def logs(self, bonds: Array) -> Array:
        """Return ln(1 + s A) and ln(1 + t D) by kind (b, s, k + l)."""
        return np.log1p(self.by_kind(bonds) / self.half)

    def trials(self, fields: Array, guess: Array | None = None) -> Trials:
        """Return the trial phases at fields (b, s, r + 3); ``guess`` is a lam (b, s) close by."""
        r = self.rank
        free, feed = self.free[:, None, :], self.fractions[:, None, :]
        drive = np.empty((*fields.shape[:2], self.moments.shape[-1]))
        drive[..., :r] = fields[..., :r]
        logs = np.log1p(self.by_kind(fields[..., r : r + 2]) * free)
        np.multiply(logs, fields[..., r + 2 :], out=drive[..., r:])
        log_ratio, level, change, missing = self._closed(component_sum(drive, self.lifting), guess)
        fractions = feed + change
        moved = component_sum(change, self.moments)
        guess = self.acceptors[:, None] + fields[..., r]
        bonds, order = self.bonded(self.sums[:, None, :] + moved, guess, _FINE)
        bonds -= self.bonds[:, None, :]
        own = 2.0 * moved
        gain = self._gain(moved, bonds, own[..., r:])
        cost = ((fractions * log_ratio - change) / self.volumes[:, None, :]).sum(axis=-1)
        gain = np.where(np.abs(missing) < _SUM, gain, -1.0)  # fields beyond all numbers
        return Trials(fields, level, fractions, drive, own, bonds, order, gain, cost, np.abs(log_ratio).max(axis=-1))

    def _closed(self, lift: Array, guess: Array | None) -> tuple[Array, Array, Array, Array]:
        """Return ln(w/phi), lam, w - phi and by how much w missed 1, of trials whose ln(w/phi) less V lam is ``lift``.

        ln sum w is convex and increasing in lam, so Newton comes down on the root from above. Far away a bound at which
        no term exceeds 1 is better: nothing overflows, whatever the ratio of volumes.
        """
        sizes = self.volumes[:, None, :]
        exponent = lift + self.log_fractions[:, None, :]
        level = -(exponent / sizes).max(axis=-1) if guess is None else guess
        for turn in range(60):
            both = component_sum(np.exp(exponent + sizes * level[..., None]), self._counts)
            total, size = both[..., 0], both[..., 1]
            if turn == 0 and guess is not None:
                good = (total > _SUMS[0]) & (total < _SUMS[1])
                if not good.all():
                    level = np.where(good, level, -(exponent / sizes).max(axis=-1))
                    continue
            off = np.log(total)
            level = level - off * total / size
            if np.abs(off).max() < _CLOSED:
                break
        # once more with ln(w/phi) itself, so that a trial close to the mixture keeps its digits
        log_ratio = lift + sizes * level[..., None]
        if not self.complete:
            log_ratio = np.where(self.present[:, None, :], log_ratio, 0.0)
        feed = self.fractions[:, None, :]
        change = np.expm1(log_ratio) * feed
        missing = -change.sum(axis=-1)
        last = missing / size
        more = sizes * last[..., None]
        return log_ratio + more, level + last, change + (feed + change) * more, missing

    def _gain(self, moved: Array, bonds: Array, logs: Array) -> Array:
        """Return the gain (b, s) of phases whose sums have moved, and fill in their own change of ln(1 + s A).

        What is of first order cancels, and is left out.
        """
        r = self.rank
        relative = self.by_kind(bonds) * self.free[:, None, :]
        np.log1p(relative, out=logs)
        gain = dot(moved[..., :r], moved[..., :r]) - bonds[..., 0] * bonds[..., 1]
        if logs.shape[-1]:
            gain += dot(moved[..., r:], logs) + dot(self.sums[:, None, r:], logs - relative)
        return gain

    def pure(self) -> Array:
        """Return (A, D) of the pure components (b or 1, n, 2)."""
        return self.bonded(self.moments)[0]

    def bonded_energy(self, bonds: Array) -> Array:
        """Return A D - h_i (b, s, n): what bonds contribute per volume to the potential of each component."""
        return bonds.prod(axis=-1)[..., None] - np.matmul(self.logs(bonds), self.across[:, self.rank :])

    def phases(self, fractions: Array) -> Compositions:
        """Return what phases of given compositions (b, s, n) gain and cost."""
        change = fractions - self.fractions[:, None, :]
        there = (fractions > 0) & self.present[:, None, :]
        ratio = np.where(there, fractions / np.where(there, self.fractions[:, None, :], 1.0), 1.0)
        cost = ((fractions * np.log(ratio) - change) / self.volumes[:, None, :]).sum(axis=-1)
        outside = ((fractions > 0) & ~self.present[:, None, :]).any(axis=-1)
        moved = component_sum(change, self.moments)
        return self._compositions(moved, self.bonded(self.sums[:, None, :] + moved)[0], np.where(outside, np.inf, cost))

    def _compositions(self, moved: Array, bonds: Array, cost: Array) -> Compositions:
        r = self.rank
        bonds = bonds - self.bonds[:, None, :]
        gain = self._gain(moved, bonds, np.empty_like(moved[..., r:]))
        return Compositions(moved[..., :r], bonds, gain, cost)

    def gain_slope(self, phase: Array, direction: Array) -> Array:
        """Return how the gain of phases (b, n) that stay answers to mixtures that move along ``direction`` (b, n)."""
        r = self.rank
        moved, pulled = (
            component_sum(part[:, None, :], self.moments)[:, 0] for part in (phase - self.fractions, direction)
        )
        # the slopes of the bonds turn as A and D of the mixture answer to the move
        to_a, to_d = self.order(self.sums, self.free)
        donors, acceptors = (self.sorting * (pulled[:, None, r:] * self.free[:, None, :])).sum(axis=-1).T
        turned = np.stack([acceptors - to_a * donors, donors - to_d * acceptors], axis=-1)
        turned = self.by_kind(turned / (1.0 - to_a * to_d)[:, None]) * self.free
        return -2.0 * dot(moved[:, :r], pulled[:, :r]) - dot(moved[:, r:], turned)

    def towards_components(self, shares: Array) -> Compositions:
        """Return phases (b, s * n) on the ways to the pure components, which make up these shares (s,) of them.

        Their gains are approximate.
        """
        share = shares[:, None]
        count = len(self.fractions)
        left = (1.0 - share) * self.fractions[:, None, :]
        feed, sizes = self.fractions[:, None, :], self.volumes[:, None, :]
        with np.errstate(divide="ignore", invalid="ignore"):
            log_left = np.log1p(-share)
            rest = np.where(share < 1.0, left * log_left, 0.0)
            inside = left + share
            own = inside * np.log(inside / feed)
        everything = np.where(shares < 1.0, (1.0 - shares) * log_left[:, 0], 0.0) * self.moles[:, None]
        cost = everything[..., None] + (own - rest - share) / sizes + share * self.moles[:, None, None]
        moved = share[:, :, None] * (self.moments - self.sums[:, None, :])[:, None]
        moved = moved.reshape(count, -1, moved.shape[-1])
        guess = self.acceptors[:, None, None] + share * (self.pure()[..., 0] - self.acceptors[:, None])[:, None, :]
        bonds, _ = self.bonded(self.sums[:, None, :] + moved, guess.reshape(count, -1), _ROUGH)
        return self._compositions(moved, bonds, cost.reshape(count, -1))

    def feature_pair(self, slopes: Array) -> tuple[Array, Array]:
        """Return how h answers to A and to D, each (b, s, n)."""
        first, last = self.rank, self.rank + self.kinds
        return (
            np.matmul(slopes[..., : self.kinds], self.across[:, first:last]),
            np.matmul(slopes[..., self.kinds :], self.across[:, last:]),
        )

    def order(self, sums: Array, slopes: Array) -> tuple[Array, Array]:
        """Return by how much A answers to D and D to A: the products are 1 where bonds order by themselves."""
        weighted = sums[..., self.rank :] * slopes**2
        return weighted[..., self.kinds :].sum(axis=-1), weighted[..., : self.kinds].sum(axis=-1)

    def features(self) -> Array:
        """Return d, dh/dA and dh/dD of the components in the mixture (b, n, r + 2)."""
        features = np.empty((*self.fractions.shape, self.rank + 2))
        features[..., : self.rank] = self.moments[..., : self.rank]
        for place, feature in enumerate(self.feature_pair(self.free[:, None, :])):
            features[..., self.rank + place] = feature[:, 0]
        return features

    def curvature(self) -> tuple[Array, Array]:
        """Return C (b, r + 2, r + 2), the volume-weighted covariance of (d, dh/dA, dh/dD), and what each pays, S.

        The largest eigenvalue of S C is the spinodal index.
        """
        r = self.rank
        features = self.features()
        weights = self.volumes * self.fractions
        features = features - np.matmul(weights[:, None, :], features) / weights.sum(axis=-1)[:, None, None]
        spread = np.matmul((weights[..., None] * features).swapaxes(-1, -2), features)
        to_a, to_d = self.order(self.sums, self.free)
        worth = np.zeros_like(spread)
        index = np.arange(r)
        worth[:, index, index] = 2.0
        bond = 1.0 / (1.0 - to_a * to_d)
        worth[:, r, r], worth[:, r + 1, r + 1] = -bond * to_a, -bond * to_d
        worth[:, r, r + 1] = worth[:, r + 1, r] = bond
        return spread, worth
