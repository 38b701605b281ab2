"""Ordinary slips in Python arguments: every public call, and the values that somebody may give by mistake.

`calls` lists the public functions, constructors and methods with arguments that they answer; a slip replaces one of
them. Whatever comes out must be an answer or an error of the library. `tests/test_checks.py` goes through all calls
that are fast, `tests/fuzz.py` draws from all.
"""

from __future__ import annotations

import datetime
import decimal
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

import hspkit
from hspkit import (
    HSP,
    Application,
    Blend,
    Carrier,
    Evidence,
    GroupModel,
    Oil,
    SphereFit,
    Substance,
    Trial,
    TrialLog,
    application,
    carrier,
    ethanol,
    evidence,
    hansen,
    law,
    miscibility,
    phases,
    plotting,
    scale,
    substance,
)
from hspkit.errors import HspkitError


class Call(NamedTuple):
    """A function, arguments that it answers, and whether one answer takes more than about 10 ms."""

    function: Callable[..., Any]
    given: dict[str, Any]
    slow: bool = False


#: What is given by mistake: nothing, the wrong unit, the wrong type, the neighbour's argument.
SLIPS: tuple[Any, ...] = (
    None, True, 0, -1, 3, 3.7, 25, 1e9, 1e-9, 1e200, -1e200, 1e-200, 10**400, float("nan"), float("inf"), -float("inf"),
    1 + 2j, decimal.Decimal("1.5"), np.float64("nan"), np.int64(-1), np.bool_(False), pd.NA, pd.NaT,
    "", " ", "3", "warm", "triacetin", "limonene", "CCO", "soft drinks", "\0", "\ud800", "x" * 5000, b"x",
    datetime.date(2026, 11, 25), Path("nowhere"), [], (), {}, set(), [1], [None], [[]], [[1], [1, 2]], ["warm"],
    ["triacetin"], [1.0, 2.0], range(3), {"a": 1}, {"triacetin": 0.5}, {"triacetin": None}, {1: 2}, object(), len, int,
    np.zeros(3), np.zeros((2, 2)), np.zeros((0, 3)), np.full((2, 3), np.nan), np.full((1, 3), 1e200), np.array(["a"]),
    np.array(5.0), np.array([None, 1.0]), np.ones(3, dtype=complex), pd.Series([1.0]), pd.Series(["a"]), pd.DataFrame(),
    pd.DataFrame({"delta_d": ["a"], "delta_p": [1], "delta_h": [2]}), HSP, HSP(17, 2, 4),
)  # fmt: skip


@cache
def slips() -> tuple[Any, ...]:
    """Return all slips: `SLIPS`, and what the library itself makes, in the wrong place."""
    return (
        *SLIPS,
        hspkit.oil("limonene"),
        carrier("MCT"),
        carrier("polysorbate 80"),
        carrier("ethanol 70 % vol"),
        substance("limonene"),
        Application("US", "soft drinks", oil_mg_per_L=40),
        Trial("triacetin", "clear"),
        Evidence.log_p(4.5),
        TrialLog("nothing.csv"),
    )


@cache
def calls() -> dict[str, Call]:
    """Return the calls by name."""
    found: dict[str, Call] = {}
    for part in (_values, _tables, _phases, _law_and_use, _questions, _learning, _figures):
        for name, call in part():
            assert name not in found, name
            found[name] = call
    return found


def write_files(folder: Path) -> None:
    """Write the files that some of the calls read."""
    for name, text in (
        ("report.csv", "component,percent\nlimonene,94.3\nmyrcene,1.9\n"),
        ("own.csv", "name,smiles\nmy ester,CCCC(=O)OCCC(C)C\n"),
        ("log.csv", "carrier,outcome\nMCT,clear\n"),
    ):
        (folder / name).write_text(text, encoding="utf-8")


def attempt(call: Call, argument: str, slip: Any) -> str:
    """Return "answered" or "refused"; anything else that comes out is raised.

    A wrong ``ax`` is a TypeError, as everywhere in matplotlib.
    """
    try:
        call.function(**{**call.given, argument: slip})
    except HspkitError as error:
        return "refused" if str(error) else "refused without a message"
    except TypeError as error:
        if argument not in ("ax", "axes") or "expected a matplotlib Axes" not in str(error):
            raise
        return "refused"
    return "answered"


