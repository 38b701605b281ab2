"""Facts that hydrogen bonds decide when they are diluted or warmed: water in liquids and ternaries, temperature."""

from __future__ import annotations

import warnings
from collections import defaultdict
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from hspkit import data
from hspkit.calibration import Calibration
from hspkit.errors import ExtrapolationWarning
from hspkit.evidence.facts import ACTIVITY_CELSIUS, WATER, Fact, facts, liquids
from hspkit.evidence.pair import PairOfLiquids, strength
from hspkit.evidence.shipped import fit_shipped
from hspkit.phases import titration
from hspkit.phases.mixture import gather
from hspkit.phases.search import search
from hspkit.phases.splitting import arrange
from hspkit.phases.splitting import solve as separate
from hspkit.workshop.scores import rank_correlation

__all__ = ["print_bonds", "uptake_error"]

Array = NDArray[np.float64]

#: Compositions and temperatures at which the index of a pair is looked at for a consolute temperature. [-; degC]
FRACTIONS = np.concatenate([np.linspace(0.005, 0.05, 8), np.linspace(0.06, 0.94, 40), np.linspace(0.95, 0.995, 8)])
TEMPERATURES = np.arange(-60.0, 200.0, 1.0)
#: Least range of temperatures, and most scatter about a straight line, of activities that show a slope. [K; -]
LEAST_RANGE, MOST_SCATTER = 15.0, 0.15


def uptake_error(hsp: Array, constants: Calibration, fact: Fact) -> float:
    """Return ln of the volume fraction of a liquid that another takes up, computed over measured."""
    shipped = liquids()
    rows = [fact.a, fact.b]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        mixtures = gather(
            [0.5, 0.5], shipped.volumes[rows], hsp[rows], fact.celsius, sites=shipped.sites(rows), constants=constants
        )
    found = arrange(mixtures, *separate(mixtures, search(mixtures)))
    return float(np.log(np.nanmin(found.fractions[..., 0])) - fact.value)


def _pair(a: int, b: int, fractions: Sequence[float] | Array, constants: Calibration, celsius: float) -> PairOfLiquids:
    shipped = liquids()
    return PairOfLiquids(shipped.volumes[[a, b]], shipped.sites([a, b]), fractions, constants, celsius)


def _exchange(hsp: Array, a: int, b: int, constants: Calibration, celsius: float) -> float:
    return float(((hsp[a] - hsp[b]) ** 2 * strength(celsius, constants)).sum())


def ternary_errors(hsp: Array, constants: Calibration) -> dict[str, Array]:
    """Return ln of the water that each ternary takes up to its cloud point, computed over measured, by system."""
    shipped = liquids()
    water, errors = shipped.row(WATER), defaultdict(list)
    for line in data.read_table("ternary_cloud_points.csv").rows:
        rows = [shipped.row(line["alcohol"]), shipped.row(line["hydrocarbon"]), water]
        mass = np.array([line["alcohol_mass_fraction"], line["hydrocarbon_mass_fraction"], 0.0])
        volumes = mass * shipped.volumes[rows] / shipped.molar_masses[rows]
        mixture = gather(
            volumes / volumes.sum(), shipped.volumes[rows], hsp[rows], line["celsius"], sites=shipped.sites(rows),
            constants=constants,
        )  # fmt: skip
        share = float(titration.solve(mixture, np.array([[0.0, 0.0, 1.0]]))[0][0])
        density = shipped.molar_masses[rows] / shipped.volumes[rows]
        dry = float((1.0 - share) * (density * mixture.fractions[0]).sum())
        found = share * density[2] / (share * density[2] + dry)
        errors[f"{line['alcohol']} + {line['hydrocarbon']}"].append(np.log(found / line["water_mass_fraction"]))
    return {system: np.array(values) for system, values in errors.items()}


def consolute(hsp: Array, constants: Calibration, a: int, b: int) -> float:
    """Return the highest temperature at which two liquids part; NaN when they part at none looked at. [degC]"""
    apart = [_pair(a, b, FRACTIONS, constants, t).index(_exchange(hsp, a, b, constants, t)) > 1.0 for t in TEMPERATURES]
    return float(TEMPERATURES[apart].max()) if any(apart) else float("nan")


