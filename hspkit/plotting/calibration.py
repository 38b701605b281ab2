"""How far to trust the figures: parity and reliability diagrams from a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.errors import InputError
from hspkit.plotting.canvas import axes_for, state
from hspkit.plotting.outcomes import INK, PALE, QUIET

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from hspkit.plotting.labels import Array

__all__ = ["parity", "reliability"]

#: Normal deviate of a two-sided interval of 90 %.
_Z90 = 1.645
#: Blue of the palette of Okabe and Ito.
_BLUE = "#0072B2"


def _column(table: pd.DataFrame, name: str) -> Array:
    checks.frame(table, "table", "the columns that are drawn")
    if not isinstance(name, str) or name not in table.columns:
        message = f"the table has no column {checks.said(name)}; columns: {', '.join(map(str, table.columns))}"
        raise InputError(message)
    cells = table[name].to_numpy()  # whether something happened may be said by True and False
    return checks.array(cells.astype(float) if cells.dtype == bool else cells, f"column {name!r}", "(n,)")


def _complete(x: Array, y: Array, x_name: str, y_name: str) -> NDArray[np.bool_]:
    """Return which rows have both figures."""
    complete = np.isfinite(x) & np.isfinite(y)
    if not complete.any():
        message = f"no row has both {x_name!r} and {y_name!r}; nothing to draw"
        raise InputError(message)
    return complete


def _rows(out_of_sample: bool, x: Array) -> str:
    """Return what rows were drawn, and how many."""
    return f"{'out of sample' if out_of_sample else 'the rows it was fitted to'}, n\u00a0=\u00a0{len(x)}"


def parity(
    table: pd.DataFrame,
    ax: Axes | None = None,
    *,
    measured: str = "measured",
    predicted: str = "predicted",
    sd: str | None = None,
    quantity: str = "value",
    unit: str = "-",
    out_of_sample: bool,
) -> Axes:
    """Draw predicted against measured values.

    What to read: a point on the line is predicted as measured; above it too high. The band is the mean
    absolute error, bars are 90 % intervals where the table has standard deviations. The title says whether the
    predictions are out of sample: only those tell what to expect of a new substance.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a prediction; rows without both figures are left out and counted. [-]
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.
    measured, predicted : str
        Columns. [-]
    sd : str, optional
        Column of standard deviations of the predictions. [-]
    quantity, unit : str
        What it is, for the labels. [-]
    out_of_sample : bool
        Whether the predicted rows were kept from the fit. It has no default: say it. [-]

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        When a column is missing or no row has both figures.
    TypeError
        When ax is not an Axes.

    Examples
    --------
    >>> import pandas as pd
    >>> from matplotlib.figure import Figure
    >>> table = pd.DataFrame({"measured": [1.0, 2.0], "predicted": [1.5, 2.0]})
    >>> parity(table, ax=Figure().add_subplot(), out_of_sample=True).get_title(loc="left").split(", n")[0]
    'value: mean absolute error 0.25, out of sample'
    """
    x, y = _column(table, measured), _column(table, predicted)
    checks.flag(out_of_sample, "out_of_sample")
    checks.text(quantity, "quantity")
    checks.text(unit, "unit")
    complete = _complete(x, y, measured, predicted)
    axes = axes_for(ax, size=(5.6, 5.6))
    x, y = x[complete], y[complete]
    error = float(np.abs(y - x).mean())
    low, high = float(min(x.min(), y.min())), float(max(x.max(), y.max()))
    room = 0.05 * max(high - low, 1e-9)
    ends = np.array([low - room, high + room])
    axes.fill_between(ends, ends - error, ends + error, color="#E6E6E6", linewidth=0, label="mean absolute error")
    axes.plot(ends, ends, color=INK, linewidth=1.0, label="predicted as measured")
    if sd is not None:
        half = _Z90 * _column(table, sd)[complete]
        axes.errorbar(x, y, yerr=half, fmt="none", ecolor=PALE, elinewidth=0.9, label="90 % interval", zorder=1.5)
        share = float(np.mean(np.abs(y - x) <= half))
    opacity = float(np.clip(12.0 / np.sqrt(len(x)), 0.25, 0.9))
    axes.plot(
        x, y, linestyle="none", marker="o", markersize=4.5, color=_BLUE, alpha=opacity, markeredgewidth=0, zorder=2
    )
    axes.set_xlim(*ends)
    axes.set_ylim(*ends)
    axes.set_aspect("equal")
    axes.set_xlabel(f"{quantity}, measured [{unit}]")
    axes.set_ylabel(f"{quantity}, predicted [{unit}]")
    axes.legend(loc="upper left", fontsize="small", frameon=False)
    left_out = int((~complete).sum())
    more = [f"{100 * share:.0f} % lie in their 90 % interval"] if sd is not None else []
    more += [f"{left_out} rows without both figures left out"] if left_out else []
    state(axes, f"{quantity}: mean absolute error {error:.2g}, {_rows(out_of_sample, x)}", "; ".join(more))
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def reliability(
    table: pd.DataFrame,
    ax: Axes | None = None,
    *,
    probability: str = "probability",
    happened: str = "happened",
    event: str = "clear",
    bins: int = 10,
    out_of_sample: bool,
) -> Axes:
    """Draw how often something happened against how probable it was said to be.

    What to read: on the diagonal the probabilities are right; a point below it was too optimistic. Bars are
    90 % intervals of the share (Wilson), so a bar that meets the diagonal is no evidence against it. The strip below
    counts the cases of each class.

    Parameters
    ----------
    table : pandas.DataFrame
        One row a prediction; rows without both are left out. [-]
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.
    probability : str
        Column of probabilities. [-]
    happened : str
        Column of what was seen: True and False, or 1 and 0. [-]
    event : str
        What happened, for the labels. [-]
    bins : int
        Classes of equal width, 2 to 50. [-]
    out_of_sample : bool
        Whether the rows were kept from the fit. It has no default: say it. [-]

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        When a column is missing, a probability lies outside 0 to 1, or nothing is left to draw.
    TypeError
        When ax is not an Axes.

    References
    ----------
    Interval of a share: E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212.

    Examples
    --------
    >>> import pandas as pd
    >>> from matplotlib.figure import Figure
    >>> table = pd.DataFrame({"probability": [0.1, 0.9, 0.9, 0.9], "happened": [False, True, True, False]})
    >>> axes = reliability(table, ax=Figure().add_subplot(), out_of_sample=True)
    >>> axes.get_xlabel()
    'probability of clear, as said [-]'
    """
    bins = checks.whole(bins, "bins", low=2, high=50)
    checks.flag(out_of_sample, "out_of_sample")
    checks.text(event, "event")
    x, y = _column(table, probability), _column(table, happened)
    complete = _complete(x, y, probability, happened)
    x, y = x[complete], y[complete]
    if x.min() < 0 or x.max() > 1 or not np.isin(y, (0, 1)).all():
        message = f"expected {probability!r} from 0 to 1 and {happened!r} true or false (1 or 0)"
        raise InputError(message)
    axes = axes_for(ax, size=(5.8, 5.8))
    class_of = np.minimum((x * bins).astype(int), bins - 1)
    count = np.bincount(class_of, minlength=bins)
    full = count > 0
    mean = np.bincount(class_of, x, bins)[full] / count[full]
    share = np.bincount(class_of, y, bins)[full] / count[full]
    low, high = wilson(share, count[full])
    gap = float(np.sum(count[full] * np.abs(mean - share)) / count.sum())
    axes.plot([0, 1], [0, 1], color=INK, linewidth=1.0, label="as often as said")
    axes.errorbar(
        mean, share, yerr=[share - low, high - share], fmt="o", color=_BLUE, ecolor=QUIET, elinewidth=1.1,
        capsize=3, markersize=6, label="seen, with 90 % interval",
    )  # fmt: skip
    strip = axes.inset_axes([0.0, -0.31, 1.0, 0.15], sharex=axes)
    strip.bar((np.arange(bins) + 0.5) / bins, count, width=0.92 / bins, color=PALE, edgecolor=INK, linewidth=0.6)
    for k in np.flatnonzero(full):
        strip.text((k + 0.5) / bins, count[k], str(count[k]), ha="center", va="bottom", fontsize="x-small", color=INK)
    strip.set_ylim(0, 1.45 * count.max())
    strip.set_ylabel("cases", fontsize="small")
    strip.set_yticks([])
    strip.tick_params(labelbottom=False)
    axes.set_xlim(-0.02, 1.02)
    axes.set_ylim(-0.02, 1.02)
    axes.set_aspect("equal")
    axes.set_xlabel(f"probability of {event}, as said [-]")
    axes.set_ylabel(f"share that was {event} [-]")
    axes.legend(loc="upper left", fontsize="small", frameon=False)
    state(axes, f"Probability of {event}: off by {gap:.2f} on average, {_rows(out_of_sample, x)}")
    for drawn in (axes, strip):
        drawn.spines[["top", "right"]].set_visible(False)
    return axes


def wilson(share: Array, count: NDArray[np.integer]) -> tuple[Array, Array]:
    """Return the 90 % interval of a share after Wilson (1927).

    Parameters
    ----------
    share : ndarray of shape (n,)
        Shares that were seen. [-]
    count : ndarray of shape (n,)
        Cases. [-]

    Returns
    -------
    low, high : ndarray of shape (n,)
        Ends of the interval. [-]

    Examples
    --------
    >>> low, high = wilson(np.array([0.0]), np.array([10]))
    >>> float(low[0]), round(float(high[0]), 2)
    (0.0, 0.21)
    """
    z2 = _Z90**2 / count
    middle = (share + z2 / 2) / (1 + z2)
    half = np.sqrt(z2 * (share * (1 - share) + z2 / 4)) / (1 + z2)
    return np.clip(middle - half, 0.0, share), np.clip(middle + half, share, 1.0)
