"""The commands that fit shipped tables: run again they write what ships."""

import csv
import io

import pytest

from hspkit import data
from hspkit.errors import DataFileError
from hspkit.workshop import contraction as contraction
from hspkit.workshop import group_fit as estimation
from hspkit.workshop import viscosity as viscosity


@pytest.mark.parametrize(
    ("module", "name"), [(viscosity, "viscosity_pairs.csv"), (contraction, "contraction_pairs.csv")]
)
def test_a_fit_of_pairs_writes_the_shipped_table(module, name, monkeypatch, tmp_path):
    (tmp_path / "datasets").mkdir()
    monkeypatch.setattr(module, "__file__", str(tmp_path / "hspkit" / "folder" / "calibrate.py"))
    module.main()
    written = list(csv.reader(io.StringIO((tmp_path / "datasets" / name).read_text(encoding="utf-8"))))
    shipped = list(csv.reader(io.StringIO(data.read_text(name))))
    assert len(written) == len(shipped) > 1
    for new, old in zip(written, shipped, strict=True):
        for a, b in zip(new, old, strict=True):
            try:
                assert float(a) == pytest.approx(float(b), rel=1e-4, abs=2e-5)  # the last digit printed
            except ValueError:
                assert a == b


def test_the_fit_of_the_estimates_asks_for_a_checkout(monkeypatch, tmp_path):
    monkeypatch.setattr(estimation, "__file__", str(tmp_path / "hspkit" / "estimation" / "calibrate.py"))
    with pytest.raises(DataFileError, match="inside a checkout"):
        estimation.main()


def test_the_fit_of_the_estimates_writes_each_table_whole(monkeypatch, tmp_path, capsys):
    (tmp_path / "datasets").mkdir()
    (tmp_path / "datasets" / "SOURCES.md").write_text("x", encoding="utf-8")
    monkeypatch.setattr(estimation, "__file__", str(tmp_path / "hspkit" / "estimation" / "calibrate.py"))
    monkeypatch.setattr(estimation, "calibrate", lambda: {"one.csv": "a,b\n1,2\n", "two.csv": "c\n"})
    estimation.main()
    assert (tmp_path / "datasets" / "one.csv").read_bytes() == b"a,b\n1,2\n"
    assert capsys.readouterr().out.splitlines() == ["one.csv: 2 lines", "two.csv: 1 lines"]