def activity_slopes(hsp: Array, constants: Calibration) -> tuple[Array, Array]:
    """Return d ln gamma/dT of pairs that were measured at several temperatures, measured and computed. [1/K]"""
    shipped = liquids()
    groups: dict[tuple[int, int], list[tuple[float, float]]] = defaultdict(list)
    for line in data.read_table("activities.csv").rows:
        if ACTIVITY_CELSIUS[0] <= line["celsius"] <= ACTIVITY_CELSIUS[1] + 5.0:
            pair = shipped.row(line["solute"]), shipped.row(line["solvent"])
            groups[pair].append((line["celsius"], line["ln_gamma_infinite"]))
    measured, computed = [], []
    for (a, b), values in groups.items():
        warmth, ln_gamma = np.array(values).T
        if np.ptp(warmth) < LEAST_RANGE:
            continue
        slope, level = np.polyfit(warmth, ln_gamma, 1)
        if np.std(ln_gamma - (slope * warmth + level)) > MOST_SCATTER:
            continue
        ends = []
        for celsius in (warmth.mean() - 20.0, warmth.mean() + 20.0):
            dilute = _pair(a, b, [0.0], constants, celsius)
            ends.append(dilute.ln_gamma[0, 0] + dilute.slopes[0, 0] * _exchange(hsp, a, b, constants, celsius))
        measured.append(slope)
        computed.append((ends[1] - ends[0]) / 40.0)
    return np.array(measured), np.array(computed)


def print_bonds(hsp: Array, constants: Calibration) -> None:
    """Print water in ternaries, ethanol in water and how mixtures answer to temperature."""
    shipped = liquids()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        errors = ternary_errors(hsp, constants)
        every = np.concatenate(list(errors.values()))
        print(
            f"\nwater at the cloud point of ternaries, ln of computed over measured (never evidence): mean error"
            f" {np.abs(every).mean():.2f}, bias {every.mean():+.2f}, n = {every.size}"
        )
        for system, values in errors.items():
            print(f"  {system:<24} mean {values.mean():+.2f}, n = {values.size}")
        ethanol, water = shipped.row("ethanol"), shipped.row(WATER)
        w = _exchange(hsp, ethanol, water, constants, 25.0)
        equal = shipped.volumes[ethanol] / shipped.volumes[[ethanol, water]].sum()
        ends = _pair(ethanol, water, [0.0, equal, 1.0], constants, 25.0)
        ln_gamma = ends.ln_gamma + w * ends.slopes
        print(
            f"ethanol and water: excess energy {ln_gamma[1].mean():.2f} RT at equal moles (0.34 measured), ln gamma at"
            f" infinite dilution {ln_gamma[0, 0]:.2f} of ethanol in water, {ln_gamma[2, 1]:.2f} of water in ethanol"
        )
        measured, computed = activity_slopes(hsp, constants)
        print(
            f"\nd ln gamma/dT of {measured.size} pairs, per 100 K: mean {100 * measured.mean():+.2f} measured,"
            f" {100 * computed.mean():+.2f} computed, mean error {100 * np.abs(computed - measured).mean():.2f}, rank"
            f" {rank_correlation(computed, measured):.2f}"
        )
        unseen = fit_shipped([fact for fact in facts() if fact.kind != "consolute temperature"], constants).hsp
        away = []
        print("upper consolute temperatures (stated; computed by parameters fitted without them) [degC]")
        for line in data.read_table("consolute_temperatures.csv").rows:
            found = consolute(unseen, constants, shipped.row(line["a"]), shipped.row(line["b"]))
            away.append(abs(found - line["upper_celsius"]) if np.isfinite(found) else np.inf)
            said = f"{found:.0f}" if np.isfinite(found) else "mix at all"
            print(f"  {line['a'] + ' + ' + line['b']:<40} {line['upper_celsius']:.0f}; {said}")
        print(f"  median error {np.median(away):.0f} K")
