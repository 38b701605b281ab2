"""How far a stock stays clear, and what separates where it does not: all at the best estimate of the parameters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import phases
from hspkit.miscibility.solids import crystal_edges, may_crystallise
from hspkit.mixture import UNCOVERED, Mixture
from hspkit.oils import Oil

__all__ = ["HAZE_VOLUME", "Extent", "haze_edge", "look"]

Array = NDArray[np.float64]

#: A second phase of less than this share of the volume is called haze [-]. Common practice, no source: droplets of
#: a percent or two stay spread out and cloud the liquid; more than that gathers into a layer or a ring.
HAZE_VOLUME = 0.02
#: Binodal indices at which the volume of the second phase is looked at, to find where haze ends.
_HAZE_GRID = np.array([1.02, 1.08, 1.2, 1.6])
#: How near a share of oil may come to a cloud point and still count as on either side of it [-]: that is what cloud
#: points are good to.
_EDGE = 1e-4
#: Second phase of a mixture that is beyond its cloud point by less than phases can be told apart [-].
_TRACE = 1e-12
#: A component named as limiting makes up at least this share of what the strongest ones do [-], and at most so many.
_NAMED, _MOST_NAMED = 0.1, 3
#: A mixture bears crystals where ln of a supersaturation passes minus this; of the last step of a search.
_AT_THE_EDGE = 1e-6


class _Driven(NamedTuple):
    """The second phase of a mixture that is driven through a grid of binodal indices: its share of the volume (k,).

    ``own`` is that at its own index, 0 below 1.
    """

    grid: Array
    second: Array
    own: float

    @classmethod
    def of(cls, scene: phases.StabilityAnalysis) -> _Driven:
        index = max(scene.index, 1e-9)
        grid = np.unique(np.append(_HAZE_GRID, index if index >= 1.0 else []))
        parted = scene.split(grid / index)
        own = 0.0
        if index >= 1.0:
            here = int(np.searchsorted(grid, index))
            own = float(parted.separated[here]) if parted.n_phases[here] > 1 else _TRACE
        return cls(grid, np.maximum.accumulate(parted.separated), own)

    @property
    def edge(self) -> float:
        """The index at which the second phase reaches `HAZE_VOLUME`; infinite for never."""
        return float(np.interp(HAZE_VOLUME, self.second, self.grid, left=1.0, right=np.inf))


@dataclass(frozen=True, eq=False)
class Extent:
    """What the best estimate says of a stock.

    Parameters
    ----------
    scene : StabilityAnalysis
        The stock without the rows of which there is nothing.
    driven : _Driven or None
        Its second phase at several indices, where it is not clear. [-]
    least_oil, most_oil : float
        Shares of oil between which oil and carrier are clear. The range holds the stock when that is clear; else it
        begins at the carrier alone, and is empty (0, 0) when that separates by itself. [-]
    carrier_separates : bool
        Whether the carrier, a blend, is no single liquid by itself. [-]
    water : float
        Share of water in the whole at which the stock clouds; 0 when it is not clear, 1 when it never does. [-]
    solids : tuple of str
        Components that may crystallise, so that nothing of the above is more than a guess. [-]
    stock : Mixture
        Oil and carrier, from `stock_of`.
    waxes : frozenset of str
        Components of the oil that are its residue on evaporation. [-]
    crystals : ndarray of shape (n,), optional
        ln of the activities at which the components of the stock crystallise; infinite for what does not. [-]
    """

    scene: phases.StabilityAnalysis
    driven: _Driven | None
    least_oil: float
    most_oil: float
    carrier_separates: bool
    water: float
    solids: tuple[str, ...]
    stock: Mixture
    waxes: frozenset[str] = frozenset()
    crystals: Array | None = None

    @property
    def second(self) -> float:
        """Share of the volume outside the largest phase; 0 when clear. [-]"""
        return 0.0 if self.driven is None else self.driven.own

    @cached_property
    def haze_edge(self) -> float:
        """What `haze_edge` says of the stock; worked out when asked. [-]"""
        return haze_edge(self.scene) if self.driven is None else self.driven.edge

    @cached_property
    def limiting(self) -> tuple[str, ...]:
        """What separates first: where most oil is reached, else where water clouds the stock; worked out when asked.

        A drop of wax takes terpenes up with it: they do not limit, and are not named.
        """
        oil, carrier, water = self.stock.liquids
        if self.most_oil < 1.0:
            cloudy, added, share = carrier, oil, self.most_oil
        elif self.water < 1.0:
            cloudy, added, share = self.stock.fractions, water, self.water
        else:
            return ()
        there = (1.0 - share) * cloudy + share * added
        solid = _crystallising(self.stock, there, self.crystals, self.scene.celsius)
        if solid:
            return (solid,)
        names = _first_out(self.stock, there, self.scene.celsius)
        return tuple(name for name in names if name in self.waxes) if names[:1] and names[0] in self.waxes else names

    @property
    def verdict(self) -> str:
        """`clear`, `hazy` or `splits` by the volume of the second phase; `unknown` where crystals may form."""
        if self.solids:
            return "unknown"
        if self.second <= 0.0:
            return "clear"
        return "hazy" if self.second < HAZE_VOLUME else "splits"


def look(stock: Mixture, subject: Oil, celsius: float) -> Extent:
    """Return what the best estimate says of a stock.

    Parameters
    ----------
    stock : Mixture
        Oil and carrier, from `stock_of`.
    subject : Oil
        The oil.
    celsius : float
        Temperature. [degC]
    """
    present = stock.present
    oil, carrier, water = stock.liquids
    scene = phases.StabilityAnalysis.of(
        present.fractions, present.volumes, present.hsp, sites=present.sites, celsius=celsius
    )
    driven = None if scene.index < 1.0 else _Driven.of(scene)
    clear = driven is None
    # both searches in one batch; a stock that is not clear takes no water
    starts, added = [carrier, stock.fractions][: 1 + clear], [oil, water][: 1 + clear]
    crystals = crystal_edges(stock, subject, celsius)
    first, tolerated = (*_clouds(stock, starts, added, celsius, crystals), 0.0)[:2]
    least, most = _clear_range(stock, first, clear, celsius, crystals)
    doubtful = len(stock.carrier_key) > 1 and (most <= 0.0 or least > 0.0)
    separates = doubtful and not phases.stable(carrier, stock.volumes, stock.hsp, sites=stock.sites, celsius=celsius)
    solids = may_crystallise(present, subject, celsius, clear=clear)
    waxes = frozenset(member.name for member, wax in zip(subject.substances, subject.waxes, strict=True) if wax)
    return Extent(scene, driven, least, most, bool(separates), tolerated, solids, stock, waxes, crystals)


def _clouds(
    stock: Mixture, starts: Sequence[Array], added: Sequence[Array], celsius: float, crystals: Array
) -> list[float]:
    """Return the shares of additions at which starts cloud or bear crystals; 1 for one that never does."""
    asked = np.array(starts), np.array(added), stock.volumes, stock.hsp
    found = phases.cloud_point(*asked, sites=stock.sites, celsius=celsius).fraction
    if np.isfinite(crystals).any():
        solid = phases.crystal_point(*asked, crystals, sites=stock.sites, celsius=celsius).fraction
        found = np.minimum(found, solid)
    return [float(one) for one in found]


def _crystallising(stock: Mixture, fractions: Array, crystals: Array | None, celsius: float) -> str:
    """Return the component whose crystals limit a mixture; empty where that is a second liquid."""
    if crystals is None or not np.isfinite(crystals).any():
        return ""
    ln = phases.ln_activity(fractions / fractions.sum(), stock.volumes, stock.hsp, sites=stock.sites, celsius=celsius)
    over = np.where(np.isneginf(ln), -np.inf, ln - crystals)
    worst = int(over.argmax())
    return stock.names[worst] if over[worst] > -_AT_THE_EDGE else ""


def _clear_range(stock: Mixture, first: float, clear: bool, celsius: float, crystals: Array) -> tuple[float, float]:
    """Return the shares of oil between which oil and carrier are clear, the stock's own share among them if it is.

    ``first`` is the cloud point as oil is added to the carrier.
    """
    share, mixed = float(stock.shares[0]), stock.fractions
    oil, carrier, _ = stock.liquids
    if clear:
        if share <= first + _EDGE:
            return 0.0, max(first, share)
        # it lies beyond a first cloud point, where the oil takes up the carrier
        more, less = _clouds(stock, [mixed, mixed], [oil, carrier], celsius, crystals)
        return share * (1.0 - less), share + (1.0 - share) * more
    if first > share:  # clouding that comes and goes within the steps of the first search
        first = share * min(1.0, *_clouds(stock, [carrier], [mixed], celsius, crystals))
    return 0.0, first


def _first_out(stock: Mixture, fractions: Array, celsius: float) -> tuple[str, ...]:
    """Return what makes up the first drop that separates from a mixture at its cloud point, strongest first.

    Components of the oil are named; of the carrier only where the carrier separates before there is any oil.
    """
    there = fractions > 0
    present = stock.rows(there)
    oil, carrier, _ = present.liquids
    feed = fractions[there] / fractions[there].sum()
    drop = phases.StabilityAnalysis.of(
        feed, present.volumes, present.hsp, sites=present.sites, celsius=celsius
    ).maxima.best.fractions[0]
    named = (oil if (oil * feed).any() else carrier) > 0
    named &= np.array([name != UNCOVERED for name in present.names])  # it stands for the rest, and has no name
    weight = np.where(named, np.clip(drop - feed, 0.0, None), 0.0)
    if weight.sum() <= 1e-12:  # at a critical point, or where the drop is carrier or water
        weight = np.where(
            named, phases.index_shares(feed, present.volumes, present.hsp, sites=present.sites, celsius=celsius), 0.0
        )
    total = weight.sum()
    order = np.argsort(-weight, kind="stable")[:_MOST_NAMED]
    return tuple(present.names[i] for i in order if total > 0 and weight[i] >= _NAMED * total)


def haze_edge(scene: phases.StabilityAnalysis) -> float:
    """Return the binodal index at which the second phase of a mixture reaches `HAZE_VOLUME`; infinite for never.

    The index is proportional to alpha, so the mixture is driven through a grid of indices by raising alpha; its own
    index is one of them, so that the edge lies on the same side of it as its second phase says.

    Parameters
    ----------
    scene : StabilityAnalysis
        The mixture at its central parameters.
    """
    return _Driven.of(scene).edge
