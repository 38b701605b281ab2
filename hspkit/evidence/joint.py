"""All shipped substances at once: solvents and solutes explain the evidence together.

A misfit of an activity may lie with the solute or with the solvent; only all evidence together can say which. So the
parameters of every substance are found in one go, as the most probable point of

    1/2 u' K^-1 u + sum over evidence of loss(residual),    u = (delta - prior)/sd

with K the correlation of deviations between like structures (`likeness`), by Gauss-Newton steps with Levenberg-
Marquardt damping and components kept >= 0. Covariances are those of the Gaussian that touches the optimum (Laplace).
Nothing is random; the same tables give the same digits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hspkit.evidence import theory
from hspkit.evidence.bonds import bonds_inside
from hspkit.evidence.facts import WATER, Fact, Liquids, liquids
from hspkit.evidence.likeness import correlation
from hspkit.evidence.loss import huber, huber_weight, mixing_log_likelihood
from hspkit.evidence.melting import fusion_entropy, supercooled_fraction
from hspkit.evidence.theory import Calibration
from hspkit.phases.mixture import GAS_CONSTANT

__all__ = ["Posterior", "fit", "mixing_volumes", "prior_sd"]

Array = NDArray[np.float64]

MAX_STEPS = 60
#: A step that gains less than this in log posterior density ends the search; parameters are then still to 1e-4.
TOLERANCE = 1e-7
OCTANOL = "1-octanol"


@dataclass(frozen=True)
class Posterior:
    """Most probable parameters of all shipped substances and what they make of the evidence.

    ``hsp`` (n, 3), ``covariance`` (n, 3, 3); ``facts`` and ``residuals`` in step, residuals in units of their standard
    deviation (for mixing: signed root of twice the deviance); ``predicted`` on the scale of the fact; ``log_evidence``
    is the Laplace approximation of the logarithm of the probability of the evidence given the constants.
    """

    hsp: Array
    covariance: Array
    facts: tuple[Fact, ...]
    residuals: Array
    predicted: Array
    log_evidence: float
    steps: int


@cache
def _likeness(length: float) -> Array:
    return correlation(liquids().smiles, liquids().smiles, length)


@cache
def _prior_precision(shared: float, length: float) -> tuple[Array, float]:
    shipped = liquids()
    matrix = shared * _likeness(length) + (1.0 - shared) * np.eye(len(shipped.names))
    water = shipped.row(WATER)
    matrix[water, :] = matrix[:, water] = 0.0
    matrix[water, water] = 1.0
    return np.asarray(np.linalg.inv(matrix), dtype=float), float(np.linalg.slogdet(matrix)[1])


def prior_sd(constants: Calibration) -> Array:
    """Return the standard deviations of all priors, shape (n, 3). [MPa^0.5]"""
    shipped = liquids()
    published = np.array([constants.published_sd_d, constants.published_sd_p, constants.published_sd_h])
    found = np.where(shipped.published[:, None], published, constants.estimate_sd_scale * shipped.estimate_sd)
    found[shipped.row(WATER)] = constants.water_sd_scale * published
    return found


def mixing_volumes(constants: Calibration) -> Array:
    """Return the volumes that count in the entropy of mixing, shape (n,). [cm3/mol]"""
    shipped = liquids()
    return theory.mixing_volume(shipped.volumes, shipped.hydroxyls, constants=constants)


class _Terms:
    """Evidence that is linear in squared distances: residual = sum of coefficient * w - target, over sd."""

    def __init__(self, constants: Calibration, sites: Array) -> None:
        self.constants, self.sites = constants, sites
        self.rows: list[int] = []
        self.first: list[int] = []
        self.second: list[int] = []
        self.weights: list[Array] = []
        self.targets: list[float] = []
        self.sds: list[float] = []
        self.facts: list[Fact] = []

    def add(self, fact: Fact, pairs: Sequence[tuple[int, int, float, float]], target: float, sd: float) -> None:
        """Add one fact; pairs are (substance, substance, coefficient of w, celsius)."""
        for a, b, coefficient, celsius in pairs:
            factors, _ = theory.scale_at(celsius)
            strength = coefficient * self.constants.alpha / (GAS_CONSTANT * (celsius + 273.15))
            self.rows.append(len(self.targets))
            self.first.append(a)
            self.second.append(b)
            self.weights.append(strength / sd * self.constants.weights * factors**2)
            # what donors and acceptors do is known from the structures: it moves the target
            both = float(np.prod(self.sites[a] - self.sites[b]))
            target -= strength * self.constants.weight_sites * factors[2] ** 2 * both
        self.targets.append(target / sd)
        self.sds.append(sd)
        self.facts.append(fact)


def _read(facts: Sequence[Fact], constants: Calibration, sites: Array) -> tuple[_Terms, list[Fact], list[Fact]]:
    """Turn facts into terms linear in w; return them, the mixing facts, and the enthalpies."""
    shipped = liquids()
    volumes, mixing = shipped.volumes, mixing_volumes(constants)
    terms, pairs, heats = _Terms(constants, sites), [], []
    octanol = shipped.row(OCTANOL)
    inside = np.where([bonds_inside(smiles) for smiles in shipped.smiles], constants.sd_internal_bond, 0.0)
    for fact in facts:
        a, b = fact.a, fact.b
        if fact.kind == "mixing":
            pairs.append(fact)
        elif fact.kind == "vaporisation enthalpy":
            heats.append(fact)
        elif fact.kind == "water solubility":
            phi, melting_sd = supercooled_fraction(
                fact.value, shipped.molar_masses[a], volumes[a], fact.detail, fusion_entropy(shipped.smiles[a])
            )
            w = theory.coexisting_strength(phi, mixing[a], mixing[b])
            if w is None:  # more than any demixing liquid can hold: it mixes
                pairs.append(fact._replace(kind="mixing", value=1.0))
                continue
            sd = float(np.sqrt(constants.sd_water_solubility**2 + fact.sd**2 + melting_sd**2 + inside[a] ** 2))
            terms.add(fact, [(a, b, mixing[a], fact.celsius)], mixing[a] * w, sd)
        elif fact.kind == "log P":
            target = fact.value * np.log(10.0) - volumes[a] * (1.0 / mixing[octanol] - 1.0 / mixing[b])
            terms.add(
                fact, [(a, b, volumes[a], 25.0), (a, octanol, -volumes[a], 25.0)], target,
                float(np.hypot(constants.sd_log_p, inside[a])),
            )  # fmt: skip
        elif fact.kind in ("activity", "computed activity"):
            _, growth = theory.scale_at(fact.celsius)
            target = fact.value - theory.dilute_ln_gamma(
                0.0, volumes[a] * growth, volumes[b] * growth, mixing[b] * growth
            )
            sd = float(np.hypot(constants.sd_activity, fact.sd))
            terms.add(fact, [(a, b, volumes[a] * growth, fact.celsius)], float(target), sd)
        elif fact.kind == "excess energy":
            share = np.array([fact.detail, 1.0 - fact.detail])
            pair_volumes = volumes[[a, b]]
            shares = share * pair_volumes / np.sum(share * pair_volumes)
            size_term = theory.excess_size_term(fact.detail, tuple(pair_volumes), tuple(mixing[[a, b]]))
            coefficient = float(np.sum(share * pair_volumes) * shares[0] * shares[1])
            terms.add(fact, [(a, b, coefficient, fact.celsius)], fact.value - size_term, fact.sd)
    return terms, pairs, heats


def fit(
    facts: Sequence[Fact],
    constants: Calibration,
    *,
    start: Array | None = None,
    prior: Mapping[int, tuple[Array, Array]] | None = None,
    sites: Array | None = None,
    tolerance: float = TOLERANCE,
) -> Posterior:
    """Find the most probable parameters of all shipped substances.

    Parameters
    ----------
    facts : sequence of Fact
        The evidence to use. [-]
    constants : Calibration
        Constants of the theory. [-]
    start : ndarray of shape (n, 3), optional
        Where to start; the priors by default. [MPa^0.5]
    prior : mapping of int to (mean, sd), optional
        Other priors for some rows, for checks that pretend a published value is unknown. [MPa^0.5]
    sites : ndarray of shape (n, 2), optional
        Other densities of donors and acceptors than the shipped ones, to scan their strengths. [mol/L]

    Returns
    -------
    Posterior
    """
    import scipy.linalg
    import scipy.sparse

    shipped: Liquids = liquids()
    n = len(shipped.names)
    sd, mean = prior_sd(constants), shipped.prior.copy()
    for row, (other_mean, other_sd) in (prior or {}).items():
        mean[row], sd[row] = other_mean, other_sd
    precision, log_det = _prior_precision(constants.shared_deviation, constants.likeness_length)
    known_sites = shipped.sites if sites is None else sites
    terms, pairs, heats = _read(facts, constants, known_sites)
    m, mixing = len(terms.targets), mixing_volumes(constants)
    rows, first, second = (np.array(x, dtype=np.intp) for x in (terms.rows, terms.first, terms.second))
    weights, targets = np.array(terms.weights).reshape(-1, 3), np.array(terms.targets)
    heat_rows = np.array([fact.a for fact in heats], dtype=np.intp)
    totals = np.sqrt(
        (1000.0 * np.array([fact.value for fact in heats]) - GAS_CONSTANT * 298.15) / shipped.volumes[heat_rows]
    )
    heat_sd = np.hypot(
        constants.sd_total, 500.0 * np.array([fact.sd for fact in heats]) / shipped.volumes[heat_rows] / totals
    )
    pa, pb = (np.array([getattr(fact, side) for fact in pairs], dtype=np.intp) for side in "ab")
    mixes = np.array([fact.value for fact in pairs]) > 0.5
    factors, growth = theory.scale_at(np.array([fact.celsius for fact in pairs]))
    kelvin = np.array([fact.celsius for fact in pairs]) + 273.15
    pair_strength = (
        constants.alpha / (GAS_CONSTANT * kelvin) / theory.critical_strength(mixing[pa] * growth, mixing[pb] * growth)
    )
    pair_weights = pair_strength[:, None] * constants.weights * factors**2
    pair_sites = (
        pair_strength * constants.weight_sites * factors[:, 2] ** 2 * np.prod(known_sites[pa] - known_sites[pb], axis=1)
    )

    def state(point: Array) -> tuple:
        u = (point - mean) / sd
        pull = precision @ u
        difference = point[first] - point[second]
        residual = np.bincount(rows, np.sum(weights * difference**2, axis=1), minlength=m) - targets
        length = np.sqrt(np.sum(point[heat_rows] ** 2, axis=1))
        heat_residual = (length - totals) / heat_sd
        gap = point[pa] - point[pb]
        ratio = np.maximum(np.sum(pair_weights * gap**2, axis=1) + pair_sites, 1e-3)
        z = -np.log(ratio) / constants.sd_mixing
        log_like, slope, curvature = mixing_log_likelihood(z, mixes)
        value = 0.5 * np.sum(u * pull) + 0.5 * np.sum(huber(residual)) + 0.5 * np.sum(huber(heat_residual))
        return value - np.sum(log_like), pull, difference, residual, length, heat_residual, gap, ratio, slope, curvature

    point = mean.copy() if start is None else np.array(start)
    now, damping = state(point), 1e-3
    hessian = np.eye(3 * n)
    steps = 0
    while steps < MAX_STEPS:
        steps += 1
        value, pull, difference, residual, length, heat_residual, gap, ratio, slope, curvature = now
        turn = -2.0 * pair_weights * gap / ratio[:, None] / constants.sd_mixing
        heat_places, pair_places = m + np.arange(len(heats)), m + len(heats) + np.arange(len(pairs))
        jacobian = _jacobian(
            [
                (rows, first, 2.0 * weights * difference),
                (rows, second, -2.0 * weights * difference),
                (heat_places, heat_rows, point[heat_rows] / (length * heat_sd)[:, None]),
                (pair_places, pa, turn),
                (pair_places, pb, -turn),
            ],
            (m + len(heats) + len(pairs), 3 * n),
        )
        strength = np.concatenate([huber_weight(residual), huber_weight(heat_residual), curvature])
        force = np.concatenate([huber_weight(residual) * residual, huber_weight(heat_residual) * heat_residual, -slope])
        hessian = (jacobian.T @ scipy.sparse.diags(strength) @ jacobian).toarray()
        gradient = jacobian.T @ force + (pull / sd).ravel()
        for part in range(3):
            hessian[part::3, part::3] += precision / np.outer(sd[:, part], sd[:, part])
        held = (point.ravel() <= 0.0) & (gradient > 0.0)
        gradient = np.where(held, 0.0, gradient)
        moved = None
        while damping < 1e8:
            damped = hessian.copy()
            damped[np.diag_indices(3 * n)] *= 1.0 + damping
            damped[held, :] = damped[:, held] = 0.0
            damped[held, held] = 1.0
            step = scipy.linalg.solve(damped, gradient, assume_a="pos", check_finite=False).reshape(n, 3)
            tried = np.maximum(point - step, 0.0)
            there = state(tried)
            if there[0] < value:
                moved = tried
                break
            damping *= 10.0
        if moved is None:
            break
        gain = value - there[0]
        point, now, damping = moved, there, max(damping / 10.0, 1e-9)
        if gain < tolerance:
            break
    inverse = scipy.linalg.inv(hessian, check_finite=False)
    blocks = np.array([inverse[3 * i : 3 * i + 3, 3 * i : 3 * i + 3] for i in range(n)])
    normal = np.sum(np.log(terms.sds)) + np.sum(np.log(heat_sd))
    occam = 0.5 * np.linalg.slogdet(hessian)[1] + 1.5 * log_det + np.sum(np.log(sd))
    all_facts = (*terms.facts, *heats, *pairs)
    residual, heat_residual, ratio, length = now[3], now[5], now[7], now[4]
    probability = np.clip(0.01 + 0.98 * _normal(-np.log(ratio) / constants.sd_mixing), 1e-6, 1.0)
    deviance = np.sqrt(-2.0 * np.log(np.where(mixes, probability, 1.0 - probability)))
    measured = np.array([fact.value for fact in terms.facts])
    away = residual * np.array(terms.sds)
    sign = np.array(
        [-1.0 if fact.kind == "water solubility" else np.log(10.0) ** -1 if fact.kind == "log P" else 1.0
         for fact in terms.facts]
    )  # fmt: skip
    heat = (length**2 * shipped.volumes[heat_rows] + GAS_CONSTANT * 298.15) / 1000.0
    return Posterior(
        point,
        blocks,
        all_facts,
        np.concatenate([residual, heat_residual, np.where(mixes, -deviance, deviance)]),
        np.concatenate([measured + sign * away, heat, probability]),
        -float(now[0] + normal + occam),
        steps,
    )


def _jacobian(blocks: Sequence[tuple[NDArray[np.intp], NDArray[np.intp], Array]], shape: tuple[int, int]) -> Any:
    """Return the sparse matrix of derivatives; a block is (residuals (k,), substances (k,), derivatives (k, 3))."""
    import scipy.sparse

    places = np.concatenate([np.repeat(at, 3) for at, _, _ in blocks])
    columns = np.concatenate([(3 * who[:, None] + np.arange(3)).ravel() for _, who, _ in blocks])
    entries = np.concatenate([what.ravel() for _, _, what in blocks])
    return scipy.sparse.csr_matrix((entries, (places, columns)), shape=shape)


def _normal(z: Array) -> Array:
    from scipy.special import ndtr

    return ndtr(z)
