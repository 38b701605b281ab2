"""The exact part of blending: every support solved, against general solvers and geometry.

Outside references: scipy's SLSQP and trust-constr (convex programs), HiGHS through scipy.optimize.linprog and milp, and
Qhull through scipy.spatial.
"""

import itertools

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, linprog, milp, minimize
from scipy.spatial import ConvexHull, Delaunay

from hspkit import best_blend, carrier
from hspkit.blending.exact import search_exact
from hspkit.blending.limits import Limits
from hspkit.blending.problem import Problem, compositions
from hspkit.blending.supports import Convex, combinations, rank_of, solve_supports
from hspkit.hansen import HSP

WEIGHTS = np.array([2.0, 1.0, 1.0])
LIQUIDS = ["propylene glycol", "triacetin", "triethyl citrate", "MCT", "benzyl alcohol", "ethyl lactate", "glycerol"]


def scaled(rows, bounds):
    size = np.maximum(np.abs(rows).max(axis=1), np.abs(bounds))
    return rows / size[:, None], bounds / size


def random_problem(rng, n=None, m=None):
    """Carriers all over Hansen space, and limits of which some bind, some do not and some clash."""
    n = int(rng.integers(4, 9)) if n is None else n
    m = int(rng.integers(0, 7)) if m is None else m
    points = (rng.uniform([14, 0, 2], [21, 17, 30], (n, 3)) - rng.uniform([14, 0, 2], [21, 17, 30])) * WEIGHTS
    rows = rng.normal(size=(m, n)) if rng.random() < 0.5 else rng.uniform(0, 1, (m, n))
    bounds = np.quantile(rows, rng.uniform(0.2, 0.9), axis=1) if m else np.zeros(0)
    return points, *(scaled(rows, bounds) if m else (rows, bounds))


def slsqp(points, rows, bounds, start):
    """Value that SLSQP reaches within the limits; inf when it ends outside them."""
    size = len(points)
    constraints = [{"type": "eq", "fun": lambda x: x.sum() - 1, "jac": lambda x: np.ones(size)}]
    if len(bounds):
        constraints.append({"type": "ineq", "fun": lambda x: bounds - rows @ x, "jac": lambda x: -rows})
    done = minimize(
        lambda x: np.sum((x @ points) ** 2),
        start,
        jac=lambda x: 2 * points @ (x @ points),
        method="SLSQP",
        bounds=[(0, 1)] * size,
        constraints=constraints,
        options={"ftol": 1e-13, "maxiter": 400},
    )
    x = np.clip(done.x, 0, None)
    if abs(x.sum() - 1) > 1e-7 or (len(bounds) and np.max(rows @ x - bounds) > 1e-7):
        return np.inf
    return float(np.sum((x @ points) ** 2))


def possible(rows, bounds, size):
    if not len(bounds):
        return True
    found = linprog(np.zeros(size), A_ub=rows, b_ub=bounds, A_eq=np.ones((1, size)), b_eq=[1.0], bounds=(0, 1))
    return found.status == 0


def check_against_slsqp(seed, supports_each):
    rng = np.random.default_rng(seed)
    points, rows, bounds = random_problem(rng)
    solved = solve_supports([points], rows, bounds, 4)
    best = min((one.closed.min(), size) for size, one in enumerate(solved))
    picks = [(best[1], int(np.argmin(solved[best[1]].closed)))]
    for _ in range(supports_each):
        size = int(rng.integers(0, len(solved)))
        picks.append((size, int(rng.integers(0, len(solved[size].supports)))))
    for size, row in picks:
        one = solved[size]
        support = one.supports[row]
        closed = one.closed[row]
        mine, limits = points[support], rows[:, support]
        assert np.isfinite(closed) == possible(limits, bounds, len(support)) or closed_by_a_hair(limits, bounds)
        if not np.isfinite(closed):
            continue
        starts = [np.full(len(support), 1 / len(support)), rng.dirichlet(np.ones(len(support)))]
        theirs = min(slsqp(mine, limits, bounds, start) for start in starts)
        assert closed <= theirs + 1e-7 * (1 + theirs), "a general solver found a better blend"
        if np.isfinite(theirs):
            assert closed == pytest.approx(theirs, rel=1e-4, abs=1e-5), "better than a convex optimum can be"
        if np.isfinite(one.value[row]):
            x = one.fractions[row]
            assert x.sum() == pytest.approx(1)
            assert x.min() > 0
            assert np.all(limits @ x <= bounds + 1e-8)
            assert np.sum((x @ mine) ** 2) == pytest.approx(one.value[row], rel=1e-9, abs=1e-12)


