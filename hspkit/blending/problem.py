"""A blending question in numbers: targets, carriers, limits; and the grids of a formulator's balance."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache, cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.blending.limits import Limits, viscosity_excess
from hspkit.blending.stock import Stock, mixes
from hspkit.blending.supports import TOLERANCE, combinations
from hspkit.carriers import Blend, Carrier
from hspkit.hansen import HSP
from hspkit.miscibility import Outcome, dissolve, stock_margin
from hspkit.oils import Oil

__all__ = ["Problem", "Recipe", "compositions", "steps_of"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Factors of (delta_d, delta_p, delta_h) in the Hansen distance. [-]
DISTANCE_FACTORS = np.array([2.0, 1.0, 1.0])
_GRID_CHUNK = 150_000


class Recipe(NamedTuple):
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
    carriers : list of Carrier or Blend
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
    carriers: list[Carrier | Blend]
    limits: Limits
    cost: Array | None
    max_carriers: int
    parts: tuple[float, float]
    celsius: float
    max_distance: float | None
    _outcomes: dict[tuple[tuple[int, ...], bytes], list[Outcome]] = field(default_factory=dict, init=False, repr=False)
    _mixing: dict[tuple[tuple[int, ...], bytes], bool] = field(default_factory=dict, init=False, repr=False)

    def blend(self, recipe: Recipe) -> Blend:
        """Return a recipe as a Blend, largest share first."""
        shares = np.asarray(recipe.shares, dtype=float)
        order = np.argsort(-shares, kind="stable")
        members = {self.carriers[recipe.support[i]]: float(shares[i] / shares.sum()) for i in order}
        label = " + ".join(f"{100 * share:.3g} % {member.name}" for member, share in members.items())
        return Blend(members, basis="volume", name=label if len(members) > 1 else label.removeprefix("100 % "))

    def fractions(self, recipe: Recipe) -> Array:
        """Return the volume fractions of all carriers in a recipe, shape (n,). [-]"""
        fractions = np.zeros(len(self.carriers))
        fractions[list(recipe.support)] = recipe.shares
        return fractions

    def outcomes(self, recipe: Recipe) -> list[Outcome]:
        """Return what `dissolve` says of each oil in a blend; it is computed once."""
        key = (recipe.support, np.asarray(recipe.shares).tobytes())
        if key not in self._outcomes:
            blend, (oil_parts, carrier_parts) = self.blend(recipe), self.parts
            self._outcomes[key] = [
                dissolve(oil, blend, oil_parts=oil_parts, carrier_parts=carrier_parts, celsius=self.celsius)
                for oil in self.oils
            ]
        return self._outcomes[key]

    def p_clear(self, blend: Blend) -> float:
        """Return the probability of clear of a blend, the worst oil counting, as `dissolve` has it. [-]"""
        return min(stock_margin(oil, blend, *self.parts, celsius=self.celsius)[1] for oil in self.oils)

    @cached_property
    def oils(self) -> list[Oil]:
        """The subjects that are oils: a point in Hansen space has no phase behaviour."""
        return [subject for subject in self.subjects if isinstance(subject, Oil)]

    @cached_property
    def points(self) -> Array:
        """Hansen parameters of the carriers, shape (n, 3). [MPa^0.5]"""
        return np.array([carrier.hsp.array for carrier in self.carriers])

    @cached_property
    def centres(self) -> Array:
        """Hansen parameters of the t subjects, shape (t, 3). [MPa^0.5]"""
        return np.array([(subject.hsp if isinstance(subject, Oil) else subject).array for subject in self.subjects])

    @cached_property
    def targets(self) -> list[Array]:
        """Scaled differences of the carriers from each subject, each of shape (n, 3). [MPa^0.5]"""
        return [(self.points - centre) * DISTANCE_FACTORS for centre in self.centres]

    @cached_property
    def stocks(self) -> list[Stock]:
        """Each oil with the carriers."""
        share = self.parts[0] / sum(self.parts)
        return [Stock(oil, self.carriers, share, self.celsius) for oil in self.oils]

    @cached_property
    def without_oil(self) -> Stock:
        """The carriers without an oil."""
        return Stock(None, self.carriers, 0.0, self.celsius)

    @property
    def widest(self) -> int:
        """How many carriers the largest blend can have. [-]"""
        return min(self.max_carriers, len(self.carriers))

    def squared_distance(self, supports: Indices, shares: Array) -> Array:
        """Return Ra^2 to the farthest subject, shape (...), of blends (..., s). [MPa]"""
        return np.max([np.square((shares[..., None] * p[supports]).sum(axis=-2)).sum(axis=-1) for p in self.targets], 0)

    def viscosity_offsets(self, supports: Indices) -> Array:
        """Return what pair terms may add to each limit, shape (c, m). [-]"""
        offsets, row = np.zeros((len(supports), len(self.limits.names))), self.limits.viscosity_row
        if row is not None:
            offsets[:, row] = viscosity_excess(self.carriers, supports) / self.limits.scales[row]
        return offsets

    def slack(self, fractions: Array) -> Array:
        """Return the slack of each limit at one blend (n,), pair terms of its carriers included, shape (m,). [-]"""
        return self.limits.slack(fractions) - self.viscosity_offsets(np.flatnonzero(fractions)[None, :])[0]

    def feasible(self, supports: Indices, shares: Array) -> NDArray[np.bool_]:
        """Return whether blends (b, s) keep to the limits, shape (b,)."""
        used = np.einsum("mbs,bs->bm", self.limits.rows[:, supports], shares)
        if self.limits.viscosity_row is not None:
            used += self.viscosity_offsets(supports)
        feasible = (used <= self.limits.bounds + TOLERANCE).all(axis=1)
        if self.max_distance is not None:
            feasible &= self.squared_distance(supports, shares) <= self.max_distance**2 * (1 + TOLERANCE)
        return feasible

    def grid(self, steps: int) -> Iterator[tuple[Indices, Array]]:
        """Yield all blends in whole steps that keep to the limits, as (supports (b, s), shares (b, s))."""
        for size in range(1, self.widest + 1):
            shares = compositions(steps, size) / steps
            supports = combinations(len(self.carriers), size)
            at_once = max(1, _GRID_CHUNK // max(1, len(shares)))
            for start in range(0, len(supports), at_once):
                part = supports[start : start + at_once]
                every = np.repeat(part, len(shares), axis=0)
                mixed = np.tile(shares, (len(part), 1))
                feasible = self.feasible(every, mixed)
                if feasible.any():
                    yield every[feasible], mixed[feasible]

    def feasible_grid(self, support: Indices, steps: int, *more: Array) -> tuple[Indices, Array]:
        """Return the blends of one support in whole steps, and more of its blends (s,), that keep to the limits."""
        shares = np.vstack([compositions(steps, len(support)) / steps, *more])
        supports = np.tile(support, (len(shares), 1))
        feasible = self.feasible(supports, shares)
        return supports[feasible], shares[feasible]

    def mixes(self, support: Sequence[int] | Indices, shares: Array) -> NDArray[np.bool_]:
        """Return whether blends (b, s) of one support are one phase without the oil, shape (b,)."""
        shares = np.atleast_2d(shares)
        return mixes(self.without_oil, np.tile(np.asarray(support, dtype=np.intp), (len(shares), 1)), shares)

    def one_phase(self, support: tuple[int, ...], shares: Array) -> bool:
        """Return whether one blend is one phase without the oil; it is computed once."""
        key = (support, np.asarray(shares).tobytes())
        if key not in self._mixing:
            self._mixing[key] = bool(self.mixes(support, shares)[0])
        return self._mixing[key]


@cache
def compositions(total: int, size: int) -> NDArray[np.intp]:
    """Return all ways to write a whole number as a sum of so many positive whole numbers, shape (c, size).

    Examples
    --------
    >>> compositions(4, 2).tolist()
    [[1, 3], [2, 2], [3, 1]]
    """
    if total < size:
        parts = np.zeros((0, size), dtype=np.intp)
    elif size == 1:
        parts = np.array([[total]], dtype=np.intp)
    else:
        cuts = np.sort(combinations(total - 1, size - 1) + 1, axis=1)
        edges = np.column_stack([np.zeros(len(cuts), dtype=np.intp), cuts, np.full(len(cuts), total)])
        parts = np.diff(edges, axis=1)
        parts = parts[np.lexsort(parts.T[::-1])]
    parts.flags.writeable = False
    return parts


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