Named = Iterator[tuple[str, Call]]
POINTS = {"fractions": [0.5, 0.5], "volumes": [100.0, 100.0], "hsp": [[16, 0, 0], [16, 0, 20]]}
PAIR = {"volumes": [100.0, 100.0], "hsp": [[16, 0, 0], [16, 0, 20]]}
WARM = {"celsius": 25.0, "alpha": 0.5}


def _values() -> Named:
    a, b = [17.0, 2.0, 4.0], [16.0, 1.0, 2.0]
    yield "HSP", Call(HSP, {"delta_d": 17, "delta_p": 2, "delta_h": 4})
    yield "HSP.at", Call(HSP(17, 2, 4).at, {"celsius": 30, "expansivity": 1e-3})
    yield "HSP.distance", Call(HSP(17, 2, 4).distance, {"other": b})
    yield "distance", Call(hspkit.distance, {"a": a, "b": b})
    yield "red", Call(hspkit.red, {"a": a, "b": b, "radius": 4})
    yield "hansen.mix", Call(hansen.mix, {"hsp": [a, b], "fractions": [0.5, 0.5]})
    yield "hansen.teas_fractions", Call(hansen.teas_fractions, {"hsp": a})
    yield (
        "hansen.at_temperature",
        Call(hansen.at_temperature, {"hsp": a, "celsius": 30, "expansivity": 8e-4, "reference_celsius": 25}),
    )
    yield "estimate", Call(hspkit.estimate, {"smiles": "CCO", "method": "calibrated"})
    yield "estimate_many", Call(hspkit.estimate_many, {"smiles": ["CCO"], "method": "calibrated", "progress": False})
    yield "estimate_many in processes", Call(hspkit.estimate_many, {"smiles": ["CCO"], "n_jobs": 1}, slow=True)
    yield "Estimate.interval", Call(hspkit.estimate("CCO").interval, {"level": 0.8})
    yield "substance", Call(substance, {"name_or_cas_or_smiles": "limonene"})
    own = {
        "name": "mine", "smiles": "CCCC(=O)OCCC(C)C", "cas": "", "synonyms": (), "prior": [16, 3, 5],
        "prior_covariance": np.eye(3), "hsp": [16, 3, 5], "covariance": np.eye(3), "volume": 183.0, "volume_sd": 1.0,
        "density": 0.87, "molar_mass": 158.0, "log_p": 3.0, "water_solubility": 100.0, "water_solubility_sd_ln": 0.3,
        "melting_celsius": -70.0, "boiling_celsius": 180.0, "flash_celsius": 60.0, "evidence": (), "values": (),
        "notes": (), "formula": "C9H18O2", "role": "aroma", "chemical_class": "ester",
    }  # fmt: skip
    yield "Substance", Call(Substance, own)
    yield (
        "Substance, the rest estimated",
        Call(Substance, {"name": "mine", "smiles": "CCCC(=O)OCCC(C)C", "density": 0.87}, slow=True),
    )
    yield (
        "Substance.with_parameters",
        Call(substance("triacetin").with_parameters, {"hsp": a, "covariance": np.eye(3), "note": "bench"}),
    )
    solid = {"solute": "vanillin", "solvent": "ethanol", "celsius": 25, "melting_celsius": 81, "fusion_J_per_mol": 22e3}
    yield "solubility", Call(hspkit.solubility, solid)
    yield "pair_miscibility", Call(hspkit.pair_miscibility, {"a": "limonene", "b": "ethanol", "celsius": 25})
    yield "carrier", Call(carrier, {"name": "MCT"})
    glycol = substance("propylene glycol")
    yield "Carrier", Call(
        Carrier,
        {
            "name": "house liquid", "cas": "", "substance": substance("acetone"), "role": "carrier", "e_number": None,
            "densities": {20: 0.79}, "viscosities": {20: 0.3}, "flash_point": -20, "taste_limit": 100.0,
            "taste_unnoticed": 10.0, "taste": "sharp", "caution": "", "note": "", "sources": {},
        },
    )  # fmt: skip
    yield "Carrier.of", Call(Carrier.of, {"name": glycol})
    for label, liquid in (("Carrier", carrier("triacetin")), ("Blend", carrier("ethanol 70 % vol"))):
        yield f"{label}.viscosity", Call(liquid.viscosity, {"celsius": 20})
        yield f"{label}.viscosity_range", Call(liquid.viscosity_range, {"celsius": 20})
        yield f"{label}.permitted", Call(liquid.permitted, {"market": "US", "category": "soft drinks"})
        yield f"{label}.limits", Call(liquid.limits, {"market": "US", "category": "soft drinks"})
        yield f"{label}.doses", Call(liquid.doses, {"mg_per_L": 100})
    yield "Carrier.density_at", Call(carrier("triacetin").density_at, {"celsius": 20})
    yield "Blend", Call(Blend, {"shares": {"MCT": 0.5, "triacetin": 0.5}, "basis": "volume", "name": "half"})
    yield "Evidence", Call(
        Evidence,
        {"kind": "log P", "value": 1.0, "sd": 0.2, "source": "x", "partner": evidence.Evidence.log_p(1).partner,
         "celsius": 25.0, "melting": None},
    )  # fmt: skip
    yield (
        "Evidence.water_solubility",
        Call(Evidence.water_solubility, {"mg_per_L": 50, "sd_ln": 0.3, "source": "x", "melting_celsius": 30}),
    )
    yield "Evidence.log_p", Call(Evidence.log_p, {"value": 1.0, "sd": 0.2, "source": "x"})
    yield (
        "Evidence.activity",
        Call(Evidence.activity, {"solvent": "triacetin", "ln_gamma": 1.0, "celsius": 25, "sd": 0.1, "source": "x"}),
    )
    yield (
        "Evidence.vaporisation_enthalpy",
        Call(Evidence.vaporisation_enthalpy, {"kJ_per_mol": 50, "sd": 1.0, "source": "x"}),
    )
    yield "Evidence.mixes", Call(Evidence.mixes, {"with_": "water", "outcome": True, "celsius": 25, "source": "x"})
    yield "reconcile", Call(hspkit.reconcile, {"prior": glycol, "evidence": [Evidence.log_p(-0.9, source="x")]})


