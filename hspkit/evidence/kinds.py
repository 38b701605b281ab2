"""Kinds of evidence: each turns facts into residuals of the parameters. One kind, one class.

A residual is (computed - measured) over its standard deviation, that of the measurement and the theory's own misfit.
All kinds but the enthalpy of vaporisation see the parameters through the exchange energies w of pairs (`pair`); what
sizes and hydrogen bonds do is worked out once, for given constants.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.bonds import bonds_inside
from hspkit.calibration import GAS_CONSTANT, Calibration
from hspkit.evidence.facts import WATER, Fact, Liquids
from hspkit.evidence.loss import huber, huber_weight, mixing_log_likelihood
from hspkit.evidence.melting import fusion_entropy, supercooled_fraction
from hspkit.evidence.pair import GRID, PairOfLiquids, coexisting_strength, strength

__all__ = ["Activity", "Evaluation", "Linear", "Mixing", "VaporisationEnthalpy", "sorted_by_kind"]

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: Index below which a pair mixes so well that a still smaller one says nothing.
_LEAST_INDEX = 1e-3


class Evaluation(NamedTuple):
    """What facts (m,) make of parameters (n, 3).

    ``loss`` [-] of all; ``residual`` (m,) [-]; ``predicted`` (m,) on the scale of the fact; ``force`` and ``curvature``
    (m,) by the residual; ``rows``, ``liquids`` (k,) and ``slopes`` (k, 3), the entries of the derivative of the
    residuals.
    """

    loss: float
    residual: Array
    predicted: Array
    force: Array
    curvature: Array
    rows: Index
    liquids: Index
    slopes: Array


class _Term(NamedTuple):
    """Pairs (first, second, coefficient of w [cm3/mol]), and the value of their sum that a fact means, with its sd."""

    pairs: tuple[tuple[int, int, float], ...]
    target: float
    sd: float


class Linear:
    """Facts that mean a value of a sum of exchange energies; long tails count linearly."""

    #: From the residual in units of its sd to the scale of the fact.
    scale: ClassVar[float] = 1.0

    def __init__(self, facts: Sequence[Fact], liquids: Liquids, constants: Calibration) -> None:
        terms = [self.term(fact, liquids, constants) for fact in facts]
        self.facts = tuple(fact for fact, term in zip(facts, terms, strict=True) if term is not None)
        kept = [term for term in terms if term is not None]
        self.mixing = tuple(
            fact._replace(kind="mixing", value=1.0) for fact, term in zip(facts, terms, strict=True) if term is None
        )
        entries = [(row, *pair) for row, term in enumerate(kept) for pair in term.pairs]
        self._rows, self._first, self._second = (
            np.array([entry[place] for entry in entries], dtype=np.intp) for place in range(3)
        )
        self.sd = np.array([term.sd for term in kept])
        self._target = np.array([term.target for term in kept])
        celsius = np.array([fact.celsius for fact in self.facts])
        self._weights = np.array([entry[3] for entry in entries])[:, None] * strength(
            celsius[self._rows] if entries else np.zeros(0), constants
        )

    def term(self, fact: Fact, liquids: Liquids, constants: Calibration) -> _Term | None:
        """Return what a fact means; None when no parameters part the pair so little: it mixes."""
        raise NotImplementedError

    def evaluate(self, points: Array) -> Evaluation:
        """Return residuals, their derivatives and the loss at parameters (n, 3)."""
        gap = points[self._first] - points[self._second]
        total = np.bincount(self._rows, np.sum(self._weights * gap**2, axis=1), minlength=len(self.facts))
        off = total - self._target
        residual = off / self.sd
        slopes = 2.0 * self._weights * gap / self.sd[self._rows][:, None]
        weight = huber_weight(residual)
        return Evaluation(
            0.5 * float(np.sum(huber(residual))),
            residual,
            np.array([fact.value for fact in self.facts]) + self.scale * off,
            weight * residual,
            weight,
            np.concatenate([self._rows, self._rows]),
            np.concatenate([self._first, self._second]),
            np.concatenate([slopes, -slopes]),
        )


def _dilute(fact: Fact, liquids: Liquids, solvent: int, constants: Calibration) -> tuple[float, float]:
    """Return ln gamma of ``fact.a`` infinitely dilute in a solvent without w, and its slope to w."""
    pair = _pair(fact, liquids, solvent, [0.0], constants)
    return float(pair.ln_gamma[0, 0]), float(pair.slopes[0, 0])


def _pair(
    fact: Fact, liquids: Liquids, other: int, fractions: Sequence[float] | Array, constants: Calibration
) -> PairOfLiquids:
    both = [fact.a, other]
    return PairOfLiquids(liquids.volumes[both], liquids.sites(both), fractions, constants, fact.celsius)


class Activity(Linear):
    """ln gamma at infinite dilution, measured or computed."""

    def term(self, fact: Fact, liquids: Liquids, constants: Calibration) -> _Term:
        """Return what it means for w."""
        without, slope = _dilute(fact, liquids, fact.b, constants)
        return _Term(((fact.a, fact.b, slope),), fact.value - without, float(np.hypot(constants.sd_activity, fact.sd)))


class WaterSolubility(Linear):
    """ln of the solubility in water [mg/L]; of a solid, as a supercooled liquid."""

    scale = -1.0

    def term(self, fact: Fact, liquids: Liquids, constants: Calibration) -> _Term | None:
        """Return what it means for w; to first order ln of the solubility falls by V w."""
        volume = float(liquids.volumes[fact.a])
        smiles = liquids.smiles[fact.a]
        fraction, doubt = supercooled_fraction(
            fact.value, liquids.molar_masses[fact.a], volume, fact.detail, fusion_entropy(smiles)
        )
        both = [fact.a, fact.b]
        w = None
        if fraction < 1.0:
            w = coexisting_strength(fraction, liquids.volumes[both], liquids.sites(both), constants, fact.celsius)
        if w is None:
            return None
        inside = constants.sd_internal_bond if bonds_inside(smiles) else 0.0
        sd = float(np.sqrt(constants.sd_water_solubility**2 + fact.sd**2 + doubt**2 + inside**2))
        return _Term(((fact.a, fact.b, volume),), volume * w, sd)


class LiquidSolubility(Linear):
    """ln of the volume fraction of a liquid that another takes up."""

    scale = -1.0

    def term(self, fact: Fact, liquids: Liquids, constants: Calibration) -> _Term | None:
        """Return what it means for w."""
        both = [fact.a, fact.b]
        w = coexisting_strength(
            float(np.exp(fact.value)), liquids.volumes[both], liquids.sites(both), constants, fact.celsius
        )
        if w is None:
            return None
        volume = float(liquids.volumes[fact.a])
        return _Term(((fact.a, fact.b, volume),), volume * w, float(np.hypot(constants.sd_liquid_solubility, fact.sd)))


class Transfer(Linear):
    """log10 of the concentration in a liquid over that in water; octanol is taken as dry."""

    scale = float(1.0 / np.log(10.0))
    misfit: ClassVar[str] = "sd_transfer"

    def term(self, fact: Fact, liquids: Liquids, constants: Calibration) -> _Term:
        """Return what it means for the w of both pairs."""
        water = liquids.row(WATER)
        in_water, slope = _dilute(fact, liquids, water, constants)
        in_liquid, slope_liquid = _dilute(fact, liquids, fact.b, constants)
        volumes = float(np.log(liquids.volumes[water] / liquids.volumes[fact.b]))
        inside = constants.sd_internal_bond if bonds_inside(liquids.smiles[fact.a]) else 0.0
        return _Term(
            ((fact.a, water, slope), (fact.a, fact.b, -slope_liquid)),
            fact.value * float(np.log(10.0)) - (in_water - in_liquid) - volumes,
            float(np.sqrt(getattr(constants, self.misfit) ** 2 + (fact.sd * np.log(10.0)) ** 2 + inside**2)),
        )


class Partition(Transfer):
    """log P between octanol and water."""

    misfit = "sd_log_p"


class ExcessEnergy(Linear):
    """Excess Gibbs energy of a pair over RT at a mole fraction."""

    def term(self, fact: Fact, liquids: Liquids, constants: Calibration) -> _Term:
        """Return what it means for w."""
        share = np.array([fact.detail, 1.0 - fact.detail])
        amounts = share * liquids.volumes[[fact.a, fact.b]]
        pair = _pair(fact, liquids, fact.b, [amounts[0] / amounts.sum()], constants)
        without, slope = float(share @ pair.ln_gamma[0]), float(share @ pair.slopes[0])
        return _Term(((fact.a, fact.b, slope),), fact.value - without, fact.sd)


class Mixing:
    """Pairs that mix in all proportions, or do not; the residual is the signed root of twice the deviance."""

    def __init__(self, facts: Sequence[Fact], liquids: Liquids, constants: Calibration) -> None:
        self.facts = tuple(facts)
        self._constants = constants
        self._first, self._second = (np.array([getattr(fact, side) for fact in facts], dtype=np.intp) for side in "ab")
        self._mixes = np.array([fact.value for fact in facts]) > 0.5
        parts = [_pair(fact, liquids, fact.b, GRID, constants).index_parts for fact in facts]
        self._bonds, self._distance = (
            np.array([part[place] for part in parts]).reshape(-1, GRID.size) for place in (0, 1)
        )
        self._strength = strength(np.array([fact.celsius for fact in facts]), constants).reshape(-1, 3)

    def index(self, points: Array) -> tuple[Array, Array]:
        """Return the index (m,) of the pairs at parameters (n, 3), and its slope to w."""
        gap = points[self._first] - points[self._second]
        w = np.sum(self._strength * gap**2, axis=1)
        index = self._bonds + self._distance * w[:, None]
        best = index.argmax(axis=1)
        every = np.arange(len(self.facts))
        value = index[every, best]
        slope = np.where(value > _LEAST_INDEX, self._distance[every, best], 0.0)
        return np.maximum(value, _LEAST_INDEX), slope

    @property
    def parts(self) -> tuple[Array, Array]:
        """Parts p, q (m, g) of the index p + q w at the compositions of `GRID`. [-; cm3/mol]"""
        return self._bonds, self._distance

    def probability(self, points: Array) -> Array:
        """Return the probability (m,) of mixing that the misfit of the theory leaves at parameters (n, 3). [-]"""
        z = -np.log(self.index(points)[0]) / self._constants.sd_mixing
        return np.exp(mixing_log_likelihood(z, np.ones(z.shape, dtype=bool))[0])

    def evaluate(self, points: Array) -> Evaluation:
        """Return residuals, their derivatives and the loss at parameters (n, 3)."""
        index, slope = self.index(points)
        sd = self._constants.sd_mixing
        log_p, force, curvature = mixing_log_likelihood(-np.log(index) / sd, self._mixes)
        gap = points[self._first] - points[self._second]
        slopes = -(slope / index / sd)[:, None] * 2.0 * self._strength * gap
        rows = np.arange(len(self.facts))
        deviance = np.sqrt(-2.0 * log_p)
        return Evaluation(
            -float(np.sum(log_p)),
            np.where(self._mixes, -deviance, deviance),
            np.where(self._mixes, np.exp(log_p), 1.0 - np.exp(log_p)),
            -force,
            curvature,
            np.concatenate([rows, rows]),
            np.concatenate([self._first, self._second]),
            np.concatenate([slopes, -slopes]),
        )


class ConsoluteTemperature(Mixing):
    """Pairs at the temperature above which they mix in all proportions: their index is 1 there."""

    def evaluate(self, points: Array) -> Evaluation:
        """Return residuals, their derivatives and the loss at parameters (n, 3)."""
        index, slope = self.index(points)
        residual = np.log(index) / self._constants.sd_mixing
        gap = points[self._first] - points[self._second]
        slopes = (slope / index / self._constants.sd_mixing)[:, None] * 2.0 * self._strength * gap
        rows, weight = np.arange(len(self.facts)), huber_weight(residual)
        return Evaluation(
            0.5 * float(np.sum(huber(residual))),
            residual,
            index,
            weight * residual,
            weight,
            np.concatenate([rows, rows]),
            np.concatenate([self._first, self._second]),
            np.concatenate([slopes, -slopes]),
        )

    @property
    def sd(self) -> Array:
        """Standard deviation of ln of the index (m,). [-]"""
        return np.full(len(self.facts), self._constants.sd_mixing)


class VaporisationEnthalpy:
    """Enthalpy of vaporisation at 25 C [kJ/mol]: (enthalpy - RT)/V is the square of the total parameter."""

    def __init__(self, facts: Sequence[Fact], liquids: Liquids, constants: Calibration) -> None:
        self.facts = tuple(facts)
        self._liquid = np.array([fact.a for fact in facts], dtype=np.intp)
        self._volumes = liquids.volumes[self._liquid]
        value, spread = (np.array([getattr(fact, name) for fact in facts]) for name in ("value", "sd"))
        self._total = np.sqrt((1000.0 * value - GAS_CONSTANT * 298.15) / self._volumes)
        self.sd = np.hypot(constants.sd_total, 500.0 * spread / self._volumes / self._total)

    def evaluate(self, points: Array) -> Evaluation:
        """Return residuals, their derivatives and the loss at parameters (n, 3)."""
        own = points[self._liquid]
        total = np.sqrt(np.sum(own**2, axis=1))
        residual = (total - self._total) / self.sd
        weight = huber_weight(residual)
        return Evaluation(
            0.5 * float(np.sum(huber(residual))),
            residual,
            (total**2 * self._volumes + GAS_CONSTANT * 298.15) / 1000.0,
            weight * residual,
            weight,
            np.arange(len(self.facts)),
            self._liquid,
            own / (total * self.sd)[:, None],
        )


#: Class of each kind of fact but "mixing".
_CLASSES: dict[str, Callable[[Sequence[Fact], Liquids, Calibration], Linear | Mixing | VaporisationEnthalpy]] = {
    "water solubility": WaterSolubility,
    "liquid solubility": LiquidSolubility,
    "transfer": Transfer,
    "log P": Partition,
    "activity": Activity,
    "computed activity": Activity,
    "excess energy": ExcessEnergy,
    "vaporisation enthalpy": VaporisationEnthalpy,
    "consolute temperature": ConsoluteTemperature,
}


def sorted_by_kind(
    facts: Sequence[Fact], liquids: Liquids, constants: Calibration
) -> tuple[Linear | Mixing | VaporisationEnthalpy, ...]:
    """Return facts as evidence, one object a kind; those of solubility that no parameters give count as mixing.

    Parameters
    ----------
    facts : sequence of Fact
        The facts. [-]
    liquids : Liquids
        The liquids that they are about. [-]
    constants : Calibration
        Constants of the theory. [-]
    """
    kinds: list[Linear | Mixing | VaporisationEnthalpy] = []
    mixing = [fact for fact in facts if fact.kind == "mixing"]
    for kind, made in _CLASSES.items():
        own = [fact for fact in facts if fact.kind == kind]
        if own:
            evidence: Linear | Mixing | VaporisationEnthalpy = made(own, liquids, constants)
            kinds.append(evidence)
            mixing += list(getattr(evidence, "mixing", ()))
    if mixing:
        kinds.append(Mixing(mixing, liquids, constants))
    return tuple(kinds)
