"""The calibrated group contribution as shipped: `GroupModel` with the coefficients of ``datasets/groups/``."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

from hspkit.estimation.model import GroupModel
from hspkit.estimation.result import Estimate, Prediction
from hspkit.molecules import Molecule

__all__ = ["estimate_molecule", "predict", "shipped_model"]


@cache
def shipped_model() -> GroupModel:
    """Return the shipped model; read once."""
    return GroupModel.shipped()


def predict(molecules: Sequence[Molecule]) -> Prediction:
    """Estimate a batch; see `hspkit.estimation.estimate_many` for what a row means."""
    return shipped_model().predict_molecules(molecules)


def estimate_molecule(molecule: Molecule) -> Estimate:
    """Estimate one molecule."""
    return shipped_model().estimate_molecule(molecule)
