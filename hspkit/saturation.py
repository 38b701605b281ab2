"""How much of a solid a liquid takes up, from its crystal and the same free energy as everything else."""

from __future__ import annotations

import html
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from hspkit import checks, phases
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.crystal import Crystal, crystal_of, is_zwitterion
from hspkit.errors import ExtrapolationWarning, InputError, UnknownNameError
from hspkit.mixture import carrier_substances
from hspkit.phases.crystals import crystal_point, ln_crystal
from hspkit.substances import Substance, substance

__all__ = ["DEGREES_OF_FREEDOM", "LIQUID_MISFIT", "Solubility", "misfit_log10", "solubility", "solubility_curve"]

Array = NDArray[np.float64]

#: Misfit of the theory of the liquid in log10 of a mole fraction [-]: in liquids, and in water. With that of the
#: crystal and the heavy tails of so many degrees of freedom, held-out solubilities lie in their 90 % interval 87 to 92
#: times of 100 (`python -m hspkit.workshop.solids`).
LIQUID_MISFIT, WATER_MISFIT, DEGREES_OF_FREEDOM = 0.31, 0.67, 4
#: How the caution of what must not be eaten begins.
NOT_FOR_INGESTION = "NOT FOR INGESTION"
#: Temperatures that may be asked about [degC].
CELSIUS = (-60.0, 120.0)


def misfit_log10(solvent: str) -> float:
    """Return the misfit of the theory of the liquid in log10 of a mole fraction. [-]

    Parameters
    ----------
    solvent : str
        Name of the solvent. [-]

    Examples
    --------
    >>> misfit_log10("water") > misfit_log10("ethanol")
    True
    """
    return WATER_MISFIT if solvent == "water" else LIQUID_MISFIT


@dataclass(frozen=True, eq=False)
class Solubility:
    """How much of a solid a liquid takes up at a temperature.

    Parameters
    ----------
    solute, solvent : str
        Names. [-]
    celsius : float
        Temperature. [degC]
    mole_fraction : float
        Of the solute in the saturated solution; 1 where both mix in every proportion, NaN when unknown. [-]
    limited_by : str or None
        "crystals", "second liquid", or None where nothing limits it. [-]
    crystal : Crystal or None
        The crystal it rests on; None when no melting point is known.
    unknown : str
        Why there is no answer; empty when there is one. [-]
    sd_log10 : float
        Standard deviation of log10 of the mole fraction. [-]
    molar_masses : tuple of float
        Of solute and solvent; a blend's is the mean by moles. [g/mol]
    volumes : tuple of float
        Molar volumes of solute (as a liquid) and solvent. [cm3/mol]
    caution : str
        What must be known of either before it is eaten or handled; empty when nothing is on record. [-]
    """

    solute: str
    solvent: str
    celsius: float
    mole_fraction: float
    limited_by: str | None
    crystal: Crystal | None
    unknown: str
    sd_log10: float
    molar_masses: tuple[float, float]
    volumes: tuple[float, float]
    caution: str = ""

    @property
    def mass_percent(self) -> float:
        """Solute in the saturated solution. [mass %]"""
        solid, liquid = self._shares(self.molar_masses)
        return 100.0 * solid / (solid + liquid)

    @property
    def grams_per_100_g(self) -> float:
        """Solute for 100 g of solvent; infinite where they mix in every proportion. [g]"""
        solid, liquid = self._shares(self.molar_masses)
        return 100.0 * solid / liquid if liquid > 0 else (np.inf if np.isfinite(solid) else np.nan)

    @property
    def grams_per_100_mL_solvent(self) -> float:
        """Solute for 100 mL of solvent at 25 degC. [g]"""
        return self.grams_per_100_g * self.molar_masses[1] / self.volumes[1]

    @property
    def grams_per_L(self) -> float:
        """Solute in a litre of the saturated solution, volumes taken as additive. [g/L]"""
        solid, liquid = self._shares(self.volumes)
        return 1000.0 * self._shares(self.molar_masses)[0] / (solid + liquid)

    def interval(self, level: float = 0.9) -> tuple[float, float]:
        """Return bounds between which the mole fraction lies with a probability.

        Parameters
        ----------
        level : float
            The probability. [-]

        Raises
        ------
        InputError
            When the level is not between 0 and 1.

        Examples
        --------
        >>> low, high = solubility("thymol", "ethanol").interval(0.9)
        >>> low < solubility("thymol", "ethanol").mole_fraction < high
        True
        """
        from scipy.stats import t

        share = checks.number(level, "level", "", low=0.0, high=0.9999, expected="a probability between 0 and 1")
        away = float(t.ppf(0.5 + 0.5 * share, DEGREES_OF_FREEDOM)) * self.sd_log10
        # on the scale on which a share near 1 cannot pass it
        odds = np.log10(self.mole_fraction / (1.0 - self.mole_fraction)) if self.mole_fraction < 1 else np.inf
        low, high = (10.0 ** (odds + sign * away) for sign in (-1.0, 1.0))
        return _share(low), _share(high)

    def _shares(self, per_mole: tuple[float, float]) -> tuple[float, float]:
        return self.mole_fraction * per_mole[0], (1.0 - self.mole_fraction) * per_mole[1]

    def sentence(self) -> str:
        """Return the answer in words, with the caution of what is not for ingestion first.

        Examples
        --------
        >>> solubility("limonene", "ethanol").sentence()[:53]
        'limonene and ethanol mix in every proportion at 25 C.'
        """
        if not self.caution:
            return self._answer()
        parts = [self._answer(), f"Caution: {self.caution}"]
        return " ".join(parts[::-1] if NOT_FOR_INGESTION in self.caution else parts)

    def _answer(self) -> str:
        if self.unknown:
            return f"{self.solute} in {self.solvent} at {self.celsius:g} C: unknown; {self.unknown}."
        if self.limited_by is None:
            return f"{self.solute} and {self.solvent} mix in every proportion at {self.celsius:g} C."
        low, high = (_of_fraction(self, bound).grams_per_100_g for bound in self.interval(0.9))
        limit = "crystals" if self.limited_by == "crystals" else "a second liquid"
        return (
            f"100 g of {self.solvent} take up about {self.grams_per_100_g:.2g} g of {self.solute} at {self.celsius:g} C"
            f" (90 % interval {low:.2g} to {high:.2g} g), limited by {limit}."
        )

    def __repr__(self) -> str:
        return f"Solubility({self.sentence()})"

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(self.sentence())}</p>"


