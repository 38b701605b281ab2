"""The calibrated group contribution as shipped: `GroupModel` with the coefficients of
``datasets/groups/``."""

from __future__ import annotations

from functools import cache

from hspkit.estimation.model import GroupModel
from hspkit.estimation.result import Estimate, Prediction
from hspkit.groups import Batch
from hspkit.molecules import Molecule

__all__ = ["estimate_molecule", "predict_batch", "prepare"]


@cache
def _shipped() -> GroupModel:
    """Return the shipped model; read once. `GroupModel.shipped` makes one that may be fitted again."""
    return GroupModel.shipped()


def prepare() -> None:
    """Read the tables, so that processes forked later inherit them."""
    _shipped()


def predict_batch(batch: Batch, names: list[str], notes: list[tuple[str, ...]]) -> Prediction:
    """Estimate a batch; see `GroupModel.predict_batch`."""
    return _shipped().predict_batch(batch, names, notes)


def estimate_molecule(molecule: Molecule) -> Estimate:
    """Estimate one molecule."""
    return _shipped().estimate_molecule(molecule)
