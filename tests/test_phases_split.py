"""Phases at equilibrium: material balance, equal chemical potentials, third phases, known limits."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from phase_search import random_mixtures

from hspkit import phases
from hspkit.errors import InputError

# Hansen's handbook values for limonene, water, ethanol (from memory): only the shape of the problem matters
HSP = np.array([[17.2, 1.8, 4.3], [15.5, 16.0, 42.3], [15.8, 8.8, 19.4]])
VOLUMES = np.array([162.9, 18.0, 58.5])


def potentials(fractions, volumes, hsp, alpha=None):
    """mu_i/RT from the free energy written with pairs: independent of the engine's coordinates."""
    a = phases.interaction_strength(25.0, alpha)
    difference = hsp[:, None, :] - hsp[None, :, :]
    contact = difference[..., 0] ** 2 + difference[..., 1] ** 2 / 4 + difference[..., 2] ** 2 / 4
    around = contact @ fractions - 0.5 * fractions @ contact @ fractions
    with np.errstate(divide="ignore"):
        ideal = np.log(fractions) + 1 - volumes * (fractions / volumes).sum()
    return ideal + volumes * a * around


def check(result, row, feed, volumes, hsp, alpha=None):
    count = int(result.n_phases[row])
    amounts, inside = result.amounts[row, :count], result.fractions[row, :count]
    assert_allclose(amounts.sum(), 1.0, atol=1e-12)
    assert (amounts > 0).all()
    assert_allclose(inside.sum(axis=-1), 1.0, atol=1e-10)
    assert np.abs(amounts @ inside - feed).max() < 1e-10
    # a polymer may be so scarce in a phase that its fraction is below the smallest number there is
    present = (feed > 0) & (inside > 0).all(axis=0)
    mu = np.array([potentials(w, volumes, hsp, alpha)[present] for w in inside])
    assert np.abs(mu - mu[0]).max() < 1e-8


def test_ternaries_balance_and_have_equal_potentials():
    f = np.random.default_rng(0).dirichlet(np.ones(3), 300)
    result = phases.split(f, VOLUMES, HSP)
    assert result.converged.all()
    assert result.balance.max() < 1e-10
    assert result.potential.max() < 1e-8
    assert ((result.n_phases == 1) == phases.stable(f, VOLUMES, HSP)).all()
    for row in range(300):
        check(result, row, f[row], VOLUMES, HSP)
    # what lies on one tie line has the same phases
    row = int(np.flatnonzero(result.n_phases == 2)[0])
    moved = 0.3 * result.fractions[row, 0] + 0.7 * result.fractions[row, 1]
    again = phases.split(moved, VOLUMES, HSP)
    assert_allclose(again.amounts, [0.7, 0.3], atol=1e-8)
    assert_allclose(again.fractions, result.fractions[row, ::-1], atol=1e-8)
    assert_allclose(again.separated, 0.3, atol=1e-8)


def test_phases_found_are_stable_themselves():
    rng = np.random.default_rng(1)
    fractions, volumes, hsp = random_mixtures(rng, 60, most=12)
    alpha = rng.uniform(0.8, 2.5, 60) / phases.spinodal_index(fractions, volumes, hsp, alpha=1.0)
    result = phases.split(fractions, volumes, hsp, alpha=alpha)
    assert result.converged.mean() > 0.97
    assert (result.n_phases > 2).any()
    for row in np.flatnonzero(result.converged):
        check(result, row, fractions[row], volumes[row], hsp[row], alpha[row])
        for w in result.fractions[row, : result.n_phases[row]]:
            w = w / w.sum()
            assert phases.stable(w, volumes[row], hsp[row], alpha=alpha[row] * (1 - 1e-5))