def closed_by_a_hair(rows, bounds):
    """Whether a billionth of slack decides if anything keeps to the limits."""
    size = rows.shape[1]
    return possible(rows, bounds + 1e-7, size) != possible(rows, bounds - 1e-7, size)


def test_combinations_are_all_there_and_in_order():
    for n, size in ((5, 1), (6, 3), (7, 4), (3, 3)):
        found = combinations(n, size)
        assert {tuple(row) for row in found} == set(itertools.combinations(range(n), size))
        assert rank_of(found).tolist() == list(range(len(found)))
    assert len(combinations(2, 3)) == 0


@pytest.mark.parametrize("seed", range(60))
def test_agrees_with_slsqp_and_is_never_worse(seed):
    check_against_slsqp(seed, supports_each=4)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(1000, 1500))
def test_agrees_with_slsqp_on_500_random_problems(seed):
    check_against_slsqp(seed, supports_each=10)


@pytest.mark.filterwarnings("ignore:Singular Jacobian", "ignore:delta_grad")  # of trust-constr itself
@pytest.mark.parametrize("seed", range(5))
def test_agrees_with_trust_constr(seed):
    rng = np.random.default_rng(seed)
    points, rows, bounds = random_problem(rng, n=4, m=2)
    ours = min(one.closed.min() for one in solve_supports([points], rows, bounds, 4))
    theirs = minimize(
        lambda x: np.sum((x @ points) ** 2),
        np.full(4, 0.25),
        jac=lambda x: 2 * points @ (x @ points),
        hess=lambda x: 2 * points @ points.T,
        method="trust-constr",
        bounds=Bounds(0, 1),
        constraints=[LinearConstraint(np.ones((1, 4)), 1, 1), LinearConstraint(rows, -np.inf, bounds)],
        options={"gtol": 1e-9, "xtol": 1e-11, "maxiter": 3000},
    )
    assert np.isfinite(ours) == possible(rows, bounds, 4)
    if theirs.constr_violation > 1e-6:
        assert not np.isfinite(ours), "it fails only where there is nothing to find"
        return
    assert ours <= theirs.fun + 1e-5 * (1 + theirs.fun)
    assert ours == pytest.approx(theirs.fun, rel=1e-3, abs=1e-3)


@pytest.mark.parametrize("seed", range(12))
def test_several_targets_agree_with_slsqp(seed):
    rng = np.random.default_rng(seed)
    points, rows, bounds = random_problem(rng, n=4, m=int(rng.integers(0, 3)))
    targets = [points, *[points - rng.normal(0, 6, 3) for _ in range(2)]]
    ours = min(one.closed.min() for one in solve_supports(targets, rows, bounds, 4))

    def worst(x):
        return np.array([np.sum((x @ p) ** 2) for p in targets])

    found = np.inf
    for start in (np.full(4, 0.25), *rng.dirichlet(np.ones(4), 2)):
        constraints = [
            {"type": "eq", "fun": lambda v: v[:4].sum() - 1},
            {"type": "ineq", "fun": lambda v: v[4] - worst(v[:4])},
            *([{"type": "ineq", "fun": lambda v: bounds - rows @ v[:4]}] if len(bounds) else []),
        ]
        done = minimize(
            lambda v: v[4],
            np.append(start, worst(start).max()),
            method="SLSQP",
            bounds=[(0, 1)] * 4 + [(0, None)],
            constraints=constraints,
            options={"ftol": 1e-12, "maxiter": 500},
        )
        x = done.x[:4]
        if abs(x.sum() - 1) < 1e-7 and (not len(bounds) or np.max(rows @ x - bounds) < 1e-7):
            found = min(found, worst(x).max())
    assert np.isfinite(ours) == possible(rows, bounds, 4)
    assert ours <= found + 1e-6 * (1 + found)
    if np.isfinite(found):
        assert ours == pytest.approx(found, rel=1e-4, abs=1e-4)


