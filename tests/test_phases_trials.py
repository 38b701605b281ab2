"""Trial phases: what they are, gain and cost, how they answer to their tilt, and where the search for them sets out.

Everything against the formulas of `phases.stability` written out component by component, and finite differences.
"""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from hspkit.phases import climb, starts
from hspkit.phases.mixture import Mixtures, gather
from hspkit.phases.search import fluctuation, maxima
from hspkit.phases.tilts import Tilting, covariance, curved, modes
from hspkit.phases.titration import _newton as logistic_step
from hspkit.phases.titration import _slope

CASES = [(3, True), (3, False), (5, True), (5, False)]
COUNT, N = 4, 6


def signs(rank):
    return np.array([1.0, 1, 1, 1, -1])[:rank]


def question(rank, shared, *, absent=True):
    """Four mixtures of six liquids, of one set of parameters or of four; one lacks two of them."""
    rng = np.random.default_rng(10 * rank + shared)
    own = () if shared else (COUNT,)
    hsp = rng.normal([17, 5, 9], [1, 3, 5], (*own, N, 3))
    if rank == 5:
        hsp = np.concatenate([hsp, rng.uniform(0, 6, (*own, N, 2))], axis=-1)
    fractions = rng.dirichlet(np.ones(N), COUNT)
    if absent:
        fractions[1, [1, 4]] = 0.0
        fractions /= fractions.sum(axis=-1, keepdims=True)
    return gather(fractions, rng.uniform(60, 250, (*own, N)), hsp, alpha=0.6)


def single(mixtures, row):
    """Fractions, volumes and points of one mixture, without what is not there; and which are."""
    there = mixtures.fractions[row] > 0
    sizes, points = (np.broadcast_to(x, (COUNT, *x.shape[1:]))[row] for x in (mixtures.volumes, mixtures.points))
    return mixtures.fractions[row][there], sizes[there], points[there], there


def ln_ratio(phi, sizes, points, w):
    """ln of gain at a = 1 over cost of a trial phase, as the head of `phases.stability` has it."""
    shift = (w - phi) @ points
    gain = (signs(points.shape[-1]) * shift**2).sum()
    return np.log(gain / ((w * np.log(w / phi) - w + phi) / sizes).sum())


def tilted(phi, sizes, points, q):
    """w = phi exp(V (lam + q.(d - m))), lam by bisection."""
    push = sizes * ((points - phi @ points) @ q)
    low, high = -10.0, 10.0
    for _ in range(200):
        lam = 0.5 * (low + high)
        low, high = (low, lam) if (phi * np.exp(np.minimum(push + sizes * lam, 600.0))).sum() > 1 else (lam, high)
    return phi * np.exp(push + sizes * lam), lam


@pytest.mark.parametrize(("rank", "shared"), CASES)
@pytest.mark.parametrize("reach", [0.001, 0.02])
def test_a_tilt_is_what_it_says(rank, shared, reach):
    mixtures = question(rank, shared)
    field = Tilting(mixtures)
    q = np.random.default_rng(1).normal(0, reach, (COUNT, 3, rank))
    for guess in (None, np.full((COUNT, 3), 0.1)):
        tilt = field.tilt(q, guess)
        for row in range(COUNT):
            phi, sizes, points, there = single(mixtures, row)
            for number in range(3):
                w, lam = tilted(phi, sizes, points, q[row, number])
                assert tilt.pressure[row, number] == pytest.approx(lam, abs=1e-9)
                assert_allclose(field.trial(q[:, number], tilt.pressure[:, number])[row][there], w, rtol=1e-7)
                assert (field.trial(q[:, number], tilt.pressure[:, number])[row][~there] == 0).all()
                assert_allclose(tilt.shift[row, number], (w - phi) @ points, rtol=1e-6, atol=1e-9)
                cost = ((w * np.log(w / phi) - w + phi) / sizes).sum()
                assert tilt.cost[row, number] == pytest.approx(cost, rel=1e-6)
                weight = w * sizes
                centre = weight @ points / weight.sum()
                spread = ((points - centre) * weight[:, None]).T @ (points - centre)
                assert_allclose(tilt.spread[row, number], spread, rtol=1e-6, atol=1e-7 * np.abs(spread).max())
                assert_allclose(tilt.centre[row, number], centre - phi @ points, atol=1e-7)
        assert not tilt.same.any()
    own = single(mixtures, 1)
    weight = own[0] * own[1]
    centre = weight @ own[2] / weight.sum()
    spread = ((own[2] - centre) * weight[:, None]).T @ (own[2] - centre)
    for found in (field.spread[1], covariance(mixtures)[1], covariance(mixtures, mixtures.fractions[:, None])[1, 0]):
        assert_allclose(found, spread, rtol=1e-9, atol=1e-9 * np.abs(spread).max())
    assert_allclose(field.centre[1], centre - own[0] @ own[2], atol=1e-9)
    assert field.tilt(1e-9 * q).same.all()
    # the mixtures that are kept keep their own
    keep = np.array([True, False, True, True])
    kept = Tilting(mixtures)
    kept.keep(keep)
    for one, other in zip(kept.tilt(q[keep]), tilt, strict=True):
        assert_allclose(one, other[keep], rtol=1e-7, atol=1e-10)


