"""The tables: sound, complete in their sources, and in agreement with references outside the project."""

import re
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from rdkit import Chem
from rdkit.Chem.Descriptors import MolWt
from rdkit.Chem.rdMolDescriptors import CalcMolFormula

from hspkit import Oil, Substance, TrialLog, data
from hspkit.errors import DataFileError
from hspkit.names import check_cas

ROOT = Path(__file__).resolve().parent.parent
UNITS = {"-", "MPa^0.5", "cm3/mol", "g/mol", "g/mL", "degC", "mg/L", "kJ/mol"}
#: Tables whose keys this file looks at in detail.
SUBSTANCES = data.read_table("substances.csv").rows
NAMES = {row["name"] for row in SUBSTANCES}


def _files():
    return sorted(
        str(path.relative_to(ROOT / "datasets")).replace("\\", "/") for path in (ROOT / "datasets").rglob("*.csv")
    )


# --- every table ----------------------------------------------------------------------------------


def test_every_csv_is_declared_and_every_declared_table_is_there():
    assert set(_files()) == set(data.tables())


@pytest.mark.parametrize("name", data.tables())
def test_table_reads_and_holds_no_row_twice(name):
    table = data.read_table(name)
    assert table.rows
    rows = Counter(tuple(row.items()) for row in table.rows)
    assert [row for row, count in rows.items() if count > 1] == []


@pytest.mark.parametrize("name", [name for name in data.tables() if name != "columns.csv"])
def test_every_number_has_a_source_that_resolves(name):
    table = data.read_table(name)
    known = data.sources()
    declared = {column.column for column in table.columns}
    for column in table.columns:
        if column.type == "number":
            assert column.source_column in declared, f"{name}: {column.column} has no source column"
    for number, row in enumerate(table.rows, start=2):
        for column in table.columns:
            if column.source_column and row[column.column] is not None:
                key = row[column.source_column]
                assert key in known, f"{name}, row {number}, column {column.column}: source {key!r}"
        for column in declared & {"source"}:
            assert row[column] in known, f"{name}, row {number}: source {row[column]!r}"


def test_every_source_key_is_used():
    used = set()
    for name in data.tables():
        for row in data.read_table(name).rows:
            used.update(value for value in row.values() if isinstance(value, str))
    code = "".join(path.read_text(encoding="utf-8") for path in (ROOT / "hspkit").rglob("*.py"))
    assert [key for key in data.sources() if key not in used and f'"{key}"' not in code] == []


def test_units_are_known_and_stand_with_numbers_only():
    for name in data.tables():
        for column in data.columns(name):
            if column.type in ("number", "integer"):
                assert column.unit, f"{name}: {column.column}"
            else:
                assert column.unit == "-", f"{name}: {column.column}"


@pytest.mark.parametrize("name", ["substances.csv", "published_hsp.csv", "water_solubility.csv", "activities.csv"])
def test_units_are_those_of_the_conventions(name):
    assert {column.unit for column in data.columns(name)} <= UNITS


def test_the_inventory_in_the_list_of_sources_is_up_to_date():
    text = data.read_text("SOURCES.md")
    assert data.inventory_text().strip() in text, (
        "run python -c 'from hspkit import data; data.refresh_inventory()' in the checkout"
    )


def test_refreshing_the_inventory_drops_no_source_key(tmp_path, monkeypatch):
    expected = data.inventory_text()
    old = data.read_text("SOURCES.md").replace("| columns.csv | layout", "| columns.csv | stale", 1)
    (tmp_path / "SOURCES.md").write_text(old + "| `late-key` | read | appended behind | - |\n", encoding="utf-8")
    monkeypatch.setattr(data, "folder", lambda: tmp_path)
    data.refresh_inventory()
    new = (tmp_path / "SOURCES.md").read_text(encoding="utf-8")
    assert new.endswith(expected)
    assert new.count("| file | rows | numbers |") == 1
    keys = [line for line in old.splitlines() if line.startswith("| `")]
    assert [line for line in new.splitlines() if line.startswith("| `")] == [
        *keys,
        "| `late-key` | read | appended behind | - |",
    ]