def test_corners_edges_and_copies():
    rows, bounds = np.zeros((0, 4)), np.zeros(0)
    points = np.array([[0.0, 0, 0], [3, 0, 0], [0, 3, 0], [0, 3, 0]])
    solved = solve_supports([points], rows, bounds, 3)
    assert solved[0].value.tolist() == [0, 9, 9, 9]
    assert not np.isfinite(solved[1].value[[0, 1, 3]]).any(), "a blend with the perfect carrier needs that carrier only"
    assert solved[1].closed[rank_of(np.array([1, 2]))] == pytest.approx(4.5)
    assert not np.isfinite(solved[1].value[rank_of(np.array([2, 3]))]), "two equal carriers are no better than one"
    assert np.all(solved[2].closed[[0, 1, 2]] == 0)


def test_carriers_on_one_line_under_a_limit():
    # The points of three carriers lie on a line: every position on it can be reached in many ways.
    points = np.array([[1.0, -2, 0], [1.0, 1, 0], [1.0, 4, 0]])
    rows, bounds = np.array([[0.0, 1, 0]]), np.array([0.25])
    solved = solve_supports([points], rows, bounds, 3)
    assert min(one.closed.min() for one in solved) == pytest.approx(1.0)
    rows = np.array([[0.0, -1, 0]])
    bounds = np.array([-0.5])  # at least half of the middle one
    solved = solve_supports([points], rows, bounds, 3)
    assert min(one.closed.min() for one in solved) == pytest.approx(1.0)
    assert not np.isfinite(solved[0].closed[[0, 2]]).any()


def test_shares_fixed_by_two_opposite_limits():
    rng = np.random.default_rng(3)
    points = rng.normal(0, 5, (4, 3))
    rows = np.array([[1.0, 0, 0, 0], [-1.0, 0, 0, 0]])
    bounds = np.array([0.3, -0.3])
    for one in solve_supports([points], rows, bounds, 4):
        seen = np.isfinite(one.value)
        first = (one.supports == 0) & seen[:, None]
        assert one.fractions[first] == pytest.approx(0.3)
        assert first.any(axis=1).sum() == seen.sum()


def test_clashing_limits_leave_nothing():
    rows = np.array([[1.0, 1, 1], [-1.0, -1, -1]])
    solved = solve_supports([np.eye(3)], rows, np.array([1.0, -1.2]) / 1.2, 3)
    assert all(not np.isfinite(one.closed).any() for one in solved)


@pytest.mark.parametrize("seed", range(10))
def test_caratheodory_four_carriers_are_enough(seed):
    """Qhull says whether the target lies in the hull of the carriers, and how far the hull is when it does not."""
    rng = np.random.default_rng(seed)
    points = rng.normal(0, 4, (12, 3)) + rng.normal(0, 3, 3)
    rows, bounds = np.zeros((0, 12)), np.zeros(0)
    by_size = [float(one.closed.min()) for one in solve_supports([points], rows, bounds, 5)]
    inside = Delaunay(points).find_simplex(np.zeros(3)) >= 0
    assert (by_size[3] < 1e-12) == inside
    assert by_size[4] == pytest.approx(by_size[3], abs=1e-12)
    if inside:
        assert by_size[2] > 1e-6, "a point inside needs four"
    else:
        assert by_size[2] == pytest.approx(by_size[3]), "the nearest point of a hull lies on a face of three"
        facets = ConvexHull(points).equations
        assert np.sqrt(by_size[2]) >= np.max(facets[:, 3]) - 1e-9, "no nearer than the plane of a facet"


# --- problems with names ---


def made(targets, rows, bounds):
    liquids = [carrier(name) for name in LIQUIDS]
    limits = Limits(tuple(f"limit {i}" for i in range(len(bounds))), rows, bounds, np.ones(len(bounds)))
    return Problem(tuple(targets), liquids, limits, None, 3, (1.0, 2.0), 25.0, None)