def _tables() -> Named:
    lemon, members = hspkit.oil("lemon"), (substance("limonene"), substance("linalool"))
    yield "oil", Call(hspkit.oil, {"name": "limonene", "least_covered_percent": 80})
    yield "Oil", Call(
        Oil,
        {
            "name": "mine", "labels": ("limonene", "linalool"), "substances": members, "mass_percent": (90.0, 5.0),
            "uncovered": (("peak 7", 1.0),), "ranges": ((80.0, 95.0), (1.0, 6.0)), "mass_yield": 1.0, "caution": "",
            "notes": (), "sources": (), "liquid_celsius": 20.0, "least_covered_percent": 80.0, "belief": None,
            "made_from": None,
        },
    )  # fmt: skip
    frame = pd.DataFrame({"component": ["limonene"], "percent": [90]})
    read = {"component": "component", "percent": "percent", "liquid_celsius": 20.0, "least_covered_percent": 80.0}
    yield "Oil.from_table", Call(Oil.from_table, {"frame": frame, "name": "mine", **read})
    yield "Oil.from_csv", Call(Oil.from_csv, {"path": "report.csv", "name": "mine", **read})
    yield "Oil.folded", Call(lemon.folded, {"times": 3})
    yield "Oil.without_terpenes", Call(lemon.without_terpenes, {"share": 0.3})
    own = pd.DataFrame({"name": ["my ester"], "smiles": ["CCCC(=O)OCCC(C)C"]})
    yield "Substance.from_table", Call(Substance.from_table, {"frame": own, "name": "mine"})
    yield "Substance.from_csv", Call(Substance.from_csv, {"path": "own.csv"})
    yield "TrialLog", Call(TrialLog, {"path": "log.csv"})
    yield "TrialLog.read", Call(TrialLog("log.csv").read, {"missing": "raise"})
    yield "TrialLog.append", Call(lambda trial: TrialLog("new.csv").append(trial), {"trial": Trial("MCT", "clear")})
    yield "Trial", Call(
        Trial,
        {
            "carrier": "MCT", "outcome": "clear", "oil_parts": 1, "carrier_parts": 2, "water_parts": 0, "celsius": 25,
            "oil": "lemon", "date": "2026-11-25", "note": "",
        },
    )  # fmt: skip