@pytest.mark.parametrize("gap", [False, True])
def test_a_tilt_that_would_overflow_does_not(gap):
    """A polymer far off: ln w of its own is the only one that counts, so lam -> -q.(d - m) - ln(phi)/V."""
    fractions = [[0.5, 0.5 - 0.2 * gap, 0.2 * gap]]
    mixtures = gather(fractions, [100.0, 1e6, 100.0], [[16.0, 0, 0], [16.0, 0, 20.0], [15.0, 0, 0]])
    field = Tilting(mixtures)
    q = np.array([[[0.0, 0.0, 2.0]]])
    tilt = field.tilt(q)
    w = field.trial(q[:, 0], tilt.pressure[:, 0])[0]
    assert_allclose(w, [0.0, 1.0, 0.0], atol=1e-9)
    assert tilt.shift[0, 0, 2] == pytest.approx(10.0 - 10.0 * fractions[0][1])


@pytest.mark.parametrize("rank", [3, 5])
def test_newton_steps_are_exact_where_the_spread_does_not_change(rank):
    """With C constant shift = b + C q and cost = c + q C q/2: ln ratio in closed form, differenced once and twice."""
    rng = np.random.default_rng(rank)
    count = 60
    half = rng.normal(size=(count, rank, rank))
    spread = half @ half.swapaxes(1, 2)
    spread[40:] *= 0.05
    q, base, least = rng.normal(size=(count, rank)), rng.normal(size=(count, rank)), rng.uniform(0.5, 5, count)
    base[:20], least[:20] = 0.1 * base[:20], 0.1 * least[:20]  # these are close to the mixture itself

    def shift(x):
        return base + np.einsum("bij,bj->bi", spread, x)

    def cost(x):
        return least + 0.5 * np.einsum("bi,bij,bj->b", x, spread, x)

    def value(x):
        return np.log((signs(rank) * shift(x) ** 2).sum(axis=-1)) - np.log(cost(x))

    with np.errstate(invalid="ignore"):
        some = np.isfinite(value(q))
    assert some.sum() > 40
    unit = 1e-4
    steps = unit * np.eye(rank)
    with np.errstate(invalid="ignore"):
        slope = np.array([(value(q + e) - value(q - e)) / (2 * unit) for e in steps]).T
        curve = np.array(
            [
                [
                    (value(q + e + f) - value(q + e - f) - value(q + f - e) + value(q - e - f)) / (4 * unit**2)
                    for e in steps
                ]
                for f in steps
            ]
        ).transpose(2, 0, 1)
    critical = cost(q) / (signs(rank) * shift(q) ** 2).sum(axis=-1)
    state = climb.Tilt(*(part[:, None] for part in (least, shift(q), cost(q), least > 9, spread, base)))
    balanced = 2.0 * critical[:, None] * shift(q) * signs(rank)
    step, usable, gain = climb._newton((q - balanced)[:, None], balanced[:, None], critical[:, None], state)
    seen = set()
    for row in np.flatnonzero(some):
        theirs = np.linalg.solve(curve[row], slope[row])  # to be taken away
        rises = -0.5 * slope[row] @ theirs
        if np.linalg.cond(curve[row]) > 1e3:
            continue
        turned = np.eye(rank) - 2.0 * critical[row] * signs(rank)[:, None] * spread[row]
        definite = (np.linalg.eigvals(turned).real > 0).all()
        if rises < 0:  # it would go down: the plain step, and no promise
            theirs = np.linalg.solve(turned, (q - balanced)[row])
        assert_allclose(step[row, 0], theirs, rtol=2e-3, atol=2e-3 * np.abs(theirs).max())
        assert usable[row, 0] == (definite or rises > 0)
        assert gain[row, 0] == (pytest.approx(rises, rel=2e-3) if definite and rises > 0 else np.inf)
        seen.add((bool(definite), bool(rises > 0)))
    assert len(seen) > 2


