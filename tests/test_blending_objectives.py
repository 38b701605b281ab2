"""The objectives of a blend against brute force over all blends of a grid, and against other draws."""

import itertools

import numpy as np
import pytest
from scipy.stats import norm

from hspkit import HSP, Blend, best_blend, carrier, dissolve, oil
from hspkit.blending import screened
from hspkit.blending.grid import margin_of
from hspkit.blending.limits import Limits
from hspkit.blending.problem import Problem, compositions
from hspkit.carriers import Carrier
from hspkit.hansen import distance
from hspkit.substances import Substance

ORANGE, CLOVE = "sweet orange, cold-pressed", "clove, bud"
FOUR = ["propylene glycol", "triacetin", "triethyl citrate", "MCT"]
#: Invented prices per kg, for these tests only.
PRICES = {"propylene glycol": 3.0, "triacetin": 6.0, "triethyl citrate": 7.0, "MCT": 8.0}


def near(shares, off=(0.3, 0.2, -0.2)):
    """A point close to a blend, whatever parameters the tables hold today."""
    mixed = sum(share * carrier(name).hsp.array for name, share in shares.items())
    return HSP(*(mixed + np.array(off)))


def every_blend(problem, steps):
    """All blends of a grid that keep to the limits and mix, with their margins, by brute force."""
    found = []
    for size in range(1, problem.max_carriers + 1):
        shares = compositions(steps, size) / steps
        for support in itertools.combinations(range(len(problem.carriers)), size):
            rows = np.tile(support, (len(shares), 1))
            fine = problem.feasible(rows, shares) & problem.mixes(support, shares)
            margins = margin_of(problem, rows[fine], shares[fine], None) if fine.any() else []
            found.extend((float(m), support, x) for m, x in zip(margins, shares[fine], strict=True))
    return found


@pytest.mark.parametrize("name", [ORANGE, CLOVE])
def test_surest_blend_is_the_surest_of_the_whole_grid(name):
    search = best_blend(name, FOUR, objective="clear", increments_percent=10, max_carriers=3, max_viscosity=45, keep=3)
    everything = every_blend(search.problem, 10)
    best = max(m for m, _, _ in everything)
    assert search.table["margin"][:3].max() == pytest.approx(best, rel=1e-9)
    assert search.table["p_clear"][:3].is_monotonic_decreasing
    assert search.certificate.value == pytest.approx(search.table["p_clear"][0])
    assert search.certificate.proven
    by_support = {}
    for margin, support, _ in everything:
        by_support[support] = max(by_support.get(support, -np.inf), margin)
    assert sorted(search.table["margin"][:3]) == pytest.approx(sorted(by_support.values())[-3:])


@pytest.mark.parametrize(("batch", "keep"), [(None, 2), (10, 1)])
def test_most_water_is_the_most_of_the_whole_grid(monkeypatch, batch, keep):
    if batch is not None:  # blends one at a time: the search may stop early, and only where nothing better can come
        monkeypatch.setattr("hspkit.blending.screened._BATCH", batch)
    search = best_blend(
        CLOVE, FOUR, objective="water tolerance", increments_percent=20, max_carriers=2, keep=keep, min_p_clear=0.8
    )
    assert search.certificate.proven
    clear = [(s, x) for m, s, x in every_blend(search.problem, 5) if m >= norm.ppf(0.8)]
    tolerances = []
    for support, shares in clear:
        blend = Blend({search.problem.carriers[i]: x for i, x in zip(support, shares, strict=True)}, basis="volume")
        tolerances.append(dissolve(CLOVE, blend, draws=2).water_tolerance_percent)
    assert 100 * search.certificate.value == pytest.approx(max(tolerances), abs=1e-3)
    assert search.table["water_tolerance_percent"][0] == pytest.approx(max(tolerances), abs=1e-3)
    # the quick bound is one
    stock = search.problem.stocks[0]
    for support, shares in clear[:8]:
        rows = np.array([support])
        bound = stock.highest_water_tolerance(rows, shares[None, :])
        assert bound[0] >= stock.water_tolerance(rows, shares[None, :])[0] - 1e-9


