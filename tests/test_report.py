"""The batch sheet and the files it goes into: sums worked by hand, nothing that runs, nothing half-written."""

import errno
import os
import re
import shutil
import subprocess
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

from hspkit import (
    Application,
    Blend,
    Carrier,
    Oil,
    batch_sheet,
    carrier,
    columns,
    files,
    oil,
    plotting,
    rank_carriers,
    rendering,
    substance,
)
from hspkit.errors import InputError, UnknownNameError
from hspkit.report import SheetLine, read_batch

SODA = Application("EU", "soft drinks", oil_mg_per_L=40)
NASTY = '<script>alert("x")</script> | =cmd()|"&\u202e'


@pytest.fixture(scope="module")
def sheet():
    blend = Blend({"triacetin": 0.7, "propylene glycol": 0.3}, basis="mass")
    prices = {"oil": 20.0, "triacetin": 4.0, "propylene glycol": 2.0}
    return batch_sheet(
        "lemon, cold-pressed", blend, oil_parts=1, carrier_parts=4, basis="mass", batch="5 kg", application=SODA,
        prices=prices, currency="EUR",
    )  # fmt: skip


@pytest.fixture(scope="module")
def nasty():
    bad = Oil(NASTY, ("limonene",), (substance("limonene"),), (100.0,), caution=NASTY)
    return batch_sheet(bad, "triacetin", title=NASTY, currency=NASTY, prices={"oil": 1}, application=SODA)


def test_masses_worked_by_hand(sheet):
    # 5 kg at 1:4 by mass: 1000 g of oil, 4000 g of carrier, 0.7 x 4000 = 2800 g and 1200 g.
    table = sheet.table.set_index("liquid")
    assert table["mass_g"].tolist() == pytest.approx([1000, 2800, 1200, 5000])
    # volumes by the densities at 20 C (CRC Handbook: triacetin 1.1583, propylene glycol 1.0361)
    assert table.loc["triacetin", "volume_mL"] == pytest.approx(2800 / 1.1583, abs=0.1)
    assert table.loc["propylene glycol", "volume_mL"] == pytest.approx(1200 / 1.0361, abs=0.1)
    assert table["mass_percent"].iloc[:-1].sum() == pytest.approx(100)
    assert table["volume_percent"].iloc[:-1].sum() == pytest.approx(100)


def test_tables_have_the_columns_that_are_declared(sheet):
    assert [column.name for column in columns.SHEET] == list(sheet.table.columns) == list(SheetLine._fields)
    assert [column.name for column in columns.DOSES] == list(sheet.dosing.table.columns)
    assert {column.name for column in columns.DRINK_COMPONENTS} <= set(dir(sheet.dosing.drink.components[0]))


def test_costs_worked_by_hand(sheet):
    # 1 kg x 20 + 2.8 kg x 4 + 1.2 kg x 2 = 33.6 EUR a batch, 6.72 a kg; 200 mg/L of stock: 0.001344 EUR a litre
    assert sheet.table["cost"].iloc[-1] == pytest.approx(33.6)
    assert sheet.cost_per_kg == pytest.approx(6.72)
    assert sheet.cost_per_litre == pytest.approx(0.001344)
    assert sheet.product_litres == pytest.approx(25_000)  # 5 kg at 200 mg/L
    assert "33.6 EUR" in sheet.to_text()


def test_a_missing_price_gives_no_cost():
    found = batch_sheet("limonene", "triacetin", prices={"oil": 20.0})
    assert np.isnan(found.table["cost"].iloc[-1])
    assert "no price for triacetin" in found.to_text()
    with pytest.raises(InputError, match="not in the batch"):
        batch_sheet("limonene", "triacetin", prices={"glycerol": 2.0})
    with pytest.raises(UnknownNameError):
        batch_sheet("limonene", "triacetin", prices={"nonsense": 2.0})
    with pytest.raises(InputError, match="the price of 'oil' is -1"):
        batch_sheet("limonene", "triacetin", prices={"oil": -1})


def test_a_volume_of_one_to_two_by_volume():
    found = batch_sheet("sweet orange, cold-pressed", "glycerol", batch="3 L").table.set_index("liquid")
    assert found["volume_mL"].tolist() == pytest.approx([1000, 2000, 3000])
    assert found.loc["glycerol", "mass_g"] == pytest.approx(2522.6, abs=0.5)  # CRC Handbook 1.2613 g/mL at 20 C
    assert found.loc["sweet orange, cold-pressed", "mass_g"] == pytest.approx(844, abs=5)  # USP 32: 0.842-0.846 at 25 C


