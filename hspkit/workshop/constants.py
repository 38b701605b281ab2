"""``python -m hspkit.workshop.constants`` finds the constants of the theory and of its misfit.

Largest marginal likelihood of all shipped evidence (Laplace), by a search along one constant after the
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

from hspkit import data
from hspkit.calibration import Calibration, calibration
from hspkit.evidence.facts import WATER, Fact, facts, liquids
from hspkit.evidence.shipped import fit_shipped
from hspkit.phases.mixture import gather
from hspkit.phases.search import verdicts

__all__ = ["ethanol_limit", "main", "search"]

Array = NDArray[np.float64]

GRIDS: dict[str, tuple[float, ...]] = {
    "alpha": (0.62, 0.66, 0.70, 0.74, 0.78, 0.82),
    "weight_polar": (0.25, 0.29, 0.33, 0.37, 0.42),
    "bond_strength": (1300.0, 1600.0, 2000.0, 2500.0, 3100.0),
    "bond_enthalpy": (16000.0, 20000.0, 24000.0, 28000.0),
    "sd_activity": (0.1, 0.13, 0.17, 0.22, 0.28),
    "sd_water_solubility": (0.35, 0.45, 0.55, 0.65, 0.75),
    "sd_liquid_solubility": (0.1, 0.15, 0.2, 0.3, 0.4),
    "sd_transfer": (0.1, 0.2, 0.3, 0.5),
    "sd_log_p": (0.55, 0.65, 0.75, 0.85, 0.95),
    "sd_internal_bond": (0.0, 0.5, 1.0, 1.5, 2.0),
    "sd_total": (0.4, 0.5, 0.6, 0.7, 0.8),
    "sd_mixing": (0.06, 0.08, 0.1, 0.12, 0.15, 0.2),
    "published_sd_d": (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.2),
    "published_sd_p": (1.6, 2.2, 2.5, 2.8),
    "published_sd_h": (1.9, 2.2, 2.5, 2.8, 3.2),
    "water_sd_scale": (1.0, 2.0, 3.0, 4.0, 6.0),
    "polyol_sd_scale": (1.0, 1.5, 2.0, 3.0),
    "estimate_sd_scale": (1.0, 1.2, 1.5, 1.8),
    "shared_deviation": (0.0, 0.8, 0.9, 0.95, 0.98),
    "similarity_length": (0.15, 0.2, 0.25, 0.3, 0.4),
}
#: Constants whose standard deviation is taken from the curvature of the score.
SMOOTH = ("alpha", "bond_strength")
LIMIT_STEP = 0.005
#: Values of a constant whose log likelihoods differ by less are not told apart by the evidence: it keeps its value.
ROUGHNESS = 2.0
#: Factors by which a strength of a site is changed.
SITE_STEPS = (0.7, 1.4)


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
    density = shipped.molar_masses[rows] / shipped.volumes[rows]
    ethanol = np.arange(0.2, 0.96, LIMIT_STEP)
    share = np.linspace(0.03, 0.9, 20)[:, None]
    mass = np.stack([(1.0 - ethanol) * (1.0 - share), ethanol + 0.0 * share, (1.0 - ethanol) * share], axis=-1)
    volumes = (mass / density).reshape(-1, 3)
    volumes /= volumes.sum(axis=1, keepdims=True)
    clear = verdicts(
        gather(volumes, shipped.volumes[rows], hsp[rows], celsius, sites=shipped.sites(rows), constants=constants)
    )
    cloudy = mass.reshape(-1, 3)[~clear, 1]
    return float(cloudy.max()) if cloudy.size else float(ethanol[0])


def score(used: Sequence[Fact], constants: Calibration, start: Array | None = None) -> tuple[float, Array]:
    """Return the log marginal likelihood of evidence, and the parameters it goes with."""
    found = fit_shipped(used, constants, start=start, tolerance=0.01)
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
        # less does not tell the values apart
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
    """Print what the log likelihood loses when one strength of ``hydrogen_bond_sites.csv`` is changed by the steps."""
    shipped, rows = liquids(), data.read_table("hydrogen_bond_sites.csv").rows
    best, start = score(facts(), constants)
    for place, row in enumerate(rows):
        for column, name in enumerate(("donors", "donor_strength", "acceptors", "acceptor_strength")):
            if column % 2 == 0 or shipped.site_numbers[place, column] == 0:
                continue
            found = []
            for step in SITE_STEPS:
                numbers = shipped.site_numbers.copy()
                numbers[place, column] *= step
                changed = shipped._replace(site_numbers=numbers)
                fit = fit_shipped(facts(), constants, start=start, tolerance=0.01, shipped=changed)
                found.append(f"x{step:g} {fit.log_evidence - best:+.1f}")
            print(f"{row['note'][:50]:<50} {name:<18} {row[name]:<7g} {'  '.join(found)}", flush=True)


def main() -> None:
    """Search, print the score along each constant, and write the table."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--dry-run", action="store_true", help="print only")
    parser.add_argument("--rounds", type=int, default=2, help="rounds over all constants")
    parser.add_argument("--sites", action="store_true", help="print only how each site strength matters (slow)")
    options = parser.parse_args()
    constants = calibration()
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
