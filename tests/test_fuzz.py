"""A short run of the fuzzer with every test run, a long one with the slow tests; and that it sees what it looks for."""

import random
import subprocess
import sys
from pathlib import Path

import arguments
import fuzz
import numpy as np
import pandas as pd
import pytest

import hspkit
from hspkit.errors import InputError

ROOT = Path(__file__).resolve().parent.parent


def test_two_thousand_random_inputs_break_nothing():
    tally = fuzz.fuzz(2000, 3)
    assert tally.violations == []
    assert sum(count for (kind, _), count in tally.counts.items() if kind in fuzz.STRUCTURES) == 2000
    assert {outcome for (kind, outcome) in tally.counts if kind in fuzz.STRUCTURES} == {"ok", "extrapolated", "failed"}
    assert {"read", "refused", "answered", "refused, code 2"} <= {outcome for _, outcome in tally.counts}


@pytest.mark.slow
def test_a_hundred_thousand_random_inputs_break_nothing():
    """The command of the documentation, with another seed."""
    command = [sys.executable, str(ROOT / "tests" / "fuzz.py"), "--count", "100000", "--seed", "1"]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, check=False)
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    assert "\n0 violations" in done.stdout


def test_the_same_seed_gives_the_same_inputs():
    for make in (*fuzz.STRUCTURES.values(), lambda rng: fuzz._Line(rng).words(), lambda rng: fuzz._table(rng, "Oil.x")):
        one, two = ([make(random.Random(seed)) for seed in range(30)] for _ in range(2))
        assert repr(one) == repr(two)


def broken(**changes):
    """Return `estimate_many` with a fault."""
    real = hspkit.estimate_many

    def ask(smiles, **keywords):
        frame = real(smiles, **keywords)
        return changes["frame"](frame) if "frame" in changes else changes["error"]()

    return ask


def crash():
    raise ZeroDivisionError


@pytest.mark.parametrize(
    "fault",
    [
        {"error": crash},
        {"frame": lambda frame: frame.iloc[:-1]},
        {"frame": lambda frame: frame.reset_index(drop=True)},
        {"frame": lambda frame: frame.assign(status="ok")},
        {"frame": lambda frame: frame.assign(status="fine")},
        {"frame": lambda frame: frame.assign(note="")},
        {"frame": lambda frame: frame.assign(delta_d=np.inf)},
        {"frame": lambda frame: frame.assign(sd_h=0.0)},
    ],
    ids=["crash", "row lost", "index lost", "never failed", "other word", "no note", "infinite", "no error bar"],
)
def test_the_fuzzer_sees_a_fault_in_estimate_many(fault, monkeypatch):
    monkeypatch.setattr(hspkit, "estimate_many", broken(**fault))
    tally = fuzz.Tally()
    fuzz.structures(200, random.Random(1), tally)
    assert tally.violations


def empty_message(*_, **__):
    raise InputError(*[""])


def foreign(*_, **__):
    raise KeyError(*["x"])


@pytest.mark.parametrize("fault", [empty_message, foreign])
def test_the_fuzzer_sees_a_fault_in_a_reader(fault, monkeypatch, tmp_path):
    monkeypatch.setattr(hspkit.Oil, "from_csv", fault)
    tally = fuzz.Tally()
    fuzz.tables(40, random.Random(1), tally, tmp_path)
    assert any(one.startswith("Oil.from_csv") for one in tally.violations)


@pytest.mark.parametrize("fault", [lambda _: 3, lambda _: 2, lambda _: crash(), lambda _: print("Traceback") or 0])
def test_the_fuzzer_sees_a_fault_in_the_command_line(fault, monkeypatch, tmp_path):
    monkeypatch.setattr(fuzz, "command_line", fault)
    tally = fuzz.Tally()
    fuzz.lines(10, random.Random(1), tally, tmp_path)
    assert tally.violations


@pytest.mark.parametrize("error", [ZeroDivisionError, RuntimeWarning, KeyError])
def test_the_fuzzer_sees_a_foreign_error_of_a_call(error, monkeypatch, tmp_path):
    def broken(celsius):
        raise error

    monkeypatch.setattr(arguments, "calls", lambda: {"broken": arguments.Call(broken, {"celsius": 25})})
    tally = fuzz.Tally()
    fuzz.slips(3, random.Random(1), tally, tmp_path)
    assert len(tally.violations) == 3
    assert tally.violations[0].startswith(f"arguments: {error.__name__}")


def test_the_command_counts_and_says_so_by_its_exit_code(monkeypatch, capsys):
    assert fuzz.main(["--count", "60", "--seed", "3"]) == 0
    said = capsys.readouterr().out
    assert "| what | outcome | count |" in said
    assert "90 in " in said  # 60 structures, 10 tables, 10 lines, 10 calls
    assert said.endswith("0 violations\n")
    monkeypatch.setattr(hspkit, "estimate_many", broken(frame=lambda frame: pd.DataFrame(frame.iloc[1:])))
    assert fuzz.main(["--count", "60", "--seed", "3"]) == 1
    assert "violations\n- structures, a batch" in capsys.readouterr().out
