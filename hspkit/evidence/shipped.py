"""What ``reconciled.csv`` knows: parameters after evidence, by name; and what they teach about structures not in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data
from hspkit.evidence import theory
from hspkit.evidence.bonds import site_densities
from hspkit.evidence.likeness import correlation
from hspkit.names import NameIndex

__all__ = ["After", "Liquid", "covariance_of", "index", "informed", "liquid", "reconciled"]

Array = NDArray[np.float64]


class Liquid(NamedTuple):
    """One liquid as the theory sees it.

    ``hsp`` (3,) [MPa^0.5], ``covariance`` (3, 3) [MPa], volumes [cm3/mol], ``sites`` (2,): densities of donors and
    acceptors of hydrogen bonds [mol/L].
    """

    name: str
    hsp: Array
    covariance: Array
    volume: float
    mixing_volume: float
    sites: tuple[float, float]

    @property
    def point(self) -> Array:
        """Point (5,) of the theory."""
        return np.concatenate([self.hsp, self.sites])


@cache
def index() -> NameIndex:
    """Return the index of the shipped substances: name, synonym or CAS number to name."""
    return NameIndex(data.read_table("substances.csv").rows, what="substance")


@cache
def _rows() -> dict[str, Mapping[str, Any]]:
    return {row["substance"]: row for row in data.read_table("reconciled.csv").rows}


@cache
def _structures() -> dict[str, str]:
    return {row["name"]: row["smiles"] for row in data.read_table("substances.csv").rows}


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


def liquid(name: str) -> Liquid:
    """Return a shipped substance with its parameters after evidence.

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
    row = _rows()[index().find(name)]
    return Liquid(
        row["substance"],
        np.array([row["delta_d"], row["delta_p"], row["delta_h"]]),
        covariance_of(row),
        row["volume_cm3_mol"],
        row["mixing_volume_cm3_mol"],
        site_densities(_structures()[row["substance"]], row["volume_cm3_mol"]),
    )


class _Teaching(NamedTuple):
    """Structures, their deviations from the prior in units of its sd, and what is left of their variance."""

    smiles: tuple[str, ...]
    deviation: Array
    variance: Array
    inverse: Array


@cache
def _teaching() -> _Teaching:
    constants = theory.calibration()
    structure = _structures()
    rows = [row for row in _rows().values() if row["substance"] != "water"]
    sd = np.array([[row["prior_sd_d"], row["prior_sd_p"], row["prior_sd_h"]] for row in rows])
    prior = np.array([[row["prior_d"], row["prior_p"], row["prior_h"]] for row in rows])
    point = np.array([[row["delta_d"], row["delta_p"], row["delta_h"]] for row in rows])
    left = np.array([[row["sd_d"], row["sd_p"], row["sd_h"]] for row in rows])
    smiles = tuple(structure[row["substance"]] for row in rows)
    shared = constants.shared_deviation
    matrix = shared * correlation(smiles, smiles, constants.likeness_length)
    matrix[np.diag_indices(len(rows))] += 1.0 - shared
    return _Teaching(smiles, (point - prior) / sd, np.minimum((left / sd) ** 2, 1.0), np.asarray(np.linalg.inv(matrix)))


def informed(smiles: Sequence[str], mean: ArrayLike, sd: ArrayLike) -> tuple[Array, Array]:
    """Return priors of structures after what the shipped evidence taught about structures like them.

    The deviation of each shipped substance from its prior is passed on to its kin (Gaussian-process regression with
    the correlation of `likeness`). A structure unlike all shipped ones keeps its prior.

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
    constants, taught = theory.calibration(), _teaching()
    across = constants.shared_deviation * correlation(tuple(smiles), taught.smiles, constants.likeness_length)
    weights = across @ taught.inverse
    shift = weights @ taught.deviation
    # What kin cannot say, plus what is not known about the kin themselves (taken as independent).
    left = 1.0 - np.sum(weights * across, axis=1)[:, None] + weights**2 @ taught.variance
    spread = np.asarray(sd, dtype=float)
    point = np.maximum(np.asarray(mean, dtype=float) + spread * shift, 0.0)
    return point, spread * np.sqrt(np.clip(left, 0.05, 1.0))
