"""What ``reconciled.csv`` knows: parameters after evidence, by name; and what they say of structures not in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data
from hspkit.calibration import calibration
from hspkit.similarity import correlation
from hspkit.substances.listed import rows

__all__ = ["After", "covariance_of", "informed", "reconciled"]

Array = NDArray[np.float64]


@cache
def _rows() -> dict[str, Mapping[str, Any]]:
    return {row["substance"]: row for row in data.read_table("reconciled.csv").rows}


def covariance_of(row: Mapping[str, Any]) -> Array:
    """Return the covariance (3, 3) of a row of ``reconciled.csv``. [MPa]"""
    sd = np.array([row["sd_d"], row["sd_p"], row["sd_h"]])
    dp, dh, ph = row["corr_dp"], row["corr_dh"], row["corr_ph"]
    return np.outer(sd, sd) * np.array([[1.0, dp, dh], [dp, 1.0, ph], [dh, ph, 1.0]])


class After(NamedTuple):
    """A row of ``reconciled.csv``: prior (3,) and its standard deviations, parameters (3,) and covariance (3, 3)."""

    prior: Array
    prior_sd: Array
    hsp: Array
    covariance: Array


def reconciled(name: str) -> After | None:
    """Return what ``reconciled.csv`` has on a name of ``substances.csv``; None when it is not in it (yet).

    Examples
    --------
    >>> reconciled("triacetin").prior
    array([16.5, 4.5, 9.1])
    """
    row = _rows().get(name)
    if row is None:
        return None

    def three(start: str) -> Array:
        return np.array([row[start + part] for part in "dph"])

    return After(three("prior_"), three("prior_sd_"), three("delta_"), covariance_of(row))


class _Known(NamedTuple):
    """Structures, their deviations from the prior in units of its sd, and what is left of their variance."""

    smiles: tuple[str, ...]
    deviation: Array
    variance: Array
    inverse: Array


@cache
def _known() -> _Known:
    constants = calibration()
    after = [row for row in _rows().values() if row["substance"] != "water"]
    sd = np.array([[row["prior_sd_d"], row["prior_sd_p"], row["prior_sd_h"]] for row in after])
    prior = np.array([[row["prior_d"], row["prior_p"], row["prior_h"]] for row in after])
    point = np.array([[row["delta_d"], row["delta_p"], row["delta_h"]] for row in after])
    left = np.array([[row["sd_d"], row["sd_p"], row["sd_h"]] for row in after])
    smiles = tuple(rows()[row["substance"]]["smiles"] for row in after)
    shared = constants.shared_deviation
    matrix = shared * correlation(smiles, smiles, constants.similarity_length)
    matrix[np.diag_indices(len(after))] += 1.0 - shared
    return _Known(smiles, (point - prior) / sd, np.minimum((left / sd) ** 2, 1.0), np.asarray(np.linalg.inv(matrix)))


def informed(smiles: Sequence[str], mean: ArrayLike, sd: ArrayLike) -> tuple[Array, Array]:
    """Return priors of structures after what the shipped evidence says of structures like them.

    The deviation of each shipped substance from its prior is passed on to similar structures (Gaussian-process
    regression with the correlation of `hspkit.similarity`). A structure unlike all shipped ones keeps its prior.

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
    constants, known = calibration(), _known()
    across = constants.shared_deviation * correlation(tuple(smiles), known.smiles, constants.similarity_length)
    weights = across @ known.inverse
    shift = weights @ known.deviation
    # What similar structures cannot say, plus what is not known about them (taken as independent).
    left = 1.0 - np.sum(weights * across, axis=1)[:, None] + weights**2 @ known.variance
    spread = np.asarray(sd, dtype=float)
    point = np.maximum(np.asarray(mean, dtype=float) + spread * shift, 0.0)
    return point, spread * np.sqrt(np.clip(left, 0.05, 1.0))