def test_header_unit_and_value_errors_name_file_row_and_column():
    good = "solvent,solute,ln_gamma_infinite,celsius,source\n"
    with pytest.raises(DataFileError, match=r"mine\.csv, row 3: column 'celsius' is '25 C'; .*degC"):
        data.parse_table(good + "a,b,1.0,25,x\na,b,1.0,25 C,x\n", "activities.csv", name="mine.csv")
    with pytest.raises(DataFileError, match=r"mine\.csv: header lacks celsius.*has unknown 'kelvin'"):
        data.parse_table(good.replace("celsius", "kelvin"), "activities.csv", name="mine.csv")
    with pytest.raises(DataFileError, match=r"mine\.csv: header repeats solvent"):
        data.parse_table("solvent," + good, "activities.csv", name="mine.csv")
    with pytest.raises(DataFileError, match=r"mine\.csv, row 2: 4 cells for 5 columns"):
        data.parse_table(good + "a,b,1.0,25\n", "activities.csv", name="mine.csv")
    with pytest.raises(DataFileError, match=r"column 'solute' is empty but required"):
        data.parse_table(good + "a,,1.0,25,x\n", "activities.csv", name="mine.csv")
    with pytest.raises(DataFileError, match=r"'nan'"):
        data.parse_table(good + "a,b,nan,25,x\n", "activities.csv", name="mine.csv")


def test_a_column_that_may_be_left_out_may_be_empty():
    table = data.parse_table(
        "solvent,solute,source\na,,x\n", "activities.csv", optional=["solute", "celsius", "ln_gamma_infinite"]
    )
    assert table.rows[0]["solute"] is None
    assert table.rows[0]["celsius"] is None


# --- substances -----------------------------------------------------------------------------------


def test_the_table_is_as_large_as_a_formulator_needs():
    roles = Counter(row["role"] for row in SUBSTANCES)
    assert roles["aroma"] >= 190
    assert roles["carrier"] >= 30
    assert roles["solvent"] >= 100
    assert roles["citrus residue"] >= 20
    assert roles["water"] == 1


def test_cas_numbers_have_their_check_digit_and_stand_once():
    seen = Counter()
    for row in SUBSTANCES:
        numbers = [row["cas"], *(row["other_cas"] or "").split(";")]
        seen.update(check_cas(number) for number in numbers if number)
    assert [number for number, count in seen.items() if count > 1] == []


@pytest.mark.parametrize("row", SUBSTANCES, ids=lambda row: row["name"])
def test_structure_formula_and_molar_mass_agree(row):
    molecule = Chem.MolFromSmiles(row["smiles"])
    assert molecule is not None
    assert CalcMolFormula(molecule) == row["formula"]
    assert MolWt(molecule) == pytest.approx(row["molar_mass_g_mol"], abs=0.002)


def test_no_structure_stands_twice():
    structures = Counter(Chem.CanonSmiles(row["smiles"]) for row in SUBSTANCES)
    assert [smiles for smiles, count in structures.items() if count > 1] == []
    flat: dict[str, list[str]] = {}
    for row in SUBSTANCES:
        smiles = Chem.MolToSmiles(Chem.MolFromSmiles(row["smiles"]), isomericSmiles=False)
        flat.setdefault(smiles, []).append(row["name"])
    isomers = {frozenset(names) for names in flat.values() if len(names) > 1}
    # isomers that a formulator buys apart, or that differ in safety; mirror images share one row
    assert isomers == {
        frozenset(names.split("; "))
        for names in (
            "citral; geranial; neral",
            "geranyl acetate; neryl acetate",
            "geraniol; nerol",
            "menthone; isomenthone",
            "menthol; neomenthol",
            "borneol; isoborneol",
            "anethole; (Z)-anethole",
            "bornyl acetate; isobornyl acetate",
            "ocimene; (E)-beta-ocimene; (Z)-beta-ocimene",
            "alpha-thujone; beta-thujone",
        )
    }


def test_volume_is_molar_mass_over_density_brought_to_25_celsius():
    for row in SUBSTANCES:
        if row["volume_cm3_mol"] is None or row["density_celsius"] is None:
            continue
        plain = row["molar_mass_g_mol"] / row["density_g_mL"]
        growth = row["volume_cm3_mol"] / plain - 1
        rise = 25 - row["density_celsius"]
        # expansivities of liquids lie between 2e-4 (water) and 2.2e-3 per kelvin (acetaldehyde)
        assert -1e-3 <= growth * np.sign(rise) <= 2.2e-3 * abs(rise) + 1e-3, row["name"]


