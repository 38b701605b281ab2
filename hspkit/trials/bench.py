"""Trials, run or planned, as one uncertain state: what is not known, and the margin of each trial as a function of it.

What is not known are the Hansen parameters of every substance in the mixtures and, for every carrier or blend, how far
the theory misses with it. The state z holds all of it, scaled so that before any trial it is standard normal. A trial's
margin is y = ln M(z) + misfit, with M the binodal index of `hspkit.phases`: clear while y < 0, hazy from there to the
index at which the second phase reaches `HAZE_VOLUME`, split beyond. `dissolve` draws its probabilities from the same y;
`Bench.belief` hands it what trials leave of the state.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import phases
from hspkit.belief import LAPSE, OWN_SHARE, THEORY_SD_LN, Belief, Tried, root_of
from hspkit.carriers import Blend, Carrier
from hspkit.miscibility.extent import haze_edge
from hspkit.miscibility.margin import SMALLEST_INDEX, mixture_key
from hspkit.mixture import Mixture, liquid_key, stock_of
from hspkit.oils import Oil

__all__ = ["LAPSE", "OWN_SHARE", "Bench", "Mix", "log_chance"]

Array = NDArray[np.float64]


class Mix(NamedTuple):
    """A mixture at the bench: liquid, parts by volume of oil, carrier and water, temperature [degC]."""

    liquid: Carrier | Blend
    oil_parts: float = 1.0
    carrier_parts: float = 2.0
    water_parts: float = 0.0
    celsius: float = 25.0

    @property
    def label(self) -> str:
        """In words."""
        water = f" + {self.water_parts:g} water" if self.water_parts else ""
        return f"{self.liquid.name}, {self.oil_parts:g}:{self.carrier_parts:g}{water}, {self.celsius:g} C"

    @property
    def key(self) -> tuple[object, ...]:
        """What tells it from other mixtures of the oil, however it is written."""
        parts = (self.oil_parts, self.carrier_parts, self.water_parts)
        return mixture_key(liquid_key(self.liquid), *parts, self.celsius)


@dataclass(frozen=True, eq=False)
class Bench:
    """Mixtures of one oil that share what is not known.

    ``identities`` and ``names`` (n,), ``mean`` (n, 3), ``root`` (n, 3, 3): substances, parameters and roots of
    covariances before any trial; ``mixtures`` and ``places``: for each mix its components and their rows in ``names``;
    ``liquids`` (t,): which of ``known_liquids`` it has, each with a misfit of its own. The state has 3 n +
    len(known_liquids) entries.
    """

    mixes: tuple[Mix, ...]
    identities: tuple[str, ...]
    names: tuple[str, ...]
    mean: Array
    root: Array
    mixtures: tuple[Mixture, ...]
    places: tuple[NDArray[np.intp], ...]
    liquids: NDArray[np.intp]
    known_liquids: tuple[object, ...]

    @classmethod
    def of(cls, subject: Oil, mixes: Sequence[Mix]) -> Bench:
        """Set up mixtures of an oil, with what was known before any trial; see `state_of` for what trials left.

        Raises
        ------
        InputError
            When no molecule stands for a part of a carrier.
        """
        known: dict[str, tuple[str, Array, Array]] = {}
        mixtures, places = [], []
        liquids: dict[object, int] = {}
        before = replace(subject, belief=None)
        for mix in mixes:
            mixture = stock_of(before, mix.liquid, mix.oil_parts, mix.carrier_parts, mix.water_parts).present
            for row in zip(mixture.identities, mixture.names, mixture.hsp, mixture.covariance, strict=True):
                known.setdefault(row[0], row[1:])
            order = list(known)
            mixtures.append(mixture)
            places.append(np.array([order.index(identity) for identity in mixture.identities], dtype=np.intp))
            liquids.setdefault(mixture.carrier_key, len(liquids))
        mean = np.array([point for _, point, _ in known.values()])
        root = root_of(np.array([spread for _, _, spread in known.values()]))
        if subject.belief is not None:
            for place, identity in enumerate(known):
                if identity in subject.belief.identities:
                    at = subject.belief.identities.index(identity)
                    mean[place], root[place] = subject.belief.mean[at], subject.belief.root[at]
        return cls(
            tuple(mixes),
            tuple(known),
            tuple(name for name, _, _ in known.values()),
            mean,
            root,
            tuple(mixtures),
            tuple(places),
            np.array([liquids[mixture.carrier_key] for mixture in mixtures], dtype=np.intp),
            tuple(liquids),
        )

    def belief(self, mean: Array, covariance: Array, outcomes: Sequence[tuple[Mix, str, float]]) -> Belief:
        """Return what trials leave of the state, for whoever asks about the oil.

        Parameters
        ----------
        mean : ndarray of shape (K,)
            Mean of the state after the trials. [-]
        covariance : ndarray of shape (K, K)
            Its covariance. [-]
        outcomes : sequence of (Mix, str, float)
            What was tried, what was seen, and the chance that everything else gave it. [-]
        """
        tried = tuple(Tried(mix.key, outcome, chance) for mix, outcome, chance in outcomes)
        return Belief(self.identities, self.mean, self.root, self.known_liquids, mean, covariance, tried)

    def _shared(self, belief: Belief) -> tuple[list[int], list[int]]:
        """Return the entries of the state that a belief knows: their places in this bench, and in the belief."""
        own, theirs = [], []
        for row, identity in enumerate(self.identities):
            if identity in belief.identities:
                own += [3 * row + axis for axis in range(3)]
                theirs += [3 * belief.identities.index(identity) + axis for axis in range(3)]
        for row, liquid in enumerate(self.known_liquids):
            if liquid in belief.liquids:
                own.append(3 * len(self.identities) + row)
                theirs.append(3 * len(belief.identities) + belief.liquids.index(liquid))
        return own, theirs

    def state_of(self, belief: Belief | None) -> Array:
        """Return the mean state (K,) of this bench that trials on another one leave; zero where they say nothing."""
        mean = np.zeros(self.size)
        if belief is not None:
            own, theirs = self._shared(belief)
            mean[own] = belief.state[theirs]
        return mean

    def covariance_of(self, belief: Belief | None) -> Array:
        """Return the covariance (K, K) of the state of this bench that trials on another one leave."""
        covariance = np.eye(self.size)
        if belief is not None:
            own, theirs = self._shared(belief)
            covariance[np.ix_(own, own)] = belief.covariance[np.ix_(theirs, theirs)]
        return covariance

    def only(self, rows: Sequence[int]) -> Bench:
        """Return the bench with some of its mixes and the same state."""
        chosen = list(rows)
        return replace(
            self,
            mixes=tuple(self.mixes[row] for row in chosen),
            mixtures=tuple(self.mixtures[row] for row in chosen),
            places=tuple(self.places[row] for row in chosen),
            liquids=self.liquids[chosen],
        )

    @property
    def size(self) -> int:
        """Length of the state."""
        return 3 * len(self.names) + len(self.known_liquids)

    def points(self, state: Array) -> Array:
        """Return parameters (..., n, 3) of states (..., K). [MPa^0.5]"""
        return np.clip(self._unbounded(state), 0.0, None)

    def _unbounded(self, state: Array) -> Array:
        deviations = state[..., : 3 * len(self.names)].reshape(*state.shape[:-1], len(self.names), 3)
        return self.mean + np.einsum("nij,...nj->...ni", self.root, deviations)

    def misfit(self, state: Array) -> Array:
        """Return the shared misfit (..., t) of each mix. [-]"""
        own = state[..., 3 * len(self.names) :]
        return np.sqrt(1.0 - OWN_SHARE) * THEORY_SD_LN * own[..., self.liquids]

    def margin(self, state: Array) -> tuple[Array, Array, Array]:
        """Return y (t,) at one state (K,), its slope (t, K), and the spread (t,) that no other mix shares.

        That spread is of the misfit of the composition and of the molar volumes.
        """
        unbounded = self._unbounded(state)
        points, moves = np.clip(unbounded, 0.0, None), unbounded >= 0.0
        value, slope = self.misfit(state), np.zeros((len(self.mixes), self.size))
        own = np.empty(len(self.mixes))
        for row, (mix, mixture, place) in enumerate(zip(self.mixes, self.mixtures, self.places, strict=True)):
            found = phases.binodal_details(
                mixture.fractions, mixture.volumes, points[place], sites=mixture.sites, celsius=mix.celsius
            )
            value[row] += np.log(max(float(found.index), SMALLEST_INDEX))
            by_state = np.einsum("ni,nij->nj", found.by_hsp * moves[place], self.root[place])
            columns = 3 * place[:, None] + np.arange(3)
            slope[row, columns] = by_state
            slope[row, 3 * len(self.names) + self.liquids[row]] = np.sqrt(1.0 - OWN_SHARE) * THEORY_SD_LN
            by_volume = found.by_ln_volume * mixture.volume_sd / mixture.volumes
            own[row] = np.sqrt(OWN_SHARE * THEORY_SD_LN**2 + np.sum(by_volume**2))
        return value, slope, own

    def margins(self, states: Array) -> Array:
        """Return y (m, t) at states (m, K)."""
        points, value = self.points(states), self.misfit(states)
        middle = self.points(states.mean(axis=0))
        for row, (mix, mixture, place) in enumerate(zip(self.mixes, self.mixtures, self.places, strict=True)):
            index = phases.binodal_index_of_draws(
                mixture.fractions,
                mixture.volumes,
                middle[place],
                mixture.volumes,
                points[:, place],
                celsius=mix.celsius,
                sites=mixture.sites,
            )
            value[:, row] += np.log(np.maximum(index, SMALLEST_INDEX))
        return value

    def haze_edges(self, needed: Sequence[bool] | NDArray[np.bool_]) -> Array:
        """Return ln of the binodal index (t,) at which the second phase reaches `HAZE_VOLUME`; inf where it never does.

        Mixes that are not needed get inf: nothing is looked at.
        """
        found = np.full(len(self.mixes), np.inf)
        for row in np.flatnonzero(needed):
            mix, mixture = self.mixes[row], self.mixtures[row]
            scene = phases.StabilityAnalysis.of(
                mixture.fractions, mixture.volumes, mixture.hsp, sites=mixture.sites, celsius=mix.celsius
            )
            found[row] = np.log(haze_edge(scene))
        return found


def log_chance(
    margin: Array, kinds: NDArray[np.intp], edges: Array, own_sd: Array, lapse: float = LAPSE
) -> tuple[Array, Array, Array]:
    """Return ln p of outcomes with its first and second derivative by the margin, each (..., t).

    Parameters
    ----------
    margin : ndarray of shape (..., t)
        y without the part that only this mix has. [-]
    kinds : ndarray of shape (t,)
        0 clear, 1 hazy, 2 splits. [-]
    edges, own_sd : ndarray of shape (t,)
        Where haze ends, and the spread of the part that only this mix has. [-]
    lapse : float
        Least chance of each outcome. [-]

    Examples
    --------
    >>> p, _, _ = log_chance(np.array([0.0]), np.array([0]), np.array([0.1]), np.array([0.1]))
    >>> np.exp(p).round(3)
    array([0.495])
    """
    from scipy.special import ndtr

    at_clear, at_haze = -margin / own_sd, (edges - margin) / own_sd
    bell_clear = np.exp(-0.5 * at_clear**2) / np.sqrt(2.0 * np.pi)
    finite = np.where(np.isfinite(at_haze), at_haze, 40.0)
    bell_haze = np.exp(-0.5 * finite**2) / np.sqrt(2.0 * np.pi)
    below, within = ndtr(at_clear), ndtr(finite)
    p = np.select([kinds == 0, kinds == 1], [below, np.maximum(within - below, 0.0)], 1.0 - within)
    first = np.select([kinds == 0, kinds == 1], [-bell_clear, bell_clear - bell_haze], bell_haze) / own_sd
    turned = at_clear * bell_clear, finite * bell_haze
    second = np.select([kinds == 0, kinds == 1], [-turned[0], turned[0] - turned[1]], turned[1]) / own_sd**2
    span = 1.0 - 3.0 * lapse
    p = lapse + span * p
    slope = span * first / p
    return np.log(p), slope, span * second / p - slope**2
