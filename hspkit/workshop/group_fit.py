"""Fit the shipped model to the open tables and write ``datasets/groups/``.

Run ``python -m hspkit.workshop.group_fit``; it needs the development package ``chemicals`` and a checkout.
Numbers are written with six significant digits, and all random choices are seeded, so that a second run
writes the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from hspkit.errors import DataFileError
from hspkit.estimation import coefficients, spread
from hspkit.estimation.coefficients import ANCHOR_WEIGHTS, ANCHORS, CONSTANTS, LETTERS, SOURCE, SPREAD_NAMES, VALUES
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
    volumes = _as_in_tables(volumes)
    known = hansen_table()
    model = GroupModel(folds=FOLDS, random_state=SEED)
    fold = folds_of([molecule.graph for molecule in known.molecules], FOLDS, SEED)
    model.fit_counted(plan.table.count(known.molecules), known.hsp, volumes, fold)
    return _tables_of(model, [molecule.smiles for molecule in known.molecules])


def _digits(value: float) -> str:
    """Write a number with six significant digits, the same text on every machine."""
    text = f"{value:.6g}"
    return "0" if text == "-0" else text


def _as_in_tables(volumes: coefficients.Volumes) -> coefficients.Volumes:
    """Return volumes rounded as the tables hold them, so that all that follows is fitted with what ships."""
    digits: Callable[[Any], NDArray[np.float64]] = np.vectorize(lambda value: float(_digits(value)), otypes=[float])
    return volumes._replace(
        constant=float(digits(volumes.constant)), plain=digits(volumes.plain), other=digits(volumes.other)
    )


def _tables_of(model: GroupModel, smiles: list[str]) -> dict[str, str]:
    """Return the texts of the shipped tables for a fitted model."""
    volumes, values = model.volumes_, model.coefficients_
    lines = [
        ",".join(
            [
                "group",
                *LETTERS,
                *(f"{name}_other" for name in LETTERS),
                "molecules",
                "liquids",
                "source",
            ]
        )
    ]
    for row, name in enumerate(model.design_.table.names):
        numbers = [*values.plain[:, row], volumes.plain[row], *values.other[:, row], volumes.other[row]]
        counts = [str(model.support_[row]), str(volumes.support[row])]
        lines.append(",".join([name, *map(_digits, numbers), *counts, SOURCE]))
    known = ["smiles," + ",".join(ANCHOR_WEIGHTS) + ",source"]
    known += [",".join([text, *map(_digits, row), SOURCE]) for text, row in zip(smiles, model.weights_, strict=True)]
    constants: dict[str, float] = {
        "delta_d": model.constant_, "volume": volumes.constant, "largest volume": model.largest_
    }  # fmt: skip
    for name, row in zip(("delta_d", "delta_p", "delta_h"), model.spread_.coefficients, strict=True):
        constants |= {f"{name} error, {what}": value for what, value in zip(SPREAD_NAMES, row, strict=True)}
    for what, value in zip(("constant", "rarity", "other elements"), volumes.error, strict=True):
        constants[f"volume error, {what}"] = value
    limits = np.vstack([model.spread_.limits, volumes.limits])
    for name, row in zip(LETTERS, limits, strict=True):
        constants |= {f"{name} limit, {level:g}": value for level, value in zip(spread.LEVELS, row, strict=True)}
    single = [
        "name,value,source",
        *(f'"{name}",{_digits(value)},{SOURCE}' for name, value in constants.items()),
    ]
    return {
        VALUES: "\n".join(lines) + "\n",
        ANCHORS: "\n".join(known) + "\n",
        CONSTANTS: "\n".join(single) + "\n",
    }


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
