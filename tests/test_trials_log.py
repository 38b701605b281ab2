"""The log: tolerant of spreadsheets, safe against formulas, crashes and other writers; bad rows named."""

import csv
import datetime
import multiprocessing
import os
import sys
from pathlib import Path

import pytest

from hspkit import Blend, Trial, TrialLog, carrier
from hspkit.errors import DataFileError, InputError, UnknownNameError
from hspkit.trials.trial import read_carrier

FULL = Trial(
    "60 % triacetin + 40 % propylene glycol by volume",
    "hazy",
    1,
    2.5,
    water_parts=0.25,
    celsius=21.5,
    oil="clove, bud",
    date="2026-11-25",
    note='said "cloudy";\nnext day clear, really',
)


def test_what_is_written_is_read_back(tmp_path):
    log = TrialLog(tmp_path / "bench.csv")
    assert log.trials == ()
    log.append(FULL)
    log.append(Trial("triacetin", "clear"), Trial("glycerol", "splits", celsius=-5))
    assert log.trials[0] == FULL
    assert [one.outcome for one in log] == ["hazy", "clear", "splits"]
    assert log.trials[2].celsius == -5
    assert list(log.frame()["carrier"])[1:] == ["triacetin", "glycerol"]


def test_blends_and_objects_become_text():
    blend = Blend({"triacetin": 0.25, "MCT": 0.75}, basis="mass", name="house blend")
    one = Trial(blend, "clear")
    assert one.carrier.endswith("by volume")
    assert one.liquid.mass_fractions == pytest.approx(blend.mass_fractions, abs=1e-6)


@pytest.mark.parametrize("note", ["=1+1", "+1", "-cloudy", "@SUM(A1)", "\tx", "'=1", "''@x", "'quoted'", "plain", " ="])
def test_formulas_are_kept_as_text_and_come_back_unchanged(tmp_path, note):
    log = TrialLog(tmp_path / "bench.csv")
    log.append(Trial("triacetin", "clear", note=note))
    with log.path.open(newline="", encoding="utf-8") as file:
        cell = list(csv.reader(file))[1][-1]
    assert cell[0] not in "=+-@\t\r\n"
    assert log.trials[0].note == note


SPREADSHEET = "\ufeffDatum;Date;Oil;Carrier or blend;Parts oil;Parts carrier;Temperature [C];Result;Notes\r\n"


def test_a_spreadsheet_with_semicolons_and_decimal_commas(tmp_path):
    path = tmp_path / "bench.csv"
    rows = "x;25.11.2026;clove, bud;triacetin;1;2,5;21,5;Clear;gut\r\n;;;;;;;;\r\ny;;;MCT;1;1;25;splits;"
    path.write_bytes((SPREADSHEET + rows).encode())
    log = TrialLog(path)
    first, second = log.trials
    assert (first.date, first.oil, first.carrier_parts, first.celsius) == ("2026-11-25", "clove, bud", 2.5, 21.5)
    assert (first.outcome, second.carrier) == ("clear", "MCT")
    before = path.read_bytes()
    log.append(Trial("glycerol", "splits", 1, 2.5, note="zäh"))
    after = path.read_bytes()
    assert after.startswith(before)
    assert after[len(before) :].decode() == "\r\n;;;glycerol;1;2,5;25;splits;zäh\r\n"
    assert len(log) == 3


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings_are_kept(tmp_path, encoding):
    path = tmp_path / "bench.csv"
    path.write_bytes("carrier,outcome,note\nMCT,hazy,trüb\n".encode(encoding))
    log = TrialLog(path)
    log.append(Trial("MCT", "clear", note="später klar"))
    assert [one.note for one in log] == ["trüb", "später klar"]
    assert path.read_bytes().decode(encoding).count("\n") == 3