def _phases() -> Named:
    for function in (phases.spinodal_index, phases.binodal_index, phases.binodal_details, phases.spinodal_details,
                     phases.stable, phases.split, phases.ln_gamma, phases.ln_activity):  # fmt: skip
        yield f"phases.{function.__name__}", Call(function, {**POINTS, **WARM}, slow=function is phases.split)
    for function in (phases.pair_index, phases.spinodal, phases.binodal, phases.ln_gamma_infinite):
        yield f"phases.{function.__name__}", Call(function, {**PAIR, **WARM})
    yield "phases.ln_crystal", Call(phases.ln_crystal, {"celsius": 25, "melting": 80, "entropy": 55})
    line = {"start": [1.0, 0.0], "added": [0.0, 1.0], **PAIR, "crystals": [-1.0, -2.0], **WARM}
    yield "phases.crystal_point", Call(phases.crystal_point, line)
    melting = {"melting": [40.0] * len(POINTS["volumes"]), "entropy": [50.0] * len(POINTS["volumes"])}
    yield "phases.liquidus", Call(phases.liquidus, {**POINTS, **melting})
    yield "phases.index_shares", Call(phases.index_shares, {**POINTS, "celsius": 25})
    yield "phases.upper_critical_celsius", Call(phases.upper_critical_celsius, {**PAIR, "alpha": 0.5})
    yield "phases.critical_fraction", Call(phases.critical_fraction, {"volumes": [100, 200]})
    yield "phases.interaction_strength", Call(phases.interaction_strength, WARM)
    yield (
        "phases.cloud_point",
        Call(phases.cloud_point, {"start": [0.9, 0.1], "added": [0.0, 1.0], **PAIR, **WARM}, slow=True),
    )
    yield (
        "phases.ternary_diagram",
        Call(
            phases.ternary_diagram,
            {"volumes": [163, 59, 18], "hsp": [[17, 2, 4], [16, 9, 19], [16, 16, 42]], "step": 0.25, **WARM},
            slow=True,
        ),
    )
    draws = {"volume_draws": [100.0, 100.0], "hsp_draws": [POINTS["hsp"]] * 2}
    yield "phases.binodal_index_of_draws", Call(phases.binodal_index_of_draws, {**POINTS, **draws, **WARM})
    yield "StabilityAnalysis.of", Call(phases.StabilityAnalysis.of, {**POINTS, **WARM})
    scene = phases.StabilityAnalysis.of(**POINTS, alpha=0.5)
    yield "StabilityAnalysis.index_of_draws", Call(scene.index_of_draws, draws)
    yield "StabilityAnalysis.split", Call(scene.split, {"factors": [0.9, 1.1]})


