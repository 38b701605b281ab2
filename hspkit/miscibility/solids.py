"""Components that are solid: a mixture that may hold their crystals has no verdict.

A component above its melting point makes no crystals. Below it, it stays dissolved where its activity is below that
of its crystal (`hspkit.crystal`) by more than the doubt about both. In an oil that was seen liquid it does not
crystallise, so its activity there is one that the crystal allows: where its activity in a clear mixture is no higher,
and it is no colder, it stays in solution; where the mixture separates into liquids that is told, and the oil's own
phase is much like the oil.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hspkit import phases
from hspkit.crystal import crystal_of, is_zwitterion
from hspkit.errors import HspkitError
from hspkit.mixture import Mixture, oil_members
from hspkit.oils import Oil
from hspkit.phases.crystals import ln_crystal
from hspkit.saturation import LIQUID_MISFIT
from hspkit.substances import substance

__all__ = ["LEAST_SOLID", "crystal_edges", "may_crystallise", "reason_unknown"]

Array = NDArray[np.float64]

#: A solid of which there is less than this share of the volume is taken to stay dissolved [-]; a judgement, no source.
LEAST_SOLID = 0.01
#: By how many standard deviations the activity must lie below that of the crystal [-]: with the heavy tails of four
#: degrees of freedom (`hspkit.saturation`) it lies there 97 times of 100 then. The probability of clear is of liquids.
SURELY = 2.6


def _allowed(subject: Oil) -> dict[str, float]:
    """Return by identity the ln activities that the components of an oil seen liquid are known to bear."""
    seen = subject.seen_liquid
    if seen is None or seen.liquid_celsius is None:
        return {}
    neat = Mixture.of([(1.0, *oil_members(seen))])
    ln = phases.ln_activity(neat.fractions, neat.volumes, neat.hsp, sites=neat.sites, celsius=seen.liquid_celsius)
    return dict(zip(neat.identities, ln.tolist(), strict=True))


def _edge(mixture: Mixture, row: int, celsius: float) -> tuple[float, float]:
    """Return ln of the activity of the crystal of a component, and its standard deviation with that of the liquid.

    Both are NaN where nothing is known of the crystal.
    """
    try:
        solid = substance(mixture.identities[row])
    except HspkitError:
        return np.nan, np.nan  # an own substance without a structure
    crystal = crystal_of(solid, melting_celsius=float(mixture.melting[row]))
    if crystal is None or is_zwitterion(solid.smiles or ""):
        return np.nan, np.nan
    edge = float(ln_crystal(celsius, crystal.melting_celsius, crystal.entropy))
    return edge, float(np.hypot(crystal.entropy_sd / crystal.entropy * edge, LIQUID_MISFIT * np.log(10.0)))


def crystal_edges(stock: Mixture, subject: Oil, celsius: float) -> Array:
    """Return ln of the activities (n,) at which components crystallise; infinite for what does not, or is not known to.

    Parameters
    ----------
    stock : Mixture
        Oil and carrier, from `stock_of`.
    subject : Oil
        The oil; one that was seen liquid vouches for its own components.
    celsius : float
        Temperature. [degC]
    """
    edges = np.full(len(stock.names), np.inf)
    matter = (stock.liquids.max(axis=0) > LEAST_SOLID) & (stock.melting > celsius)
    if not matter.any():
        return edges
    seen = subject.seen_liquid
    vouched = seen is not None and seen.liquid_celsius is not None and celsius >= seen.liquid_celsius
    allowed = _allowed(subject) if vouched else {}
    for row in np.flatnonzero(matter):
        edge = _edge(stock, int(row), celsius)[0]
        edges[row] = np.inf if np.isnan(edge) else max(edge, allowed.get(stock.identities[row], -np.inf))
    return edges


def may_crystallise(mixture: Mixture, subject: Oil, celsius: float, *, clear: bool) -> tuple[str, ...]:
    """Return the components that are solid at a temperature and may crystallise, largest share first.

    Parameters
    ----------
    mixture : Mixture
        Components that are there, with their shares.
    subject : Oil
        The oil; one that was seen liquid vouches for its own components.
    celsius : float
        Temperature. [degC]
    clear : bool
        Whether it is one liquid, solids taken as liquids. [-]

    Examples
    --------
    >>> from hspkit.oils import oil
    >>> subject = oil("vanillin")
    >>> one = Mixture.of([(1.0, subject.substances, subject.fractions)])
    >>> may_crystallise(one, subject, 25.0, clear=True)
    ('vanillin',)
    """
    solid = (mixture.fractions > LEAST_SOLID) & (mixture.melting > celsius)
    if not solid.any():
        return ()
    ln = phases.ln_activity(mixture.fractions, mixture.volumes, mixture.hsp, sites=mixture.sites, celsius=celsius)
    if clear:
        for row in np.flatnonzero(solid):
            edge, doubt = _edge(mixture, int(row), celsius)
            solid[row] = not ln[row] < edge - SURELY * doubt
    seen = subject.seen_liquid
    if seen is not None and seen.liquid_celsius is not None and celsius >= seen.liquid_celsius:
        allowed = _allowed(subject)
        borne = np.array([allowed.get(identity, -np.inf) for identity in mixture.identities])
        solid &= np.isneginf(borne) | (clear & (ln > borne + 1e-9))
    at = np.flatnonzero(solid)
    return tuple(mixture.names[i] for i in at[np.argsort(-mixture.fractions[at], kind="stable")])


def reason_unknown(mixture: Mixture, names: tuple[str, ...], celsius: float) -> str:
    """Say why nothing is known of a mixture whose components may crystallise.

    Parameters
    ----------
    mixture : Mixture
        The mixture.
    names : tuple of str
        From `may_crystallise`. [-]
    celsius : float
        Temperature. [degC]
    """
    told = [
        f"{name} ({100 * mixture.fractions[mixture.names.index(name)]:.2g} % vol) melts at "
        f"{mixture.melting[mixture.names.index(name)]:g} C"
        for name in names
    ]
    return f"{', '.join(told)}: a solid at {celsius:g} C may crystallise; run a trial"