def test_text_that_the_files_encoding_lacks_changes_nothing(tmp_path):
    path = tmp_path / "bench.csv"
    path.write_bytes("carrier,outcome,note\nMCT,hazy,trüb\n".encode("cp1252"))
    before = path.read_bytes()
    with pytest.raises(DataFileError, match="UTF-8"):
        TrialLog(path).append(Trial("MCT", "clear", note="透明"))
    assert path.read_bytes() == before


def test_every_bad_row_is_named_and_the_others_stay(tmp_path):
    path = tmp_path / "bench.csv"
    lines = ["carrier,outcome,oil_parts,date,note"]
    lines += ["triacetin,clear,1,2026-11-25,"] * 997
    lines += ["triacetin,ok,1,,", "unobtainium,clear,1,,", "triacetin,clear,one,,", "MCT,clear,1,03/04/2026,"]
    lines += ['MCT,clear,1,,"two\nlines"', "MCT,,1,,", "MCT,clear,1,,a,b"]
    path.write_text("\n".join(lines), encoding="utf-8")
    log = TrialLog(path)
    assert len(log.read(missing="skip")) == 998
    for row, text in ((999, "'ok'"), (1000, "unobtainium"), (1001, "'one'"), (1002, "two ways"), (1005, "empty")):
        assert any(f"row {row}:" in one and text in one for one in log.problems), (row, log.problems)
    assert any("row 1006:" in one and "6 cells" in one for one in log.problems)
    with pytest.raises(
        DataFileError, match=r"bench.csv, row 999: outcome is 'ok'; expected one of the words clear, hazy"
    ):
        _ = log.trials
    before = path.read_bytes()
    log.append(Trial("MCT", "clear"))
    assert path.read_bytes().startswith(before)


def test_headers_that_do_not_serve(tmp_path):
    path = tmp_path / "bench.csv"
    path.write_text("liquid,outcome\nMCT,clear\n", encoding="utf-8")
    with pytest.raises(DataFileError, match="lacks carrier"):
        _ = TrialLog(path).trials
    path.write_text("carrier,outcome\nMCT,clear\n", encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(DataFileError, match="no column 'water_parts'"):
        TrialLog(path).append(Trial("MCT", "clear", water_parts=1))
    assert path.read_bytes() == before


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch, call):
    log = TrialLog(tmp_path / "bench.csv")
    log.append(Trial("MCT", "clear"))
    before = log.path.read_bytes()

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, call, fail)
    with pytest.raises(DataFileError, match="No space left on device; the log is as before"):
        log.append(Trial("MCT", "splits"))
    monkeypatch.undo()
    assert log.path.read_bytes() == before
    assert {one.name for one in tmp_path.iterdir()} == {"bench.csv", ".bench.csv.lock"}


def _write(path: str, who: int) -> None:
    for number in range(12):
        TrialLog(path).append(Trial("MCT", "clear", note=f"{who}-{number}"))


def test_writers_at_the_same_time_lose_nothing(tmp_path):
    path = tmp_path / "bench.csv"
    context = multiprocessing.get_context("fork")
    writers = [context.Process(target=_write, args=(str(path), who)) for who in range(4)]
    for one in writers:
        one.start()
    for one in writers:
        one.join()
    assert sorted(one.note for one in TrialLog(path)) == sorted(f"{who}-{n}" for who in range(4) for n in range(12))


def test_permissions_and_links_are_kept(tmp_path):
    real = tmp_path / "real.csv"
    TrialLog(real).append(Trial("MCT", "clear"))
    real.chmod(0o640)
    link = tmp_path / "link.csv"
    link.symlink_to(real)
    TrialLog(link).append(Trial("MCT", "hazy"))
    assert link.is_symlink()
    assert len(TrialLog(real)) == 2
    assert Path(real).stat().st_mode & 0o777 == 0o640


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"outcome": "good"}, "outcome is 'good'; expected one of the words clear, hazy, splits"),
        ({"outcome": 1}, "outcome is 1"),
        ({"oil_parts": 0}, "oil_parts is 0; expected a number > 0"),
        ({"water_parts": -1}, "water_parts is -1"),
        ({"celsius": "warm"}, "celsius is 'warm'"),
        ({"date": "2026-13-01"}, "no such day"),
        ({"carrier": "60 % triacetin + 40 % MCT"}, "a blend is written like"),
        ({"carrier": "60 % triacetin + 30 % MCT by volume"}, "sum to 0.9"),
    ],
)
def test_trials_are_checked(arguments, match):
    with pytest.raises(InputError, match=match):
        Trial(**{"carrier": "triacetin", "outcome": "clear"} | arguments)


