"""Speed of the phase engine: rates and ratios measured in one run.

    OMP_NUM_THREADS=1 python -m pytest tests/benchmarks/test_phases_speed.py -m benchmark -s

Times are those of the processor, so that a busy machine changes little.
"""

import time

import numpy as np
import pandas as pd
import pytest

import hspkit
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


def test_spinodal_index_of_many_mixtures(figure, size):
    """The other way is to ask for one mixture after the other."""
    rng = np.random.default_rng(0)
    fractions = rng.dirichlet(np.ones(10), 200_000)
    _, volumes, hsp = oil_in_carrier(10, rng)
    rate = 200_000 / best(lambda: phases.spinodal_index(fractions, volumes, hsp), size(3, 1))
    draws = hsp + rng.normal(0, 0.5, (20_000, 10, 3))
    drawn = 20_000 / best(lambda: phases.spinodal_index(fractions[0], volumes, draws), 3)
    single = best(lambda: [phases.spinodal_index(row, volumes, hsp) for row in fractions[:200]], size(3, 1)) / 200
    figure("`spinodal_index`, mixtures of 10 components", "the clock", rate, "mixtures/s", least=200_000)
    figure("`spinodal_index`, draws of the parameters of 10 components", "the clock", drawn, "draws/s")
    bonding = hspkit.oil("peppermint, steam-distilled").substances[:9]
    sites = phases.Sites.joined([one.sites for one in (hspkit.substance("propylene glycol"), *bonding)])
    bonds = 200_000 / best(lambda: phases.spinodal_index(fractions, volumes, hsp, sites=sites), size(3, 1))
    figure("`spinodal_index` with hydrogen bonds, 10 components", "the clock", bonds, "mixtures/s", least=200_000)
    figure("200,000 mixtures in one call", "one call a mixture", rate * single, "times as fast")


def test_stable_against_a_flash_with_unifac(flash_seconds, figure, size):
    compositions = np.random.default_rng(0).dirichlet(np.ones(3), 1000)
    ours = best(lambda: phases.stable(compositions, VOLUMES, HSP), size(5, 1)) / 1000
    split = best(lambda: phases.split(compositions, VOLUMES, HSP), size(3, 1)) / 1000
    theirs = f"a flash by `thermo`, two liquids with UNIFAC, {1e3 * flash_seconds:.1f} ms"
    figure(f"`stable` on ternaries, {1e6 * ours:.1f} us", theirs, flash_seconds / ours, "times as fast", least=100)
    figure(f"`split` on ternaries, {1e6 * split:.0f} us", theirs, flash_seconds / split, "times as fast")
    sites = phases.Sites.joined([hspkit.substance(name).sites for name in ("limonene", "ethanol", "water")])
    bonds = best(lambda: phases.stable(compositions, VOLUMES, HSP, sites=sites), size(5, 1)) / 1000
    split = best(lambda: phases.split(compositions, VOLUMES, HSP, sites=sites), size(3, 1)) / 1000
    name = f"`stable` with hydrogen bonds on ternaries, {1e6 * bonds:.1f} us"
    figure(name, theirs, flash_seconds / bonds, "times as fast", least=300)
    figure(f"`split` with them, {1e6 * split:.0f} us", theirs, flash_seconds / split, "times as fast")


def test_ternary_diagram(flash_seconds, figure, size):
    seconds = best(lambda: phases.ternary_diagram(VOLUMES, HSP), size(3, 1))
    figure("ternary diagram in steps of 1 %", "the clock", seconds, "s", most=1.0)
    figure(
        "the same", "its 5,151 mixtures, one flash by `thermo` each", 5151 * flash_seconds / seconds, "times as fast"
    )


#: Carriers that may be eaten, the alcohol they replace, and blends of them, half and half or in thirds by volume.
CARRIERS = (
    "propylene glycol",
    "glycerol",
    "triacetin",
    "triethyl citrate",
    "1,3-propanediol",
    "benzyl alcohol",
    "MCT",
    "ethanol 40 % vol",
    "ethanol 96 % vol",
    "propylene glycol + triacetin",
    "MCT + triacetin",
    "propylene glycol + triethyl citrate + benzyl alcohol",
)


def liquid(name):
    """Return a carrier, or the blend of equal volumes of several."""
    parts = name.split(" + ")
    return hspkit.Blend(dict.fromkeys(parts, 1 / len(parts)), basis="volume") if parts[1:] else hspkit.carrier(name)


def test_dissolve_of_an_oil_of_twenty_components(flash_seconds, figure, size):
    oils = [hspkit.oil(name) for name in ("lime, steam-distilled", "peppermint, steam-distilled")]
    members = list(dict.fromkeys(member.name for one in oils for member in one.substances))[:20]
    table = pd.DataFrame({"name": members, "percent": np.linspace(9, 1, 20)})
    made = hspkit.Oil.from_table(table, name="twenty components")
    assert len(made.substances) == 20
    liquids = {name: liquid(name) for name in CARRIERS}
    times = {name: best(lambda one=one: hspkit.dissolve(made, one), size(9, 1)) for name, one in liquids.items()}
    for name, seconds in times.items():
        figure(f"`dissolve` of an oil of 20 components, 64 draws, in {name}", "the clock", 1e3 * seconds, "ms")
    median, slowest = np.median(list(times.values())), max(times, key=times.get)
    figure(f"the same, slowest of them, {slowest}", "the clock", 1e3 * times[slowest], "ms")
    figure("the same, median", "a flash of 3 components by `thermo`", median / flash_seconds, "times the time")
    figure("the same, median of these carriers", "the clock", 1e3 * median, "ms", most=20.0)


def test_cost_grows_no_faster_than_the_components(figure, size):
    rng = np.random.default_rng(1)
    times = {}
    number = size(2000, 20)
    for n in (10, 20, 40, 80):
        _, volumes, hsp = oil_in_carrier(n, rng)
        fractions = rng.dirichlet(np.ones(n), number)
        # an interaction at which verdicts are far from turning: the second look tries every component
        alpha = 0.5 / np.median(phases.binodal_index(fractions[:50], volumes, hsp, alpha=1.0))
        spinodal = best(lambda f=fractions, v=volumes, h=hsp: phases.spinodal_index(f, v, h))
        verdict = best(lambda f=fractions, v=volumes, h=hsp, a=alpha: phases.stable(f, v, h, alpha=a), 3)
        times[n] = (spinodal, verdict)
    for column, name in enumerate(("spinodal_index", "stable")):
        small, large = times[10][column] / number, times[80][column] / number
        figure(
            f"`{name}`, 80 components, {1e6 * large:.1f} us",
            f"10 components, {1e6 * small:.1f} us",
            large / small,
            "times the time",
            most=12.0,
        )


def test_single_calls_of_an_oil_of_twenty_components(figure, size):
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
    for name, call in calls.items():
        figure(f"one call of an oil of 20 components: {name}", "the clock", 1e3 * best(call, size(5, 1)), "ms")
