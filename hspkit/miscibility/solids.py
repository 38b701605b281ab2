"""Components that are solid: crystals are not computed, so a mixture that may hold them has no verdict.

A component above its melting point makes no crystals. Below it, it may stay dissolved or crystallise. Two things are
known without any enthalpy of fusion. In an oil that was seen liquid it does not crystallise, so its activity there is
one that the crystal allows: where its activity in a clear mixture is no higher, and it is no colder, it stays in
solution; where the mixture separates into liquids that is told, and the oil's own phase is much like the oil. And
no small molecule melts with an entropy beyond a limit: so diluted that even a crystal of that would dissolve, they stay
in solution.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hspkit import phases
from hspkit.calibration import GAS_CONSTANT
from hspkit.mixture import Mixture, oil_members
from hspkit.oils import Oil

__all__ = ["LEAST_SOLID", "may_crystallise", "reason_unknown"]

Array = NDArray[np.float64]

#: A solid of which there is less than this share of the volume is taken to stay dissolved [-]; a judgement, no source.
LEAST_SOLID = 0.01
#: Largest entropy of fusion of a molecule of at most this volume [J/(mol K); cm3/mol]. None of the 393 shipped ones
#: with measured fusion in the package `chemicals` has more; triethyl citrate has 168.
MOST_FUSION_ENTROPY, LARGEST_VOLUME = 170.0, 250.0


def _allowed(subject: Oil) -> dict[str, float]:
    """Return by identity the ln activities that the components of an oil seen liquid are known to bear."""
    seen = subject.seen_liquid
    if seen is None or seen.liquid_celsius is None:
        return {}
    neat = Mixture.of([(1.0, *oil_members(seen))])
    ln = phases.ln_activity(neat.fractions, neat.volumes, neat.hsp, sites=neat.sites, celsius=seen.liquid_celsius)
    return dict(zip(neat.identities, ln.tolist(), strict=True))


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
        warmer = (np.where(solid, mixture.melting, celsius) - celsius) / (celsius + 273.15)
        solid &= (ln > -MOST_FUSION_ENTROPY / GAS_CONSTANT * warmer) | (mixture.volumes > LARGEST_VOLUME)
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
    return f"{', '.join(told)}: a solid at {celsius:g} C may crystallise, and crystals are not computed; run a trial"
