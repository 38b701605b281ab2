"""The command line as a newcomer meets it: the job, and one line when something is wrong."""

import csv
import io
import json
import subprocess
import sys

import pytest

from hspkit.__main__ import main

RANK = ["rank", "sweet orange, cold-pressed", "--carrier", "triacetin", "--carrier", "glycerol"]
SODA = ["--market", "US", "--category", "soft drinks", "--oil-mg-per-l", "40"]


def test_rank_prints_table_notes_and_cautions(capsys):
    assert main([*RANK, *SODA]) == 0
    said = capsys.readouterr().out
    for word in ("triacetin", "clear", "splits", "Cautions", "legal", "clouds the finished drink"):
        assert word in said
    assert max(len(line) for line in said.split("Notes")[0].splitlines()[2:6]) <= 120


def test_rank_as_csv_and_json(capsys):
    assert main([*RANK, *SODA, "--csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert [row["carrier"] for row in rows] == ["triacetin", "glycerol"]
    assert main([*RANK, *SODA, "--json"]) == 0
    loaded = json.loads(capsys.readouterr().out)
    assert loaded["rows"][0]["verdict"] == "clear"
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


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["rank", "sweet orang"], "orange"),
        (["rank", "limonene", "--carrier", "propylen glycol"], "propylene glycol"),
        (["rank", "limonene", "--oil-parts", "-1"], "oil_parts is -1"),
        (["rank", "limonene", "--oil-parts", "some"], "--oil-parts"),
        (["rank", "limonene", "--market", "US"], "--category"),
        (["rank", "limonene", "--market", "Mars", "--category", "soft drinks", "--oil-mg-per-l", "4"], "Mars"),
        (["rank", "limonene", "--market", "US", "--category", "soup", "--oil-mg-per-l", "4"], "soup"),
        (["estimate", "CCO", "--method", "guess"], "guess"),
        (["rank", "limonene", "--figure", "/nonexistent/x.png"], "nonexistent"),
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
    for verb in ("rank", "dissolve", "estimate", "data"):
        assert verb in said
