"""``python -m hspkit.workshop.constants`` finds the constants of the theory and of its misfit.

Largest marginal likelihood of all shipped evidence (`joint.fit`, Laplace), by a search along one constant after the
other over the grids below; two rounds. No alcohol test, no ternary and no carrier statement is looked at.
"""

from __future__ import annotations

import argparse
import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from hspkit import data, phases, theory
from hspkit.bonds import site_counts
from hspkit.evidence import joint
from hspkit.evidence.facts import WATER, Fact, facts, liquids
from hspkit.theory import Calibration

__all__ = ["ethanol_limit", "main", "search"]

Array = NDArray[np.float64]

GRIDS: dict[str, tuple[float, ...]] = {
    "alpha": (0.60, 0.63, 0.66, 0.69, 0.72, 0.76),
    "weight_polar": (0.25, 0.31, 0.38, 0.42, 0.46, 0.52),
    "weight_hydrogen": (0.06, 0.08, 0.09, 0.106, 0.12, 0.14, 0.2, 0.25),
    "weight_sites": (0.0, 0.02, 0.03, 0.036, 0.043, 0.05, 0.06),
    "hydroxyl_association": (0.0, 6.0, 9.0, 10.0, 11.0, 12.0, 13.0, 14.0, 16.0, 20.0),
    "sd_activity": (0.1, 0.15, 0.2, 0.25, 0.3),
    "sd_water_solubility": (0.4, 0.5, 0.6, 0.7, 0.8),
    "sd_log_p": (0.6, 0.7, 0.8, 0.9, 1.0),
    "sd_internal_bond": (0.0, 1.0, 1.5, 2.0, 2.5),
    "sd_total": (0.4, 0.5, 0.6, 0.7, 0.8),
    "sd_mixing": (0.08, 0.1, 0.12, 0.15, 0.2, 0.25, 0.3),
    "published_sd_d": (0.4, 0.5, 0.6, 0.7, 0.9),
    "published_sd_p": (1.6, 2.2, 2.5, 2.8),
    "published_sd_h": (1.6, 1.9, 2.2, 2.5, 2.8),
    "water_sd_scale": (1.0, 2.0, 3.0, 4.0, 6.0),
    "estimate_sd_scale": (1.0, 1.2, 1.5, 1.8),
    "shared_deviation": (0.0, 0.7, 0.8, 0.9, 0.95, 0.98),
    "likeness_length": (0.15, 0.2, 0.25, 0.3, 0.4),
}
#: Constants whose standard deviation is taken from the curvature of the score.
SMOOTH = ("alpha", "hydroxyl_association")
LIMIT_STEP = 0.005
#: Difference of two log likelihoods that the stopping of the fits may make.
ROUGHNESS = 0.3
#: Factors on a site strength at which the log likelihood is printed.
SITE_FACTORS = (2.0 / 3.0, 1.5)


def ethanol_limit(hsp: Array, constants: Calibration, name: str, celsius: float) -> float:
    """Return the mass fraction of ethanol above which water, ethanol and a substance form one liquid in any ratio.

    Parameters
    ----------
    hsp : ndarray of shape (n, 3)
        Parameters of all shipped substances. [MPa^0.5]
    constants : Calibration
        Constants of the theory. [-]
    name : str
        The substance, as in ``substances.csv``. [-]
    celsius : float
        Temperature. [degC]
    """
    shipped = liquids()
    rows = [shipped.row(WATER), shipped.row("ethanol"), shipped.row(name)]
    mixing = joint.mixing_volumes(constants)
    density = shipped.molar_masses[rows] / shipped.volumes[rows]
    ethanol = np.arange(0.2, 0.96, LIMIT_STEP)
    share = np.linspace(0.03, 0.9, 20)[:, None]
    mass = np.stack([(1.0 - ethanol) * (1.0 - share), ethanol + 0.0 * share, (1.0 - ethanol) * share], axis=-1)
    volumes = (mass / density).reshape(-1, 3)
    volumes /= volumes.sum(axis=1, keepdims=True)
    points = theory.shipped_scale(shipped.points(hsp)[rows], constants)
    clear = phases.stable(volumes, mixing[rows], points, celsius=celsius, alpha=constants.alpha)
    cloudy = mass.reshape(-1, 3)[~clear, 1]
    return float(cloudy.max()) if cloudy.size else float(ethanol[0])


def score(used: Sequence[Fact], constants: Calibration, start: Array | None = None) -> tuple[float, Array]:
    """Return the log marginal likelihood of evidence, and the parameters it goes with."""
    found = joint.fit(used, constants, start=start, tolerance=0.01)
    return found.log_evidence, found.hsp


