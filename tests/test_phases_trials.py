"""Trial phases: what they are, gain and cost, how they answer to their fields, and where the search for them sets out.

Everything against the free energy written out molecule by molecule, and finite differences.
"""

import numpy as np
import pytest
from free_energy import bonds, energy, gain_and_cost, random_question, single, tilt
from numpy.testing import assert_allclose

from hspkit.phases import starts
from hspkit.phases.curvature import Shape
from hspkit.phases.energy import Feed
from hspkit.phases.mixture import gather
from hspkit.phases.search import fluctuation, maxima
from hspkit.phases.steps import spread_of, steps_of
from hspkit.phases.titration import _newton as logistic_step
from hspkit.phases.titration import _slope

CASES = [(False, True), (False, False), (True, True), (True, False)]
COUNT, N = 4, 6


def question(sites, shared, *, absent=True):
    """Four mixtures of six liquids, of one set or of four; one lacks two of them."""
    return random_question(10 * sites + shared, COUNT, N, sites=sites, shared=shared, absent=absent)


def random_fields(feed, reach, several=3):
    rng = np.random.default_rng(1)
    fields = np.empty((len(feed.fractions), several, feed.rank + 3))
    fields[..., : feed.rank] = rng.normal(0, reach, (*fields.shape[:2], feed.rank))
    fields[..., feed.rank : -1] = rng.uniform(-0.5, 1.0, (*fields.shape[:2], 2)) * feed.bonds[:, None, :]
    fields[..., -1] = rng.uniform(0.3, 2.0, fields.shape[:2])
    return fields


def driven(liquids, fields):
    """w = phi exp V (lam + q.(d - m) + kappa (h(A, D) - h(A_0, D_0))), lam by bisection."""
    r = liquids.points.shape[-1]
    here = np.array(bonds(liquids, liquids.fractions))
    push = (liquids.points - liquids.fractions @ liquids.points) @ fields[:r]
    there = here + fields[r : r + 2]
    push = liquids.volumes * (push + fields[-1] * (tilt(liquids, *here) - tilt(liquids, *there)))
    low, high = -10.0, 10.0
    for _ in range(200):
        level = 0.5 * (low + high)
        exponent = np.minimum(push + liquids.volumes * level, 600.0)
        low, high = (low, level) if (liquids.fractions * np.exp(exponent)).sum() > 1 else (level, high)
    return liquids.fractions * np.exp(push + liquids.volumes * level)


@pytest.mark.parametrize(("sites", "shared"), CASES)
@pytest.mark.parametrize("reach", [0.001, 0.02])
def test_a_trial_phase_is_what_its_fields_make_of_the_mixture(sites, shared, reach):
    mixtures = question(sites, shared)
    feed = Feed(mixtures)
    fields = random_fields(feed, reach)
    for guess in (None, np.full((COUNT, 3), 0.1)):
        trials = feed.trials(fields, guess)
        for row in range(COUNT):
            liquids, there = single(mixtures, row)
            for number in range(3):
                w = driven(liquids, fields[row, number])
                assert_allclose(trials.fractions[row, number][there], w, rtol=1e-7)
                assert (trials.fractions[row, number][~there] == 0).all()
                gain, cost = gain_and_cost(liquids, w)
                assert trials.cost[row, number] == pytest.approx(cost, rel=1e-6)
                assert trials.gain[row, number] == pytest.approx(gain, rel=1e-5)
                if sites:
                    moved = np.subtract(bonds(liquids, w), bonds(liquids, liquids.fractions))
                    assert_allclose(trials.bonds[row, number], moved, rtol=1e-4, atol=1e-9)
    # the mixtures that are kept keep their own
    keep = np.array([True, False, True, True])
    kept = Feed(mixtures)
    kept.keep(keep)
    for one, other in zip(kept.trials(fields[keep]), feed.trials(fields), strict=True):
        assert_allclose(one, other[keep], rtol=1e-7, atol=1e-10)
    assert feed.trials(np.zeros_like(fields)).same.all()


