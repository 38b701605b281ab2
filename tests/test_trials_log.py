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
    with pytest.raises(InputError, match="expected a Trial"):
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


# --- what headings and cells mean (their wording is common practice, no source) ---


def _log(folder, text):
    path = folder / "bench.csv"
    path.write_text(text, encoding="utf-8")
    return TrialLog(path)


def test_columns_that_are_not_read_are_named(tmp_path):
    log = _log(
        tmp_path, "carrier,outcome,operator,lot,oil_parts,carrier_parts,celsius,\nMCT,clear,A B,7,1,2,25,stray\n"
    )
    assert log.ignored_columns == ("operator", "lot", "column 8")
    assert log.notes == ("bench.csv: columns that are not read: 'operator', 'lot', 'column 8'",)
    assert log.problems == ()
    assert _log(tmp_path, "carrier,outcome,\nMCT,clear,\n").ignored_columns == ()
    assert TrialLog(tmp_path / "none.csv").ignored_columns == TrialLog(tmp_path / "none.csv").notes == ()


@pytest.mark.parametrize(
    "heading",
    [
        "dilution", "dilution ratio", "ratio oil:water", "percent oil", "oil %", "oil (%)", "dose mg/L", "share",
        "Anteil", "carrier 2 (mL)", "Mischungsverhältnis", "parts", "emulsifier (g)", "ethanol_ml",
        "water content", "carrier 2 parts",
        "carrier (%)",
    ],
)  # fmt: skip
def test_a_column_of_amounts_that_is_not_understood_is_an_error(tmp_path, heading):
    log = _log(tmp_path, f"carrier,outcome,{heading}\nMCT,clear,5\n")
    before = log.path.read_bytes()
    for use in (lambda: log.trials, lambda: log.read(missing="skip"), lambda: log.append(Trial("MCT", "clear"))):
        with pytest.raises(DataFileError) as caught:
            use()
        assert f"bench.csv: column {heading!r} says how much was mixed and is not understood" in str(caught.value)
    assert log.path.read_bytes() == before


@pytest.mark.parametrize(
    "heading", ["oil (g)", "carrier [mg]", "parts oil by mass", "oil_parts (w/w)", "ratio by weight"]
)
def test_amounts_by_mass_are_refused(tmp_path, heading):
    with pytest.raises(DataFileError, match=r"is by mass, and trials are by volume; divide each mass by the density"):
        _ = _log(tmp_path, f"carrier,outcome,{heading}\nMCT,clear,5\n").trials


@pytest.mark.parametrize(
    "header",
    ["oil (mL),carrier (mL),water (mL)", "oil_ml,carrier_ml,water_ml", "oil [L],carrier volume [L],water / L",
     "parts of oil by volume,carrier_parts (v/v),water"],
)  # fmt: skip
def test_volumes_are_parts(tmp_path, header):
    log = _log(tmp_path, f"oil,carrier,outcome,{header}\nlemon,MCT,clear,2,5,0.5\n")
    (one,) = log.trials
    assert (one.oil, one.carrier, one.oil_parts, one.carrier_parts, one.water_parts) == ("lemon", "MCT", 2, 5, 0.5)


def test_volumes_that_cannot_be_compared_are_refused(tmp_path):
    for header in ("oil_parts,carrier_parts,water (mL)", "oil (mL),carrier (L),water (L)", "ratio,note,water (mL)"):
        with pytest.raises(DataFileError, match="in different units"):
            _ = _log(tmp_path, f"carrier,outcome,{header}\nMCT,clear,1:2,2,3\n").trials
    log = _log(
        tmp_path, "carrier,outcome,oil (mL),carrier (mL),water (mL)\nMCT,clear,5,,\nMCT,clear,,,1\nMCT,clear,,,\n"
    )
    assert [one.split(":")[0] for one in log.problems] == ["bench.csv, row 2", "bench.csv, row 3"]
    assert "give both" in log.problems[0]


@pytest.mark.parametrize("cell", ["1:10", "1/10", "1 : 10", "1.0:10.0", "0.5:5"])
def test_a_ratio_is_read(tmp_path, cell):
    log = _log(tmp_path, f"carrier,ratio,outcome\nMCT,{cell},clear\n")
    (one,) = log.trials
    assert one.carrier_parts / one.oil_parts == pytest.approx(10)
    assert log.notes[0] == "bench.csv: column 'ratio' is read as oil:carrier, by volume"
    log.append(Trial("MCT", "hazy", 1, 2.5), Trial("MCT", "hazy", 1.125, 3))
    assert [(t.oil_parts, t.carrier_parts) for t in log.trials[1:]] == [(1, 2.5), (1.125, 3)]
    assert log.path.read_text(encoding="utf-8").endswith("MCT,1:2.5,hazy\nMCT,1.1250:3,hazy\n")