def _law_and_use() -> Named:
    soda, acetin = Application("US", "soft drinks", oil_mg_per_L=40), carrier("triacetin")
    where = {"market": "US", "category": "soft drinks"}
    for function in (law.limits, law.grounds, law.permitted):
        yield f"law.{function.__name__}", Call(function, {"carrier": "triacetin", **where})
    yield (
        "law.limit_uses",
        Call(
            law.limit_uses,
            {"doses": {"triacetin": 100.0}, **where, "product_density": 1.0, "basis": "in the food as consumed"},
        ),
    )
    yield "Application", Call(Application, {**where, "oil_mg_per_L": 40, "ethanol_percent": 0, "product_density": 1.0})
    yield "Application, of a stock", Call(Application, {**where, "stock_mg_per_L": 40})
    densities = {"oil_density": 0.84, "carrier_density": 1.16, "basis": "mass"}
    parts = {"oil_parts": 1, "carrier_parts": 2}
    yield "application.dose", Call(application.dose, {"application": soda, **parts, **densities})
    yield (
        "application.dose, by volume",
        Call(application.dose, {"application": soda, **parts, **densities, "basis": "volume"}),
    )
    yield "application.volume_parts", Call(application.volume_parts, {**parts, **densities})
    yield "application.check_application", Call(application.check_application, {"application": soda})
    for function in (application.mass_shares, application.taste_limit, application.taste_unknown):
        yield f"application.{function.__name__}", Call(function, {"liquid": acetin})
    for function in (application.taste_lines, application.under_taste_limit):
        yield f"application.{function.__name__}", Call(function, {"liquid": acetin, "carrier_mg_per_L": 100.0})
    yield (
        "application.legal_limit",
        Call(application.legal_limit, {"liquid": acetin, "application": soda, "share_of_stock": 0.5}),
    )
    yield (
        "application.most_carrier_in_stock",
        Call(application.most_carrier_in_stock, {"liquid": acetin, "application": soda}),
    )
    yield (
        "application.law_lines",
        Call(application.law_lines, {"liquid": acetin, "application": soda, "amount": application.Dose(40.0, 100.0)}),
    )
    yield "application.permission", Call(application.permission, {"part": acetin, **where})
    yield "application.pouring_band", Call(application.pouring_band, {"viscosity": 20.0})
    yield (
        "application.stock_viscosity",
        Call(application.stock_viscosity, {"carrier_viscosity": 20.0, "oil_viscosity": 1.0, **parts}),
    )
    yield (
        "application.stock_range",
        Call(
            application.stock_range,
            {"liquid": acetin, "application": soda, "max_oil_percent": 30.0, "oil_density": 0.84},
        ),
    )
    yield "StockRange.holds", Call(application.StockRange(0.5, 9.0, "x", "y").holds, {"carrier_parts_per_oil_part": 2})
    yield (
        "application.general_solubility",
        Call(application.general_solubility, {"log_p": 4.6, "molar_mass": 136.0, "melting_celsius": 30.0}),
    )
    yield "application.water_solubility", Call(application.water_solubility, {"member": substance("limonene")})
    yield "application.cosolvency_factor", Call(application.cosolvency_factor, {"log_p": 4.6, "ethanol_percent": 40})
    yield (
        "application.oil_phase",
        Call(application.oil_phase, {"amounts": np.array([2.0, 1.0]), "soluble": np.array([0.5, 3.0])}),
    )
    yield (
        "application.carrier_dissolves",
        Call(application.carrier_dissolves, {"liquid": acetin, "carrier_mg_per_L": 100.0, "ethanol_percent": 0}),
    )
    yield "application.clouding", Call(
        application.clouding,
        {"subject": hspkit.oil("limonene"), "oil_mg_per_L": 5, "liquid": carrier("MCT"), "carrier_mg_per_L": 5,
         "ethanol_percent": 0},
    )  # fmt: skip
    yield "ethanol.dilute", Call(ethanol.dilute, {"from_percent": 96, "to_percent": 70, "spirit_volume": 1})
    yield "ethanol.density", Call(ethanol.density, {"mass_percent": 50, "celsius": 20})
    yield "ethanol.volume_percent", Call(ethanol.volume_percent, {"mass_percent": 50})
    for function in (ethanol.mass_percent, ethanol.volume_fractions):
        yield f"ethanol.{function.__name__}", Call(function, {"volume_percent": 50})
    yield "ethanol.parse_strength", Call(ethanol.parse_strength, {"name": "ethanol 70 %"})


