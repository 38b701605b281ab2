"""What a blend must keep to, as linear limits on its volume fractions, and which carriers may be in it at all.

Doses, sum rules, tastes, prices and the logarithm of the viscosity are linear in the fractions as measured out; the
few per cent that glycols and ethanol contract with water are left out. The viscosity has pair terms for a few
carriers with water: supports that hold such a pair are held to the highest that their pair term can add.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from hspkit import application as product
from hspkit import checks, viscosity
from hspkit.application import Application
from hspkit.carriers import Blend, Carrier, carrier, check_distinct
from hspkit.law import IN_FLAVOURING, limit_uses

__all__ = ["Limits", "build_limits", "clash", "excess_of", "sort_out"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Limits:
    """Linear limits ``rows @ fractions <= bounds``, each scaled to largest number 1 and named in words.

    Parameters
    ----------
    names : tuple of str
        In words, with the figure and its unit. [-]
    rows : ndarray of shape (m, n)
        Coefficients. [-]
    bounds : ndarray of shape (m,)
        Right-hand sides. [-]
    scales : ndarray of shape (m,)
        What the rows and bounds were divided by. [-]
    thick : int or None
        Which row is the viscosity. [-]
    """

    names: tuple[str, ...]
    rows: Array
    bounds: Array
    scales: Array
    thick: int | None = None

    def slack(self, fractions: Array) -> Array:
        """Return bounds - rows @ fractions, shape (..., m); negative where a limit is broken. [-]"""
        return self.bounds - fractions @ self.rows.T


def sort_out(
    given: Sequence[Carrier | Blend],
    asked: Application | None,
    needs: Mapping[str, bool],
    priced: Mapping[str, float],
    celsius: float = 25.0,
) -> tuple[list[Carrier | Blend], dict[str, str]]:
    """Return the carriers that may be in a blend, and why each of the others may not.

    Parameters
    ----------
    given : sequence of Carrier or Blend
        Candidates.
    asked : Application or None
        Market and category; a carrier without positive evidence of permission is left out.
    needs : mapping of str to bool
        Which of "viscosity", "cost" and "density" must be known. [-]
    priced : mapping
        Price by name of carrier. [per L]
    celsius : float
        Temperature of the stock: a carrier that is solid then is left out. [degC]

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
    check_distinct(given)
    kept: dict[str, Carrier | Blend] = {}
    left_out: dict[str, str] = {}
    for one in given:
        reason = _objection(one, asked, needs, priced, celsius)
        if reason:
            left_out[one.name] = reason
        else:
            kept.setdefault(one.name, one)
    return list(kept.values()), left_out


def _objection(
    one: Carrier | Blend,
    asked: Application | None,
    needs: Mapping[str, bool],
    priced: Mapping[str, float],
    celsius: float,
) -> str:
    for part in one.parts:
        if part.not_for_ingestion:
            return f"{part.name} is not for ingestion: it is mistaken for a carrier, and never blended"
        if part.substance is None:
            return f"no single molecule stands for {part.name}"
        melting = part.substance.melting_celsius
        if melting is not None and melting > celsius:
            return f"{part.name} is solid at {celsius:g} C (melts at {melting:g} C), and crystals are not computed"
        if asked is not None:
            said = product.permission(part, asked.market, asked.category)
            if not said.allowed:
                return said.reason if len(one.parts) == 1 else f"{part.name}: {said.reason}"
    if (asked is not None or needs["density"]) and not np.isfinite(one.density):
        return "density not on record, so no dose"
    if needs["viscosity"] and not np.isfinite(one.viscosity(20.0)):
        return "viscosity not on record"
    if needs["cost"] and one.name not in priced:
        return "no price given"
    return ""


