"""Evidence: the theory against textbook relations and the engine, reconciliation, the shipped result."""

import io
import runpy
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from hspkit import Substance, data, estimate, phases, reconcile, substance, theory
from hspkit.bonds import associating_hydroxyls
from hspkit.errors import ExtrapolationWarning, InputError, MoleculeError, UnknownNameError
from hspkit.evidence import Evidence, informed, joint, liquid, posterior
from hspkit.evidence.facts import KINDS, Fact, facts, liquids
from hspkit.evidence.kinds import Properties, residuals_of
from hspkit.evidence.melting import fusion_entropy, supercooled_fraction
from hspkit.evidence.similarity import correlation
from hspkit.workshop import reconciled as rebuild
from hspkit.workshop.constants import GRIDS, ROUGHNESS, ethanol_limit, score


def shipped_hsp():
    rows = {row["substance"]: row for row in data.read_table("reconciled.csv").rows}
    return np.array([[rows[n][k] for k in ("delta_d", "delta_p", "delta_h")] for n in liquids().names])


# --- theory -------------------------------------------------------------------------------------------------


def test_interaction_matches_the_worked_examples_of_lindvig_and_flory():
    # Lindvig, Michelsen, Kontogeorgis, Fluid Phase Equilib. 203 (2002) 247: chi = alpha V1/RT (dD^2 + (dP^2 + dH^2)/4)
    w = theory.exchange([17.0, 8.0, 8.0], [16.0, 4.0, 4.0], constants=theory.calibration()._replace(alpha=0.6))
    assert w * 100.0 == pytest.approx(0.21783, abs=2e-5)
    # Flory 1953: chi_c = (1 + sqrt(V1/V2))^2 / 2
    assert theory.critical_strength(75.0, 160.0) * 75.0 == pytest.approx(1.41903, abs=1e-5)
    assert theory.critical_strength(100.0, 1e5) * 100.0 == pytest.approx(0.53212, abs=1e-5)


@pytest.mark.parametrize(
    ("fraction", "volume", "solvent"), [(1e-5, 162.0, 34.0), (0.06, 188.0, 34.0), (0.02, 98.0, 60.0)]
)
def test_a_solubility_read_as_a_strength_comes_back_from_the_engine(fraction, volume, solvent):
    w = theory.coexisting_strength(fraction, volume, solvent)
    # Two points whose |d1 - d2|^2 times a is w.
    gap = 2.0 * np.sqrt(w / phases.interaction_strength(25.0))
    hsp = np.array([[17.0, 0.0, 0.0], [17.0, float(gap), 0.0]])
    found = phases.split([0.3, 0.7], [volume, solvent], hsp)
    poor = np.min(found.fractions[: int(found.n_phases), 0])
    assert poor == pytest.approx(fraction, rel=1e-4)


def test_no_strength_for_a_fraction_beyond_the_critical_one():
    assert theory.coexisting_strength(0.4, 188.0, 34.0) is None


def test_ln_gamma_is_the_slope_of_the_free_energy():
    w, a, b = 0.02, 140.0, 60.0

    def free(n):  # moles of a and b -> G/RT of mixing
        phi = n * np.array([a, b]) / np.dot(n, [a, b])
        return np.dot(n, np.log(phi)) + np.dot(n, [a, b]) * w * phi[0] * phi[1]

    small, step = 1e-7, 1e-9
    slope = (free(np.array([small + step, 1.0])) - free(np.array([small - step, 1.0]))) / (2 * step)
    assert theory.dilute_ln_gamma(w, a, b) == pytest.approx(slope - np.log(small), abs=1e-4)


def test_cages_gain_little_on_melting():
    # Camphor: enthalpy of fusion 6.8 kJ/mol at 452 K (CRC Handbook, from memory) is 15 J/(mol K), not 56.
    assert fusion_entropy("CC1(C)C2CCC1(C)C(=O)C2") < 20 < fusion_entropy("Cc1ccc(C(C)C)c(O)c1")
    liquid_like, doubt = supercooled_fraction(np.log(1000.0), 150.0, 150.0, 20.0)
    assert liquid_like == pytest.approx(1e-3)
    assert doubt == 0.0


# --- one substance ------------------------------------------------------------------------------------------


def test_without_evidence_the_prior_stands():
    guess = estimate("CCCCCCCC(=O)OCC")
    found = reconcile(guess, [])
    np.testing.assert_allclose(found.hsp.array, guess.hsp.array)
    np.testing.assert_allclose(found.sd, guess.sd[:3])


