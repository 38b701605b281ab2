"""The parts of the search that save time must not change an answer; each against a plain way to the same number."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from phase_search import random_mixtures

from hspkit import dissolve, oil, phases
from hspkit.carriers import carrier
from hspkit.miscibility import Mixture, carrier_substances, oil_members
from hspkit.phases import climb, search, splitting, titration
from hspkit.phases.equilibrium import Phases
from hspkit.phases.mixture import gather, metric
from hspkit.phases.tilts import Tilting, local_index, locally_stable, solve_symmetric
from hspkit.phases.titration import _through_two
from hspkit.substances import substance


@pytest.mark.parametrize("rank", [3, 5])
def test_elimination_against_lapack(rank):
    """numpy.linalg: the solution, and the signs of the eigenvalues (Sylvester's law of inertia)."""
    half = np.random.default_rng(rank).normal(size=(300, 2, rank, rank))
    matrix = np.diag(metric(rank)) - 0.3 * np.matmul(half, half.swapaxes(-1, -2))
    rights = np.random.default_rng(1).normal(size=(300, 2, rank, 2))
    given = matrix.copy(), rights.copy()
    solved, negative = solve_symmetric(matrix, rights)
    assert_allclose(np.matmul(matrix, solved), rights, atol=1e-8)
    assert (negative == (np.linalg.eigvalsh(matrix) <= 0).sum(axis=-1)).all()
    assert set(np.unique(negative)) > {rank - 2, rank - 1}  # not the same everywhere
    assert (matrix == given[0]).all()
    assert (rights == given[1]).all()


def test_elimination_of_a_singular_matrix_is_finite():
    solved, negative = solve_symmetric(np.zeros((1, 1, 3, 3)), np.ones((1, 1, 3, 2)))
    assert np.isfinite(solved).all()
    assert negative.tolist() == [[0]]


@pytest.mark.parametrize("rank", [3, 5])
def test_local_stability_is_an_index_below_one(rank):
    rng = np.random.default_rng(7)
    hsp = np.concatenate([rng.normal([17, 5, 8], [1, 3, 5], (6, 3)), rng.uniform(0, 5, (6, 2))], axis=1)[:, :rank]
    mixtures = gather(rng.dirichlet(np.ones(6), 500), rng.uniform(100, 1000, 6), hsp)
    index = local_index(mixtures)
    assert 20 < (index < 1).sum() < 480
    assert (locally_stable(mixtures) == (index < 1)).all()


def test_a_maximum_next_to_the_mixture_itself_is_found():
    """To one side of a mixture, along its largest fluctuation, the ratio rises by its third cumulant, which is never 0.

    So the index always exceeds the spinodal index, by as little as 7e-6 here. Trials that fall straight back on the
    mixture are left; one that would end just beside it must not be.
    """
    rng = np.random.default_rng(5)
    excess = []
    for _ in range(400):
        n = int(rng.integers(2, 26))
        fractions = rng.dirichlet(np.ones(n) * rng.choice([0.2, 1]))
        hsp = rng.normal([17, 5, 8], [1, 3, 5], (n, 3))
        question = fractions, rng.choice([1, 1, 5], n) * rng.uniform(18, 300, n), hsp
        excess.append(float(phases.binodal_index(*question) / phases.spinodal_index(*question)) - 1.0)
    assert min(excess) > 1e-6
    assert min(excess) < 1e-4  # else there was nothing to miss


def test_a_phase_that_comes_before_the_one_followed_is_found():
    """Along the line a full search at every share crosses 1 where the titration says, though another crosses later."""
    subject, other = oil("black pepper, steam-distilled"), carrier("ethanol 96 % vol")
    water = (substance("water"),)
    members = carrier_substances(other)
    mixture = Mixture.of([(0.75, *oil_members(subject)), (0.25, members, other.fractions), (0.0, water, np.ones(1))])
    share = dissolve(subject, other, oil_parts=3, carrier_parts=1).water_tolerance_percent / 100
    added = np.array([0.25, 0.5, 0.75, 0.9999, 1.0001, 1.05])[:, None] * share
    line = (1 - added) * mixture.fractions + added * mixture.shares_of(water, np.ones(1))
    index = phases.binodal_index(line, mixture.volumes, mixture.points)
    assert (index[:4] < 1).all()
    assert (index[4:] > 1).all()


@pytest.mark.parametrize(("seed", "most", "row"), [(6, 4, 20), (6, 5, 41), (11, 4, 57)])
def test_of_several_crossings_the_first_is_the_cloud_point(seed, most, row):
    """Lines of random mixtures on which the phase that is followed crosses 2 to 13 % later than another."""
    rng = np.random.default_rng(seed)
    for n in range(3, most + 1):
        fractions, volumes, hsp = random_mixtures(rng, 60, most=n)
        added = rng.permuted(fractions, axis=1)[row]
    question = volumes[row], hsp[row]
    share = float(phases.cloud_point(fractions[row], added, *question, alpha=0.4).fraction)
    steps = np.array([0.3, 0.6, 0.8, 0.9, 0.95, 0.98, 0.999, 1.001])[:, None] * share
    index = phases.binodal_index((1 - steps) * fractions[row] + steps * added, *question, alpha=0.4)
    assert 0 < share < 1
    assert (index[:-1] < 1).all()
    assert index[-1] > 1


def test_the_cubic_through_two_shares_is_exact_for_a_cubic():
    def share(value):
        return 0.2 + 0.3 * value - 0.1 * value**2 + 0.05 * value**3

    def slope(value):  # d value / d share
        return 1.0 / (0.3 - 0.2 * value + 0.15 * value**2)

    old, new = np.array([0.9, 0.5]), np.array([0.4, -0.3])
    found = _through_two(share(new), new, slope(new), np.stack([share(old), old, slope(old)]))
    assert_allclose(found, 0.2, rtol=1e-12)


# --- what the shortcuts save, as ratios of work in one run ---


@pytest.fixture
def work(monkeypatch):
    """Count the trial phases that a question makes."""
    made = [0]
    real = Tilting.tilt

    def tilt(self, q, guess=None):
        made[0] += q.shape[0] * q.shape[1]
        return real(self, q, guess)

    def of(function, *question, **given):
        made[0] = 0
        return function(*question, **given), made[0]

    monkeypatch.setattr(Tilting, "tilt", tilt)
    return of


@pytest.mark.parametrize(
    ("module", "name", "off", "saves"),
    [
        (climb, "_MOST_GAIN_RATIO", 1e9, 1.08),  # what cannot reach far enough is given up
        (climb, "_SAME_MAXIMUM", -1.0, 1.02),  # what climbs after another is left
        (climb, "_NEAR", 0.0, 1.02),  # what falls back on the mixture is left
        (climb, "_LONGEST_STEP", 1e9, 1.3),  # no step leaps out of the range of Newton's method
        (search, "promise", 0.0, 1.05),
        (search, "enough", np.inf, 1.2),
        (search, "through", np.inf, 1.04),
    ],
)
def test_a_shortcut_saves_work_and_changes_no_verdict(monkeypatch, work, module, name, off, saves):
    rng = np.random.default_rng(1)
    fractions, volumes, hsp = random_mixtures(rng, 80, most=12)
    alpha = rng.uniform(0.5, 1.1, 80) / phases.spinodal_index(fractions, volumes, hsp, alpha=1.0)
    question = fractions, volumes, hsp
    short, less = work(phases.stable, *question, alpha=alpha)
    index = phases.binodal_index(*question, alpha=alpha)
    if module is climb:
        monkeypatch.setattr(climb, name, off)
    else:
        whole = search.climb
        monkeypatch.setattr(search, "climb", lambda *asked, **given: whole(*asked, **(given | {name: off})))
    long, more = work(phases.stable, *question, alpha=alpha)
    assert more > saves * less
    assert (short == long).all()
    assert_allclose(phases.binodal_index(*question, alpha=alpha), index, rtol=1e-9)


def test_a_cloud_point_takes_a_third_of_the_steps_of_bisection_and_is_as_exact(monkeypatch):
    """To 1e-8 of a share bisection takes 27 steps from the bracket of the stations; the least of these is 1/100."""
    asked = [0]
    real = titration.follow

    def follow(mixtures, *rest, **given):
        asked[0] += len(mixtures.fractions)
        return real(mixtures, *rest, **given)

    monkeypatch.setattr(titration, "follow", follow)
    rng = np.random.default_rng(3)
    lines = 0
    for most in (3, 4, 6):
        fractions, volumes, hsp = random_mixtures(rng, 150, most=most)
        added = rng.permuted(fractions, axis=1)
        share = phases.cloud_point(fractions, added, volumes, hsp, alpha=0.45).fraction
        rows = np.flatnonzero((share > 0) & (share < 1))
        lines += rows.size
        rows = rows[share[rows] > 1e-6]  # traces of what does not mix have digits of their own
        at = fractions[rows] + share[rows, None] * (added[rows] - fractions[rows])
        index = phases.binodal_index(at, volumes[rows], hsp[rows], alpha=0.45)
        assert_allclose(index, 1.0, atol=1e-6)
        assert np.median(np.abs(index - 1.0)) < 1e-9
    assert lines > 20
    assert asked[0] < 9 * lines


def test_phases_are_found_in_a_dozen_newton_steps(monkeypatch):
    """Successive substitution, which each of them replaces, takes hundreds close to critical."""
    steps, problems = [0], [0]
    real, whole = Phases.jacobian, splitting.minimise

    def jacobian(self, volumes, moments):
        steps[0] += len(volumes)
        return real(self, volumes, moments)

    def minimise(engine, u):
        problems[0] += len(u)
        return whole(engine, u)

    monkeypatch.setattr(Phases, "jacobian", jacobian)
    monkeypatch.setattr(splitting, "minimise", minimise)
    hsp, volumes = np.array([[17.2, 1.8, 4.3], [15.5, 16.0, 42.3], [15.8, 8.8, 19.4]]), np.array([162.9, 18.0, 58.5])
    grid = np.random.default_rng(0).dirichlet(np.ones(3), 200)
    found = phases.split(grid, volumes, hsp)
    assert found.converged.all()
    assert problems[0] > 100
    assert steps[0] < 12 * problems[0]
