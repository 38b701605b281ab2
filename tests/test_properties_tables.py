"""What is written is read back: oils in any spreadsheet's dialect, substances, logs, exports, the shipped tables."""

import csv
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

import hspkit
from hspkit import Oil, Substance, Trial, TrialLog, data, rendering, substance
from hspkit.substances import substances

FEW = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
AROMA = list(substances("aroma")[:40])


@st.composite
def oils(draw):
    """An oil of known components and one peak that nobody knows."""
    names = draw(st.lists(st.sampled_from(AROMA), min_size=1, max_size=6, unique=True))
    shares = draw(st.lists(st.integers(150, 1500), min_size=len(names), max_size=len(names)))
    percent = tuple(share / 100 for share in shares)
    unknown = draw(st.sampled_from([(), (("peak 7", 0.25),)]))
    return Oil("any", tuple(names), tuple(map(substance, names)), percent, unknown)


def same(one, two):
    """Whether two oils are one."""
    return (
        [s.name for s in one.substances] == [s.name for s in two.substances]
        and one.labels == two.labels
        and np.allclose(one.mass_percent, two.mass_percent)
        and [name for name, _ in one.uncovered] == [name for name, _ in two.uncovered]
        and np.allclose(one.fractions, two.fractions)
    )


@FEW
@given(
    oil=oils(),
    mark=st.sampled_from(",;\t"),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "latin-1"]),
    heading=st.sampled_from(["percent", "Area %", "Rel. peak area [%]"]),
    comma=st.booleans(),
)
def test_an_oil_comes_back_from_any_spreadsheet(tmp_path, oil, mark, end, encoding, heading, comma):
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=mark, lineterminator=end)
    writer.writerow(["Compound", heading])
    for name, share in [*zip(oil.labels, oil.mass_percent, strict=True), *oil.uncovered]:
        writer.writerow([name, f"{share:.2f}".replace(".", ",") if comma else f"{share:.2f}"])
    path = tmp_path / "oil.csv"
    path.write_bytes(out.getvalue().encode(encoding))
    assert same(Oil.from_csv(path), oil)


@FEW
@given(oils(), st.randoms(use_true_random=False))
def test_an_oil_comes_back_from_a_frame_in_any_order(oil, random):
    frame = oil.components
    covered = Oil("any", oil.labels, oil.substances, oil.mass_percent)
    assert same(Oil.from_table(frame[["component", "mass_percent"]], percent="mass_percent"), covered)
    turned = frame.sample(frac=1.0, random_state=random.randrange(1000))
    other = Oil.from_table(turned[["component", "mass_percent"]], percent="mass_percent")
    assert_allclose(other.hsp.array, oil.hsp.array, rtol=1e-9)
    assert other.density == pytest.approx(oil.density, rel=1e-9)
    assert other.volume == pytest.approx(oil.volume, rel=1e-9)


@FEW
@given(oils(), st.floats(1.0, 1.1), st.floats(1.0, 1.1), st.floats(0, 0.9), st.floats(0, 0.9))
def test_two_steps_of_handling_are_one(oil, first, second, some, more):
    """Each step takes terpenes away and nothing else, so that yields multiply and remainders too."""
    poor = oil.without_terpenes(1 - (1 - some) * (1 - more))
    steps = oil.without_terpenes(some).without_terpenes(more)
    assert steps.mass_yield == pytest.approx(poor.mass_yield, rel=1e-9)
    assert_allclose(steps.mass_percent, poor.mass_percent, rtol=1e-9)
    if first * second < 100.0 / max(100.0 - oil.terpene_percent, 1e-9):
        whole, folds = oil.folded(first * second), oil.folded(first).folded(second)
        assert folds.mass_yield == pytest.approx(whole.mass_yield, rel=1e-9)
        shares = dict(zip(whole.labels, whole.mass_percent, strict=True))
        for label, share in zip(folds.labels, folds.mass_percent, strict=True):
            assert share == pytest.approx(shares.get(label, 0.0), abs=1e-6)


