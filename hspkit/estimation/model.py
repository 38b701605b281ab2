"""`GroupModel`: the calibrated group contribution, for the shipped coefficients and for anyone's data."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.data import read_table
from hspkit.errors import InputError, MoleculeError
from hspkit.estimation import energy
from hspkit.estimation.result import QUANTITIES, Estimate, Prediction, shares
from hspkit.groups import GroupTable
from hspkit.hansen import HSP
from hspkit.molecules import Molecule, read_molecules

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GroupModel"]

TABLE = "groups/calibrated_groups.csv"
COEFFICIENTS = "groups/calibrated_coefficients.csv"


class GroupModel:
    """Group contribution with error bars.

    Parameters
    ----------
    ridge : float
        Penalty on the departure of a group from its family. [-]
    huber : float
        Residuals beyond this many robust standard deviations pull with constant force. [-]

    Examples
    --------
    >>> model = GroupModel().fit(["CCO", "CCCO", "CCCCO"], [[15.8, 8.8, 19.4], [16, 6.8, 17.4], [16, 5.7, 15.8]])
    >>> model.predict(["CCCCCO"])["status"].tolist()
    ['ok']
    """

    def __init__(self, *, ridge: float = 0.1, huber: float = 1.0) -> None:
        self.ridge = ridge
        self.huber = huber

    def get_params(self, deep: bool = True) -> dict[str, Any]:
        """Return the constructor's parameters, as scikit-learn's tools expect."""
        return {"ridge": self.ridge, "huber": self.huber}

    def set_params(self, **params: Any) -> GroupModel:
        """Set parameters of the constructor and return self."""
        for name, value in params.items():
            if name not in self.get_params():
                message = f"no parameter {name!r}; parameters: {', '.join(self.get_params())}"
                raise InputError(message)
            setattr(self, name, value)
        return self

    @classmethod
    def shipped(cls) -> GroupModel:
        """Return the model with the coefficients in ``datasets/groups/``."""
        model = cls()
        rows = read_table(COEFFICIENTS).rows
        model.groups_ = GroupTable.read(TABLE)
        model.coefficients_ = np.array([[row[name] for name in QUANTITIES] for row in rows[:-1]])
        model.offset_ = np.array([rows[-1][name] for name in QUANTITIES])
        return model

    def _families(self) -> NDArray[np.float64]:
        rows = read_table(TABLE).rows
        families = sorted({row["family"] for row in rows if row["family"]})
        return np.array([[float(row["family"] == family) for family in families] for row in rows])

    def fit_molecules(
        self, molecules: Sequence[Molecule], hsp: NDArray[np.float64], volume: NDArray[np.float64],
        weight: NDArray[np.float64] | None = None,
    ) -> GroupModel:
        """Fit to checked molecules; see `fit`."""
        self.groups_ = GroupTable.read(TABLE)
        families = self._families()
        counts = self.groups_.count(molecules).counts.astype(float)
        first = np.array([group.level == "first" for group in self.groups_.groups])
        weight = np.ones(len(counts)) if weight is None else weight
        design = np.hstack([counts, counts @ families])
        spread = np.vstack([np.eye(counts.shape[1]), families.T])
        base = np.where(first, 1.0, 3.0)
        found = []
        lean = np.concatenate([base, np.full(families.shape[1], 0.1)])
        intensive = np.hstack([design * 100.0 / volume[:, None], np.ones((len(counts), 1))])
        fitted = energy.fit_linear(intensive, hsp[:, 0], np.append(10 * self.ridge * lean, 1e-6), weight)
        found.append(fitted[:-1] @ spread)
        for column in (1, 2):
            strength = lean.copy()
            if column == 1:
                strength[: len(base)][~first] = 1e9
            found.append(
                energy.fit_energies(design, volume, hsp[:, column], self.ridge * strength, weight, huber=self.huber)
                @ spread
            )
        self.coefficients_ = np.column_stack([*found, np.zeros(counts.shape[1])])
        self.offset_ = np.array([fitted[-1], 0.0, 0.0, 0.0])
        return self

    def fit(self, smiles: Iterable[Any], hsp: ArrayLike, volume: ArrayLike | None = None) -> GroupModel:
        """Fit to Hansen parameters of known molecules."""
        raise NotImplementedError

    def _values(self, counts: NDArray[Any]) -> NDArray[np.float64]:
        sums = counts @ self.coefficients_
        volume = np.maximum(sums[:, 3] + self.offset_[3], 10.0)
        return np.column_stack(
            [
                self.offset_[0] + 100.0 * sums[:, 0] / volume,
                energy.delta_from_energy(sums[:, 1], volume),
                energy.delta_from_energy(sums[:, 2], volume),
                volume,
            ]
        )

    def predict_molecules(self, molecules: Sequence[Molecule]) -> Prediction:
        """Estimate a batch of checked molecules."""
        counted = self.groups_.count(molecules)
        values = self._values(counted.counts)
        sd = np.broadcast_to([0.6, 2.0, 1.6, 0.0], values.shape).copy()
        sd[:, 3] = 0.03 * values[:, 3]
        return Prediction(values, sd, ["ok"] * len(molecules), [molecule.notes for molecule in molecules])

    def estimate_molecule(self, molecule: Molecule) -> Estimate:
        """Estimate one checked molecule with the share of each group."""
        counted = self.groups_.count([molecule])
        found = self.predict_molecules([molecule])
        values = found.values[0]
        present = np.flatnonzero(counted.counts[0])
        counts = counted.counts[0, present]
        parts = counts[:, None] * self.coefficients_[present]
        names = [self.groups_.names[i] for i in present]
        rows = shares(names, counts.tolist(), parts, values)
        return Estimate(
            molecule.smiles, "calibrated", HSP(*np.maximum(values[:3], 0)), float(values[3]), found.sd[0], rows,
            found.status[0], found.notes[0], ("calibrated_fit",),
        )