@pytest.mark.parametrize("heading", ["carrier:oil", "ratio carrier/oil", "carrier to oil ratio (v/v)"])
def test_the_order_of_a_ratio_stands_in_its_heading(tmp_path, heading):
    log = _log(tmp_path, f"carrier,{heading},outcome\nMCT,10:1,clear\n")
    log.append(Trial("MCT", "hazy", 1, 3))
    assert [(t.oil_parts, t.carrier_parts) for t in log] == [(1, 10), (1, 3)]
    assert "carrier:oil" in log.notes[0]


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("1 in 10", "expected oil:carrier"), ("1:10:1", "expected oil:carrier"), ("10", "expected oil:carrier"),
        ("01.10.2026", "turned it into a date"), ("01:10:00", "turned it into a date"), ("1:x", "expected a number"),
        ("1:0", "two numbers > 0"), ("Jan-10", "turned it into a date"),
    ],
)  # fmt: skip
def test_a_ratio_that_may_mean_two_things_is_a_bad_row(tmp_path, cell, said):
    log = _log(tmp_path, f"carrier,ratio,outcome\nMCT,{cell},clear\nMCT,1:3,clear\n")
    assert [one.carrier_parts for one in log.read(missing="skip")] == [3]
    assert log.problems[0].startswith(f"bench.csv, row 2: ratio is {cell!r}")
    assert said in log.problems[0]


def test_a_ratio_that_contradicts_the_parts_is_a_bad_row(tmp_path):
    rows = "MCT,1:10,1,10,clear\nMCT,1:10,1,2,clear\nMCT,1:10,2,,clear\nMCT,1:3,0.333,1,clear\nMCT,,1,4,clear\n"
    log = _log(tmp_path, "carrier,ratio,oil_parts,carrier_parts,outcome\n" + rows)
    good = [(one.oil_parts, one.carrier_parts) for one in log.read(missing="skip")]
    assert good == [(1, 10), (2, 20), (0.333, 1), (1, 4)]
    assert log.problems == (
        "bench.csv, row 3: ratio is '1:10', but the parts are 1 of oil and 2 of carrier; correct what is wrong",
    )


@pytest.mark.parametrize(
    ("heading", "cell"),
    [
        ("temperature (F)", "77"), ("°F", "77"), ("temp_f", "77"), ("Temperature in deg F", "77 F"),
        ("fahrenheit", "77"), ("temp [K]", "298.15"), ("T / K", "298.15"), ("kelvin", "298.15"),
        ("Temperatur [K]", "298.15 K"),
        ("T / °C", "25"), ("celsius", "25 °C"), ("temperature_degC", "25"), ("temp ℃", "25"), ("temperature C", "25C"),
        ("temperature", "77 F"), ("temp", "298.15 K"), ("temperature", "25 degrees C"), ("temperature", "25"),
    ],
)  # fmt: skip
def test_temperatures_are_read_in_their_unit(tmp_path, heading, cell):
    """0 C = 273.15 K and 32 F, 100 C = 212 F: by definition."""
    log = _log(tmp_path, f"carrier,outcome,{heading}\nMCT,clear,{cell}\n")
    assert log.trials[0].celsius == 25.0
    log.append(
        Trial("MCT", "hazy", celsius=70.0), Trial("MCT", "hazy", celsius=-40.0), Trial("MCT", "hazy", celsius=21.5)
    )
    assert [one.celsius for one in log] == [25.0, 70.0, -40.0, 21.5]
    if "F" in heading or heading in ("temp_f", "fahrenheit"):
        assert "\nMCT,hazy,158\nMCT,hazy,-40\nMCT,hazy,70.7\n" in log.path.read_text(encoding="utf-8")


@pytest.mark.parametrize("cells", [["298"], ["70", "77"], ["77"], ["25", "298.15"], ["25", "212"]])
def test_temperatures_without_a_unit_that_may_be_no_celsius_are_bad_rows(tmp_path, cells):
    log = _log(tmp_path, "carrier,outcome,temperature\n" + "".join(f"MCT,clear,{cell}\n" for cell in cells))
    bad = [cell for cell in cells if cell != "25"]
    assert [f"celsius is {cell!r} without a unit" in one for cell, one in zip(bad, log.problems, strict=True)] == [
        True
    ] * len(bad)
    log.append(Trial("MCT", "hazy", celsius=25))  # says its unit, so that it proves nothing about the others
    assert len(log.problems) == len(bad)
    assert log.read(missing="skip")[-1].celsius == 25


