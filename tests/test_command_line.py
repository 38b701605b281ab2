"""The command line as a newcomer meets it: the job, and one line when something is wrong."""

import csv
import io
import json
import subprocess
import sys

import pytest

from hspkit import Blend
from hspkit.__main__ import main, read_liquid
from hspkit.errors import InputError

RANK = ["rank", "sweet orange, cold-pressed", "--carrier", "triacetin", "--carrier", "glycerol"]
SODA = ["--market", "US", "--category", "soft drinks", "--oil-mg-per-l", "40"]


def test_rank_prints_table_notes_and_cautions(capsys):
    assert main([*RANK, *SODA]) == 0
    said = capsys.readouterr().out
    for word in ("index", "triacetin", "clear", "splits", "Cautions", "legal", "clouds the finished drink"):
        assert word in said
    assert max(len(line) for line in said.split("Notes")[0].splitlines()[2:6]) <= 120


def test_rank_writes_a_page(capsys, tmp_path):
    target = tmp_path / "ranking.html"
    assert main([*RANK, *SODA, "--html", str(target)]) == 0
    assert target.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    assert "triacetin" in capsys.readouterr().out


def test_rank_as_csv_and_json(capsys):
    assert main([*RANK, *SODA, "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["carrier"] for row in rows] == ["triacetin", "glycerol"]
    assert main([*RANK, *SODA, "--json"]) == 0
    loaded = json.loads(capsys.readouterr().out)
    assert loaded["rows"][0]["verdict"] in ("clear", "hazy", "splits")
    assert loaded["rows"][0]["legal_limit_mg_per_L"] is None  # 21 CFR 184.1901: good manufacturing practice, no number
    assert loaded["cautions"]


def test_rank_draws_a_figure(capsys, tmp_path):
    target = tmp_path / "ranking.png"
    assert main([*RANK, "--figure", str(target)]) == 0
    assert target.read_bytes().startswith(b"\x89PNG")


def test_dissolve_estimate_and_data(capsys):
    assert main(["dissolve", "limonene", "propylene glycol"]) == 0
    assert "splits" in capsys.readouterr().out
    assert main(["estimate", "CCO", "nonsense!"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["status"] for row in rows] == ["ok", "failed"]
    assert main(["data"]) == 0
    assert "carrier_limits.csv" in capsys.readouterr().out


BLEND = "70 % triacetin + 30 % propylene glycol by mass"


def test_blends_are_read_as_they_are_printed():
    shares = read_liquid(BLEND)
    assert isinstance(shares, Blend)
    assert shares.mass_fractions == pytest.approx([0.7, 0.3])
    assert read_liquid(shares.name).mass_fractions == pytest.approx([0.7, 0.3])
    assert read_liquid("12,5 % MCT + 87.5 % triacetin by volume").volume_fractions == pytest.approx([0.125, 0.875])
    assert read_liquid("ethanol 70 % vol").name == "ethanol 70 % vol"
    for wrong in ("50 % MCT + 50 % triacetin", "half MCT + half triacetin by mass", "50 % MCT + 50 % MCT by mass"):
        with pytest.raises(InputError, match="MCT"):
            read_liquid(wrong)


def test_dose(capsys, tmp_path):
    asked = ["dose", "limonene", BLEND, "--market", "EU", "--category", "soft drinks", "--stock-mg-per-l", "200"]
    ratio = ["--carrier-parts", "4", "--basis", "mass"]
    assert main([*asked, *ratio]) == 0
    said = capsys.readouterr().out
    # 1:4 by mass, 200 mg/L of stock: 40 mg/L of oil, 112 and 48 mg/L of the carriers
    for word in ("112", "48", "1333/2008", "margin", "emulsion", "Components of the drink", "measured"):
        assert word in said
    assert max(len(line) for line in said.splitlines()) <= 120
    assert main([*asked, *ratio, "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert float(rows[0]["mg_per_L"]) == pytest.approx(40)
    assert main([*asked, *ratio, "--json", "--figure", str(tmp_path / "dose.png")]) == 0
    loaded = json.loads(capsys.readouterr().out)
    assert loaded["allowed"] is True
    assert loaded["broken"] == []
    assert (tmp_path / "dose.png").read_bytes().startswith(b"\x89PNG")


def test_batch(capsys, tmp_path):
    asked = ["batch", "limonene", "triacetin", "--batch", "3 L", "--price", "oil=10", "--price", "triacetin=2"]
    assert main([*asked, "--html", str(tmp_path / "sheet.html")]) == 0
    assert "Order of mixing" in capsys.readouterr().out
    assert "<h1>" in (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert main([*asked, "--markdown"]) == 0
    assert capsys.readouterr().out.startswith("# Batch sheet")
    assert main([*asked, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["rows"][0]["volume_mL"] == pytest.approx(1000)
    assert main([*asked, "--csv"]) == 0
    assert capsys.readouterr().out.startswith("liquid,cas,mass_g")


def test_handling_and_dilution(capsys):
    assert main(["handling", "sweet orange", "--oil-mg-per-l", "40", "--folds", "5", "--carrier", "triacetin"]) == 0
    said = capsys.readouterr().out
    assert "5-fold" in said
    assert "p_clear" in said
    assert main(["handling", "sweet orange", "--oil-mg-per-l", "40", "--csv"]) == 0
    assert capsys.readouterr().out.startswith("handling,mass_yield")
    assert main(["dilute", "96", "70"]) == 0
    # 96 to 70 % vol: 407.8 mL of water to 1 L of spirit makes 1371.4 mL (OIML R 22)
    assert "407.8 mL of water = 1371.4 mL" in capsys.readouterr().out


def test_an_oil_is_folded_on_the_line(capsys):
    assert main(["dissolve", "sweet orange", "triacetin", "--fold", "5", "--json"]) == 0
    row = json.loads(capsys.readouterr().out)["rows"][0]
    assert row["oil"] == "sweet orange, cold-pressed, 5-fold"
    assert main(["dissolve", "sweet orange", "MCT", "--without-terpenes", "95", "--csv"]) == 0
    assert "95 % of terpenes removed" in capsys.readouterr().out


def test_estimate_reads_lines_files_and_standard_input(capsys, tmp_path, monkeypatch):
    lines = tmp_path / "lines.smi"
    lines.write_text("CCO ethanol\n\nCC(=O)OCC ethyl acetate\n")
    table = tmp_path / "table.csv"
    table.write_text("name;SMILES\nethanol;CCO\nbroken;C1CC\nrun;=cmd()\n", encoding="utf-8-sig")
    for given, count in ((["--file", str(lines)], 2), (["--file", str(table)], 3), (["CCO", "CCC"], 2)):
        assert main(["estimate", *given]) == 0
        rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
        assert len(rows) == count
        assert rows[0]["status"] == "ok"
    monkeypatch.setattr(sys, "stdin", io.StringIO("CCO\n=1+1\n"))
    assert main(["estimate"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["status"] for row in rows] == ["ok", "failed"]  # a bad line does not lose the other
    assert rows[1]["smiles"] == "'=1+1"  # nor run in a spreadsheet
    assert main(["estimate", "CCO", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["rows"][0]["smiles"] == "CCO"


def test_data_lists_what_ships(capsys):
    for what, word in (("oils", "lemon"), ("carriers", "57-55-6"), ("markets", "EU"), ("categories", "soft drinks")):
        assert main(["data", what]) == 0
        assert word in capsys.readouterr().out
    assert main(["data", "pouring_bands.csv"]) == 0
    assert "honey" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["rank", "sweet orang"], "orange"),
        (["rank", "limonene", "--carrier", "propylen glycol"], "propylene glycol"),
        (["rank", "limonene", "--oil-parts", "-1"], "--oil-parts: -1 is out of range"),
        (["rank", "limonene", "--oil-parts", "some"], "--oil-parts"),
        (["rank", "limonene", "--market", "US"], "--category"),
        (["rank", "limonene", "--market", "Mars", "--category", "soft drinks", "--oil-mg-per-l", "4"], "Mars"),
        (["rank", "limonene", "--market", "US", "--category", "soup", "--oil-mg-per-l", "4"], "soup"),
        (["estimate", "CCO", "--method", "guess"], "guess"),
        (["rank", "limonene", "--figure", "/nonexistent/x.png"], "nonexistent"),
        (["rank", "limonene", "--carrier", "MCT", "--html", "/nonexistent/x.html"], "nonexistent"),
        (["rank", "limonene", "--carrier", "MCT", "--figure", "/tmp/x.nonsense"], "nonsense"),
        (["rank", "lemon", "--fold", "1000"], "folds less than"),
        (["dose", "limonene", "MCT"], "a dose needs a product"),
        (["dose", "limonene", "MCT", *SODA[:4], "--oil-mg-per-l", "0"], "oil_mg_per_L is 0"),
        (["dose", "limonene", "50 % MCT + 50 % triacetin", *SODA], "by volume"),
        (["batch", "limonene", "MCT", "--batch", "much"], "much"),
        (["batch", "limonene", "MCT", "--price", "oil"], "--price is 'oil'"),
        (["batch", "limonene", "MCT", "--html", "sheet.doc"], "sheet.doc"),
        (["estimate", "--file", "/nonexistent.smi"], "nonexistent"),
        (["data", "nonsense"], "nonsense"),
        (["dilute", "40", "70"], "to_percent is 70"),
        (["rank", "limonene", "--celsius", "1e9"], "1e9 is out of range"),
        (["rank", "limonene", "--carrier-parts", "1e308"], "1e308 is out of range"),
        (["sing"], "sing"),
        ([], "verb"),
    ],
)
def test_errors_are_one_line_and_code_2(arguments, text, capsys):
    try:
        code = main(arguments)
    except SystemExit as stopped:
        code = stopped.code
    said = capsys.readouterr()
    assert code == 2
    assert text in said.err
    assert said.err.count("\n") == 1
    assert "Traceback" not in said.err


def test_it_runs_as_a_module():
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "hspkit", "dissolve", "eugenol", "triacetin"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "clear" in done.stdout


def test_help_names_every_verb(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    said = capsys.readouterr().out
    verbs = ("rank", "dissolve", "estimate", "dose", "batch", "handling", "dilute", "data")
    for verb in verbs:
        assert verb in said
    for verb in verbs:
        with pytest.raises(SystemExit) as stopped:
            main([verb, "--help"])
        assert stopped.value.code == 0
        assert "example: python -m hspkit" in capsys.readouterr().out


def test_a_closed_pipe_is_no_error():
    done = subprocess.run(
        f"{sys.executable} -m hspkit data substances.csv | head -1",
        shell=True,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stderr == ""
    assert done.stdout.startswith("name,")
