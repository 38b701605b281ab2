"""Pieces of evidence: what was measured, and how far given Hansen parameters are from it.

A piece, for `reconcile`, is any object with ``kind``, ``source``, ``measured`` and two methods on arrays of points:
``residual(hsp)`` (m, 3) -> (m,) in units of its standard deviation, and ``predicted(hsp)`` (m, 3) -> (m,) on the scale
of ``measured``. `Evidence` makes them for measured properties of one substance; other modules may bring their own.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, hansen
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.evidence import theory
from hspkit.evidence.bonds import associating_hydroxyls, bonds_inside, site_densities
from hspkit.evidence.facts import MISCIBLE_MG_PER_L, WATER
from hspkit.evidence.loss import mixing_log_likelihood
from hspkit.evidence.melting import fusion_entropy, supercooled_fraction
from hspkit.evidence.shipped import Liquid, liquid
from hspkit.phases.mixture import GAS_CONSTANT

__all__ = ["Evidence", "Piece", "Target"]

Array = NDArray[np.float64]

#: A single measured value without a stated spread: standard deviation of ln S, log P, ln gamma and of the enthalpy
#: as a share of it. Typical of what compilations of repeated measurements scatter by; judgement, no source.
SINGLE_VALUE_SD = {"water solubility": 0.3, "log P": 0.2, "activity": 0.1, "vaporisation enthalpy": 0.03}
#: Temperatures within which the rates that move parameters may be trusted. [degC]
CELSIUS_RANGE = (0.0, 100.0)
#: No liquid has larger molecules [cm3/mol]; judgement, for a slip of the unit.
MOST_VOLUME = 1e5


class Piece(Protocol):
    """What `reconcile` needs of a piece of evidence."""

    @property
    def kind(self) -> str:
        """Kind of evidence; "mixing" for outcomes that are yes or no. [-]"""
        ...

    @property
    def source(self) -> str:
        """Where it comes from. [-]"""
        ...

    @property
    def measured(self) -> float:
        """The measured value."""
        ...

    def residual(self, hsp: Array) -> Array:
        """Return (predicted - measured) over the standard deviation, shape (m,). [-]

        Parameters
        ----------
        hsp : ndarray of shape (m, 3)
            Points in Hansen space. [MPa^0.5]
        """
        ...

    def predicted(self, hsp: Array) -> Array:
        """Return what points predict, on the scale of ``measured``, shape (m,).

        Parameters
        ----------
        hsp : ndarray of shape (m, 3)
            Points in Hansen space. [MPa^0.5]
        """
        ...


@dataclass(frozen=True)
class Target:
    """The substance that evidence is about, as far as it is needed to read the evidence.

    ``volume`` [cm3/mol], ``molar_mass`` [g/mol], ``melting`` [degC], ``smiles``, and ``near`` (3,), the point at which
    the uncertainty of a partner is judged [MPa^0.5].
    """

    volume: float
    molar_mass: float | None = None
    melting: float | None = None
    smiles: str = ""
    near: tuple[float, float, float] = (17.0, 5.0, 7.0)

    @property
    def mixing_volume(self) -> float:
        """Volume that counts in the entropy of mixing. [cm3/mol]"""
        return float(theory.mixing_volume(self.volume, associating_hydroxyls(self.smiles)))

    def bonding(self, partner: Liquid) -> float:
        """Return the product of the differences of donor and of acceptor density to another liquid. [(mol/L)^2]"""
        donor, acceptor = site_densities(self.smiles, self.volume)
        return (donor - partner.sites[0]) * (acceptor - partner.sites[1])


@dataclass(frozen=True)
class _Distances:
    """ln S, log P, ln gamma: offset + sum of weights . (hsp - partner)^2, scaled back to the measured quantity."""

    kind: str
    source: str
    measured: float
    sd: float
    offset: float
    partners: Array
    weights: Array
    unit: float

    def predicted(self, hsp: Array) -> Array:
        squares = (hsp[:, None, :] - self.partners[None]) ** 2
        return self.offset + self.unit * np.sum(self.weights * squares, axis=(1, 2))

    def residual(self, hsp: Array) -> Array:
        return (self.predicted(hsp) - self.measured) / self.sd


@dataclass(frozen=True)
class _Total:
    """Enthalpy of vaporisation: |hsp|^2 V + RT."""

    source: str
    measured: float
    volume: float
    sd: float
    kind: str = "vaporisation enthalpy"

    def predicted(self, hsp: Array) -> Array:
        return (np.sum(hsp**2, axis=1) * self.volume + GAS_CONSTANT * 298.15) / 1000.0

    def residual(self, hsp: Array) -> Array:
        total = np.sqrt((1000.0 * self.measured - GAS_CONSTANT * 298.15) / self.volume)
        return (np.sqrt(np.sum(hsp**2, axis=1)) - total) / self.sd


@dataclass(frozen=True)
class _Mixing:
    """Mixes in all proportions, or not: the root of twice the deviance, with the sign of the miss."""

    source: str
    measured: float
    partner: Array
    weights: Array
    bonding: float
    sd: float
    kind: str = "mixing"

    def _z(self, hsp: Array) -> Array:
        ratio = np.maximum(np.sum(self.weights * (hsp - self.partner) ** 2, axis=1) + self.bonding, 1e-3)
        return -np.log(ratio) / self.sd

    def predicted(self, hsp: Array) -> Array:
        log_p, _, _ = mixing_log_likelihood(self._z(hsp), np.ones(len(hsp), dtype=bool))
        return np.exp(log_p)

    def residual(self, hsp: Array) -> Array:
        mixes = np.full(len(hsp), self.measured > 0.5)
        log_p, _, _ = mixing_log_likelihood(self._z(hsp), mixes)
        return np.where(mixes, -1.0, 1.0) * np.sqrt(-2.0 * log_p)


def _number(value: Any, what: str, low: float, high: float, unit: str) -> float:
    return checks.number(value, what, unit, low=low, high=high)


def _celsius(value: Any) -> float:
    number = _number(value, "celsius", -90.0, 400.0, "degC")
    if not CELSIUS_RANGE[0] <= number <= CELSIUS_RANGE[1]:
        message = f"celsius is {number:g}; the temperature rates hold from 0 to 100 degC, this is an extrapolation"
        warnings.warn(message, ExtrapolationWarning, stacklevel=4)
    return number


def _partner(given: Any) -> Liquid:
    """Return the other liquid: a shipped one by name, or any object with hsp and volume (and covariance)."""
    if isinstance(given, Liquid):
        return given
    if isinstance(given, str):
        return liquid(given)
    point, volume = getattr(given, "hsp", None), getattr(given, "volume", None)
    if point is None or volume is None:
        expected = "the name or CAS number of a shipped substance, or a Substance"
        raise checks.refuse(given, "partner", expected)
    where = hansen.point(point).array
    volume = checks.positive(volume, "the volume of the partner", "in cm3/mol", most=MOST_VOLUME)
    spread = getattr(given, "covariance", None)
    name = str(getattr(given, "name", "partner"))
    smiles = getattr(given, "smiles", "") or ("O" if name == WATER else "")
    mixing = getattr(given, "mixing_volume", None) or theory.mixing_volume(volume, associating_hydroxyls(smiles))
    return Liquid(
        name,
        where,
        np.zeros((3, 3)) if spread is None else np.asarray(spread, dtype=float),
        float(volume),
        float(mixing),
        site_densities(smiles, float(volume)),
    )


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
    partner : Liquid, optional
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
    partner: Liquid | None = None
    celsius: float = 25.0
    melting: float | None = None

    def __post_init__(self) -> None:
        checks.choice(self.kind, "kind", (*SINGLE_VALUE_SD, "mixing"))
        checks.number(self.value, "value", "")
        checks.number(self.sd, "sd", "", low=0)
        _source(self.source)
        checks.kind(self.partner, "partner", (Liquid, type(None)), "a Liquid or None")
        _number(self.celsius, "celsius", -90.0, 400.0, "degC")
        if self.melting is not None:
            _number(self.melting, "melting", -220.0, 1000.0, "degC")

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
        amount = _number(mg_per_L, "mg_per_L", 1e-9, 4e6, "mg/L")
        spread = SINGLE_VALUE_SD["water solubility"] if sd_ln is None else _number(sd_ln, "sd_ln", 1e-6, 20.0, "")
        melting = None
        if melting_celsius is not None:
            melting = _number(melting_celsius, "melting_celsius", -220.0, 1000.0, "degC")
        if amount >= MISCIBLE_MG_PER_L:  # a way of writing "miscible"
            return cls("mixing", 1.0, 0.0, _source(source), liquid("water"))
        return cls("water solubility", float(np.log(amount)), spread, _source(source), liquid("water"), 25.0, melting)

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
        spread = SINGLE_VALUE_SD["log P"] if sd is None else _number(sd, "sd", 1e-6, 20.0, "")
        return cls("log P", _number(value, "log P", -10.0, 25.0, ""), spread, _source(source), liquid("water"))

    @classmethod
    def activity(
        cls, solvent: Any, ln_gamma: float, *, celsius: float = 25.0, sd: float | None = None, source: str = "user"
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
        spread = SINGLE_VALUE_SD["activity"] if sd is None else _number(sd, "sd", 1e-6, 20.0, "")
        value = _number(ln_gamma, "ln_gamma", -10.0, 40.0, "")
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
        value = _number(kJ_per_mol, "kJ_per_mol", 5.0, 500.0, "kJ/mol")
        share = SINGLE_VALUE_SD["vaporisation enthalpy"]
        spread = share * value if sd is None else _number(sd, "sd", 1e-6, 500.0, "kJ/mol")
        return cls("vaporisation enthalpy", value, spread, _source(source))

    @classmethod
    def mixes(cls, with_: Any, outcome: bool = True, *, celsius: float = 25.0, source: str = "user") -> Evidence:
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

    def piece(self, target: Target) -> Piece:
        """Return the piece that compares points with this fact, for a given substance.

        Raises
        ------
        InputError
            When the fact cannot be read without more about the substance, or no parameters could ever meet it.
        """
        checks.kind(target, "target", Target, "a Target")
        constants = theory.calibration()
        if self.kind == "vaporisation enthalpy":
            energy = 1000.0 * self.value - GAS_CONSTANT * 298.15
            if energy <= 0:
                message = f"vaporisation enthalpy is {self.value:g} kJ/mol; less than RT leaves no cohesion"
                raise InputError(message)
            total = np.sqrt(energy / target.volume)
            spread = np.hypot(constants.sd_total, 500.0 * self.sd / target.volume / total)
            return _Total(self.source, self.value, target.volume, float(spread))
        assert self.partner is not None
        if self.kind == "mixing":
            return self._mixing(target, constants)
        if self.kind == "water solubility":
            return self._water(target, constants)
        if self.kind == "log P":
            octanol = liquid("1-octanol")
            offset = target.volume * (1.0 / octanol.mixing_volume - 1.0 / self.partner.mixing_volume) / np.log(10.0)
            inside = constants.sd_internal_bond if bonds_inside(target.smiles) else 0.0
            sd = float(np.hypot(np.hypot(constants.sd_log_p, inside) / np.log(10.0), self.sd))
            return self._distances(
                target, [(self.partner, 1.0), (octanol, -1.0)], offset, sd, 1.0 / np.log(10.0), self.value
            )
        _, growth = theory.scale_at(self.celsius)
        solvent = self.partner
        offset = theory.dilute_ln_gamma(
            0.0, target.volume * growth, solvent.volume * growth, solvent.mixing_volume * growth
        )
        sd = float(np.hypot(constants.sd_activity, self.sd))
        return self._distances(target, [(solvent, float(growth))], float(offset), sd, 1.0, self.value)

    def _water(self, target: Target, constants: theory.Calibration) -> Piece:
        assert self.partner is not None
        if target.molar_mass is None:
            message = "a water solubility needs the molar mass; give the substance with its structure"
            raise InputError(message)
        melting = self.melting if self.melting is not None else target.melting
        phi, doubt = supercooled_fraction(
            self.value,
            target.molar_mass,
            target.volume,
            25.0 if melting is None else melting,
            fusion_entropy(target.smiles),
        )
        w = theory.coexisting_strength(phi, target.mixing_volume, self.partner.mixing_volume)
        if w is None:
            return replace(self, kind="mixing", value=1.0, sd=0.0).piece(target)
        inside = constants.sd_internal_bond if bonds_inside(target.smiles) else 0.0
        sd = float(np.sqrt(constants.sd_water_solubility**2 + self.sd**2 + doubt**2 + inside**2))
        # Near the measured value ln S falls by the mixing volume per unit of exchange energy.
        offset = self.value + target.mixing_volume * w
        share = target.mixing_volume / target.volume
        return self._distances(target, [(self.partner, share)], offset, sd, -1.0, self.value)

    def _distances(
        self, target: Target, partners: list[tuple[Liquid, float]], offset: float, sd: float, unit: float, value: float
    ) -> Piece:
        constants = theory.calibration()
        factors, _ = theory.scale_at(self.celsius)
        strength = constants.alpha / (GAS_CONSTANT * (self.celsius + 273.15))
        weights = np.array([target.volume * share * strength * constants.weights * factors**2 for _, share in partners])
        bonding = sum(share * target.bonding(other) for other, share in partners)
        offset += unit * target.volume * strength * constants.weight_sites * float(factors[2]) ** 2 * bonding
        points = np.array([other.hsp for other, _ in partners])
        near = np.array(target.near)
        variance = sd**2
        for place, (other, _) in enumerate(partners):
            slope = 2.0 * unit * weights[place] * (points[place] - near)
            variance += float(slope @ other.covariance @ slope)
        return _Distances(self.kind, self.source, value, float(np.sqrt(variance)), offset, points, weights, unit)

    def _mixing(self, target: Target, constants: theory.Calibration) -> Piece:
        assert self.partner is not None
        factors, growth = theory.scale_at(self.celsius)
        strength = constants.alpha / (GAS_CONSTANT * (self.celsius + 273.15))
        critical = theory.critical_strength(target.mixing_volume * growth, self.partner.mixing_volume * growth)
        weights = strength * constants.weights * factors**2 / critical
        bonding = float(strength * constants.weight_sites * factors[2] ** 2 / critical) * target.bonding(self.partner)
        gap = self.partner.hsp - np.array(target.near)
        ratio = max(float(np.sum(weights * gap**2)) + bonding, 1e-3)
        slope = 2.0 * weights * gap / ratio
        spread = constants.sd_mixing**2 + float(slope @ self.partner.covariance @ slope)
        sd = float(np.sqrt(min(spread, 1.0)))
        return _Mixing(self.source, self.value, self.partner.hsp, weights, bonding, sd)


def _source(given: Any) -> str:
    if not isinstance(given, str) or not given.strip():
        raise checks.refuse(given, "source", "a text that says where the value comes from")
    return given.strip()
