"""The rules a blend must keep to, one class a rule: which carriers it shuts out, and its linear limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from hspkit import application as product
from hspkit.application import Application
from hspkit.blending.limits import LinearLimit
from hspkit.carriers import Blend, Carrier, check_distinct
from hspkit.law import IN_FLAVOURING, LimitUse, limit_uses

__all__ = [
    "CostLimit",
    "LargestShare",
    "LeastShare",
    "LegalLimit",
    "LinearDose",
    "Rule",
    "SingleLiquid",
    "TasteLimit",
    "ViscosityLimit",
    "sort_out",
]

Array = NDArray[np.float64]


class Rule:
    """What a blend must keep to; a rule without an objection or a limit of its own says nothing."""

    def objection(self, part: Carrier, liquid: Carrier | Blend) -> str:
        """Say why a part of a liquid, or all of it, may not be in a blend; empty if it may."""
        return ""

    def unknown(self, liquid: Carrier | Blend) -> str:
        """Say what the rule needs to know of a liquid and does not; empty if nothing is missing."""
        return ""

    def limits(self, carriers: Sequence[Carrier | Blend]) -> list[LinearLimit]:
        """Return the limits on the fractions of the carriers."""
        return []


@dataclass(frozen=True)
class SingleLiquid(Rule):
    """Only what may be swallowed, is one molecule and is liquid at the temperature of the stock [degC]."""

    celsius: float

    def objection(self, part: Carrier, liquid: Carrier | Blend) -> str:
        if part.not_for_ingestion:
            return f"{part.name} is not for ingestion: it is mistaken for a carrier, and never blended"
        if part.substance is None:
            return f"no single molecule stands for {part.name}"
        melting = part.substance.melting_celsius
        if melting is not None and melting > self.celsius:
            return f"{part.name} is solid at {self.celsius:g} C (melts at {melting:g} C), and no blend of it is tried"
        return ""


@dataclass(frozen=True)
class LinearDose:
    """How much of each carrier comes into the finished product, linear in the fractions of the blend.

    With a use level of the oil the dose of a carrier is proportional to its fraction. With a use level of the
    stock it is its share of the mass of the stock, so the limit is multiplied by that mass to stay linear.

    Parameters
    ----------
    application : Application
        Market, category and use level.
    parts : tuple of float
        Parts of oil and of blend by volume. [-]
    oil_density : float
        Of the lightest oil, which brings the largest dose of carrier. [g/mL]
    """

    application: Application
    parts: tuple[float, float]
    oil_density: float

    def masses(self, carriers: Sequence[Carrier | Blend]) -> tuple[list[Carrier], Array, Array]:
        """Return the k members of the carriers, their mass in a unit volume of each (k, n), and its sum (n,). [g/mL]"""
        density = np.array([carrier.density for carrier in carriers])
        members = {part.identity: part for carrier in carriers for part in carrier.parts}
        check_distinct(members.values())
        row_of = {identity: row for row, identity in enumerate(members)}
        masses = np.zeros((len(members), len(carriers)))
        for column, carrier in enumerate(carriers):
            for part, share in product.mass_shares(carrier).items():
                masses[row_of[part.identity], column] = share * density[column]
        return list(members.values()), masses, density

    def in_product(self, name: str, mass: Array, density: Array, limit: float) -> LinearLimit:
        """Return the limit on a mass (n,) in a unit volume of each carrier that keeps its dose to so many mg/L."""
        (oil_parts, carrier_parts), oil_mg_per_L = self.parts, self.application.oil_mg_per_L
        oil_mass = oil_parts * self.oil_density
        if oil_mg_per_L is not None:
            return LinearLimit(name, oil_mg_per_L * carrier_parts / oil_mass * mass, limit)
        level = float(self.application.stock_mg_per_L or 0.0)
        return LinearLimit(name, level * carrier_parts * mass - limit * carrier_parts * density, limit * oil_mass)

    def in_stock(self, name: str, mass: Array, density: Array, limit: float) -> LinearLimit:
        """Return the limit on a mass (n,) in a unit volume of each carrier that keeps it to so many mg/kg of stock."""
        oil_parts, carrier_parts = self.parts
        row = 1e6 * carrier_parts * mass - limit * carrier_parts * density
        return LinearLimit(name, row, limit * (oil_parts * self.oil_density))


@dataclass(frozen=True)
class LegalLimit(Rule):
    """Permission of every carrier, and the largest amounts, sum rules included."""

    dosing: LinearDose

    def objection(self, part: Carrier, liquid: Carrier | Blend) -> str:
        application = self.dosing.application
        permission = product.permission(part, application.market, application.category)
        if permission.allowed:
            return ""
        return permission.reason if len(liquid.parts) == 1 else f"{part.name}: {permission.reason}"

    def unknown(self, liquid: Carrier | Blend) -> str:
        return "" if np.isfinite(liquid.density) else "density not on record, so no dose"

    def limits(self, carriers: Sequence[Carrier | Blend]) -> list[LinearLimit]:
        dosing, application = self.dosing, self.dosing.application
        members, masses, density = dosing.masses(carriers)
        one_each = {member.listed_name: 1.0 for member in members}
        where = (application.market, application.category)

        def named(use: LimitUse) -> tuple[str, Array]:
            counted = np.array([member.listed_name in use.carriers for member in members], dtype=float) @ masses
            amount = f"at most {use.limit:,.12g} {use.unit} {use.rows[0].basis}"
            return f"law, {' + '.join(use.carriers)}: {amount}", counted

        limits = []
        for use in limit_uses(one_each, *where, product_density=application.product_density):
            mg_per_L = use.limit * (application.product_density if use.unit == "mg/kg" else 1.0)
            limits.append(dosing.in_product(*named(use), density, mg_per_L))
        for use in limit_uses(one_each, *where, basis=IN_FLAVOURING):
            limits.append(dosing.in_stock(*named(use), density, use.limit))
        return limits


@dataclass(frozen=True)
class TasteLimit(Rule):
    """The dose of each carrier that has a stated taste limit; nothing holds the others."""

    dosing: LinearDose

    def limits(self, carriers: Sequence[Carrier | Blend]) -> list[LinearLimit]:
        members, masses, density = self.dosing.masses(carriers)
        return [
            self.dosing.in_product(
                f"taste, {member.name}: at most {member.taste_limit:g} mg/L", mass, density, member.taste_limit
            )
            for member, mass in zip(members, masses, strict=True)
            if member.taste_limit is not None
        ]


@dataclass(frozen=True)
class ViscosityLimit(Rule):
    """The viscosity of the blend at 20 C [mPa s]."""

    highest: float

    def unknown(self, liquid: Carrier | Blend) -> str:
        return "" if np.isfinite(liquid.viscosity(20.0)) else "viscosity not on record"

    def limits(self, carriers: Sequence[Carrier | Blend]) -> list[LinearLimit]:
        logs = np.log([carrier.viscosity(20.0) for carrier in carriers])
        name = f"viscosity at most {self.highest:g} mPa s at 20 C"
        return [LinearLimit(name, logs, float(np.log(self.highest)), pair_terms=True)]


@dataclass(frozen=True)
class CostLimit(Rule):
    """The cost of the blend [per L]; without a highest one only that every carrier has a price."""

    price_per_L: Mapping[str, float]
    highest: float | None = None

    def unknown(self, liquid: Carrier | Blend) -> str:
        return "" if liquid.name in self.price_per_L else "no price given"

    def limits(self, carriers: Sequence[Carrier | Blend]) -> list[LinearLimit]:
        if self.highest is None:
            return []
        cost = np.array([self.price_per_L[carrier.name] for carrier in carriers])
        return [LinearLimit(f"cost at most {self.highest:g} per L", cost, self.highest)]


@dataclass(frozen=True)
class LeastShare(Rule):
    """The least volume fraction [-] of a named carrier."""

    name: str
    share: float

    def limits(self, carriers: Sequence[Carrier | Blend]) -> list[LinearLimit]:
        row = np.array([-float(carrier.name == self.name) for carrier in carriers])
        return [LinearLimit(f"at least {100 * self.share:g} % vol of {self.name}", row, -self.share)]


@dataclass(frozen=True)
class LargestShare(Rule):
    """The largest volume fraction [-] of a named carrier, if it may be in the blend at all."""

    name: str
    share: float

    def limits(self, carriers: Sequence[Carrier | Blend]) -> list[LinearLimit]:
        row = np.array([float(carrier.name == self.name) for carrier in carriers])
        return [LinearLimit(f"at most {100 * self.share:g} % vol of {self.name}", row, self.share)] if row.any() else []


def sort_out(liquids: Sequence[Carrier | Blend], rules: Sequence[Rule]) -> tuple[list[Carrier | Blend], dict[str, str]]:
    """Return the carriers that may be in a blend, and why each of the others may not.

    Parameters
    ----------
    liquids : sequence of Carrier or Blend
        Candidates.
    rules : sequence of Rule
        What each of them, and each part of it, is held to.

    Returns
    -------
    kept : list
        In the order given, each once.
    left_out : dict
        Name -> reason.

    Raises
    ------
    InputError
        When two different candidates have one name.
    """
    check_distinct(liquids)
    kept: dict[str, Carrier | Blend] = {}
    left_out: dict[str, str] = {}
    for liquid in liquids:
        reason = _reason(liquid, rules)
        if reason:
            left_out[liquid.name] = reason
        else:
            kept.setdefault(liquid.name, liquid)
    return list(kept.values()), left_out


def _reason(liquid: Carrier | Blend, rules: Sequence[Rule]) -> str:
    objections = (rule.objection(part, liquid) for part in liquid.parts for rule in rules)
    return next(filter(None, chain(objections, (rule.unknown(liquid) for rule in rules))), "")