def _questions() -> Named:
    soda, parts = Application("US", "soft drinks", oil_mg_per_L=40), {"oil_parts": 1, "carrier_parts": 2}
    both = {"oil_or_name": "limonene", "carrier_or_blend": "MCT", **parts}
    drawn = {"draws": 8, "random_state": 0}
    yield "dissolve", Call(hspkit.dissolve, {**both, "celsius": 25, **drawn}, slow=True)
    yield (
        "ethanol_strength_to_clear",
        Call(hspkit.ethanol_strength_to_clear, {"oil_or_name": "limonene", "volumes": 5, "celsius": 20}, slow=True),
    )
    yield (
        "miscibility.interaction_radius",
        Call(miscibility.interaction_radius, {"oil_volume": 160, "carrier_volume": 100, "celsius": 25}),
    )
    yield "miscibility.check_parts", Call(miscibility.check_parts, parts)
    yield "miscibility.check_celsius", Call(miscibility.check_celsius, {"celsius": 25})
    for function in (miscibility.carrier_substances, miscibility.liquid_key):
        yield f"miscibility.{function.__name__}", Call(function, {"liquid": carrier("MCT")})
    yield "miscibility.oil_members", Call(miscibility.oil_members, {"subject": hspkit.oil("lavender")})
    yield "miscibility.stock_margin", Call(
        miscibility.stock_margin,
        {"subject": hspkit.oil("limonene"), "liquid": carrier("MCT"), **parts, "water_parts": 0.1, "celsius": 25,
         **drawn},
        slow=True,
    )  # fmt: skip
    yield (
        "miscibility.outcome_chances",
        Call(
            miscibility.outcome_chances,
            {"subject": hspkit.oil("limonene"), "liquid": carrier("MCT"), **parts, "water_parts": 0.1, "celsius": 25},
            slow=True,
        ),
    )
    members, ones = (substance("limonene"), substance("linalool")), np.array([0.5, 0.5])
    mixture = miscibility.Mixture.of([(1.0, members, ones)])
    scene = phases.StabilityAnalysis.of(mixture.fractions, mixture.volumes, mixture.hsp, sites=mixture.sites)
    yield (
        "Mixture.of",
        Call(
            lambda **group: miscibility.Mixture.of([tuple(group.values())]),
            {"share": 1.0, "members": members, "fractions": ones},
        ),
    )
    yield "Mixture.of, all groups", Call(miscibility.Mixture.of, {"groups": [(1.0, members, ones)]})
    yield "Mixture.rows", Call(mixture.rows, {"chosen": np.array([True, False])})
    yield "Mixture.shares_of", Call(mixture.shares_of, {"members": members, "fractions": ones})
    yield "Mixture.after", Call(mixture.after, {"belief": None})
    yield (
        "miscibility.margin_of",
        Call(miscibility.margin_of, {"mixture": mixture, "scene": scene, "belief": None, **drawn}),
    )
    yield "Margin.p_below", Call(miscibility.Margin(0.1, 0.5).p_below, {"edge": 1.0})
    ranking = hspkit.rank_carriers("limonene", carriers=["MCT", "triacetin"], application=soda)
    asked = {"include_alcohol": False, "celsius": 25, "progress": False}
    yield (
        "rank_carriers",
        Call(
            hspkit.rank_carriers,
            {"oil_or_name": "limonene", **parts, "application": soda, "carriers": ["MCT"], **asked},
            slow=True,
        ),
    )
    yield "Ranking.why", Call(ranking.why, {"name": "MCT"})
    yield "Ranking.row", Call(ranking.row, {"name": "MCT"})
    for form in ("csv", "html"):
        yield f"Ranking.to_{form}", Call(getattr(ranking, f"to_{form}"), {"path": f"ranking.{form}"}, slow=True)
    outcome = ranking.outcomes[0]
    yield (
        "dosing",
        Call(application.dosing, {**both, "application": soda, "basis": "volume", "celsius": 25, "outcome": outcome}),
    )
    yield "handling", Call(
        application.handling,
        {"oil_or_name": "lemon", "oil_mg_per_L": 10, "folds": (5,), "terpenes_removed": (0.9,),
         "liquid": carrier("MCT"), **parts, "ethanol_percent": 0},
        slow=True,
    )  # fmt: skip
    yield "batch_sheet", Call(
        hspkit.batch_sheet,
        {**both, "batch": "1 L", "application": soda, "basis": "volume", "celsius": 25, "prices": {"oil": 3},
         "currency": "EUR", "title": "lot 7"},
        slow=True,
    )  # fmt: skip
    sheet = hspkit.batch_sheet("limonene", "MCT")
    for form in ("text", "markdown", "csv", "html"):
        yield f"BatchSheet.to_{form}", Call(getattr(sheet, f"to_{form}"), {"path": f"sheet.{form}"}, slow=True)
    yield "BatchSheet.save", Call(sheet.save, {"path": "sheet.html"})
    named = {"MCT": 1.0, "triethyl citrate": 2.0}
    yield "best_blend", Call(
        hspkit.best_blend,
        {
            "oil_or_hsp": "limonene", "carriers": ["MCT", "triethyl citrate"], "max_carriers": 2, **parts,
            "application": soda, "max_viscosity": 50.0, "max_cost": 5.0, "keep": 3, "objective": "distance",
            "price_per_L": named, "increments_percent": 10, "min_share": {"MCT": 0.1}, "max_share": {"MCT": 0.9},
            "max_distance": 20.0, "min_p_clear": 0.8, "worst_case": 0.2, "within_taste": True, "celsius": 25,
            "random_state": 0,
        },
        slow=True,
    )  # fmt: skip
    yield (
        "best_blend, prices per kg",
        Call(
            hspkit.best_blend,
            {"oil_or_hsp": [17, 5, 8], "carriers": ["MCT", "triethyl citrate"], "price_per_kg": named},
            slow=True,
        ),
    )
    yield (
        "best_blend, surest",
        Call(
            hspkit.best_blend,
            {"oil_or_hsp": "limonene", "carriers": ["MCT", "triethyl citrate"], "objective": "clear", "celsius": 25},
            slow=True,
        ),
    )
    search = hspkit.best_blend("limonene", ["MCT", "triacetin"])
    yield "BlendSearch.why", Call(search.why, {"number": 0})
    yield "BlendSearch.sensitivity", Call(search.sensitivity, {"percent": 1.0}, slow=True)
    yield (
        "scale.dissolve_many",
        Call(
            scale.dissolve_many,
            {"questions": pd.DataFrame({"oil": ["limonene"], "carrier": ["MCT"]}), **drawn},
            slow=True,
        ),
    )
    cells = {"oil": "limonene", "carrier": "MCT", "oil_parts": 1.0, "celsius": 25.0}
    yield "scale.dissolve_many, a row", Call(_row, cells, slow=True)
    yield (
        "scale.estimate_partitions",
        Call(scale.estimate_partitions, {"smiles": ["CCO"], "client": "no", "npartitions": 1, "method": "calibrated"}),
    )
    yield (
        "scale.dissolve_partitions",
        Call(scale.dissolve_partitions, {"questions": pd.DataFrame([cells]), "client": "no", **drawn}),
    )