@pytest.fixture
def all_mix(monkeypatch):
    """Leave out the question whether carriers mix, so that only the arithmetic of the grid is tested."""
    monkeypatch.setattr(Problem, "mixes", lambda self, support, shares: np.ones(len(np.atleast_2d(shares)), dtype=bool))


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("steps", [10, 20, 50])
def test_cheapest_blend_in_increments_agrees_with_milp(seed, steps, all_mix):
    rng = np.random.default_rng(seed)
    n = len(LIQUIDS)
    rows, bounds = scaled(rng.uniform(0, 1, (3, n)), rng.uniform(0.3, 0.6, 3))
    cost = rng.uniform(1, 20, n)
    found = search_exact(made([HSP(17, 5, 9)], rows, bounds), Convex([], cost), steps, 3)
    # whole steps of each carrier, and whether it is used: 2 n whole numbers
    used = np.hstack([np.eye(n), -steps * np.eye(n)])
    theirs = milp(
        np.append(cost / steps, np.zeros(n)),
        integrality=np.ones(2 * n),
        bounds=Bounds(0, np.append(np.full(n, steps), np.ones(n))),
        constraints=[
            LinearConstraint(np.append(np.ones(n), np.zeros(n))[None, :], steps, steps),
            LinearConstraint(np.append(np.zeros(n), np.ones(n))[None, :], 0, 3),
            LinearConstraint(np.hstack([rows / steps, np.zeros((3, n))]), -np.inf, bounds),
            LinearConstraint(used, -np.inf, 0),
        ],
        options={"mip_rel_gap": 0},
    )
    if theirs.status != 0:
        assert not found.recipes
    else:
        assert found.recipes[0].value == pytest.approx(theirs.fun, rel=1e-6)
        assert [recipe.value for recipe in found.recipes] == sorted(recipe.value for recipe in found.recipes)


def test_cheapest_blend_without_increments_agrees_with_linprog(all_mix):
    rng = np.random.default_rng(5)
    n = len(LIQUIDS)
    for _ in range(20):
        rows, bounds = scaled(rng.uniform(0, 1, (2, n)), rng.uniform(0.2, 0.6, 2))
        cost = rng.uniform(1, 20, n)
        found = search_exact(made([HSP(17, 5, 9)], rows, bounds), Convex([], cost), None, 1)
        theirs = linprog(cost, A_ub=rows, b_ub=bounds, A_eq=np.ones((1, n)), b_eq=[1.0], bounds=(0, 1))
        # a basic solution of one equation and two limits uses three carriers at most
        assert (theirs.status == 0) == bool(found.recipes)
        if found.recipes:
            assert found.recipes[0].value == pytest.approx(theirs.fun, rel=1e-7)


@pytest.mark.parametrize("seed", range(6))
def test_nearest_blend_in_increments_is_the_nearest_of_all(seed, all_mix):
    rng = np.random.default_rng(seed)
    n, steps = len(LIQUIDS), 20
    rows, bounds = scaled(rng.uniform(0, 1, (2, n)), rng.uniform(0.35, 0.7, 2))
    problem = made([HSP(*rng.uniform([15, 3, 5], [18, 9, 20]))], rows, bounds)
    found = search_exact(problem, Convex(problem.targets), steps, 4)
    every = np.inf
    for size in (1, 2, 3):
        shares = compositions(steps, size) / steps
        for support in itertools.combinations(range(n), size):
            fine = shares[np.all(shares @ rows[:, list(support)].T <= bounds + 1e-9, axis=1)]
            if len(fine):
                gaps = np.sum((fine @ problem.targets[0][list(support)]) ** 2, axis=1)
                every = min(every, float(gaps.min()))
    assert found.recipes[0].value == pytest.approx(every, rel=1e-12)
    assert len({recipe.support for recipe in found.recipes}) == len(found.recipes)


def test_compositions_are_all_there():
    assert len(compositions(20, 3)) == 19 * 18 // 2
    assert np.all(compositions(20, 3).sum(axis=1) == 20)
    assert compositions(20, 3).min() == 1
    assert compositions(2, 3).shape == (0, 3)


def test_several_points_are_served_by_the_worst_of_them():
    points, names = np.array([[17.0, 3.0, 5.0], [16.0, 8.0, 15.0]]), ["triacetin", "propylene glycol"]
    both = best_blend(points, names, objective="distance").table["distance"][0]
    alone = [best_blend(row, names, objective="distance").table["distance"][0] for row in points]
    assert both >= max(alone) - 1e-9
