"""Spheres that the trials allow, drawn with the probability that the soft edge gives them.

A sequential Monte Carlo walk from the prior (centre anywhere inside the bounds, every radius up to a limit, softness
as in `soft_edge`) to the posterior: at each stage the likelihood counts a little more, particles are resampled and
moved by differences of other particles. Unlike a profile likelihood, this is also right when trials pin the sphere
between hard walls, where the likelihood has no curvature that an interval could be made from.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hspkit.sphere.soft_edge import SOFTNESS, SOFTNESS_SD_LN, log_likelihood, log_prior

__all__ = ["draws"]

Array = NDArray[np.float64]

PARTICLES = 1200
#: Share of the particles that a stage leaves effective.
KEEP = 0.5
#: Moves per stage and after the last.
MOVES, LAST_MOVES = 3, 12
MOST_STAGES = 60


def _next_share(value: Array, share: float) -> float:
    """Return how much of the likelihood may count next so that `KEEP` of the particles stay effective."""

    def effective(step: float) -> float:
        weight = np.exp(step * (value - value.max()))
        return float(weight.sum() ** 2 / (weight**2).sum())

    low, high = 0.0, 1.0 - share
    if effective(high) >= KEEP * value.size:
        return 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if effective(middle) >= KEEP * value.size else (low, middle)
    return share + low


def draws(
    points: Array,
    kinds: NDArray[np.intp],
    width: float,
    low: Array,
    high: Array,
    most_radius: float,
    random_state: int | np.random.Generator | None,
) -> Array:
    """Return spheres (m, 5) of equal weight: centre, stretched, radius, ln softness.

    Parameters
    ----------
    points : ndarray of shape (n, 3)
        Trials, stretched. [MPa^0.5]
    kinds : ndarray of shape (n,)
        0 clear, 1 hazy, 2 splits. [-]
    width : float
        As in `soft_edge.probabilities`. [-]
    low, high : ndarray of shape (3,)
        Bounds of the centre, stretched. [MPa^0.5]
    most_radius : float
        Largest radius that is thought possible. [MPa^0.5]
    random_state : int, Generator or None
        Seed. [-]
    """
    rng = np.random.default_rng(random_state)
    spheres = np.empty((PARTICLES, 5))
    spheres[:, :3] = rng.uniform(low, high, (PARTICLES, 3))
    spheres[:, 3] = rng.uniform(0.0, most_radius, PARTICLES)
    spheres[:, 4] = rng.normal(np.log(SOFTNESS), SOFTNESS_SD_LN, PARTICLES)
    bottom, top = np.append(low, [0.0, -np.inf]), np.append(high, [most_radius, np.inf])
    value = log_likelihood(spheres, points, kinds, width)
    share = 0.0
    for _ in range(MOST_STAGES):
        following = _next_share(value, share)
        weight = np.exp((following - share) * (value - value.max()))
        places = (np.arange(PARTICLES) + rng.uniform()) / PARTICLES
        chosen = np.searchsorted(np.cumsum(weight) / weight.sum(), places)
        chosen = rng.permutation(np.minimum(chosen, PARTICLES - 1))
        spheres, value = spheres[chosen], value[chosen]
        share = following
        for _ in range(LAST_MOVES if share == 1.0 else MOVES):
            spheres, value = _move(spheres, value, share, points, kinds, width, bottom, top, rng)
        if share == 1.0:
            break
    return spheres


def _move(
    spheres: Array,
    value: Array,
    share: float,
    points: Array,
    kinds: NDArray[np.intp],
    width: float,
    bottom: Array,
    top: Array,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Move each half of the particles once along differences of the other half (Metropolis)."""
    spheres, value = spheres.copy(), value.copy()
    middle = PARTICLES // 2
    for mine, others in ((slice(0, middle), spheres[middle:]), (slice(middle, None), spheres[:middle])):
        here = spheres[mine]
        first = rng.integers(0, len(others), len(here))
        second = rng.integers(0, len(others), len(here))
        reach = np.array([0.2, 0.5, 1.0])[rng.integers(0, 3, len(here))]
        there = here + reach[:, None] * (others[first] - others[second])
        there += 1e-4 * rng.standard_normal(there.shape)
        legal = np.all((there >= bottom) & (there <= top), axis=1)
        new = np.full(len(here), -np.inf)
        new[legal] = log_likelihood(there[legal], points, kinds, width)
        gain = share * (new - value[mine]) + log_prior(there) - log_prior(here)
        accept = legal & (np.log(rng.uniform(size=len(here))) < gain)
        spheres[mine] = np.where(accept[:, None], there, here)
        value[mine] = np.where(accept, new, value[mine])
    return spheres, value