@pytest.mark.parametrize(
    ("objective", "name", "keep"),
    [("clear", CLOVE, 3), ("clear", "linalool", 8), ("water tolerance", CLOVE, 3), ("cost", CLOVE, 3)],
)
def test_the_answer_does_not_hang_on_how_many_blends_are_looked_at_at_once(objective, name, keep, monkeypatch):
    """Searches stop as soon as bounds prove that nothing better can follow; in small batches they stop earlier."""
    asked = {"objective": objective, "increments_percent": 10, "max_carriers": 2, "keep": keep}
    if objective == "cost":
        asked["price_per_kg"] = PRICES
    whole = best_blend(name, FOUR, **asked)
    for batch in (5, 30) if name != CLOVE else (10, 30):
        monkeypatch.setattr(screened, "_BATCH", batch)
        parts = best_blend(name, FOUR, **asked)
        assert parts.table["blend"].tolist() == whole.table["blend"].tolist()
        assert parts.certificate.value == pytest.approx(whole.certificate.value)


def test_the_single_carrier_of_a_worst_case_is_the_best_of_them():
    target = near({"triacetin": 0.5, "propylene glycol": 0.5})
    search = best_blend(target, FOUR, increments_percent=10, worst_case=0.2, keep=1)
    alone = search.table[search.table["carriers"] == 1]
    far = {
        name: best_blend(target, [name], increments_percent=10, worst_case=0.2, keep=1).certificate.value
        for name in FOUR
    }
    assert alone["blend"].tolist() == [min(far, key=far.get)]


def test_refined_search_is_no_worse_than_its_grid():
    coarse = best_blend(CLOVE, FOUR, objective="clear", increments_percent=5, max_carriers=2, keep=2)
    fine = best_blend(CLOVE, FOUR, objective="clear", max_carriers=2, keep=2)
    assert fine.table["margin"].max() >= coarse.table["margin"].max() - 1e-9
    assert fine.best.fractions * 100 == pytest.approx(np.round(fine.best.fractions * 100), abs=1e-6)


def test_margin_tells_the_probability_that_draws_give():
    """The first-order margin against the full draws of `dissolve`, over blends from clear to split."""
    names = [*FOUR, "glycerol", "benzyl alcohol"]
    none = Limits((), np.zeros((0, 6)), np.zeros(0), np.zeros(0))
    problem = Problem((oil(CLOVE),), [carrier(n) for n in names], none, None, 3, (1.0, 2.0), 25.0, None)
    rng = np.random.default_rng(2)
    gaps = []
    for _ in range(12):
        support = np.sort(rng.choice(6, 3, replace=False))
        shares = rng.dirichlet(np.ones(3))
        margin = margin_of(problem, support[None, :], shares[None, :], None)[0]
        blend = Blend({problem.carriers[i]: x for i, x in zip(support, shares, strict=True)}, basis="volume")
        gaps.append(norm.cdf(margin) - dissolve(CLOVE, blend).p_clear)
    assert np.mean(np.abs(gaps)) < 0.05
    assert np.max(np.abs(gaps)) < 0.2


def test_cheapest_clear_blend_is_the_cheapest_of_the_whole_grid():
    search = best_blend(
        CLOVE, FOUR, objective="cost", price_per_kg=PRICES, increments_percent=10, max_carriers=2, keep=2
    )
    price = search.problem.cost
    limit = norm.ppf(0.8)
    clear = sorted((float(price[list(s)] @ x), s, x) for m, s, x in every_blend(search.problem, 10) if m >= limit)
    first = np.inf
    for cost, support, shares in clear:
        blend = Blend({search.problem.carriers[i]: x for i, x in zip(support, shares, strict=True)}, basis="volume")
        if dissolve(CLOVE, blend).p_clear >= 0.8:
            first = cost
            break
    # draws near 0.8 may differ by a step of the grid
    assert search.certificate.value == pytest.approx(first, rel=0.08)
    assert search.table["p_clear"][:2].min() >= 0.8
    assert search.table["cost_per_L"].is_monotonic_increasing


def test_cost_within_a_distance_of_a_point():
    target = near({"triacetin": 0.5, "propylene glycol": 0.5})
    search = best_blend(target, FOUR, objective="cost", price_per_kg=PRICES, max_distance=2.0, increments_percent=5)
    assert search.table["distance"][0] <= 2.0
    nearer = best_blend(target, FOUR, objective="cost", price_per_kg=PRICES, max_distance=1.0, increments_percent=5)
    assert nearer.certificate.value >= search.certificate.value


