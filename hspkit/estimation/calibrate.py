"""Fit the shipped model to the open tables: ``python -m hspkit.estimation.calibrate``."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from hspkit.estimation import energy
from hspkit.estimation.model import COEFFICIENTS, TABLE, GroupModel
from hspkit.estimation.open_data import hansen_table, liquid_volumes
from hspkit.groups import GroupTable


def main() -> None:
    """Fit and write the coefficient tables."""
    groups = GroupTable.read(TABLE)
    liquids, hansen = liquid_volumes(), hansen_table()
    counts = groups.count(liquids.molecules).counts.astype(float)
    volumes = energy.fit_linear(
        np.hstack([counts, np.ones((len(counts), 1))]), liquids.volume, np.full(counts.shape[1] + 1, 0.5),
        1.0 / np.sqrt(liquids.volume), floor=0.5,
    )
    ours = groups.count(hansen.molecules).counts
    volume = np.maximum(ours @ volumes[:-1] + volumes[-1], 15)
    organic = np.array([set(a.GetSymbol() for a in m.graph.GetAtoms()) <= {"C", "O"} for m in hansen.molecules])
    model = GroupModel().fit_molecules(hansen.molecules, hansen.hsp, volume, np.where(organic, 1.0, 0.3))
    model.coefficients_[:, 3] = volumes[:-1]
    model.offset_[3] = volumes[-1]
    path = Path(__file__).parents[2] / "datasets" / COEFFICIENTS
    lines = ["group,delta_d,delta_p,delta_h,volume,source"]
    for name, row in zip((*groups.names, "(constant)"), np.vstack([model.coefficients_, model.offset_]), strict=True):
        lines.append(",".join([name, *(f"{x:.4f}" for x in row), "calibrated_fit"]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