def test_spirit_is_made_with_its_contraction():
    # OIML R 22 tables: 70 % vol is 62.39 % by mass, 96 % vol 93.84 %: 1000 g of 70 % is 664.9 g of 96 % and water.
    found = batch_sheet("peppermint", "ethanol 70 % vol", batch="900 mL")
    whole = found.table.set_index("liquid")["mass_g"][["ethanol", "water"]].sum()
    step = next(line for line in found.steps if "spirit of 96" in line)
    spirit, water = (float(x.replace(",", "")) for x in re.findall(r"([\d.,]+) g of", step))
    assert spirit == pytest.approx(0.6649 * whole, rel=1e-3)
    assert spirit + water == pytest.approx(whole, rel=1e-3)
    # measured out apart, ethanol and water are more than the 600 mL that they make: they contract
    rows = found.table.set_index("liquid")["volume_mL"]
    assert rows["ethanol"] + rows["water"] > 600 * 1.02


@pytest.mark.parametrize(
    ("given", "size"),
    [("2 L", (2000, "mL")), ("1,5 kg", (1500, "g")), ("500ml", (500, "mL")), (250, (250, "mL")), ("750 g", (750, "g"))],
)
def test_sizes_of_a_batch(given, size):
    assert read_batch(given) == size


@pytest.mark.parametrize("given", ["", "much", "-1 L", "0 kg", "5 gal", "nan", "1e999 L", "1 L; rm", None])
def test_sizes_that_are_none(given):
    with pytest.raises(InputError, match="expected an amount such as"):
        read_batch(given)


def test_the_sheet_says_what_to_expect_and_to_try_first(sheet):
    said = sheet.to_text()
    for word in (
        "probability of clear",
        "Trial to run first",
        "1333/2008",
        "taste limit",
        "emulsion",
        "Check name, CAS",
    ):
        assert word in said
    assert max(len(line) for line in said.splitlines() if not set(line) <= set("- ")) <= 130
    for heading, lines in sheet.sections():
        assert lines, heading


def test_a_stock_that_splits_or_is_not_allowed_is_said_first():
    bad = batch_sheet("limonene", "dipropylene glycol", application=SODA)
    assert bad.sections()[0][1][0].startswith("DO NOT USE: dipropylene glycol")
    alone = batch_sheet("limonene", "ethylene glycol")
    assert "DO NOT USE" in alone.to_text()
    assert alone.steps == ("Do not make this batch: ethylene glycol is not for ingestion.",)
    assert not any("Taste" in line or "vial" in line for line in alone.trial)
    assert "not for ingestion" in repr(alone)
    splits = batch_sheet("limonene", "glycerol")
    assert "Do not make the batch before the trial" in splits.steps[-1]
    assert 'class="key warn"' in alone.to_html()


def test_thick_carriers_are_warmed_and_water_comes_last():
    # common practice, no source
    mixed = Blend({"glycerol": 0.4, "propylene glycol": 0.4, "water": 0.2}, basis="mass")
    steps = batch_sheet("linalool", mixed, carrier_parts=20).steps
    assert any("Warm glycerol" in step for step in steps)
    place = {word: next(i for i, step in enumerate(steps) if word in step) for word in ("linalool", "add water")}
    assert place["add water"] > place["linalool"]


def test_an_unknown_density_leaves_cells_empty_and_says_so():
    unknown = Carrier("unweighed", "", substance("triacetin"))
    found = batch_sheet("limonene", unknown, application=SODA)
    assert np.isnan(found.table["mass_g"].iloc[-1])
    assert found.table["volume_mL"].iloc[-1] == 1000
    assert "density of unweighed is not on record" in found.to_text()
    with pytest.raises(InputError, match="no density of the carrier"):
        batch_sheet("limonene", unknown, basis="mass")


