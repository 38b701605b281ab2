"""Hydrogen bonds in the free energy: against their definition, thermodynamic identities, and a plain search."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import brentq

from hspkit import phases
from hspkit.calibration import calibration
from hspkit.errors import InputError
from hspkit.phases.association import Sites, bonded
from hspkit.phases.energy import Feed
from hspkit.phases.mixture import gather

#: Water, ethanol, an ester and an alkane: sites of a molecule by kind, as `hspkit.bonds` has them.
SITES = Sites(
    [[0.0, 1.4], [1.0, 0.0], [0.0, 0.0], [0.0, 0.0]],
    [[0.0, 0.0, 1.33], [0.0, 1.4, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 0.0]],
    [1.0, 1.15],
    [0.34, 1.0, 1.75],
)
VOLUMES = np.array([18.07, 58.7, 98.6, 131.6])
HSP = np.array([[10.0, 20.6, 42.1], [15.8, 8.8, 19.4], [15.8, 5.3, 7.2], [14.9, 0.0, 0.0]])


def random_sites(rng, n):
    donors = (rng.random((n, 3)) < 0.3) * rng.integers(1, 3, (n, 3))
    acceptors = (rng.random((n, 4)) < 0.4) * rng.integers(1, 3, (n, 4))
    return Sites(donors, acceptors, [0.6, 1.0, 2.0], [0.05, 0.34, 1.0, 1.75])


def random_mixture(rng, n):
    volumes = rng.uniform(18, 250, n)
    hsp = np.stack([rng.normal(16.5, 1.0, n), rng.uniform(0, 12, n), rng.uniform(0, 20, n)], axis=-1)
    return rng.dirichlet(np.ones(n)), volumes, hsp, random_sites(rng, n)


def test_shares_of_free_sites_solve_their_definition():
    """X_donor = 1/(1 + Delta s sum rho t X) and the same of acceptors, by a root of one equation."""
    donors, acceptors = np.array([0.01, 0.02]), np.array([0.03])
    strong, weak = np.array([50.0, 20.0]), np.array([40.0])

    def off(a):
        d = np.sum(donors * strong / (1 + strong * a))
        return a - np.sum(acceptors * weak / (1 + weak * d))

    expected = brentq(off, 1e-12, float(acceptors @ weak), xtol=1e-15)
    a, d = bonded(donors, acceptors, strong, weak)
    assert a == pytest.approx(expected, rel=1e-10)
    assert d == pytest.approx(np.sum(donors * strong / (1 + strong * expected)), rel=1e-10)


@pytest.mark.parametrize("n", [2, 3, 7, 25])
def test_activities_are_slopes_of_one_energy(n):
    """Gibbs-Duhem at constant temperature, and the symmetry of d ln a_i / d n_j, by differences in moles."""
    rng = np.random.default_rng(n)
    fractions, volumes, hsp, sites = random_mixture(rng, n)
    moles = fractions / volumes

    def ln_activity(amounts):
        amounts = np.maximum(amounts, 1e-12)
        shares = amounts * volumes
        return phases.ln_activity(shares / shares.sum(), volumes, hsp, sites=sites)

    step = 1e-5 * moles
    slopes = np.stack(
        [
            (ln_activity(moles + step * e) - ln_activity(moles - step * e)) / (2 * step[i])
            for i, e in enumerate(np.eye(n))
        ],
        axis=1,
    )
    scale = np.abs(slopes).max()
    assert np.abs(moles @ slopes).max() < 1e-6 * scale * moles.max()
    assert_allclose(slopes, slopes.T, atol=1e-6 * scale)


def test_a_dilute_component_follows_henry():
    """ln gamma goes to its value at infinite dilution linearly, with or without bonds of the solute's own kind."""
    pair = [0, 3]  # water in an alkane: its bonds are left behind
    sites, volumes, hsp = SITES.take(np.array(pair)), VOLUMES[pair], HSP[pair]
    limit = phases.ln_gamma([0.0, 1.0], volumes, hsp, sites=sites)[0]
    off = [limit - phases.ln_gamma([x, 1 - x], volumes, hsp, sites=sites)[0] for x in (1e-6, 1e-7)]
    assert off[0] == pytest.approx(10 * off[1], rel=0.02)
    assert limit > 5.0  # measured about 7.6 (recalled); a theory with enlarged volumes has 0.7