def test_three_immiscible_liquids_make_three_phases():
    """Three mutually immiscible pairs of strong interaction: nearly pure phases in the amounts poured."""
    hsp, volumes = np.array([[16.0, 0, 0], [16.0, 40, 0], [16.0, 0, 40.0]]), np.array([100.0, 110.0, 120.0])
    result = phases.split([0.5, 0.3, 0.2], volumes, hsp)
    assert result.n_phases == 3
    assert_allclose(result.amounts, [0.5, 0.3, 0.2], atol=5e-3)
    assert_allclose(result.fractions, np.eye(3), atol=5e-3)


def test_identical_components_share_alike():
    result = phases.split([0.25, 0.25, 0.5], [162.9, 162.9, 18.0], HSP[[0, 0, 1]])
    assert_allclose(result.fractions[:, 0], result.fractions[:, 1], rtol=1e-8)
    assert_allclose(result.amounts, phases.split([0.5, 0.5], VOLUMES[:2], HSP[:2]).amounts, rtol=1e-8)


def test_stable_mixture_is_one_phase():
    result = phases.split([0.1, 0.0, 0.9], VOLUMES, HSP)
    assert result.n_phases == 1
    assert result.converged
    assert result.separated == 0
    assert_allclose(result.fractions[0], [0.1, 0, 0.9])
    assert np.isnan(result.fractions[1]).all()


@pytest.mark.parametrize("excess", [1.001, 1.01, 1.1, 2.0, 5.0])
def test_close_to_critical_and_far_from_it(excess):
    """Symmetric binary: both phases from ln(phi/(1 - phi)) + chi (1 - 2 phi) = 0 (textbook form)."""
    chi = 2.0 * excess
    alpha = chi / (phases.interaction_strength(25.0, 1.0) * 100.0 * 25.0)
    hsp = np.array([[16.0, 0, 0], [16.0, 0, 10.0]])
    result = phases.split([0.5, 0.5], [100.0, 100.0], hsp, alpha=alpha)
    phi = np.sort(result.fractions[:, 0])
    assert result.n_phases == 2
    assert_allclose(np.log(phi / (1 - phi)) + chi * (1 - 2 * phi), 0.0, atol=1e-7)
    assert_allclose(phi.sum(), 1.0, atol=1e-7)
    assert_allclose(phases.binodal([100.0, 100.0], hsp, alpha=alpha), phi, atol=1e-7)


def test_dilute_solubility_has_its_limit():
    """ln phi = -1 + V/V_w - V a |d - d_w|^2 for a liquid hardly soluble in water (Flory-Huggins)."""
    poor, _ = phases.binodal(VOLUMES[:2], HSP[:2])
    square = ((HSP[0] - HSP[1]) ** 2 * [1, 0.25, 0.25]).sum()
    a = phases.interaction_strength(25.0)
    rich = phases.binodal(VOLUMES[:2], HSP[:2])[1]
    # with the water that the oil takes up in its potential the limit is exact to the order of phi
    oil = np.log(rich) + 1 - rich - (1 - rich) * 162.9 / 18 + 162.9 * a * (1 - rich) ** 2 * square
    assert_allclose(np.log(poor), oil - 1 + 162.9 / 18 - 162.9 * a * square, rtol=1e-4)


def test_binary_mutual_solubilities_over_a_wide_range():
    rng = np.random.default_rng(2)
    volumes = 10 ** rng.uniform(1.2, 3, (400, 2))
    hsp = np.zeros((400, 2, 3))
    hsp[:, 1, 2] = rng.uniform(1, 30, 400)
    ends = phases.binodal(volumes, hsp)
    apart = phases.pair_index(volumes, hsp) > 1
    assert (np.isnan(ends[:, 0]) == ~apart).all()
    for row in np.flatnonzero(apart & (ends[:, 0] > 1e-6) & (ends[:, 1] < 1 - 1e-6)):
        mu = [potentials(np.array([x, 1 - x]), volumes[row], hsp[row]) for x in ends[row]]
        assert_allclose(mu[0], mu[1], atol=1e-8)


def test_pair_wants_two():
    with pytest.raises(InputError, match=r"expected a pair"):
        phases.binodal(VOLUMES, HSP)