@pytest.mark.parametrize("sites", [False, True])
def test_what_lies_below_the_tangent_plane_gains_more_than_it_costs(sites):
    """Cost less gain is g(w) less its tangent plane at the mixture, by differences of g."""
    mixtures = question(sites, True)
    w = np.random.default_rng(3).dirichlet(np.ones(N), COUNT) * (mixtures.fractions > 0)
    w /= w.sum(axis=-1, keepdims=True)
    found = Feed(mixtures).phases(w[:, None, :])
    for row in range(COUNT):
        liquids, there = single(mixtures, row)
        phi, change = liquids.fractions, w[row][there] - liquids.fractions
        ends = [energy(liquids, phi + step * change) for step in (1e-4, -1e-4)]
        plane = energy(liquids, phi) + (ends[0] - ends[1]) / 2e-4
        below = energy(liquids, w[row][there]) - plane
        assert found.cost[row, 0] - found.gain[row, 0] == pytest.approx(below, rel=1e-5)


@pytest.mark.parametrize("gap", [False, True])
def test_a_trial_that_would_overflow_does_not(gap):
    """A polymer far off: ln w of its own is the only one that counts, so lam -> -q.(d - m) - ln(phi)/V."""
    fractions = [[0.5, 0.5 - 0.2 * gap, 0.2 * gap]]
    feed = Feed(gather(fractions, [100.0, 1e6, 100.0], [[16.0, 0, 0], [16.0, 0, 20.0], [15.0, 0, 0]]))
    trials = feed.trials(np.array([[[0.0, 0.0, 2.0, 0.0, 0.0, 1.0]]]))
    assert_allclose(trials.fractions[0, 0], [0.0, 1.0, 0.0], atol=1e-9)


@pytest.mark.parametrize(("sites", "shared"), CASES)
def test_how_a_trial_answers_to_its_fields_is_that_of_finite_differences(sites, shared):
    feed = Feed(question(sites, shared))
    fields = random_fields(feed, 0.01)
    trials = feed.trials(fields)
    spread = spread_of(feed, trials)

    def measured(at):
        there = feed.trials(at)
        own = (feed.free[:, None, :] * np.exp(-trials.own_drive[..., feed.rank :]))[..., None, :] * feed.sorting
        sums = np.matmul(there.fractions, feed.moments)
        return sums, np.matmul(own, sums[..., feed.rank :, None])[..., 0], there.level

    for place in range(fields.shape[-1]):
        size = 1e-5 * np.abs(fields[..., place]).max() + 1e-12
        if size < 1e-11:
            continue  # liquids without sites have no A and D
        ends = []
        for sign in (1, -1):
            moved = fields.copy()
            moved[..., place] += sign * size
            ends.append(measured(moved))
        for found, first, second in zip(spread, *ends, strict=True):
            expected = (first - second) / (2 * size)
            assert_allclose(found[..., place], expected, rtol=1e-4, atol=1e-5 * np.abs(expected).max())


@pytest.mark.parametrize("sites", [False, True])
def test_one_newton_step_leaves_the_square_of_the_way_to_a_maximum(sites):
    mixtures = question(sites, True).take(np.array([0]))
    feed = Feed(mixtures)
    there = maxima(mixtures).best.fields[0]
    for share in (1e-2, 1e-3):
        fields = there * (1 + share * np.random.default_rng(3).normal(size=there.size))
        steps = steps_of(feed, feed.trials(fields[None, None]))
        left = fields + steps.newton[0, 0] - there
        assert steps.usable.all()
        assert steps.climb[0, 0] >= 0
        assert np.abs(left / np.where(there != 0, there, 1.0)).max() < 30 * share**2


@pytest.mark.parametrize("sites", [False, True])
def test_the_search_sets_out_for_every_component_and_along_the_fluctuation(sites):
    mixtures = question(sites, True)
    feed = Feed(mixtures)
    shape = Shape.of(feed)
    with np.errstate(all="ignore"):  # as in a search: what is not there has no logarithm
        fields = starts.nearer_starts(feed, shape)
        few = starts.starts_of(feed, shape)
    assert fields.shape[1] == 2 * (N + 4)
    assert few.shape[1] == 6 + 4
    assert (fields[..., -1] > 0).all()
    trials = feed.trials(starts.within(feed, fields))
    assert np.isfinite(trials.fractions).all()
    # each component that is there is richer in the trial that sets out for it
    for row, component in np.argwhere(mixtures.fractions > 0):
        richer = trials.fractions[row, :, component].max()
        assert richer > mixtures.fractions[row, component]


