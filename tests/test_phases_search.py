"""The parts of the search that save time must not change an answer; each against a plain way to the same number."""

import numpy as np
import pytest
from free_energy import energy, random_question, single
from numpy.testing import assert_allclose
from phase_search import random_mixtures

from hspkit import oil, phases
from hspkit.carriers import carrier
from hspkit.miscibility import Mixture, carrier_substances, oil_members
from hspkit.phases import search, splitting, titration
from hspkit.phases.energy import Feed
from hspkit.phases.equilibrium import Phases
from hspkit.phases.search import local_index
from hspkit.phases.titration import _through_two
from hspkit.substances import substance


@pytest.mark.parametrize("sites", [False, True])
def test_local_stability_is_curvature_of_the_free_energy(sites):
    """L > 1 where the least curvature of g along changes that keep the sum is negative: its Hessian by differences."""
    mixtures = random_question(7, 60, 5, sites=sites)
    mixtures = mixtures.times(np.random.default_rng(2).uniform(0.6, 1.5, 60) / local_index(mixtures))
    index = local_index(mixtures)
    assert 10 < (index < 1).sum() < 50
    keep = np.linalg.svd(np.ones((1, 5)))[2][1:]
    for row in np.flatnonzero(np.abs(index - 1.0) > 1e-2):
        liquids, _ = single(mixtures, row)
        step = 0.02 * liquids.fractions.min()

        def g(change, liquids=liquids):
            return energy(liquids, liquids.fractions + change)

        curved = [
            [(g(step * (a + b)) - g(step * (a - b)) - g(step * (b - a)) + g(-step * (a + b))) / 4 for b in keep]
            for a in keep
        ]
        assert (np.linalg.eigvalsh(np.array(curved))[0] > 0) == (index[row] < 1)


def test_no_index_is_below_that_of_the_mixture_itself():
    """To one side of a mixture, along its largest fluctuation, the ratio rises by its third cumulant, which is never 0.

    So the index always exceeds the spinodal index, by as little as 3e-5 here; a search may end at the mixture itself.
    """
    rng = np.random.default_rng(5)
    excess = []
    for _ in range(400):
        n = int(rng.integers(2, 26))
        fractions = rng.dirichlet(np.ones(n) * rng.choice([0.2, 1]))
        hsp = rng.normal([17, 5, 8], [1, 3, 5], (n, 3))
        question = fractions, rng.choice([1, 1, 5], n) * rng.uniform(18, 300, n), hsp
        excess.append(float(phases.binodal_index(*question) / phases.spinodal_index(*question)) - 1.0)
    assert min(excess) > -1e-12
    assert np.mean(np.array(excess) > 1e-6) > 0.98


@pytest.mark.parametrize(
    ("name", "liquid", "parts"),
    [
        ("lemon", "triethyl citrate", (1, 2)),
        ("peppermint", "ethanol 96 % vol", (1, 3)),
        ("lemon", "ethanol 96 % vol", (1, 9)),
    ],
)
def test_water_clouds_a_stock_where_a_full_search_says_so(name, liquid, parts):
    """Along the line a full search at every share crosses 1 where the titration says."""
    subject, other = oil(name), carrier(liquid)
    water = (substance("water"),)
    total = sum(parts)
    mixture = Mixture.of(
        [
            (parts[0] / total, *oil_members(subject)),
            (parts[1] / total, carrier_substances(other), other.fractions),
            (0.0, water, np.ones(1)),
        ]
    )
    end = mixture.shares_of(water, np.ones(1))
    given = mixture.volumes, mixture.hsp
    share = float(phases.cloud_point(mixture.fractions, end, *given, sites=mixture.sites).fraction)
    assert 0 < share < 1
    added = np.array([0.25, 0.5, 0.75, 0.9999, 1.0001, 1.05])[:, None] * share
    index = phases.binodal_index((1 - added) * mixture.fractions + added * end, *given, sites=mixture.sites)
    assert (index[:4] < 1).all()
    assert (index[4:] > 1).all()


@pytest.mark.parametrize(("seed", "most", "row"), [(6, 4, 20), (6, 5, 41)])
def test_of_several_crossings_the_first_is_the_cloud_point(seed, most, row):
    """Lines of random mixtures on which the phase that is followed crosses 2 to 13 % later than another.

    Not of every line: of 291 random ones two or three have an earlier crossing that only a much longer search finds.
    """
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
    real = Feed.trials

    def trials(self, fields, guess=None):
        made[0] += fields.shape[0] * fields.shape[1]
        return real(self, fields, guess)

    def of(function, *question, **given):
        made[0] = 0
        return function(*question, **given), made[0]

    monkeypatch.setattr(Feed, "trials", trials)
    return of


@pytest.mark.parametrize(
    ("name", "off", "saves"),
    [
        ("_MOST_RISES", (1e9, 1e9), 1.3),  # what cannot reach far enough is given up
        ("_CLOSE", 0.0, 1.01),  # what goes where another goes is left
        ("_RETURNS", -2.0, 1.02),  # what falls back on the mixture is left
        ("_PATIENCE", 1000, 1.1),  # what gains nothing for long
        ("_LATE", 1000, 1.03),  # what creeps
        ("enough", np.inf, 1.1),
        ("least", 0.0, 1.05),
    ],
)
def test_a_shortcut_saves_work_and_changes_no_verdict(monkeypatch, work, name, off, saves):
    questions = [
        random_question(n, 60, n, sites=sites, shared=shared)
        for n, sites in ((4, True), (8, True), (12, False), (12, True))
        for shared in (True, False)
    ]
    factors = np.random.default_rng(1).uniform(0.5, 1.1, 60)
    questions = [mixtures.times(factors / local_index(mixtures)) for mixtures in questions]

    def answer():
        return [search.verdicts(mixtures) for mixtures in questions], [
            search.maxima(questions[3].take(np.array([k]))) for k in range(10)
        ]

    (short, _), less = work(answer)
    if name.startswith("_"):
        monkeypatch.setattr(search, name, off)
    else:
        whole = search.one_search
        monkeypatch.setattr(search, "one_search", lambda *asked, **given: whole(*asked, **(given | {name: off})))
    (long, _), more = work(answer)
    assert more > saves * less
    assert (np.array(short) == np.array(long)).all()


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
        assert_allclose(index, 1.0, atol=1e-5)
        assert np.median(np.abs(index - 1.0)) < 1e-9
    assert lines > 20
    assert asked[0] < 9 * lines


def test_phases_are_found_in_a_dozen_newton_steps(monkeypatch):
    """Successive substitution, which each of them replaces, takes hundreds close to critical."""
    steps, problems = [0], [0]
    real, whole = Phases.jacobian, splitting.minimise

    def jacobian(self, state):
        steps[0] += len(state.volumes)
        return real(self, state)

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
