"""Whatever a user types stays text: in pages no tag, in csv no formula and no row of its own."""

import ast
import csv
import dataclasses
import io
import re
from html.parser import HTMLParser
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import hspkit
from hspkit import Application, Evidence, Oil, Substance, Trial, TrialLog, carrier, plotting, rendering, substance
from hspkit.__main__ import main
from hspkit.application import clouding, dosing
from hspkit.mixture import mixture_of

ROOT = Path(__file__).resolve().parent.parent
EVIL = '"\'><script>alert(1)</script><img src=x onerror=alert(1)>&<b x="javascript:1">\u202e</td></table>'
#: Tags that the library's own pages are made of.
TAGS = {
    "html", "head", "meta", "title", "style", "body", "div", "p", "h1", "h2", "b", "strong", "small", "sup", "br", "ul",
    "ol", "li", "table", "thead", "tbody", "tr", "th", "td",
}  # fmt: skip
ATTRIBUTES = {"class", "style", "lang", "charset", "name", "content", "http-equiv", "border", "id"}


class _Reader(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.attributes, self.text = set(), set(), ""

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        self.attributes |= {name for name, _ in attrs}
        self.attributes |= {f"{name}={value}" for name, value in attrs if "alert" in (value or "")}

    def handle_data(self, data):
        self.text += data


def displays():
    """Return the classes that have an HTML display, from the source."""
    found = set()
    for path in (ROOT / "hspkit").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                found |= {node.name for one in node.body if getattr(one, "name", "") == "_repr_html_"}
    return found


@pytest.fixture(scope="module")
def shown():
    """Objects of every class with a display, each made of names that would be tags."""
    limonene = substance("limonene")
    own = Substance(EVIL, "CCCC(=O)OCC(C)C", synonyms=(EVIL,), notes=(EVIL,))
    oil = Oil(EVIL, (EVIL, "b" + EVIL), (limonene, own), (80.0, 10.0), ((EVIL, 5.0),), caution=EVIL, notes=(EVIL,))
    liquid = dataclasses.replace(carrier("triacetin"), name=EVIL, caution=EVIL, note=EVIL, taste=EVIL)
    soda = Application("US", "soft drinks", oil_mg_per_L=20)
    search = hspkit.best_blend(oil, [liquid, "MCT"], max_carriers=2)
    objects = [
        own,
        oil,
        hspkit.estimate("CCO"),
        hspkit.solubility(own, liquid, melting_celsius=60),
        hspkit.reconcile(own, [Evidence.water_solubility(1000, source=EVIL)]),
        dosing(oil, liquid, soda),
        clouding(oil, oil_mg_per_L=20),
        hspkit.rank_carriers(oil, carriers=[liquid, "MCT"], application=soda),
        search,
        search.certificate,
        mixture_of(oil),
        hspkit.next_trial(oil, [liquid, "MCT"]),
        hspkit.batch_sheet(oil, liquid, application=soda, title=EVIL, currency=EVIL, prices={"oil": 3, EVIL: 2}),
    ]
    return {"Liquid": liquid} | {type(one).__name__: one for one in objects}


def test_every_display_is_looked_at(shown):
    assert set(shown) == displays()


@pytest.mark.parametrize("name", sorted(displays()))
def test_names_are_no_tags_in_any_display(name, shown):
    one = shown[name]
    for page in [one._repr_html_(), *([one.to_html()] if hasattr(one, "to_html") else [])]:
        read = _Reader()
        read.feed(page)
        assert read.tags <= TAGS
        assert read.attributes <= ATTRIBUTES
        assert name in ("Certificate", "Estimate") or "<script>alert(1)</script>" in read.text  # it is there, as text


# --- csv ---

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def harmless(cell):
    """Whether a spreadsheet takes a cell for a text or a number."""
    if not cell.startswith(FORMULA):
        return True
    try:
        float(cell)
    except ValueError:
        return False
    return True


def cells(text):
    """Return the cells of a csv, as a reader sees them that ends rows at any line end."""
    return list(csv.reader(io.StringIO(text, newline="")))


words = st.text(st.sampled_from("=+-@\t\r\n＝＋ab1,;\"' |é"), max_size=8)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(words, words, st.floats(-5, 5)), min_size=1, max_size=4), words)
def test_no_cell_of_an_exported_table_runs_and_none_is_lost(rows, heading):
    frame = pd.DataFrame(rows, columns=[heading, "b", "n"])
    found = cells(rendering.csv_text(frame))
    assert [len(row) for row in found] == [3] * (len(rows) + 1)
    assert all(harmless(cell) for row in found for cell in row)
    for row, back in zip(rows, found[1:], strict=True):
        kept = [cell.replace("\r\n", "\n").replace("\r", "\n") for cell in row[:2]]
        assert back[:2] == ["'" + cell if cell.startswith(FORMULA) else cell for cell in kept]
        assert float(back[2]) == row[2]


