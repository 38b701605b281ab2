"""Crystals against the ideal solubility equation, eutectics of textbooks, and a plain look along the line."""

import numpy as np
import pytest
from free_energy import random_sites
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from hspkit import phases
from hspkit.errors import InputError
from hspkit.phases.crystals import crystal_point, liquidus, ln_crystal

ALIKE = {"volumes": [120.0, 120.0], "hsp": [[17.0, 4.0, 8.0]] * 2}


def test_ideal_solubility_of_naphthalene():
    # Atkins, Physical Chemistry: it melts at 80.2 C with 19.1 kJ/mol; ideal mole fraction 0.31 at 25 C (memory)
    edge = ln_crystal(25.0, 80.2, 19100 / 353.35, heat_capacity=0.0)
    found = crystal_point([1, 0], [0, 1], **ALIKE, crystals=[np.inf, edge])
    assert found.fraction == pytest.approx(0.30, abs=0.015)
    assert found.component == 1


def test_the_activity_of_a_crystal_is_one_where_it_melts_and_less_below():
    temperatures = np.linspace(-60, 80, 15)
    values = ln_crystal(temperatures, 80.0, 55.0)
    assert ln_crystal(80.0, 80.0, 55.0) == 0
    assert (np.diff(values) > 0).all()
    assert (values[:-1] < 0).all()
    assert ln_crystal(25.0, np.nan, 55.0) == np.inf  # nothing is known to crystallise
    # the heat capacity lifts the crystal: d ln a/dT is the enthalpy over RT^2 at the melting point whatever it is
    slopes = [(ln_crystal(80.0, 80.0, 55.0, heat_capacity=c) - ln_crystal(79.99, 80.0, 55.0, heat_capacity=c)) / 0.01
              for c in (0.0, 0.5, 1.0)]  # fmt: skip
    assert_allclose(slopes, 55.0 / 8.314462618 / 353.15, rtol=1e-3)


def test_two_solids_melt_together_at_their_eutectic():
    """Ideal: x_1 and x_2 on both lines, x_1 + x_2 = 1, solved without the engine."""
    melting, entropy = np.array([42.0, 50.0]), np.array([38.0, 60.0])

    def ideal(celsius):
        return np.exp(ln_crystal(celsius, melting, entropy)).sum() - 1.0

    lowest = brentq(ideal, -50.0, 42.0)
    shares = np.linspace(0.01, 0.99, 197)
    found = liquidus(np.column_stack([1 - shares, shares]), ALIKE["volumes"], ALIKE["hsp"], melting, entropy)
    assert found.celsius.min() == pytest.approx(lowest, abs=0.2)
    assert set(found.component) == {0, 1}
    assert (np.diff(found.component) >= 0).all()  # one crystallises on one side, the other on the other
    assert found.celsius[0] == pytest.approx(42.0, abs=1.0)


def test_first_crystals_are_where_a_look_along_the_line_finds_them():
    rng = np.random.default_rng(3)
    seen = set()
    for _ in range(60):
        n = int(rng.integers(2, 6))
        volumes, sites = rng.uniform(60, 250, n), random_sites(rng, n)
        hsp = rng.normal([17, 5, 9], [1, 3, 5], (n, 3))
        start, added = rng.dirichlet(np.ones(n)), np.eye(n)[0]
        edge = np.where(rng.random(n) < 0.5, -rng.uniform(0.1, 6.0, n), np.inf)
        found = crystal_point(start, added, volumes, hsp, edge, sites=sites)
        share = np.linspace(0.0, 1.0, 2001)[:, None]
        ln = phases.ln_activity((1 - share) * start + share * added, volumes, hsp, sites=sites)
        beyond = (ln > edge).any(axis=1)
        seen.add(bool(found.crystallises))
        assert bool(found.crystallises) == bool(beyond.any())
        if beyond.any():
            assert float(found.fraction) == pytest.approx(share[beyond.argmax(), 0], abs=6e-4)
            there = (1 - found.fraction) * start + found.fraction * added
            if found.fraction > 0:
                ln = phases.ln_activity(there, volumes, hsp, sites=sites)
                assert (ln - edge).max() == pytest.approx(0.0, abs=1e-6)
                assert (ln - edge).argmax() == found.component
    assert seen == {True, False}


def test_questions_broadcast_like_a_loop():
    temperatures = np.array([5.0, 25.0, 40.0])
    edge = np.stack([[np.inf, ln_crystal(t, 60.0, 50.0)] for t in temperatures])
    together = crystal_point([1, 0], [0, 1], **ALIKE, crystals=edge, celsius=temperatures)
    for number, warmth in enumerate(temperatures):
        alone = crystal_point([1, 0], [0, 1], **ALIKE, crystals=edge[number], celsius=warmth)
        assert together.fraction[number] == pytest.approx(float(alone.fraction), rel=1e-12)


def test_no_crystals_down_to_the_coldest_is_said():
    found = liquidus([0.5, 0.5], **ALIKE, melting=[np.nan, -55.0], entropy=[np.nan, 50.0])
    assert np.isnan(found.celsius)
    assert found.component == -1


@pytest.mark.parametrize(
    ("melting", "entropy", "match"),
    [(-300.0, 50.0, "absolute zero"), (50.0, -1.0, "entropy"), ("warm", 50.0, "melting")],
)
def test_impossible_crystals_are_refused(melting, entropy, match):
    with pytest.raises(InputError, match=match):
        ln_crystal(25.0, melting, entropy)