def search(
    used: Sequence[Fact], constants: Calibration, names: Sequence[str], start: Array
) -> Iterator[tuple[str, Calibration, dict[float, float]]]:
    """Move one constant after the other to the grid value of largest likelihood; yield each with its profile.

    Parameters
    ----------
    used : sequence of Fact
        The evidence. [-]
    constants : Calibration
        Where the search starts. [-]
    names : sequence of str
        The constants that move. [-]
    start : ndarray of shape (n, 3)
        Parameters of all substances from which each fit starts. [MPa^0.5]

    Yields
    ------
    tuple of (str, Calibration, dict)
        The constant, all constants after its move, and the log likelihood at each value of its grid.
    """
    best = score(used, constants, start)[0]
    for name in names:
        now = getattr(constants, name)
        profile = {x: best if x == now else score(used, constants._replace(**{name: x}), start)[0] for x in GRIDS[name]}
        value = max(profile, key=profile.__getitem__)
        # A gain of less is the roughness of the search itself.
        if profile[value] > best + ROUGHNESS:
            constants, best = constants._replace(**{name: value}), profile[value]
        yield name, constants, profile


def _width(profile: dict[float, float]) -> float:
    """Return the standard deviation that the parabola through the top of a profile means."""
    x, y = np.array(list(profile)), np.array(list(profile.values()))
    near = y > y.max() - 8.0
    curve = np.polyfit(x[near], y[near], 2)[0] if near.sum() >= 3 else 0.0
    return float(np.sqrt(-0.5 / curve)) if curve < 0 else float("nan")


def _table(constants: Calibration, spread: dict[str, float]) -> str:
    shipped = data.read_table("calibration.csv").rows
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([column.column for column in data.columns("calibration.csv")])
    for row in shipped:
        name = row["constant"]
        sd = "" if not np.isfinite(spread.get(name, np.nan)) else f"{spread[name]:.2g}"
        value = f"{getattr(constants, name):g}" if name in GRIDS else f"{row['value']:g}"
        writer.writerow([name, value, sd, row["unit"], row["fitted_on"], row["source"], row["meaning"]])
    return out.getvalue()


def scan_sites(constants: Calibration) -> None:
    """Print the log likelihood when one strength of ``hydrogen_bond_sites.csv`` is a third less, or half as much more.

    The strengths that ship are rounded numbers near the top of these profiles, set by hand from them.
    """
    shipped, rows = liquids(), data.read_table("hydrogen_bond_sites.csv").rows
    counts = np.array([site_counts(smiles) for smiles in shipped.smiles]) * (1000.0 / shipped.volumes)[:, None]
    strengths = np.array([[row["donor"], row["acceptor"]] for row in rows])
    best, start = score(facts(), constants)
    print(f"shipped strengths: {best:.2f}; change of the log likelihood with other strengths")
    for place, row in enumerate(rows):
        for side, what in enumerate(("donor", "acceptor")):
            if strengths[place, side] == 0.0:
                continue
            profile = []
            for factor in SITE_FACTORS:
                tried = strengths.copy()
                tried[place, side] *= factor
                found = joint.fit(facts(), constants, start=start, sites=counts @ tried, tolerance=0.01)
                profile.append(f"{tried[place, side]:.3g}: {found.log_evidence - best:+.1f}")
            print(f"{row['pattern']:<32} {what:<9} {strengths[place, side]:<5g} {'  '.join(profile)}", flush=True)


def main() -> None:
    """Search, print the score along each constant, and write the table."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--dry-run", action="store_true", help="print only")
    parser.add_argument("--rounds", type=int, default=2, help="rounds over all constants")
    parser.add_argument("--sites", action="store_true", help="print only how each site strength matters")
    options = parser.parse_args()
    constants = theory.calibration()
    if options.sites:
        scan_sites(constants)
        return
    best, start = score(facts(), constants)
    print(f"shipped constants: {best:.2f}")
    spread: dict[str, float] = {}
    for turn in range(options.rounds):
        for name, moved, profile in search(facts(), constants, tuple(GRIDS), start):
            constants = moved
            if name in SMOOTH:
                spread[name] = _width(profile)
            best = max(profile.values())
            line = "  ".join(f"{x:g}: {y - best:.1f}" for x, y in profile.items())
            print(f"round {turn + 1}  {name:<20} {getattr(constants, name):<6g} {line}", flush=True)
    print(f"best: {best:.2f}  {constants}  sd {spread}")
    if not options.dry_run:
        place = Path(str(data.folder())) / "calibration.csv"
        place.write_text(_table(constants, spread), encoding="utf-8")
        print(f"{place} written; now run python -m hspkit.workshop.reconciled")


if __name__ == "__main__":
    main()