def test_no_volume_is_given_for_what_is_solid_unless_its_liquid_was_weighed():
    for row in SUBSTANCES:
        if row["melting_C"] is not None and row["melting_C"] > 27 and row["volume_cm3_mol"] is not None:
            at = row["density_celsius"]
            liquid = at is not None and at >= row["melting_C"] - 2
            assert liquid or "supercooled liquid" in (row["note"] or ""), row["name"]


def test_densities_agree_with_another_handbook():
    """CRC densities against Perry's (DIPPR 105) as shipped in the general reference package chemicals."""
    volume = pytest.importorskip("chemicals.volume")
    dippr = pytest.importorskip("chemicals.dippr")
    perry = volume.rho_data_Perry_8E_105_l
    off = {}
    for row in SUBSTANCES:
        at = row["density_celsius"]
        if row["density_source"] != "crc-organic" or at is None or row["cas"] not in perry.index:
            continue
        line = perry.loc[row["cas"]]
        kelvin = at + 273.15
        if line.Tmin <= kelvin <= line.Tmax:
            # DIPPR 105 gives mol/m3 here
            other = dippr.EQ105(kelvin, line.C1, line.C2, line.C3, line.C4) * row["molar_mass_g_mol"] / 1e6
            off[row["name"]] = abs(other / row["density_g_mL"] - 1)
    assert len(off) >= 100
    assert np.median(list(off.values())) < 0.002
    assert {name for name, error in off.items() if error > 0.015} <= {"hexanal"}  # 0.8335 against 0.814


def test_identities_agree_with_a_reference_table():
    chemicals = pytest.importorskip("chemicals")
    wrong = []
    for row in SUBSTANCES:
        if row["source"] == "identity-checked":
            other = Chem.MolFromSmiles(chemicals.search_chemical(row["cas"]).smiles)
            ours = Chem.MolFromSmiles(row["smiles"])
            mine = Chem.MolToInchiKey(ours).split("-")[0]
            if Chem.MolToInchiKey(other).split("-")[0] != mine:
                wrong.append(row["name"])
    assert wrong == []


# --- Hansen parameters ----------------------------------------------------------------------------


def test_every_substance_has_at_most_one_preferred_row_and_every_row_a_reason():
    preferred = Counter(row["substance"] for row in data.read_table("published_hsp.csv").rows if row["preferred"])
    assert set(preferred.values()) == {1}
    assert {row["substance"] for row in data.read_table("published_hsp.csv").rows} <= NAMES


def test_published_values_are_those_of_the_three_open_tables():
    """Row by row against the tables alshehri, ruben_manuel and schrier of the package chemicals."""
    chemicals = pytest.importorskip("chemicals")
    pandas = pytest.importorskip("pandas")
    files = {"hsp-alshehri": "alshehri", "hsp-ruben-manuel": "ruben_manuel", "hsp-schrier": "schrier"}
    folder = Path(chemicals.__file__).parent / "Misc"
    tables = {
        key: pandas.read_csv(folder / f"{name}_hansen_solubility_parameters.tsv", sep="\t").set_index("CAS")
        for key, name in files.items()
    }
    for row in data.read_table("published_hsp.csv").rows:
        listed = tables[row["source"]].loc[[row["cas"]]].to_numpy(dtype=float) / 1000  # Pa^0.5 to MPa^0.5
        ours = [row["delta_d"], row["delta_p"], row["delta_h"]]
        assert np.isclose(listed, ours, atol=0.006).all(axis=1).any(), row


def test_the_implausible_row_of_mct_is_shown_but_not_used():
    rows = [row for row in data.read_table("published_hsp.csv").rows if row["substance"] == "MCT"]
    assert [row["delta_h"] for row in rows] == [pytest.approx(14.74, abs=0.05)]
    assert not rows[0]["preferred"]
    assert "triglyceride" in rows[0]["reason"]


# --- evidence -------------------------------------------------------------------------------------


