"""Questions about blends that cannot be answered: the message says what was given, why not, and what to do."""

import numpy as np
import pytest

from hspkit import HSP, Application, Blend, best_blend, carrier, oil
from hspkit.blending.limits import Limits, clash
from hspkit.blending.problem import steps_of
from hspkit.blending.rules import LegalLimit, LinearDose, TasteLimit, ViscosityLimit
from hspkit.errors import InputError, UnknownNameError
from hspkit.hansen import distance

ORANGE, CLOVE = "sweet orange, cold-pressed", "clove, bud"
FOUR = ["propylene glycol", "triacetin", "triethyl citrate", "MCT"]


def soda(market="EU", **level):
    return Application(market, "soft drinks", **(level or {"oil_mg_per_L": 200}))


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"oil_or_hsp": 5}, "expected an Oil, a name, an HSP, or several of them"),
        ({"oil_or_hsp": []}, r"oil_or_hsp has shape \(1, 0\)"),
        ({"oil_or_hsp": np.ones((2, 2))}, r"shape \(2, 2\); expected \(3,\) or \(n, 3\)"),
        ({"oil_or_hsp": iter(())}, "oil_or_hsp is empty; give at least one oil"),
        ({"objective": "best"}, "expected one of distance, clear, water tolerance, cost"),
        ({"max_carriers": 0}, "whole number from 1 to 6"),
        ({"max_carriers": 7}, "whole number from 1 to 6"),
        ({"max_carriers": 1.5}, "whole number from 1 to 6"),
        ({"keep": 0}, "keep is 0; expected a whole number >= 1"),
        ({"keep": 1.5}, "keep is 1.5; expected a whole number >= 1"),
        ({"worst_case": 0}, "worst_case is 0; expected a share between 0 and 1"),
        ({"worst_case": 1.0}, "worst_case is 1.0; expected a share between 0 and 1"),
        ({"worst_case": 20}, "between 0 and 1"),
        ({"worst_case": 0.2, "objective": "cost"}, "worst_case goes with 'distance' and 'clear'.*raise min_p_clear"),
        ({"min_p_clear": 0}, "min_p_clear is 0; expected a probability between 0 and 1"),
        ({"min_p_clear": 1}, "probability between 0 and 1"),
        ({"carriers": []}, "carriers is empty"),
        ({"carriers": "MCT"}, "expected several names"),
        ({"min_share": {"MCT": 20}}, "volume fraction from 0 to 1"),
        ({"min_share": {"glycerol": 0.2}}, "not among the carriers"),
        ({"max_viscosity": -1}, "number > 0 in mPa s"),
        ({"max_viscosity": float("inf")}, "number > 0 in mPa s"),
        ({"max_cost": 0, "price_per_L": {"triacetin": 1, "MCT": 1}}, "number > 0 in the currency"),
        ({"price_per_L": {"MCT": 1}, "price_per_kg": {"MCT": 1}}, "give one of them"),
        ({"price_per_L": {"MCT": -1}}, "the price of 'MCT' is -1; expected a number >= 0"),
        ({"price_per_L": {"MCT": float("nan")}}, "number >= 0"),
        ({"max_cost": 5}, "no price given"),
        ({"max_distance": 0.01}, "nearer than Ra"),
        ({"increments_percent": 7}, "divides 100 %"),
    ],
)
def test_wrong_questions_are_errors_that_say_what_to_do(arguments, words):
    with pytest.raises(InputError, match=words):
        best_blend(**{"oil_or_hsp": ORANGE, "carriers": ["triacetin", "MCT"], **arguments})


@pytest.mark.parametrize("bad", [3, 0, -5, "five", float("nan")])
def test_increments_must_divide_the_whole(bad):
    with pytest.raises(InputError, match="divides 100 %"):
        steps_of(bad)