@pytest.mark.parametrize(("rank", "shared"), CASES)
def test_one_newton_step_leaves_the_square_of_the_way_to_a_maximum(rank, shared):
    mixtures = question(rank, shared).take(np.array([0]))
    field = Tilting(mixtures)
    there = maxima(mixtures).best.direction[0]
    away = 1e-3 * np.linalg.norm(there) * np.random.default_rng(3).normal(size=rank)
    q = (there + away)[None, None]
    state = field.tilt(q)
    critical = climb._critical(state, 1.0 / (2.0 * modes(field.spread)[0][:, -1]))
    balanced = 2.0 * critical[..., None] * state.shift * signs(rank)
    step, usable, gain = climb._newton(q - balanced, balanced, critical, state)
    assert usable.all()
    assert np.linalg.norm(step[0, 0] - away) < 0.25 * np.linalg.norm(away)
    assert np.isfinite(gain).all()


def test_critical_strength_by_hand():
    """Cost over gain; at the mixture itself the local one; a trial that gains nothing is far from paying."""
    shift = np.array([[[2.0, 0, 0, 0, 1.0], [0, 0, 0, 0, 1.0], [0.0] * 5, [3.0, 0, 0, 0, 0]]])
    same = np.array([[False, False, False, True]])
    state = climb.Tilt(np.zeros((1, 4)), shift, np.array([[6.0, 6, 6, 6]]), same, np.zeros((1, 4, 5, 5)), shift)
    assert_allclose(climb._critical(state, np.array([0.5])), [[2.0, 500.0, 500.0, 0.5]])


def test_bookkeeping_of_trials_against_loops():
    rng = np.random.default_rng(4)
    critical = rng.integers(1, 6, (40, 5)).astype(float)
    q = rng.normal(size=(40, 1, 3)) * (1 + rng.choice([0.0, 0.008, 0.03, 0.5], (40, 5, 1)))
    pressure = rng.normal(size=(40, 5))
    best = climb._Best(np.full(50, 2.5), np.zeros((50, 3)), np.zeros(50))
    rows = rng.permutation(50)[:40]
    best.note(rows, critical, q, pressure)
    followers = climb._followers(q, critical)
    for here, row in enumerate(rows):
        pick = int(critical[here].argmin())
        if critical[here, pick] < 2.5:
            assert best.critical[row] == critical[here, pick]
            assert (best.direction[row] == q[here, pick]).all()
            assert best.pressure[row] == pressure[here, pick]
        else:
            assert best.critical[row] == 2.5
        for one in range(5):
            ahead = [o for o in range(5) if (critical[here, o], o) < (critical[here, one], one)]
            close = [np.linalg.norm(q[here, one] - q[here, o]) <= 0.02 * np.linalg.norm(q[here, one]) for o in ahead]
            assert followers[here, one] == any(close)
    old, new = (
        climb.Tilt(*(rng.normal(size=(3, 2, *tail)) for tail in ((), (3,), (), (), (3, 3), (3,)))) for _ in range(2)
    )
    take = np.array([[True, False], [False, False], [True, True]])
    for merged, one, other in zip(climb._merge(take, new, old), new, old, strict=True):
        assert (merged[take] == one[take]).all()
        assert (merged[~take] == other[~take]).all()


def test_what_returns_to_the_feed_falls_in_proportion_to_its_length():
    """Close to the mixture ln ratio is that of the mixture less s t at the length t: then slope times length is the
    deficit, and the trial comes back to the mixture itself. With C = 1 and cost 1 the slope is residual.q."""
    q = np.array([[[1.0, 0, 0]] * 6])
    residual = q * np.array([0.5, 0.8, 0.9, 1.1, 1.2, -1.0])[None, :, None] * 0.01
    state = climb.Tilt(*[np.ones((1, 6))] * 4, np.broadcast_to(np.eye(3), (1, 6, 3, 3)), q)
    found = climb._returns_to_feed(q, residual, state, np.full((1, 6), 0.01))
    assert found.tolist() == [[False, False, True, True, False, False]]
    assert not climb._returns_to_feed(
        q, residual, state._replace(cost=np.full((1, 6), 2.0)), np.full((1, 6), 0.01)
    ).any()