def test_without_sites_of_both_kinds_nothing_bonds():
    """An ester and an alkane have no donor: only delta_d and delta_p count."""
    sites, volumes, hsp = SITES.take(np.array([2, 3])), VOLUMES[2:], HSP[2:]
    for changed in ([0.0, 0.0, 0.0], [0.0, 0.0, 9.0]):
        given = phases.spinodal_index([0.4, 0.6], volumes, hsp + [changed, [0, 0, 0]], sites=sites)
        assert given == pytest.approx(phases.spinodal_index([0.4, 0.6], volumes, hsp, sites=sites))
    weight = np.sqrt(4.0 * calibration().weight_polar)
    plain = hsp * [1.0, weight, 0.0]
    assert phases.spinodal_index([0.4, 0.6], volumes, hsp, sites=sites) == pytest.approx(
        phases.spinodal_index([0.4, 0.6], volumes, plain)
    )


@pytest.mark.parametrize("seed", range(4))
def test_spinodal_index_is_where_the_energy_stops_curving_up(seed):
    """The least eigenvalue of the Hessian in fractions, its entropy against everything else, by differences."""
    rng = np.random.default_rng(seed)
    fractions, volumes, hsp, sites = random_mixture(rng, 4)
    base = np.linalg.svd(np.ones((1, 4)))[2][1:]  # directions that keep the sum

    def potentials(shares):
        return phases.ln_activity(shares, volumes, hsp, sites=sites) / volumes

    step = 1e-5 * fractions.min()
    whole = np.stack([(potentials(fractions + step * e) - potentials(fractions - step * e)) / (2 * step) for e in base])
    hessian = whole @ base.T
    entropy = base @ np.diag(1.0 / (volumes * fractions)) @ base.T
    largest = np.linalg.eigvals(np.linalg.solve(entropy, entropy - hessian)).real.max()
    assert phases.spinodal_index(fractions, volumes, hsp, sites=sites) == pytest.approx(largest, rel=1e-4)


def test_gain_of_a_phase_is_the_energy_it_saves():
    """Cost less gain is the distance from the tangent plane, from activities alone."""
    rng = np.random.default_rng(3)
    fractions, volumes, hsp, sites = random_mixture(rng, 5)
    other = rng.dirichlet(np.ones(5))
    here = Feed(gather(fractions, volumes, hsp, sites=sites)).phases(other[None, None])
    difference = phases.ln_activity(other, volumes, hsp, sites=sites) - phases.ln_activity(
        fractions, volumes, hsp, sites=sites
    )
    assert float(here.cost[0, 0] - here.gain[0, 0]) == pytest.approx(
        float(np.sum(other * difference / volumes)), rel=1e-9
    )


def test_phases_of_a_split_have_equal_activities_and_balance():
    fractions = np.array([0.4, 0.2, 0.1, 0.3])
    result = phases.split(fractions, VOLUMES, HSP, sites=SITES)
    assert result.n_phases >= 2
    assert result.converged
    assert_allclose(result.amounts @ np.nan_to_num(result.fractions), fractions, atol=1e-10)
    first, second = (phases.ln_activity(w / w.sum(), VOLUMES, HSP, sites=SITES) for w in result.fractions[:2])
    assert_allclose(first, second, atol=1e-6)


@pytest.mark.parametrize(
    ("donors", "strengths"), [([[-1.0]], [1.0]), ([[1.0]], [-1.0]), ([[1.0]], [1.0, 2.0]), ([[np.nan]], [1.0])]
)
def test_impossible_sites_are_refused(donors, strengths):
    with pytest.raises(InputError):
        Sites(donors, [[1.0]], strengths, [1.0])
    with pytest.raises(InputError, match="components"):
        phases.stable([0.5, 0.5], [100, 100], HSP[:2], sites=Sites.none(3))


def test_bonds_weaken_when_it_gets_warmer():
    """Water and an alkane: the activity of dilute water falls with temperature, measured too (recalled)."""
    pair = np.array([0, 3])
    cold, warm = (
        phases.ln_gamma([0.0, 1.0], VOLUMES[pair], HSP[pair], celsius=t, sites=SITES.take(pair))[0] for t in (5.0, 45.0)
    )
    assert cold > warm + 0.5
