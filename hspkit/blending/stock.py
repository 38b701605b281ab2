"""Oil and blend together, as the phase engine sees them: many blends at once.

The margin of a blend is -ln M over its standard deviation, M being the binodal index of `hspkit.phases`: above 0 the
stock is clear at the best estimate, and the normal distribution turns it into a probability of clear. M belongs to the
phase that separates first; another one with a little less M may be much less certain. The one that is always there is
unmixing by small fluctuations, with the spinodal index L, so the lesser margin of the two counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit import phases
from hspkit.belief import THEORY_SD_LN, root_of
from hspkit.carriers import Blend, Carrier
from hspkit.miscibility import UNDECIDED, Component, Mixture, carrier_substances, oil_members
from hspkit.oils import Oil
from hspkit.substances import Substance, substance

__all__ = ["Stock", "drawn", "mixes", "mixing_margins"]

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

#: Mixtures that go to the engine together; larger batches fall out of the cache.
_ENGINE_CHUNK = 1500
_SPINODAL_CHUNK = 20_000
#: Shares of added water at which the spinodal index is asked before the crossing is narrowed down. [-]
_WATER_SCAN = (0.01, 0.02, 0.04, 0.06, 0.08, 0.1, 0.13, 0.16, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)


class Stock:
    """An oil with a share of any blend of some carriers.

    Parameters
    ----------
    oil : Oil or None
        None for the carriers alone.
    carriers : sequence of Carrier or Blend
        The n carriers that `supports` count.
    oil_share : float
        Volume fraction of the oil in the stock; 0 for the carriers alone. [-]
    celsius : float
        Temperature. [degC]
    """

    def __init__(
        self, oil: Oil | None, carriers: Sequence[Carrier | Blend], oil_share: float, celsius: float = 25.0
    ) -> None:
        members = [(carrier_substances(one), one.fractions) for one in carriers]
        own: list[tuple[Sequence[Substance | Component], Array]] = [] if oil is None else [oil_members(oil)]
        drop = ((substance("water"),), np.ones(1))
        self.mixture = Mixture.of([(1.0, *group) for group in (*own, *members, drop)])
        if oil is not None:
            self.mixture = self.mixture.after(oil.belief)
        self._water = self.mixture.identities.index(drop[0][0].identity)
        self.share = oil_share
        self.celsius = celsius
        rows = len(self.mixture.names)
        self._oil = np.zeros(rows) if oil is None else oil_share * self.mixture.shares_of(*own[0])
        self._of_carrier = np.array([self.mixture.shares_of(*group) for group in members])
        rows_of = [np.flatnonzero(one) for one in self._of_carrier]
        most = max(len(one) for one in rows_of)
        self._rows_of = np.array([np.resize(one, most) for one in rows_of])
        self._oil_rows = np.flatnonzero(self._oil)

    def fractions(self, supports: Indices, shares: Array) -> Array:
        """Return volume fractions of all components, shape (b, rows), of blends (b, s). [-]"""
        found = np.repeat(self._oil[None, :], len(supports), axis=0)
        for place in range(supports.shape[1]):
            found += (1.0 - self.share) * shares[:, place, None] * self._of_carrier[supports[:, place]]
        return found / found.sum(axis=1, keepdims=True)

    def spinodal_index(self, supports: Indices, shares: Array) -> Array:
        """Return L of each stock, shape (b,): a quick lower bound of M. [-]"""
        found = [
            phases.spinodal_index(
                self.fractions(supports[part], shares[part]),
                self.mixture.volumes,
                self.mixture.hsp,
                celsius=self.celsius,
                sites=self.mixture.sites,
            )
            for part in _parts(len(supports), _SPINODAL_CHUNK)
        ]
        return np.concatenate(found) if found else np.zeros(0)

    def log_index(self, supports: Indices, shares: Array) -> tuple[Array, Array]:
        """Return ln M of each stock and its standard deviation to first order, both of shape (b,). [-]"""
        middle, spread = [], []
        for part in _parts(len(supports), _ENGINE_CHUNK):
            present, rows = self._present(supports[part], shares[part])
            found = phases.binodal_details(
                present, *self._of(rows), celsius=self.celsius, sites=self.mixture.sites.take(rows)
            )
            middle.append(np.log(np.maximum(found.index, 1e-12)))
            spread.append(self._spread(rows, found.by_hsp, found.by_ln_volume))
        return np.concatenate([*middle, np.zeros(0)]), np.concatenate([*spread, np.zeros(0)])

    def log_local_index(self, supports: Indices, shares: Array) -> tuple[Array, Array]:
        """Return ln L of each stock and its standard deviation to first order, both of shape (b,). [-]"""
        middle, spread = [], []
        for part in _parts(len(supports), _SPINODAL_CHUNK):
            present, rows = self._present(supports[part], shares[part])
            found = phases.spinodal_details(
                present, *self._of(rows), celsius=self.celsius, sites=self.mixture.sites.take(rows)
            )
            middle.append(np.log(np.maximum(found.index, 1e-12)))
            spread.append(self._spread(rows, found.by_hsp, found.by_ln_volume))
        return np.concatenate([*middle, np.zeros(0)]), np.concatenate([*spread, np.zeros(0)])

    def highest_water_tolerance(self, supports: Indices, shares: Array) -> Array:
        """Return where stocks cloud at the latest when water is added, shape (b,), as a share of the whole. [-]

        Where the spinodal index reaches 1 on the way, the mixture has clouded before.
        """
        start = self.fractions(supports, shares)
        water = np.eye(len(self.mixture.names))[self._water]

        def split(rows: Indices, added: Array) -> NDArray[np.bool_]:
            mixed = (1.0 - added[:, None]) * start[rows] + added[:, None] * water
            mixed /= mixed.sum(axis=1, keepdims=True)
            found = phases.spinodal_index(
                mixed, self.mixture.volumes, self.mixture.hsp, celsius=self.celsius, sites=self.mixture.sites
            )
            return np.asarray(found >= 1.0)

        low, high = np.zeros(len(start)), np.ones(len(start))
        open_rows = np.arange(len(start))
        for added in _WATER_SCAN:
            parted = split(open_rows, np.full(open_rows.size, added))
            high[open_rows[parted]] = added
            open_rows = open_rows[~parted]
            low[open_rows] = added
        between = np.flatnonzero(high < 1.0)
        for _ in range(6):
            middle = 0.5 * (low[between] + high[between])
            parted = split(between, middle)
            high[between[parted]] = middle[parted]
            low[between[~parted]] = middle[~parted]
        return high

    def water_tolerance(self, supports: Indices, shares: Array) -> Array:
        """Return the share of water in the whole at which stocks cloud, shape (b,): exact and slow. [-]"""
        present, rows = self._present(supports, shares)
        rows = np.concatenate([rows, np.full((len(rows), 1), self._water)], axis=1)
        present = np.concatenate([present, np.zeros((len(rows), 1))], axis=1)
        first = (rows == self._water).argmax(axis=1)
        added = np.zeros_like(present)
        added[np.arange(len(rows)), first] = 1.0
        found = phases.cloud_point(
            present, added, *self._of(rows), celsius=self.celsius, sites=self.mixture.sites.take(rows)
        )
        return np.asarray(found.fraction, dtype=float)

    def _of(self, rows: Indices) -> tuple[Array, Array]:
        """Return volumes and parameters of some components."""
        return self.mixture.volumes[rows], self.mixture.hsp[rows]

    def _spread(self, rows: Indices, by_hsp: Array, by_ln_volume: Array) -> Array:
        """Return the standard deviation of the logarithm of an index from its derivatives, shape (b,). [-]"""
        pulled = np.matmul(self.mixture.covariance[rows], by_hsp[..., None])[..., 0]
        variance = (by_hsp * pulled).sum(axis=(1, 2))
        variance += np.square(by_ln_volume * self.mixture.volume_sd[rows] / self.mixture.volumes[rows]).sum(axis=1)
        return np.sqrt(variance + THEORY_SD_LN**2)

    def _present(self, supports: Indices, shares: Array) -> tuple[Array, Indices]:
        """Return fractions and row numbers of the components that are there: small arrays are quick ones.

        A component that oil and carrier have in common, or two carriers, keeps its first place; the others hold 0.
        """
        everything = self.fractions(supports, shares)
        added = self._rows_of[supports].reshape(len(supports), -1)
        rows = np.concatenate([np.broadcast_to(self._oil_rows, (len(supports), self._oil_rows.size)), added], axis=1)
        found = np.take_along_axis(everything, rows, axis=1)
        first = self._oil_rows.size
        for place in range(first, rows.shape[1]):
            found[(rows[:, :place] == rows[:, place, None]).any(axis=1), place] = 0.0
        return found / found.sum(axis=1, keepdims=True), rows


def drawn(points: Array, covariances: Array, rng: np.random.Generator, count: int) -> Array:
    """Return draws (count, n, 3) of Hansen parameters around their means (n, 3), never below zero. [MPa^0.5]"""
    away = np.einsum("nij,dnj->dni", root_of(covariances), rng.standard_normal((count, len(points), 3)))
    return np.clip(points + away, 0.0, None)


def _parts(count: int, size: int) -> Iterator[slice]:
    return (slice(start, start + size) for start in range(0, count, size))


def mixes(alone: Stock, supports: Indices, shares: Array) -> NDArray[np.bool_]:
    """Return whether blends of carriers are one phase by themselves, surely enough, shape (b,).

    The probability must be beyond what `hspkit.miscibility` calls undecided: a blend that parts in the drum is of no
    use whatever it dissolves.

    Parameters
    ----------
    alone : Stock
        Made without an oil.
    supports, shares : ndarray of shape (b, s)
        Carriers and their volume fractions. [-]
    """
    if supports.shape[1] == 1:
        return np.ones(len(supports), dtype=bool)
    least = float(ndtri(UNDECIDED[1]))
    log_l, spread = alone.log_local_index(supports, shares)
    fine = -log_l >= least * spread
    rows = np.flatnonzero(fine)
    if rows.size:
        log_m, spread = alone.log_index(supports[rows], shares[rows])
        fine[rows] = -log_m >= least * spread
    return fine


def mixing_margins(alone: Stock, supports: Indices, shares: Array) -> Array:
    """Return by how much blends are surer than `mixes` asks for, shape (b, 2): both at least 0 where they mix. [-]

    One is against unmixing by small fluctuations, the other against the phase that separates first.
    """
    least = float(ndtri(UNDECIDED[1]))
    both = (alone.log_local_index(supports, shares), alone.log_index(supports, shares))
    return np.column_stack([-middle - least * spread for middle, spread in both])
