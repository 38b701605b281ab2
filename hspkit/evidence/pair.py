"""What the free energy says of two liquids, with the exchange energy of their distance left open.

For two liquids the distance contributes one number, the exchange energy per volume over RT [mol/cm3]

    w = a (Dd^2 + p Dp^2),    a = alpha/(RT),

and everything else, the sizes of the molecules and their hydrogen bonds (`hspkit.phases.association`), is known from
the structures. So what stands here are the parts of activities, solubilities and indices without w, to which w is
added: a measured solubility or activity becomes a measured w once and for all, and parameters are compared with that.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import hansen
from hspkit.calibration import GAS_CONSTANT, Calibration
from hspkit.phases.association import Sites
from hspkit.phases.energy import Feed
from hspkit.phases.mixture import gather

__all__ = ["GRID", "PairOfLiquids", "coexisting_strength", "exchange", "strength"]

Array = NDArray[np.float64]

#: Volume fractions of the first liquid at which the index of a pair is looked at; close at both ends, for small
#: molecules.
GRID = np.concatenate([np.geomspace(1e-4, 0.05, 20), np.linspace(0.06, 0.94, 45), 1.0 - np.geomspace(0.05, 1e-4, 20)])
#: Shares of the solvent in the other phase at which a coexisting phase is looked for.
_RICH = np.geomspace(1e-7, 0.9, 500)


def strength(celsius: ArrayLike, constants: Calibration) -> Array:
    """Return the coefficients (..., 3) of the squared differences of the parameters at 25 C in w. [mol/(cm3 MPa)]"""
    warmth = np.asarray(celsius, dtype=float)
    scale = hansen.at_temperature(np.ones(3), warmth)
    weights = np.array([1.0, constants.weight_polar, 0.0])
    return constants.alpha / (GAS_CONSTANT * (warmth[..., None] + 273.15)) * weights * scale**2


def exchange(a: ArrayLike, b: ArrayLike, constants: Calibration, celsius: ArrayLike = 25.0) -> Array:
    """Return w of two liquids. [mol/cm3]

    Parameters
    ----------
    a, b : array_like of shape (..., 3)
        Hansen parameters at 25 C; they broadcast. [MPa^0.5]
    constants : Calibration
        The constants. [-]
    celsius : array_like of shape (...)
        Temperature. [degC]

    Examples
    --------
    >>> from hspkit.calibration import calibration
    >>> float(exchange([16, 4, 8], [18, 4, 4], calibration()._replace(alpha=1.0)))
    0.001614
    """
    gap = np.asarray(a, dtype=float) - np.asarray(b, dtype=float)
    return np.sum(strength(celsius, constants) * gap**2, axis=-1)


class PairOfLiquids:
    """Two liquids at some volume fractions (g,) of the first, without their distance.

    Parameters
    ----------
    volumes : array_like of shape (2,)
        Molar volumes at 25 C. [cm3/mol]
    sites : Sites
        Hydrogen-bond sites of both. [-]
    fractions : array_like of shape (g,)
        Volume fractions of the first. [-]
    constants : Calibration
        The constants. [-]
    celsius : float
        Temperature. [degC]
    """

    def __init__(
        self, volumes: ArrayLike, sites: Sites, fractions: ArrayLike, constants: Calibration, celsius: float = 25.0
    ) -> None:
        first = np.atleast_1d(np.asarray(fractions, dtype=float))
        self.fractions = np.stack([first, 1.0 - first], axis=-1)
        mixtures = gather(self.fractions, volumes, np.zeros((2, 3)), celsius, sites=sites, constants=constants)
        self.volumes = mixtures.volumes[0]
        self._feed = Feed(mixtures)

    @cached_property
    def ln_gamma(self) -> Array:
        """ln gamma (g, 2) on the scale of mole fractions, without w. [-]"""
        feed = self._feed
        ratio = self.volumes * feed.moles[:, None]
        alone = feed.bonded_energy(feed.pure())[:, [0, 1], [0, 1]]
        together = feed.bonded_energy(feed.bonds[:, None, :])[:, 0]
        return np.log(ratio) + 1.0 - ratio + self.volumes * (together - alone)

    @property
    def slopes(self) -> Array:
        """How ln gamma (g, 2) answers to w: V_i times the squared fraction of the other. [cm3/mol]"""
        return self.volumes * self.fractions[:, ::-1] ** 2

    @cached_property
    def index_parts(self) -> tuple[Array, Array]:
        """Parts p, q (g,) of the spinodal index L = p + q w. [-; cm3/mol]"""
        feed = self._feed
        _, worth = feed.curvature()
        features = feed.features()
        change = features[:, 0] - features[:, 1]
        entropy = (1.0 / (self.volumes * self.fractions)).sum(axis=-1)
        bonds = np.einsum("gi,gij,gj->g", change, worth, change)
        return bonds / entropy, 2.0 / entropy

    def index(self, w: float) -> float:
        """Return the largest spinodal index at these compositions. [-]"""
        bonds, distance = self.index_parts
        return float(np.max(bonds + distance * w))


def coexisting_strength(
    fraction: float, volumes: ArrayLike, sites: Sites, constants: Calibration, celsius: float = 25.0
) -> float | None:
    """Return the w at which the first liquid is soluble to a volume fraction in the second.

    Both phases are followed: the first liquid takes up the second too, which matters as soon as it is well soluble.

    Returns
    -------
    float or None
        None when no w gives such a phase: the pair mixes. [mol/cm3]

    Examples
    --------
    >>> from hspkit.calibration import calibration
    >>> round(coexisting_strength(1e-5, [162.0, 36.0], Sites.none(2), calibration()), 4)
    0.0922
    """
    poor = PairOfLiquids(volumes, sites, [fraction], constants, celsius)
    rich = PairOfLiquids(volumes, sites, 1.0 - _RICH, constants, celsius)
    ln_poor, ln_rich = (side.ln_gamma + np.log(_mole_fractions(side)) for side in (poor, rich))
    rise = poor.slopes - rich.slopes
    with np.errstate(divide="ignore", invalid="ignore"):
        w = -(ln_poor[:, 1] - ln_rich[:, 1]) / rise[:, 1]  # the second is equally active in both
    unequal = ln_poor[:, 0] - ln_rich[:, 0] + rise[:, 0] * w
    apart = 1.02 * fraction < 1.0 - _RICH
    change = np.flatnonzero((np.sign(unequal[:-1]) * np.sign(unequal[1:]) < 0) & apart[1:])
    if change.size == 0:
        return None
    at = change[-1]
    share = unequal[at] / (unequal[at] - unequal[at + 1])
    return float((1.0 - share) * w[at] + share * w[at + 1])


def _mole_fractions(pair: PairOfLiquids) -> Array:
    moles = pair.fractions / pair.volumes
    return moles / moles.sum(axis=-1, keepdims=True)
