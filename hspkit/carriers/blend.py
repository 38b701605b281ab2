"""Carriers mixed in fixed shares, and the look-up of a carrier by name."""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import combinations
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, contraction, ethanol, pair_series, viscosity
from hspkit.carriers import listing
from hspkit.carriers.liquid import Carrier, Liquid, shipped
from hspkit.errors import ExtrapolationWarning, HspkitError, InputError, UnknownNameError
from hspkit.frozen import Frozen
from hspkit.hansen import HSP, check_fractions, mix
from hspkit.names import check_length
from hspkit.substances import substance
from hspkit.viscosity import FittedPair

__all__ = ["Blend", "carrier", "check_distinct"]

#: Further outside the temperatures of a fitted pair, its viscosity is an extrapolation [K].
PAIR_FAR = 10.0
#: Fractions by name, Carrier or Blend. A mapping with keys of one of these types is none with keys of all three, so
#: their type is left open.
Shares = Mapping[Any, float]


@dataclass(frozen=True, eq=False)
class Blend(Liquid):
    """Carriers mixed in fixed shares.

    Parameters
    ----------
    shares : mapping of str, Carrier or Blend to float
        Fractions that sum to 1; names resolve through `carrier`. [-]
    basis : {"volume", "mass"}
        What the fractions are; there is no default. Volumes are those measured out, before any contraction. [-]
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

    shares: Shares
    basis: Literal["volume", "mass"]
    name: str = ""
    _parts: tuple[Carrier, ...] = field(init=False, repr=False)
    _volume_fractions: tuple[float, ...] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        checks.choice(self.basis, "basis", ("volume", "mass"))
        checks.text(self.name, "name")
        if not isinstance(self.shares, Mapping) or not self.shares:
            raise checks.refuse(self.shares, "shares", "a mapping such as {'triacetin': 0.7, 'MCT': 0.3}")
        object.__setattr__(self, "shares", Frozen(self.shares))
        numbers = [checks.number(x, f"the share of {_label(key)!r}", "") for key, x in self.shares.items()]
        shares = check_fractions(numbers, kind=f"{self.basis} fractions")
        amounts: dict[str, float] = {}
        parts: dict[str, Carrier] = {}
        for member, share in zip([carrier(key) for key in self.shares], shares, strict=True):
            inner = member.volume_fractions if self.basis == "volume" else member.mass_fractions
            for part, part_share in zip(member.parts, inner, strict=True):
                parts.setdefault(part.identity, part)
                amounts[part.identity] = amounts.get(part.identity, 0.0) + float(share * part_share)
        check_distinct(parts.values())
        fractions = np.array(list(amounts.values()))
        if self.basis == "mass":
            volumes = np.where(fractions > 0, fractions / [part.density for part in parts.values()], 0.0)
            unknown = [part.name for part, volume in zip(parts.values(), volumes, strict=True) if np.isnan(volume)]
            if unknown:
                message = f"no density is known for {', '.join(unknown)}: give the blend by volume"
                raise InputError(message)
            fractions = volumes / volumes.sum()
        object.__setattr__(self, "_parts", tuple(parts.values()))
        object.__setattr__(self, "_volume_fractions", tuple(float(x) for x in fractions))
        if not self.name:
            label = " + ".join(f"{100 * share:.4g} % {_label(key)}" for key, share in self.shares.items())
            object.__setattr__(self, "name", f"{label} by {self.basis}")

    def __repr__(self) -> str:
        return f"Blend({self.name!r})"

    @property
    def identity(self) -> tuple[tuple[str, float], ...]:
        """Identity and volume fraction of the parts, independent of the name. [-]"""
        return tuple(sorted((part.identity, round(share, 9)) for part, share in self.present))

    @property
    def parts(self) -> tuple[Carrier, ...]:
        """The n carriers that it is made of; each once, blends among the shares taken apart."""
        return self._parts

    @property
    def volume_fractions(self) -> NDArray[np.float64]:
        """Volume fractions of `parts`, as measured out, shape (n,). [-]"""
        return np.array(self._volume_fractions)

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
        fractions = {part.identity: f for part, f in self.present}
        masses = {part.identity: f * part.density for part, f in self.present}
        if set(fractions) == {"ethanol", "water"}:
            return float(ethanol.density(100.0 * masses["ethanol"] / (masses["ethanol"] + masses["water"])))
        lost = sum(
            float(pair_series.excess(fractions.get(first, 0.0), fractions.get(second, 0.0), coefficients))
            for (first, second), coefficients in contraction.pair_coefficients().items()
        )
        return float(sum(masses.values()) / (1.0 - lost))

    def viscosity(self, celsius: float = 20.0) -> float:
        """Return the dynamic viscosity; NaN when that of a part is unknown. [mPa s]

        ln(viscosity) by volume fraction, with the pair terms of ``viscosity_pairs.csv`` (ethanol, propylene
        glycol and glycerol with water). No measurements of any other pair are on record: see `viscosity_range`.

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
        pairs = self._pairs()
        pure = [part.viscosity(celsius) for part in self.parts]
        for (i, j), pair in pairs.items():
            if not pair.celsius_min - PAIR_FAR <= celsius <= pair.celsius_max + PAIR_FAR:
                message = (
                    f"{self.parts[i].name} with {self.parts[j].name} at {celsius:g} C; "
                    f"fitted from {pair.celsius_min:g} to {pair.celsius_max:g} C"
                )
                warnings.warn(message, ExtrapolationWarning, stacklevel=2)
        coefficients = {indices: pair.coefficients for indices, pair in pairs.items()}
        return float(viscosity.mix(self.volume_fractions, pure, celsius, coefficients))

    def _pairs(self) -> dict[tuple[int, int], FittedPair]:
        """Return the pairs of parts whose viscosity was fitted, by their places in `parts`."""
        places = {part.identity: place for place, part in enumerate(self.parts)}
        return {
            (places[first], places[second]): pair
            for (first, second), pair in viscosity.pair_coefficients().items()
            if first in places and second in places
        }

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
        pairs = {frozenset(indices): pair for indices, pair in self._pairs().items()}
        middle = self.viscosity(celsius)
        shares = self.volume_fractions
        wanted = [frozenset(pair) for pair in combinations(np.flatnonzero(shares > 0).tolist(), 2)]
        missing = [pair for pair in wanted if pair not in pairs]
        if not missing:
            error = max((pairs[pair].max_error_percent for pair in wanted), default=0.0) / 100.0
            return middle * (1.0 - error), middle * (1.0 + error)
        pure = [part.viscosity(celsius) for part in self.parts]
        coefficients = {indices: pair.coefficients for indices, pair in self._pairs().items()}
        ways = [
            float(viscosity.mix(fractions, pure, celsius, coefficients))
            for fractions in (shares, self.mass_fractions, self.mole_fractions)
        ]
        low, high = min(ways), max(ways)
        leading = [pair.coefficients[0, 0] for pair in viscosity.pair_coefficients().values()]
        for i, j in missing:
            if "water" in (self.parts[i].identity, self.parts[j].identity):
                low *= float(np.exp(shares[i] * shares[j] * min(0.0, *leading)))
                high *= float(np.exp(shares[i] * shares[j] * max(0.0, *leading)))
        return low, high

    @property
    def caution(self) -> str:
        """Cautions of the parts, one after the other."""
        return " ".join(f"{part.name}: {part.caution}" for part in self.parts if part.caution)


def _label(key: object) -> str:
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
    identities: dict[str, object] = {}
    for liquid in liquids:
        if identities.setdefault(liquid.name, liquid.identity) != liquid.identity:
            message = f"two different liquids are called {liquid.name!r}; rename one of them"
            raise InputError(message)


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
        return shipped()[listing.index().find("ethanol" if strength is not None else name)]
    except UnknownNameError as unknown:
        try:
            member = substance(name)
        except HspkitError:
            raise unknown from None
        message = (
            f"{member.name!r} is a substance of the tables but no carrier; hspkit.carriers() lists carriers, "
            f"Carrier.of({member.name!r}) computes with it all the same"
        )
        raise UnknownNameError(message) from None
