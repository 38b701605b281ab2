"""Estimates of single structures and of columns: printed figures, bookkeeping, bad input."""

import csv
import sys
import warnings
from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

import hspkit
from hspkit.errors import ExtrapolationWarning, InputError, MoleculeError
from hspkit.estimation import (
    estimate,
    estimate_from_groups,
    estimate_many,
    estimate_repeat_unit,
    fedors_total,
    mix_by_mass,
)

REFERENCE_FILE = Path(__file__).parent / "reference" / "estimation.csv"
REFERENCE = list(csv.DictReader(REFERENCE_FILE.read_text(encoding="utf-8").splitlines()))
COLUMNS = [
    "smiles", "delta_d", "delta_p", "delta_h", "volume", "sd_d", "sd_p", "sd_h", "sd_volume",
    "status", "note",
]  # fmt: skip
TRIETHYL_CITRATE = "CCOC(=O)CC(O)(CC(=O)OCC)C(=O)OCC"
FLAVOUR = [
    TRIETHYL_CITRATE,
    "CC(=O)OCC(COC(C)=O)OC(C)=O",
    "CC(O)C(=O)OCC",
    "O=C(OC)c1ccccc1O",
    "COc1cc(C=O)ccc1O",
    "CC1=CCC(CC1)C(C)=C",
    "CC1=CCC2CC1C2(C)C",
    "CCCCCC1CCC(=O)O1",
    "CCOC(C)OCC",
    "Cc1cnccn1",
    "CC1=CCC(CC1)C(C)(C)S",
    "CC(C)=CCCC(C)(O)C=C",
    "CCCCCCCC(=O)OCC(COC(=O)CCCCCCC)OC(=O)CCCCCCC",
]


@pytest.mark.parametrize("row", REFERENCE, ids=[f"{r['substance']} {r['quantity']}" for r in REFERENCE])
def test_van_krevelen_and_fedors_reproduce_printed_figures(row):
    smiles = row["smiles"]
    answer = estimate_repeat_unit(smiles) if "*" in smiles else estimate(smiles, method="van-krevelen")
    if row["quantity"] == "total":
        found = answer.hsp.total
    elif row["quantity"] == "fedors":
        found = fedors_total(answer)
    elif row["quantity"] == "volume":
        found = answer.volume
    else:
        found = getattr(answer.hsp, row["quantity"])
    assert found == pytest.approx(float(row["value"]), abs=float(row["tolerance"])), (
        row["source"],
        row["locator"],
    )


def test_copovidone_by_weight():
    # Kitak et al., Molecules 20 (2015) 21549-21568: 19.23 / 11.15 / 9.67 for 60/40 vinylpyrrolidone/vinyl
    # acetate
    units = [estimate_repeat_unit("*CC(*)N1CCCC1=O"), estimate_repeat_unit("*CC(*)OC(C)=O")]
    assert mix_by_mass(units, [0.6, 0.4]).array == pytest.approx([19.23, 11.15, 9.67], abs=0.005)
    fedors = 0.6 * fedors_total(units[0]) + 0.4 * fedors_total(units[1])
    assert fedors == pytest.approx(22.89, abs=0.005)


def test_groups_given_by_hand_and_from_structure_agree():
    by_hand = estimate_from_groups({"CH3": 3, "CH2": 1, "CH": 2, "phenylene (para)": 1, "COOH": 1})
    by_structure = estimate("CC(C)Cc1ccc(cc1)C(C)C(=O)O", method="van-krevelen")
    assert by_hand.hsp == by_structure.hsp
    assert by_hand.volume == by_structure.volume


@pytest.mark.parametrize(
    ("counts", "said"),
    [
        ({"CH4": 1}, "no group 'CH4'"),
        ({"CH3": 1.5}, "whole number"),
        ({"CH3": -1}, "whole number"),
        ({}, "no group"),
    ],
)
def test_groups_by_hand_are_checked(counts, said):
    with pytest.raises(InputError, match=said):
        estimate_from_groups(counts)


def test_an_empty_cell_of_the_published_table_is_an_error_that_names_the_group():
    with pytest.raises(MoleculeError, match=r"SH \(no F_d, F_p, E_h\)"):
        estimate("CCCS", method="van-krevelen")
    with pytest.raises(MoleculeError, match="HCOO"):
        estimate("CCOC=O", method="van-krevelen")


def test_atoms_outside_the_published_method_are_named():
    with pytest.raises(MoleculeError, match=r"do not cover C \(atom 1\)|do not cover .*atom"):
        estimate("c1ccoc1", method="van-krevelen")


@pytest.mark.parametrize("method", ["calibrated", "van-krevelen"])
def test_shares_of_groups_add_up_to_the_printed_values(method):
    for smiles in FLAVOUR:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)
            try:
                answer = estimate(smiles, method=method)
            except MoleculeError:
                assert method == "van-krevelen"
                continue
        sums = np.array([row[2:] for row in answer.groups]).sum(axis=0)
        assert sums == pytest.approx([*answer.hsp.array, answer.volume], abs=1e-6), smiles
        assert answer.sd.shape == (4,)
        assert (answer.sd > 0).all()
        assert answer.sources


def test_one_and_many_give_the_same():
    frame = estimate_many(FLAVOUR)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        for row, smiles in enumerate(FLAVOUR):
            answer = estimate(smiles)
            assert frame.loc[row, ["delta_d", "delta_p", "delta_h"]].tolist() == pytest.approx(
                answer.hsp.array.tolist(), abs=1e-4
            )
            assert frame.loc[row, "status"] == answer.status


