"""Arguments: each check by itself, the exact words of ordinary slips, and all slips in all calls that are fast."""

import warnings
from collections import Counter
from decimal import Decimal
from fractions import Fraction

import arguments
import numpy as np
import pandas as pd
import pytest

import hspkit
from hspkit import (
    HSP,
    Application,
    Evidence,
    GroupModel,
    Oil,
    Trial,
    TrialLog,
    application,
    checks,
    ethanol,
    law,
    miscibility,
    phases,
    plotting,
    scale,
)  # fmt: skip
from hspkit.errors import ExtrapolationWarning, HspkitError, InputError

SODA = Application("US", "soft drinks", oil_mg_per_L=40)
NO_NUMBERS = [None, True, np.bool_(True), np.complex64(1), "", "warm", b"3", 1 + 2j, [], [1], {}, object(), np.ones(2),
              pd.Series([1.0]), pd.NA, float("nan"), float("inf"), -np.inf, np.array([3.0]), len]  # fmt: skip


@pytest.mark.parametrize("value", [3, 3.0, "3", " 3 ", np.int8(3), np.float32(3), np.array(3), Decimal(3), Fraction(3)])
def test_numbers_of_every_kind_are_numbers(value):
    assert checks.number(value, "x", "") == 3.0
    assert checks.positive(value, "x", "") == 3.0
    assert checks.perhaps(value, "x", "") == 3.0
    assert checks.between(value, "x", 2, 4, "") == 3.0
    assert checks.celsius(value) == 3.0
    assert checks.whole(value, "x", low=1) == 3
    assert type(checks.number(value, "x", "")) is float
    assert type(checks.whole(value, "x", low=1)) is int
    assert checks.array(value, "x", "()").tolist() == 3.0 or isinstance(value, str)


@pytest.mark.parametrize("value", NO_NUMBERS, ids=lambda value: type(value).__name__)
def test_what_is_no_number_is_refused_by_name(value):
    for ask in (
        lambda: checks.number(value, "x", ""),
        lambda: checks.positive(value, "x", ""),
        lambda: checks.between(value, "x", -np.inf, np.inf, "a number"),
        lambda: checks.celsius(value, "x"),
        lambda: checks.whole(value, "x", low=-5),
    ):
        with pytest.raises(InputError, match=r"^x is .*; expected "):
            ask()


def test_bounds_belong_to_a_number_but_not_to_what_lies_between():
    assert checks.number(0, "x", "", low=0, high=1) == 0.0
    assert checks.number(1, "x", "", low=0, high=1) == 1.0
    for value, words in ((-0.1, "from 0 to 1 % vol"), (1.1, "from 0 to 1 % vol")):
        with pytest.raises(InputError, match=words):
            checks.number(value, "x", "% vol", low=0, high=1)
    for value in (0, 1):
        with pytest.raises(InputError, match="a share between 0 and 1"):
            checks.between(value, "x", 0, 1, "a share between 0 and 1")
    with pytest.raises(InputError, match="expected a number of at most 2 g"):
        checks.number(3, "x", "g", high=2)
    with pytest.raises(InputError, match=r"expected a number > 0 in g, at most 10$"):
        checks.positive(11, "x", "in g", most=10)
    assert np.isnan(checks.perhaps(np.float64("nan"), "x", ""))
    with pytest.raises(InputError, match="x is None; expected a number >= 0"):
        checks.perhaps(None, "x", "", low=0)


def test_whole_numbers():
    assert checks.whole(10**400, "x", low=0) == 10**400  # not by way of a float
    with pytest.raises(InputError, match=r"^x is 1000.*\.\.\.; expected a finite number$"):
        checks.number(10**400, "x", "")
    for value in (1.5, 0, 7, "1.5"):
        with pytest.raises(InputError, match="expected a whole number from 1 to 6"):
            checks.whole(value, "x", low=1, high=6)
    with pytest.raises(InputError, match="expected a whole number >= 1"):
        checks.whole(0, "x", low=1)


def test_words_and_flags():
    assert checks.choice("a", "x", ("a", "b")) == "a"
    with pytest.raises(InputError, match="x is 'c'; expected 'a' or 'b'"):
        checks.choice("c", "x", ("a", "b"))
    with pytest.raises(InputError, match="x is None; expected one of a, b, c"):
        checks.choice(None, "x", ("a", "b", "c"))
    for value in ([], np.array(["a", "b"]), pd.NA):
        with pytest.raises(InputError, match="expected 'a' or 'b'"):
            checks.choice(value, "x", ("a", "b"))
    assert checks.flag(np.bool_(True), "x") is True
    for value in (0, 1, "yes", None, np.array([True])):
        with pytest.raises(InputError, match="expected True or False"):
            checks.flag(value, "x")
    assert checks.text("", "x") == ""
    with pytest.raises(InputError, match="x is b'a'; expected a text"):
        checks.text(b"a", "x")