def test_water_solubilities_have_one_preferred_row_and_a_sober_spread():
    rows = data.read_table("water_solubility.csv").rows
    preferred = Counter(row["substance"] for row in rows if row["preferred"])
    assert set(preferred.values()) == {1}
    assert len(preferred) > 150
    solid = {row["name"]: row["melting_C"] for row in SUBSTANCES if (row["melting_C"] or 0) > 25}
    for row in rows:
        assert row["substance"] in NAMES
        assert 0.2 <= row["sd_ln"] <= 1.5
        assert row["melting_C"] == solid.get(row["substance"])
        if row["mg_per_L_min"] is not None:
            assert row["mg_per_L_min"] <= row["mg_per_L"] * 1.03
            assert row["mg_per_L_max"] >= row["mg_per_L"] * 0.97
        if row["source"] in ("merck-camphor", "hsdb-menthol"):
            assert row["sd_ln"] >= 0.5  # recalled figures never claim to be sharp


def test_activities_are_of_shipped_substances_at_sober_temperatures():
    for row in data.read_table("activities.csv").rows:
        assert {row["solvent"], row["solute"]} <= NAMES
        assert 0 <= row["celsius"] <= 130
        assert -3 < row["ln_gamma_infinite"] < 10


def test_enthalpies_of_vaporisation_rise_with_the_molecule():
    """Triacetin 85.7 kJ/mol in the CRC table; n-alkanes rise by about 5 kJ/mol a carbon (common practice)."""
    rows = data.read_table("vaporisation_enthalpies.csv").rows
    value = {(row["substance"], row["source"]): row["kJ_per_mol"] for row in rows}
    assert value["triacetin", "crc-vaporisation"] == pytest.approx(85.74)
    alkanes = [value[name, "crc-vaporisation"] for name in ("pentane", "hexane", "heptane", "octane", "nonane")]
    assert np.diff(alkanes) == pytest.approx([5.0] * 4, abs=0.25)
    used = {row["substance"] for row in rows if row["preferred"]}
    acids = {row["name"] for row in SUBSTANCES if row["class"] == "acid"}
    assert acids & {row["substance"] for row in rows}
    assert not acids & used


def test_pairs_name_shipped_substances_and_do_not_contradict_each_other():
    seen = {}
    for row in data.read_table("miscible_pairs.csv").rows:
        assert {row["a"], row["b"]} <= NAMES
        assert row["a"] != row["b"]
        assert row["outcome"] in ("miscible", "partly", "immiscible")
        assert row["recalled"] == (data.sources()[row["source"]]["kind"] in ("memory", "common practice"))
        seen.setdefault(frozenset((row["a"], row["b"])), set()).add(row["outcome"])
    assert [pair for pair, outcomes in seen.items() if {"miscible", "immiscible"} <= outcomes] == []


@pytest.mark.parametrize("name", ["alcohol_tests.csv", "carrier_statements.csv"])
def test_what_predictions_are_checked_with_is_never_evidence(name):
    assert not any(row["evidence"] for row in data.read_table(name).rows)
    readers = [path for path in (ROOT / "hspkit").rglob("*.py") if name in path.read_text(encoding="utf-8")]
    assert not {path.relative_to(ROOT / "hspkit").parts[0] for path in readers} & {"evidence", "substances"}


def test_look_alikes_agree_with_the_substances():
    cas = {row["name"]: row["cas"] for row in SUBSTANCES}
    groups = Counter()
    for row in data.read_table("look_alikes.csv").rows:
        groups[row["group"]] += 1
        check_cas(row["cas"])
        assert row["shipped"] == (row["name"] in NAMES)
        assert cas.get(row["name"], row["cas"]) == row["cas"]
    assert min(groups.values()) >= 2


def test_sources_say_how_each_figure_is_known():
    for key, source in data.sources().items():
        assert re.fullmatch(r"[a-z0-9_.-]+", key), key
        assert len(source["reference"]) > 10, key


def _column(kind, *, required=False, unit="-"):
    return data.Column("mine.csv", "amount", kind, unit, required, "", "how much")


