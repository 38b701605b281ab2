"""What ``reconciled.csv`` says about structures that are not in it."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data, theory
from hspkit.evidence.similarity import correlation
from hspkit.substances import index, substance
from hspkit.substances.model import Substance

__all__ = ["informed", "liquid"]

Array = NDArray[np.float64]


def liquid(name: str) -> Substance:
    """Return a shipped substance, which has its parameters after evidence.

    Parameters
    ----------
    name : str
        Name, synonym or CAS number. [-]

    Raises
    ------
    UnknownNameError
        When the name is not a shipped one.

    Examples
    --------
    >>> liquid("water").mixing_volume > liquid("water").volume
    True
    """
    return substance(index().find(name))


class _Deviations(NamedTuple):
    """Structures, their deviations from the prior in units of its sd, and what is left of their variance."""

    smiles: tuple[str, ...]
    deviation: Array
    variance: Array
    inverse: Array


@cache
def _shipped_deviations() -> _Deviations:
    constants = theory.calibration()
    structure = {row["name"]: row["smiles"] for row in data.read_table("substances.csv").rows}
    rows = [row for row in data.read_table("reconciled.csv").rows if row["substance"] != "water"]
    sd = np.array([[row["prior_sd_d"], row["prior_sd_p"], row["prior_sd_h"]] for row in rows])
    prior = np.array([[row["prior_d"], row["prior_p"], row["prior_h"]] for row in rows])
    point = np.array([[row["delta_d"], row["delta_p"], row["delta_h"]] for row in rows])
    left = np.array([[row["sd_d"], row["sd_p"], row["sd_h"]] for row in rows])
    smiles = tuple(structure[row["substance"]] for row in rows)
    shared = constants.shared_deviation
    matrix = shared * correlation(smiles, smiles, constants.likeness_length)
    matrix[np.diag_indices(len(rows))] += 1.0 - shared
    return _Deviations(
        smiles, (point - prior) / sd, np.minimum((left / sd) ** 2, 1.0), np.asarray(np.linalg.inv(matrix))
    )


def informed(smiles: Sequence[str], mean: ArrayLike, sd: ArrayLike) -> tuple[Array, Array]:
    """Return priors of structures after what the shipped evidence shows about similar structures.

    The deviations of the shipped substances from their priors are passed on to similar structures (Gaussian-process
    regression with the correlation of `similarity`). A structure unlike all shipped ones keeps its prior.

    Parameters
    ----------
    smiles : sequence of str, length m
        Structures. [-]
    mean : array_like of shape (m, 3)
        Priors before. [MPa^0.5]
    sd : array_like of shape (m, 3)
        Their standard deviations. [MPa^0.5]

    Returns
    -------
    mean, sd : ndarray of shape (m, 3)
        Priors after. [MPa^0.5]

    Examples
    --------
    >>> mean, sd = informed(["CCCCCCCCC(C)C"], [[15.5, 0.5, 0.5]], [[0.6, 2.0, 1.6]])
    >>> bool((sd <= [[0.6, 2.0, 1.6]]).all())
    True
    """
    constants, known = theory.calibration(), _shipped_deviations()
    across = constants.shared_deviation * correlation(tuple(smiles), known.smiles, constants.likeness_length)
    weights = across @ known.inverse
    shift = weights @ known.deviation
    # What similar structures cannot say, plus what is not known about themselves (taken as independent).
    left = 1.0 - np.sum(weights * across, axis=1)[:, None] + weights**2 @ known.variance
    spread = np.asarray(sd, dtype=float)
    point = np.maximum(np.asarray(mean, dtype=float) + spread * shift, 0.0)
    return point, spread * np.sqrt(np.clip(left, 0.05, 1.0))
