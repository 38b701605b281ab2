"""``python -m hspkit.workshop.solids`` fits entropies of fusion to measured solubilities and says how well they do.

At a measured solubility the activity of the solid is that of its crystal, so each point gives, through the same free
energy that predicts, the entropy of fusion that would explain it. Those entropies are fitted by what a structure shows
(a robust line, each solid counting once). The figures are for solids that were left out of the fit.
"""

from __future__ import annotations

import argparse
import csv
import io
import warnings
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import data, phases
from hspkit.crystal import ESTIMATED_SHARE, fusion_features, is_zwitterion
from hspkit.errors import ExtrapolationWarning, HspkitError
from hspkit.evidence.facts import WATER, facts, liquids
from hspkit.phases.crystals import crystal_point, ln_crystal
from hspkit.saturation import DEGREES_OF_FREEDOM, misfit_log10
from hspkit.substances import Substance, substance

__all__ = ["Points", "fitted", "held_out", "main", "read_points"]

Array = NDArray[np.float64]

TERMS = ("rigid", "turning bonds", "size", "other elements", "further acids", "cage")
#: Temperatures of the points that are used [degC]: near room temperature, where the theory is judged elsewhere.
CELSIUS = (20.0, 30.0)
FOLDS = 10
#: Residual of ln of the activity from which on a point counts less [-].
_TAIL = 1.0
#: Heavy atoms of a small molecule [-].
_SMALL = 14


class Points(NamedTuple):
    """Measured solubilities (m,) [degC; -] with ln of the activity of the solid, and structure terms (m, 6)."""

    solids: tuple[Substance, ...]
    solvents: tuple[Substance, ...]
    celsius: Array
    mole_fraction: Array
    melting: Array
    ln_activity: Array
    features: Array


def read_points() -> Points:
    """Return the points of ``solid_solubility.csv`` that the theory can speak of."""
    known: dict[str, Substance | None] = {}

    def named(text: str) -> Substance | None:
        if text not in known:
            try:
                known[text] = substance(text)
            except HspkitError:
                known[text] = None  # beyond the reach of estimates
        return known[text]

    # what water takes up of a listed solid may be evidence on it; then it does not judge
    evident = {liquids().names[fact.a] for fact in facts() if fact.kind in ("water solubility", "log P")}
    kept = []
    for row in data.read_table("solid_solubility.csv").rows:
        if row["melting_celsius"] is None or not CELSIUS[0] <= row["celsius"] <= CELSIUS[1] or "." in row["smiles"]:
            continue
        solid, solvent = (None if is_zwitterion(row["smiles"]) else named(row["smiles"])), named(row["solvent"])
        if solid is None or solvent is None or (solvent.name == WATER and solid.identity in evident):
            continue
        x = row["mole_fraction"]
        amounts = np.array([(1.0 - x) * solvent.volume, x * solid.volume])
        ln = phases.ln_activity(amounts / amounts.sum(), *_of(solvent, solid), celsius=row["celsius"],
                                sites=_sites(solvent, solid))  # fmt: skip
        kept.append(
            (solid, solvent, row["celsius"], x, row["melting_celsius"], float(ln[1]), fusion_features(row["smiles"]))
        )
    columns = list(zip(*kept, strict=True))
    return Points(columns[0], columns[1], *(np.array(column, dtype=float) for column in columns[2:]))


def _of(solvent: Substance, solid: Substance) -> tuple[Array, Array]:
    return np.array([solvent.volume, solid.volume]), np.array([solvent.hsp.array, solid.hsp.array])


def _sites(solvent: Substance, solid: Substance) -> phases.Sites:
    return phases.Sites.joined([solvent.sites, solid.sites])


def _weights(points: Points) -> Array:
    names = [solid.identity for solid in points.solids]
    return np.array([1.0 / np.sqrt(names.count(name)) for name in names])


def fitted(points: Points, rows: NDArray[np.bool_]) -> Array:
    """Return the coefficients [J/(mol K)] that explain some of the points."""
    factor = -ln_crystal(points.celsius, points.melting, 1.0)
    matrix, goal, weight = (points.features * factor[:, None])[rows], -points.ln_activity[rows], _weights(points)[rows]
    tail = np.ones(len(goal))
    answer = np.zeros(matrix.shape[1])
    for _ in range(50):
        scale = weight * tail
        answer[:] = np.linalg.lstsq(matrix * scale[:, None], goal * scale, rcond=None)[0]
        tail = 1.0 / np.sqrt(np.maximum(np.abs(goal - matrix @ answer), _TAIL))
    return answer


