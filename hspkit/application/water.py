"""How much of a substance dissolves in water, and in water with the ethanol of a drink.

Measured where there is a value; else by the general solubility equation; else from the Hansen parameters. Ethanol in
the drink raises it by the log-linear rule.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from hspkit import checks, theory
from hspkit.application.use import check_strength
from hspkit.phases import interaction_strength
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
_MEASURED, _EQUATION, _HANSEN = "measured", "general solubility equation", "Hansen parameters"
_MIXES = "mixes with water"
_NOT_RAISED = "; ethanol not counted, no log P"


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
    """Return the solubility of a substance in water at 25 C.

    Measured where there is a value; else by `general_solubility` where log P is known; else from the Hansen
    parameters by ln phi = -1 + V/V_w - V w, w the exchange energy: the dilute limit of the free energy.

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
    member = substance(member)
    if member.water_solubility is not None:
        sd_ln = member.water_solubility_sd_ln
        return WaterSolubility(float(member.water_solubility), GSE_SD_LN if sd_ln is None else float(sd_ln), _MEASURED)
    if member.log_p is not None:
        estimate = general_solubility(member.log_p, member.molar_mass, member.melting_celsius)
        return WaterSolubility(estimate, GSE_SD_LN, _EQUATION)
    water = substance("water")
    exchange = member.mixing_volume * float(theory.exchange(member.point, water.point))
    ln_fraction = min(0.0, -1.0 + member.mixing_volume / water.mixing_volume - exchange)
    weight = theory.calibration().weights * member.mixing_volume * float(interaction_strength(25.0))
    slope = -2.0 * weight * (member.hsp.array - water.hsp.array)
    sd_ln = float(np.sqrt(slope @ (member.covariance + water.covariance) @ slope))
    # a wax far from water would underflow to zero, by which nothing can be divided
    fraction = max(float(np.exp(ln_fraction)), 1e-30)
    return WaterSolubility(fraction * _pure(member), sd_ln, _HANSEN)


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


def drink_solubility(member: Substance, ethanol_percent: float) -> WaterSolubility:
    """Return the solubility of a substance in a drink.

    The general solubility equation says of liquids with log P <= 0 (above 3 mol/L) that they mix with water, and the
    Hansen parameters say so where they put the dilute solubility at the whole volume.

    Parameters
    ----------
    member : Substance
        The substance. [-]
    ethanol_percent : float
        Ethanol in the drink. [% vol]
    """
    in_water = water_solubility(member)
    is_solid = member.melting_celsius is not None and member.melting_celsius > 25.0
    mixes = in_water.known == _EQUATION and (member.log_p or 0.0) <= 0.0 and not is_solid
    if mixes or (in_water.known == _HANSEN and in_water.mg_per_L >= 0.999 * _pure(member)):
        return WaterSolubility(float("inf"), 0.0, _MIXES)
    if member.log_p is None:
        return in_water._replace(known=in_water.known + (_NOT_RAISED if ethanol_percent > 0 else ""))
    return in_water._replace(mg_per_L=in_water.mg_per_L * cosolvency_factor(member.log_p, ethanol_percent))
