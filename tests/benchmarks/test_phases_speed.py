"""Speed of the phase engine: rates and ratios measured in one run.

    OMP_NUM_THREADS=1 python -m pytest tests/benchmarks/test_phases_speed.py -m benchmark -s

Times are those of the processor, so that a busy machine changes little.
"""

import time
import warnings

import numpy as np
import pytest

from hspkit import phases

pytestmark = pytest.mark.benchmark

# Hansen's handbook values for limonene, ethanol, water (from memory): speed does not depend on the last digit
HSP = np.array([[17.2, 1.8, 4.3], [15.8, 8.8, 19.4], [15.5, 16.0, 42.3]])
VOLUMES = np.array([162.9, 58.5, 18.0])


def best(function, repeat=5):
    """Smallest processor time of some runs [s]."""
    times = []
    for _ in range(repeat):
        start = time.process_time()
        function()
        times.append(time.process_time() - start)
    return min(times)


def oil_in_carrier(n, rng):
    """One carrier and n - 1 components of an oil, 2 + 1 by volume."""
    hsp = rng.normal([17, 3, 6], [0.5, 1.5, 3], (n, 3))
    hsp[0] = [16.0, 9.0, 20.0]
    volumes = np.append(73.0, rng.uniform(100, 220, n - 1))
    return np.append(2 / 3, rng.dirichlet(np.ones(n - 1)) / 3), volumes, hsp


def test_spinodal_index_of_many_mixtures():
    rng = np.random.default_rng(0)
    fractions = rng.dirichlet(np.ones(10), 200_000)
    _, volumes, hsp = oil_in_carrier(10, rng)
    rate = 200_000 / best(lambda: phases.spinodal_index(fractions, volumes, hsp), 3)
    draws = hsp + rng.normal(0, 0.5, (20_000, 10, 3))
    drawn = 20_000 / best(lambda: phases.spinodal_index(fractions[0], volumes, draws), 3)
    print(f"\nspinodal_index, 10 components: {rate:,.0f} mixtures/s; {drawn:,.0f} draws of parameters/s")
    assert rate > 200_000


def test_stable_against_a_flash_with_unifac():
    thermo = pytest.importorskip("thermo")
    rng = np.random.default_rng(0)
    compositions = rng.dirichlet(np.ones(3), 1000)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        constants, properties = thermo.ChemicalConstantsPackage.from_IDs(["limonene", "ethanol", "water"])
        excess = thermo.UNIFAC.from_subgroups(
            T=298.15, xs=[0.1, 0.4, 0.5], chemgroups=constants.UNIFAC_groups, version=0
        )
        state = {"T": 298.15, "P": 3e5, "zs": [0.1, 0.4, 0.5]}
        liquid = thermo.GibbsExcessLiquid(
            VaporPressures=properties.VaporPressures,
            VolumeLiquids=properties.VolumeLiquids,
            HeatCapacityGases=properties.HeatCapacityGases,
            GibbsExcessModel=excess,
            **state,
        )
        gas = thermo.CEOSGas(
            thermo.PRMIX,
            {"Tcs": constants.Tcs, "Pcs": constants.Pcs, "omegas": constants.omegas},
            HeatCapacityGases=properties.HeatCapacityGases,
            **state,
        )
        flasher = thermo.FlashVLN(constants, properties, liquids=[liquid, liquid], gas=gas)
        some = [list(z) for z in compositions[:20]]
        flasher.flash(T=298.15, P=3e5, zs=some[0])
        theirs = best(lambda: [flasher.flash(T=298.15, P=3e5, zs=z) for z in some], 1) / len(some)
    ours = best(lambda: phases.stable(compositions, VOLUMES, HSP)) / 1000
    split = best(lambda: phases.split(compositions, VOLUMES, HSP), 3) / 1000
    print(
        f"\nternary, per mixture: flash with UNIFAC {1e3 * theirs:.1f} ms; stable {1e6 * ours:.1f} us"
        f" ({theirs / ours:,.0f} x); split {1e6 * split:.0f} us ({theirs / split:,.0f} x)"
    )
    assert theirs > 100 * ours


def test_ternary_diagram():
    seconds = best(lambda: phases.ternary_diagram(VOLUMES, HSP), 3)
    print(f"\nternary diagram at 1 % steps: {seconds:.2f} s")
    assert seconds < 1.0


def test_cost_grows_no_faster_than_the_components():
    rng = np.random.default_rng(1)
    times = {}
    for n in (10, 20, 40, 80):
        _, volumes, hsp = oil_in_carrier(n, rng)
        fractions = rng.dirichlet(np.ones(n), 2000)
        # an interaction at which verdicts are far from turning: the second look tries every component
        alpha = 0.5 / np.median(phases.binodal_index(fractions[:50], volumes, hsp, alpha=1.0))
        spinodal = best(lambda f=fractions, v=volumes, h=hsp: phases.spinodal_index(f, v, h))
        verdict = best(lambda f=fractions, v=volumes, h=hsp, a=alpha: phases.stable(f, v, h, alpha=a), 3)
        times[n] = (spinodal, verdict)
    print("\ncomponents: us per mixture of spinodal_index, stable")
    for n, (spinodal, verdict) in times.items():
        print(f"{n:10d}: {1e6 * spinodal / 2000:8.2f} {1e6 * verdict / 2000:8.1f}")
    for column in (0, 1):
        assert times[80][column] < 1.5 * 8 * times[10][column]


def test_single_calls_of_an_oil_of_twenty_components():
    rng = np.random.default_rng(2)
    f, volumes, hsp = oil_in_carrier(21, rng)
    draws = hsp + rng.normal(0, 0.7, (200, 21, 3))
    water = ([15.5, 16.0, 42.3], 18.0)
    wide_hsp, wide_volumes = np.vstack([hsp, water[0]]), np.append(volumes, water[1])
    carrier, oil = np.eye(22)[0], np.append(0.0, np.append(f[1:] / f[1:].sum(), 0.0))
    mixed = np.append(f, 0.0)
    calls = {
        "spinodal_index": lambda: phases.spinodal_index(f, volumes, hsp),
        "stable": lambda: phases.stable(f, volumes, hsp),
        "binodal_index": lambda: phases.binodal_index(f, volumes, hsp),
        "binodal_details": lambda: phases.binodal_details(f, volumes, hsp),
        "stable, 200 draws": lambda: phases.stable(f, volumes, draws),
        "binodal_index, 200 draws": lambda: phases.binodal_index(f, volumes, draws),
        "binodal_index_of_draws, 200": lambda: phases.binodal_index_of_draws(f, volumes, hsp, volumes, draws),
        "split": lambda: phases.split(f, volumes, hsp, alpha=0.9),
        "cloud_point, oil into carrier": lambda: phases.cloud_point(carrier, oil, wide_volumes, wide_hsp),
        "cloud_point, water into mixture": lambda: phases.cloud_point(mixed, np.eye(22)[-1], wide_volumes, wide_hsp),
    }
    print()
    times = {name: best(call) for name, call in calls.items()}
    for name, seconds in times.items():
        print(f"{name:32s} {1e3 * seconds:8.2f} ms")
    assert times["spinodal_index"] < 1e-3
