"""A sphere from trials against a general global optimiser on the same function, one run; times of the processor."""

import time

import numpy as np
import pytest

from hspkit import SphereFit
from hspkit.sphere import OUTCOMES

STRETCH = np.array([2.0, 1.0, 1.0])


def _trials(seed, n, noise):
    rng = np.random.default_rng(seed)
    hsp = rng.uniform([14, 0, 0], [21, 20, 28], (n, 3))
    apart = np.sqrt((((hsp - [17, 7, 9]) * STRETCH) ** 2).sum(axis=1))
    return hsp, np.where(apart + noise * rng.standard_normal(n) < 8.0, 0, 2)


@pytest.mark.benchmark
def test_100_trials_take_less_than_100_ms(figure, size):
    took = []
    for seed in range(size(7, 1)):
        hsp, kinds = _trials(seed, 100, 1.5)
        words = np.array(OUTCOMES)[kinds]
        start = time.process_time()
        SphereFit().fit(hsp, words)
        took.append(time.process_time() - start)
    figure("`SphereFit` to 100 trials, median", "the clock", 1e3 * np.median(took), "ms", most=100.0)


@pytest.mark.slow
@pytest.mark.benchmark
def test_50_times_faster_than_differential_evolution(figure, size):
    from scipy.optimize import differential_evolution

    ours = theirs = 0.0
    for seed in range(size(5, 1)):
        hsp, kinds = _trials(seed, 40, 3.0)
        start = time.process_time()
        fit = SphereFit().fit(hsp, np.array(OUTCOMES)[kinds])
        ours += time.process_time() - start
        sign = np.where(kinds == 0, 1.0, -1.0)

        def target(x, hsp=hsp, sign=sign):
            apart = np.sqrt((((hsp - x[:3]) * STRETCH) ** 2).sum(axis=1))
            return np.maximum(sign * (apart - x[3]), 0.0).mean()

        start = time.process_time()
        found = differential_evolution(
            target, [*map(tuple, fit.bounds_), (0.0, 60.0)], seed=seed, popsize=25, maxiter=size(1000, 3), tol=0
        )
        theirs += time.process_time() - start
        assert -np.log(fit.desirability_) <= found.fun + 1e-7
    figure(
        f"`SphereFit` to 40 trials, {1e3 * ours / size(5, 1):.0f} ms",
        "scipy's differential evolution, 1,000 iterations, on the same function",
        theirs / ours,
        "times as fast",
        least=50,
    )
