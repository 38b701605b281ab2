"""What a carrier and a blend of carriers have in common, and the carrier itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, law, viscosity
from hspkit.carriers import listing
from hspkit.errors import InputError
from hspkit.frozen import Frozen, freeze
from hspkit.hansen import HSP, TYPICAL_EXPANSIVITY
from hspkit.names import look_alikes
from hspkit.rendering import html_table, number
from hspkit.substances import Substance, substance

__all__ = ["NOT_FOR_INGESTION", "NOT_LISTED", "Carrier", "Liquid", "shipped"]

NOT_FOR_INGESTION = "not for ingestion"
#: Note on a liquid that is in no list of carriers.
NOT_LISTED = "not a listed carrier: nothing on record permits it in food"
#: No density, viscosity, dose or flash point of a carrier is greater, in its own unit; judgement, for a slip.
_MOST_FIGURE = 1e7


class Liquid:
    """What a carrier and a blend of carriers have in common; a carrier counts as a blend of one.

    `Carrier` and `hspkit.carriers.Blend` have besides name, identity, caution, hsp, covariance, volume, density,
    viscosity and viscosity_range.
    """

    name: str

    @property
    def parts(self) -> tuple[Carrier, ...]:
        """The n carriers that it is made of; of a carrier, itself."""
        raise NotImplementedError

    @property
    def volume_fractions(self) -> NDArray[np.float64]:
        """Volume fractions of `parts`, as measured out, shape (n,). [-]"""
        raise NotImplementedError

    @property
    def fractions(self) -> NDArray[np.float64]:
        """Volume fractions, shape (n,). [-]"""
        return self.volume_fractions

    @property
    def present(self) -> tuple[tuple[Carrier, float], ...]:
        """The parts with a volume fraction above 0, each with that fraction. [-]"""
        return tuple((part, float(f)) for part, f in zip(self.parts, self.volume_fractions, strict=True) if f > 0)

    @property
    def mass_fractions(self) -> NDArray[np.float64]:
        """Mass fractions of `parts`, shape (n,); NaN where a density that counts is unknown. [-]"""
        fractions = self.volume_fractions
        if np.count_nonzero(fractions) == 1:
            return (fractions > 0).astype(float)
        masses = np.where(fractions > 0, fractions * [part.density for part in self.parts], 0.0)
        return masses / masses.sum()

    @property
    def mole_fractions(self) -> NDArray[np.float64]:
        """Mole fractions of `parts`, shape (n,). [-]"""
        moles = self.volume_fractions / self.component_volumes
        return moles / moles.sum()

    @property
    def substances(self) -> tuple[Substance, ...]:
        """The substances of `parts`, length n."""
        return tuple(part.molecule for part in self.parts)

    @cached_property
    def component_hsp(self) -> NDArray[np.float64]:
        """Hansen parameters of `parts`, shape (n, 3). [MPa^0.5]"""
        return freeze(np.stack([part.hsp.array for part in self.parts]))

    @cached_property
    def component_volumes(self) -> NDArray[np.float64]:
        """Molar volumes of `parts` at 25 C, shape (n,). [cm3/mol]"""
        return freeze(np.array([part.volume for part in self.parts]))

    @cached_property
    def component_covariances(self) -> NDArray[np.float64]:
        """Covariances of the Hansen parameters of `parts`, shape (n, 3, 3). [MPa]"""
        return freeze(np.stack([part.covariance for part in self.parts]))

    @property
    def not_for_ingestion(self) -> bool:
        """Whether it, or a part of it, must never be in food."""
        return any(part.role == NOT_FOR_INGESTION for part in self.parts)

    def permitted(self, market: str, category: str | None = None) -> str:
        """Return whether it is permitted as a carrier; see `hspkit.law.permitted`.

        Parameters
        ----------
        market : str
            US, EU, UK, ... [-]
        category : str, optional
            Food category in the words of the regulations; all by default. [-]

        Returns
        -------
        str
            "yes", "restricted", "no" or "no evidence"; of a blend, the least permissive word of its parts.

        Examples
        --------
        >>> from hspkit.carriers import carrier
        >>> carrier("benzyl alcohol").permitted("EU", "soft drinks")
        'no evidence'
        >>> carrier("dipropylene glycol").permitted("UK")
        'no'
        """
        words = {part: law.permitted(part.listed_name, market, category) for part, _ in self.present}
        return law.least_permissive("no" if part.role == NOT_FOR_INGESTION else word for part, word in words.items())

    def limits(self, market: str, category: str | None = None) -> tuple[law.Limit, ...]:
        """Return what was read of the law of a market for each part; see `hspkit.law.limits`.

        Parameters
        ----------
        market : str
            US, EU, UK, ... [-]
        category : str, optional
            Food category in the words of the regulations; all by default. [-]
        """
        return tuple(row for part in self.parts for row in law.limits(part.listed_name, market, category))

    def doses(self, mg_per_L: float) -> dict[str, float]:
        """Return how a dose divides among the parts, {name: mg/L}; listed carriers by their listed name.

        Parameters
        ----------
        mg_per_L : float
            Dose of the whole. [mg/L]

        Examples
        --------
        >>> from hspkit.carriers import Blend
        >>> Blend({"triacetin": 0.25, "MCT": 0.75}, basis="mass").doses(400)["triacetin"]
        100.0
        """
        dose = checks.number(mg_per_L, "mg_per_L", "in mg/L", low=0)
        names = [part.listed_name or part.name for part in self.parts]
        return {name: float(dose * share) for name, share in zip(names, self.mass_fractions, strict=True)}

    def _repr_html_(self) -> str:
        head: list[str | tuple[str, str]] = ["carrier", "caution", ("share", "% vol"), ("density", "g/mL at 20 C")]
        rows = [[part.name, part.caution, number(100.0 * f), number(part.density, 4)] for part, f in self.present]
        return html_table(head, rows, left=2)


@dataclass(frozen=True, eq=False)
class Carrier(Liquid):
    """A liquid that carries an oil into food, or one that is mistaken for such a liquid.

    The law is looked up by its identity (`listed_name`), never by its name.

    Parameters
    ----------
    name, cas : str
        Name of the trade and CAS number as sold; the name of a listed carrier only for that carrier. [-]
    substance : Substance or None
        Molecule that gives its parameters; None where no single molecule represents it. [-]
    role : str
        carrier; alcohol (for comparison); diluent; or not for ingestion, which is set where its substance is known as
        such. [-]
    e_number : str or None
        Union additive number. [-]
    densities, viscosities : dict
        Density [g/mL] and dynamic viscosity [mPa s] by temperature [degC].
    taste_limit, taste_unnoticed : float or None
        Dose above which it turns unpleasant, and below which it is hardly noticed. [mg/L of finished product]
    taste, caution, note : str
        In words. [-]
    sources : dict
        Source key by quantity. [-]

    Raises
    ------
    InputError
        When the name or the CAS number is that of a listed carrier which it is not.

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> pg = carrier("propylene glycol")
    >>> pg.cas, pg.e_number, pg.permitted("EU", "soft drinks")
    ('57-55-6', 'E1520', 'restricted')
    """

    name: str
    cas: str
    substance: Substance | None
    role: str = "carrier"
    e_number: str | None = None
    densities: Mapping[float, float] = field(default_factory=dict)
    viscosities: Mapping[float, float] = field(default_factory=dict)
    flash_point: float | None = None
    taste_limit: float | None = None
    taste_unnoticed: float | None = None
    taste: str = ""
    caution: str = ""
    note: str = ""
    sources: Mapping[str, str] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        self._check_kinds()
        for name in ("densities", "viscosities", "sources"):  # a carrier is shared by all callers
            object.__setattr__(self, name, Frozen(getattr(self, name)))
        self._check_name()
        row = listing.rows().get(self.listed_name, {"role": ""})
        cautions = [row["caution"]] if row["role"] == NOT_FOR_INGESTION else self._poisons()
        if cautions:
            added = [text for text in cautions if text not in self.caution]
            object.__setattr__(self, "role", NOT_FOR_INGESTION)
            object.__setattr__(self, "caution", " ".join([*added, *filter(None, [self.caution])]))

    def _check_kinds(self) -> None:
        """Refuse values of the wrong kind."""
        if not isinstance(self.name, str) or not self.name.strip():
            raise checks.refuse(self.name, "name", "a text that is not empty")
        for name in ("cas", "role", "taste", "caution", "note"):
            checks.text(getattr(self, name), name)
        checks.kind(self.e_number, "e_number", (str, type(None)), "a text such as 'E1520', or None")
        checks.kind(self.substance, "substance", (Substance, type(None)), "a Substance or None")
        checks.kind(self.sources, "sources", Mapping, "a mapping of quantity to source key")
        for name in ("densities", "viscosities"):
            values = checks.kind(getattr(self, name), name, Mapping, "a mapping of degC to a number")
            for celsius, value in values.items():
                checks.number(celsius, f"a temperature of {name}", "in degC", low=-273.15, high=checks.MOST_CELSIUS)
                checks.positive(value, f"one of {name}", "", most=_MOST_FIGURE)
        for name in ("flash_point", "taste_limit", "taste_unnoticed"):
            if getattr(self, name) is not None:
                checks.number(getattr(self, name), name, "", low=-273.15, high=_MOST_FIGURE)

    def _check_name(self) -> None:
        """Refuse the name or the CAS number of a listed carrier that it is not."""
        own = f"CAS {self.cas or 'unknown'}, " + ("no substance" if self.substance is None else self.identity)
        namesake = listing.named(self.name)
        if namesake:
            row, own_number = listing.rows()[namesake], self.cas in listing.numbers()[namesake]
            # what is dissolved in a syrup has the number of the syrup
            is_listed = namesake == self.listed_name
            same = own_number or not self.cas if is_listed else own_number and not row["substance"]
            if not same:
                message = (
                    f"carrier {self.name!r} ({own}) has the name of the listed carrier {namesake!r} "
                    f"(CAS {row['cas']}, {row['substance'] or 'no substance'}), which it is not; choose another name"
                )
                raise InputError(message)
        owner = listing.by_cas().get(self.cas, "")
        if owner and owner != self.listed_name and listing.rows()[owner]["substance"]:
            message = f"carrier {self.name!r} ({own}) has the CAS number of {owner!r}, which it is not; correct it"
            raise InputError(message)

    def _poisons(self) -> list[str]:
        """Return what is at stake where it is among the look-alikes that are poison."""
        poisons = (row for row in look_alikes() if row.poison and (row.name == self.identity or row.cas == self.cas))
        return list(dict.fromkeys(row.at_stake for row in poisons))

    def __repr__(self) -> str:
        return f"Carrier({self.name!r}, {self.cas})"

    @classmethod
    def of(cls, name: str | Substance) -> Carrier:
        """Return any substance as a carrier to compute with.

        One that is a listed carrier, under any name, has the law, the cautions and the properties of that
        carrier, and its own Hansen parameters and molar volume. Nothing permits any other.

        Parameters
        ----------
        name : str or Substance
            Name, CAS number or SMILES. [-]

        Examples
        --------
        >>> Carrier.of("acetone").permitted("EU")
        'no evidence'
        >>> Carrier.of(Substance("lot 12", "OCCOCCO")).caution[:17]
        'NOT FOR INGESTION'
        """
        member = substance(name)
        listed_name = listing.by_identity().get(member.identity)
        # a substance that is known by its name alone may have the name of a carrier that it is not
        misnamed = member.identity.startswith("own: ") and listing.named(member.name)
        own_name = member.identity if misnamed else member.name
        if listed_name is not None:
            listed = shipped()[listed_name]
            return listed if listed.substance is member else replace(listed, name=own_name, substance=member)
        density = member.density
        return cls(
            own_name,
            member.cas or "",
            member,
            role="not a listed carrier",
            densities={25.0: density} if density is not None and np.isfinite(density) else {},
            note=NOT_LISTED,
        )

    @cached_property
    def identity(self) -> str:
        """Identity, independent of the name; see `Substance.identity`. [-]"""
        if self.substance is not None:
            return self.substance.identity
        row = listing.rows().get(listing.by_cas().get(self.cas, ""))
        return self.cas or f"own: {self.name}" if row is None else row["substance"] or row["name"]

    @cached_property
    def listed_name(self) -> str:
        """Name under which the list of carriers and the law have it; empty when they do not. [-]

        Examples
        --------
        >>> Carrier.of(Substance("house solvent", "OCC(O)C")).listed_name
        'propylene glycol'
        """
        return listing.by_identity().get(self.identity, "")

    @property
    def parts(self) -> tuple[Carrier, ...]:
        """The carrier itself; the same attribute as of a blend."""
        return (self,)

    @property
    def volume_fractions(self) -> NDArray[np.float64]:
        """Volume fraction, shape (1,). [-]"""
        return np.ones(1)

    @property
    def molecule(self) -> Substance:
        """The substance that gives its parameters; an error where no single molecule represents it."""
        if self.substance is None:
            message = f"no single molecule stands for {self.name!r} ({self.note}): it has no Hansen parameters"
            raise InputError(message)
        return self.substance

    @property
    def hsp(self) -> HSP:
        """Hansen parameters at 25 C. [MPa^0.5]"""
        return self.molecule.hsp

    @property
    def covariance(self) -> NDArray[np.float64]:
        """Covariance of the Hansen parameters, shape (3, 3). [MPa]"""
        return np.asarray(self.molecule.covariance, dtype=float)

    @property
    def volume(self) -> float:
        """Molar volume at 25 C. [cm3/mol]"""
        return float(self.molecule.volume)

    @property
    def density(self) -> float:
        """Density at 20 C; NaN when unknown. [g/mL]"""
        return self.density_at(20.0)

    def density_at(self, celsius: float) -> float:
        """Return the density; NaN when unknown. [g/mL]

        From two temperatures linear; from one with the expansivity of a typical liquid.

        Parameters
        ----------
        celsius : float
            Temperature. [degC]
        """
        celsius = checks.celsius(celsius)
        if not self.densities:
            return float("nan")
        if celsius in self.densities:
            return float(self.densities[celsius])
        cold, warm = min(self.densities), max(self.densities)
        at_cold, at_warm = self.densities[cold], self.densities[warm]
        if cold == warm:
            return float(at_cold * (1.0 - TYPICAL_EXPANSIVITY * (celsius - cold)))
        return float(at_cold + (at_warm - at_cold) * (celsius - cold) / (warm - cold))

    def viscosity(self, celsius: float = 20.0) -> float:
        """Return the dynamic viscosity; NaN when unknown. See `viscosity.at_temperature`. [mPa s]

        Parameters
        ----------
        celsius : float
            Temperature. [degC]

        Warns
        -----
        ExtrapolationWarning
            More than 15 K from the temperatures at which it is known.
        """
        return viscosity.at_temperature(checks.celsius(celsius), self.viscosities)

    def viscosity_range(self, celsius: float = 20.0) -> tuple[float, float]:
        """Return lowest and highest viscosity to expect: of a pure carrier, the same figure twice. [mPa s]

        Parameters
        ----------
        celsius : float
            Temperature. [degC]
        """
        value = self.viscosity(celsius)
        return value, value


@cache
def shipped() -> Mapping[str, Carrier]:
    """Return the carriers of ``carriers.csv`` by name."""
    return freeze({name: _of_row(row) for name, row in listing.rows().items()})


def _of_row(row: Mapping[str, Any]) -> Carrier:
    fields: dict[str, Any] = {name: row[name] for name in ("name", "cas", "role", "e_number", "flash_point")}
    fields |= {name: row[name] or "" for name in ("taste", "caution", "note")}
    fields |= {name: row[f"{name}_mg_per_L"] for name in ("taste_limit", "taste_unnoticed")}
    for name, quantity in (("densities", "density"), ("viscosities", "viscosity")):
        values = {float(celsius): row[f"{quantity}_{celsius}"] for celsius in (20, 25)}
        fields[name] = {celsius: value for celsius, value in values.items() if value is not None}
    quantities = ("density_20", "density_25", "viscosity_20", "viscosity_25", "flash_point", "taste")
    sources = {"identity": row["source"]} | {quantity: row[f"{quantity}_source"] for quantity in quantities}
    fields["sources"] = {quantity: source for quantity, source in sources.items() if source}
    return Carrier(substance=substance(row["substance"]) if row["substance"] else None, **fields)