@pytest.mark.parametrize(
    ("kind", "text", "match"),
    [
        ("number", "inf", "is 'inf'; expected a number in g"),
        ("number", "nan", "expected a number in g"),
        ("integer", "2.5", "is '2.5'; expected a whole number"),
        ("flag", "true", "is 'true'; expected 'yes' or 'no'"),
        ("date", "2026", "unknown type 'date' of mine.csv:amount"),
    ],
)
def test_a_cell_of_the_wrong_kind_is_told(kind, text, match):
    with pytest.raises(DataFileError, match=match):
        data._value(text, _column(kind, unit="g"), "mine.csv, row 3")


def test_cells_become_what_their_column_says():
    assert data._value(" 7 ", _column("integer"), "") == 7
    assert data._value("no", _column("flag"), "") is False
    assert data._value("  ", _column("number"), "") is None
    with pytest.raises(DataFileError, match=r"row 3: column 'amount' is empty but required \(how much\)"):
        data._value("", _column("number", required=True), "row 3")


def test_tables_and_files_that_are_not_there_are_named():
    with pytest.raises(DataFileError, match=r"no table 'solvents.csv'; tables: .*substances.csv"):
        data.columns("solvents.csv")
    with pytest.raises(DataFileError, match=r"no file 'solvents.csv'"):
        data.read_table("solvents.csv")
    with pytest.raises(DataFileError, match=r"no file 'groups/solvents.csv'"):
        data.read_text("groups/solvents.csv")


@pytest.mark.parametrize(
    ("row", "match"), [("| `a` | hearsay | B |", "has kind 'hearsay'"), ("| `a` | read | B |", "'a' appears twice")]
)
def test_a_list_of_sources_that_cannot_be_relied_on(row, match, monkeypatch):
    text = "| `a` | read | Somebody, 1990 | all |\n" if "twice" in match else ""
    monkeypatch.setattr(data, "read_text", lambda name: text + row + " all |\n")
    data.sources.cache_clear()
    try:
        with pytest.raises(DataFileError, match=match):
            data.sources()
    finally:
        data.sources.cache_clear()


def test_a_folder_without_tables_says_where_it_looked(monkeypatch, tmp_path):
    monkeypatch.setattr(data, "files", lambda _: tmp_path)
    monkeypatch.setattr(data, "__file__", str(tmp_path / "hspkit" / "data.py"))
    with pytest.raises(DataFileError, match=r"no tables at .* or .*; reinstall hspkit"):
        data.folder()
    (tmp_path / "datasets").mkdir()
    assert data.folder() == tmp_path / "datasets"


# --- users' tables: one decoder for all of them ---


def _mine(path):
    own = Substance.from_csv(path)["my ester"]
    return own.hsp, own.density


def _log(path):
    return TrialLog(path).trials


def _report(path):
    profile = Oil.from_csv(path)
    return profile.labels, profile.mass_percent, profile.uncovered


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize(
    ("read", "rows"),
    [
        (_report, [["Component", "Area %"], ["limonene", "94.5"], ["myrcene", "2.25"], ["Öl 7", "0.5"]]),
        (_log, [["carrier", "outcome", "oil_parts", "celsius", "note"], ["MCT", "clear", "1.5", "22.5", "erst trüb"]]),
        (
            _mine,
            [
                ["name", "smiles", "density_g_mL", "delta_d", "delta_p", "delta_h"],
                ["my ester", "CCCC(=O)OCCC(C)C", "0.86", "15.8", "3.2", "5.1"],
                ["my acid", "CCCCCCC(=O)O", "", "", "", ""],
            ],
        ),
    ],
)
def test_a_table_opens_alike_in_every_encoding_and_with_every_delimiter(read, rows, delimiter, encoding, tmp_path):
    """What a spreadsheet saves as csv in any country: the same oil, log and substances, with decimal commas too."""
    expected = tmp_path / "plain.csv"
    expected.write_text("\n".join(",".join(row) for row in rows) + "\n", encoding="utf-8")
    for decimal in ".,":
        cells = [
            [cell.replace(".", decimal) if re.fullmatch(r"[\d.]+", cell) else cell for cell in row] for row in rows
        ]
        lines = [delimiter.join(f'"{cell}"' if delimiter in cell else cell for cell in row) for row in cells]
        saved = tmp_path / "saved.csv"
        saved.write_bytes(("\r\n".join(lines) + "\r\n").encode(encoding))
        assert read(saved) == read(expected)