def _row(**cells: Any) -> pd.DataFrame:
    """Ask a question whose cells are what was given, whatever that is."""
    table = pd.DataFrame({name: pd.Series([None], dtype=object) for name in cells})
    for name, cell in cells.items():
        table[name].array[0] = cell
    return scale.dissolve_many(table, draws=8)


def _learning() -> Named:
    parts, trial = {"oil_parts": 1, "carrier_parts": 2}, Trial("triacetin", "clear")
    yield "learn", Call(hspkit.learn, {"oil_or_name": "limonene", "trials": [trial], "random_state": 0}, slow=True)
    lesson = hspkit.learn("limonene", [trial]).lesson
    yield "TrialPosterior.spread", Call(lesson.spread, {"name": "limonene"})
    yield "TrialPosterior.carrier", Call(lesson.carrier, {"name": "triacetin"})
    yield (
        "TrialPosterior.compare",
        Call(lesson.compare, {"carriers": ["MCT"], **parts, "celsius": 25, "random_state": 0}, slow=True),
    )
    yield "next_trial", Call(
        hspkit.next_trial,
        {"oil_or_name": "limonene", "carriers": ["MCT", "triacetin"], "trials": [], **parts, "celsius": 25,
         "decision": "clear", "ratios": [1.0], "water": [0.0], "random_state": 0},
        slow=True,
    )  # fmt: skip
    advice = hspkit.next_trial("limonene", ["MCT", "triacetin"], ratios=[1.0], water=[0.0])
    yield "NextTrial.trial", Call(advice.trial, {"outcome": "clear"})
    tried = [[17, 2, 4], [16, 1, 2], [20, 10, 20], [15, 15, 40]]
    seen = ["clear", "clear", "splits", "splits"]
    fit = SphereFit(random_state=0).fit(tried, seen)
    yield (
        "SphereFit",
        Call(
            lambda **given: SphereFit(**given).fit(tried, seen),
            {"random_state": 0, "criterion": "desirability", "bounds": [(10, 25), (0, 30), (0, 45)]},
            slow=True,
        ),
    )
    yield (
        "SphereFit.fit",
        Call(SphereFit(random_state=0).fit, {"hsp": tried, "outcomes": seen, "names": ["a", "b", "c", "d"]}, slow=True),
    )
    yield "SphereFit.interval", Call(fit.interval, {"level": 0.9})
    for method in (fit.predict_proba, fit.predict):
        yield f"SphereFit.{method.__name__}", Call(method, {"hsp": tried})
    alcohols = ["C" * n + "O" for n in range(1, 13)]
    known = {"smiles": alcohols, "hsp": [[15.8, 9, 20 - 0.5 * n] for n in range(12)], "volume": [40.0] * 12}
    model = GroupModel(folds=3).fit(**known)
    yield (
        "GroupModel",
        Call(
            lambda **given: GroupModel(**given).fit(**known),
            {"strength": 1.0, "likeness": 1.0, "folds": 3, "random_state": 0},
            slow=True,
        ),
    )
    yield "GroupModel.fit", Call(GroupModel(folds=3).fit, known, slow=True)
    yield "GroupModel.predict", Call(model.predict, {"smiles": ["CCO"]}, slow=True)


