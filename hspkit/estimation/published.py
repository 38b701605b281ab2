"""The Hoftyzer-Van Krevelen method with Fedors volumes, as published.

delta_d = sum F_d / V, delta_p = sqrt(sum F_p^2) / V, delta_h = sqrt(sum E_h / V), V = sum V_i. The table
rests on recalled constants; its source keys say which of them reproduce printed figures. A group without a
recalled constant is an error that names it: an empty cell is not a zero.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from hspkit.data import read_table
from hspkit.errors import InputError, MoleculeError
from hspkit.estimation.result import Estimate, GroupShare, Prediction, shares
from hspkit.estimation.spread import LEVELS
from hspkit.groups import Batch, GroupTable
from hspkit.hansen import HSP
from hspkit.molecules import Molecule, read_unit

__all__ = ["estimate_from_groups", "estimate_repeat_unit", "fedors_total", "mix_by_mass"]

TABLE = "groups/van_krevelen.csv"
METHOD = "van-krevelen"
#: The method's deviations are only known as root mean squares, so its intervals are a normal distribution's.
NORMAL = np.tile(ndtri(0.5 + np.array(LEVELS) / 2), (4, 1))
NO_VOLUME = "its group volumes do not add up to a volume; use method='calibrated'"
NOTE = "Hoftyzer-Van Krevelen with Fedors volume; no factor for planes of symmetry applied"


@cache
def _table() -> tuple[GroupTable, NDArray[np.float64], NDArray[np.float64]]:
    """Return the groups, their constants (n, 4) in the order F_d, F_p, E_h, V (NaN when not recalled), and
    E."""
    rows = read_table(TABLE).rows
    names = ("f_d", "f_p", "e_h", "fedors_v", "fedors_e")
    numbers = np.array([[np.nan if row[name] is None else row[name] for name in names] for row in rows])
    return GroupTable.read(TABLE), numbers[:, :4], numbers[:, 4]


@cache
def _deviation() -> NDArray[np.float64]:
    """Return root mean square deviations of the method from the open tables, shape (4,)."""
    (row,) = (row for row in read_table("groups/deviations.csv").rows if row["method"] == METHOD)
    return np.array([row["delta_d"], row["delta_p"], row["delta_h"], row["volume_percent"]])


def _parts(counts: NDArray[Any]) -> NDArray[np.float64]:
    """Return what each group adds to the sums behind the four quantities; shape (..., n_groups, 4)."""
    _, constants, _ = _table()
    terms = constants.copy()
    terms[:, 1] **= 2
    present = counts[..., None] != 0
    return np.where(present, counts[..., None] * terms, 0.0)


def _values(counts: NDArray[Any]) -> NDArray[np.float64]:
    """Return delta_d, delta_p, delta_h, volume of rows of counts; shape (..., 4)."""
    sums = _parts(counts).sum(axis=-2)
    volume = np.where(sums[..., 3] > 0, sums[..., 3], np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.stack(
            [
                sums[..., 0] / volume,
                np.sqrt(sums[..., 1]) / volume,
                np.sqrt(sums[..., 2] / volume),
                volume,
            ],
            axis=-1,
        )


def _missing(counts: NDArray[Any]) -> str | None:
    """Name the groups present whose constants were not recalled, or return None."""
    table, constants, _ = _table()
    labels = ("F_d", "F_p", "E_h", "V")
    gaps = [
        f"{name} (no {', '.join(label for label, value in zip(labels, row, strict=True) if np.isnan(value))})"
        for name, row, count in zip(table.names, constants, counts, strict=True)
        if count and np.isnan(row).any()
    ]
    if not gaps:
        return None
    return f"no published constant is known to us for {'; '.join(gaps)}; use method='calibrated'"


def _sd(values: NDArray[np.float64]) -> NDArray[np.float64]:
    sd = np.broadcast_to(_deviation(), values.shape).copy()
    sd[..., 3] *= values[..., 3] / 100.0
    return sd


def _sources(counts: NDArray[Any]) -> tuple[str, ...]:
    rows = read_table(TABLE).rows
    used = [row for row, count in zip(rows, counts, strict=True) if count]
    return tuple(sorted({row["force_source"] for row in used} | {row["fedors_source"] for row in used}))


def _why_not(text: str, reason: str) -> str:
    return f"{text!r}: {reason}"


def prepare() -> None:
    """Read the tables, so that processes forked later inherit them."""
    _table()


def predict_batch(batch: Batch, names: list[str], notes: list[tuple[str, ...]]) -> Prediction:
    """Estimate a batch; see `hspkit.estimation.model.GroupModel.predict_batch` for the arguments."""
    counted = _table()[0].count_batch(batch)
    values = _values(counted.counts)
    status, remarks = ["ok"] * len(names), [(NOTE, *note) for note in notes]
    unclaimed = batch.per_molecule(np.flatnonzero(counted.unclaimed)) > 0
    for row in np.flatnonzero(unclaimed | ~np.isfinite(values).all(axis=1)):
        values[row] = np.nan
        status[row], remarks[row] = "failed", (_why_not(names[row], _reason(counted, int(row)) or NO_VOLUME),)
    return Prediction(values, _sd(values), status, remarks)


def _reason(counted: Any, row: int) -> str | None:
    left = counted.left_over(row)
    if left:
        return (
            f"the Hoftyzer-Van Krevelen groups do not cover {', '.join(left[:6])}"
            f"{' and more' if len(left) > 6 else ''}; use method='calibrated'"
        )
    return _missing(counted.counts[row])


def _estimate(counts: NDArray[Any], smiles: str, notes: tuple[str, ...]) -> Estimate:
    table, _, _ = _table()
    values = _values(counts)
    present = np.flatnonzero(counts)
    groups: tuple[GroupShare, ...] = shares(
        [table.names[i] for i in present], counts[present].tolist(), _parts(counts)[present], values
    )
    return Estimate(
        smiles,
        METHOD,
        HSP(*values[:3]),
        float(values[3]),
        _sd(values),
        NORMAL,
        groups,
        "ok",
        notes,
        _sources(counts),
    )


def estimate_molecule(molecule: Molecule) -> Estimate:
    """Estimate one molecule; MoleculeError when a part of it is not covered."""
    table, _, _ = _table()
    counted = table.count([molecule])
    reason = _reason(counted, 0) or (None if np.isfinite(_values(counted.counts)).all() else NO_VOLUME)
    if reason is not None:
        raise MoleculeError(_why_not(molecule.smiles, reason))
    return _estimate(counted.counts[0], molecule.smiles, (NOTE, *molecule.notes))


def estimate_repeat_unit(smiles: str) -> Estimate:
    """Estimate the repeat unit of a polymer by the Hoftyzer-Van Krevelen method with Fedors volume.

    Parameters
    ----------
    smiles : str
        The unit with its two open ends written as ``*``. [-]

    Returns
    -------
    Estimate
        Parameters and the volume of one unit. [MPa^0.5, cm3/mol]

    Raises
    ------
    MoleculeError
        When there are not two open ends, or a part is not covered.

    References
    ----------
    Figures of Kitak et al., Molecules 20 (2015) 21549-21568.

    Examples
    --------
    >>> estimate_repeat_unit("*CCO*").hsp
    HSP(17.778, 11.111, 9.129)
    """
    return estimate_molecule(read_unit(smiles))


def estimate_from_groups(counts: Mapping[str, int], *, name: str = "groups given by hand") -> Estimate:
    """Estimate from group counts given by hand, by the Hoftyzer-Van Krevelen method with Fedors volume.

    Parameters
    ----------
    counts : mapping of str to int
        How often each group of ``datasets/groups/van_krevelen.csv`` occurs. [-]
    name : str
        What to call the result. [-]

    Raises
    ------
    InputError
        When a group is unknown, a count is not a whole number >= 0, or a constant is not known.

    Examples
    --------
    >>> estimate_from_groups({"CH2": 4, "CH": 1, "CO": 1, "N": 1, "ring of 5 or more": 1}).hsp
    HSP(20.443, 13.674, 9.285)
    """
    table, _, _ = _table()
    row = np.zeros(len(table.names), dtype=np.int64)
    for group, count in counts.items():
        if group not in table.names:
            message = f"no group {group!r} in {TABLE}; groups: {', '.join(table.names)}"
            raise InputError(message)
        if count != int(count) or count < 0:
            message = f"group {group!r} has count {count!r}; expected a whole number >= 0"
            raise InputError(message)
        row[table.names.index(group)] = int(count)
    reason = _missing(row) if row.any() else "no group given"
    if reason is not None:
        raise InputError(_why_not(name, reason))
    return _estimate(row, name, (NOTE,))


def mix_by_mass(units: Sequence[Estimate], mass_fractions: Sequence[float]) -> HSP:
    """Return the mass-weighted mean of repeat units, as is customary for copolymers given by weight.

    Parameters
    ----------
    units : sequence of Estimate
        The units. [-]
    mass_fractions : sequence of float
        Shares by mass; must sum to 1. [-]

    Raises
    ------
    InputError
        When numbers differ or the shares do not sum to 1.

    Examples
    --------
    >>> pvp, vinyl_acetate = estimate_repeat_unit("*CC(*)N1CCCC1=O"), estimate_repeat_unit("*CC(*)OC(C)=O")
    >>> mix_by_mass([pvp, vinyl_acetate], [0.6, 0.4])  # copovidone, Kitak et al. 2015
    HSP(19.233, 11.147, 9.672)
    """
    from hspkit.hansen import check_fractions

    shares_ = check_fractions(mass_fractions, kind="mass fractions")
    if len(units) != len(shares_):
        message = f"{len(units)} units but {len(shares_)} mass fractions; give one for each"
        raise InputError(message)
    return HSP(*(shares_ @ np.array([unit.hsp.array for unit in units])))


def fedors_total(estimate: Estimate) -> float:
    """Return the total solubility parameter after Fedors, sqrt(sum E / sum V), of an estimate by this method.

    Parameters
    ----------
    estimate : Estimate
        From this module: its groups are those of the Hoftyzer-Van Krevelen table. [-]

    Returns
    -------
    float
        Total solubility parameter. [MPa^0.5]

    Raises
    ------
    InputError
        When the estimate is by another method, or a group has no Fedors energy.

    References
    ----------
    R. F. Fedors, Polym. Eng. Sci. 14 (1974) 147-154.

    Examples
    --------
    >>> fedors_total(estimate_repeat_unit("*CCO*"))
    19.170
    """
    table, _, energies = _table()
    if estimate.method != METHOD:
        message = f"the estimate is by {estimate.method!r}; expected one by {METHOD!r}"
        raise InputError(message)
    energy = sum(row.count * energies[table.names.index(row.group)] for row in estimate.groups)
    if np.isnan(energy):
        message = f"{estimate.smiles!r} holds a group without a Fedors energy; the table has an empty cell for it"
        raise InputError(message)
    return float(np.sqrt(energy / estimate.volume))