def _share(odds: float) -> float:
    return 1.0 if np.isinf(odds) else float(odds / (1.0 + odds))


def _of_fraction(answer: Solubility, mole_fraction: float) -> Solubility:
    return replace(answer, mole_fraction=mole_fraction)


def _members(given: str | Substance | Carrier | Blend) -> tuple[str, list[Substance], Array]:
    """Return the name, the components and their volume fractions of a substance, a carrier or a blend."""
    if isinstance(given, str):
        try:
            return _members(substance(given))
        except UnknownNameError:
            return _members(carrier(given))
    if isinstance(given, Substance):
        return given.name, [given], np.ones(1)
    found = carrier(given)
    return found.name, carrier_substances(found), np.asarray(found.fractions, dtype=float)


class _Solvent:
    """A substance, a carrier or a blend as components with volume fractions."""

    def __init__(self, given: str | Substance | Carrier | Blend) -> None:
        self.name, self.members, self.fractions = _members(given)
        self.cautions = [Carrier.of(member).caution for member in self.members]

    def moles(self) -> Array:
        """Return moles of each in one volume. [mol/cm3]"""
        return self.fractions / np.array([one.volume for one in self.members])


def solubility(
    solute: str | Substance,
    solvent: str | Substance | Carrier | Blend,
    *,
    celsius: float = 25.0,
    melting_celsius: float | None = None,
    fusion_J_per_mol: float | None = None,
) -> Solubility:
    """Return how much of a solid a liquid takes up.

    Parameters
    ----------
    solute : str or Substance
        A name, CAS number, SMILES or Substance. [-]
    solvent : str, Substance, Carrier or Blend
        What it dissolves in; of a blend, all of it. [-]
    celsius : float
        Temperature, -60 to 120. [degC]
    melting_celsius : float, optional
        Melting point, where none is known or another one is. [degC]
    fusion_J_per_mol : float, optional
        Enthalpy of fusion at the melting point; else measured, or estimated from the structure. [J/mol]

    Returns
    -------
    Solubility
        ``mole_fraction``, ``mass_percent``, ``grams_per_100_g``, ``grams_per_100_mL_solvent``, ``grams_per_L``,
        ``interval(level)``, ``limited_by``. Without a melting point it is unknown, and says so.

    Raises
    ------
    UnknownNameError, MoleculeError
        For a name or a structure that is not known, a salt for one.
    InputError
        For a zwitterion, a temperature out of range, a solute that is the solvent.

    References
    ----------
    See `hspkit.phases.crystals`; accuracy by ``python -m hspkit.workshop.solids``.

    Examples
    --------
    >>> found = solubility("vanillin", "propylene glycol")
    >>> found.limited_by, 10 < found.grams_per_100_g < 100
    ('crystals', True)
    """
    solid, liquid = substance(solute), _Solvent(solvent)
    warmth = checks.number(celsius, "celsius", "in degC", low=CELSIUS[0], high=CELSIUS[1])
    if is_zwitterion(solid.smiles or ""):
        message = f"{solid.name} is an acid and a base in one, a salt of itself; its solubility is not computed"
        raise InputError(message)
    if solid.identity in {member.identity for member in liquid.members}:
        message = f"{solid.name} is the solvent too; name another solvent"
        raise InputError(message)
    crystal = crystal_of(solid, melting_celsius=melting_celsius, fusion_J_per_mol=fusion_J_per_mol)
    cautions = dict.fromkeys(text for text in (Carrier.of(solid).caution, *liquid.cautions) if text)
    names = {"solute": solid.name, "solvent": liquid.name, "caution": " ".join(cautions)}
    moles = liquid.moles()
    masses = np.array([member.molar_mass for member in liquid.members], dtype=float)
    sizes = (float(solid.molar_mass or np.nan), float(moles @ masses / moles.sum())), (solid.volume, 1.0 / moles.sum())
    if crystal is None:
        reason = f"no melting point of {solid.name} is known; give melting_celsius"
        return Solubility(**names, celsius=warmth, mole_fraction=np.nan, limited_by=None, crystal=None, unknown=reason,
                          sd_log10=np.nan, molar_masses=sizes[0], volumes=sizes[1])  # fmt: skip
    edge = float(ln_crystal(warmth, crystal.melting_celsius, crystal.entropy))
    share, limit = _first_limit(solid, liquid, edge, warmth)
    per_volume = np.array([share / solid.volume, (1.0 - share) * moles.sum()])
    doubt = crystal.entropy_sd / crystal.entropy * abs(edge) / np.log(10.0) if limit == "crystals" else 0.0
    return Solubility(
        **names,
        celsius=warmth,
        mole_fraction=float(per_volume[0] / per_volume.sum()),
        limited_by=limit,
        crystal=crystal,
        unknown="",
        sd_log10=float(np.hypot(doubt, misfit_log10(liquid.name))),
        molar_masses=sizes[0],
        volumes=sizes[1],
    )