def test_plain_celsius_proves_the_warmer_ones_and_is_said(tmp_path):
    log = _log(tmp_path, "carrier,outcome,temperature\nMCT,clear,25\nMCT,clear,60\n")
    assert [one.celsius for one in log] == [25, 60]
    assert "bench.csv: column 'temperature' is read as degrees Celsius, having no unit" in log.notes


@pytest.mark.parametrize(
    ("heading", "cell", "said"),
    [
        ("celsius", "77 F", "celsius is '77 F' in a column of C, 'celsius'"),
        ("temp [K]", "25 C", "celsius is '25 C' in a column of K"),
        ("temp [K]", "-5", "celsius is -278.15"),
        ("celsius", "warm", "celsius is 'warm'; expected a number"),
        ("celsius", "25. Jan", "turned it into a date"),
    ],
)
def test_temperatures_that_cannot_be_are_bad_rows(tmp_path, heading, cell, said):
    log = _log(tmp_path, f"carrier,outcome,{heading}\nMCT,clear,{cell}\n")
    assert said in log.problems[0]


def test_a_temperature_that_is_not_understood_is_refused_unless_another_is(tmp_path):
    for heading in ("T", "temperature (C or F)", "temperature of the room"):
        with pytest.raises(DataFileError, match=r"column .* may be a temperature and is not understood"):
            _ = _log(tmp_path, f"carrier,outcome,{heading}\nMCT,clear,25\n").trials
    log = _log(tmp_path, "carrier,outcome,celsius,storage temperature\nMCT,clear,30,5\n")
    assert log.trials[0].celsius == 30
    assert log.ignored_columns == ("storage temperature",)


@pytest.mark.parametrize(
    ("text", "bad"),
    [
        ("oil_parts;carrier_parts\n1.000;2,5\n1;2\n", [2]),
        ("oil_parts;carrier_parts\n1;1.000\n", [2]),
        ("oil_parts\tcarrier_parts\n1\t1.000\n", [2]),
        ('oil_parts,carrier_parts\n1,"1,000"\n1.5,2\n', [2]),
        ('oil_parts,carrier_parts\n1,"1,000"\n', [2]),
        ("oil_parts;carrier_parts\n1;1,000\n1;2.5\n", [2]),
        ("oil_parts;carrier_parts\n1,250;2,5\n", []),
        ("oil_parts;carrier_parts\n1.250;2.5\n", []),
        ("oil_parts,carrier_parts\n1.250,2\n", []),
        ("oil_parts;carrier_parts\n0.125;2\n", []),
        ("ratio;celsius\n1:1.000;21,5\n", [2]),
    ],
)
def test_a_number_that_may_have_thousands_is_a_bad_row(tmp_path, text, bad):
    mark = next(mark for mark in ";\t," if mark in text)
    header, *rows = text.splitlines()
    log = _log(
        tmp_path, "\n".join([f"carrier{mark}outcome{mark}{header}", *(f"MCT{mark}clear{mark}{row}" for row in rows)])
    )
    assert [int(one.split("row ")[1].split(":")[0]) for one in log.problems] == bad
    assert all("which may be" in one for one in log.problems)
    good = log.read(missing="skip")
    log.append(Trial("MCT", "hazy", 1.125, 2.5))  # what is in doubt stays in doubt
    assert len(log.problems) == len(bad)
    assert log.read(missing="skip")[:-1] == good
    assert (log.read(missing="skip")[-1].oil_parts, log.read(missing="skip")[-1].carrier_parts) == (1.125, 2.5)


def test_what_is_taken_where_nothing_is_given_is_said(tmp_path):
    log = _log(
        tmp_path, "carrier,outcome,oil_parts,carrier_parts,celsius\nMCT,clear,1,2,25\nMCT,clear,,,\nMCT,hazy,1,,20\n"
    )
    assert [(one.oil_parts, one.carrier_parts, one.celsius) for one in log] == [(1, 2, 25), (1, 2, 25), (1, 2, 20)]
    assert log.notes == (
        "bench.csv: row 3: no oil_parts, taken as 1",
        "bench.csv: rows 3, 4: no carrier_parts, taken as 2",
        "bench.csv: row 3: no celsius, taken as 25",
    )
    assert "bench.csv: rows 2, 3, 4" in _log(tmp_path, "carrier,outcome\n" + "MCT,clear\n" * 3).notes[0]
    fresh = TrialLog(tmp_path / "new.csv")
    fresh.append(Trial("MCT", "clear"))
    assert fresh.notes == ()


def test_nothing_is_colder_than_absolute_zero():
    with pytest.raises(InputError, match=r"celsius is -273\.5; expected a temperature"):
        Trial("MCT", "clear", celsius=-273.5)