def build_limits(
    chosen: Sequence[Carrier | Blend],
    *,
    asked: Application | None,
    parts: tuple[float, float],
    oil_density: float | None,
    max_viscosity: float | None,
    max_cost: float | None,
    cost: Array | None,
    min_share: Mapping[str, float],
    max_share: Mapping[str, float],
    within_taste: bool,
) -> Limits:
    """Return all limits that a blend of the carriers must keep to.

    Parameters
    ----------
    chosen : sequence of Carrier or Blend
        The n carriers.
    asked : Application or None
        Gives market, category and use level of the limits of law and taste.
    parts : tuple of float
        Parts of oil and of carrier by volume. [-]
    oil_density : float or None
        Of the lightest oil, which brings the largest dose of carrier. [g/mL]
    max_viscosity : float or None
        At 20 C. [mPa s]
    max_cost : float or None
        Of the blend. [per L]
    cost : ndarray of shape (n,) or None
        Of each carrier. [per L]
    min_share, max_share : mapping of str to float
        Volume fraction of named carriers in the blend. [-]
    within_taste : bool
        Whether to hold each carrier that has a stated taste limit to it; nothing holds the others. [-]

    Returns
    -------
    Limits
    """
    found: list[tuple[str, Array, float]] = []
    thick = None
    if asked is not None:
        found.extend(_dose_limits(chosen, asked, parts, float(oil_density or np.nan), within_taste))
    if max_viscosity is not None:
        thick = len(found)
        logs = np.log([one.viscosity(20.0) for one in chosen])
        found.append((f"viscosity at most {max_viscosity:g} mPa s at 20 C", logs, float(np.log(max_viscosity))))
    if max_cost is not None and cost is not None:
        found.append((f"cost at most {max_cost:g} per L", cost, float(max_cost)))
    names = [one.name for one in chosen]
    for sign, shares, word in ((-1.0, min_share, "at least"), (1.0, max_share, "at most")):
        for name, share in shares.items():
            row = sign * np.array([float(n == name) for n in names])
            found.append((f"{word} {100 * share:g} % vol of {name}", row, sign * share))
    rows = np.array([row for _, row, _ in found]).reshape(len(found), len(chosen))
    bounds = np.array([bound for _, _, bound in found], dtype=float)
    scales = np.maximum(np.maximum(np.abs(rows).max(axis=1, initial=0.0), np.abs(bounds)), 1e-300)
    return Limits(tuple(name for name, _, _ in found), rows / scales[:, None], bounds / scales, scales, thick)


def _dose_limits(
    chosen: Sequence[Carrier | Blend],
    asked: Application,
    parts: tuple[float, float],
    oil_density: float,
    within_taste: bool,
) -> list[tuple[str, Array, float]]:
    """Return limits of law and taste as (name, row, bound) on the fractions.

    With a use level of the oil the dose of a carrier is proportional to its fraction. With a use level of the
    stock it is its share of the mass of the stock, so the limit is multiplied by that mass to stay linear.
    """
    density = np.array([one.density for one in chosen])
    members = list({part.identity: part for one in chosen for part in one.parts}.values())
    check_distinct(members)
    held = np.zeros((len(members), len(chosen)))  # mass of each member in a unit volume of carrier
    for column, one in enumerate(chosen):
        for part, share in product.mass_shares(one).items():
            held[[m.identity for m in members].index(part.identity), column] = share * density[column]
    oil_mass, carrier_parts = parts[0] * oil_density, parts[1]

    def in_product(row: Array, limit: float) -> tuple[Array, float]:
        if asked.oil_mg_per_L is not None:
            return asked.oil_mg_per_L * carrier_parts / oil_mass * row, limit
        level = float(asked.stock_mg_per_L or 0.0)
        return level * carrier_parts * row - limit * carrier_parts * density, limit * oil_mass

    found = []
    one_each = {member.listed_name: 1.0 for member in members}
    where = (asked.market, asked.category)
    for use in limit_uses(one_each, *where, product_density=asked.product_density):
        limit = use.limit * (asked.product_density if use.unit == "mg/kg" else 1.0)
        counted = np.array([member.listed_name in use.carriers for member in members], dtype=float) @ held
        name = f"law, {_few(use.carriers)}: at most {use.limit:,.12g} {use.unit} {use.rows[0].basis}"
        found.append((name, *in_product(counted, limit)))
    for use in limit_uses(one_each, *where, basis=IN_FLAVOURING):
        counted = np.array([member.listed_name in use.carriers for member in members], dtype=float) @ held
        row = 1e6 * carrier_parts * counted - use.limit * carrier_parts * density
        name = f"law, {_few(use.carriers)}: at most {use.limit:,.12g} {use.unit} {use.rows[0].basis}"
        found.append((name, row, use.limit * oil_mass))
    if within_taste:
        for number, member in enumerate(members):
            if member.taste_limit is not None:
                name = f"taste, {member.name}: at most {member.taste_limit:g} mg/L"
                found.append((name, *in_product(held[number], member.taste_limit)))
    return found


