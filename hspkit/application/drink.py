"""The finished drink: what each component of oil and carrier does in it, and whether it clouds.

Solubility in water is measured where there is a value; else it comes from the general solubility equation; else from
the Hansen parameters. Ethanol in the drink raises it by the log-linear rule. What separates is taken as one ideal
mixture. The residue on evaporation of cold-pressed oils (waxes) never dissolves and is left out, as the alcohol tests
of the standards leave it out. Sugar, acid, gums and emulsifiers are out of scope.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, theory
from hspkit.application.rules import mass_shares
from hspkit.application.use import MOST_DOSE, check_strength
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.miscibility import RESIDUE
from hspkit.oils import Oil, oil
from hspkit.pages import number
from hspkit.phases import interaction_strength
from hspkit.substances import Substance, substance

if TYPE_CHECKING:
    import pandas as pd

    from hspkit.oils import Oil

__all__ = [
    "GSE_SD_LN",
    "SEPARATED_SHARE",
    "Clouding",
    "DrinkComponent",
    "carrier_dissolves",
    "clouding",
    "cosolvency_factor",
    "general_solubility",
    "oil_phase",
    "water_solubility",
]

#: A drink is called clear while less than this share of the dose separates [-]. Traces of wax never dissolve, and
#: nobody sees a hundredth of a dose of tens of milligrams; the figure is a round one, no source.
SEPARATED_SHARE = 0.01
#: Spread of ln S about the general solubility equation over the shipped substances with a measured solubility and
#: log P [-]: a factor of 3. tests/test_application.py computes it again.
GSE_SD_LN = 1.15
_MEASURED, _EQUATION, _HANSEN = "measured", "general solubility equation", "Hansen parameters"
_MIXES = "mixes with water"
_NOT_RAISED = "; ethanol not counted, no log P"


class DrinkComponent(NamedTuple):
    """One component in the finished drink.

    Attributes
    ----------
    name : str
        The substance. [-]
    of_carrier : bool
        Whether the carrier brought it. [-]
    dose_mg_per_L : float
        How much of it is in the drink. [mg/L]
    solubility_mg_per_L : float
        What dissolves of it alone in water with the ethanol of the drink; infinite when it mixes with water. [mg/L]
    factor : float
        Factor of uncertainty of the solubility, one standard deviation. [-]
    known : str
        How the solubility is known. [-]
    share_of_limit : float
        Dose over solubility; the sum over components is 1 where the first drop separates. [-]
    separated_mg_per_L : float
        What separates at equilibrium. [mg/L]
    """

    name: str
    of_carrier: bool
    dose_mg_per_L: float
    solubility_mg_per_L: float
    factor: float
    known: str
    share_of_limit: float
    separated_mg_per_L: float


class Clouding(NamedTuple):
    """Whether oil and carrier stay dissolved in the finished drink.

    ``load`` is the dose over the largest dose that stays clear; ``factor`` its factor of uncertainty (one
    standard deviation); ``separated_mg_per_L`` what separates at equilibrium [mg/L]; ``makers`` the components
    that make up the separated phase with their mole fractions, largest first; ``unknown`` what could not be
    looked at; ``components`` every component that was, the one nearest to its limit first; ``residue_mg_per_L`` the
    waxes that were left out [mg/L].
    """

    load: float
    factor: float
    stays_clear: bool
    undecided: bool
    separated_mg_per_L: float
    makers: tuple[tuple[str, float], ...]
    unknown: tuple[str, ...]
    components: tuple[DrinkComponent, ...] = ()
    residue_mg_per_L: float = 0.0

    @property
    def carrier_clouds(self) -> bool:
        """Whether the carrier, and not the oil, makes up most of what separates."""
        own = {one.name for one in self.components if one.of_carrier}
        return not self.stays_clear and sum(share for name, share in self.makers if name in own) > 0.5

    @property
    def table(self) -> pd.DataFrame:
        """One row a component; columns as in `DrinkComponent`."""
        import pandas as pd

        return pd.DataFrame(self.components, columns=list(DrinkComponent._fields))

    def times(self) -> str:
        """Return how far the dose is from the largest that stays clear, in words.

        Examples
        --------
        >>> from hspkit.oils import oil
        >>> clouding(oil("limonene"), oil_mg_per_L=140).times()
        'the dose is 10 times the largest that stays clear (factor of uncertainty 1.6)'
        """
        far = "more than 1,000" if self.load > 1000.0 else number(self.load, 2)
        sure = f"factor of uncertainty {number(self.factor, 2)}" + ("; undecided" if self.undecided else "")
        return f"the dose is {far} times the largest that stays clear ({sure})"

    def sentence(self) -> str:
        """Return the outcome in one line.

        Examples
        --------
        >>> from hspkit.oils import oil
        >>> clouding(oil("limonene"), oil_mg_per_L=10).sentence()
        'stays clear: the dose is 0.72 times the largest ... limonene, 10 mg/L against 14 mg/L (measured)'
        """
        state = "stays clear" if self.stays_clear else "clouds"
        if not self.makers:
            return f"{state}: what is in it mixes with water"
        one = next(part for part in self.components if part.name == self.makers[0][0])
        return (
            f"{state}: {self.times()}; first to separate is {one.name}, {number(one.dose_mg_per_L, 2)} mg/L against "
            f"{number(one.solubility_mg_per_L, 2)} mg/L ({one.known})"
        )


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
        When a number is beyond nature.

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


def water_solubility(member: Substance) -> tuple[float, float, str]:
    """Return water solubility [mg/L], standard deviation of its logarithm [-] and how it is known.

    Measured where there is a value; else by `general_solubility` where log P is known; else from the Hansen
    parameters by ln phi = -1 + V/V_w - V w, w the exchange energy: the dilute limit of the free energy.

    Examples
    --------
    >>> from hspkit.substances import substance
    >>> water_solubility(substance("limonene"))[2]
    'measured'
    """
    member = substance(member)
    if member.water_solubility is not None:
        spread = member.water_solubility_sd_ln
        return float(member.water_solubility), GSE_SD_LN if spread is None else float(spread), _MEASURED
    if member.log_p is not None:
        guess = general_solubility(member.log_p, member.molar_mass, member.melting_celsius)
        return guess, GSE_SD_LN, _EQUATION
    water = substance("water")
    pull = member.mixing_volume * float(theory.exchange(member.point, water.point))
    ln_fraction = min(0.0, -1.0 + member.mixing_volume / water.mixing_volume - pull)
    weight = theory.calibration().weights * member.mixing_volume * float(interaction_strength(25.0))
    slope = -2.0 * weight * (member.hsp.array - water.hsp.array)
    spread = float(np.sqrt(slope @ (member.covariance + water.covariance) @ slope))
    # a wax far from water would underflow to nothing at all, which nothing can be divided by
    fraction = max(float(np.exp(ln_fraction)), 1e-30)
    return fraction * member.molar_mass / member.volume * 1e6, spread, _HANSEN


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
        When a number is beyond nature.

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


def clouding(
    subject: Oil,
    *,
    oil_mg_per_L: float,
    liquid: Carrier | Blend | None = None,
    carrier_mg_per_L: float = 0.0,
    ethanol_percent: float = 0.0,
) -> Clouding:
    """Say whether oil and carrier stay dissolved in the finished drink, and which component clouds it.

    Parameters
    ----------
    subject : Oil
        Composition; each component's solubility as in `water_solubility`.
    oil_mg_per_L : float
        Dose of the oil. [mg/L]
    liquid : Carrier or Blend, optional
        The carrier that comes with it: one that does not dissolve in water clouds the drink itself.
    carrier_mg_per_L : float
        Dose of the carrier. [mg/L]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    Returns
    -------
    Clouding
        A few hundred mg/L of carrier do not raise the solubility of the oil: the carrier mixes with the water
        and lets the oil go. Sugar and acid are out of scope.

    Raises
    ------
    InputError
        For a dose that is not a positive number.

    Examples
    --------
    >>> from hspkit.oils import oil
    >>> clouding(oil("limonene"), oil_mg_per_L=1).stays_clear
    True
    """
    subject = oil(subject)
    amount = checks.positive(oil_mg_per_L, "oil_mg_per_L", "in mg/L", most=MOST_DOSE)
    ethanol_percent = check_strength(ethanol_percent)
    doses = {m: amount * p / 100.0 for m, p in zip(subject.substances, subject.mass_percent, strict=True)}
    brought = _brought(liquid, carrier_mg_per_L)
    for member, dosed in brought.items():
        doses[member] = doses.get(member, 0.0) + dosed
    residue = sum(dosed for member, dosed in doses.items() if member.role == RESIDUE)
    if subject.substances and all(member.role == RESIDUE for member in subject.substances):
        message = f"{subject.name!r} is all residue on evaporation; it does not dissolve in a drink"
        raise InputError(message)
    members = [m for m, dosed in doses.items() if m.identity != "water" and m.role != RESIDUE and dosed > 0]
    known = [_solubility(member, ethanol_percent) for member in members]
    molar_mass = np.array([member.molar_mass for member in members])
    mass = np.array([doses[member] for member in members])
    soluble = np.array([one[0] for one in known])
    spreads = np.array([one[1] for one in known])
    parted, makers, load, spread = np.zeros_like(mass), np.zeros_like(mass), 0.0, 0.0
    oily = np.isfinite(soluble)
    if oily.any():
        moles, limit = (mass / molar_mass)[oily], (soluble / molar_mass)[oily]
        parted[oily] = oil_phase(moles, limit) * molar_mass[oily]
        multiple, makers[oily] = _largest_clear(moles, limit, molar_mass[oily])
        load = 1.0 / multiple
        spread = float(np.sqrt(np.sum((makers * spreads) ** 2)))
    order = np.argsort(-mass / soluble, kind="stable")
    return Clouding(
        load,
        float(np.exp(spread)),
        bool(load <= 1.0),
        bool(load > 0 and abs(np.log(load)) < spread),
        float(parted.sum()),
        tuple((members[i].name, float(makers[i])) for i in np.argsort(-makers, kind="stable") if makers[i] > 0),
        tuple(label for label, _ in subject.uncovered),
        tuple(
            DrinkComponent(
                members[i].name,
                members[i] in brought,
                float(mass[i]),
                float(soluble[i]),
                float(np.exp(spreads[i])),
                known[i][2],
                float(mass[i] / soluble[i]),
                float(parted[i]),
            )
            for i in order
        ),
        float(residue),
    )


def carrier_dissolves(liquid: Carrier | Blend, carrier_mg_per_L: float, *, ethanol_percent: float = 0.0) -> bool:
    """Say whether a carrier itself dissolves in the finished drink at its dose.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]
    carrier_mg_per_L : float
        Its dose. [mg/L]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> carrier_dissolves(carrier("propylene glycol"), 300.0), carrier_dissolves(carrier("MCT"), 300.0)
    (True, False)
    """
    ethanol_percent = check_strength(ethanol_percent)
    brought = _brought(carrier(liquid), carrier_mg_per_L)
    used = [
        dosed / _solubility(member, ethanol_percent)[0]
        for member, dosed in brought.items()
        if member.identity != "water"
    ]
    return sum(used) <= 1.0


def _brought(liquid: Carrier | Blend | None, carrier_mg_per_L: float) -> dict[Substance, float]:
    given = checks.number(carrier_mg_per_L, "carrier_mg_per_L", "in mg/L", low=0, high=1e15)
    if liquid is None:
        return {}
    found: dict[Substance, float] = {}
    for part, share in mass_shares(liquid).items():
        if part.substance is not None:
            found[part.substance] = found.get(part.substance, 0.0) + given * share
    return found


def _solubility(member: Substance, ethanol_percent: float) -> tuple[float, float, str]:
    """Return solubility in the drink [mg/L], standard deviation of its logarithm, how it is known.

    The general solubility equation says of liquids with log P <= 0 (above 3 mol/L) that they mix with water, and the
    Hansen parameters say so where they put the dilute solubility at the whole volume.
    """
    soluble, spread, known = water_solubility(member)
    melting = member.melting_celsius is not None and member.melting_celsius > 25.0
    mixes = known == _EQUATION and (member.log_p or 0.0) <= 0.0 and not melting
    if mixes or (known == _HANSEN and soluble >= 0.999 * member.molar_mass / member.volume * 1e6):
        return float("inf"), 0.0, _MIXES
    if ethanol_percent > 0 and member.log_p is None:
        return soluble, spread, known + _NOT_RAISED
    raised = 1.0 if member.log_p is None else cosolvency_factor(member.log_p, ethanol_percent)
    return soluble * raised, spread, known


def _largest_clear(
    given: NDArray[np.float64], soluble: NDArray[np.float64], molar_mass: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64]]:
    """Return the multiple of a dose at which `SEPARATED_SHARE` of its mass separates, and what that is made of.

    With N moles of separated phase the multiple is m = 1 / sum(c / (N + S)), and the share of component i that has
    separated N / (N + S_i), which rises with N alone: one unknown, one root.
    """

    def separated(phase: float) -> float:
        return float(np.sum(given * molar_mass * phase / (phase + soluble)) / np.sum(given * molar_mass))

    low, high = np.log(soluble.min()) - 25.0, np.log(soluble.max()) + 25.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if separated(np.exp(middle)) < SEPARATED_SHARE else (low, middle)
    makers = given / (np.exp(high) + soluble)
    return float(1.0 / makers.sum()), makers / makers.sum()


def oil_phase(given: NDArray[np.float64], soluble: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what separates from water as an ideal mixture.

    Each component divides between water, where it is dissolved to its mole fraction in the separated phase times
    its solubility, and that phase: sum_i c_i / (N + S_i) = 1 gives the moles N of the phase.

    Parameters
    ----------
    given, soluble : ndarray of shape (n,)
        What was added and what would dissolve of each alone. [mmol/L]

    Returns
    -------
    ndarray of shape (n,)
        Separated amounts; all zero while sum c_i / S_i <= 1. [mmol/L]

    Raises
    ------
    InputError
        When the shapes differ or a number is not one that makes sense.

    References
    ----------
    Raoult's law with the balance of Rachford and Rice, J. Pet. Technol. 4 (1952) 19 (from memory).

    Examples
    --------
    >>> oil_phase(np.array([2.0]), np.array([0.5]))
    array([1.5])
    """
    given, soluble = checks.array(given, "given", "(n,)"), checks.array(soluble, "soluble", "(n,)")
    sound = given.shape == soluble.shape and np.all((given >= 0) & (given < np.inf)) and np.all(soluble > 0)
    if not sound:
        message = "given and soluble must be alike in shape, finite numbers >= 0 and numbers > 0 in mmol/L"
        raise InputError(message)
    if np.sum(given / soluble) <= 1.0:
        return np.zeros_like(given)
    phase = 0.0
    for _ in range(100):  # the sum is convex and falls, so Newton from below rises to the root and never passes it
        over = np.sum(given / (phase + soluble)) - 1.0
        step = over / np.sum(given / (phase + soluble) ** 2)
        phase += step
        if step <= 1e-14 * phase:
            break
    return given * phase / (phase + soluble)
