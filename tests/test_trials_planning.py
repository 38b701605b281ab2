"""The next trial: worth what information theory says, about the decision, from zero trials on; better than chance."""

from functools import cache

import numpy as np
import pytest

from hspkit import Carrier, Substance, Trial, carrier, learn, next_trial, oil
from hspkit.errors import InputError
from hspkit.trials.bench import LAPSE, Mix
from hspkit.trials.planning import Plan, expected_gain, plan
from hspkit.workshop.planned_trials import candidates, follow, policies

CARRIERS = ("propylene glycol", "triacetin", "triethyl citrate", "MCT", "benzyl alcohol", "glycerol")


@cache
def advice(name, decision="clear"):
    return next_trial(name, CARRIERS, decision=decision)


def _entropy(*chances):
    return -sum(p * np.log2(p) for p in chances if p > 0)


def test_gain_is_mutual_information_by_hand():
    # Answer 0 or 1 with 3/4 and 1/4; the trial is clear with 0.9 under answer 0 and 0.2 under answer 1.
    counts = {(0, True): 6750, (0, False): 750, (1, True): 500, (1, False): 2000}
    answer = np.concatenate([np.full(n, a) for (a, _), n in counts.items()])
    clear = np.concatenate([np.full(n, c) for (_, c), n in counts.items()])[:, None]
    bits, right = expected_gain(answer, clear, np.full(10000, 1e-4))
    keep = 1 - 2 * LAPSE
    p = {key: keep * n / 1e4 + LAPSE * (0.75 if key[0] == 0 else 0.25) for key, n in counts.items()}
    p_clear = p[0, True] + p[1, True]
    by_hand = _entropy(0.75, 0.25) + _entropy(p_clear, 1 - p_clear) - _entropy(*p.values())
    assert bits[0] == pytest.approx(by_hand, abs=2e-4)
    assert right[0] == pytest.approx(max(p[0, True], p[1, True]) + max(p[0, False], p[1, False]))


def test_a_trial_that_has_nothing_to_do_with_the_answer_is_worth_nothing():
    rng = np.random.default_rng(0)
    answer, clear = rng.integers(0, 6, 4000), rng.random((4000, 20)) < 0.5
    bits, _ = expected_gain(answer, clear, np.full(4000, 1 / 4000))
    assert bits.max() < 0.003  # without the correction for the number of states the mean would be 0.0009 higher


def test_works_from_zero_trials_and_shows_what_it_expects():
    found = advice("clove, bud")
    assert found.carrier in CARRIERS
    assert found.gain_bits > 0.1
    assert found.right_after > found.right_now
    assert f"{found.gain_bits:.2f} bits" in found.sentence()
    assert found.table["gain_bits"].is_monotonic_decreasing
    assert set(found.table["carrier"]) == set(CARRIERS)
    assert "gain_bits" in found._repr_html_()


def test_a_foregone_trial_is_not_advised():
    table = advice("clove, bud").table
    decided = table[(table["p_clear"] < 0.01) | (table["p_clear"] > 0.99)]
    assert len(decided)
    assert decided["gain_bits"].max() < 0.3 * table["gain_bits"].max()


def test_after_the_trial_it_is_worth_less_and_the_next_is_another():
    first = advice("clove, bud")
    done = first.trial("clear", oil="clove, bud")
    second = next_trial("clove, bud", CARRIERS, [done])
    where = (second.carrier, second.carrier_parts, second.water_parts)
    assert where != (first.carrier, first.carrier_parts, first.water_parts)
    assert second.right_now > first.right_now
    assert len(second.table) == len(first.table) - 1  # a repeat tells about the bench, not about the oil
    learnt = next_trial(learn("clove, bud", [done]), CARRIERS)
    assert learnt.carrier == second.carrier
    assert learnt.gain_bits == pytest.approx(second.gain_bits)


def test_margins_of_a_plan_are_those_of_the_engine():
    from hspkit.miscibility import dissolve

    mixes = [Mix(carrier(name)) for name in CARRIERS]
    made = plan(oil("clove, bud"), mixes, range(len(mixes)))
    for row, name in enumerate(CARRIERS):
        assert made.clear[:, row].mean() == pytest.approx(dissolve("clove, bud", name).p_clear, abs=0.03), name
        assert made.p_clear[row] == dissolve("clove, bud", name).p_clear


def test_answers_of_the_three_decisions():
    margins = np.array([[-0.1, -0.5, 0.2], [0.1, 0.3, 0.2], [0.2, 0.1, -0.1]])
    mixes = tuple(Mix(carrier(name)) for name in CARRIERS[:3])
    made = Plan(mixes, np.arange(3), margins, np.array([0.3, 0.3, 0.3]))
    assert [one.tolist() for one in made.answers("most")] == [[1, 0, 2]]
    assert [one.tolist() for one in made.answers("first")] == [[0, 3, 2]]
    assert [one.tolist() for one in made.answers("clear")] == [[1, 0, 0], [1, 0, 0], [0, 0, 1]]


def test_a_liquid_that_is_not_for_ingestion_is_never_advised():
    # The first of them by itself would be the trial that teaches most.
    names = ["dipropylene glycol", "diethylene glycol", "triacetin", "glycerol"]
    found = next_trial("clove, bud", names)
    assert set(found.table["carrier"]) == {"triacetin", "glycerol"}
    assert "dipropylene glycol is left out, it is not for ingestion: NOT FOR INGESTION" in found.sentence()
    renamed = Carrier.of(Substance("house solvent", "OCCOCCO"))
    assert set(next_trial("clove, bud", ["triacetin", renamed]).table["carrier"]) == {"triacetin"}
    with pytest.raises(InputError, match=r"expected at least one .*ethylene glycol is left out"):
        next_trial("clove, bud", ["ethylene glycol", "dipropylene glycol"])


def test_what_nothing_permits_is_said():
    assert (
        "acetone: not a listed carrier: nothing on record permits it"
        in next_trial("clove, bud", ["triacetin", Carrier.of("acetone")]).sentence()
    )


def test_two_liquids_of_one_name_are_refused():
    first, second = (Carrier.of(Substance("house ester", smiles)) for smiles in ("CCCCCC(=O)OCCC", "CCCCCC(=O)OCCCC"))
    with pytest.raises(InputError, match="two different liquids are called 'house ester'"):
        next_trial("clove, bud", [first, second])


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"decision": "best"}, "decision is 'best'; expected one of clear, first, most"),
        ({"carriers": []}, "expected at least one that can be computed with"),
        ({"carriers": ["MCT"], "decision": "most"}, "expected at least two"),
        ({"oil_parts": 0}, "oil_parts is 0"),
        ({"carriers": ["MCT"], "trials": [Trial("MCT", "clear")], "ratios": [1], "water": [0]}, "all 1 mixtures"),
        ({"water": [-1]}, "one of water is -1; expected a number from 0"),
    ],
)
def test_errors_name_what_was_given(arguments, match):
    with pytest.raises(InputError, match=match):
        next_trial("clove, bud", **{"carriers": ["MCT", "triacetin"], "trials": [], **arguments})


def test_planned_trials_beat_random_ones():
    shares = follow("clove, bud", decision="clear", trials=3, truths=40, draws=2000, random_state=1)
    assert shares["planned"][0] == pytest.approx(shares["random"][0])
    assert shares["planned"][1] > shares["random"][1]
    assert shares["planned"][3] > shares["random"][3] + 0.01
    assert set(shares) == set(policies())
    assert len(candidates()) > 5
    assert Trial("MCT", "clear").oil == ""