def test_lists_are_not_letters_or_keys():
    assert checks.several(["a", "b"], "x", "") == ("a", "b")
    assert checks.several((name for name in "ab"), "x", "") == ("a", "b")
    assert checks.several(pd.Series(["a"]), "x", "") == ("a",)
    assert checks.several([], "x", "") == ()
    for value in ("ab", b"ab", {"a": 1}, pd.DataFrame({"a": [1]}), 3, None, np.array(3.0), object()):
        with pytest.raises(InputError, match=r"^x is .*; expected a list such as \['a'\]"):
            checks.several(value, "x", "['a']")


def test_paths_tables_and_kinds(tmp_path):
    assert checks.path(tmp_path) is tmp_path
    for value in (None, 3, True, b"x", ["x"], object()):
        with pytest.raises(InputError, match="expected the name of a file"):
            checks.path(value)
    table = pd.DataFrame()
    assert checks.frame(table, "x", "a column a") is table
    with pytest.raises(InputError, match="expected a pandas DataFrame with a column a"):
        checks.frame([[1]], "x", "a column a")
    assert checks.kind(3, "x", (int, str), "") == 3
    with pytest.raises(InputError, match=r"x is 3\.0; expected a whole thing"):
        checks.kind(3.0, "x", int, "a whole thing")


def test_arrays():
    whole = np.zeros((2, 3))
    assert checks.array(whole, "x", "") is whole  # not copied
    assert checks.array(["1", "2.5"], "x", "").tolist() == [1.0, 2.5]
    assert checks.array(pd.DataFrame({"a": [1, 2]}), "x", "").tolist() == [[1.0], [2.0]]
    for value in ("warm", [[1], [1, 2]], {"a": 1}, {1}, [None, "a"], np.array([True]), 1j, [b"1"], [object()],
                  [10**400], np.array(["2026-11-25"], dtype="M8[D]")):  # fmt: skip
        with pytest.raises(InputError, match=r"^x is .*; expected numbers in an array of shape \(n,\)"):
            checks.array(value, "x", "(n,)")
    for value in (-273.15, np.nan, np.inf, 1e200, [20.0, -300.0], 1001):
        with pytest.raises(InputError, match=r"expected finite temperatures in degC above -273\.15, at most 1000"):
            checks.temperatures(value)


def test_random_states():
    generator = np.random.default_rng(0)
    assert checks.random_state(generator) is generator
    assert checks.random_state(None) is None
    assert checks.random_state(np.int64(3)) == 3
    for value in (-1, 1.0, "3", True, [1], np.random.RandomState(0)):
        with pytest.raises(InputError, match="expected a whole number >= 0, a numpy Generator or None"):
            checks.random_state(value)


def test_a_message_stays_a_line():
    assert checks.said(pd.DataFrame({"a": range(100)})).count("\n") == 0
    for value in ("x" * 10**7, list(range(10**5)), 10**5000, b"x" * 10**7):
        assert len(checks.said(value)) < 100
    assert checks.said(10**5000) == "<int>"


