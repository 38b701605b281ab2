"""The commands that print accuracies: their statistics against scipy, their figures against what they count."""

import re

import numpy as np
import pytest
from scipy.stats import mannwhitneyu, spearmanr

from hspkit.workshop import accuracy
from hspkit.workshop import planned_trials as trials
from hspkit.workshop import spheres as spheres
from hspkit.workshop import statements as statements_of_solubility
from hspkit.workshop.scores import balanced, rank_correlation, roc_auc


@pytest.fixture(scope="module")
def statements():
    """What is found of all statements: computed once, a second or two."""
    return statements_of_solubility.statements()


@pytest.fixture
def scores():
    rng = np.random.default_rng(5)
    good = rng.random(60) < 0.4
    return np.round(rng.normal(0, 1, 60) + good, 1), good  # rounded, so that there are ties


def test_area_is_that_of_the_rank_sum_test(scores):
    score, good = scores
    u = mannwhitneyu(score[good], score[~good]).statistic
    assert roc_auc(score, good) == pytest.approx(u / (good.sum() * (~good).sum()))
    assert roc_auc(-score, good) == pytest.approx(1 - roc_auc(score, good))


def test_balanced_counts_both_kinds_alike_whatever_their_numbers():
    score = np.array([1.0, 2.0, -1.0, -1.0, 0.0, 3.0])
    good = np.array([True, True, True, False, False, False])
    assert balanced(score, good) == pytest.approx(0.5 * (2 / 3 + 2 / 3))
    assert balanced(np.repeat(score, 2), np.repeat(good, 2)) == balanced(score, good)


def test_rank_correlation_is_spearmans(scores):
    score, good = scores
    assert rank_correlation(score, good) == pytest.approx(spearmanr(score, good)[0])


def test_reliability_by_hand():
    said = np.array([0.05, 0.05, 0.95, 0.95, 0.95, 1.0])
    happened = np.array([False, True, True, True, True, False])
    error, rows = accuracy.reliability(said, happened)
    assert [(row[0], row[2]) for row in rows] == [(0.0, 2), (0.9, 4)]  # a probability of 1 belongs to the last bin
    assert rows[0][3:] == pytest.approx((0.05, 0.5))
    assert error == pytest.approx(2 / 6 * 0.45 + 4 / 6 * abs(0.9625 - 0.75))


def test_strengths_are_printed_as_they_are_scored(capsys, monkeypatch):
    monkeypatch.setattr("sys.argv", ["accuracy", "--strengths-only"])
    accuracy.main()
    said = capsys.readouterr().out
    mean, bias, rank, count = map(
        float,
        re.search(r"mean error ([\d.]+), bias ([+\-\d.]+) % vol, rank correlation ([\d.]+), n = (\d+)", said).groups(),
    )
    lines = re.findall(r"volumes  stated +([\d.]+)  computed +([\d.]+)", said)
    away = np.array([float(computed) - float(stated) for stated, computed in lines])
    assert len(lines) == count
    assert mean == pytest.approx(np.abs(away).mean(), abs=0.01)
    assert bias == pytest.approx(away.mean(), abs=0.01)
    assert rank == pytest.approx(spearmanr(*np.array(lines, dtype=float).T)[0], abs=0.01)
    for name in accuracy.CITRUS_CARRIERS:
        assert re.search(rf"{re.escape(name)} +1:2  (clear|hazy|splits)", said), name


@pytest.mark.slow
def test_held_out_figures_stay_above_their_floor(capsys, monkeypatch):
    """The floors are a little below the figures that the command printed when they were written."""
    pytest.importorskip("chemicals")
    monkeypatch.setattr("sys.argv", ["accuracy"])
    accuracy.main()
    said = dict(re.findall(r"^  ([a-z A-Z-]+?) +(-?\d\.\d+)$", capsys.readouterr().out, re.MULTILINE))
    for name, floor in {
        "pairs AUC": 0.97,
        "pairs balanced": 0.92,
        "with water AUC": 0.92,
        "activity rank": 0.95,
    }.items():
        assert float(said[name]) > floor, name
    assert float(said["strength error"]) < 4.5


