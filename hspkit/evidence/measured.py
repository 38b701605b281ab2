"""One measured fact about a substance, as users state it."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from hspkit import checks
from hspkit.errors import ExtrapolationWarning
from hspkit.evidence.facts import MISCIBLE_MG_PER_L
from hspkit.substances import Substance, substance

__all__ = ["Evidence"]

#: A single measured value without a stated spread: standard deviation of ln S, log P, ln gamma and of the enthalpy
#: as a share of it. Typical of what compilations of repeated measurements scatter by; judgement, no source.
SINGLE_VALUE_SD = {"water solubility": 0.3, "log P": 0.2, "activity": 0.1, "vaporisation enthalpy": 0.03}
#: Temperatures within which the rates that move parameters may be trusted. [degC]
CELSIUS_RANGE = (0.0, 100.0)


def _celsius(value: float) -> float:
    number = checks.number(value, "celsius", "degC", low=-90.0, high=400.0)
    if not CELSIUS_RANGE[0] <= number <= CELSIUS_RANGE[1]:
        message = f"celsius is {number:g}; the temperature rates hold from 0 to 100 degC, this is an extrapolation"
        warnings.warn(message, ExtrapolationWarning, stacklevel=4)
    return number


def _partner(given: str | Substance) -> Substance:
    """Return the other liquid, a shipped one by name or CAS number, or any Substance."""
    if not isinstance(given, str | Substance):
        raise checks.refuse(given, "partner", "the name or CAS number of a shipped substance, or a Substance")
    return substance(given)


def _source(given: str) -> str:
    if not isinstance(given, str) or not given.strip():
        raise checks.refuse(given, "source", "a text that says where the value comes from")
    return given.strip()


@dataclass(frozen=True)
class Evidence:
    """One measured fact about a substance; made by the class methods.

    Parameters
    ----------
    kind : str
        water solubility, log P, activity, vaporisation enthalpy or mixing. [-]
    value : float
        ln(mg/L), log P, ln gamma, enthalpy in kJ/mol, or 1 and 0 for mixes and does not. [as the kind]
    sd : float
        Standard deviation of the measurement, in the unit of ``value``; the misfit of the theory is added. [as kind]
    source : str
        Where the value comes from. [-]
    partner : Substance, optional
        The other liquid. [-]
    celsius : float
        Temperature. [degC]
    melting : float, optional
        Melting point of the substance, for a water solubility. [degC]

    Examples
    --------
    >>> Evidence.water_solubility(61000, source="supplier sheet")
    Evidence(water solubility 61000 mg/L, source 'supplier sheet')
    """

    kind: str
    value: float
    sd: float
    source: str
    partner: Substance | None = None
    celsius: float = 25.0
    melting: float | None = None

    def __post_init__(self) -> None:
        checks.choice(self.kind, "kind", (*SINGLE_VALUE_SD, "mixing"))
        checks.number(self.value, "value", "")
        checks.number(self.sd, "sd", "", low=0)
        _source(self.source)
        checks.kind(self.partner, "partner", (Substance, type(None)), "a Substance or None")
        checks.number(self.celsius, "celsius", "degC", low=-90.0, high=400.0)
        if self.melting is not None:
            checks.number(self.melting, "melting", "degC", low=-220.0, high=1000.0)

    @classmethod
    def water_solubility(
        cls,
        mg_per_L: float,
        *,
        sd_ln: float | None = None,
        source: str = "user",
        melting_celsius: float | None = None,
    ) -> Evidence:
        """Return the evidence of a solubility in water near 25 C.

        Parameters
        ----------
        mg_per_L : float
            Solubility. [mg/L]
        sd_ln : float, optional
            Standard deviation of its natural logarithm; default 0.3. [-]
        source : str
            Where it comes from. [-]
        melting_celsius : float, optional
            Melting point when the substance is a solid at 25 C. [degC]

        Raises
        ------
        InputError
            When the solubility is not positive or exceeds the density of any liquid.
        """
        amount = checks.number(mg_per_L, "mg_per_L", "mg/L", low=1e-9, high=4e6)
        spread = (
            SINGLE_VALUE_SD["water solubility"]
            if sd_ln is None
            else checks.number(sd_ln, "sd_ln", "", low=1e-6, high=20.0)
        )
        melting = None
        if melting_celsius is not None:
            melting = checks.number(melting_celsius, "melting_celsius", "degC", low=-220.0, high=1000.0)
        if amount >= MISCIBLE_MG_PER_L:  # a way of writing "miscible"
            return cls("mixing", 1.0, 0.0, _source(source), substance("water"))
        return cls(
            "water solubility", float(np.log(amount)), spread, _source(source), substance("water"), 25.0, melting
        )

    @classmethod
    def log_p(cls, value: float, *, sd: float | None = None, source: str = "user") -> Evidence:
        """Return the evidence of an octanol-water partition coefficient.

        Parameters
        ----------
        value : float
            Decimal logarithm of the coefficient. [-]
        sd : float, optional
            Its standard deviation; default 0.2. [-]
        source : str
            Where it comes from. [-]

        Raises
        ------
        InputError
            When a number is impossible.
        """
        spread = SINGLE_VALUE_SD["log P"] if sd is None else checks.number(sd, "sd", "", low=1e-6, high=20.0)
        return cls(
            "log P",
            checks.number(value, "log P", "", low=-10.0, high=25.0),
            spread,
            _source(source),
            substance("1-octanol"),
        )

    @classmethod
    def activity(
        cls,
        solvent: str | Substance,
        ln_gamma: float,
        *,
        celsius: float = 25.0,
        sd: float | None = None,
        source: str = "user",
    ) -> Evidence:
        """Return the evidence of an activity coefficient at infinite dilution in a solvent.

        Parameters
        ----------
        solvent : str or Substance
            Name or CAS number of a shipped substance, or a Substance. [-]
        ln_gamma : float
            Natural logarithm, mole-fraction scale. [-]
        celsius : float
            Temperature. [degC]
        sd : float, optional
            Standard deviation of ``ln_gamma``; default 0.1. [-]
        source : str
            Where it comes from. [-]

        Raises
        ------
        UnknownNameError
            When the solvent is unknown.
        InputError
            When a number is impossible.
        """
        spread = SINGLE_VALUE_SD["activity"] if sd is None else checks.number(sd, "sd", "", low=1e-6, high=20.0)
        value = checks.number(ln_gamma, "ln_gamma", "", low=-10.0, high=40.0)
        return cls("activity", value, spread, _source(source), _partner(solvent), _celsius(celsius))

    @classmethod
    def vaporisation_enthalpy(cls, kJ_per_mol: float, *, sd: float | None = None, source: str = "user") -> Evidence:
        """Return the evidence of an enthalpy of vaporisation at 25 C.

        Parameters
        ----------
        kJ_per_mol : float
            Enthalpy of vaporisation. [kJ/mol]
        sd : float, optional
            Its standard deviation; a small share of the value by default. [kJ/mol]
        source : str
            Where it comes from. [-]

        Raises
        ------
        InputError
            When a number is impossible.
        """
        value = checks.number(kJ_per_mol, "kJ_per_mol", "kJ/mol", low=5.0, high=500.0)
        share = SINGLE_VALUE_SD["vaporisation enthalpy"]
        spread = share * value if sd is None else checks.number(sd, "sd", "kJ/mol", low=1e-6, high=500.0)
        return cls("vaporisation enthalpy", value, spread, _source(source))

    @classmethod
    def mixes(
        cls, with_: str | Substance, outcome: bool = True, *, celsius: float = 25.0, source: str = "user"
    ) -> Evidence:
        """Return the evidence that the substance mixes with another in all proportions, or does not.

        Parameters
        ----------
        with_ : str or Substance
            Name or CAS number of a shipped substance, or a Substance. [-]
        outcome : bool
            True when the two mix in all proportions. [-]
        celsius : float
            Temperature. [degC]
        source : str
            Where it comes from. [-]

        Raises
        ------
        UnknownNameError
            When the other substance is unknown.
        InputError
            When the outcome is not a bool, or the temperature is impossible.
        """
        checks.kind(outcome, "outcome", (bool, np.bool_), "True (mixes in all proportions) or False")
        return cls("mixing", float(outcome), 0.0, _source(source), _partner(with_), _celsius(celsius))

    def __repr__(self) -> str:
        if self.kind == "water solubility":
            what = f"{np.exp(self.value):.3g} mg/L" if self.value < 6 else f"{np.exp(self.value):.0f} mg/L"
        elif self.kind == "mixing":
            what = ("with " if self.value else "not with ") + (self.partner.name if self.partner else "?")
        elif self.kind == "vaporisation enthalpy":
            what = f"{self.value:g} kJ/mol"
        else:
            what = f"{self.value:g}" + (f" in {self.partner.name}" if self.kind == "activity" and self.partner else "")
        return f"Evidence({self.kind} {what}, source {self.source!r})"