def test_a_known_truth_is_recovered_from_distances():
    truth = np.array([17.5, 6.0, 9.0])
    partners = np.random.default_rng(0).uniform([15, 0, 0], [20, 16, 25], (12, 3))
    volume, constants = 120.0, theory.calibration()
    evidence = []
    for place, point in enumerate(partners):
        partner = Substance(f"liquid {place}", hsp=point, covariance=np.zeros((3, 3)), volume=90.0, molar_mass=90.0)
        w = theory.exchange(np.append(truth, [0.0, 0.0]), partner.point, constants=constants)
        evidence.append(
            Evidence.activity(partner, float(theory.dilute_ln_gamma(w, volume, 90.0)), sd=0.01, source="made")
        )

    prior = Substance(
        "made", prior=[16.0, 3.0, 5.0], prior_covariance=[0.7, 3.0, 3.0], volume=volume, molar_mass=volume
    )
    found = reconcile(prior, evidence)
    assert np.all(np.abs(found.hsp.array - truth) < 3 * found.sd + 0.3)
    assert np.all(found.sd < [0.7, 3.0, 3.0])
    assert not found.flagged


def test_a_piece_that_cannot_be_met_is_flagged_and_not_averaged_away():
    sane = reconcile(substance("ethyl octanoate"), [Evidence.water_solubility(70.1, source="AqSolDB")])
    both = reconcile(
        substance("ethyl octanoate"),
        [
            Evidence.water_solubility(70.1, source="AqSolDB"),
            Evidence.activity("ethanol", 15.0, source="a slip of the pen"),
        ],
    )
    assert "a slip of the pen" in [residual.source for residual in both.flagged]
    assert np.abs(both.hsp.array - sane.hsp.array).max() < 6.0


def test_mixing_evidence_moves_parameters_in_its_direction():
    start = estimate("CCCCCCCCCC(C)O")
    index = {}
    for outcome in (True, False):
        found = reconcile(start, [Evidence.mixes("propylene glycol", outcome, source="bench")])
        index[outcome] = float(theory.exchange(found.hsp.array, liquid("propylene glycol").hsp.array))
    assert index[True] < index[False]


def test_own_pieces_may_be_brought():
    class Ring:
        kind, source, measured = "own", "test", 5.0

        def predicted(self, hsp):
            return hsp[:, 1]

        def residual(self, hsp):
            return (hsp[:, 1] - 5.0) / 0.1

    point, covariance, away = posterior([16.0, 3.0, 5.0], np.eye(3), [Ring()])
    assert point[1] == pytest.approx(5.0, abs=0.05)
    assert covariance[1, 1] < 0.011
    assert abs(away[0]) < 1
    assert reconcile(estimate("CCO"), [Ring()]).residuals[0].kind == "own"


def _pair_table():
    members = [substance(name) for name in ("water", "1-octanol", "ethanol", "linalool")]
    return Properties.of(members), np.array([member.hsp.array for member in members])


@pytest.mark.parametrize("kind", KINDS)
def test_derivatives_of_every_kind_are_those_of_its_residuals(kind):
    """Central differences, which know nothing of the formulas."""
    value = {"mixing": 0.0, "vaporisation enthalpy": 60.0, "water solubility": 7.3}.get(kind, 1.5)
    fact = Fact(kind, 3, 3 if kind == "vaporisation enthalpy" else 0, value, 0.2, 40.0, "test", 0.4)
    liquids_here, points = _pair_table()
    (one,) = residuals_of([fact], liquids_here, theory.calibration())
    given = np.zeros_like(points)
    for rows, slope in one.derivatives(points):
        given[rows[0]] += slope[0]
    step, computed = 1e-5, np.zeros_like(points)
    for place in np.ndindex(*points.shape):
        nudge = np.zeros_like(points)
        nudge[place] = step
        computed[place] = (one.residuals(points + nudge)[0] - one.residuals(points - nudge)[0]) / (2 * step)
    if kind == "vaporisation enthalpy":
        assert np.abs(given[3]).min() > 0
    np.testing.assert_allclose(given, computed, rtol=1e-5, atol=1e-7)
    loss, force, curvature = one.loss(one.residuals(points))
    near = [one.loss(one.residuals(points) + shift)[0] for shift in (step, -step)]
    np.testing.assert_allclose(force, (near[0] - near[1]) / (2 * step), rtol=1e-4, atol=1e-7)
    assert np.isfinite(loss).all()
    assert (curvature > 0).all()


def test_parameters_stay_at_or_above_zero():
    found = reconcile(
        "CCCCCC", [Evidence.water_solubility(9.5, source="AqSolDB"), Evidence.log_p(3.9, source="memory")]
    )
    assert np.all(found.hsp.array >= 0)