def _figures() -> Named:
    from matplotlib.figure import Figure

    def on(function: Callable[..., Any], projection: str | None = None) -> Callable[..., Any]:
        """Give the function Axes of its own at each call, unless the slip is about them."""

        def draw(**given: Any) -> Any:
            if isinstance(given["ax"], str) and given["ax"] == "fresh":
                given["ax"] = Figure().add_subplot(projection=projection)
            return function(**given)

        return draw

    ax, parts = {"ax": "fresh"}, {"oil_parts": 1, "carrier_parts": 2}
    soda = Application("US", "soft drinks", oil_mg_per_L=40)
    ranking = hspkit.rank_carriers("limonene", carriers=["MCT", "triacetin"], application=soda)
    some = {"oil_or_name": "limonene", "carriers": ["MCT"], **ax, "ranking": ranking}
    yield "plotting.map", Call(on(plotting.map), {**some, **parts}, slow=True)
    yield "plotting.distance_fan", Call(on(plotting.distance_fan), some, slow=True)
    looked = {"radius": 8.0, "elevation": 20, "azimuth": -58}
    yield "plotting.sphere", Call(on(plotting.sphere, "3d"), {**some, **looked}, slow=True)
    yield "plotting.ranking", Call(on(plotting.ranking), {"ranking": ranking, **ax}, slow=True)
    yield "plotting.dose", Call(on(plotting.dose), {"ranking": ranking, **ax}, slow=True)
    yield (
        "plotting.phase_triangle",
        Call(
            on(plotting.phase_triangle),
            {"oil_or_name": "limonene", "carrier_or_blend": "MCT", **ax, **parts, "diluent": "water", "celsius": 25},
            slow=True,
        ),
    )
    ends = {"asked": "limonene", "first": "MCT", "second": "triacetin"}
    yield (
        "plotting.blend_path",
        Call(
            on(plotting.blend_path), {**ends, **ax, **parts, "price_per_L": {"MCT": 1.0, "triacetin": 2.0}}, slow=True
        ),
    )
    yield (
        "plotting.blend_triangle",
        Call(on(plotting.blend_triangle), {**ends, "third": "glycerol", **ax, **parts}, slow=True),
    )
    yield (
        "plotting.group_contributions",
        Call(on(plotting.group_contributions), {"molecule": "CC(=O)OCC", **ax, "name": "ethyl acetate"}, slow=True),
    )
    table = pd.DataFrame({"measured": [1.0, 2.0], "predicted": [1.5, 2.0], "sd": [0.1, 0.2]})
    columns = {"measured": "measured", "predicted": "predicted", "sd": "sd", "quantity": "value", "unit": "-"}
    yield "plotting.parity", Call(on(plotting.parity), {"table": table, **ax, **columns, "out_of_sample": True}, True)
    happened = pd.DataFrame({"probability": [0.05, 0.95], "happened": [False, True]})
    yield "plotting.reliability", Call(
        on(plotting.reliability),
        {"table": happened, **ax, "probability": "probability", "happened": "happened", "event": "clear", "bins": 10,
         "out_of_sample": True},
        slow=True,
    )  # fmt: skip
    fit = SphereFit(random_state=0).fit([[17, 2, 4], [16, 1, 2], [20, 10, 20]], ["clear", "clear", "splits"])
    yield "plotting.sphere_fit", Call(on(plotting.sphere_fit), {"fit": fit, **ax, "random_state": 0}, slow=True)
    axes = Figure().add_subplot()
    yield "plotting.save", Call(plotting.save, {"axes": axes, "path": "figure.png", "dpi": 50}, slow=True)