@FEW
@given(st.lists(st.sampled_from(AROMA), min_size=1, max_size=4, unique=True), st.integers(0, 2))
def test_substances_come_back_from_a_table(names, spare):
    rows = [
        {"name": f"my {name}", "smiles": substance(name).smiles, "density_g_mL": 0.9 + 0.01 * i, "delta_d": 16.0 + i,
         "delta_p": 4.0, "delta_h": 6.5} for i, name in enumerate(names)
    ]  # fmt: skip
    frame = pd.DataFrame(rows)
    found = Substance.from_table(frame)
    assert list(found) == [row["name"] for row in rows]
    for row in rows:
        one = found[row["name"]]
        assert (one.smiles, one.density) == (row["smiles"], row["density_g_mL"])
        assert one.prior.array.tolist() == [row["delta_d"], 4.0, 6.5]
    again = Substance.from_table(pd.DataFrame([{**row, "note": "=1+1"} for row in rows]))
    assert list(again) == list(found)


numbers = st.floats(1e-3, 1e3).map(lambda x: float(f"{x:.6g}"))


@FEW
@given(
    st.lists(
        st.builds(
            Trial,
            st.sampled_from(["MCT", "triacetin", "60 % triacetin + 40 % MCT by volume"]),
            st.sampled_from(["clear", "hazy", "splits"]),
            oil_parts=numbers,
            carrier_parts=numbers,
            water_parts=numbers | st.just(0.0),
            celsius=st.floats(-20, 60).map(lambda x: round(x, 2)),
            oil=st.sampled_from(["", "lemon", "-1", 'my oil; "new"']),
            date=st.dates(),
            note=st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), max_size=12),
        ),
        min_size=1,
        max_size=5,
    ),
    st.sampled_from(["", "\ufeff"]),
    st.sampled_from([",", ";", "\t"]),
)
def test_a_log_gives_back_every_trial_in_any_dialect(tmp_path_factory, trials, bom, mark):
    log = TrialLog(tmp_path_factory.mktemp("log") / "bench.csv")
    header = [
        "note",
        "date",
        "oil",
        "carrier",
        "oil_parts",
        "carrier_parts",
        "water_parts",
        "celsius",
        "outcome",
        "mine",
    ]
    log.path.write_text(bom + mark.join(header) + "\n", encoding="utf-8")
    for one in trials:
        log.append(one)
    assert list(log) == trials
    other = TrialLog(log.path.with_name("other.csv"))
    other.append(*log)
    assert list(other) == trials
    assert TrialLog(other.path).frame().equals(log.frame())


@pytest.mark.parametrize("name", data.tables())
def test_a_shipped_table_comes_back_from_its_own_rows(name):
    def text(value):
        return "" if value is None else {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)

    table = data.read_table(name)
    heads = [column.column for column in table.columns]
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(heads)
    writer.writerows([[text(row[head]) for head in heads] for row in table.rows])
    assert data.parse_table(out.getvalue(), name).rows == table.rows


def test_exports_come_back_as_numbers():
    ranking = hspkit.rank_carriers("limonene", carriers=["triacetin", "MCT", "glycerol"])
    sheet = hspkit.batch_sheet("limonene", "triacetin")
    frame = hspkit.estimate_many(["CCO", "CC(=O)OCC", "=1"])
    for text, table in (
        (ranking.to_csv(), ranking.table),
        (sheet.to_csv(), sheet.table),
        (rendering.csv_text(frame), frame),
    ):
        back = pd.read_csv(io.StringIO(text))
        assert list(back.columns) == list(table.columns)
        assert len(back) == len(table)
        for column in table.columns:
            if table[column].dtype.kind == "f":
                assert_allclose(back[column].to_numpy(float), table[column].to_numpy(float), rtol=1e-12)
