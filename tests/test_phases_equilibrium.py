"""The Gibbs energy of several phases and its way down: against the free energy pair by pair, and differences."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from hspkit.phases.equilibrium import Phases, minimise
from hspkit.phases.mixture import gather
from hspkit.phases.search import fluctuation
from hspkit.phases.splitting import _FIRST_AMOUNTS, _first_guess, _tidy
from hspkit.phases.tilts import covariance, modes

COUNT, N = 3, 5


def question(rank, shared, *, absent=False):
    """Three mixtures of five liquids, of one set of parameters or of three."""
    rng = np.random.default_rng(rank + shared)
    own = () if shared else (COUNT,)
    hsp = rng.normal([17, 5, 9], [1, 3, 5], (*own, N, 3))
    if rank == 5:
        hsp = np.concatenate([hsp, rng.uniform(0, 6, (*own, N, 2))], axis=-1)
    fractions = rng.dirichlet(np.ones(N), COUNT)
    if absent:
        fractions[0, 1] = 0.0
        fractions /= fractions.sum(axis=-1, keepdims=True)
    return gather(fractions, rng.uniform(60, 250, (*own, N)), hsp, alpha=0.6)


def free_energy(parts, row, mixtures):
    """g of phases (P, n) of which so much each is there, summed, in RT: the pair sum over squared differences."""
    sizes, points = (np.broadcast_to(x, (COUNT, *x.shape[1:]))[row] for x in (mixtures.volumes, mixtures.points))
    signs = np.array([1.0, 1, 1, 1, -1])[: points.shape[-1]]
    contact = ((points[:, None] - points[None]) ** 2 * signs).sum(axis=-1)
    strength = np.broadcast_to(mixtures.strength, COUNT)[row]
    total = 0.0
    for part in parts:
        amount = part.sum()
        own = part / amount
        mixing = sum(f / v * np.log(f) for f, v in zip(own, sizes, strict=True) if f > 0)
        total += amount * (mixing + 0.5 * strength * own @ contact @ own)
    return total


CASES = [(3, True), (3, False), (5, True), (5, False)]


@pytest.mark.parametrize(("rank", "shared"), CASES)
@pytest.mark.parametrize("others", [1, 2])
def test_energy_balance_and_slopes_of_any_phases(rank, shared, others):
    mixtures = question(rank, shared, absent=True)
    engine = Phases(mixtures)
    rng = np.random.default_rng(others)
    u = rng.normal(0, [1.0, 0.003, *[0.001] * rank], (COUNT, others, rank + 2))
    energy, residual, gap, volumes, moments = engine.state(u)
    assert_allclose(volumes.sum(axis=1), mixtures.fractions, rtol=1e-12)
    for row in range(COUNT):
        whole = free_energy(mixtures.fractions[row][None], row, mixtures)
        assert energy[row] == pytest.approx(free_energy(volumes[row], row, mixtures) - whole, abs=1e-10)
    matrix = engine.jacobian(volumes, moments)
    for column in range(u[0].size):
        step = np.zeros(u[0].size)
        step[column] = 1e-5 * (1.0 if column % (rank + 2) == 0 else 1e-2)
        up, down = (engine.state(u + sign * step.reshape(u[0].shape))[1] for sign in (1, -1))
        slope = (up - down).reshape(COUNT, -1) / (2 * step[column])
        assert_allclose(matrix[:, :, column], slope, rtol=1e-5, atol=1e-5 * np.abs(slope).max())
    # the gap is the largest difference of a potential: mu_i = ln phi_i + 1 - V_i S + V_i a (...), from differences of g
    for row in range(COUNT):
        there = np.flatnonzero(mixtures.fractions[row])
        potentials = np.zeros((others + 1, there.size))
        for phase in range(others + 1):
            for place, i in enumerate(there):
                ends = []
                for sign in (1, -1):
                    moved = volumes[row, phase].copy()
                    moved[i] *= 1 + sign * 1e-4
                    ends.append(free_energy(moved[None], row, mixtures))
                sizes = np.broadcast_to(mixtures.volumes, (COUNT, N))[row]
                potentials[phase, place] = sizes[i] * (ends[0] - ends[1]) / (2e-4 * volumes[row, phase, i])
        assert gap[row] == pytest.approx(np.abs(potentials[1:] - potentials[0]).max(), rel=1e-3, abs=1e-4)
    # some of the mixtures by themselves
    rows = np.array([2, 0])
    assert_allclose(engine.take(rows).state(u[rows])[0], energy[rows], rtol=1e-13)
    assert_allclose(residual, u - engine.implied(moments), rtol=1e-13)


@pytest.mark.parametrize(("rank", "shared"), CASES)
def test_the_way_down_ends_where_all_slopes_vanish_and_no_higher_than_it_began(rank, shared):
    mixtures = question(rank, shared)
    local = 2.0 * mixtures.strength * modes(covariance(mixtures))[0][:, -1]
    mixtures = replace(mixtures, strength=np.broadcast_to(mixtures.strength, COUNT) * 1.4 / local)
    engine = Phases(mixtures)
    trial = fluctuation(mixtures)
    # the trial phase lies below the tangent plane of the mixture: its index, gain to cost, is above 1
    assert (trial.value > 1.0).all()
    start, worth = _first_guess(engine, trial)
    assert worth.all()
    # of the amounts of the trial phase that are tried, the one of the lowest Gibbs energy
    every = np.repeat(start[None], len(_FIRST_AMOUNTS), axis=0)
    every[:, :, 0, 0] = np.log(_FIRST_AMOUNTS / (1.0 - _FIRST_AMOUNTS))[:, None]
    energies = np.array([engine.state(one)[0] for one in every])
    assert_allclose(engine.state(start)[0], energies.min(axis=0), rtol=1e-12)
    assert (energies.min(axis=0) < 0).all()
    u, gap, volumes = minimise(engine, start)
    energy, residual, again, found, _ = engine.state(u)
    assert (gap < 1e-8).all()
    assert_allclose(again, gap, atol=1e-12)
    assert_allclose(found, volumes, rtol=1e-12)
    assert np.abs(residual[..., 1:]).max() < 1e-9
    assert (energy < energies.min(axis=0) + 1e-14).all()
    # every small move, whatever it is, costs energy
    rng = np.random.default_rng(1)
    for _ in range(20):
        moved = u + rng.normal(0, [1e-2, 1e-5, *[1e-5] * rank], u.shape)
        assert (engine.state(moved)[0] > energy - 1e-14).all()


def test_phases_of_one_composition_are_one_and_vanished_ones_none():
    first, second = np.array([0.2, 0.3]), np.array([0.4, 0.1])
    both, changed = _tidy(np.array([first, second, 1e-14 * second, 0.5 * first]))
    assert changed
    assert_allclose(both, [1.5 * first, second], rtol=1e-12)
    same, changed = _tidy(np.array([first, second]))
    assert not changed
    assert_allclose(same, [first, second])
