"""What an estimation returns: one value with its error bars and the groups that make it up."""

from __future__ import annotations

import html
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.estimation import spread
from hspkit.hansen import HSP

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Estimate", "GroupShare", "Prediction"]

#: Order of the four estimated quantities, everywhere in this package.
QUANTITIES = ("delta_d", "delta_p", "delta_h", "volume")


class GroupShare(NamedTuple):
    """One group of a molecule and what it adds to each estimated quantity.

    The shares of all groups add up to the estimate. Where a parameter is the square root of a sum, each group
    carries the part of the parameter that its part of the sum is.
    """

    group: str
    count: int  # type: ignore[assignment]  # the word users expect; hides tuple.count
    delta_d: float
    delta_p: float
    delta_h: float
    volume: float


class Prediction(NamedTuple):
    """Estimates of a batch as arrays; a failed row is NaN with its reason in `notes`.

    Shapes: `values` and `sd` (n, 4) in the order delta_d, delta_p, delta_h [MPa^0.5], volume [cm3/mol];
    `status` and `notes` have n entries.
    """

    values: NDArray[np.float64]
    sd: NDArray[np.float64]
    status: list[str]
    notes: list[tuple[str, ...]]


@dataclass(frozen=True, eq=False)
class Estimate:
    """Hansen parameters and molar volume estimated from structure.

    Parameters
    ----------
    smiles : str
        The structure. [-]
    method : str
        ``calibrated`` or ``van-krevelen``. [-]
    hsp : HSP
        Estimated parameters at 25 C. [MPa^0.5]
    volume : float
        Molar volume of the liquid at 25 C. [cm3/mol]
    sd : ndarray of shape (4,)
        Standard deviations of delta_d, delta_p, delta_h [MPa^0.5] and volume [cm3/mol].
    limits : ndarray of shape (4, n_levels)
        Within how many standard deviations the shares `hspkit.estimation.spread.LEVELS` of errors lie. [-]
    groups : tuple of GroupShare
        Groups and what each adds; the columns add up to the values. [-]
    status : str
        ``ok`` or ``extrapolated``. [-]
    notes : tuple of str
        Why it is extrapolated, what was ignored or assumed. [-]
    sources : tuple of str
        Keys of ``SOURCES.md``. [-]
    """

    smiles: str
    method: str
    hsp: HSP
    volume: float
    sd: NDArray[np.float64]
    limits: NDArray[np.float64]
    groups: tuple[GroupShare, ...]
    status: str
    notes: tuple[str, ...]
    sources: tuple[str, ...]

    def interval(self, level: float = 0.8) -> NDArray[np.float64]:
        """Return lower and upper bounds that hold a share of the true values.

        The limits come from errors on molecules that were not fitted; they are wider than a normal
        distribution's at high levels because a few table values are far off.

        Parameters
        ----------
        level : float
            Share, between 0 and 1. [-]

        Returns
        -------
        ndarray of shape (4, 2)
            Bounds of delta_d, delta_p, delta_h [MPa^0.5] and volume [cm3/mol]; never below 0.

        Raises
        ------
        InputError
            When the level is not between 0 and 1.
        """
        reach = spread.limit(self.limits, level) * self.sd
        values = np.append(self.hsp.array, self.volume)
        return np.maximum(np.column_stack([values - reach, values + reach]), 0.0)

    def table(self) -> pd.DataFrame:
        """Return the groups as a DataFrame, one row per group, with their shares of each quantity."""
        import pandas as pd

        return pd.DataFrame(self.groups, columns=list(GroupShare._fields))

    def __repr__(self) -> str:
        point, sd = self.hsp, self.sd
        return (
            f"Estimate({self.smiles!r}, delta_d={point.delta_d:.1f}±{sd[0]:.1f}, "
            f"delta_p={point.delta_p:.1f}±{sd[1]:.1f}, delta_h={point.delta_h:.1f}±{sd[2]:.1f}, "
            f"volume={self.volume:.1f}±{sd[3]:.1f}, {self.status}, method={self.method!r})"
        )

    def _repr_html_(self) -> str:
        values = (*self.hsp.array, self.volume)
        head = "<tr>" + "".join(f"<th>{name}</th>" for name in GroupShare._fields) + "</tr>"
        units = "<tr><td></td><td></td>" + "<td>MPa<sup>0.5</sup></td>" * 3 + "<td>cm<sup>3</sup>/mol</td></tr>"
        body = "".join(
            f"<tr><td>{html.escape(row.group)}</td><td>{row.count}</td>"
            + "".join(f"<td>{value:.2f}</td>" for value in row[2:])
            + "</tr>"
            for row in self.groups
        )
        total = "".join(f"<th>{v:.1f} ± {s:.1f}</th>" for v, s in zip(values, self.sd, strict=True))
        notes = "".join(f"<li>{html.escape(note)}</li>" for note in self.notes)
        return (
            f"<p><b>{html.escape(self.smiles)}</b> ({html.escape(self.method)}, {self.status})</p>"
            f"<table>{head}{units}{body}<tr><th>sum</th><th></th>{total}</tr></table><ul>{notes}</ul>"
        )


def shares(names: list[str], counts: list[int], parts: Any, values: Any) -> tuple[GroupShare, ...]:
    """Scale the parts of each quantity so that they add up to its value.

    Parameters
    ----------
    names, counts : list
        Groups and how often each occurs. [-]
    parts : array_like of shape (n_groups, 4)
        What each group adds to the sum behind each quantity. [any]
    values : array_like of shape (4,)
        The quantities. [MPa^0.5, cm3/mol]
    """
    parts, values = np.asarray(parts, dtype=float), np.asarray(values, dtype=float)
    sums = parts.sum(axis=0)
    scale = np.divide(values, sums, out=np.zeros_like(values), where=sums != 0)
    return tuple(
        GroupShare(name, int(count), *(float(x) for x in row))
        for name, count, row in zip(names, counts, parts * scale, strict=True)
    )