def test_curvature_is_divided_along_each_mode():
    half = np.random.default_rng(5).normal(size=(4, 3, 3))
    spread, residual = half @ half.swapaxes(1, 2), np.random.default_rng(6).normal(size=(4, 3))
    strength = np.array([0.1, 0.5, 1.0, 5.0])
    for row in range(4):
        values, vectors = np.linalg.eigh(spread[row])
        bend = np.maximum(np.abs(1.0 - 2.0 * strength[row] * values), 0.02)
        expected = vectors @ ((vectors.T @ residual[row]) / bend)
        assert_allclose(curved(spread, strength, 0.02, residual)[row], expected, rtol=1e-9)
        q = np.ones((4, 3))
        step = climb._past_saddle(q, residual, strength, spread)[row]
        longer = max(1.0, 0.5 * np.sqrt(3.0) / np.linalg.norm(expected))
        assert_allclose(step, longer * expected, rtol=1e-9)


@pytest.mark.parametrize(("rank", "shared"), CASES)
def test_the_search_sets_out_for_unlike_components_by_what_they_cost(rank, shared):
    mixtures = question(rank, shared)
    field = Tilting(mixtures)
    values, vectors = modes(field.spread)
    along = vectors[:, :, -1] * np.sqrt(field.moles / values[:, -1])[:, None]
    few, every = starts.few(field, along), starts.every(field, along)
    assert few.shape[1] == 4 + 2 + 2
    assert every.shape[1] == N + 2 + 2 + 6
    for row in range(COUNT):
        phi, sizes, points, there = single(mixtures, row)
        mean = phi @ points
        tilts = {}
        for place, i in enumerate(np.flatnonzero(there)):
            # the pure liquid as a trial phase: cost (ln(1/phi_i) - 1)/V_i + sum phi/V, q = 2 cost/gain (d - m)
            away = points[place] - mean
            gain = max((signs(rank) * away**2).sum(), 0.05 * (away**2).sum())
            cost = (np.log(1 / phi[place]) - 1) / sizes[place] + (phi / sizes).sum()
            tilts[i] = 2.0 * cost / gain * away * signs(rank)
            assert_allclose(every[row, i], tilts[i], rtol=1e-9)
        assert (every[row, np.flatnonzero(~there)] == 0).all()
        # the farthest from the mean first, then the one farthest from all that were taken
        order, here = [], list(np.flatnonzero(there))
        gaps = {i: ((points[p] - mean) ** 2).sum() for p, i in enumerate(here)}
        while len(order) < len(here):
            order.append(max((i for i in here if i not in order), key=gaps.get))
            last = points[here.index(order[-1])]
            gaps = {i: min(gaps[i], ((points[p] - last) ** 2).sum()) for p, i in enumerate(here)}
        for place, i in enumerate(order[:4]):
            assert_allclose(few[row, place], tilts[i], rtol=1e-9)
        for place, i in enumerate(order):
            assert_allclose(every[row, N + 4 + place], 0.1 * tilts[i], rtol=1e-9)
        assert_allclose(few[row, 4:6], [along[row], -along[row]])
        # close by: to the side on which the third cumulant along the fluctuation is positive, and to the largest
        weight = phi * sizes
        third = (weight * sizes * ((points - weight @ points / weight.sum()) @ along[row]) ** 3).sum()
        assert_allclose(few[row, 6], 0.1 * np.sign(third) * along[row], rtol=1e-9)
        assert_allclose(few[row, 7], 0.1 * tilts[here[int(sizes.argmax())]], rtol=1e-9)
        assert_allclose(every[row, N : N + 4], few[row, 4:8])


@pytest.mark.parametrize("rank", [3, 5])
def test_of_the_steps_along_the_fluctuation_the_one_that_pays_most_is_taken(rank):
    mixtures = question(rank, False)
    local = 2.0 * mixtures.strength * modes(covariance(mixtures))[0][:, -1]
    mixtures = replace(mixtures, strength=mixtures.strength * 1.3 / local)
    found = fluctuation(mixtures)
    for row in range(COUNT):
        phi, sizes, points, there = single(mixtures, row)
        along = found.direction[row] / np.linalg.norm(found.direction[row])
        weight = phi * sizes
        centre = weight @ points / weight.sum()
        spread = ((points - centre) * weight[:, None]).T @ (points - centre)
        # along a mode of S C: S C q is parallel to q
        turned = signs(rank) * (spread @ along)
        assert abs(turned @ along) == pytest.approx(np.linalg.norm(turned), rel=1e-6)

        def pays(q, phi=phi, sizes=sizes, points=points, a=mixtures.strength[row]):
            w, _ = tilted(phi, sizes, points, q)
            shift = (w - phi) @ points
            return a * (signs(rank) * shift**2).sum() - ((w * np.log(w / phi) - w + phi) / sizes).sum()

        length = np.sqrt((phi / sizes).sum() / abs(along @ spread @ along)) * abs(turned @ along) ** 0.5
        every = [
            sign * 2.0**k * length / np.sqrt(abs(turned @ along)) * along for k in range(-10, 4) for sign in (1, -1)
        ]
        best = pays(found.direction[row])
        w, lam = tilted(phi, sizes, points, found.direction[row])
        assert best > 0
        assert best == pytest.approx(max(pays(q) for q in every), rel=1e-6)
        assert found.value[row] == pytest.approx(mixtures.strength[row] * np.exp(ln_ratio(phi, sizes, points, w)))
        assert found.pressure[row] == pytest.approx(lam, abs=1e-9)
        assert_allclose(found.fractions[row][there], w, rtol=1e-7)