def _first_limit(solid: Substance, liquid: _Solvent, edge: float, celsius: float) -> tuple[float, str | None]:
    """Return the volume share of the solid at which the solution first bears crystals or a second liquid, and which."""
    members = (*liquid.members, solid)
    n = len(members)
    start, added = np.append(liquid.fractions, 0.0), np.eye(n)[-1]
    volumes, hsp = np.array([one.volume for one in members]), np.array([one.hsp.array for one in members])
    sites = phases.Sites.joined([one.sites for one in members])
    crystals = np.append(np.full(n - 1, np.inf), edge if edge < 0 else np.inf)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # the range that may be asked about is checked
        solidifies = crystal_point(start, added, volumes, hsp, crystals, celsius=celsius, sites=sites)
        parts = phases.cloud_point(start, added, volumes, hsp, celsius=celsius, sites=sites)
    first = {"crystals": float(solidifies.fraction), "second liquid": float(parts.fraction) if parts.clouds else 1.0}
    limit = min(first, key=lambda name: first[name])
    return (1.0, None) if first[limit] >= 1.0 else (first[limit], limit)


def solubility_curve(
    solute: str | Substance,
    solvent: str | Substance | Carrier | Blend,
    celsius: Sequence[float],
    *,
    melting_celsius: float | None = None,
    fusion_J_per_mol: float | None = None,
) -> pd.DataFrame:
    """Return how much of a solid a liquid takes up over temperatures, one row each.

    Parameters
    ----------
    solute, solvent, melting_celsius, fusion_J_per_mol
        As in `solubility`.
    celsius : sequence of float
        Temperatures. [degC]

    Returns
    -------
    DataFrame
        Columns celsius, mole_fraction, mass_percent, grams_per_100_g, limited_by, caution.

    Raises
    ------
    InputError
        As `solubility`.

    Examples
    --------
    >>> table = solubility_curve("thymol", "ethanol", [5.0, 25.0])
    >>> bool(table["mole_fraction"].is_monotonic_increasing)
    True
    """
    warmths = checks.several(celsius, "celsius", "[5, 25, 40]")
    given = {"melting_celsius": melting_celsius, "fusion_J_per_mol": fusion_J_per_mol}
    rows = [solubility(solute, solvent, celsius=one, **given) for one in warmths]
    columns = ("celsius", "mole_fraction", "mass_percent", "grams_per_100_g", "limited_by", "caution")
    return pd.DataFrame([[getattr(row, name) for name in columns] for row in rows], columns=list(columns))