def held_out(points: Points) -> tuple[Array, Array]:
    """Return log10 of computed over measured mole fractions, and entropies [J/(mol K)], of solids left out."""
    names = sorted({solid.identity for solid in points.solids})
    fold = dict(zip(names, np.random.default_rng(0).permutation(len(names)) % FOLDS, strict=True))
    folds = np.array([fold[solid.identity] for solid in points.solids])
    off, entropies = np.zeros(len(folds)), np.zeros(len(folds))
    for k in range(FOLDS):
        coefficients = fitted(points, folds != k)
        for row in np.flatnonzero(folds == k):
            solid, solvent = points.solids[row], points.solvents[row]
            entropies[row] = max(5.0, float(points.features[row] @ coefficients))
            edge = [np.inf, float(ln_crystal(points.celsius[row], points.melting[row], entropies[row]))]
            volumes, hsp = _of(solvent, solid)
            share = float(
                crystal_point([1, 0], [0, 1], volumes, hsp, edge, celsius=points.celsius[row],
                              sites=_sites(solvent, solid)).fraction
            )  # fmt: skip
            moles = np.array([1.0 - share, share]) / volumes
            off[row] = np.log10(moles[1] / moles.sum() / points.mole_fraction[row])
    return off, entropies


def _print(points: Points, off: Array, entropies: Array) -> None:
    from scipy.stats import spearmanr, t

    heavy = np.array([_heavy(solid.smiles) for solid in points.solids])
    small = (heavy <= _SMALL) & (points.features[:, 3] == 0)
    names = np.array([solvent.name for solvent in points.solvents])
    sd = np.hypot(
        ESTIMATED_SHARE * entropies * -ln_crystal(points.celsius, points.melting, 1.0) / np.log(10.0),
        [misfit_log10(name) for name in names],
    )
    covered = np.abs(off) < t.ppf(0.95, DEGREES_OF_FREEDOM) * sd
    computed = np.log10(points.mole_fraction) + off
    print(f"log10 of computed over measured mole fractions at {CELSIUS[0]:g} to {CELSIUS[1]:g} C, solids left out")
    print("| which | points | mean | median | bias | rank | in the 90 % interval |\n|---|---|---|---|---|---|---|")
    groups = {"all but zwitterions": np.ones(len(off), dtype=bool), "C, H, O, at most 14 heavy atoms": small}
    groups |= {f"in {name}": names == name for name in ("ethanol", "ethyl acetate", "water", "propylene glycol")}
    for name, rows in groups.items():
        rank = float(spearmanr(computed[rows], points.mole_fraction[rows]).statistic)
        away = np.abs(off[rows])
        print(f"| {name} | {rows.sum()} | {away.mean():.2f} | {np.median(away):.2f} | {off[rows].mean():+.2f} | "
              f"{rank:.2f} | {covered[rows].mean():.2f} |")  # fmt: skip


def _heavy(smiles: str) -> int:
    from rdkit import Chem

    return int(Chem.MolFromSmiles(smiles).GetNumHeavyAtoms())


def main() -> None:
    """Fit, print the figures, and write ``fusion_entropy.csv``."""
    parser = argparse.ArgumentParser(description=main.__doc__)
    parser.add_argument("--dry-run", action="store_true", help="print only")
    options = parser.parse_args()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)
        points = read_points()
        _print(points, *held_out(points))
        values = fitted(points, np.ones(len(points.celsius), dtype=bool))
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("term", "J_per_mol_K", "source"))
    writer.writerows((term, f"{value:.1f}", "fusion-fit") for term, value in zip(TERMS, values, strict=True))
    print("\n| term | entropy of fusion [J/(mol K)] |\n|---|---|")
    print("\n".join(f"| {term} | {value:.1f} |" for term, value in zip(TERMS, values, strict=True)))
    if not options.dry_run:
        (Path(str(data.folder())) / "fusion_entropy.csv").write_text(text.getvalue(), encoding="utf-8")


if __name__ == "__main__":
    main()
