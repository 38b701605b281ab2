"""The calibrated group contribution as shipped: `GroupModel` with the coefficients of
``datasets/groups/``."""

from __future__ import annotations

from functools import cache

from hspkit.estimation.model import GroupModel
from hspkit.estimation.result import Estimate, Prediction
from hspkit.groups import Batch
from hspkit.molecules import Molecule

__all__ = ["estimate_molecule", "predict_batch", "prepare", "shipped_model"]


@cache
def shipped_model() -> GroupModel:
    """Return the shipped model; read once."""
    return GroupModel.shipped()


def prepare() -> None:
    """Read the tables, so that processes forked later inherit them."""
    shipped_model()


def predict_batch(batch: Batch, names: list[str], notes: list[tuple[str, ...]]) -> Prediction:
    """Estimate a batch; see `GroupModel.predict_batch`."""
    return shipped_model().predict_batch(batch, names, notes)


def estimate_molecule(molecule: Molecule) -> Estimate:
    """Estimate one molecule."""
    return shipped_model().estimate_molecule(molecule)
