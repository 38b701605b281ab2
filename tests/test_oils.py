"""Essential oils: profiles, names, folding, GC reports."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from hspkit import Oil, data, oil, oils
from hspkit.__main__ import main
from hspkit.delimited import is_date
from hspkit.errors import DataFileError, InputError, UnknownNameError
from hspkit.gc_report import _is_total
from hspkit.names import check_cas
from hspkit.oils import compare
from hspkit.substances import Substance, substance

ROWS = data.read_table("oils.csv").rows
NAMES = [row["oil"] for row in data.read_table("oil_names.csv").rows]
#: Density of water by temperature [g/mL] (IAPWS), to turn relative densities into densities.
WATER = {15.0: 0.9991, 20.0: 0.9982, 25.0: 0.9970, 30.0: 0.9956}
#: Thermal expansivity of terpenes [1/K], about that of limonene (0.8411 at 20 C, 0.8383 at 25 C would give 7e-4;
#: handbooks print 0.0008-0.0010 g/mL per kelvin).
EXPANSIVITY = 9e-4


@pytest.mark.parametrize("name", NAMES)
def test_profiles_are_sound(name):
    rows = [row for row in ROWS if row["oil"] == name and row["used"]]
    assert rows
    assert sum(row["typical_pct"] for row in rows) <= 100.5
    assert len({row["component"] for row in rows}) == len(rows)
    for row in rows:
        low, high = row["min_pct"], row["max_pct"]
        assert (low if low is not None else 0) <= row["typical_pct"] <= (high if high is not None else 100)
        if row["cas"]:
            assert check_cas(row["cas"]) == row["cas"]
            assert substance(row["cas"]).name == substance(row["component"]).name == row["component"]
    found = oil(name)
    assert found.covered_percent == pytest.approx(sum(row["typical_pct"] for row in rows if row["cas"]))
    assert found.covered_percent + found.uncovered_percent == pytest.approx(100.0)
    assert found.fractions.sum() == pytest.approx(1.0)


def test_enough_oils_and_all_of_them_named_alike():
    assert len(NAMES) >= 40
    for name in NAMES:
        assert name.count(",") == 1
    assert {row["oil"] for row in ROWS} == set(NAMES)
    frame = oils()
    assert list(frame["oil"]) == NAMES
    assert (frame["covered_percent"] > 60).all()


def test_read_sources_are_used_where_there_are_any():
    # lavender: Ph. Eur. 10th ed. as printed in Molecules 2022, 27, 3216, Table 2 (read)
    lavender = {row["component"]: row for row in ROWS if row["oil"] == "lavender, steam-distilled" and row["used"]}
    assert (lavender["linalool"]["min_pct"], lavender["linalool"]["max_pct"]) == (20, 45)
    assert (lavender["linalyl acetate"]["min_pct"], lavender["linalyl acetate"]["max_pct"]) == (25, 47)
    # coriander: Commission Implementing Regulation (EU) 2024/2427 (read)
    coriander = {row["component"]: row for row in ROWS if row["oil"] == "coriander, seed" and row["used"]}
    assert (coriander["linalool"]["min_pct"], coriander["linalool"]["max_pct"]) == (65, 78)
    # peppermint: European Pharmacopoeia as quoted (read)
    mint = {row["component"]: row for row in ROWS if row["oil"].startswith("peppermint") and row["used"]}
    assert (mint["menthol"]["min_pct"], mint["menthol"]["max_pct"]) == (30, 55)


@pytest.mark.parametrize(
    "row",
    [
        row
        for row in data.read_table("oil_physical.csv").rows
        if row["density_min"] and row["celsius"] and data.sources()[row["source"]]["kind"] == "read"
        if oil(row["oil"]).covered_percent > 75  # not Ceylon citronella: a third of it has no molecule
    ],
    ids=lambda row: f"{row['oil']}-{row['source']}",
)
def test_density_of_the_profile_meets_the_standards(row):
    """USP, ISO, SLS and 27 CFR limits and a handbook of 1908 against the density that the composition gives.

    Nothing was fitted: the composition and the densities of the components come from elsewhere.
    """
    density = oil(row["oil"]).density * (1 - EXPANSIVITY * (row["celsius"] - 25.0))
    water = WATER[row["celsius"]]
    assert 0.98 * row["density_min"] * water <= density <= 1.02 * row["density_max"] * water


def test_cold_pressed_oils_keep_their_residue():
    for plant in (
        "sweet orange",
        "bitter orange",
        "lemon",
        "lime, cold-pressed",
        "grapefruit",
        "mandarin",
        "bergamot",
    ):
        item = oil(plant)
        assert item.name.endswith("cold-pressed")
        assert "nonacosane" in item.labels  # stands for the waxes
        heavy = [s for s in item.substances if s.formula.count("O") and s.molar_mass > 200 and "H10O" not in s.formula]
        assert any("coumarin" in s.name or s.name in ("tangeretin", "nobiletin", "bergamottin") for s in heavy)
        assert any("residue" in label for label, _ in item.uncovered)
    # Mondello et al. 1993 (read): bergamottin 1.02-2.75 % of 128 bergamot oils
    bergamot = dict(zip(oil("bergamot").labels, oil("bergamot").mass_percent, strict=True))
    assert 1.02 <= bergamot["bergamottin"] <= 2.75
    assert "phototoxic" in oil("bergamot").caution.lower()
    assert "nonacosane" not in oil("lime, distilled").labels


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        ("bergamot", "bergamot, cold-pressed"), ("Bergamot oil", "bergamot, cold-pressed"),
        ("clove bud", "clove, bud"), ("oil of clove buds", "clove, bud"), ("lemon", "lemon, cold-pressed"),
        ("lime, distilled", "lime, steam-distilled"), ("lime, expressed", "lime, cold-pressed"),
        ("Néroli", "neroli, steam-distilled"), ("cold-pressed sweet orange", "sweet orange, cold-pressed"),
        ("pepper", "black pepper, steam-distilled"), ("juniper berry", "juniper, berry"),
        ("coriander, steam-distilled", "coriander, seed"), ("anise", "anise, seed"),
        ("star anise", "star anise, steam-distilled"), ("spike lavender (aspic)", "spike lavender, steam-distilled"),
        ("dillweed", "dill, weed"),
    ],
)  # fmt: skip
def test_names(given, meant):
    assert oil(given).name == meant


@pytest.mark.parametrize(
    ("given", "choices"),
    [
        ("clove", ["clove, bud", "clove, leaf"]),
        ("orange", ["sweet orange, cold-pressed", "bitter orange, cold-pressed"]),
        ("lime", ["lime, cold-pressed", "lime, steam-distilled"]),
        ("rosemary", ["rosemary, Spanish type", "rosemary, Tunisian or Moroccan type"]),
        ("fennel", ["fennel, bitter", "fennel, sweet"]),
    ],
)
def test_a_plant_with_several_oils_lists_them(given, choices):
    with pytest.raises(UnknownNameError) as caught:
        oil(given)
    for choice in choices:
        assert choice in str(caught.value)


def test_a_compound_is_an_oil_of_one():
    single = oil("linalool")
    assert (single.name, single.labels, single.mass_percent) == ("linalool", ("linalool",), (100.0,))
    assert oil("78-70-6").name == "linalool"
    assert oil(substance("linalool")).name == "linalool"
    np.testing.assert_allclose(single.hsp.array, substance("linalool").hsp.array)
    assert single.density == pytest.approx(substance("linalool").density, rel=0.005)
    assert oil(single) is single


def test_unknown_oils():
    with pytest.raises(UnknownNameError, match="lemon"):
        oil("lemmon, cold-pressed")
    with pytest.raises(UnknownNameError):
        oil("unobtainium")
    for wrong in ("", None, 3):
        with pytest.raises(InputError):
            oil(wrong)


def _two(first=60.0, second=30.0):
    frame = pd.DataFrame({"component": ["limonene", "linalool", "peak 7"], "percent": [first, second, 4.0]})
    return Oil.from_table(frame, name="two")


def test_volume_fractions_by_hand():
    limonene, linalool = substance("limonene"), substance("linalool")
    volumes = np.array([60 / limonene.molar_mass * limonene.volume, 30 / linalool.molar_mass * linalool.volume])
    item = _two()
    np.testing.assert_allclose(item.fractions, volumes / volumes.sum())
    np.testing.assert_allclose(item.hsp.array, item.fractions @ np.stack([limonene.hsp.array, linalool.hsp.array]))
    assert item.density == pytest.approx(90 / volumes.sum())
    assert item.uncovered == (("peak 7", 4.0),)
    assert (item.covered_percent, item.uncovered_percent) == (90.0, 10.0)
    assert item.covariance.shape == (3, 3)
    with pytest.raises(ValueError, match="read-only"):
        item.fractions[0] = 0.5


def test_without_terpenes_by_hand():
    # 60 g of limonene become 3 g, the other 40 g stay: 43 g are left
    poor = _two().without_terpenes(0.95)
    assert poor.mass_yield == pytest.approx(0.43)
    np.testing.assert_allclose(poor.mass_percent, [100 * 3 / 43, 100 * 30 / 43])
    assert poor.uncovered[0] == ("peak 7", pytest.approx(100 * 4 / 43))
    assert poor.covered_percent + poor.uncovered_percent == pytest.approx(100)
    none = _two().without_terpenes(1.0)
    assert none.labels == ("linalool",)
    assert none.terpene_percent == 0
    assert _two().without_terpenes(0.0).mass_percent == pytest.approx((60.0, 30.0))


def test_folding_by_hand():
    # two-fold: 50 of the 60 g of limonene go, 10 g stay with the other 40 g
    double = _two().folded(2)
    np.testing.assert_allclose(double.mass_percent, [20.0, 60.0])
    assert double.mass_yield == pytest.approx(0.5)
    with pytest.raises(InputError, match=r"2\.5 times"):
        _two().folded(2.6)
    for wrong in (0.5, -1, float("nan")):
        with pytest.raises(InputError):
            _two().folded(wrong)


@pytest.mark.parametrize("name", ["sweet orange", "lemon", "bergamot", "black pepper"])
def test_folding_keeps_the_mass_of_everything_else(name):
    before = oil(name)
    for after in (before.folded(1.5), before.without_terpenes(0.5), before.folded(1.2).without_terpenes(0.3)):
        kept = dict(zip(after.labels, after.mass_percent, strict=True))
        for label, share, terpene in zip(before.labels, before.mass_percent, before.terpenes, strict=True):
            if not terpene:
                assert kept[label] * after.mass_yield == pytest.approx(share)
            else:
                assert kept[label] * after.mass_yield <= share + 1e-9
        assert after.uncovered_percent * after.mass_yield == pytest.approx(before.uncovered_percent)


@given(
    shares=st.lists(st.floats(0.5, 20.0), min_size=5, max_size=5),
    times=st.floats(1.0, 1.2),
    removed=st.floats(0.0, 1.0),
)
@example(shares=[20.0, 20.0, 20.0, 20.0, 20.0], times=1.2, removed=1.0)
def test_any_oil_keeps_its_mass(shares, times, removed):
    names = ["limonene", "linalool", "beta-caryophyllene", "geranial", "alpha-pinene"]
    before = Oil(  # never above 100 %, and always enough terpenes to fold by 1.2: limonene is 30 % at least
        "any", tuple(names), tuple(substance(n) for n in names), (30.0 + shares[0] / 10, *shares[1:4], shares[4] / 4)
    )
    for after in (before.folded(times), before.without_terpenes(removed)):
        kept = {s.name: share * after.mass_yield for s, share in zip(after.substances, after.mass_percent, strict=True)}
        assert kept["linalool"] == pytest.approx(shares[1])
        assert kept["geranial"] == pytest.approx(shares[3])
        assert after.covered_percent + after.uncovered_percent == pytest.approx(100)
        assert after.uncovered_percent * after.mass_yield == pytest.approx(before.uncovered_percent)


def test_folding_takes_monoterpenes_first():
    pepper = oil("black pepper")
    folded = pepper.folded(2)
    kept = dict(zip(folded.labels, folded.mass_percent, strict=True))
    share = dict(zip(pepper.labels, pepper.mass_percent, strict=True))
    assert kept["beta-caryophyllene"] * 0.5 == pytest.approx(share["beta-caryophyllene"])  # a sesquiterpene
    assert kept["limonene"] * 0.5 < share["limonene"]
    # five-fold orange: a fifth of the mass, five times the aldehydes (the trade's definition of folding)
    orange, five = oil("sweet orange"), oil("sweet orange").folded(5)
    decanal = [dict(zip(o.labels, o.mass_percent, strict=True))["decanal"] for o in (orange, five)]
    assert decanal[1] == pytest.approx(5 * decanal[0])


REPORT = "Component;CAS;Area %\nLimonene;5989-27-5;94,35\nβ-Myrcene;123-35-3;1,9\nunknown RT 14.2;;0,4\nlinalool;;tr\n"


@pytest.mark.parametrize(
    "raw",
    [
        REPORT.encode(),
        b"\xef\xbb\xbf" + REPORT.encode(),
        REPORT.replace("β-", "beta-").encode("latin-1"),
        REPORT.encode("utf-16"),
        b"\xfe\xff" + REPORT.encode("utf-16-be"),
        REPORT.replace("\n", "\r\n").encode(),
        REPORT.replace(",", ".").replace(";", ",").encode(),
        REPORT.replace(";", "\t").encode(),
        ("\n" + REPORT + "Total;;96,65\n").encode(),
    ],
    ids=[
        "semicolons",
        "byte-order mark",
        "latin-1",
        "utf-16",
        "utf-16, big end first",
        "crlf",
        "commas",
        "tabs",
        "blank line and total",
    ],
)
def test_gc_reports(tmp_path, raw):
    path = tmp_path / "orange.csv"
    path.write_bytes(raw)
    found = Oil.from_csv(path)
    assert found.name == "orange"
    assert found.labels[0] == "Limonene"
    assert [s.name for s in found.substances] == ["limonene", "myrcene"]
    assert found.mass_percent == (94.35, 1.9)
    assert found.uncovered == (("unknown RT 14.2", 0.4),)


def test_unknown_peaks_come_with_near_names(tmp_path):
    path = tmp_path / "typo.csv"
    path.write_text("Compound name,Rel. area [%]\nPinene <alpha->,60\nlimonen,30\n")
    found = Oil.from_csv(path)
    assert [s.name for s in found.substances] == ["alpha-pinene"]
    assert found.uncovered == (("limonen", 30.0),)
    assert "row 3, 30 %" in found.notes[0]
    assert "limonene" in found.notes[0]


def test_latin_1_text_of_a_report(tmp_path):
    path = tmp_path / "neroli.csv"
    path.write_bytes("Composé;Component;Area %\né;limonène;10\n".encode("latin-1"))
    assert Oil.from_csv(path).substances[0].name == "limonene"


def test_a_report_of_cas_numbers_only(tmp_path):
    path = tmp_path / "cas.csv"
    path.write_text("RT,CAS,Area %\n5.1,5989-27-5,90\n6.2,78-70-6,5\n7.3,999999-99-4,1\n")
    found = Oil.from_csv(path, name="mine")
    assert found.labels == ("5989-27-5", "78-70-6")
    assert found.uncovered == (("999999-99-4", 1.0),)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", ["empty"]),
        ("Component;RT\nlimonene;5\n", ["no column of shares", "'RT'"]),
        ("Peak;Area %\nlimonene;5\n", ["no column of names", "'Peak'"]),
        ("Component;Area %\nlimonene;lots\n", ["row 2", "'Area %'", "'lots'"]),
        ("Component;Area %\nlimonene;-3\n", ["row 2", "'-3'", "0 to 100"]),
        ("Component;Area %\nlimonene;90\nlinalool;30\n", ["'Area %'", "120.00 %", "at most 100"]),
        ("Component;Area %\nlimonene;40\nmyrcene;2\nLimonene;40\n", ["row 4", "'Limonene'", "row 2"]),
        ("Component;Area %\nlimonene;40\n(+)-limonene;40\n", ["row 3", "limonene", "row 2"]),
        ("Component;Area %\nlimonene;4;0\n", ["row 2", "3 cells for 2 columns"]),
        ("Component;Area %\nmystery;40\n", ["no component is known"]),
        ("Component;Area %;Area %\nlimonene;40;40\n", ["twice"]),
        ("Component;Area %\nlimonene;0.9\nmyrcene;0.1\n", ["sums to 1 %", "fractions"]),
        ("Component;mass fraction\nlimonene;0.9\n", ["no column of shares"]),
    ],
)
def test_bad_reports_say_where(tmp_path, text, words):
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataFileError) as caught:
        Oil.from_csv(path)
    for word in ["bad.csv", *words]:
        assert word in str(caught.value)


def test_a_missing_file_and_a_named_column(tmp_path):
    with pytest.raises(DataFileError, match="cannot read"):
        Oil.from_csv(tmp_path / "absent.csv")
    path = tmp_path / "named.csv"
    path.write_text("Stoff,Anteil\nlimonene,90\n")
    assert Oil.from_csv(path, component="Stoff", percent="Anteil").mass_percent == (90.0,)
    with pytest.raises(DataFileError, match="no column 'Share'"):
        Oil.from_csv(path, component="Stoff", percent="Share")


def _report(folder, text, **columns):
    path = folder / "lot.csv"
    path.write_text(text, encoding="utf-8")
    return Oil.from_csv(path, **columns)


@pytest.mark.parametrize(
    ("row", "taken", "words"),
    [
        ("linalool,78-70-6", "linalool", []),
        ("linalool,000078-70-6", "linalool", []),  # as libraries of mass spectra fill up (common practice, no source)
        ("linalool,CAS 78‑70‑6", "linalool", []),
        ("linalool,n/a", "linalool", []),
        ("dl-limonene,5989-54-8", "limonene", []),  # one row of the tables stands for the mirror images
        ("compound of ours,78-70-6", "linalool", ["'compound of ours' is not in the tables", "78-70-6 alone"]),
        ("linalool,999999-99-4", "linalool", ["999999-99-4 is not in the tables", "by the name 'linalool' alone"]),
        ("linalool,78-70-5", "linalool", ["check digit 5 where 6 is due", "by the name 'linalool'"]),
        ("linalool,see below", "linalool", ["'see below' is not a CAS number", "by the name 'linalool'"]),
        ("geraniol,106-25-2", "nerol", ["that of nerol", "stereo marks only", "nerol is taken"]),
        ("citral,141-27-5", "geranial", ["that of geranial", "stereo marks only"]),
    ],
)
def test_name_and_cas_number_are_held_against_each_other(tmp_path, row, taken, words):
    found = _report(tmp_path, f"Component,CAS,Area %\n{row},90\n")
    assert [member.name for member in found.substances] == [taken]
    assert len(found.notes) == bool(words)
    for word in ["lot.csv, row 2, 90 %", *words] if words else []:
        assert word in found.notes[0]


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("limonene,78-70-6,90", ["row 2", "'limonene' is limonene", "78-70-6 is that of linalool", "correct the one"]),
        ("limonene,,9\nalpha-terpineol,100-51-6,2", ["row 3", "alpha-terpineol", "benzyl alcohol"]),
        ("compound of ours,78-70-5,90", ["row 2", "'78-70-5' has check digit 5 where 6 is due"]),
        (",78-70-5,90", ["row 2", "'78-70-5' has check digit 5 where 6 is due"]),
        ("78-70-5,,90", ["row 2", "'78-70-5' has check digit 5 where 6 is due"]),
    ],
)
def test_a_row_of_two_substances_or_of_a_slip_is_refused(tmp_path, rows, words):
    with pytest.raises(DataFileError) as caught:
        _report(tmp_path, f"Component,CAS,Area %\n{rows}\n")
    for word in ["lot.csv", *words]:
        assert word in str(caught.value)


def test_an_unknown_name_with_an_unlisted_number_stays_uncovered_and_both_are_said(tmp_path):
    found = _report(tmp_path, "Component,CAS,Area %\nlinalool,78-70-6,90\nours,999999-99-4,2\n")
    assert found.uncovered == (("ours", 2.0),)
    assert "no substance 'ours'" in found.notes[0]
    assert "nor is CAS number 999999-99-4" in found.notes[0]


#: What spreadsheets in English, German and French make of a CAS number or a share (common practice, no source).
DATES = [
    "05.06.1978",
    "1978-06-07",
    "2305-05-07",
    "Jun-70",
    "3-Jan",
    "01. Mrz",
    "2026-03-01 00:00:00",
    "3 janv.",
    "1:10:00",
]


@pytest.mark.parametrize("date", DATES)
def test_what_a_spreadsheet_has_turned_into_a_date_is_told(tmp_path, date):
    for header, row in (("Component,CAS,%", f"linalool,{date},90"), ("Component,%", f"linalool,{date}")):
        with pytest.raises(DataFileError, match=r"lot\.csv, row 2: column .* a spreadsheet has turned it into a date"):
            _report(tmp_path, f"{header}\n{row}\n")
    with pytest.raises(DataFileError, match="turned it into a date"):
        _report(tmp_path, f"CAS,%\n78-70-6,80\n{date},2\n")


def test_dates_of_a_data_frame_are_told():
    frame = pd.DataFrame({"component": ["linalool"], "percent": [pd.Timestamp("2026-03-01")]})
    with pytest.raises(DataFileError, match=r"row 1: column 'percent'.*turned it into a date"):
        Oil.from_table(frame)


def test_no_name_that_ships_is_taken_for_a_date_or_a_total():
    rows = data.read_table("substances.csv").rows
    names = [row["name"] for row in rows] + [row["cas"] for row in rows]
    names += [name for row in rows for name in (row["synonyms"] or "").split(";")]
    assert [name for name in names if is_date(name) or _is_total(name, [])] == []


@pytest.mark.parametrize(
    "word",
    [
        "total", "Total", "TOTAL:", "Totals", "Sum", "Sum:", "Summe", "Gesamt", "Gesamtfläche", "Total area", "Somme",
        "Total identified compounds", "Totale", "Identified (%)", "Total monoterpenes", "Sub-total", "Peak area, total",
    ],
)  # fmt: skip
@pytest.mark.parametrize("value", ["80,6", "100", "100,0 %", ""])
def test_rows_of_totals_are_left_out_and_said(tmp_path, word, value):
    # the words are common practice, no source
    found = _report(tmp_path, f"Component;Area %\nlimonene;70,5\nlinalool;10,1\n{word};{value}\n")
    assert found.mass_percent == (70.5, 10.1)
    assert found.uncovered == ()
    assert found.notes == (f"lot.csv, row 4: {word!r}, {value!r} adds other rows up and is left out",)


@pytest.mark.parametrize("last", [";80,6", ";100"])
def test_a_last_row_without_a_name_may_be_a_total(tmp_path, last):
    found = _report(tmp_path, f"Component;Area %\nlimonene;70,5\nlinalool;10,1\n{last}\n")
    assert found.mass_percent == (70.5, 10.1)
    assert "row 4" in found.notes[0]
    assert "left out" in found.notes[0]
    named = _report(tmp_path, "No.;Component;Area %\n1;limonene;70,5\n2;linalool;10,1\nSum;;80,6\n")
    assert named.mass_percent == (70.5, 10.1)


def test_a_last_row_that_may_be_a_total_is_refused(tmp_path):
    for shares in ((30.5, 10.1, 40.6), (60.5, 10.1, 70.6)):  # small ones would pass as a peak nobody knows
        rows = zip(("limonene", "linalool", "Tutto"), shares, strict=True)
        with pytest.raises(DataFileError, match=r"row 4.*'Tutto'.*as much as all others together.*'total'"):
            _report(tmp_path, "Component;Area %\n" + "".join(f"{name};{share}\n" for name, share in rows))
    # a substance is no total, and neither is an unknown peak that is not the sum
    assert len(_report(tmp_path, "Component;Area %\nlimonene;50\nlinalool;50\n").labels) == 2
    assert _report(tmp_path, "Component;Area %\nlimonene;50,1\nTutto;3,2\n").uncovered == (("Tutto", 3.2),)


@pytest.mark.parametrize("mark", [";", "\t", ","])
def test_lines_above_the_headings_are_left_out_and_said(tmp_path, mark):
    above = f"Lavender 40/42, name of customer{mark}100 % pure\nSample no. 5, 2026-11-25\n\n"
    found = _report(
        tmp_path, above + mark.join(["RT", "Compound", "Area %"]) + f"\n5{mark}linalool{mark}90\n6{mark}x{mark}1\n"
    )
    assert found.mass_percent == (90.0,)
    assert found.notes[0] == "lot.csv: the headings stand in row 4; left out above them: rows 1, 2"
    assert "row 6" in found.notes[1]
    with pytest.raises(DataFileError, match="row 5: column 'Anteil' is 'viel'"):
        _report(tmp_path, "Probe\n\n\nStoff;Anteil\nlinalool;viel\n", component="Stoff", percent="Anteil")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Component,Area\nlimonene,70.5\nlinalool,10\n", ["'Area' has no unit and sums to 80.5", "counts", "'area %'"]),
        ("Component,RT,Match %\nlimonene,8,88\n", ["no column of shares"]),
        ("Component,mol %\nlimonene,88\n", ["no column of shares"]),
        ("Component,ppm\nlimonene,88\n", ["no column of shares"]),
        ("Component,FID area %,MS area %\nlimonene,88,77\n", ["'FID area %', 'MS area %'", "say which"]),
        ("Component;%\nlimonene;50,5\nlinalool;1.234\n", ["row 3", "'1.234'", "1.234 or 1234"]),
        ("Component;%\nlimonene;50.5\nlinalool;1,234\n", ["row 3", "'1,234'", "1.234 or 1234"]),
        ("Component;%\nlimonene;1_0\n", ["row 2", "'1_0'"]),
    ],
)
def test_columns_and_numbers_that_may_mean_something_else_are_refused(tmp_path, text, words):
    with pytest.raises(DataFileError) as caught:
        _report(tmp_path, text)
    for word in ["lot.csv", *words]:
        assert word in str(caught.value)


def test_a_column_that_is_named_must_be_per_cent(tmp_path):
    with pytest.raises(DataFileError, match="column 'ppm' is not in % by area or mass"):
        _report(tmp_path, "Component,ppm\nlimonene,88\n", percent="ppm")
    assert _report(tmp_path, "Component,Area\nlimonene,88\n", percent="Area").mass_percent == (88.0,)


def test_three_decimals_are_no_thousands_where_the_table_shows_it(tmp_path):
    assert _report(tmp_path, "Component;%\nlimonene;12.345\nlinalool;0.5\n").mass_percent == (12.345, 0.5)
    assert _report(tmp_path, "Component;%\nlimonene;12,345\nlinalool;1,234\n").mass_percent == (12.345, 1.234)


def test_what_counts_as_zero_and_which_column_was_taken_are_said(tmp_path):
    text = "Component,Area,Area %,mass %\nlimonene,123456,88,89\nmyrcene,100,tr,0.1\nlinalool,,,0.1\n"
    found = _report(tmp_path, text)
    assert found.mass_percent == (88.0,)
    assert found.notes == (
        "lot.csv: the shares are those of column 'Area %', not of 'mass %'",
        "lot.csv: counted as zero: rows 3, 4",
    )


def test_the_shell_shows_what_was_said_of_a_report(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    _report(tmp_path, "Component,CAS,Area %\nlimonene,5989-27-5,90\nours,78-70-6,5\nTotal,,95\n")
    for words in (["rank", "lot.csv", "--carrier", "MCT", "--json"], ["dissolve", "lot.csv", "MCT"]):
        assert main(words) == 0
        said = capsys.readouterr()
        assert "hspkit: note: lot.csv, row 4: 'Total'" in said.err
        assert "hspkit: note: lot.csv, row 3, 5 %: 'ours' is not in the tables" in said.err
        assert "note:" not in said.out
    assert main(["dissolve", "lot.csv", "no such carrier"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_before_and_after_in_one_table():
    lemon = oil("lemon")
    table = compare(lemon, lemon.folded(5), lemon.without_terpenes(0.95)).set_index("quantity")
    assert list(table.columns) == [
        "unit",
        "lemon, cold-pressed",
        "lemon, cold-pressed, 5-fold",
        lemon.without_terpenes(0.95).name,
    ]
    assert table.loc["geranial"].tolist()[1:3] == pytest.approx([1.4, 7.0])
    shares = table[table["unit"] == "mass %"].drop(index="terpene hydrocarbons").iloc[:, 1:]
    assert shares.sum().tolist() == pytest.approx([100.0] * 3)
    assert table.loc["mass yield"].tolist()[1:3] == pytest.approx([1.0, 0.2])
    with pytest.raises(InputError, match="no oil"):
        compare()


def test_an_oil_refuses_what_cannot_be():
    limonene = substance("limonene")
    with pytest.raises(InputError, match="sum to"):
        Oil("x", ("limonene",), (limonene,), (101.0,))
    with pytest.raises(InputError, match="both"):
        Oil("x", ("limonene", "d-limonene"), (limonene, limonene), (50.0, 40.0))
    with pytest.raises(InputError, match="length"):
        Oil("x", ("limonene",), (limonene,), (50.0, 40.0))
    with pytest.raises(InputError, match="at least one"):
        Oil("x", (), (), ())
    with pytest.raises(InputError, match="negative"):
        Oil("x", ("limonene",), (limonene,), (-1.0,))


def test_cautions():
    assert "flash point" in oil("sweet orange").caution
    assert "1334/2008" in oil("sage").caution
    assert "lammable" in oil("limonene").caution
    assert oil("vanillin").caution == ""
    assert "Illicium anisatum" in oil("star anise").caution
    frame = oils().set_index("oil")
    assert frame.loc["lemon, cold-pressed", "phototoxic"]
    assert frame.loc["cinnamon, bark", "skin_sensitising"]
    assert not frame.loc["clove, bud", "flammable"]


def test_components_are_told_apart_by_what_they_are():
    lime = Substance("my terpene", substance("limonene").smiles)
    with pytest.raises(InputError, match="are both limonene"):
        Oil("mine", ("a", "b"), (lime, substance("limonene")), (50.0, 50.0))
    one, other = (Substance("house ester", smiles) for smiles in ("CCCCCC(=O)OCCC", "CCCCCC(=O)OCCCC"))
    with pytest.raises(InputError, match="two different substances are called 'house ester'"):
        Oil("mine", ("a", "b"), (one, other), (50.0, 50.0))
    first, second = Oil("one", ("a",), (one,), (100.0,)), Oil("two", ("b",), (other,), (100.0,))
    assert compare(first, second)["quantity"].tolist()[:2] == ["house ester", "house ester"]