def _few(names: Sequence[str]) -> str:
    return " + ".join(names)


@cache
def _highest_excess(first: str, second: str) -> float:
    """Return the most that the pair term of two carriers can add to ln(viscosity)."""
    coefficients = viscosity.pair_coefficients()[first, second][0]
    grid = np.linspace(0.0, 1.0, 201)
    a, b = np.meshgrid(grid, grid)
    return float(np.max(np.where(a + b <= 1.0, viscosity.pair_excess(a, b, 20.0, coefficients), 0.0)))


def excess_of(chosen: Sequence[Carrier | Blend], supports: NDArray[np.intp]) -> Array:
    """Return the most that pair terms can add to ln(viscosity) of any blend of each support, shape (c,). [-]"""
    known = [one.identity for one in chosen]
    total = np.zeros(len(supports))
    for first, second in viscosity.pair_coefficients():
        if first in known and second in known:
            both = (supports == known.index(first)).any(axis=1) & (supports == known.index(second)).any(axis=1)
            total += both * _highest_excess(first, second)
    return total


def clash(limits: Limits, max_carriers: int) -> str:
    """Say which limits cannot be kept together: a smallest set of them, found by leaving out one after the other.

    Parameters
    ----------
    limits : Limits
        Limits that no blend keeps to.
    max_carriers : int
        Most carriers in a blend. [-]

    Returns
    -------
    str
        The reason in words. [-]
    """
    from scipy.optimize import linprog

    n = limits.rows.shape[1]

    def possible(kept: list[int]) -> bool:
        rows, bounds = limits.rows[kept], limits.bounds[kept]
        found = linprog(np.zeros(n), A_ub=rows, b_ub=bounds + 1e-9, A_eq=np.ones((1, n)), b_eq=[1.0], bounds=(0, 1))
        return bool(found.status == 0)

    kept = list(range(len(limits.names)))
    if possible(kept):
        return (
            f"blends of more than {max_carriers} carriers keep to all limits, but none of at most {max_carriers} does;"
            " raise max_carriers or loosen a limit"
        )
    for number in list(kept):
        without = [k for k in kept if k != number]
        if not possible(without):
            kept = without
    words = "; ".join(limits.names[k] for k in kept)
    together = "these limits cannot be kept together" if len(kept) > 1 else "no blend can keep to this limit"
    return f"{together}: {words}. Leave one out, loosen it, or offer other carriers"


def check_shares(shares: Mapping[str, float] | None, what: str) -> dict[str, float]:
    """Return {name of carrier: fraction} after checking the fractions."""
    found = {}
    given = {} if shares is None else checks.kind(shares, what, Mapping, "a mapping such as {'triacetin': 0.1}")
    for key, value in given.items():
        expected = "a volume fraction from 0 to 1"
        number = checks.number(value, f"{what} of {key!r}", "", low=0, high=1, expected=expected)
        found[carrier(key).name] = number
    return found