WORDS = [
    (lambda: hspkit.dissolve("limonene", "MCT", celsius=None),
     "celsius is None; expected a temperature in degC from -60 to 250"),
    (lambda: hspkit.rank_carriers("limonene", application="soft drinks"),
     ("application is 'soft drinks'; expected an Application, such as "
      'Application("US", "soft drinks", oil_mg_per_L=40)')),
    (lambda: hspkit.learn("limonene", None),
     "trials is None; expected a list such as [Trial('triacetin', 'clear')], or a TrialLog"),
    (lambda: hspkit.learn("limonene", [Trial("MCT", "clear")], random_state=-1),
     "random_state is -1; expected a whole number >= 0, a numpy Generator or None"),
    (lambda: hspkit.best_blend("limonene", max_carriers=None),
     "max_carriers is None; expected a whole number from 1 to 6"),
    (lambda: hspkit.rank_carriers("limonene", carriers="triacetin"),
     "carriers is 'triacetin'; expected a list such as ['triacetin', 'MCT']"),
    (lambda: hspkit.best_blend("limonene", "triacetin"),
     "carriers is 'triacetin'; expected several names, such as ['triacetin', 'triacetin']"),
    (lambda: Oil.from_table({"component": ["limonene"]}),
     "frame is {'component': ['limonene']}; expected a pandas DataFrame with a column of components and one of shares"),
    (lambda: HSP(1e200, 2, 4), "delta_d is 1e+200; expected a number from 0 to 1000 in MPa^0.5"),
    (lambda: HSP(17, True, 4), "delta_p is True; expected a number from 0 to 1000 in MPa^0.5"),
    (lambda: hspkit.best_blend("limonene", price_per_L=""),
     "price_per_L is ''; expected a mapping such as {'triacetin': 3.2}"),
    (lambda: hspkit.best_blend("limonene", min_share="warm"),
     "min_share is 'warm'; expected a mapping such as {'triacetin': 0.1}"),
    (lambda: hspkit.best_blend("limonene", max_distance=1e200),
     "max_distance is 1e+200; expected a number > 0 in MPa^0.5, at most 1e+09"),
    (lambda: GroupModel(folds=None).fit(["CCO"], [[1, 2, 3]]), "folds is None; expected a whole number >= 2"),
    (lambda: phases.spinodal_index([0.5, 0.5], [100, 100], [[16, 0, 0], [16, 0, 20]], celsius=1e200),
     "celsius is 1e+200; expected finite temperatures in degC above -273.15, at most 1000"),
    (lambda: phases.stable([0.5, 0.5], {"a": 1}, [[16, 0, 0], [16, 0, 20]]),
     "volumes is {'a': 1}; expected numbers in an array of shape (..., n)"),
    (lambda: application.dosing("limonene", None, SODA),
     "carrier is None; expected a name such as 'triacetin', a Carrier or a Blend"),
    (lambda: TrialLog(None), "path is None; expected the name of a file"),
    (lambda: Oil.from_csv(None), "path is None; expected the name of a file"),
    (lambda: hspkit.rank_carriers("limonene", carriers=["MCT"]).to_csv(3), "path is 3; expected the name of a file"),
    (lambda: hspkit.rank_carriers("limonene", include_alcohol="no"),
     "include_alcohol is 'no'; expected True or False"),
    (lambda: application.handling("lemon", oil_mg_per_L=10, folds=None),
     "folds is None; expected a list such as [5, 10]"),
    (lambda: hspkit.ethanol_strength_to_clear("limonene", volumes=-1),
     "volumes is -1; expected a number > 0 of aqueous ethanol to one of oil, at most 1e+06"),
    (lambda: hspkit.reconcile("CCO", Evidence.log_p(1)),
     ("evidence is Evidence(log P 1, source 'user'); expected a list such as "
      "[Evidence.water_solubility(50, source='supplier sheet')]")),
    (lambda: hspkit.estimate_many(None), "smiles is None; expected a list such as ['CCO', 'CCCO']"),
    (lambda: plotting.ranking(None), "ranking is None; expected a Ranking, as hspkit.rank_carriers returns"),
]  # fmt: skip


@pytest.mark.parametrize(("ask", "words"), WORDS, ids=[words[:40] for _, words in WORDS])
def test_ordinary_slips_are_told_in_words(ask, words):
    with pytest.raises(HspkitError) as caught:
        ask()
    assert str(caught.value) == words


def test_axes_of_the_wrong_kind_stay_a_type_error():
    for draw in (lambda: plotting.ranking(hspkit.rank_carriers("limonene", carriers=["MCT"]), ax=3),
                 lambda: plotting.save(None, "x.png")):  # fmt: skip
        with pytest.raises(TypeError, match="expected a matplotlib Axes"):
            draw()


def test_true_is_no_temperature_and_no_dose():
    for ask in (
        lambda: hspkit.dissolve("limonene", "MCT", celsius=True),
        lambda: hspkit.dissolve("limonene", "MCT", oil_parts=True),
        lambda: Application("US", "soft drinks", oil_mg_per_L=True),
        lambda: Trial("MCT", "clear", celsius=True),
        lambda: hspkit.distance([True, False, True], [1, 2, 3]),
    ):
        with pytest.raises(InputError, match="True"):
            ask()


def test_every_call_is_answered_as_it_stands(tmp_path, monkeypatch):
    """Otherwise its slips would be hidden behind another refusal."""
    arguments.write_files(tmp_path)
    monkeypatch.chdir(tmp_path)
    names = [name for name, call in arguments.calls().items() if not call.slow and "client" not in call.given]
    assert len(names) > 100
    for name in names:
        call = arguments.calls()[name]
        call.function(**call.given)


def test_every_public_function_is_among_the_calls():
    called = {name.split(",")[0].rpartition(".")[2] for name in arguments.calls()}
    made_by_functions, without_arguments = {"Estimate"}, {"carriers", "oils", "markets", "categories"}
    assert set(hspkit.__all__) - called == made_by_functions | (without_arguments & set(hspkit.__all__))
    for module in (phases, plotting, scale, ethanol, law, miscibility, application):
        functions = {name for name in module.__all__ if name[0].islower()}
        assert functions - called <= without_arguments, module


def test_all_slips_in_all_fast_calls(tmp_path, monkeypatch):
    """Nothing but an answer or an error of the library, and no warning but its own."""
    arguments.write_files(tmp_path)
    monkeypatch.chdir(tmp_path)
    counts, foreign = Counter(), []
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", ExtrapolationWarning)
        for name, call in arguments.calls().items():
            for argument in () if call.slow else call.given:
                for slip in arguments.slips():
                    try:
                        counts[arguments.attempt(call, argument, slip)] += 1
                    except Exception as error:
                        foreign.append(f"{name}, {argument}={checks.said(slip)}: {type(error).__name__}: {error}")
    assert foreign == []
    assert set(counts) == {"answered", "refused"}
    assert counts["refused"] > 20_000
    assert counts["answered"] > 1_000