note = st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=20) | words


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(note, note), min_size=1, max_size=3), st.sampled_from(",;\t"), st.sampled_from(["\n", "\r\n"])
)
def test_no_cell_of_a_log_runs_and_all_come_back(tmp_path_factory, texts, mark, end):
    log = TrialLog(tmp_path_factory.mktemp("log") / "bench.csv")
    header = ["oil", "carrier", "outcome", "celsius", "note"]
    log.path.write_bytes((mark.join(header) + end).encode())
    trials = [Trial("MCT", "clear", oil=oil, note=said, celsius=-5.0) for oil, said in texts]
    log.append(*trials)
    raw = list(csv.reader(io.StringIO(log.path.read_bytes().decode(), newline=""), delimiter=mark))
    assert len(raw) == len(trials) + 1
    assert all(harmless(cell) for row in raw for cell in row)
    assert [(one.oil, one.note, one.celsius) for one in log] == [(one.oil, one.note, -5.0) for one in trials]


BAD = "=HYPERLINK(1)\r=2"


def test_no_report_writes_a_formula(shown, tmp_path, capsys):
    bad = Oil(BAD, ("limonene",), (substance("limonene"),), (100.0,))
    liquid = dataclasses.replace(carrier("triacetin"), name="@" + BAD)
    texts = [
        hspkit.rank_carriers(bad, carriers=[liquid]).to_csv(),
        hspkit.batch_sheet(bad, liquid).to_csv(tmp_path / "sheet.csv"),
        (tmp_path / "sheet.csv").read_text(),
    ]
    (tmp_path / "=1.csv").write_text("component,percent\nlimonene,90\n")
    name = str(tmp_path / "=1.csv")
    lines = [
        ["rank", name, "--carrier", "MCT", "--csv"],
        ["dissolve", name, "MCT", "--csv"],
        ["dose", name, "MCT", "--csv", "--market", "US", "--category", "soft drinks", "--oil-mg-per-l", "20"],
        ["batch", name, "MCT", "--csv"],
        ["handling", name, "--oil-mg-per-l", "20", "--csv"],
        ["blend", name, "--carrier", "MCT", "--carrier", "triacetin", "--csv"],
        ["estimate", "=1+1", "@x", "+1", "CCO", "--csv"],
        ["data", "oils"],
        ["data", "carriers"],
    ]
    for line in lines:
        assert main(line) == 0, capsys.readouterr().err
        texts.append(capsys.readouterr().out)
    for text in texts:
        found = cells(text)
        assert len(found) > 1
        assert len({len(row) for row in found}) == 1
        assert [cell for row in found for cell in row if not harmless(cell)] == []


# --- figures ---

COSTLY = "5 $ oil, $x$ $\\frac$"


def test_a_dollar_sign_is_drawn_as_one(tmp_path):
    """Two of them make a formula for matplotlib, and a wrong formula an error."""
    import matplotlib.pyplot as plt

    oil = Oil(COSTLY, ("limonene",), (substance("limonene"),), (100.0,))
    liquid = dataclasses.replace(carrier("triacetin"), name="a" + COSTLY)
    ranking = hspkit.rank_carriers(
        oil, carriers=[liquid, "MCT"], application=Application("US", "soft drinks", oil_mg_per_L=20)
    )
    drawn = {
        "ranking": lambda: plotting.ranking(ranking),
        "dose": lambda: plotting.dose(ranking),
        "map": lambda: plotting.map(oil, [liquid, "MCT"]),
        "fan": lambda: plotting.distance_fan(oil, [liquid, "MCT"]),
        "sphere": lambda: plotting.sphere(oil, [liquid, "MCT"]),
        "phases": lambda: plotting.phase_triangle(oil, liquid),
        "path": lambda: plotting.blend_path(hspkit.best_blend(oil, [liquid, "MCT"], max_carriers=2), liquid, "MCT"),
    }
    for name, draw in drawn.items():
        with plt.rc_context({"svg.fonttype": "none", "backend": "Agg"}):
            plotting.save(draw(), tmp_path / f"{name}.svg")
            plt.close("all")
        text = " ".join(re.sub(r"<[^>]*>", " ", (tmp_path / f"{name}.svg").read_text()).split())
        assert "$x$" in text, name
        assert "\\$" not in text, name


@pytest.mark.parametrize("form", ["--csv", "--json"])
def test_bytes_on_the_line_that_are_no_text_are_answered(form, capsys):
    """Python hands them over as half signs, which neither UTF-8 nor json can hold."""
    assert main(["estimate", "C\udcff", "CCO", form]) == 0
    said = capsys.readouterr().out
    said.encode("utf-8")
    assert "udcff" in said
    assert "failed" in said
