"""The Gibbs energy of several phases and its way down: against the free energy written out, and differences."""

import numpy as np
import pytest
from free_energy import energy, random_question, single
from numpy.testing import assert_allclose

from hspkit.phases.equilibrium import Phases, minimise
from hspkit.phases.search import fluctuation, local_index
from hspkit.phases.splitting import _FIRST_AMOUNTS, _first_guess, _tidy

COUNT, N = 3, 5
CASES = [(False, True), (False, False), (True, True), (True, False)]


def question(sites, shared, *, absent=False):
    """Three mixtures of five liquids, of one set of liquids or of three."""
    return random_question(3 + sites + shared, COUNT, N, sites=sites, shared=shared, absent=absent)


def total_energy(parts, row, mixtures):
    """g of phases (P, n) of which so much each is there, summed, in RT."""
    liquids, there = single(mixtures, row)
    return sum(part.sum() * energy(liquids, part[there] / part.sum()) for part in parts)


@pytest.mark.parametrize(("sites", "shared"), CASES)
@pytest.mark.parametrize("others", [1, 2])
def test_energy_balance_and_slopes_of_any_phases(sites, shared, others):
    mixtures = question(sites, shared, absent=True)
    engine = Phases(mixtures)
    r = engine.feed.rank
    rng = np.random.default_rng(others)
    u = rng.normal(0, [1.0, 0.003, *[0.001] * r, 0, 0], (COUNT, others + 1, r + 4))
    u[:, 0] = 0.0  # the first phase is what the others are compared with
    u[..., r + 2 :] = engine.feed.bonds[:, None, :] * rng.uniform(0.7, 1.5, (COUNT, others + 1, 2))
    state = engine.state(u)
    assert_allclose(state.volumes.sum(axis=1), mixtures.fractions, rtol=1e-12)
    for row in range(COUNT):
        whole = total_energy(mixtures.fractions[row][None], row, mixtures)
        expected = total_energy(state.volumes[row], row, mixtures) - whole
        assert state.energy[row] == pytest.approx(expected, abs=1e-9)
    matrix, residual = engine.jacobian(state)
    free = np.arange(u[0].size)[r + 2 :]
    assert_allclose(residual, state.residual.reshape(COUNT, -1)[:, free], rtol=1e-12)
    for column, place in enumerate(free):
        step = np.zeros(u[0].size)
        size = 1e-6 * max(1.0 if place % (r + 4) == 0 else 1e-2, np.abs(u.reshape(COUNT, -1)[:, place]).max())
        step[place] = size
        up, down = (engine.state(u + sign * step.reshape(u[0].shape)).residual for sign in (1, -1))
        slope = ((up - down).reshape(COUNT, -1) / (2 * size))[:, free]
        assert_allclose(matrix[:, :, column], slope, rtol=1e-4, atol=1e-5 * np.abs(slope).max())
    # some of the mixtures by themselves
    rows = np.array([2, 0])
    assert_allclose(engine.take(rows).state(u[rows]).energy, state.energy[rows], rtol=1e-12)


@pytest.mark.parametrize(("sites", "shared"), CASES)
def test_the_way_down_ends_where_all_slopes_vanish_and_no_higher_than_it_began(sites, shared):
    mixtures = question(sites, shared)
    mixtures = mixtures.times(1.4 / local_index(mixtures))
    engine = Phases(mixtures)
    start, worth = _first_guess(engine, fluctuation(mixtures))
    assert worth.all()
    # of the amounts of the trial phase that are tried, the one of the lowest Gibbs energy
    every = np.repeat(start[None], len(_FIRST_AMOUNTS), axis=0)
    every[:, :, 1, 0] = np.log(_FIRST_AMOUNTS / (1.0 - _FIRST_AMOUNTS))[:, None]
    energies = np.array([engine.state(one).energy for one in every])
    assert_allclose(engine.state(start).energy, energies.min(axis=0), rtol=1e-12)
    assert (energies.min(axis=0) < 0).all()
    state = minimise(engine, start)
    again = engine.state(state.numbers)
    assert (state.gap < 1e-8).all()
    assert_allclose(again.volumes, state.volumes, rtol=1e-9, atol=1e-13)
    assert (state.energy < energies.min(axis=0) + 1e-14).all()
    # every small move of what is in the phases, whatever it is, costs energy
    rng = np.random.default_rng(1)
    for row in range(COUNT):
        lowest = total_energy(state.volumes[row], row, mixtures)
        for _ in range(20):
            moved = state.volumes[row] * np.exp(rng.normal(0, 1e-2, state.volumes[row].shape))
            moved *= mixtures.fractions[row] / moved.sum(axis=0)
            assert total_energy(moved, row, mixtures) > lowest - 1e-12


def test_phases_of_one_composition_are_one_and_vanished_ones_none():
    first, second = np.array([0.2, 0.3]), np.array([0.4, 0.1])
    both, changed = _tidy(np.array([first, second, 1e-14 * second, 0.5 * first]))
    assert changed
    assert_allclose(both, [1.5 * first, second], rtol=1e-12)
    same, changed = _tidy(np.array([first, second]))
    assert not changed
    assert_allclose(same, [first, second])
