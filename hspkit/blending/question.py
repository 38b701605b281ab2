"""A question about blends: read, checked, put into numbers; and why it has no answer."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from hspkit import checks
from hspkit.application import Application
from hspkit.blending.exact import solve
from hspkit.blending.limits import Limits, clash
from hspkit.blending.objectives import Clear, Objective
from hspkit.blending.problem import Problem, Recipe
from hspkit.blending.rules import (
    CostLimit,
    LargestShare,
    LeastShare,
    LegalLimit,
    LinearDose,
    Rule,
    SingleLiquid,
    TasteLimit,
    ViscosityLimit,
    sort_out,
)
from hspkit.blending.screened import COARSE_STEPS
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.hansen import HSP
from hspkit.oils import Oil, covered
from hspkit.ranking import candidates
from hspkit.substances import Substance

__all__ = [
    "BlendQuestion", "Requirements", "cost_of", "nothing_found", "read_liquids", "read_most", "read_price_per_L",
    "read_shares", "read_subjects",
]  # fmt: skip

#: No viscosity, price or distance is greater, in its own unit; judgement, for a slip.
_MOST = 1e9
#: Most sets of carriers, and most blends of a grid, that are looked at: minutes and gigabytes lie beyond.
_MOST_SUPPORTS, _MOST_BLENDS = 1_000_000, 4_000_000


@dataclass(frozen=True)
class Requirements:
    """What a blend must keep to; arguments of the same name are explained at `best_blend`."""

    application: Application | None
    max_viscosity: float | None
    max_cost: float | None
    max_distance: float | None
    min_share: Mapping[str, float]
    max_share: Mapping[str, float]
    within_taste: bool


@dataclass(frozen=True)
class BlendQuestion:
    """What is asked of a blend.

    Parameters
    ----------
    subjects : tuple of Oil or HSP
        What is to be dissolved.
    liquids : list of Carrier or Blend
        Candidates.
    objective : Objective
        What is best.
    requirements : Requirements
        What a blend must keep to.
    price_per_L : mapping of str to float
        Price by name of carrier. [per L]
    max_carriers : int
        Most carriers in a blend. [-]
    parts : tuple of float
        Parts of oil and of blend by volume. [-]
    celsius : float
        Temperature of the stock. [degC]

    Raises
    ------
    InputError
        When points in Hansen space are asked for what only oils have.
    """

    subjects: tuple[Oil | HSP, ...]
    liquids: list[Carrier | Blend]
    objective: Objective
    requirements: Requirements
    price_per_L: Mapping[str, float]
    max_carriers: int
    parts: tuple[float, float]
    celsius: float

    def __post_init__(self) -> None:
        point = next((subject for subject in self.subjects if isinstance(subject, HSP)), None)
        if point is not None and self.objective.needs_oil:
            message = f"{point!r} is a point in Hansen space, of which nothing can be said to be clear; give an oil"
            raise InputError(message)
        if point is not None and self.requirements.application is not None:
            message = f"{point!r} has no density, so no dose; give an oil, or leave out the application"
            raise InputError(message)

    def rules(self) -> list[Rule]:
        """Return the rules that a blend must keep to."""
        requirements = self.requirements
        rules: list[Rule] = [SingleLiquid(self.celsius)]
        if requirements.application is not None:
            density = min(subject.density for subject in self.subjects if isinstance(subject, Oil))
            dosing = LinearDose(requirements.application, self.parts, density)
            rules += [LegalLimit(dosing), TasteLimit(dosing)] if requirements.within_taste else [LegalLimit(dosing)]
        if requirements.max_viscosity is not None:
            rules.append(ViscosityLimit(requirements.max_viscosity))
        if requirements.max_cost is not None or self.objective.needs_price:
            rules.append(CostLimit(self.price_per_L, requirements.max_cost))
        rules += [LeastShare(name, share) for name, share in requirements.min_share.items()]
        return rules + [LargestShare(name, share) for name, share in requirements.max_share.items()]

    def problem(self, steps: int | None) -> tuple[Problem, dict[str, str]]:
        """Return the question in numbers, and why each of the other carriers may not be in a blend.

        Parameters
        ----------
        steps : int or None
            Steps of the grid. [-]

        Raises
        ------
        InputError
            When no carrier is left, a required one is not among them, or there are too many blends.
        """
        rules = self.rules()
        carriers, left_out = sort_out(self.liquids, rules)
        if not carriers:
            reasons = "; ".join(f"{name}: {reason}" for name, reason in left_out.items())
            message = f"none of the carriers may be in a blend: {reasons}. Offer other carriers"
            raise InputError(message)
        names = [member.name for member in carriers]
        for name, share in self.requirements.min_share.items():
            if share > 0 and name not in names:
                reason = left_out.get(name, "it is not among the carriers")
                message = f"min_share asks for {100 * share:g} % of {name!r}, which cannot be in a blend: {reason}"
                raise InputError(message)
        self._check_size(len(carriers), steps or COARSE_STEPS)
        limits = Limits.of([limit for rule in rules for limit in rule.limits(carriers)], len(carriers))
        return Problem(
            self.subjects,
            carriers,
            limits,
            cost_of(carriers, self.price_per_L),
            self.max_carriers,
            self.parts,
            self.celsius,
            self.requirements.max_distance,
        ), left_out

    def _check_size(self, n: int, steps: int) -> None:
        sizes = range(1, min(self.max_carriers, n) + 1)
        supports = sum(comb(n, size) for size in sizes)
        if supports > _MOST_SUPPORTS:
            message = (
                f"{n} carriers make {supports:,} sets of at most {self.max_carriers}; at most {_MOST_SUPPORTS:,} are "
                "looked at: offer fewer carriers or lower max_carriers"
            )
            raise InputError(message)
        blends = sum(comb(n, size) * comb(steps - 1, size - 1) for size in sizes)
        if self.objective.on_grid and blends > _MOST_BLENDS:
            message = (
                f"{n} carriers make {blends:,} blends in steps of {100 / steps:g} %; at most {_MOST_BLENDS:,} are "
                "looked at: offer fewer carriers, lower max_carriers or raise increments_percent"
            )
            raise InputError(message)


def cost_of(carriers: list[Carrier | Blend], price_per_L: Mapping[str, float]) -> NDArray[np.float64] | None:
    """Return the price of each carrier, or None where one of them has none. [per L]"""
    prices = [price_per_L.get(member.name) for member in carriers]
    return None if None in prices else np.array(prices, dtype=float)


def read_subjects(oil_or_hsp: Oil | HSP | str | ArrayLike | Iterable[Oil | HSP | str]) -> tuple[Oil | HSP, ...]:
    """Return what is to be dissolved, one or several."""
    subject = oil_or_hsp
    if isinstance(subject, Oil | HSP | Substance | str):
        return (_subject(subject),)
    numbers = isinstance(subject, list | tuple) and all(isinstance(x, int | float | np.number) for x in subject)
    if isinstance(subject, np.ndarray) or numbers:
        points = np.atleast_2d(checks.array(subject, "oil_or_hsp", "(3,) or (n, 3)"))
        if points.size and points.shape[-1] == 3 and points.ndim == 2:
            return tuple(HSP(*row) for row in points)
        message = f"oil_or_hsp has shape {points.shape}; expected (3,) or (n, 3): delta_d, delta_p, delta_h in MPa^0.5"
        raise InputError(message)
    if isinstance(subject, Mapping) or hasattr(subject, "columns") or not isinstance(subject, Iterable):
        raise checks.refuse(subject, "oil_or_hsp", "an Oil, a name, an HSP, or several of them")
    several = tuple(_subject(member) for member in subject)
    if not several:
        message = "oil_or_hsp is empty; give at least one oil"
        raise InputError(message)
    return several


def _subject(subject: object) -> Oil | HSP:
    return subject if isinstance(subject, HSP) else covered(subject)  # type: ignore[arg-type]  # it checks


def read_liquids(carriers: Iterable[str | Carrier | Blend] | None) -> list[Carrier | Blend]:
    """Return the candidates; all that ship but water and alcohol where none are named."""
    if carriers is None:
        return [liquid for liquid in candidates() if all(part.role != "diluent" for part in liquid.parts)]
    if isinstance(carriers, str):
        raise checks.refuse(carriers, "carriers", f"several names, such as [{checks.said(carriers)}, 'triacetin']")
    liquids = [carrier(name) for name in checks.several(carriers, "carriers", "['triacetin', 'MCT']")]
    if not liquids:
        message = "carriers is empty; give at least one name, or leave it out to try all that ship"
        raise InputError(message)
    return liquids


def read_price_per_L(
    price_per_L: Mapping[str, float] | None, price_per_kg: Mapping[str, float] | None = None
) -> dict[str, float]:
    """Return the price per L by name of carrier, from prices per L or per kg."""
    if price_per_L is not None and price_per_kg is not None:
        message = "price_per_L and price_per_kg are both given; give one of them"
        raise InputError(message)
    argument, prices = ("price_per_kg", price_per_kg) if price_per_L is None else ("price_per_L", price_per_L)
    read = {}
    for key, value in _mapping(prices, argument, "{'triacetin': 3.2}").items():
        liquid = carrier(key)
        price = checks.number(value, f"the price of {key!r}", "", low=0, high=_MOST, expected="a number >= 0")
        if price_per_kg is not None:
            if not np.isfinite(liquid.density):
                message = f"no density is known for {liquid.name!r}, so its price per kg is of no use; give it per L"
                raise InputError(message)
            price *= liquid.density
        read[liquid.name] = price
    return read


def read_shares(shares: Mapping[str, float] | None, argument: str) -> dict[str, float]:
    """Return the volume fraction by name of carrier. [-]"""
    expected = "a volume fraction from 0 to 1"
    return {
        carrier(key).name: checks.number(value, f"{argument} of {key!r}", "", low=0, high=1, expected=expected)
        for key, value in _mapping(shares, argument, "{'triacetin': 0.1}").items()
    }


def _mapping(values: Mapping[str, float] | None, argument: str, example: str) -> Mapping[str, float]:
    mapping: Mapping[str, float] = checks.kind(
        {} if values is None else values, argument, Mapping, f"a mapping such as {example}"
    )
    return mapping


def read_most(value: float | None, argument: str, unit: str) -> float | None:
    """Return the largest number that is allowed, or None for no limit."""
    return None if value is None else checks.positive(value, argument, f"in {unit}", most=_MOST)


def nothing_found(problem: Problem, objective: Objective, min_p_clear: float, left_out: Mapping[str, str]) -> str:
    """Say why there is no blend."""
    unknown = [outcome.unknown for outcome in problem.outcomes(Recipe((0,), np.ones(1), 0.0)) if outcome.unknown]
    if unknown:
        return f"no blend can be called clear: {unknown[0]}; ask for objective 'distance'"
    reasons = "; ".join(f"{name} ({reason})" for name, reason in left_out.items())
    tail = f". Left out: {reasons}" if reasons else ""
    nearest = min(float(solution.closed.min()) for solution in solve(problem))
    if not np.isfinite(nearest):
        return f"no blend keeps to all limits: {clash(problem.limits, problem.max_carriers)}{tail}"
    if problem.max_distance is not None and nearest > problem.max_distance**2:
        return (
            f"no blend within the limits comes nearer than Ra {np.sqrt(nearest):.2f} MPa^0.5, and max_distance is "
            f"{problem.max_distance:g}; raise it or offer other carriers{tail}"
        )
    if objective.on_grid and problem.stocks:
        surest = Clear().search(problem, COARSE_STEPS, 1).recipes
        best = f"; the surest one has a probability of {ndtr(-surest[0].value):.2f}" if surest else ""
        return (
            f"no blend within the limits is clear with a probability of {min_p_clear:g}{best}; use less oil, lower "
            f"min_p_clear or offer other carriers{tail}"
        )
    return (
        "no blend within the limits that was looked at is one phase by itself; loosen the limits, take smaller or no "
        f"increments, or offer other carriers{tail}"
    )
