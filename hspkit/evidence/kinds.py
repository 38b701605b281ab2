"""Kinds of evidence: what each measured quantity is according to the theory, and how fast it changes with parameters.

One class is one kind. It holds facts of that kind about rows of a table of liquids (`Properties`) and gives for any
parameters of these liquids the residuals and their derivatives. `reconcile` (one substance, its partners fixed) and
`joint.fit` (all substances) call the same classes. Nothing outside of a class assumes a form of the dependence on the
parameters: a new kind overrides ``_sd``, ``misfit`` and ``slopes``, and joins `BY_KIND`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import theory
from hspkit.bonds import bonds_inside
from hspkit.evidence.facts import OCTANOL, Fact
from hspkit.evidence.loss import huber, huber_weight, mixing_log_likelihood
from hspkit.evidence.melting import fusion_entropy, supercooled_fraction
from hspkit.phases.mixture import GAS_CONSTANT
from hspkit.substances import Substance
from hspkit.theory import Calibration

__all__ = ["BY_KIND", "Properties", "Residuals", "residuals_of"]

Array = NDArray[np.float64]
Rows = NDArray[np.intp]

_LN10 = float(np.log(10.0))
_ROOM = GAS_CONSTANT * 298.15
#: The exchange energy over the critical one is not followed below this: such a pair mixes for certain. [-]
LEAST_RATIO = 1e-3


class Properties(NamedTuple):
    """What the theory takes as known about n liquids: all but their Hansen parameters.

    ``volumes``, ``mixing`` (mixing volumes) [cm3/mol], ``molar_masses`` [g/mol], each (n,); ``sites`` (n, 2) [mol/L].
    """

    names: tuple[str, ...]
    smiles: tuple[str, ...]
    volumes: Array
    mixing: Array
    molar_masses: Array
    sites: Array

    @classmethod
    def of(cls, substances: Sequence[Substance]) -> Properties:
        """Return the properties of some substances."""
        return cls(
            tuple(member.name for member in substances),
            tuple(member.smiles or "" for member in substances),
            np.array([member.volume for member in substances]),
            np.array([member.mixing_volume for member in substances]),
            np.array([np.nan if member.molar_mass is None else member.molar_mass for member in substances]),
            np.array([member.sites for member in substances]),
        )


class Residuals:
    """Facts of one kind, k of them; points (..., n, 3) of all liquids give residuals (..., k).

    The ``misfit`` is what is computed minus what is measured, on the scale on which ``sd`` (k,) is stated: the
    logarithm for solubilities and partition, the total parameter for enthalpies. ``unit`` leads from it to the scale
    of the measured value.
    """

    unit = 1.0
    #: Whether a value was measured, whose probability density has a width; else an outcome, which has a probability.
    is_measured = True

    def __init__(self, facts: Sequence[Fact], liquids: Properties, constants: Calibration) -> None:
        self.facts, self.liquids, self.constants = tuple(facts), liquids, constants
        self.a, self.b = (np.array([getattr(fact, side) for fact in facts], dtype=np.intp) for side in "ab")
        self.values, self.measured_sd, self.celsius, self.detail = (
            np.array([getattr(fact, name) for fact in facts], dtype=float)
            for name in ("value", "sd", "celsius", "detail")
        )
        _, self.growth = theory.scale_at(self.celsius)
        self.sd = self._sd()

    def _sd(self) -> Array:
        """Standard deviations of the misfit: of the measurement and of the theory together."""
        raise NotImplementedError

    def misfit(self, points: Array) -> Array:
        """Return computed minus measured, shape (..., k), on the scale of ``sd``."""
        raise NotImplementedError

    def slopes(self, points: Array) -> list[tuple[Rows, Array]]:
        """Return the derivatives of the misfit: pairs of rows of liquids (k,) and derivatives (..., k, 3)."""
        raise NotImplementedError

    def predicted(self, points: Array) -> Array:
        """Return what is computed, on the scale of the measured values, shape (..., k)."""
        return self.values + self.unit * self.misfit(points)

    def residuals(self, points: Array) -> Array:
        """Return the misfit in standard deviations, shape (..., k). [-]"""
        return self.misfit(points) / self.sd

    def derivatives(self, points: Array) -> list[tuple[Rows, Array]]:
        """Return the derivatives of `residuals`, as `slopes`. [1/MPa^0.5]"""
        return [(rows, slope / self.sd[:, None]) for rows, slope in self.slopes(points)]

    def loss(self, residuals: Array) -> tuple[Array, Array, Array]:
        """Return -log likelihood, its derivative by the residual, and its positive curvature, each (..., k)."""
        weight = huber_weight(residuals)
        return 0.5 * huber(residuals), weight * residuals, weight

    def deviation(self, residuals: Array) -> tuple[Array, Array]:
        """Return residuals as they are reported, and their derivatives by `residuals`, each (..., k)."""
        return residuals, np.ones_like(residuals)

    def widen(self, points: Array, covariance: Array) -> None:
        """Add the uncertainty of liquids that a fit holds fixed, with covariance (n, 3, 3), to ``sd``."""
        variance = self.sd**2
        for rows, slope in self.slopes(points):
            variance = variance + np.einsum("ki,kij,kj->k", slope, covariance[rows], slope)
        self.sd = np.sqrt(variance)

    def _exchange(self, points: Array, a: Rows, b: Rows) -> Array:
        first, second = (
            np.concatenate(
                [points[..., rows, :], np.broadcast_to(self.liquids.sites[rows], (*points.shape[:-2], len(rows), 2))],
                axis=-1,
            )
            for rows in (a, b)
        )
        return theory.exchange(first, second, celsius=self.celsius, constants=self.constants)

    def _exchange_slope(self, points: Array, a: Rows, b: Rows) -> Array:
        return theory.exchange_slope(
            points[..., a, :], points[..., b, :], celsius=self.celsius, constants=self.constants
        )

    def _internal_bond_sd(self) -> Array:
        inside = [bonds_inside(self.liquids.smiles[row]) for row in self.a]
        return np.where(inside, self.constants.sd_internal_bond, 0.0)


class _OneExchange(Residuals):
    """Quantities that are a factor times the exchange energy of a pair, and a part of known size."""

    factor: Array

    def _known(self) -> Array:
        """The part that does not hang on the parameters, minus the measured value, shape (k,)."""
        raise NotImplementedError

    def __init__(self, facts: Sequence[Fact], liquids: Properties, constants: Calibration) -> None:
        super().__init__(facts, liquids, constants)
        self.known = self._known()

    def misfit(self, points: Array) -> Array:
        return self.factor * self._exchange(points, self.a, self.b) + self.known

    def slopes(self, points: Array) -> list[tuple[Rows, Array]]:
        slope = self.factor[:, None] * self._exchange_slope(points, self.a, self.b)
        return [(self.a, slope), (self.b, -slope)]


class WaterSolubility(_OneExchange):
    """Near the measured value ln S falls by the mixing volume per unit of exchange energy."""

    def _sd(self) -> Array:
        melting = [_saturated(fact, self.liquids)[1] for fact in self.facts]
        theirs = self.constants.sd_water_solubility**2 + self.measured_sd**2
        return np.sqrt(theirs + np.square(melting) + self._internal_bond_sd() ** 2)

    def _known(self) -> Array:
        self.factor = -self.liquids.mixing[self.a]
        return -self.factor * np.array([_coexisting(fact, self.liquids) for fact in self.facts], dtype=float)


class Activity(_OneExchange):
    """ln gamma at infinite dilution, of `a` in `b`."""

    def _sd(self) -> Array:
        return np.hypot(self.constants.sd_activity, self.measured_sd)

    def _known(self) -> Array:
        self.factor = self.liquids.volumes[self.a] * self.growth
        solvent, mixing = (volumes[self.b] * self.growth for volumes in (self.liquids.volumes, self.liquids.mixing))
        return theory.dilute_ln_gamma(0.0, self.factor, solvent, mixing) - self.values


class ExcessEnergy(_OneExchange):
    """Excess Gibbs energy over RT; the detail of a fact is the mole fraction of `a`."""

    def _sd(self) -> Array:
        return self.measured_sd

    def _known(self) -> Array:
        shares = np.stack([self.detail, 1.0 - self.detail]) * self.liquids.volumes[np.stack([self.a, self.b])]
        self.factor = np.prod(shares, axis=0) / np.sum(shares, axis=0)
        sizes = [
            theory.excess_size_term(
                fact.detail, tuple(self.liquids.volumes[[fact.a, fact.b]]), tuple(self.liquids.mixing[[fact.a, fact.b]])
            )
            for fact in self.facts
        ]
        return np.array(sizes) - self.values


class LogP(Residuals):
    """Partition between octanol and water (`b`): the difference of two activities, as a natural logarithm."""

    unit = 1.0 / _LN10

    def __init__(self, facts: Sequence[Fact], liquids: Properties, constants: Calibration) -> None:
        super().__init__(facts, liquids, constants)
        self.octanol = np.full(len(self.a), liquids.names.index(OCTANOL))
        self.volumes = liquids.volumes[self.a]
        self.known = self.volumes * (1.0 / liquids.mixing[self.octanol] - 1.0 / liquids.mixing[self.b])

    def _sd(self) -> Array:
        theirs = np.hypot(self.constants.sd_log_p, self._internal_bond_sd())
        return np.hypot(theirs, _LN10 * self.measured_sd)

    def misfit(self, points: Array) -> Array:
        gain = self._exchange(points, self.a, self.b) - self._exchange(points, self.a, self.octanol)
        return self.volumes * gain + self.known - _LN10 * self.values

    def slopes(self, points: Array) -> list[tuple[Rows, Array]]:
        water, octanol = (
            self.volumes[:, None] * self._exchange_slope(points, self.a, rows) for rows in (self.b, self.octanol)
        )
        return [(self.a, water - octanol), (self.b, -water), (self.octanol, octanol)]


class VaporisationEnthalpy(Residuals):
    """|delta|^2 V + RT; compared as the total parameter |delta|."""

    def _sd(self) -> Array:
        volumes = self.liquids.volumes[self.a]
        self.totals = np.sqrt((1000.0 * self.values - _ROOM) / volumes)
        return np.hypot(self.constants.sd_total, 500.0 * self.measured_sd / volumes / self.totals)

    def misfit(self, points: Array) -> Array:
        return np.sqrt(np.sum(points[..., self.a, :] ** 2, axis=-1)) - self.totals

    def slopes(self, points: Array) -> list[tuple[Rows, Array]]:
        at = points[..., self.a, :]
        return [(self.a, at / np.maximum(np.sqrt(np.sum(at**2, axis=-1, keepdims=True)), 1e-9))]

    def predicted(self, points: Array) -> Array:
        return (np.sum(points[..., self.a, :] ** 2, axis=-1) * self.liquids.volumes[self.a] + _ROOM) / 1000.0


class Mixing(Residuals):
    """Mixes in all proportions, or does not: a probability by the exchange energy over the critical one.

    The residual is z = -ln(ratio)/sd, positive where the theory says that the pair mixes.
    """

    is_measured = False

    def _sd(self) -> Array:
        self.mixes = self.values > 0.5
        mixing = self.liquids.mixing
        self.critical = theory.critical_strength(mixing[self.a] * self.growth, mixing[self.b] * self.growth)
        return np.full(len(self.facts), self.constants.sd_mixing)

    def _ratio(self, points: Array) -> Array:
        return np.maximum(self._exchange(points, self.a, self.b) / self.critical, LEAST_RATIO)

    def misfit(self, points: Array) -> Array:
        return -np.log(self._ratio(points))

    def slopes(self, points: Array) -> list[tuple[Rows, Array]]:
        strength = self.critical * self._ratio(points)
        slope = -self._exchange_slope(points, self.a, self.b) / strength[..., None]
        return [(self.a, slope), (self.b, -slope)]

    def predicted(self, points: Array) -> Array:
        """Return the probability that the pairs mix, shape (..., k). [-]"""
        z = self.residuals(points)
        return np.exp(mixing_log_likelihood(z, np.ones(z.shape, dtype=bool))[0])

    def loss(self, residuals: Array) -> tuple[Array, Array, Array]:
        log_p, slope, curvature = mixing_log_likelihood(residuals, self.mixes)
        return -log_p, -slope, curvature

    def deviation(self, residuals: Array) -> tuple[Array, Array]:
        """Return the root of twice the deviance, negative where the pair mixes, and its derivatives."""
        log_p, slope, _ = mixing_log_likelihood(residuals, self.mixes)
        found = np.where(self.mixes, -1.0, 1.0) * np.sqrt(-2.0 * log_p)
        return found, -slope / found

    def widen(self, points: Array, covariance: Array) -> None:
        super().widen(points, covariance)
        self.sd = np.minimum(self.sd, 1.0)  # beyond, a statement says nothing any more


#: The class of each kind of evidence, in the order in which kinds are listed.
BY_KIND: dict[str, type[Residuals]] = {
    "water solubility": WaterSolubility,
    "log P": LogP,
    "activity": Activity,
    "computed activity": Activity,
    "excess energy": ExcessEnergy,
    "vaporisation enthalpy": VaporisationEnthalpy,
    "mixing": Mixing,
}


def residuals_of(facts: Iterable[Fact], liquids: Properties, constants: Calibration) -> list[Residuals]:
    """Return the facts by kind, each kind in the order given; kinds without a fact are left out.

    A solubility in water beyond what any demixing liquid can hold means that the two mix.
    """
    groups: dict[str, list[Fact]] = {kind: [] for kind in BY_KIND}
    for fact in facts:
        if fact.kind == "water solubility" and _coexisting(fact, liquids) is None:
            fact = fact._replace(kind="mixing", value=1.0, sd=0.0)
        groups[fact.kind].append(fact)
    return [BY_KIND[kind](group, liquids, constants) for kind, group in groups.items() if group]


def _saturated(fact: Fact, liquids: Properties) -> tuple[float, float]:
    """Return the volume fraction at which the liquid, supercooled if it is a solid, saturates water; its doubt."""
    mass, volume = liquids.molar_masses[fact.a], liquids.volumes[fact.a]
    return supercooled_fraction(fact.value, mass, volume, fact.detail, fusion_entropy(liquids.smiles[fact.a]))


def _coexisting(fact: Fact, liquids: Properties) -> float | None:
    fraction, _ = _saturated(fact, liquids)
    return theory.coexisting_strength(fraction, float(liquids.mixing[fact.a]), float(liquids.mixing[fact.b]))
