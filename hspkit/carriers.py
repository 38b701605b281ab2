"""Carriers and blends of carriers: what they are, what they weigh, how they pour, whether one may eat them.

A carrier and a blend answer to the same names, so that a mixture does not ask which of the two it holds.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, lru_cache
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, contraction, data, ethanol, law, viscosity
from hspkit.errors import ExtrapolationWarning, HspkitError, InputError, UnknownNameError
from hspkit.frozen import Frozen, freeze
from hspkit.hansen import HSP, TYPICAL_EXPANSIVITY, check_fractions, mix
from hspkit.law import PERMITTING_ROLES, Limit, LimitUse, categories, limit_uses, limits, markets
from hspkit.names import LookAlike, NameIndex, check_length, look_alikes
from hspkit.substances import Substance, listed, substance

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "NOT_FOR_INGESTION", "NOT_LISTED", "PERMITTING_ROLES", "Blend", "Carrier", "Limit", "LimitUse", "carrier",
    "carriers", "categories", "check_distinct", "limit_uses", "limits", "markets",
]  # fmt: skip

NOT_FOR_INGESTION = "not for ingestion"
#: What is said of a liquid that is in no list of carriers.
NOT_LISTED = "not a listed carrier: nothing on record permits it in food"
#: Further outside the temperatures of a fitted pair, its viscosity is an extrapolation [K].
PAIR_FAR = 10.0
#: No density, viscosity, dose or flash point of a carrier is greater, in its own unit; judgement, for a slip.
_MOST_FIGURE = 1e7


@dataclass(frozen=True, eq=False)
class Carrier:
    """A liquid that carries an oil into food, or one that is mistaken for such a liquid.

    The law is looked up by what it is (`listed_name`), never by what it is called.

    Parameters
    ----------
    name, cas : str
        Name of the trade and CAS number as sold; the name of a listed carrier only for that carrier. [-]
    substance : Substance or None
        Whose parameters it has; None where no single molecule stands for it. [-]
    role : str
        carrier; alcohol (for comparison); diluent; or not for ingestion, which it becomes by itself where its substance
        is known as such. [-]
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
        self._check()
        for name in ("densities", "viscosities", "sources"):  # one carrier serves all who ask for it
            object.__setattr__(self, name, Frozen(getattr(self, name)))
        self._check_name()
        row = _rows().get(self.listed_name)
        warned = [row["caution"]] if row is not None and row["role"] == NOT_FOR_INGESTION else []
        warned += [one.at_stake for one in self._poisons() if not warned]
        if warned:
            said = [text for text in warned if text not in self.caution]
            object.__setattr__(self, "role", NOT_FOR_INGESTION)
            object.__setattr__(self, "caution", " ".join([*said, *filter(None, [self.caution])]))

    def _check(self) -> None:
        """Refuse what is of the wrong kind."""
        if not isinstance(self.name, str) or not self.name.strip():
            raise checks.refuse(self.name, "name", "a text that is not empty")
        for name in ("cas", "role", "taste", "caution", "note"):
            checks.text(getattr(self, name), name)
        checks.kind(self.e_number, "e_number", (str, type(None)), "a text such as 'E1520', or None")
        checks.kind(self.substance, "substance", (Substance, type(None)), "a Substance or None")
        checks.kind(self.sources, "sources", Mapping, "a mapping of quantity to source key")
        for name in ("densities", "viscosities"):
            known = checks.kind(getattr(self, name), name, Mapping, "a mapping of degC to a number")
            for celsius, value in known.items():
                checks.number(celsius, f"a temperature of {name}", "in degC", low=-273.15, high=checks.MOST_CELSIUS)
                checks.positive(value, f"one of {name}", "", most=_MOST_FIGURE)
        for name in ("flash_point", "taste_limit", "taste_unnoticed"):
            if getattr(self, name) is not None:
                checks.number(getattr(self, name), name, "", low=-273.15, high=_MOST_FIGURE)

    def _check_name(self) -> None:
        """Refuse the name or the CAS number of a listed carrier that it is not."""
        told = f"CAS {self.cas or 'unknown'}, " + ("no substance" if self.substance is None else self.identity)
        known = _named(self.name)
        if known:
            row, own_number = _rows()[known], self.cas in _numbers()[known]
            # what is dissolved in a syrup has the number of the syrup
            same = own_number or not self.cas if known == self.listed_name else own_number and not row["substance"]
            if not same:
                message = (
                    f"carrier {self.name!r} ({told}) has the name of the listed carrier {known!r} "
                    f"(CAS {row['cas']}, {row['substance'] or 'no substance'}), which it is not; choose another name"
                )
                raise InputError(message)
        owner = _by_cas().get(self.cas, "")
        if owner and owner != self.listed_name and _rows()[owner]["substance"]:
            message = f"carrier {self.name!r} ({told}) has the CAS number of {owner!r}, which it is not; correct it"
            raise InputError(message)

    def _poisons(self) -> tuple[LookAlike, ...]:
        found = [one for one in look_alikes() if one.poison and (one.name == self.identity or one.cas == self.cas)]
        return tuple({one.at_stake: one for one in found}.values())

    def __repr__(self) -> str:
        return f"Carrier({self.name!r}, {self.cas})"

    @classmethod
    def of(cls, name: str | Substance) -> Carrier:
        """Return any substance as a carrier to compute with.

        One that is a listed carrier, whatever it is called, has the law, the cautions and the properties of that
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
        found = substance(name)
        own = _by_identity().get(found.identity)
        # a substance that is known by its name alone may have a name that is not its own
        called = found.identity if found.identity.startswith("own: ") and _named(found.name) else found.name
        if own is not None:
            shipped = _table()[own]
            return shipped if shipped.substance is found else replace(shipped, name=called, substance=found)
        density = found.density
        return cls(
            called,
            found.cas or "",
            found,
            role="not a listed carrier",
            densities={25.0: density} if density is not None and np.isfinite(density) else {},
            note=NOT_LISTED,
        )

    @cached_property
    def identity(self) -> str:
        """What it is, whatever it is called; see `Substance.identity`. [-]"""
        if self.substance is not None:
            return self.substance.identity
        row = _rows().get(_by_cas().get(self.cas, ""))
        return self.cas or f"own: {self.name}" if row is None else row["substance"] or row["name"]

    @cached_property
    def listed_name(self) -> str:
        """Name under which the list of carriers and the law have it; empty when they do not. [-]

        Examples
        --------
        >>> Carrier.of(Substance("house solvent", "OCC(O)C")).listed_name
        'propylene glycol'
        """
        return _by_identity().get(self.identity, "")

    @property
    def not_for_ingestion(self) -> bool:
        """Whether it must never be in food, whatever it dissolves."""
        return self.role == NOT_FOR_INGESTION

    @property
    def parts(self) -> tuple[Carrier, ...]:
        """The carrier itself; the same attribute as of a blend."""
        return (self,)

    @property
    def substances(self) -> tuple[Substance, ...]:
        """The substance it is, as a tuple of one."""
        return (self._molecule,)

    @property
    def fractions(self) -> NDArray[np.float64]:
        """Volume fraction, shape (1,). [-]"""
        return np.ones(1)

    @property
    def _molecule(self) -> Substance:
        if self.substance is None:
            message = f"no single molecule stands for {self.name!r} ({self.note}): it has no Hansen parameters"
            raise InputError(message)
        return self.substance

    @property
    def hsp(self) -> HSP:
        """Hansen parameters at 25 C. [MPa^0.5]"""
        return self._molecule.hsp

    @property
    def covariance(self) -> NDArray[np.float64]:
        """Covariance of the Hansen parameters, shape (3, 3). [MPa]"""
        return np.asarray(self._molecule.covariance, dtype=float)

    @property
    def volume(self) -> float:
        """Molar volume at 25 C. [cm3/mol]"""
        return float(self._molecule.volume)

    @property
    def component_hsp(self) -> NDArray[np.float64]:
        """Hansen parameters, shape (1, 3). [MPa^0.5]"""
        return self.hsp.array[None, :]

    @property
    def component_volumes(self) -> NDArray[np.float64]:
        """Molar volume at 25 C, shape (1,). [cm3/mol]"""
        return np.array([self.volume])

    @property
    def component_covariances(self) -> NDArray[np.float64]:
        """Covariance of the Hansen parameters, shape (1, 3, 3). [MPa]"""
        return self.covariance[None]

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
        known = sorted(self.densities.items())
        if not known:
            return float("nan")
        if celsius in self.densities:
            return float(self.densities[celsius])
        (cold, heavy), (warm, light) = known[0], known[-1]
        if cold == warm:
            return float(heavy * (1.0 - TYPICAL_EXPANSIVITY * (celsius - cold)))
        return float(heavy + (light - heavy) * (celsius - cold) / (warm - cold))

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
        return viscosity.at_temperature(checks.celsius(celsius), dict(self.viscosities))

    def viscosity_range(self, celsius: float = 20.0) -> tuple[float, float]:
        """Return lowest and highest viscosity to expect: of a pure carrier, the same figure twice. [mPa s]

        Parameters
        ----------
        celsius : float
            Temperature. [degC]
        """
        value = self.viscosity(celsius)
        return value, value

    def limits(self, market: str, category: str | None = None) -> tuple[Limit, ...]:
        """Return what was read of the law of a market; see `hspkit.law.limits`.

        Parameters
        ----------
        market : str
            US, EU, UK, ... [-]
        category : str, optional
            Food category in the words of the regulations; all by default. [-]
        """
        return limits(self.listed_name, market, category)

    def permitted(self, market: str, category: str | None = None) -> str:
        """Return whether the law lets one eat it as a carrier; see `hspkit.law.permission`.

        Parameters
        ----------
        market : str
            US, EU, UK, ... [-]
        category : str, optional
            Food category in the words of the regulations; all by default. [-]

        Examples
        --------
        >>> carrier("benzyl alcohol").permitted("EU", "soft drinks")
        'no evidence'
        >>> carrier("dipropylene glycol").permitted("UK")
        'no'
        """
        word = law.permission(self.listed_name, market, category)
        return "no" if self.not_for_ingestion else word

    def doses(self, mg_per_L: float) -> dict[str, float]:
        """Return the dose by carrier, {name: mg/L}; the same method as of a blend.

        Parameters
        ----------
        mg_per_L : float
            Dose of the carrier. [mg/L]
        """
        return {self.listed_name or self.name: _dose(mg_per_L)}


def _dose(mg_per_L: float) -> float:
    return checks.number(mg_per_L, "mg_per_L", "in mg/L", low=0)


def _pair(first: str, second: str) -> tuple[NDArray[np.float64], float, float, float, bool] | None:
    table = viscosity.pair_coefficients()
    if (first, second) in table:
        return (*table[first, second], False)
    if (second, first) in table:
        return (*table[second, first], True)
    return None


@dataclass(frozen=True, eq=False)
class Blend:
    """Carriers mixed in fixed shares.

    Parameters
    ----------
    shares : mapping of str, Carrier or Blend to float
        Fractions that sum to 1; names resolve through `carrier`. [-]
    basis : {"volume", "mass"}
        What the fractions are; it must be said. Volumes are those measured out, before any contraction. [-]
    name : str, optional
        What to call the blend. [-]

    Raises
    ------
    InputError
        When the basis is not given, the fractions are negative or do not sum to 1, a density that the
        conversion needs is unknown, or two different parts have one name. Nothing is rescaled.
    UnknownNameError
        When a name is not that of a carrier.

    Examples
    --------
    >>> half = Blend({"propylene glycol": 0.5, "water": 0.5}, basis="volume")
    >>> half.mass_fractions.round(3)
    array([0.509, 0.491])
    """

    shares: Mapping[Any, float]
    basis: Literal["volume", "mass"]
    name: str = ""
    parts: tuple[Carrier, ...] = field(init=False, repr=False)
    _volume_fractions: tuple[float, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        checks.choice(self.basis, "basis", ("volume", "mass"))
        checks.text(self.name, "name")
        if not isinstance(self.shares, Mapping) or not self.shares:
            raise checks.refuse(self.shares, "shares", "a mapping such as {'triacetin': 0.7, 'MCT': 0.3}")
        object.__setattr__(self, "shares", Frozen(self.shares))
        shares = [checks.number(x, f"the share of {_label(key)!r}", "") for key, x in self.shares.items()]
        given = check_fractions(shares, kind=f"{self.basis} fractions")
        members = [carrier(key) for key in self.shares]
        weight: dict[str, float] = {}
        found: dict[str, Carrier] = {}
        for member, share in zip(members, given, strict=True):
            inner = member.volume_fractions if isinstance(member, Blend) and self.basis == "volume" else None
            if inner is None:
                inner = member.mass_fractions if isinstance(member, Blend) else np.ones(1)
            for part, part_share in zip(member.parts, inner, strict=True):
                found.setdefault(part.identity, part)
                weight[part.identity] = weight.get(part.identity, 0.0) + float(share * part_share)
        check_distinct(found.values())
        fractions = np.array([weight[one] for one in found])
        if self.basis == "mass":
            density = np.array([part.density for part in found.values()])
            parts = found.values()
            unknown = [
                p.name for p, d, f in zip(parts, density, fractions, strict=True) if not np.isfinite(d) and f > 0
            ]
            if unknown:
                message = f"no density is known for {', '.join(unknown)}: give the blend by volume"
                raise InputError(message)
            fractions = np.where(fractions > 0, fractions / np.where(np.isfinite(density), density, 1.0), 0.0)
            fractions = fractions / fractions.sum()
        object.__setattr__(self, "parts", tuple(found.values()))
        object.__setattr__(self, "_volume_fractions", tuple(float(x) for x in fractions))
        if not self.name:
            label = " + ".join(f"{100 * share:.4g} % {_label(key)}" for key, share in self.shares.items())
            object.__setattr__(self, "name", f"{label} by {self.basis}")

    def __repr__(self) -> str:
        return f"Blend({self.name!r})"

    @property
    def identity(self) -> tuple[tuple[str, float], ...]:
        """What it is made of, whatever it is called: identity and volume fraction of the parts. [-]"""
        shares = zip(self.parts, self._volume_fractions, strict=True)
        return tuple(sorted((part.identity, round(share, 9)) for part, share in shares if share > 0))

    @property
    def not_for_ingestion(self) -> bool:
        """Whether one of the parts must never be in food."""
        return any(part.not_for_ingestion for part in self.parts)

    @property
    def substances(self) -> tuple[Substance, ...]:
        """The substances of `parts`, length n."""
        return tuple(part._molecule for part in self.parts)

    @property
    def volume_fractions(self) -> NDArray[np.float64]:
        """Volume fractions of `parts`, as measured out, shape (n,). [-]"""
        return np.array(self._volume_fractions)

    @property
    def fractions(self) -> NDArray[np.float64]:
        """Volume fractions, shape (n,). [-]"""
        return self.volume_fractions

    @property
    def mass_fractions(self) -> NDArray[np.float64]:
        """Mass fractions of `parts`, shape (n,); NaN where a density is unknown. [-]"""
        masses = self.volume_fractions * np.array([part.density for part in self.parts])
        return masses / masses.sum()

    @property
    def mole_fractions(self) -> NDArray[np.float64]:
        """Mole fractions of `parts`, shape (n,). [-]"""
        moles = self.volume_fractions / self.component_volumes
        return moles / moles.sum()

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
    def hsp(self) -> HSP:
        """Hansen parameters: the volume-fraction mean. [MPa^0.5]"""
        return HSP(*mix(self.component_hsp, self.volume_fractions))

    @property
    def covariance(self) -> NDArray[np.float64]:
        """Covariance of `hsp`, shape (3, 3), from errors of the parts taken as independent. [MPa]"""
        return np.einsum("i,ijk->jk", self.volume_fractions**2, self.component_covariances)

    @property
    def volume(self) -> float:
        """Mean molar volume at 25 C. [cm3/mol]"""
        return float(1.0 / np.sum(self.volume_fractions / self.component_volumes))

    @property
    def density(self) -> float:
        """Density at 20 C; NaN when one is unknown. [g/mL]

        Ethanol with water by OIML R 22; propylene glycol and glycerol with water with the contraction fitted to
        measured mixtures; anything else without contraction.
        """
        present = {p.identity: f for p, f in zip(self.parts, self.volume_fractions, strict=True) if f > 0}
        if set(present) == {"ethanol", "water"}:
            share = dict(zip((p.identity for p in self.parts), self.mass_fractions, strict=True))
            return float(ethanol.density(100.0 * share["ethanol"]))
        measured_out = sum(f * p.density for p, f in zip(self.parts, self.volume_fractions, strict=True) if f > 0)
        lost = sum(
            float(contraction.contraction(present.get(first, 0.0), present.get(second, 0.0), coefficients))
            for (first, second), coefficients in contraction.pair_coefficients().items()
        )
        return float(measured_out / (1.0 - lost))

    def viscosity(self, celsius: float = 20.0) -> float:
        """Return the dynamic viscosity; NaN when that of a part is unknown. [mPa s]

        ln(viscosity) by volume fraction, with the pair terms of ``viscosity_pairs.csv`` (ethanol, propylene
        glycol and glycerol with water). For any other pair nothing measured was found: see
        `viscosity_range`.

        Parameters
        ----------
        celsius : float
            Temperature. [degC]

        Warns
        -----
        ExtrapolationWarning
            More than 10 K outside the temperatures of a fitted pair, or 15 K from those of a part.
        """
        celsius = checks.celsius(celsius)
        pure = [part.viscosity(celsius) for part in self.parts]
        for i, j in self._pairs():
            _, coldest, warmest, _ = viscosity.pair_coefficients()[self.parts[i].identity, self.parts[j].identity]
            if not coldest - PAIR_FAR <= celsius <= warmest + PAIR_FAR:
                message = (
                    f"{self.parts[i].name} with {self.parts[j].name} at {celsius:g} C; "
                    f"fitted from {coldest:g} to {warmest:g} C"
                )
                warnings.warn(message, ExtrapolationWarning, stacklevel=2)
        return float(viscosity.mix(self.volume_fractions, pure, celsius, self._pairs()))

    def _pairs(self) -> dict[tuple[int, int], Any]:
        found: dict[tuple[int, int], Any] = {}
        for i in range(len(self.parts)):
            for j in range(i + 1, len(self.parts)):
                pair = _pair(self.parts[i].identity, self.parts[j].identity)
                if pair is not None:
                    found[(j, i) if pair[-1] else (i, j)] = pair[0]
        return found

    def viscosity_range(self, celsius: float = 20.0) -> tuple[float, float]:
        """Return lowest and highest viscosity to expect. [mPa s]

        Where every pair was fitted: the largest error of the fits. Else the spread between mixing by volume,
        by mass and by mole, and, for water with a carrier it was not fitted with, between the pair terms that
        water has with others.

        Parameters
        ----------
        celsius : float
            Temperature. [degC]
        """
        pure = np.array([part.viscosity(celsius) for part in self.parts])
        pairs = self._pairs()
        middle = self.viscosity(celsius)
        present = [i for i, f in enumerate(self.volume_fractions) if f > 0]
        wanted = [(i, j) for n, i in enumerate(present) for j in present[n + 1 :]]
        missing = [(i, j) for i, j in wanted if (i, j) not in pairs and (j, i) not in pairs]
        if not missing:
            errors = [_pair(self.parts[i].identity, self.parts[j].identity) for i, j in wanted]
            error = max((pair[3] / 100.0 for pair in errors if pair is not None), default=0.0)
            return middle * (1.0 - error), middle * (1.0 + error)
        ways = [
            viscosity.mix(f, pure, celsius, pairs)
            for f in (self.volume_fractions, self.mass_fractions, self.mole_fractions)
        ]
        low, high = min(float(w) for w in ways), max(float(w) for w in ways)
        for i, j in missing:
            if "water" in (self.parts[i].identity, self.parts[j].identity):
                leading = [table[0, 0] for table, *_ in viscosity.pair_coefficients().values()]
                product = self.volume_fractions[i] * self.volume_fractions[j]
                low *= float(np.exp(product * min(0.0, *leading)))
                high *= float(np.exp(product * max(0.0, *leading)))
        return low, high

    @property
    def caution(self) -> str:
        """Cautions of the parts, one after the other."""
        return " ".join(f"{p.name}: {p.caution}" for p in self.parts if p.caution)

    def permitted(self, market: str, category: str | None = None) -> str:
        """Return the least permissive word of the parts; see `Carrier.permitted`.

        Parameters
        ----------
        market : str
            US, EU, UK, ... [-]
        category : str, optional
            Food category in the words of the regulations; all by default. [-]
        """
        words = [p.permitted(market, category) for p, f in zip(self.parts, self.volume_fractions, strict=True) if f > 0]
        return next(word for word in ("no", "no evidence", "restricted", "yes") if word in words)

    def limits(self, market: str, category: str | None = None) -> tuple[Limit, ...]:
        """Return what was read of the law for each part; see `hspkit.law.limits`.

        Parameters
        ----------
        market : str
            US, EU, UK, ... [-]
        category : str, optional
            Food category in the words of the regulations; all by default. [-]
        """
        return tuple(row for part in self.parts for row in limits(part.listed_name, market, category))

    def doses(self, mg_per_L: float) -> dict[str, float]:
        """Return how a dose of the blend divides among its parts, {name: mg/L}; listed carriers by their listed name.

        Parameters
        ----------
        mg_per_L : float
            Dose of the blend. [mg/L]

        Examples
        --------
        >>> Blend({"triacetin": 0.25, "MCT": 0.75}, basis="mass").doses(400)["triacetin"]
        100.0
        """
        dose, names = _dose(mg_per_L), [part.listed_name or part.name for part in self.parts]
        return {name: float(dose * m) for name, m in zip(names, self.mass_fractions, strict=True)}


def _label(key: Any) -> str:
    return key if isinstance(key, str) else str(getattr(key, "name", key))


def check_distinct(liquids: Iterable[Carrier | Blend]) -> None:
    """Refuse different liquids under one name: tables, doses and figures go by it.

    Parameters
    ----------
    liquids : iterable of Carrier or Blend
        Liquids that are used together. [-]

    Raises
    ------
    InputError
        When two of them have one name.

    Examples
    --------
    >>> check_distinct([carrier("MCT"), carrier("MCT"), carrier("glycerol")])
    """
    seen: dict[str, Any] = {}
    for one in liquids:
        if seen.setdefault(one.name, one.identity) != one.identity:
            message = f"two different liquids are called {one.name!r}; rename one of them"
            raise InputError(message)


# --- what is listed, and under which names ---


@cache
def _rows() -> dict[str, Mapping[str, Any]]:
    return {row["name"]: row for row in data.read_table("carriers.csv").rows}


@cache
def _by_identity() -> dict[str, str]:
    """Identity to name of the listed carriers; where no molecule stands for one, it is its own."""
    return {row["substance"] or name: name for name, row in _rows().items()}


@cache
def _numbers() -> dict[str, tuple[str, ...]]:
    """Name to all its CAS numbers."""
    return {name: listed.numbers().get(row["substance"], (row["cas"],)) for name, row in _rows().items()}


@cache
def _by_cas() -> dict[str, str]:
    return {number: name for name, numbers in _numbers().items() for number in numbers}


def _named(name: str) -> str:
    """Return the listed carrier that a name means; empty when it means none or several."""
    try:
        return _index().get(name) or ""
    except HspkitError:
        return ""


@cache
def _table() -> dict[str, Carrier]:
    found = {}
    for row in _rows().values():
        known = {c: row[f"density_{c}"] for c in (20, 25) if row[f"density_{c}"] is not None}
        thick = {c: row[f"viscosity_{c}"] for c in (20, 25) if row[f"viscosity_{c}"] is not None}
        quantities = ("density_20", "density_25", "viscosity_20", "viscosity_25", "flash_point", "taste")
        found[row["name"]] = Carrier(
            row["name"],
            row["cas"],
            substance(row["substance"]) if row["substance"] else None,
            row["role"],
            row["e_number"],
            {float(c): d for c, d in known.items()},
            {float(c): v for c, v in thick.items()},
            row["flash_point"],
            row["taste_limit_mg_per_L"],
            row["taste_unnoticed_mg_per_L"],
            row["taste"] or "",
            row["caution"] or "",
            row["note"] or "",
            {"identity": row["source"], **{q: row[f"{q}_source"] for q in quantities if row[f"{q}_source"]}},
        )
    return found


@cache
def _index() -> NameIndex:
    rows = []
    for row in _rows().values():
        number = f"{row['e_number']}; {row['e_number'][0]} {row['e_number'][1:]}" if row["e_number"] else ""
        rows.append({**row, "synonyms": f"{row['synonyms'] or ''}; {number}"})
    return NameIndex(rows, what="carrier")


@lru_cache(maxsize=1024)
def _aqueous(strength: float) -> Blend:
    share = ethanol.volume_fractions(strength)
    return Blend({"ethanol": share[0], "water": share[1]}, basis="volume", name=f"ethanol {strength:g} % vol")


def carrier(name: str | Carrier | Blend) -> Carrier | Blend:
    """Return a carrier by name, synonym, CAS or E number; aqueous ethanol by its strength.

    Parameters
    ----------
    name : str, Carrier or Blend
        "propylene glycol", "57-55-6", "E1520", "ethanol 70 % vol". Objects are returned as they are. [-]

    Returns
    -------
    Carrier or Blend
        A Blend only for aqueous ethanol.

    Raises
    ------
    UnknownNameError
        When no carrier has the name. Near names are listed with what tells them apart, because some are
        poison; none is chosen.

    Examples
    --------
    >>> carrier("glycerin").name
    'glycerol'
    >>> carrier("70 % vol ethanol").volume_fractions.round(3)
    array([0.677, 0.323])
    """
    if isinstance(name, Carrier | Blend):
        return name
    if not isinstance(name, str) or not name.strip():
        raise checks.refuse(name, "carrier", "a name such as 'triacetin', a Carrier or a Blend")
    strength = ethanol.parse_strength(check_length(name, "carrier"))
    if strength is not None and strength < 100.0:
        return _aqueous(strength)
    try:
        return _table()[_index().find("ethanol" if strength is not None else name)]
    except UnknownNameError as error:
        message = str(error)
    try:
        found = substance(name)
    except HspkitError:
        raise UnknownNameError(message) from None
    message = (
        f"{found.name!r} is a substance of the tables but no carrier; hspkit.carriers() lists carriers, "
        f"Carrier.of({found.name!r}) computes with it all the same"
    )
    raise UnknownNameError(message)


def carriers() -> pd.DataFrame:
    """Return the carriers that can be computed with, and the liquids mistaken for them: one row each.

    Syrups and emulsifiers, for which no single molecule stands, are left out; `carrier` has their limits.

    Returns
    -------
    pandas.DataFrame
        carrier, cas, e_number, role, density [g/mL at 20 C], viscosity_mPa_s [20 C], flash_point [degC],
        taste_limit_mg_per_L, taste_unnoticed_mg_per_L, taste, permission by market, caution, note.

    Examples
    --------
    >>> frame = carriers()
    >>> len(frame) >= 25, frame.set_index("carrier").loc["ethylene glycol", "US"]
    (True, 'no')
    """
    import pandas as pd

    return pd.DataFrame(
        [
            {
                "carrier": item.name,
                "cas": item.cas,
                "e_number": item.e_number,
                "role": item.role,
                "density": item.density,
                "viscosity_mPa_s": item.viscosity(20.0),
                "flash_point": item.flash_point,
                "taste_limit_mg_per_L": item.taste_limit,
                "taste_unnoticed_mg_per_L": item.taste_unnoticed,
                "taste": item.taste,
                **{market: item.permitted(market) for market in markets()},
                "caution": item.caution,
                "note": item.note,
            }
            for item in _table().values()
            if item.substance is not None
        ]
    )
