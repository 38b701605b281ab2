"""Fit the shipped model to the open tables and write ``datasets/groups/``.

Run ``python -m hspkit.workshop.group_fit``; it needs the development package ``chemicals`` and a checkout.
Numbers are written with six significant digits, and all random choices are seeded, so that a second run
writes the same bytes.
"""

from __future__ import annotations

from pathlib import Path

from hspkit.errors import DataFileError
from hspkit.estimation import coefficients
from hspkit.estimation.likeness import is_other
from hspkit.estimation.model import GroupModel
from hspkit.estimation.series import folds_of
from hspkit.workshop.open_data import hansen_table, liquid_volumes

__all__ = ["calibrate", "main"]

#: Seed that deals series to the folds from which error bars are learnt.
SEED = 0
FOLDS = 10


def calibrate() -> dict[str, str]:
    """Return the texts of the coefficient tables by name, fitted afresh."""
    plan = coefficients.design()
    liquids = liquid_volumes()
    counted = plan.table.count(liquids.molecules)
    fold = folds_of([molecule.graph for molecule in liquids.molecules], FOLDS, SEED)
    volumes, _ = coefficients.fit_volumes(counted.counts, is_other(counted.batch), liquids.volume, fold)
    volumes = coefficients.volume_tables(volumes)
    known = hansen_table()
    model = GroupModel(folds=FOLDS, random_state=SEED)
    fold = folds_of([molecule.graph for molecule in known.molecules], FOLDS, SEED)
    model.fit_counted(plan.table.count(known.molecules), known.hsp, volumes, fold)
    return coefficients.tables_of(model, [molecule.smiles for molecule in known.molecules])


def main() -> None:
    """Write the tables into the checkout."""
    folder = Path(__file__).resolve().parents[2] / "datasets"
    if not (folder / "SOURCES.md").is_file():
        message = f"no checkout at {folder.parent}; run this command inside a checkout of the repository"
        raise DataFileError(message)
    for name, text in calibrate().items():
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
        print(f"{name}: {len(text.splitlines())} lines")


if __name__ == "__main__":
    main()