def test_several_oils_are_served_by_the_worst():
    oils = [ORANGE, CLOVE, "peppermint, steam-distilled"]
    house = best_blend(oils, FOUR, keep=1)
    gaps = [float(distance(house.best.hsp, oil(one).hsp)) for one in oils]
    assert house.certificate.value == pytest.approx(max(gaps))
    assert not house.certificate.proven  # MCT and propylene glycol part; the best is at the edge of what mixes
    # without a residual where a nearer blend was passed over because it parts in the drum
    assert np.isnan(house.certificate.kkt_residual) or house.certificate.kkt_residual < 1e-8
    for one in oils:  # the edge is followed to its last digits from one side or the other
        alone = best_blend(one, FOUR, keep=1)
        assert alone.certificate.value <= house.certificate.value + 1e-6
        other = max(float(distance(alone.best.hsp, oil(name).hsp)) for name in oils)
        assert house.certificate.value <= other + 1e-6
    clear = best_blend(oils[:2], FOUR, objective="clear", increments_percent=10, max_carriers=2, keep=2)
    assert clear.table["margin"][:2].max() == pytest.approx(max(m for m, _, _ in every_blend(clear.problem, 10)))


def test_worst_case_is_better_in_its_bad_cases_and_worse_in_the_middle():
    names = [*FOUR, "benzyl alcohol", "ethyl lactate"]
    target = near({"triacetin": 0.5, "triethyl citrate": 0.25, "propylene glycol": 0.25})
    plain = best_blend(target, names, increments_percent=5)
    robust = best_blend(target, names, increments_percent=5, worst_case=0.2)
    assert robust.table["distance"][0] >= plain.table["distance"][0] - 1e-12
    # other draws than those of the search
    rng = np.random.default_rng(99)

    def bad(blend):
        hsp = np.array([rng.multivariate_normal(p.hsp.array, p.covariance, 20_000) for p in blend.parts])
        mixed = np.einsum("p,pdk->dk", blend.fractions, hsp)
        return np.quantile(np.sqrt(np.sum(((mixed - target.array) * [2, 1, 1]) ** 2, axis=1)), 0.8)

    assert robust.certificate.value == pytest.approx(bad(robust.best), rel=0.1)
    assert bad(robust.best) <= bad(plain.best) * 1.03
    again = best_blend(target, names, increments_percent=5, worst_case=0.2)
    assert again.best.name == robust.best.name
    assert again.certificate.value == robust.certificate.value


def test_worst_case_of_clear_uses_the_spread():
    search = best_blend(ORANGE, FOUR, objective="clear", worst_case=0.2, increments_percent=10, max_carriers=2, keep=2)
    assert search.certificate.value < 1.0, "the binodal index in the worst case of 20 % is below 1: still clear"


def test_worst_cases_of_what_is_known_for_sure_are_the_distances_themselves():
    """Without uncertainty every share of bad cases is the plain search on the same grid."""
    sure = []
    for name in FOUR:
        member = carrier(name).substance
        known = Substance(name, member.smiles).with_parameters(member.hsp, 1e-16 * np.eye(3), note="exact for a test")
        sure.append(Carrier.of(known))
    middle = 0.45 * sure[0].hsp.array + 0.35 * sure[1].hsp.array + 0.2 * sure[3].hsp.array
    target = HSP(*(middle + np.array([0.2, 0.1, -0.3])))
    for steps, share in ((10, 0.1), (20, 0.7)):
        plain = best_blend(target, sure, increments_percent=steps, keep=4)
        worst = best_blend(target, sure, increments_percent=steps, keep=4, worst_case=share)
        assert worst.table["distance"].tolist() == pytest.approx(plain.table["distance"].tolist(), rel=1e-6)
        assert worst.table["blend"].tolist() == plain.table["blend"].tolist()
        assert worst.certificate.value == pytest.approx(plain.certificate.value, rel=1e-6)
        assert worst.certificate.supports_examined == 4 + 6 + 4
        assert worst.certificate.mixtures_examined == 0
        assert f"on a grid of {steps} %" in worst.certificate.how
    # and without steps the optimum of each set, which no grid holds, is looked at too
    free = best_blend(target, sure, keep=1)
    assert best_blend(target, sure, keep=1, worst_case=0.3).certificate.value == pytest.approx(
        free.certificate.value, rel=1e-6
    )