def test_statements_of_solubility_are_counted_as_they_are_kept(capsys, monkeypatch, statements):
    monkeypatch.setattr(statements_of_solubility, "statements", lambda: statements)
    assert statements_of_solubility.main() == 0
    said = capsys.readouterr().out
    kept, count = map(int, re.search(r"together +(\d+) of (\d+)", said).groups())
    by_kind = re.findall(r"^  [a-zA-Z, -]+? {2,}[a-z ]*? +(\d+) of (\d+)$", said, re.MULTILINE)
    found, _ = statements
    assert (kept, count) == (sum(one.kept for one in found), len(found))
    not_kept = said.split("Not kept\n")[1].split("Left out")[0].splitlines()
    assert len(not_kept) == count - kept
    assert by_kind
    liquids = ("propylene glycol", "glycerol", "triacetin", "MCT")
    useful = [one.kept for one in found if one.carrier in liquids]
    assert f"{sum(useful):3} of {len(useful)} ({100 * np.mean(useful):.0f} %)" in said.split("food carriers alone")[1]
    for good, all_of, percent in re.findall(r" (\d+) of (\d+) \((\d+) %\)", said):
        assert float(percent) == pytest.approx(100 * int(good) / int(all_of), abs=0.51)
    ranked = said.split("puts in order\n")[1].split("Not kept")[0]
    for liquid in {one.carrier for one in found}:
        _, more, less = statements_of_solubility.order(found, liquid)
        assert (f"({more} soluble, {less} less than soluble)" in ranked and liquid in ranked) == (min(more, less) >= 2)


def test_a_statement_is_kept_where_the_mixture_is_what_the_word_promises(statements):
    found, _ = statements
    assert {"soluble", "insoluble", "slightly soluble"} <= {one.statement for one in found}
    for one in found:
        if one.statement == "soluble":  # clear at 30 parts of solvent
            assert one.kept == (one.stability < 1.0)
        elif one.statement == "insoluble":
            assert one.kept == (one.stability >= 1.0)
        elif one.statement == "slightly soluble":
            assert one.stability >= 1.0 or not one.kept


def test_order_needs_both_kinds_and_counts_ties_half():
    one = statements_of_solubility.Statement
    same = [one("a", "x", "soluble", "", True, 0.5), one("b", "x", "insoluble", "", True, 0.5)]
    assert statements_of_solubility.order(same, "x") == (0.5, 1, 1)
    share, yes, no = statements_of_solubility.order(same[:1], "x")
    assert np.isnan(share)
    assert (yes, no) == (1, 0)


@pytest.mark.slow
def test_spheres_command_prints_every_line_it_promises(capsys):
    spheres.main(["--sets", "2", "--versus", "1"])
    said = capsys.readouterr().out
    first, second = said.split("Against scipy")
    coverage = [line.split("|")[3:5] for line in first.splitlines() if re.match(r"\| \d", line)]
    assert len(coverage) == 7
    assert all(0 <= float(cell) <= 1 for row in coverage for cell in row)
    versus = [line.split("|") for line in second.splitlines() if re.match(r"\| \d", line)]
    assert len(versus) == 5
    assert all(float(row[4]) < 1e-7 for row in versus)  # never worse than the other search
    assert re.search(r"largest gap over 1 sets .* \d+\.\d+ MPa", said)


@pytest.mark.slow
def test_trials_command_prints_shares_and_draws_them(capsys, tmp_path):
    trials.main(["--truths", "2", "--trials", "1", "--figure", str(tmp_path / "shares.svg")])
    said = capsys.readouterr().out
    rows = re.findall(r"^  (\w[\w ]+?) +([\d.]+)  ([\d.]+)$", said, re.MULTILINE)
    assert len(rows) == len(trials.DECISIONS) * len(trials.policies())
    assert all(0 <= float(share) <= 1 for _, *shares in rows for share in shares)
    for name in trials.policies():  # before any trial every policy knows the same
        assert len({row[1] for row in rows if row[0] == name}) <= len(trials.DECISIONS)
    assert (
        "share of answers that are right" in (tmp_path / "shares.svg").read_text(encoding="utf-8")
        or (tmp_path / "shares.svg").stat().st_size
    )
