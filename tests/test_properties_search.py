"""What must hold for every search: the best blend beats every other, a fitted sphere moves with its trials."""

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from hspkit import HSP, SphereFit, best_blend, carrier, carriers, distance, phases
from hspkit.hansen import mix
from hspkit.sphere import OUTCOMES, desirability

FEW = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
NAMES = [name for name in carriers()["carrier"] if carrier(name).hsp][:12]
target = st.builds(HSP, st.floats(15, 19), st.floats(0, 14), st.floats(0, 26))


def _mixing(names, shares):
    """Parameters of those blends (b, n) that surely stay one liquid: others are no blends, and none is proposed."""
    hsp = np.array([carrier(name).hsp.array for name in names])
    volumes = [carrier(name).volume for name in names]
    return (shares @ hsp)[phases.binodal_index(shares, volumes, hsp) < 0.3]


@FEW
@given(target, st.lists(st.sampled_from(NAMES), min_size=2, max_size=4, unique=True), st.integers(0, 2**32 - 1))
@example(HSP(16, 4, 8), ["glycerol", "tricaprylin"], 0)  # they mix up to 0.5 % of glycerol
def test_no_blend_is_nearer_than_the_best(point, names, seed):
    search = best_blend(point, names, max_carriers=len(names))
    least = search.certificate.value
    assert distance(search.best.hsp, point) == pytest.approx(least, abs=1e-6)
    others = np.vstack([np.eye(len(names)), np.random.default_rng(seed).dirichlet(np.full(len(names), 0.5), 300)])
    assert np.min(distance(_mixing(names, others), point)) >= least - 1e-6


@FEW
@given(target, st.permutations(NAMES[:4]), st.floats(0.3, 1.0), st.floats(0.0, 0.2), st.integers(0, 2**32 - 1))
def test_no_blend_within_the_limits_is_nearer_than_the_best(point, names, most, least, seed):
    limits = {"max_share": {names[0]: most}, "min_share": {names[1]: least}}
    search = best_blend(point, names, max_carriers=4, **limits)
    shares = dict(zip([part.name for part in search.best.parts], search.best.volume_fractions, strict=True))
    assert shares.get(names[0], 0.0) <= most + 1e-6
    assert shares.get(names[1], 0.0) >= least - 1e-6
    others = np.vstack([np.eye(4), np.random.default_rng(seed).dirichlet(np.full(4, 0.5), 300)])
    others = others[(others[:, 0] <= most) & (others[:, 1] >= least)]
    assert np.all(distance(_mixing(names, others), point) >= search.certificate.value - 1e-6)


@FEW
@given(target, st.permutations(NAMES[:5]))
def test_the_best_blend_is_a_mixture_of_its_parts(point, names):
    best = best_blend(point, names).best
    hsp = [part.hsp.array for part in best.parts]
    assert_allclose(best.hsp.array, mix(hsp, best.volume_fractions), rtol=1e-9)


trial = st.tuples(st.floats(14, 20), st.floats(0, 16), st.floats(0, 25), st.sampled_from(OUTCOMES))
sphere = st.tuples(st.floats(14, 20), st.floats(0, 16), st.floats(0, 25), st.floats(1, 15))
shift = st.tuples(st.floats(0, 6), st.floats(0, 6), st.floats(0, 6))


def apart(trials):
    """Return parameters (n, 3) and outcomes of trials."""
    return np.array([one[:3] for one in trials]), [one[3] for one in trials]


@given(st.lists(trial, min_size=1, max_size=8), sphere, shift, st.randoms(use_true_random=False))
def test_desirability_moves_with_its_trials_and_knows_no_order(trials, ball, by, random):
    hsp, seen = apart(trials)
    first = desirability(ball[:3], ball[3], hsp, seen)
    assert 0 < first <= 1
    assert desirability(np.add(ball[:3], by), ball[3], hsp + by, seen) == pytest.approx(first, rel=1e-9)
    order = random.sample(range(len(seen)), len(seen))
    assert desirability(ball[:3], ball[3], hsp[order], [seen[i] for i in order]) == pytest.approx(first, rel=1e-12)
    twice = desirability(ball[:3], ball[3], np.vstack([hsp, hsp]), [*seen, *seen])
    assert twice == pytest.approx(first, rel=1e-12)


@pytest.mark.parametrize("seed", range(4))
def test_the_fitted_sphere_moves_with_its_trials(seed):
    """The optimum of the moved trials, within moved bounds, is as good, and the moved sphere is one of the best."""
    rng = np.random.default_rng(seed)
    hsp = rng.uniform([14, 0, 0], [20, 16, 25], (14, 3))
    seen = np.where(distance(hsp, [17, 7, 9]) + rng.normal(0, 2.0, 14) < 7, "clear", "splits")
    by = rng.uniform(0, 5, 3)
    bounds = np.array([[13.0, 22.0], [0.0, 20.0], [0.0, 30.0]])
    first = SphereFit(0, bounds=bounds.tolist()).fit(hsp, seen)
    moved = SphereFit(0, bounds=(bounds + by[:, None]).tolist()).fit(hsp + by, seen)
    assert moved.desirability_ == pytest.approx(first.desirability_, abs=1e-6)
    assert desirability(first.center_ + by, first.radius_, hsp + by, seen) == pytest.approx(
        moved.desirability_, abs=1e-6
    )
    order = rng.permutation(14)
    turned = SphereFit(0, bounds=bounds.tolist()).fit(hsp[order], seen[order])
    assert turned.desirability_ == pytest.approx(first.desirability_, abs=1e-6)
    assert {row.outcome for row in turned.misplaced_} == {row.outcome for row in first.misplaced_}
