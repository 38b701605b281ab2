"""How good are fitted spheres, on synthetic truth? Run ``python -m hspkit.workshop.spheres``.

Liquids are drawn over the range of common liquids, a centre and a radius too, and outcomes with a hard or a soft edge.
Printed are the coverage of 90 % intervals (and, beside it, that of intervals from the profile likelihood), errors of
centre and radius, and the comparison with a general global optimiser on the same functions.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.sphere import soft_edge
from hspkit.sphere.descent import minimise
from hspkit.sphere.fit import MOST_RADIUS, SphereFit
from hspkit.sphere.trials import OUTCOMES

__all__ = ["Made", "make", "profile_interval", "versus_evolution"]

Array = NDArray[np.float64]

_STRETCH = np.array([2.0, 1.0, 1.0])
#: Half the 90 % point of chi squared with one degree of freedom.
_DROP = 1.3528


class Made(NamedTuple):
    """Synthetic trials: parameters (n, 3), outcomes as words (n,), and the truth: centre and radius (4,)."""

    hsp: Array
    outcomes: NDArray[np.object_]
    truth: Array


def make(n: int, softness: float, *, hazy: bool, random_state: int | np.random.Generator | None) -> Made:
    """Return synthetic trials of a sphere that is drawn; at least one of them is clear.

    Parameters
    ----------
    n : int
        Number of liquids. [-]
    softness : float
        Softness of the edge; 0 for a hard one, infinite for outcomes that have nothing to do with a sphere. [MPa^0.5]
    hazy : bool
        Whether `hazy` is an outcome. [-]
    random_state : int, Generator or None
        Seed. [-]

    Examples
    --------
    >>> make(12, 0.0, hazy=False, random_state=1).hsp.shape
    (12, 3)
    """
    rng = np.random.default_rng(random_state)
    hsp = rng.uniform([14, 0, 0], [21, 20, 28], (n, 3))
    truth = rng.uniform([15.5, 3, 3, 5], [18.5, 10, 14, 10])
    apart = np.sqrt((((hsp - truth[:3]) * _STRETCH) ** 2).sum(axis=1))
    width = soft_edge.HAZY_WIDTH if hazy else 0.0
    if np.isinf(softness):
        chance = np.tile([0.3, 0.2 * hazy, 0.7 - 0.2 * hazy], (n, 1))
    else:
        chance = soft_edge.probabilities(apart, truth[3:], np.array(max(softness, 1e-6)), width)
    kinds = (rng.random(n)[:, None] > chance.cumsum(axis=1)[:, :2]).sum(axis=1)
    if not np.any(kinds < 2):
        kinds[np.argmin(apart)] = 0
    return Made(hsp, np.array(OUTCOMES, dtype=object)[kinds], truth)


def profile_interval(made: Made, bounds: Array) -> Array:
    """Return 90 % intervals (4, 2) from the profile of the soft-edge likelihood, for comparison."""
    kinds = np.array([OUTCOMES.index(word) for word in made.outcomes])
    width = soft_edge.HAZY_WIDTH if np.any(kinds == 1) else 0.0
    points = made.hsp * _STRETCH
    question = soft_edge.problem(points, kinds, width)
    low = np.concatenate([bounds[:, 0] * _STRETCH, [0.0, -6.0]])
    high = np.concatenate([bounds[:, 1] * _STRETCH, [MOST_RADIUS, 6.0]])
    fit = SphereFit(criterion="likelihood").fit(made.hsp, made.outcomes)
    best = np.concatenate([fit.center_ * _STRETCH, [fit.radius_, np.log(fit.softness_)]])
    least = float(question(best[None])[0][0])
    found = np.empty((4, 2))
    for axis in range(4):
        values = np.clip(best[axis] + np.sinh(np.linspace(-4.5, 4.5, 91)) * 0.5, low[axis], high[axis])
        starts = np.tile(best, (len(values), 1))
        starts[:, axis] = values
        bottom, top = np.tile(low, (len(values), 1)), np.tile(high, (len(values), 1))
        bottom[:, axis] = top[:, axis] = values
        inside = values[question(minimise(question, starts, bottom, top, steps=30))[0] <= least + _DROP]
        found[axis] = inside.min(), inside.max()
    found[:3] /= _STRETCH[:, None]
    return found


def versus_evolution(made: Made, seed: int) -> tuple[float, float, float, float]:
    """Return mean error and seconds of `SphereFit`, then of scipy's differential evolution with a generous budget."""
    from scipy.optimize import differential_evolution

    start = time.perf_counter()
    fit = SphereFit(seed).fit(made.hsp, made.outcomes)
    took = time.perf_counter() - start
    kinds = np.array([OUTCOMES.index(word) for word in made.outcomes])

    def target(x: Array) -> float:
        over = np.sqrt((((made.hsp - x[:3]) * _STRETCH) ** 2).sum(axis=1)) - x[3]
        parts = np.select([kinds == 0, kinds == 2], [np.maximum(over, 0), np.maximum(-over, 0)], np.abs(over) / 2)
        return float(parts.mean())

    start = time.perf_counter()
    bounds = [*map(tuple, fit.bounds_), (0.0, 60.0)]
    other = differential_evolution(target, bounds, seed=seed, popsize=25, maxiter=600, tol=1e-10)
    theirs = time.perf_counter() - start
    return target(np.append(fit.center_, fit.radius_)), took, float(other.fun), theirs