@pytest.mark.parametrize("rank", [3, 5])
def test_maxima_are_maxima_distinct_and_the_best_first(rank):
    for row in range(COUNT):
        mixtures = question(rank, True, absent=False).take(np.array([row]))
        phi, sizes, points = mixtures.fractions[0], mixtures.volumes[0], mixtures.points[0]
        found = maxima(mixtures)
        assert len(found.tilts) > 0
        heights = []
        for q in found.tilts:
            heights.append(ln_ratio(phi, sizes, points, tilted(phi, sizes, points, q)[0]))
            # the tilt of a maximum is 2 a* S (m(w) - m): what it makes of itself
            w = tilted(phi, sizes, points, q)[0]
            back = 2.0 * np.exp(-heights[-1]) * signs(rank) * ((w - phi) @ points)
            assert_allclose(back, q, atol=1e-3 * np.linalg.norm(q))
        assert heights == sorted(heights, reverse=True)
        assert found.best.value[0] == pytest.approx(mixtures.strength[0] * np.exp(heights[0]), rel=1e-6)
        gaps = [np.linalg.norm(a - b) for i, a in enumerate(found.tilts) for b in found.tilts[:i]]
        assert min(gaps, default=1.0) > 0.1 * np.linalg.norm(found.tilts, axis=1).min()


@pytest.mark.parametrize("rank", [3, 5])
def test_slope_along_a_line_of_mixtures_is_that_of_finite_differences(rank):
    """d ln M/dt while the trial phase stays and the mixture moves, one component leaving it that was scarce."""
    mixtures = question(rank, False)
    w = np.random.default_rng(8).dirichlet(np.ones(N), COUNT) * (mixtures.fractions > 0)
    w /= w.sum(axis=-1, keepdims=True)
    direction = np.roll(mixtures.fractions, 1, axis=0) - mixtures.fractions
    direction *= mixtures.fractions > 0
    direction -= mixtures.fractions * direction.sum(axis=-1, keepdims=True)
    value, ends = np.zeros(COUNT), np.zeros((2, COUNT))
    for row in range(COUNT):
        phi, sizes, points, there = single(mixtures, row)
        value[row] = mixtures.strength[0] * np.exp(ln_ratio(phi, sizes, points, w[row][there]))
        for number, step in enumerate((1e-6, -1e-6)):
            ends[number, row] = ln_ratio(phi + step * direction[row][there], sizes, points, w[row][there])
    trial = climb.Trial(value, np.zeros((COUNT, rank)), np.zeros(COUNT), w)
    wide = Mixtures(mixtures.fractions, mixtures.volumes, mixtures.points, mixtures.strength, (COUNT,))
    assert_allclose(_slope(wide, trial, direction), (ends[0] - ends[1]) / 2e-6, rtol=1e-5)


def test_the_step_to_a_cloud_point_is_exact_where_ln_m_is_linear_in_the_log_of_the_odds():
    """ln M = c (ln t/(1 - t) - ln t0/(1 - t0)), so d ln M/dt = c/(t (1 - t)); at the ends the plain step is left."""
    t, t0, c = np.array([0.1, 0.5, 0.9]), np.array([0.3, 0.2, 0.95]), np.array([0.5, -2.0, 1.0])
    value = c * (np.log(t / (1 - t)) - np.log(t0 / (1 - t0)))
    assert_allclose(logistic_step(t, value, c / (t * (1 - t))), t0, rtol=1e-12)
    assert_allclose(logistic_step(np.array([0.0, 1.0]), np.array([-0.5, 0.5]), np.array([2.0, 2.0])), [0.25, 0.75])