class _Tags(HTMLParser):
    """Tags and attributes of a page; a tag left open or closed twice is an error."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += attrs
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def _tags(page: str) -> _Tags:
    read = _Tags()
    read.feed(page)
    assert read.open == []
    return read


def test_pages_run_nothing_and_fetch_nothing(sheet, nasty):
    ranking = rank_carriers(nasty.oil, carriers=["triacetin"], application=SODA)
    for page in (sheet.to_html(), nasty.to_html(), ranking.to_html(), ranking._repr_html_(), nasty._repr_html_()):
        read = _tags(page)
        assert not {"script", "img", "link", "iframe", "object", "form", "base"} & set(read.tags)
        assert not any(name.startswith("on") or name in ("src", "href", "srcdoc") for name, _ in read.attributes)
        assert "http:" not in page
        assert "https:" not in page
        assert "url(" not in page
        assert "\u202e" not in page
    assert "&lt;script&gt;" in nasty.to_html()
    assert "default-src 'none'" in sheet.to_html()


def test_markdown_and_text_cannot_be_broken_out_of(nasty):
    assert "<script" not in nasty.to_markdown()
    rows = [line for line in nasty.to_markdown().splitlines() if line.startswith("| ")]
    assert len({len(re.findall(r"(?<!\\)\|", line)) for line in rows}) == 1  # the bar in the name ends no cell
    assert "\u202e" not in nasty.to_text()


def test_csv_has_no_formula():
    frame = pd.DataFrame({"a": ["=1+1", "+1", "-x", "@y", "plain", "\t="], "n": [-1.0, 2, 3, 4, 5, 6]})
    lines = rendering.csv_text(frame).splitlines()
    assert [line.split(",")[0] for line in lines[1:5]] == ["'=1+1", "'+1", "'-x", "'@y"]
    assert lines[1].endswith("-1.0")  # a number stays one
    assert frame["a"].iloc[0] == "=1+1"  # the table of the caller is untouched
    evil = Oil('=HYPERLINK("x")', ("limonene",), (substance("limonene"),), (100.0,))
    assert "\n=" not in rendering.csv_text(batch_sheet(evil, "MCT").table).replace('"', "")
    assert "'=HYPERLINK" in rendering.csv_text(batch_sheet(evil, "MCT").table)


@pytest.mark.parametrize("ending", ["html", "md", "txt", "csv"])
def test_saving(sheet, tmp_path, ending):
    target = tmp_path / f"sheet.{ending}"
    assert sheet.save(target) == target
    assert "triacetin" in target.read_text(encoding="utf-8")
    assert os.listdir(tmp_path) == [target.name]  # no draft is left


def test_a_failed_write_leaves_the_old_file(sheet, tmp_path, monkeypatch):
    target = tmp_path / "sheet.html"
    target.write_text("old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        sheet.save(target)
    monkeypatch.undo()
    assert target.read_text() == "old"
    assert os.listdir(tmp_path) == ["sheet.html"]


def test_a_write_that_is_refused_names_the_file_that_was_asked_for(sheet, tmp_path, monkeypatch):
    def refuse(draft, _):
        raise PermissionError(errno.EACCES, "Permission denied", str(draft))

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(OSError, match=r"sheet\.html.*Permission denied") as refused:
        sheet.save(tmp_path / "sheet.html")
    assert "draft" not in str(refused.value)
    assert os.listdir(tmp_path) == []


def test_files_that_cannot_be(sheet, tmp_path):
    with pytest.raises(InputError, match="there is no folder"):
        sheet.save(tmp_path / "no" / "sheet.html")
    with pytest.raises(InputError, match=r"expected one of \.html"):
        sheet.save(tmp_path / "sheet.doc")
    (tmp_path / "x.html").mkdir()
    with pytest.raises(InputError, match="it is a folder"):
        sheet.save(tmp_path / "x.html")


def test_a_link_keeps_pointing(tmp_path):
    real, link = tmp_path / "real.txt", tmp_path / "link.txt"
    real.write_text("old")
    link.symlink_to(real)
    files.write_text(link, "new")
    assert link.is_symlink()
    assert real.read_text() == "new"


def test_doses_are_drawn_against_their_limits():
    asked = Application("EU", "alcoholic drinks", oil_mg_per_L=100)
    names = ["triacetin", "benzyl alcohol", "MCT", "dipropylene glycol"]
    ranking = rank_carriers("limonene", carriers=names, application=asked)
    import matplotlib.pyplot as plt

    figure, own = plt.subplots()
    axes = plotting.dose(ranking, ax=own)
    assert axes is own
    drawn = {round(float(x), 1) for line in axes.lines for x in np.atleast_1d(line.get_xdata())}
    row = ranking.row("benzyl alcohol")
    assert {100.0, round(row["carrier_mg_per_L"], 1)} <= drawn  # 100 mg/L in liqueurs: 95/2/EC as amended
    assert "mg/L" in axes.get_xlabel()
    low, high = axes.get_xlim()
    assert low < 100 < 3000 < high  # no limit falls off the figure
    plt.close(figure)
    with pytest.raises(InputError, match="has no doses"):
        plotting.dose(rank_carriers("limonene", carriers=["MCT"]))


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("chromium") is None, reason="no chromium on this system to print with")
def test_even_a_long_sheet_prints_on_one_page(tmp_path):
    many = {"triacetin": 0.3, "propylene glycol": 0.1, "glycerol": 0.1, "triethyl citrate": 0.2, "benzyl alcohol": 0.1,
            "ethyl lactate": 0.1, "MCT": 0.1}  # fmt: skip
    found = batch_sheet("mandarin", Blend(many, basis="mass"), batch="2 kg", application=SODA, prices={"oil": 12})
    for name, page in (("long", found), ("short", batch_sheet(oil("limonene"), carrier("MCT")))):
        target, print_ = tmp_path / f"{name}.html", tmp_path / f"{name}.pdf"
        page.save(target)
        subprocess.run(
            ["chromium", "--headless", "--no-sandbox", "--disable-gpu", f"--print-to-pdf={print_}", str(target)],
            check=True, capture_output=True, timeout=120,
        )  # fmt: skip
        assert b"/Count 1" in print_.read_bytes()
