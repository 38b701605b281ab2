"""How fast blends are found; run with ``python -m pytest tests/benchmarks/test_blending_speed.py -m benchmark -s``.

Speeds are ratios of processor times measured in the same run on one core.
"""

import time

import numpy as np
import pytest
from scipy.optimize import minimize

import hspkit
from hspkit.blending.supports import solve_supports
from hspkit.carriers import Carrier
from hspkit.substances import substance

pytestmark = pytest.mark.benchmark

WEIGHTS = np.array([2.0, 1.0, 1.0])
SAMPLE = 300
EXTRA = [
    "acetone",
    "1-butanol",
    "toluene",
    "cyclohexane",
    "limonene",
    "methanol",
    "1-octanol",
    "diethyl ether",
    "acetic acid",
]


def _spent(job, repeats=3):
    """Return the least processor time of some runs, and the result."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        result = job()
        times.append(time.process_time() - start)
    return min(times), result


def _random_problem(seed, tightness):
    rng = np.random.default_rng(seed)
    n = 60
    points = (rng.uniform([15, 1, 3], [20, 14, 28], (n, 3)) - np.array([17.1, 4.0, 9.0])) * WEIGHTS
    rows = rng.uniform(0, 1, (6, n))
    bounds = np.quantile(rows, tightness, axis=1)
    size = np.maximum(np.abs(rows).max(axis=1), bounds)
    return points, rows / size[:, None], bounds / size


def _slsqp(points, rows, bounds):
    size = len(points)
    return minimize(
        lambda x: np.sum((x @ points) ** 2),
        np.full(size, 1.0 / size),
        jac=lambda x: 2 * points @ (x @ points),
        method="SLSQP",
        bounds=[(0, 1)] * size,
        constraints=[
            {"type": "eq", "fun": lambda x: x.sum() - 1, "jac": lambda x: np.ones(size)},
            {"type": "ineq", "fun": lambda x: bounds - rows @ x, "jac": lambda x: -rows},
        ],
    )


def test_every_pair_and_triple_of_60_carriers(figure, size):
    """Limits from tight (few supports keep to them) to loose (nearly all do, and SLSQP has the least to do)."""
    mine = others = 0.0
    for tightness in (0.4, 0.6, 0.8):
        points, rows, bounds = _random_problem(0, tightness)
        ours, solved = _spent(lambda p=points, r=rows, b=bounds: solve_supports([p], r, b, 3), repeats=size(5, 1))
        supports = [row for one in solved[1:] for row in one.supports]
        picked = np.random.default_rng(1).choice(len(supports), size(SAMPLE, 5), replace=False)
        sample = [supports[i] for i in picked]
        theirs, _ = _spent(
            lambda p=points, r=rows, b=bounds, s=sample: [_slsqp(p[i], r[:, i], b) for i in s], repeats=size(2, 1)
        )
        whole = theirs / len(sample) * len(supports)
        possible = sum(int(np.isfinite(one.closed).sum()) for one in solved[1:])
        print(
            f"\n{len(supports)} supports, 6 limits, {possible} possible: {ours:.3f} s; SLSQP on {len(sample)} of them "
            f"{theirs:.2f} s, so {whole:.0f} s for all: {whole / ours:.0f} times faster"
        )
        assert len(supports) == 35_990
        mine, others = mine + ours, others + whole
    figure("the best of each of 35,990 pairs and triples of 60 carriers", "the clock", mine / 3, "s", most=1.0)
    figure(
        "the same, mean of tight, middling and loose limits",
        f"scipy's SLSQP on each, from {len(sample)} of them",
        others / mine,
        "times as fast",
        least=200,
    )


def test_clear_over_all_pairs_of_30_carriers(figure, size):
    roles = hspkit.carriers()
    names = list(roles.loc[roles["role"] != "not for ingestion", "carrier"])
    liquids = [hspkit.carrier(name) for name in names]
    for extra in (Carrier.of(substance(name)) for name in EXTRA):
        if len(liquids) < 30 and not extra.not_for_ingestion:
            liquids.append(extra)
    assert len(liquids) == 30

    def job():
        return hspkit.best_blend(
            "sweet orange, cold-pressed", liquids, max_carriers=2, objective="clear", increments_percent=5, keep=5
        )

    spent, search = _spent(job, repeats=size(2, 1))
    seen = search.certificate.supports_examined
    assert seen == 465
    figure("`best_blend(objective='clear')`, all pairs of 30 carriers, steps of 5 %", "the clock", spent, "s", most=3.0)


def test_clear_over_all_triples_that_ship(figure):
    spent, search = _spent(lambda: hspkit.best_blend("clove, bud", objective="clear", increments_percent=5, keep=5), 1)
    seen = search.certificate.supports_examined
    figure(f"the same, {seen:,} sets of at most 3 of the carriers that ship", "the clock", spent, "s", most=20.0)