def test_reconciling_is_deterministic_and_takes_milliseconds():
    ethanol = substance("triacetin")
    evidence = [Evidence.water_solubility(61000, source="a"), Evidence.vaporisation_enthalpy(85.7, source="b")]
    first = reconcile(ethanol, evidence)
    start = time.perf_counter()
    for _ in range(5):
        again = reconcile(ethanol, evidence)
    assert (time.perf_counter() - start) / 5 < 0.2  # about 10 ms on an idle core
    np.testing.assert_array_equal(first.hsp.array, again.hsp.array)
    assert first.table().shape == (2, 6)
    assert "<table" in first._repr_html_()


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: Evidence.water_solubility(-1, source="x"),
        lambda: Evidence.water_solubility(float("nan"), source="x"),
        lambda: Evidence.water_solubility(5e6, source="x"),
        lambda: Evidence.water_solubility(10, sd_ln=0, source="x"),
        lambda: Evidence.log_p("high", source="x"),
        lambda: Evidence.activity("ethanol", float("inf"), source="x"),
        lambda: Evidence.activity("ethanol", 1.0, celsius=-300, source="x"),
        lambda: Evidence.vaporisation_enthalpy(0, source="x"),
        lambda: Evidence.mixes("ethanol", "yes", source="x"),
        lambda: Evidence.mixes(3.0, True, source="x"),
        lambda: Evidence.log_p(2.0, source=" "),
        lambda: reconcile(42, []),
    ],
)
def test_impossible_evidence_is_refused(wrong):
    with pytest.raises(InputError):
        wrong()


def test_unknown_partners_and_structures_are_named():
    with pytest.raises(UnknownNameError, match="unobtainium"):
        Evidence.activity("unobtainium", 1.0, source="x")
    with pytest.raises(MoleculeError):
        reconcile("C(C", [])


def test_activities_far_from_room_temperature_warn():
    with pytest.warns(ExtrapolationWarning):
        Evidence.activity("ethanol", 1.0, celsius=130.0, source="x")


# --- likeness -----------------------------------------------------------------------------------------------


def test_homologues_are_alike_and_strangers_are_not():
    like = correlation(["CCCCCC", "CC(=O)OCC"], ["CCCCCCCC", "OCC(O)CO"], theory.calibration().likeness_length)
    assert like[0, 0] > 0.85 > 0.3 > like[0, 1]


def test_kin_inform_an_estimate_and_strangers_leave_it_alone():
    mean, sd = informed(["CCCCCCCCCCCC", "FC(F)(F)C(F)(F)Br"], [[15.8, 0.5, 0.5]] * 2, [[0.6, 2.0, 1.6]] * 2)
    assert sd[0, 1] < 1.5
    assert sd[1, 1] > sd[0, 1]
    assert abs(mean[1, 1] - 0.5) < abs(mean[0, 1] - 0.5) + 1.0


# --- what ships ---------------------------------------------------------------------------------------------


def test_every_substance_has_a_sound_row():
    rows = data.read_table("reconciled.csv").rows
    smiles = {row["name"]: row["smiles"] for row in data.read_table("substances.csv").rows}
    assert sorted(row["substance"] for row in rows) == sorted(r["name"] for r in data.read_table("substances.csv").rows)
    for row in rows:
        covariance = np.asarray(liquid(row["substance"]).covariance)
        assert np.all(np.linalg.eigvalsh(covariance) > 0), row["substance"]
        assert row["sd_d"] <= 1.05 * row["prior_sd_d"]
        assert (row["mixing_volume_cm3_mol"] > row["volume_cm3_mol"]) == bool(
            associating_hydroxyls(smiles[row["substance"]])
        )


def test_calibration_table_is_complete_and_alpha_is_the_engines():
    constants = theory.calibration()
    assert constants.alpha == phases.ALPHA
    assert all(value > 0 for value in constants)


def test_evidence_is_never_taken_from_the_alcohol_tests_or_statements():
    tested = {row["source"] for row in data.read_table("alcohol_tests.csv").rows}
    assert {fact.kind for fact in facts()} <= set(KINDS)
    assert not tested & {fact.source for fact in facts()}


def test_what_is_only_common_practice_is_never_evidence():
    assert [fact for fact in facts() if data.sources()[fact.source]["kind"] == "common practice"] == []


@pytest.mark.slow
def test_every_constant_stands_at_the_top_of_its_likelihood():
    constants = theory.calibration()
    start = score(facts(), constants)[1]
    best = score(facts(), constants, start)[0]
    for name, grid in GRIDS.items():
        place = grid.index(getattr(constants, name))
        assert 0 < place < len(grid) - 1, f"{name}: the edge of a grid is no top"
        for value in (grid[place - 1], grid[place + 1]):
            there = score(facts(), constants._replace(**{name: value}), start)[0]
            assert there < best + 2 * ROUGHNESS, (name, value)  # each of the two is rough