@pytest.mark.parametrize("sites", [False, True])
def test_of_the_steps_along_the_fluctuation_the_one_that_lowers_most_is_taken(sites):
    mixtures = question(sites, False)
    mixtures = mixtures.times(1.3 / Shape.of(Feed(mixtures)).local)
    found = fluctuation(mixtures)
    trials = Feed(mixtures).trials(found[:, None, :])
    for row in range(COUNT):
        liquids, there = single(mixtures, row)
        gain, cost = gain_and_cost(liquids, trials.fractions[row, 0][there])
        assert gain > cost  # it lies below the tangent plane


@pytest.mark.parametrize("sites", [False, True])
def test_maxima_are_maxima_distinct_and_the_best_first(sites):
    for row in range(COUNT):
        mixtures = question(sites, True, absent=False).take(np.array([row]))
        liquids, _ = single(mixtures, 0)
        found = maxima(mixtures)
        assert len(found.fields) > 0
        heights = []
        for fields in found.fields:
            w = driven(liquids, fields)
            gain, cost = gain_and_cost(liquids, w)
            heights.append(gain / cost)
            # the fields of a maximum are those that it makes of itself
            back = np.append(2.0 * cost / gain * (w - liquids.fractions) @ liquids.points, cost / gain)
            own = np.append(fields[:-3], fields[-1])
            assert_allclose(back, own, atol=2e-3 * np.abs(own[:-1]).max(), rtol=2e-3)
            for step in np.random.default_rng(row).normal(0, 1e-2, (20, w.size)):
                other = w * np.exp(step)
                gain, cost = gain_and_cost(liquids, other / other.sum())
                assert gain / cost < heights[-1] * (1 + 1e-7)
        assert heights == sorted(heights, reverse=True)
        assert found.best.value[0] == pytest.approx(heights[0], rel=1e-6)
        scale = Shape.of(Feed(mixtures)).scale[0]
        places = found.fields[:, :-1] * scale
        gaps = [np.linalg.norm(a - b) for i, a in enumerate(places) for b in places[:i]]
        assert min(gaps, default=1.0) > 0.1 * np.linalg.norm(places, axis=1).min()


@pytest.mark.parametrize("sites", [False, True])
def test_slope_along_a_line_of_mixtures_is_that_of_finite_differences(sites):
    """d ln M/dt while the trial phase stays and the mixture moves, one component leaving it that was scarce."""
    mixtures = question(sites, False)
    w = np.random.default_rng(8).dirichlet(np.ones(N), COUNT) * (mixtures.fractions > 0)
    w /= w.sum(axis=-1, keepdims=True)
    direction = np.roll(mixtures.fractions, 1, axis=0) - mixtures.fractions
    direction *= mixtures.fractions > 0
    direction -= mixtures.fractions * direction.sum(axis=-1, keepdims=True)
    slopes = _slope(Feed(mixtures), w, direction)
    for row in range(COUNT):
        liquids, there = single(mixtures, row)
        ends = []
        for step in (1e-6, -1e-6):
            moved = liquids._replace(fractions=liquids.fractions + step * direction[row][there])
            gain, cost = gain_and_cost(moved, w[row][there])
            if gain < 0:
                break
            ends.append(np.log(gain / cost))
        if len(ends) == 2:
            assert slopes[row] == pytest.approx((ends[0] - ends[1]) / 2e-6, rel=1e-4)


def test_the_step_to_a_cloud_point_is_exact_where_ln_m_is_linear_in_the_log_of_the_odds():
    """ln M = c (ln t/(1 - t) - ln t0/(1 - t0)), so d ln M/dt = c/(t (1 - t)); at the ends the plain step is left."""
    t, t0, c = np.array([0.1, 0.5, 0.9]), np.array([0.3, 0.2, 0.95]), np.array([0.5, -2.0, 1.0])
    value = c * (np.log(t / (1 - t)) - np.log(t0 / (1 - t0)))
    assert_allclose(logistic_step(t, value, c / (t * (1 - t))), t0, rtol=1e-12)
    assert_allclose(logistic_step(np.array([0.0, 1.0]), np.array([-0.5, 0.5]), np.array([2.0, 2.0])), [0.25, 0.75])
