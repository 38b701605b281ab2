"""The numbers of the calibrated model: group values, group volumes, known molecules; and their tables."""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.data import read_table
from hspkit.estimation import energy, spread
from hspkit.estimation.likeness import Anchors, describe, is_other
from hspkit.frozen import freeze
from hspkit.groups import Batch, GroupTable
from hspkit.molecules import read_molecule

__all__ = ["Coefficients", "Design", "Volumes", "design", "fit_volumes", "shipped_numbers", "shipped_volumes"]

GROUPS = "groups/calibrated_groups.csv"
VALUES = "groups/calibrated_values.csv"
ANCHORS = "groups/calibrated_anchors.csv"
CONSTANTS = "groups/calibrated_constants.csv"
SOURCE = "calibrated_fit"
#: Letters in the column `terms` of the group table.
LETTERS = {"delta_d": "d", "delta_p": "p", "delta_h": "h", "volume": "v"}
#: Smallest volume that is returned [cm3/mol], that of no organic liquid: only odd structures reach it.
LEAST_VOLUME = 20.0
#: Penalties of the volume fit on a group, its family and its departure in molecules beyond C, H, O
#: [mol^2/cm6].
VOLUME_RIDGE = 0.3
#: Penalty on corrections of the shipped volumes by a user's: about one measured molecule's worth.
CORRECTION_RIDGE = 1.0
ANCHOR_WEIGHTS = ("weight_d", "weight_d_other", "weight_p", "weight_p_other", "weight_h", "weight_h_other")

Array = NDArray[np.float64]


class Design(NamedTuple):
    """What the group table says about every group; arrays of shape (n_groups,), families (n_groups,
    n_families)."""

    table: GroupTable
    first: NDArray[np.bool_]
    has_family: NDArray[np.bool_]
    families: Array
    likeness: Array
    serves: dict[str, Array]

    def terms(self, quantity: str) -> Array:
        """Return 1 for groups that add to a quantity and 0 for others. [-]"""
        return self.serves[quantity]

    def variance(self, group: float, second: float, family: float) -> Array:
        """Return the prior covariance of group values: their own, and what families share. [-]"""
        own = np.where(self.first, group, second)
        return np.diag(own) + family * (self.families @ self.families.T)


@cache
def design() -> Design:
    """Return the shipped group table, prepared; read once."""
    rows = read_table(GROUPS).rows
    names = sorted({row["family"] for row in rows if row["family"]})
    serves = {
        quantity: np.array([float(letter in row["terms"]) for row in rows]) for quantity, letter in LETTERS.items()
    }
    return freeze(
        Design(
            GroupTable.read(GROUPS),
            np.array([row["level"] == "first" for row in rows]),
            np.array([row["family"] is not None for row in rows]),
            np.array([[float(row["family"] == name) for name in names] for row in rows]),
            np.array([row["likeness"] for row in rows]),
            serves,
        )
    )


class Coefficients(NamedTuple):
    """Values of groups for delta_d [MPa^0.5 cm3/100], delta_p and delta_h [kJ/mol]; shapes (3, n_groups).

    `plain` holds in molecules of C, H and O, `other` in all others.
    """

    plain: Array
    other: Array

    def of(self, other: bool) -> Array:
        """Return the values that hold in a molecule."""
        return self.other if other else self.plain

    def sums(self, counts: NDArray[np.int64], other: NDArray[np.bool_]) -> Array:
        """Return sums over the groups of each molecule; shape (n, 3)."""
        return _weighed(counts, other, self.plain, self.other)


def _weighed(counts: NDArray[np.int64], other: NDArray[np.bool_], plain: Array, others: Array) -> Array:
    """Return sums over the groups of each molecule, added up group by group; values (k, n_groups) -> (n, k).

    A matrix product rounds a row differently with the number of rows, and an answer would depend on its neighbours.
    """
    row, group = np.divmod(np.flatnonzero(counts > 0), counts.shape[1])
    number, departs = counts[row, group], other[row]
    sums = [
        np.bincount(row, weights=number * np.where(departs, second[group], first[group]), minlength=len(counts))
        for first, second in zip(plain, others, strict=True)
    ]
    return np.stack(sums, axis=1)


