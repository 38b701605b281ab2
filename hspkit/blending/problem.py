"""A blending question in numbers: targets, carriers, limits; and the grids of a formulator's balance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.blending.limits import Limits, excess_of
from hspkit.blending.stock import Stock, mixes
from hspkit.blending.supports import TOLERANCE, combinations
from hspkit.carriers import Blend, Carrier
from hspkit.hansen import HSP
from hspkit.miscibility import Outcome, dissolve, stock_margin
from hspkit.oils import Oil

__all__ = ["Found", "Problem", "compositions", "steps_of"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Factors of (delta_d, delta_p, delta_h) in the Hansen distance. [-]
_DISTANCE = np.array([2.0, 1.0, 1.0])
_GRID_CHUNK = 150_000


class Found(NamedTuple):
    """One blend: which carriers, their volume fractions, its objective (smaller is better)."""

    support: tuple[int, ...]
    shares: Array
    value: float


@dataclass(frozen=True, eq=False)
class Problem:
    """What is asked of a blend.

    Parameters
    ----------
    subjects : tuple of Oil or HSP
        What is to be dissolved.
    chosen : list of Carrier or Blend
        The n carriers that may be in a blend.
    limits : Limits
        What a blend must keep to.
    cost : ndarray of shape (n,) or None
        Price of each carrier. [per L]
    max_carriers : int
        Most carriers in a blend. [-]
    parts : tuple of float
        Parts of oil and of blend by volume. [-]
    celsius : float
        Temperature of the stock. [degC]
    max_distance : float or None
        Largest Ra to any of the subjects. [MPa^0.5]
    """

    subjects: tuple[Oil | HSP, ...]
    chosen: list[Carrier | Blend]
    limits: Limits
    cost: Array | None
    max_carriers: int
    parts: tuple[float, float]
    celsius: float
    max_distance: float | None
    _known: dict[tuple[tuple[int, ...], bytes], list[Outcome]] = field(default_factory=dict, repr=False)

    def blend(self, one: Found) -> Blend:
        """Return a blend that was found as a Blend, largest share first."""
        shares = np.asarray(one.shares, dtype=float)
        order = np.argsort(-shares, kind="stable")
        members = {self.chosen[one.support[i]]: float(shares[i] / shares.sum()) for i in order}
        label = " + ".join(f"{100 * share:.3g} % {member.name}" for member, share in members.items())
        return Blend(members, basis="volume", name=label if len(members) > 1 else label.removeprefix("100 % "))

    def outcomes(self, one: Found) -> list[Outcome]:
        """Return what `dissolve` says of each oil in a blend; it is asked once."""
        key = (one.support, np.asarray(one.shares).tobytes())
        if key not in self._known:
            blend, (oil_parts, carrier_parts) = self.blend(one), self.parts
            self._known[key] = [
                dissolve(subject, blend, oil_parts=oil_parts, carrier_parts=carrier_parts, celsius=self.celsius)
                for subject in self.subjects
                if isinstance(subject, Oil)
            ]
        return self._known[key]

    def p_clear(self, blend: Blend) -> float:
        """Return the probability of clear of a blend, the worst oil counting, as `dissolve` has it. [-]"""
        oils = [subject for subject in self.subjects if isinstance(subject, Oil)]
        return min(stock_margin(one, blend, *self.parts, celsius=self.celsius)[1] for one in oils)

    @cached_property
    def points(self) -> Array:
        """Hansen parameters of the carriers, shape (n, 3). [MPa^0.5]"""
        return np.array([one.hsp.array for one in self.chosen])

    @cached_property
    def targets(self) -> list[Array]:
        """Scaled differences of the carriers from each subject, each of shape (n, 3). [MPa^0.5]"""
        return [(self.points - _point(one)) * _DISTANCE for one in self.subjects]

    @cached_property
    def stocks(self) -> list[Stock]:
        """Each oil with the carriers; points in Hansen space have no stock."""
        share = self.parts[0] / sum(self.parts)
        return [Stock(one, self.chosen, share, self.celsius) for one in self.subjects if isinstance(one, Oil)]

    @cached_property
    def alone(self) -> Stock:
        """The carriers without an oil."""
        return Stock(None, self.chosen, 0.0, self.celsius)

    def squared_distance(self, supports: Indices, shares: Array) -> Array:
        """Return Ra^2 to the farthest subject, shape (...), of blends (..., s). [MPa]"""
        return np.max([np.square((shares[..., None] * p[supports]).sum(axis=-2)).sum(axis=-1) for p in self.targets], 0)

    def viscosity_offsets(self, supports: Indices) -> Array:
        """Return what pair terms may add to each limit, shape (c, m). [-]"""
        found = np.zeros((len(supports), len(self.limits.names)))
        if self.limits.thick is not None:
            found[:, self.limits.thick] = excess_of(self.chosen, supports) / self.limits.scales[self.limits.thick]
        return found

    def feasible(self, supports: Indices, shares: Array) -> NDArray[np.bool_]:
        """Return whether blends (b, s) keep to the limits, shape (b,)."""
        used = np.einsum("mbs,bs->bm", self.limits.rows[:, supports], shares)
        if self.limits.thick is not None:
            used += self.viscosity_offsets(supports)
        fine = (used <= self.limits.bounds + TOLERANCE).all(axis=1)
        if self.max_distance is not None:
            fine &= self.squared_distance(supports, shares) <= self.max_distance**2 * (1 + TOLERANCE)
        return fine

    def grid(self, steps: int, sizes: Sequence[int] | None = None) -> Iterator[tuple[Indices, Array]]:
        """Yield all blends in whole steps that keep to the limits, as (supports (b, s), shares (b, s))."""
        for size in sizes or range(1, min(self.max_carriers, len(self.chosen)) + 1):
            shares = compositions(steps, size) / steps
            supports = combinations(len(self.chosen), size)
            if not len(shares):
                continue
            at_once = max(1, _GRID_CHUNK // len(shares))
            for start in range(0, len(supports), at_once):
                some = supports[start : start + at_once]
                every = np.repeat(some, len(shares), axis=0)
                mixed = np.tile(shares, (len(some), 1))
                fine = self.feasible(every, mixed)
                if fine.any():
                    yield every[fine], mixed[fine]

    def mixes(self, support: Sequence[int] | Indices, shares: Array) -> NDArray[np.bool_]:
        """Return whether blends (b, s) of one support are one phase without the oil, shape (b,)."""
        shares = np.atleast_2d(shares)
        return mixes(self.alone, np.tile(np.asarray(support, dtype=np.intp), (len(shares), 1)), shares)


def _point(subject: Oil | HSP) -> Array:
    return subject.hsp.array if isinstance(subject, Oil) else subject.array


@cache
def compositions(total: int, size: int) -> NDArray[np.intp]:
    """Return all ways to write a whole number as a sum of so many positive whole numbers, shape (c, size).

    Examples
    --------
    >>> compositions(4, 2).tolist()
    [[1, 3], [2, 2], [3, 1]]
    """
    if total < size:
        found = np.zeros((0, size), dtype=np.intp)
    elif size == 1:
        found = np.array([[total]], dtype=np.intp)
    else:
        cuts = np.sort(combinations(total - 1, size - 1) + 1, axis=1)
        edges = np.column_stack([np.zeros(len(cuts), dtype=np.intp), cuts, np.full(len(cuts), total)])
        found = np.diff(edges, axis=1)
        found = found[np.lexsort(found.T[::-1])]
    found.flags.writeable = False
    return found


def steps_of(increments_percent: float) -> int:
    """Return how many steps make the whole.

    Raises
    ------
    InputError
        When the increments do not divide 100 %.

    Examples
    --------
    >>> steps_of(5)
    20
    """
    expected = "a step that divides 100 %, such as 1, 2 or 5"
    number = 100.0 / checks.number(increments_percent, "increments_percent", "", low=0.1, high=100, expected=expected)
    if abs(number - round(number)) >= 1e-9:
        raise checks.refuse(increments_percent, "increments_percent", expected)
    return round(number)
