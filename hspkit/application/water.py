"""How much of a substance dissolves in water, and in water with the ethanol of a drink.

From the same free energy as `hspkit.dissolve`: the volume fraction at which the substance, added to water and ethanol,
clouds. Where a solubility in water is measured, what is computed is multiplied by measured over computed, less so the
more ethanol there is: in a spirit the answer is that of `hspkit.dissolve`. The general solubility equation is kept as a
check from outside.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from hspkit import checks
from hspkit.application.use import check_strength
from hspkit.calibration import GAS_CONSTANT, calibration
from hspkit.ethanol import volume_fractions
from hspkit.evidence.melting import MELTING_DOUBT, fusion_entropy
from hspkit.evidence.pair import strength
from hspkit.phases import Sites, cloud_point
from hspkit.substances import Substance, substance

__all__ = [
    "GSE_SD_LN",
    "WaterSolubility",
    "cosolvency_factor",
    "drink_solubility",
    "general_solubility",
    "water_solubility",
]

#: Spread of ln S about the general solubility equation over the shipped substances with a measured solubility and
#: log P [-]: a factor of 3. tests/test_application.py computes it again.
GSE_SD_LN = 1.15
#: Ethanol [% vol] from which on a solubility measured in water says nothing more about the drink than the parameters
#: already know from it: the weakest spirit; judgement.
WATER_COUNTS_BELOW = 40.0
_MEASURED, _COMPUTED = "measured", "computed"
_MIXES = "mixes with water"


class WaterSolubility(NamedTuple):
    """What dissolves of one substance alone.

    Attributes
    ----------
    mg_per_L : float
        Solubility; infinite where it mixes with water. [mg/L]
    sd_ln : float
        Standard deviation of its logarithm. [-]
    known : str
        How it is known. [-]
    """

    mg_per_L: float
    sd_ln: float
    known: str


def general_solubility(log_p: float, molar_mass: float, melting_celsius: float | None = None) -> float:
    """Return the water solubility of a liquid or solid by the general solubility equation.

    log10 S (mol/L) = 0.5 - 0.01 (MP - 25) - log P; a liquid takes MP = 25.

    Parameters
    ----------
    log_p : float
        Octanol-water partition, log10. [-]
    molar_mass : float
        Molar mass. [g/mol]
    melting_celsius : float, optional
        Melting point of a solid. [degC]

    Returns
    -------
    float
        Water solubility at 25 C. [mg/L]

    Raises
    ------
    InputError
        When a number is outside the range that is physically possible.

    References
    ----------
    Jain and Yalkowsky, J. Pharm. Sci. 90 (2001) 234-252; equation as in a QSAR Comb. Sci. 2003 abstract.

    Examples
    --------
    >>> general_solubility(4.57, 136.24)
    11.6
    """
    coefficient = checks.number(log_p, "log_p", "", low=-10, high=25)
    mass = checks.positive(molar_mass, "molar_mass", "in g/mol", most=1e5)
    melting = 25.0
    if melting_celsius is not None:
        melting = max(melting, checks.number(melting_celsius, "melting_celsius", "in degC", low=-220, high=1000))
    return float(10.0 ** (0.5 - 0.01 * (melting - 25.0) - coefficient) * mass * 1000.0)


def water_solubility(member: Substance) -> WaterSolubility:
    """Return the solubility of a substance in water at 25 C: measured where there is a value, else computed.

    Parameters
    ----------
    member : Substance
        The substance. [-]

    Examples
    --------
    >>> from hspkit.substances import substance
    >>> water_solubility(substance("limonene")).known
    'measured'
    """
    return drink_solubility(member, 0.0)


def _computed(member: Substance, ethanol_percent: float) -> tuple[float, float]:
    """Return the volume fraction that saturates water with ethanol, 1 where it mixes, and the spread of its ln."""
    water, alcohol = substance("water"), substance("ethanol")
    parts = volume_fractions(ethanol_percent)
    liquids = [alcohol, water, member]
    volumes = np.array([float(liquid.volume) for liquid in liquids])
    hsp = np.array([liquid.hsp.array for liquid in liquids])
    solvent = np.array([parts[0], parts[1], 0.0]) / sum(parts)
    point = cloud_point(
        solvent, [0.0, 0.0, 1.0], volumes, hsp, sites=Sites.joined([liquid.sites for liquid in liquids])
    )
    fraction = float(point.fraction) if point.clouds else 1.0
    slope = -2.0 * volumes[2] * (1.0 - fraction) ** 2 * strength(25.0, calibration()) * (hsp[2] - solvent @ hsp)
    spread = np.asarray(member.covariance) + np.asarray(water.covariance)
    sd = float(np.sqrt(slope @ spread @ slope + calibration().sd_water_solubility ** 2))
    melting = member.melting_celsius
    if fraction < 1.0 and melting is not None and melting > 25.0:  # the solid dissolves less than its liquid would
        gain = fusion_entropy(member.smiles) / (GAS_CONSTANT * 298.15) * (melting - 25.0)
        fraction, sd = fraction * float(np.exp(-gain)), float(np.hypot(sd, MELTING_DOUBT * gain))
    return fraction, sd


def _pure(member: Substance) -> float:
    """Return the concentration of the pure substance. [mg/L]"""
    return member.molar_mass / member.volume * 1e6


def cosolvency_factor(log_p: float, ethanol_percent: float) -> float:
    """Return how many times more of a solute dissolves in a drink with ethanol than in water.

    log10 (S_mix / S_water) = sigma f with sigma = 0.95 log P + 0.30, the log-linear rule.

    Parameters
    ----------
    log_p : float
        Octanol-water partition, log10. [-]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    Raises
    ------
    InputError
        When a number is outside the range that is physically possible.

    References
    ----------
    Yalkowsky's log-linear rule; constants of ethanol from Millard, Alvarez-Nunez and Yalkowsky, Int. J. Pharm. 245
    (2002) 153 (from memory).

    Examples
    --------
    >>> cosolvency_factor(4.57, 0.0)
    1.0
    """
    coefficient = checks.number(log_p, "log_p", "", low=-10, high=25)
    return float(10.0 ** ((0.95 * coefficient + 0.30) * check_strength(ethanol_percent) / 100.0))


@lru_cache(maxsize=4096)
def _known(member: Substance, ethanol_percent: float) -> WaterSolubility:
    fraction, sd = _computed(member, ethanol_percent)
    if fraction >= 1.0:
        return WaterSolubility(float("inf"), 0.0, _MIXES)
    # a wax far from water would underflow to zero, by which nothing can be divided
    mg_per_L = max(fraction, 1e-30) * _pure(member)
    if member.water_solubility is None:
        return WaterSolubility(mg_per_L, sd, _COMPUTED)
    sd_measured = member.water_solubility_sd_ln
    spread = GSE_SD_LN if sd_measured is None else float(sd_measured)
    if ethanol_percent == 0.0:
        return WaterSolubility(float(member.water_solubility), spread, _MEASURED)
    in_water, _ = _computed(member, 0.0)
    share = max(0.0, 1.0 - ethanol_percent / WATER_COUNTS_BELOW)
    if share == 0.0:
        return WaterSolubility(mg_per_L, sd, _COMPUTED)
    factor = (member.water_solubility / (in_water * _pure(member))) ** share
    sd = float(np.hypot(share * spread, (1.0 - share) * sd))
    return WaterSolubility(mg_per_L * factor, sd, f"{_COMPUTED}, corrected by what is measured in water")


def drink_solubility(member: Substance, ethanol_percent: float) -> WaterSolubility:
    """Return the solubility of a substance in water with ethanol at 25 C.

    Parameters
    ----------
    member : Substance
        The substance. [-]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    Examples
    --------
    >>> from hspkit.substances import substance
    >>> anethole = substance("trans-anethole")
    >>> drink_solubility(anethole, 45.0).mg_per_L > 10 * drink_solubility(anethole, 5.0).mg_per_L
    True
    """
    return _known(substance(member), float(check_strength(ethanol_percent)))
