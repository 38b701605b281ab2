"""The posterior of the uncertain state of a bench after trials, through the one free energy.

The prior is that of `dissolve`: Gaussian parameters of every substance, a normal misfit of the theory. A trial says in
which of three ranges its margin lies (`hspkit.trials.bench`). The most probable state is found by Gauss-Newton steps in
the margins; around it states are drawn and weighted exactly, so that the answer is not only that of a Gaussian. Only
directions in which the trials carry information are changed; in all others the prior stays to the last digit.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.sphere.descent import minimise
from hspkit.trials.bench import LAPSE, Bench, log_chance

__all__ = ["Inference", "infer"]

Array = NDArray[np.float64]

#: States drawn around the most probable one.
DRAWS = 2400
#: How much wider than the Gaussian at the optimum they are drawn in directions that were learnt, so that weights stay
#: bounded.
WIDER = 0.3
#: States about the optimum at which slopes are looked at.
LOOKS = 4
MOST_STEPS = 8


class Inference(NamedTuple):
    """State after trials: ``mean`` (K,), ``covariance`` (K, K), and for each trial the chance of its outcome.

    ``before`` by the prior alone, ``others`` by the prior and the other trials, ``after`` by all; ``effective`` is how
    many independent draws the weighted ones are worth.
    """

    mean: Array
    covariance: Array
    before: Array
    others: Array
    after: Array
    effective: float


def _optimum(
    bench: Bench, kinds: NDArray[np.intp], edges: Array, own_sd: Array, lapse: float, state: Array
) -> tuple[Array, Array, Array]:
    """Return the most probable state (K,) found from a start, slopes there, curvature of -ln p in each margin (t,)."""
    margin, slope, _ = bench.margin(state)

    def cost(y: Array, z: Array) -> float:
        return float(0.5 * z @ z - log_chance(y, kinds, edges, own_sd, lapse)[0].sum())

    now = cost(margin, state)
    for _ in range(MOST_STEPS):
        base, spread = margin - slope @ state, slope @ slope.T

        def question(weights: Array, base: Array = base, spread: Array = spread) -> tuple[Array, Array, Array]:
            moved = weights @ spread
            chance, first, second = log_chance(base + moved, kinds, edges, own_sd, lapse)
            value = 0.5 * (weights * moved).sum(axis=1) - chance.sum(axis=1)
            bend = spread - np.einsum("ij,mj,jk->mik", spread, second, spread)
            return value, moved - first @ spread, bend

        scale = spread + 1e-9 * np.trace(spread) * np.eye(len(spread))
        start = np.linalg.solve(scale, margin - base)[None]
        far = np.full(len(spread), np.inf)
        target = minimise(question, np.vstack([start, np.zeros_like(start)]), -far, far, steps=60)
        target = slope.T @ target[int(np.argmin(question(target)[0]))]
        share = 1.0
        while share > 0.1:
            there = state + share * (target - state)
            new_margin, new_slope, _ = bench.margin(there)
            value = cost(new_margin, there)
            if value < now:
                break
            share /= 2.0
        else:
            break
        gained, now = now - value, value
        state, margin, slope = there, new_margin, new_slope
        if gained < 1e-3:
            break
    _, first, second = log_chance(margin, kinds, edges, own_sd, lapse)
    return state, slope, np.maximum(-second, 0.0) if np.any(second < 0) else first**2


def _mirrored(rng: np.random.Generator, count: int, size: int) -> Array:
    half = rng.standard_normal((count // 2, size))
    return np.concatenate([half, -half])


def _proposals(
    optima: Sequence[tuple[Array, Array, Array]], axes: Array, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Return draws (m, k) along axes, a third each from about either optimum and from the prior, with their density.

    The density is given as its logarithm, without the constant of the normal distribution. What is drawn is drawn in
    the whole space and then seen along the axes, and stretched by symmetric roots: so the states do not depend on
    which of the equally good axes, and which of their two directions, a processor's linear algebra returns.
    """
    share, size = DRAWS // 3, axes.shape[1]
    drawn, parts = [_mirrored(rng, DRAWS - share * len(optima), size) @ axes.T], []
    for state, slope, bend in optima:
        seen = slope @ axes.T
        values, turn = np.linalg.eigh(np.linalg.inv(np.eye(len(axes)) + seen.T @ (bend[:, None] * seen)))
        values = np.clip(values, 1e-8, 1.0)
        reach = np.sqrt(values) * (1.0 + WIDER * (1.0 - values))
        middle = axes @ state
        drawn.append(middle + ((_mirrored(rng, share, size) @ axes.T @ turn) * reach) @ turn.T)
        parts.append((middle, turn, reach))
    inside = np.concatenate(drawn)
    density = [-0.5 * (inside**2).sum(axis=1)]
    for middle, turn, reach in parts:
        density.append(-0.5 * (((inside - middle) @ turn / reach) ** 2).sum(axis=1) - np.log(reach).sum())
    shares = np.log([len(one) / DRAWS for one in drawn])
    return inside, np.logaddexp.reduce([one + share for one, share in zip(density, shares, strict=True)])


