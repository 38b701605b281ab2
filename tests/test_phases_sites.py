"""Mixtures with sites of hydrogen bonds: the verdict against phases made at random, and what users ask of it."""

import numpy as np
import pytest
from free_energy import energy, random_sites, single

from hspkit import phases, substance
from hspkit.calibration import calibration
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.phases.association import Sites
from hspkit.phases.mixture import gather, interaction_strength


def random_mixture(rng):
    n = int(rng.integers(2, 7))
    hsp = np.column_stack([rng.uniform(14, 19, n), rng.uniform(0, 16, n), rng.uniform(0, 25, n)])
    return rng.dirichlet(np.ones(n)), np.exp(rng.uniform(np.log(18), np.log(400), n)), hsp, random_sites(rng, n)


def test_no_phases_made_at_random_lie_below_a_stable_mixture_and_unstable_ones_split():
    rng = np.random.default_rng(2)
    seen = set()
    for _ in range(120):
        fractions, volumes, hsp, sites = random_mixture(rng)
        stable = bool(phases.stable(fractions, volumes, hsp, sites=sites))
        seen.add(stable)
        if stable:
            liquids, _ = single(gather(fractions, volumes, hsp, sites=sites), 0)
            base = energy(liquids, fractions)
            for _ in range(30):
                share = rng.beta(1, 1, len(fractions))
                parts = np.stack([share * fractions, (1 - share) * fractions])
                both = sum(part.sum() * energy(liquids, part / part.sum()) for part in parts)
                assert both > base - 1e-10
            continue
        found = phases.split(fractions, volumes, hsp, sites=sites)
        if int(found.n_phases) > 1:
            assert found.balance < 1e-10
            assert found.potential < 1e-8
            parts = found.fractions[: int(found.n_phases)]
            potentials = np.array([phases.ln_activity(part, volumes, hsp, sites=sites) for part in parts])
            assert np.ptp(potentials, axis=0).max() < 1e-6
    assert seen == {True, False}


def test_without_sites_it_is_the_hansen_distance_and_with_them_delta_h_is_left_out():
    hsp = np.array([[16.0, 4.0, 8.0], [17.0, 8.0, 4.0]])
    plain = gather([0.5, 0.5], [100.0, 50.0], hsp)
    assert ((plain.points[0, 0] - plain.points[0, 1]) ** 2).sum() == pytest.approx(
        float(interaction_strength(25.0)) * (1.0 + 16 / 4 + 16 / 4)
    )
    bonded = gather([0.5, 0.5], [100.0, 50.0], hsp, sites=Sites.none(2))
    assert ((bonded.points[0, 0] - bonded.points[0, 1]) ** 2).sum() == pytest.approx(
        float(interaction_strength(25.0)) * (1.0 + calibration().weight_polar * 16)
    )


def test_an_acceptor_without_donors_is_nearer_to_water_than_its_parameters_say():
    pair = [substance("1,4-dioxane"), substance("water")]
    volumes, hsp = [one.volume for one in pair], [one.hsp.array for one in pair]
    bonding = Sites.joined([one.sites for one in pair])
    deaf = Sites.joined([Sites.none(1), pair[1].sites])
    half = [0.5, 0.5]
    with_bonds, without = (phases.binodal_index(half, volumes, hsp, sites=sites) for sites in (bonding, deaf))
    assert with_bonds < 0.8 * without


@pytest.mark.parametrize("sites", [None, Sites([[1.0], [0.0]], [[1.0], [0.0]], [1.0], [1.0])])
def test_slopes_where_the_mixture_itself_pays_most_are_those_of_finite_differences(sites):
    # a binary at its critical composition: the largest ratio lies at the mixture itself
    hsp = np.array([[16.0, 3.0, 5.0], [18.0, 9.0, 16.0]])
    details = phases.spinodal_details([0.5, 0.5], [100.0, 100.0], hsp, sites=sites)
    for row in range(2):
        for axis in range(3):
            ends = []
            for step in (1e-5, -1e-5):
                moved = hsp.copy()
                moved[row, axis] += step
                ends.append(np.log(float(phases.spinodal_index([0.5, 0.5], [100.0, 100.0], moved, sites=sites))))
            assert details.by_hsp[row, axis] == pytest.approx((ends[0] - ends[1]) / 2e-5, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize("celsius", [-60.0, 150.0])
def test_bonds_far_from_room_temperature_warn_and_are_finite(celsius):
    water = substance("water")
    given = {"sites": Sites.joined([water.sites, Sites.none(1)]), "celsius": celsius}
    with pytest.warns(ExtrapolationWarning, match="0 to 100"):
        index = phases.binodal_index([0.1, 0.9], [18.0, 130.0], [water.hsp.array, [15.0, 0, 0]], **given)
    assert np.isfinite(index)


@pytest.mark.parametrize("celsius", [-273.15, -300.0, np.nan])
def test_absolute_zero_is_no_temperature(celsius):
    with pytest.raises(InputError, match="celsius"):
        phases.interaction_strength(celsius)


def test_a_donor_and_an_acceptor_alone_only_attract():
    sites = Sites([[1.0], [0.0]], [[0.0], [1.0]], [1.0], [1.0])
    given = [0.5, 0.5], [100.0, 100.0], [[16.0, 3.0, 5.0]] * 2
    assert phases.spinodal_index(*given, sites=sites) < 1e-9
    alone = phases.spinodal_details([1.0], [100.0], [[16.0, 3.0, 5.0]])
    assert alone.index == 0
    assert (alone.by_hsp == 0).all()