def test_unknown_carriers_are_named():
    with pytest.raises(UnknownNameError, match="unobtainium"):
        Trial("unobtainium", "clear")
    with pytest.raises(InputError, match="no Trial"):
        TrialLog("never.csv").append("MCT")


def test_a_log_that_is_empty_missing_or_no_text(tmp_path):
    path = tmp_path / "bench.csv"
    assert TrialLog(path).trials == ()
    path.write_text(" \n\n", encoding="utf-8")
    assert TrialLog(path).trials == ()
    assert TrialLog(path).problems == ()
    path.write_bytes(b"carrier,outcome\nMCT,cl\x81ear\n")  # no character of either encoding
    with pytest.raises(DataFileError, match=r"bench.csv: the file is neither UTF-8 nor Windows-1252"):
        _ = TrialLog(path).trials
    with pytest.raises(DataFileError, match="cannot read"):
        _ = TrialLog(tmp_path).trials
    assert repr(TrialLog("a.csv")) == "TrialLog('a.csv')"


def test_appending_nothing_makes_no_file(tmp_path):
    log = TrialLog(tmp_path / "bench.csv")
    log.append()
    assert list(tmp_path.iterdir()) == []


def test_short_rows_end_in_empty_cells(tmp_path):
    path = tmp_path / "bench.csv"
    path.write_text("carrier,outcome,celsius,note\nMCT,clear\n", encoding="utf-8")
    (one,) = TrialLog(path).trials
    assert (one.celsius, one.note) == (25.0, "")


def test_what_to_do_about_bad_rows_is_one_of_two_words(tmp_path):
    with pytest.raises(InputError, match="missing is 'ignore'; expected 'raise' or 'skip'"):
        TrialLog(tmp_path / "bench.csv").read(missing="ignore")


def test_a_system_without_locks_still_writes(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "fcntl", None)
    log = TrialLog(tmp_path / "bench.csv")
    log.append(Trial("MCT", "clear"))
    assert len(log) == 1


@pytest.mark.parametrize(
    ("given", "stored"),
    [
        (None, ""),
        (datetime.date(2026, 2, 3), "2026-02-03"),
        (datetime.datetime(2026, 2, 3, 14, 5), "2026-02-03"),
        ("3.2.2026", "2026-02-03"),
        ("2026-2-3 14:05", "2026-02-03"),
        ("25/02/2026", "2026-02-25"),
        ("02/25/2026", "2026-02-25"),
        ("03/03/2026", "2026-03-03"),
    ],
)
def test_dates_are_kept_in_one_form(given, stored):
    assert Trial("MCT", "clear", date=given).date == stored


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"date": "yesterday"}, "date is 'yesterday'; expected 2026-11-25 or 25.11.2026"),
        ({"note": 7}, "note is 7; expected text"),
        ({"oil": "clove\0"}, "oil is .*; expected text"),
        ({"carrier": ""}, "carrier is ''; expected a name"),
        ({"carrier": 3}, "carrier is 3; expected a name"),
    ],
)
def test_what_is_no_text_is_refused(arguments, match):
    with pytest.raises(InputError, match=match):
        Trial(**{"carrier": "triacetin", "outcome": "clear"} | arguments)


def test_a_carrier_is_kept_by_its_name():
    assert Trial(carrier("triacetin"), "clear").carrier == "triacetin"
    assert read_carrier(carrier("triacetin")).name == "triacetin"