@pytest.mark.slow
def test_the_shipped_table_is_what_the_command_makes():
    """To one in the last of three decimals, which hangs on the sixth digit of the estimates that it starts from."""
    written, shipped = (pd.read_csv(io.StringIO(text)) for text in (rebuild.table(), data.read_text("reconciled.csv")))
    pd.testing.assert_frame_equal(written, shipped, rtol=1e-4, atol=1.001e-3)


@pytest.mark.slow
def test_the_joint_fit_ends_where_it_ends_from_another_start():
    constants = theory.calibration()
    one = joint.fit(facts(), constants, tolerance=1e-5)
    other = joint.fit(facts(), constants, start=shipped_hsp() + 0.3, tolerance=1e-5)
    worst = np.abs(one.hsp - other.hsp) / np.sqrt(np.diagonal(one.covariance, axis1=1, axis2=2))
    assert np.quantile(worst, 0.99) < 0.2


def test_ternaries_with_ethanol_and_water_clear_where_measured():
    # J. Chem. Eng. Data 40 (1995) 578-581, 293 K (abstract): limonene about 0.73, citral about 0.45 by mass of ethanol.
    constants, hsp = theory.calibration(), shipped_hsp()
    assert ethanol_limit(hsp, constants, "limonene", 20.0) == pytest.approx(0.73, abs=0.04)
    assert ethanol_limit(hsp, constants, "citral", 20.0) == pytest.approx(0.45, abs=0.04)


def test_ethanol_strengths_of_the_standards_come_out():
    # Pharmacopoeias, ISO 875 type statements and Simmons 1908; see alcohol_tests.csv. None of them is evidence.
    from hspkit.workshop.strengths import score_strengths

    found = score_strengths(shipped_hsp(), theory.calibration())
    assert len(found.rows) > 40
    assert found.error < 4.3
    assert found.rank > 0.82


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
def test_ethanol_and_water_computed_from_published_nrtl_parameters():
    parameters = pytest.importorskip("thermo.interaction_parameters").IPDB.tables["ChemSep NRTL"]
    kelvin, x = 298.15, 0.5
    tau_ew, tau_we = (parameters[key]["bij"] / kelvin for key in ("64-17-5 7732-18-5", "7732-18-5 64-17-5"))
    slant = parameters["64-17-5 7732-18-5"]["alphaij"]
    g_ew, g_we = np.exp(-slant * tau_ew), np.exp(-slant * tau_we)
    excess = x * x * (tau_we * g_we / (x + x * g_we) + tau_ew * g_ew / (x + x * g_ew))
    (row,) = data.read_table("excess_energies.csv").rows
    assert row["excess_energy_rt"] == pytest.approx(excess, abs=2e-3)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
def test_computed_activities_are_those_of_modified_unifac():
    unifac = pytest.importorskip("thermo.unifac")
    # Groups after Weidlich and Gmehling 1987: triethyl citrate has 3 CH3, 3 CH2, C, two CH2COO, COO, tertiary OH.
    citrate = {1: 3, 2: 3, 4: 1, 22: 2, 77: 1, 82: 1}
    heptane = {1: 2, 2: 5}
    model = unifac.UNIFAC.from_subgroups(
        T=298.15, xs=[1e-7, 1 - 1e-7], chemgroups=[heptane, citrate], version=1,
        subgroups=unifac.DOUFSG, interaction_data=unifac.DOUFIP2016,
    )  # fmt: skip
    (row,) = [
        row for row in data.read_table("computed_activities.csv").rows
        if (row["solvent"], row["solute"]) == ("triethyl citrate", "heptane")
    ]  # fmt: skip
    assert row["ln_gamma_infinite"] == pytest.approx(float(np.log(model.gammas()[0])), abs=2e-3)


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
def test_excess_energies_of_pairs_that_are_no_evidence():
    """ChemSep's NRTL parameters, fitted to vapour-liquid equilibria: 264 pairs of which none is evidence."""
    pytest.importorskip("thermo")
    place = Path(__file__).parent / "benchmarks" / "excess.py"
    found = list(runpy.run_path(str(place))["pairs"]())
    away = np.array([pair.computed - pair.measured for pair in found])
    assert len(found) > 250
    assert np.abs(away).mean() < 0.12  # 0.125 when alcohols counted molecule by molecule
    assert abs(away.mean()) < 0.02
