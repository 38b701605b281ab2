"""The verdict on mixtures with hydrogen bonds: a plain search, written without the engine, never finds more."""

import numpy as np
import pytest
from free_energy import random_sites

from hspkit import phases
from hspkit.phases.mixture import gather

#: A verdict may differ where the index is this close to 1.
DISTANCE = 1e-4


def bonds(donors, acceptors, strong, weak):
    """A and D (...) of phases with these densities of sites (..., k), (..., l), by bisection."""
    high = (acceptors * weak).sum(axis=-1)
    low = np.zeros_like(high)
    for _ in range(100):
        a = 0.5 * (low + high)
        d = (donors * strong / (1 + strong * a[..., None])).sum(axis=-1)
        above = (acceptors * weak / (1 + weak * d[..., None])).sum(axis=-1) > a
        low, high = np.where(above, a, low), np.where(above, high, a)
    return a, d


def bond_energy(donors, acceptors, strong, weak):
    a, d = bonds(donors, acceptors, strong, weak)
    free = np.concatenate([1 / (1 + strong * a[..., None]), 1 / (1 + weak * d[..., None])], axis=-1)
    return (np.concatenate([donors, acceptors], axis=-1) * (np.log(free) + (1 - free) / 2)).sum(axis=-1)


def gain_and_cost(mixtures, trials):
    """Energy below and entropy above the tangent plane (b, s) of trial phases (b, s, n), by the definitions."""
    phi, sizes = mixtures.fractions[:, None, :], mixtures.volumes[:, None, :]
    strong, weak = mixtures.donor_strengths[:, None, :], mixtures.acceptor_strengths[:, None, :]

    def energy(w):
        return bond_energy(w @ mixtures.donors, w @ mixtures.acceptors, strong, weak)

    a, d = bonds(phi @ mixtures.donors, phi @ mixtures.acceptors, strong, weak)
    tilt = -np.log1p(strong * a[..., None]) @ mixtures.donors.swapaxes(1, 2)
    tilt = tilt - np.log1p(weak * d[..., None]) @ mixtures.acceptors.swapaxes(1, 2)
    change = trials - phi
    contact = ((mixtures.points[:, :, None] - mixtures.points[:, None]) ** 2).sum(axis=-1)
    gain = -0.5 * ((change @ contact) * change).sum(axis=-1)
    gain = gain - (energy(trials) - energy(phi) - (tilt * change).sum(axis=-1))
    logs = np.where(trials > 0, trials * np.log(np.where(trials > 0, trials, 1.0) / phi), 0.0)
    return gain, ((logs - change) / sizes).sum(axis=-1)


def plain_index(mixtures, rng, rounds=12):
    """Largest ratio found among random phases, and phases around the best of them, nearer and nearer."""
    count, n = mixtures.fractions.shape
    pure = np.broadcast_to(0.9 * np.eye(n), (count, n, n)) + 0.1 * mixtures.fractions[:, None, :]
    w = np.concatenate([rng.dirichlet(np.full(n, 0.3), (count, 40)), pure], axis=1)
    best, value, width = mixtures.fractions, np.zeros(count), 1.0
    for _ in range(rounds):
        gain, cost = gain_and_cost(mixtures, w)
        ratio = np.where(cost > 1e-7, gain / np.maximum(cost, 1e-300), 0.0)  # closer by, rounding decides
        pick = ratio.argmax(axis=1)
        better = ratio.max(axis=1) > value
        best = np.where(better[:, None], w[np.arange(count), pick], best)
        value = np.maximum(value, ratio.max(axis=1))
        w = best[:, None, :] * np.exp(rng.normal(0, width, (count, 30, n)))
        w /= w.sum(axis=-1, keepdims=True)
        width *= 0.7
    return value


def agree_with_plain_search(seed, count):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 13))
    volumes = np.exp(rng.uniform(np.log(18), np.log(400), (count, n)))
    hsp = np.stack([rng.normal(17, 1.2, (count, n)), rng.uniform(0, 14, (count, n)), np.zeros((count, n))], axis=-1)
    fractions = rng.dirichlet(np.full(n, rng.choice([0.5, 1.0, 3.0])), count)
    fractions = np.maximum(fractions, 1e-9)
    fractions /= fractions.sum(axis=-1, keepdims=True)
    given = {"sites": random_sites(rng, n)}
    given["alpha"] = rng.uniform(0.2, 1.2, count)
    mixtures = gather(fractions, volumes, hsp, **given)
    wide = {name: np.broadcast_to(getattr(mixtures, name), (count, *getattr(mixtures, name).shape[1:]))
            for name in ("points", "donors", "acceptors", "donor_strengths", "acceptor_strengths")}  # fmt: skip
    mixtures = type(mixtures)(mixtures.fractions, mixtures.volumes, **wide, shape=(count,))
    verdict = phases.stable(fractions, volumes, hsp, **given)
    plain = plain_index(mixtures, rng)
    missed = verdict & (plain > 1.0 + DISTANCE)
    assert not missed.any(), f"{missed.sum()} unstable mixtures called stable, plain index {plain[missed]}"
    # "unstable" has to show the trial phase that proves it, in the plain formula
    details = phases.binodal_details(fractions, volumes, hsp, **given)
    gain, cost = gain_and_cost(mixtures, details.incipient[:, None, :])
    local = phases.spinodal_index(fractions, volumes, hsp, **given)
    proof = (gain[:, 0] > cost[:, 0] * (1.0 - DISTANCE)) | (local >= 1.0 - DISTANCE)
    assert proof[~verdict].all()
    return verdict


def test_verdict_on_bonded_mixtures_is_that_of_a_plain_search():
    verdicts = np.concatenate([agree_with_plain_search(seed, 60) for seed in range(4)])
    assert 0.2 < verdicts.mean() < 0.9


@pytest.mark.slow
def test_verdict_on_bonded_mixtures_is_that_of_a_plain_search_ten_thousand_times():
    verdicts = np.concatenate([agree_with_plain_search(100 + seed, 250) for seed in range(40)])
    assert verdicts.size == 10_000
    assert 0.2 < verdicts.mean() < 0.9
