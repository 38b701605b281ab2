"""Donor and acceptor densities in the engine: five coordinates, the square along the last counting as negative."""

import numpy as np
import pytest

from hspkit import phases, substance, theory
from hspkit.errors import InputError
from hspkit.phases.mixture import at, interaction_strength, metric
from hspkit.phases.tilts import curved, modes


def random_mixture(rng):
    n = int(rng.integers(2, 7))
    volumes = np.exp(rng.uniform(np.log(18), np.log(400), n))
    sites = rng.choice([0.0, 0.0, 1.0, 2.0], (n, 2)) * 1000.0 / volumes[:, None]
    hsp = np.column_stack([rng.uniform(14, 19, n), rng.uniform(0, 16, n), rng.uniform(0, 25, n), sites])
    return rng.dirichlet(np.ones(n)), volumes, hsp, float(rng.uniform(0.2, 0.9))


def free_energy(fractions, volumes, hsp, alpha):
    """g written out pair by pair: nothing of the engine's coordinates."""
    constants = theory.calibration()._replace(alpha=alpha)
    w = theory.exchange(hsp[:, None], hsp[None, :], constants=constants)
    return np.sum(fractions * np.log(fractions) / volumes) + 0.5 * fractions @ w @ fractions


def test_spinodal_index_is_where_the_hessian_of_the_free_energy_turns():
    # derivable: L = 1 where the smallest curvature of g along changes that keep the sum is zero
    rng = np.random.default_rng(1)
    for _ in range(40):
        fractions, volumes, hsp, alpha = random_mixture(rng)
        index = float(phases.spinodal_index(fractions, volumes, hsp, alpha=alpha))
        if index < 1e-6:  # they attract: no interaction however strong parts them
            continue
        constants = theory.calibration()._replace(alpha=alpha / index)
        w = theory.exchange(hsp[:, None], hsp[None, :], constants=constants)
        hessian = np.diag(1.0 / (fractions * volumes)) + w
        keep = np.linalg.svd(np.ones((1, len(fractions))))[2][1:]
        smallest = np.linalg.eigvalsh(keep @ hessian @ keep.T)[0]
        assert abs(smallest) < 1e-6 * np.abs(hessian).max()


def test_no_trial_phase_found_at_random_lies_below_a_stable_mixture_and_unstable_ones_split():
    rng = np.random.default_rng(2)
    seen = set()
    for _ in range(120):
        fractions, volumes, hsp, alpha = random_mixture(rng)
        stable = bool(phases.stable(fractions, volumes, hsp, alpha=alpha))
        seen.add(stable)
        if stable:
            base = free_energy(fractions, volumes, hsp, alpha)
            # two phases made at random from the same feed never have less free energy
            for _ in range(50):
                share = rng.beta(1, 1, len(fractions))
                parts = np.stack([share * fractions, (1 - share) * fractions])
                sizes = parts.sum(axis=1)
                both = sum(s * free_energy(p / s, volumes, hsp, alpha) for s, p in zip(sizes, parts, strict=True))
                assert both > base - 1e-10
            continue
        found = phases.split(fractions, volumes, hsp, alpha=alpha)
        if int(found.n_phases) > 1:
            assert found.balance < 1e-10
            assert found.potential < 1e-8
            parts = found.fractions[: int(found.n_phases)]
            potentials = np.array([phases.ln_activity(part, volumes, hsp, alpha=alpha) for part in parts])
            assert np.ptp(potentials, axis=0).max() < 1e-6
    assert seen == {True, False}


def test_modes_solve_their_equation_and_curved_divides_along_them():
    rng = np.random.default_rng(3)
    signs = np.diag(metric(5))
    for rank in (5, 2):
        half = rng.standard_normal((5, rank))
        spread = (half @ half.T)[None]
        values, tilts = modes(spread)
        for k in (-1, 0):
            q = tilts[0, :, k]
            assert signs @ spread[0] @ q == pytest.approx(values[0, k] * q, abs=1e-5)
        strength, residual = np.array([0.2]), rng.standard_normal((1, 5))
        raw, vectors = np.linalg.eig(signs @ spread[0])
        bend = np.diag(1.0 / np.maximum(np.abs(1.0 - 0.4 * raw.real), 0.02))
        expected = (vectors @ bend @ np.linalg.inv(vectors)).real @ residual[0]
        assert curved(spread, strength, 0.02, residual)[0] == pytest.approx(expected, abs=1e-5)


def test_zero_densities_with_plain_weights_would_be_the_hansen_distance():
    _, points = at([100.0, 50.0], [[16.0, 4.0, 8.0, 0.0, 0.0], [17.0, 8.0, 4.0, 0.0, 0.0]], 25.0)
    constants = theory.calibration()
    expected = 1.0 + constants.weight_polar * 16 + constants.weight_hydrogen * 16
    assert np.sum(metric(5) * (points[0] - points[1]) ** 2) == pytest.approx(expected)


def test_pair_and_engine_speak_of_the_same_energy():
    ether, water = substance("1,4-dioxane"), substance("water")
    w = float(theory.exchange(ether.point, water.point))
    plain = float(theory.exchange([*ether.hsp.array, 0, 0], [*water.hsp.array, 0, 0]))
    assert w < plain  # an acceptor without donors is nearer to water than its parameters say
    index = phases.pair_index([ether.mixing_volume, water.mixing_volume], [ether.point, water.point])
    assert index == pytest.approx(w / float(theory.critical_strength(ether.mixing_volume, water.mixing_volume)))
    assert float(interaction_strength(25.0)) * 8.314462618 * 298.15 == pytest.approx(phases.ALPHA)


@pytest.mark.parametrize("sites", [[], [[5.0, 12.0], [9.0, 4.0]]])
def test_slopes_where_the_mixture_itself_pays_most_are_those_of_finite_differences(sites):
    # a symmetric binary at its critical composition: the largest ratio lies at the mixture itself
    hsp = np.column_stack([[[16.0, 3.0, 5.0], [18.0, 9.0, 16.0]], *([sites] if sites else [])])
    details = phases.binodal_details([0.5, 0.5], [100.0, 100.0], hsp)
    for row in range(2):
        for axis in range(3):
            ends = []
            for step in (1e-5, -1e-5):
                moved = hsp.copy()
                moved[row, axis] += step
                ends.append(np.log(float(phases.spinodal_index([0.5, 0.5], [100.0, 100.0], moved))))
            assert details.by_hsp[row, axis] == pytest.approx((ends[0] - ends[1]) / 2e-5, rel=1e-4, abs=1e-6)
    assert details.by_ln_volume == pytest.approx([0.5, 0.5])


def test_absolute_zero_is_no_temperature():
    with pytest.raises(InputError, match="finite temperatures"):
        phases.interaction_strength(-273.15)