class Volumes(NamedTuple):
    """Group volumes: V = constant + sum of group values. [cm3/mol]

    `plain` and `other` have shape (n_groups,); `support` counts the liquids that hold each group; `error` is
    the constant and the slopes (rarity, other elements) of the logarithm of the relative error, `limits` as
    in `Spread`.
    """

    constant: float
    plain: Array
    other: Array
    support: NDArray[np.int64]
    error: Array
    limits: Array

    def values(self, other: bool) -> Array:
        """Return the values that hold in a molecule. [cm3/mol]"""
        return self.other if other else self.plain

    def of(self, counts: NDArray[np.int64], other: NDArray[np.bool_]) -> Array:
        """Return molar volumes; shape (n,). [cm3/mol]"""
        return self.constant + _weighed(counts, other, self.plain[None], self.other[None])[:, 0]

    def features(self, counts: NDArray[np.int64], other: NDArray[np.bool_]) -> Array:
        """Return what the error depends on: rarity of the rarest group, other elements; shape (n, 2). [-]"""
        rarity = np.where(design().first, 1.0 / np.sqrt(1.0 + self.support), 0.0)
        return np.column_stack([np.where(counts > 0, rarity, 0.0).max(axis=1, initial=0.0), other.astype(float)])

    def sd(self, counts: NDArray[np.int64], other: NDArray[np.bool_], volume: Array) -> Array:
        """Return standard deviations; shape (n,). [cm3/mol]"""
        return volume * np.exp(self.error[0] + (self.features(counts, other) * self.error[1:]).sum(axis=1))

    def corrected(self, counts: NDArray[np.int64], other: NDArray[np.bool_], measured: Array) -> Volumes:
        """Return volumes corrected by measured ones; the corrections are drawn towards zero."""
        residual = measured - self.of(counts, other)
        terms = counts * design().terms("volume")
        ridge = np.full(terms.shape[1], CORRECTION_RIDGE)
        change = energy.fit_coefficients(terms.astype(float), residual, ridge, np.ones(len(residual)), huber=1.0)
        return self._replace(plain=self.plain + change, other=self.other + change)


def fit_volumes(
    counts: NDArray[np.int64], other: NDArray[np.bool_], volume: Array, fold: NDArray[np.int64]
) -> tuple[Volumes, Array]:
    """Fit group volumes to liquids; return them and the out-of-fold predictions of shape (n,). [cm3/mol]"""
    plan = design()
    terms = counts * plan.terms("volume")
    rows = np.hstack([terms, terms @ plan.families, terms * other[:, None], np.ones((len(terms), 1))])
    ridge = np.append(np.full(rows.shape[1] - 1, VOLUME_RIDGE), 1e-6)
    weight = 100.0 / volume

    def solve(keep: NDArray[np.bool_]) -> Volumes:
        found = energy.fit_coefficients(rows[keep], volume[keep], ridge, weight[keep], huber=1.0)
        size = terms.shape[1]
        plain = found[:size] + plan.families @ found[size : size + plan.families.shape[1]]
        plain = np.where(plan.terms("volume") > 0, plain, 0.0)
        departure = found[size + plan.families.shape[1] : -1]
        support = (counts[keep] > 0).sum(axis=0)
        return Volumes(float(found[-1]), plain, plain + departure, support, np.zeros(3), np.zeros(len(spread.LEVELS)))

    predicted = np.full(len(volume), np.nan)
    given = np.zeros((len(volume), 2))
    for held in np.unique(fold):
        out = fold == held
        model = solve(~out)
        predicted[out] = model.of(counts[out], other[out])
        given[out] = model.features(counts[out], other[out])
    relative = (predicted - volume) / volume
    error = spread.fit_one(given, relative * 100.0, np.zeros(2))
    error[0] -= np.log(100.0)
    limits = spread.limits_of(relative * np.exp(-(error[0] + given @ error[1:])))
    return solve(np.ones(len(volume), dtype=bool))._replace(error=error, limits=limits), predicted


@cache
def _constants() -> dict[str, float]:
    return {row["name"]: row["value"] for row in read_table(CONSTANTS).rows}


@cache
def shipped_volumes() -> Volumes:
    """Return the shipped group volumes; read once."""
    rows, constants = read_table(VALUES).rows, _constants()
    return freeze(
        Volumes(
            constants["volume"],
            np.array([row["volume"] for row in rows]),
            np.array([row["volume_other"] for row in rows]),
            np.array([row["liquids"] for row in rows]),
            np.array([constants[f"volume error, {name}"] for name in ("constant", "rarity", "other elements")]),
            np.array([constants[f"volume limit, {level:g}"] for level in spread.LEVELS]),
        )
    )


SPREAD_NAMES = ("constant", "level", "unlikeness", "rarity", "other elements")


def shipped_numbers() -> dict[str, Any]:
    """Return the attributes of the shipped model by name, from the tables."""
    plan, constants = design(), _constants()
    rows, anchors = read_table(VALUES).rows, read_table(ANCHORS).rows
    hansen = ("delta_d", "delta_p", "delta_h")
    volumes, names = shipped_volumes(), [row["smiles"] for row in anchors]
    batch = Batch.of([read_molecule(name).graph for name in names])
    counts = plan.table.count_batch(batch).counts
    volume = np.maximum(volumes.of(counts, is_other(batch)), LEAST_VOLUME)
    return {
        "design_": plan,
        "volumes_": volumes,
        "coefficients_": Coefficients(
            np.array([[row[name] for row in rows] for name in hansen]),
            np.array([[row[f"{name}_other"] for row in rows] for name in hansen]),
        ),
        "support_": np.array([row["molecules"] for row in rows]),
        "constant_": constants["delta_d"],
        "largest_": constants["largest volume"],
        "spread_": spread.Spread(
            np.array([[constants[f"{name} error, {what}"] for what in SPREAD_NAMES] for name in hansen]),
            np.array([[constants[f"{name} limit, {level:g}"] for level in spread.LEVELS] for name in hansen]),
        ),
        "names_": names,
        "weights_": np.array([[row[name] for name in ANCHOR_WEIGHTS] for row in anchors]),
        "anchors_": Anchors(counts, describe(batch, volume), plan.likeness),
    }