def test_clashing_limits_are_named_and_none_of_them_is_idle():
    with pytest.raises(InputError) as caught:
        best_blend(
            ORANGE, ["triacetin", "triethyl citrate", "propylene glycol"], application=soda(oil_mg_per_L=600),
            max_viscosity=30, max_share={"triethyl citrate": 0.9},
        )  # fmt: skip
    text = str(caught.value)
    assert "cannot be kept together" in text
    assert "taste, triacetin: at most 500 mg/L" in text
    assert "viscosity at most 30 mPa s" in text
    assert "of triethyl citrate" not in text, "a limit that does not clash is not named"
    # leaving out either of the two makes it possible
    liquids = [carrier(name) for name in ["triacetin", "triethyl citrate", "propylene glycol"]]
    dosing = LinearDose(soda(oil_mg_per_L=600), (1.0, 2.0), oil(ORANGE).density)
    rules = [LegalLimit(dosing), TasteLimit(dosing), ViscosityLimit(30.0)]
    both = Limits.of([limit for rule in rules for limit in rule.limits(liquids)], 3)
    for number, name in enumerate(both.names):
        if name in text:
            kept = [k for k in range(len(both.names)) if k != number]
            fewer = Limits(tuple(both.names[k] for k in kept), both.rows[kept], both.bounds[kept], both.scales[kept])
            assert "more than 3 carriers keep to all limits" in clash(fewer, 3), f"{name} is not needed for the clash"


def test_a_limit_that_needs_more_carriers_says_so():
    with pytest.raises(InputError, match="more than 1 carriers keep to all limits"):
        best_blend(ORANGE, FOUR, max_carriers=1, max_share=dict.fromkeys(FOUR, 0.6))


def test_no_clear_blend_is_an_error_that_names_the_surest():
    with pytest.raises(
        InputError, match=r"clear with a probability of 0.8; the surest one has a probability of 0\.\d\d"
    ):
        best_blend(
            ORANGE, ["propylene glycol", "glycerol"], objective="cost", increments_percent=10,
            price_per_L={"propylene glycol": 3, "glycerol": 2},
        )  # fmt: skip


def test_a_distance_that_is_kept_is_not_why_nothing_was_found():
    """The nearest blend of these is some 21 MPa^0.5 off, so at most 25 is no hindrance and at most 18 is."""
    asked = {"objective": "cost", "increments_percent": 10, "price_per_L": {"propylene glycol": 3, "glycerol": 2}}
    pair = ["propylene glycol", "glycerol"]
    nearest = float(distance(carrier("propylene glycol").hsp, oil(ORANGE).hsp))
    assert 18 < nearest < 25
    with pytest.raises(InputError, match=r"clear with a probability of 0\.8; the surest"):
        best_blend(ORANGE, pair, max_distance=25, **asked)
    with pytest.raises(InputError, match=f"nearer than Ra {nearest:.2f} MPa.*max_distance is 18"):
        best_blend(ORANGE, pair, max_distance=18, **asked)


def test_points_in_hansen_space_have_no_phases_and_no_dose():
    point = HSP(17, 5, 9)
    with pytest.raises(InputError, match="give an oil"):
        best_blend(point, FOUR, objective="clear")
    with pytest.raises(InputError, match="no density"):
        best_blend(point, FOUR, application=soda())
    with pytest.raises(InputError, match=r"expected \(3,\)"):
        best_blend([1.0, 2.0], FOUR)
    with pytest.raises(UnknownNameError):
        best_blend("no such oil", FOUR)
    same = best_blend([17.0, 5.0, 9.0], FOUR[:3], max_carriers=2)
    assert same.best.name == best_blend(point, FOUR[:3], max_carriers=2).best.name
    assert same.table["verdict"][0] is None


def test_numbers_of_a_question_that_is_too_large():
    """C(59, 1) + ... + C(59, 5) sets; 30 carriers in steps of 1 %: 30 + C(30, 2) 99 + C(30, 3) C(99, 2) blends."""
    many = [Blend({"triacetin": i / 100, "MCT": 1 - i / 100}, basis="volume") for i in range(1, 60)]
    sets = 59 + 1711 + 32509 + 455126 + 5006386
    with pytest.raises(InputError, match=f"59 carriers make {sets:,} sets of at most 5; at most 1,000,000"):
        best_blend(HSP(17, 5, 9), many, max_carriers=5)
    blends = 30 + 435 * 99 + 4060 * 4851
    with pytest.raises(InputError, match=f"30 carriers make {blends:,} blends in steps of 1 %; at most 4,000,000"):
        best_blend(CLOVE, many[:30], objective="clear", increments_percent=1)
    with pytest.raises(InputError, match="offer fewer carriers, lower max_carriers or raise increments_percent"):
        best_blend(ORANGE, objective="clear", increments_percent=1)
