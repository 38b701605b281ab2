"""The finished drink: what each component of oil and carrier does in it, and whether it clouds.

What separates is taken as one ideal mixture. The residue on evaporation of cold-pressed oils (waxes) never dissolves
and is left out, as the alcohol tests of the standards leave it out. Sugar, acid, gums and emulsifiers are out of scope.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.application.use import MOST_DOSE, check_strength, mass_shares
from hspkit.application.water import drink_solubility
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.miscibility import RESIDUE
from hspkit.oils import Oil, oil
from hspkit.rendering import html_list, html_table, number
from hspkit.substances import Substance

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SEPARATED_SHARE", "Clouding", "DrinkComponent", "carrier_dissolves", "clouding", "oil_phase"]

#: A drink is called clear while less than this share of the dose separates [-]. Traces of wax never dissolve, and
#: a hundredth of a dose of tens of milligrams cannot be seen; a round figure, no source.
SEPARATED_SHARE = 0.01


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

    def __repr__(self) -> str:
        return f"<Clouding: {self.sentence()}>"

    def _repr_html_(self) -> str:
        head: list[str | tuple[str, str]] = [
            "component",
            ("dose", "mg/L"),
            ("soluble", "mg/L"),
            "dose/soluble",
            "known by",
        ]
        rows = [
            [part.name, *(number(x, 2) for x in (part.dose_mg_per_L, part.solubility_mg_per_L, part.share_of_limit)),
             part.known]
            for part in self.components
        ]  # fmt: skip
        return html_list([self.sentence()]) + html_table(head, rows)

    @property
    def carrier_clouds(self) -> bool:
        """Whether the carrier, and not the oil, makes up most of what separates."""
        of_carrier = {part.name for part in self.components if part.of_carrier}
        return not self.stays_clear and sum(share for name, share in self.makers if name in of_carrier) > 0.5

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
        multiple = "more than 1,000" if self.load > 1000.0 else number(self.load, 2)
        doubt = f"factor of uncertainty {number(self.factor, 2)}" + ("; undecided" if self.undecided else "")
        return f"the dose is {multiple} times the largest that stays clear ({doubt})"

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
        first = next(part for part in self.components if part.name == self.makers[0][0])
        figures = f"{number(first.dose_mg_per_L, 2)} mg/L against {number(first.solubility_mg_per_L, 2)} mg/L"
        return f"{state}: {self.times()}; first to separate is {first.name}, {figures} ({first.known})"


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
        The carrier that comes with it; one that does not dissolve in water clouds the drink.
    carrier_mg_per_L : float
        Dose of the carrier. [mg/L]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    Returns
    -------
    Clouding
        A few hundred mg/L of carrier do not raise the solubility of the oil: the carrier mixes with the water
        and no longer dissolves the oil. Sugar and acid are out of scope.

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
    if subject.substances and all(member.role == RESIDUE for member in subject.substances):
        message = f"{subject.name!r} is all residue on evaporation; it does not dissolve in a drink"
        raise InputError(message)
    doses = {m: amount * p / 100.0 for m, p in zip(subject.substances, subject.mass_percent, strict=True)}
    of_carrier = _carrier_doses(liquid, carrier_mg_per_L)
    for member, dose in of_carrier.items():
        doses[member] = doses.get(member, 0.0) + dose
    members = [m for m, dose in doses.items() if m.identity != "water" and m.role != RESIDUE and dose > 0]
    solubilities = [drink_solubility(member, ethanol_percent) for member in members]
    molar_mass = np.array([member.molar_mass for member in members])
    mass = np.array([doses[member] for member in members])
    soluble = np.array([solubility.mg_per_L for solubility in solubilities])
    sd_ln = np.array([solubility.sd_ln for solubility in solubilities])
    separated, makers, load, spread = np.zeros_like(mass), np.zeros_like(mass), 0.0, 0.0
    limited = np.isfinite(soluble)
    if limited.any():
        moles, soluble_moles = (mass / molar_mass)[limited], (soluble / molar_mass)[limited]
        separated[limited] = oil_phase(moles, soluble_moles) * molar_mass[limited]
        multiple, makers[limited] = _largest_clear(moles, soluble_moles, molar_mass[limited])
        load = 1.0 / multiple
        spread = float(np.sqrt(np.sum((makers * sd_ln) ** 2)))
    figures = np.column_stack([mass, soluble, np.exp(sd_ln), mass / soluble, separated]).tolist()
    components = tuple(
        DrinkComponent(member.name, member in of_carrier, dose, most, factor, solubility.known, share, apart)
        for member, solubility, (dose, most, factor, share, apart) in zip(members, solubilities, figures, strict=True)
    )
    return Clouding(
        load,
        float(np.exp(spread)),
        bool(load <= 1.0),
        bool(load > 0 and abs(np.log(load)) < spread),
        float(separated.sum()),
        tuple((members[i].name, float(makers[i])) for i in np.argsort(-makers, kind="stable") if makers[i] > 0),
        tuple(label for label, _ in subject.uncovered),
        tuple(sorted(components, key=lambda part: -part.share_of_limit)),
        float(sum(dose for member, dose in doses.items() if member.role == RESIDUE)),
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
    doses = _carrier_doses(carrier(liquid), carrier_mg_per_L)
    shares = [d / drink_solubility(m, ethanol_percent).mg_per_L for m, d in doses.items() if m.identity != "water"]
    return sum(shares) <= 1.0


def _carrier_doses(liquid: Carrier | Blend | None, carrier_mg_per_L: float) -> dict[Substance, float]:
    """Return the dose of each substance that the carrier brings. [mg/L]"""
    dose = checks.number(carrier_mg_per_L, "carrier_mg_per_L", "in mg/L", low=0, high=1e15)
    doses: dict[Substance, float] = {}
    for part, share in mass_shares(liquid).items() if liquid is not None else ():
        if part.substance is not None:
            doses[part.substance] = doses.get(part.substance, 0.0) + dose * share
    return doses


def _largest_clear(
    moles: NDArray[np.float64], soluble: NDArray[np.float64], molar_mass: NDArray[np.float64]
) -> tuple[float, NDArray[np.float64]]:
    """Return the multiple of a dose at which `SEPARATED_SHARE` of its mass separates, and what that is made of.

    With N moles of separated phase the multiple is m = 1 / sum(c / (N + S)), and the share of component i that has
    separated N / (N + S_i), which rises with N alone: one unknown, one root.
    """
    mass_share = moles * molar_mass / np.sum(moles * molar_mass)
    low, high = np.log(soluble.min()) - 25.0, np.log(soluble.max()) + 25.0
    for _ in range(80):
        middle = 0.5 * (low + high)
        separated = np.sum(mass_share * np.exp(middle) / (np.exp(middle) + soluble))
        low, high = (middle, high) if separated < SEPARATED_SHARE else (low, middle)
    makers = moles / (np.exp(high) + soluble)
    return float(1.0 / makers.sum()), makers / makers.sum()


def oil_phase(amounts: NDArray[np.float64], soluble: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what separates from water as an ideal mixture.

    Each component divides between water, where it is dissolved to its mole fraction in the separated phase times
    its solubility, and that phase: sum_i c_i / (N + S_i) = 1 gives the moles N of the phase.

    Parameters
    ----------
    amounts, soluble : ndarray of shape (n,)
        How much was added, and how much would dissolve, of each alone. [mmol/L]

    Returns
    -------
    ndarray of shape (n,)
        Separated amounts; all zero while sum c_i / S_i <= 1. [mmol/L]

    Raises
    ------
    InputError
        When the shapes differ, an amount is negative or infinite, or a solubility is not > 0.

    References
    ----------
    Raoult's law with the balance of Rachford and Rice, J. Pet. Technol. 4 (1952) 19 (from memory).

    Examples
    --------
    >>> oil_phase(np.array([2.0]), np.array([0.5]))
    array([1.5])
    """
    amounts, soluble = checks.array(amounts, "amounts", "(n,)"), checks.array(soluble, "soluble", "(n,)")
    if amounts.shape != soluble.shape or not np.all((amounts >= 0) & (amounts < np.inf) & (soluble > 0)):
        message = "amounts and soluble must be alike in shape, finite numbers >= 0 and numbers > 0 in mmol/L"
        raise InputError(message)
    if np.sum(amounts / soluble) <= 1.0:
        return np.zeros_like(amounts)
    phase = 0.0
    for _ in range(100):  # the sum is convex and falls, so Newton from below rises to the root and never passes it
        over = np.sum(amounts / (phase + soluble)) - 1.0
        step = over / np.sum(amounts / (phase + soluble) ** 2)
        phase += step
        if step <= 1e-14 * phase:
            break
    return amounts * phase / (phase + soluble)