def infer(
    bench: Bench, rows: Sequence[int], kinds: NDArray[np.intp], random_state: int | np.random.Generator | None = 0
) -> Inference:
    """Return the posterior of a bench's state after trials.

    Parameters
    ----------
    bench : Bench
        Mixtures, those of the trials among them.
    rows : sequence of int, length t
        Which mixes were tried. [-]
    kinds : ndarray of shape (t,)
        Outcomes: 0 clear, 1 hazy, 2 splits. [-]
    random_state : int, Generator or None
        Seed of the draws. [-]
    """
    size = bench.size
    if not len(rows):
        empty = np.empty(0)
        return Inference(np.zeros(size), np.eye(size), empty, empty, empty, float(DRAWS))
    tried = bench.only(rows)
    edges = tried.haze_edges(kinds > 0)
    before, first_slope, own_sd = tried.margin(np.zeros(size))
    rng = np.random.default_rng(random_state)
    # two places where the truth may be: where no trial is a lapse, and where some are
    optima = [_optimum(tried, kinds, edges, own_sd, LAPSE, np.zeros(size))]
    forced = np.zeros(size)
    for factor in (10.0, 3.0, 1.0):  # a surprise many standard deviations away has no slope to follow otherwise
        optimum = _optimum(tried, kinds, edges, factor * own_sd, 1e-9, forced)
        forced = optimum[0]
    optima.append(optimum)
    # directions that the trials bear on: at the prior, at the optima and about them, because slopes turn
    about = [tried.margin(0.5 * forced + 0.7 * one)[1] for one in _mirrored(rng, LOOKS, size)]
    _, sizes, axes = np.linalg.svd(np.vstack([first_slope, *(slope for _, slope, _ in optima), *about]), False)
    axes = axes[sizes > 0.03 * sizes[0]]
    inside, drawn_density = _proposals(optima, axes, rng)
    rest = _mirrored(rng, DRAWS, size)
    states = inside @ axes + rest - (rest @ axes.T) @ axes
    chances = log_chance(tried.margins(states), kinds, edges, own_sd)[0]
    weight = chances.sum(axis=1) - 0.5 * (inside**2).sum(axis=1) - drawn_density
    weight = np.exp(weight - weight.max())
    weight /= weight.sum()
    centre = weight @ inside
    deviations = inside - centre
    spread = (weight[:, None] * deviations).T @ deviations
    mean = centre @ axes
    covariance = np.eye(size) + axes.T @ (spread - np.eye(len(axes))) @ axes
    after = weight @ np.exp(chances)
    others = 1.0 / (weight @ np.exp(-chances))  # leaving each trial out by taking its factor from the weights
    total_sd = np.sqrt(own_sd**2 + (first_slope**2).sum(axis=1))
    prior = np.exp(log_chance(before, kinds, edges, total_sd)[0])
    return Inference(mean, covariance, prior, others, after, float(1.0 / (weight**2).sum()))