def _coverage(sets: int, n: int, softness: float, hazy: bool) -> None:
    hits: list[NDArray[np.bool_]] = []
    profile: list[NDArray[np.bool_]] = []
    off: list[Array] = []
    for seed in range(sets):
        made = make(n, softness, hazy=hazy, random_state=seed)
        fit = SphereFit(seed).fit(made.hsp, made.outcomes)
        for intervals, bag in ((fit.interval(0.9), hits), (profile_interval(made, fit.bounds_), profile)):
            bag.append((intervals[:, 0] <= made.truth) & (made.truth <= intervals[:, 1]))
        middle = np.median(fit.spheres()[:, :4], axis=0)
        off.append(np.abs(np.array([np.append(fit.center_, fit.radius_), middle]) - made.truth))
    best, middle = np.median(off, axis=0)
    told = " / ".join(f"{x:.2f}" for x in best), " / ".join(f"{x:.2f}" for x in middle)
    edge = f"{softness:g}" + (", hazy too" if hazy else "")
    print(f"| {n} | {edge} | {np.mean(hits):.3f} | {np.mean(profile):.3f} | {told[0]} | {told[1]} |", flush=True)


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(prog="python -m hspkit.workshop.spheres", description=__doc__)
    parser.add_argument("--sets", type=int, default=150, help="data sets per line of coverage (default %(default)s)")
    parser.add_argument("--versus", type=int, default=20, help="data sets per line against scipy (default %(default)s)")
    options = parser.parse_args(arguments)
    print("Coverage of 90 % intervals, and median errors in dD / dP / dH / R0 [MPa^0.5]")
    print("| trials | softness | interval | profile likelihood | error of the best | error of the median |")
    print("|---|---|---|---|---|---|")
    for n, softness, hazy in ((20, 0.5, False), (30, 0.5, True), (60, 0.5, True), (100, 0.5, True), (40, 1.5, True)):
        _coverage(options.sets, n, softness, hazy)
    for n in (30, 100):
        _coverage(options.sets, n, 0.0, False)
    print("\nAgainst scipy.optimize.differential_evolution (popsize 25, maxiter 600, tol 1e-10), one run")
    print("| trials | softness | sets | largest (ours - theirs) | smallest | ours | theirs | ratio of sums |")
    print("|---|---|---|---|---|---|---|---|")
    for n, softness in ((30, 0.0), (30, 0.5), (60, 1.5), (100, 1.0), (40, np.inf)):
        rows = np.array(
            [
                versus_evolution(make(n, softness, hazy=bool(seed % 2), random_state=seed), seed)
                for seed in range(options.versus)
            ]
        )
        worse = rows[:, 0] - rows[:, 2]
        print(
            f"| {n} | {softness:g} | {len(rows)} | {worse.max():.1e} | {worse.min():.1e} "
            f"| {1e3 * np.median(rows[:, 1]):.0f} ms | {1e3 * np.median(rows[:, 3]):.0f} ms "
            f"| {rows[:, 3].sum() / rows[:, 1].sum():.0f} |",
            flush=True,
        )
    gaps = [SphereFit().fit(*make(60, 1.5, hazy=False, random_state=seed)[:2]).gap_ for seed in range(options.versus)]
    print(f"\nProof: largest gap over {len(gaps)} sets of 60 contradicting trials {max(gaps):.4f} MPa^0.5")


if __name__ == "__main__":
    main()