def test_measured_volumes_of_carriers_are_met():
    # molar mass over CRC Handbook density at 20-25 C: propane-1,2-diol 73.7, glycerol 73.1, triacetin 188.2,
    # as listed with the Hoftyzer-Van Krevelen checks; the first two come from the densities 1.0361 and 1.2613
    for smiles, volume in (("CC(O)CO", 73.6), ("OCC(O)CO", 73.3), ("CC(=O)OCC(COC(C)=O)OC(C)=O", 188.2)):
        assert estimate(smiles).volume == pytest.approx(volume, rel=0.025)


def test_intervals_nest_and_hold_the_value():
    answer = estimate("CCOC(C)=O")
    narrow, wide = answer.interval(0.5), answer.interval(0.9)
    assert (wide[:, 0] <= narrow[:, 0]).all()
    assert (narrow[:, 1] <= wide[:, 1]).all()
    assert (narrow[:, 0] < [*answer.hsp.array, answer.volume]).all()
    with pytest.raises(InputError, match="level is 90"):
        answer.interval(90)


def test_displays():
    answer = estimate("CCO")
    assert repr(answer).startswith("Estimate('CCO'")
    assert "<table>" in answer._repr_html_()
    assert list(answer.table().columns) == ["group", "count", "delta_d", "delta_p", "delta_h", "volume"]
    with pytest.raises(AttributeError):
        answer.volume = 1.0


def test_a_column_keeps_its_index_and_no_row_stops_the_others():
    given = pd.Series(["CCO", None, "limonene", "CC(=O)[O-].[Na+]", "C" * 500, "[CH3]", "", 5, "CCOC(C)=O"])
    given.index = list("abcdefghi")
    before = given.copy()
    frame = estimate_many(given)
    pd.testing.assert_series_equal(given, before)
    assert list(frame.columns) == COLUMNS
    assert frame.index.tolist() == list("abcdefghi")
    assert frame["status"].tolist() == ["ok", *["failed"] * 7, "ok"]
    assert frame.loc[frame["status"] == "ok", "delta_d"].notna().all()
    failed = frame[frame["status"] == "failed"]
    assert failed[COLUMNS[1:9]].isna().all(axis=None)
    for smiles, note in zip(failed["smiles"], failed["note"], strict=True):
        with pytest.raises(MoleculeError) as error:
            estimate(smiles)
        assert str(error.value) == note


@pytest.mark.parametrize("given", [[], np.array([], dtype=object), (), pd.Series([], dtype=object)])
def test_nothing_in_nothing_out(given):
    frame = estimate_many(given)
    assert list(frame.columns) == COLUMNS
    assert len(frame) == 0


def test_any_iterable_of_text_will_do():
    expected = estimate_many(["CCO", "CCCO"])["delta_h"].tolist()
    for given in (("CCO", "CCCO"), np.array(["CCO", "CCCO"]), iter(["CCO", "CCCO"])):
        assert estimate_many(given)["delta_h"].tolist() == expected


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: estimate("CCO", method="magic"), "no method 'magic'; methods: calibrated, van-krevelen"),
        (lambda: estimate_many("CCO"), "expected a list or Series"),
        (lambda: estimate_many(pd.DataFrame({"smiles": ["CCO"]})), "one of its columns"),
        (lambda: estimate_many(["CCO"], n_jobs=0), "n_jobs is 0"),
        (lambda: estimate_many(["CCO"], n_jobs=1.5), "n_jobs is 1.5"),
        (lambda: fedors_total(estimate("CCO")), "expected one by 'van-krevelen'"),
    ],
)
def test_wrong_calls_say_what_was_expected(call, said):
    with pytest.raises(InputError, match=said):
        call()


def test_two_processes_give_the_same_table():
    smiles = FLAVOUR * 3
    pd.testing.assert_frame_equal(estimate_many(smiles), estimate_many(smiles, n_jobs=2))


def test_rare_chemistry_is_extrapolated_with_a_reason():
    smiles = "C" * 150
    with pytest.warns(ExtrapolationWarning, match="largest known"):
        answer = estimate(smiles)
    assert answer.status == "extrapolated"
    frame = estimate_many([smiles])
    assert frame.loc[0, "status"] == "extrapolated"
    assert "largest known" in frame.loc[0, "note"]


def test_error_bars_are_wider_for_molecules_unlike_the_known_ones():
    frame = estimate_many(["CCCCOC(C)=O", "O=C1OC(=O)C2C1C(=O)OC2=O"])
    assert (frame.loc[1, ["sd_d", "sd_p", "sd_h"]] > frame.loc[0, ["sd_d", "sd_p", "sd_h"]]).all()


def test_public_names():
    assert hspkit.estimate is estimate
    assert hspkit.estimate_many is estimate_many
    assert hspkit.GroupModel.__name__ == "GroupModel"


@pytest.mark.parametrize("installed", [True, False])
def test_progress_is_shown_when_it_can_be(installed, monkeypatch):
    counted = []

    class Bar:
        def __init__(self, total, unit):
            counted.append(total)

        def update(self, number):
            counted.append(number)

        def close(self):
            counted.append("closed")

    module = ModuleType("tqdm")
    module.tqdm = Bar
    monkeypatch.setitem(sys.modules, "tqdm", module if installed else None)
    frame = estimate_many(["CCO", "C(", "CCC"], progress=True)
    assert frame["status"].tolist() == ["ok", "failed", "ok"]
    assert counted == ([3, 3, "closed"] if installed else [])
