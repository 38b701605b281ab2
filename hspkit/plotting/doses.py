"""The dose of each carrier against its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit.errors import InputError
from hspkit.plotting.canvas import axes_for, literal, state
from hspkit.plotting.outcomes import PALE, QUIET, WARNING, check_ranking, keys, mark, refused, rows_of, struck_word

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hspkit.ranking import Ranking

__all__ = ["dose"]

#: Column of each limit, and how its mark is drawn.
_LIMITS: dict[str, dict[str, Any]] = {
    "taste_limit_mg_per_L": {"marker": "s", "color": "#0072B2", "markeredgewidth": 1, "linestyle": "none"},
    "legal_limit_mg_per_L": {"marker": "|", "color": "#0072B2", "markeredgewidth": 3, "linestyle": "none"},
}


def dose(ranking: Ranking, ax: Axes | None = None) -> Axes:
    """Draw how much of each carrier a litre of product holds, against the legal and the taste limit.

    On each line the round or pointed mark is the dose of this use (its shape is the outcome of the stock), a square the
    taste limit and a bar the legal limit; a dose right of a limit breaks it. An arrow: no limit on record. Hollow and
    struck through: not allowed.

    Parameters
    ----------
    ranking : Ranking
        From `hspkit.rank_carriers` with an application.
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        When the ranking has no application, or no carrier of it has a dose.
    TypeError
        When ax is not an Axes.
    """
    from matplotlib.lines import Line2D

    rows = rows_of([outcome.carrier for outcome in check_ranking(ranking).outcomes], ranking)
    rows = [row for row in rows if np.isfinite(row["carrier_mg_per_L"])]
    if ranking.application is None or not rows:
        message = "this ranking has no doses; rank with application=Application(market, category, oil_mg_per_L=...)"
        raise InputError(message)
    axes = axes_for(ax, size=(8.6, 1.9 + 0.32 * len(rows)))
    figures = [[row["carrier_mg_per_L"], *(row[key] for key in _LIMITS if 0 < row[key] < np.inf)] for row in rows]
    low = 10.0 ** np.floor(np.log10(min(map(min, figures))) - 0.1)
    high = 10.0 ** np.ceil(np.log10(max(map(max, figures))) + 0.1)
    for place, (row, (amount, *limits)) in enumerate(zip(rows, figures, strict=True)):
        if row["allowed"] is not False:
            end = min(limits, default=high * 0.93)
            broken = _over(row)
            axes.plot([amount, end], [place] * 2, color=WARNING if broken else PALE, linewidth=3 if broken else 1.4)
            if not limits:
                axes.plot(end, place, marker=">", color=PALE, markersize=6)
        for key, look in _LIMITS.items():
            if row[key] in limits:
                axes.plot(row[key], place, markersize=14 if look["marker"] == "|" else 6, **look)
        mark(axes, (amount, place), row["verdict"], struck=row["allowed"] is False, size=8)
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:,.10g}")
    axes.set_yticks(range(len(rows)), [literal(str(row["carrier"])) for row in rows])
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        if refused(row):
            tick.set_color(QUIET)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel("carrier in the finished product [mg/L]", loc="left")
    struck = [row for row in rows if row["allowed"] is False]
    handles, words = keys([row["verdict"] for row in rows], any_struck=bool(struck), meaning=struck_word(struck))
    handles += [Line2D([], [], markersize=8, **look) for look in _LIMITS.values()]
    words += ["taste limit", "legal limit"]
    axes.legend(
        handles, words, ncols=len(handles), loc="upper left", bbox_to_anchor=(0.0, -0.62 / (0.32 * len(rows) + 0.4)),
        frameon=False, fontsize="small", borderaxespad=0.0, columnspacing=1.2,
    )  # fmt: skip
    axes.spines[["top", "right"]].set_visible(False)
    product, above = ranking.application, [row["carrier"] for row in rows if _over(row)]
    finding = "no dose is over a limit on record"
    if above:
        finding = f"{len(above)} doses are over a limit: {', '.join(above)}"
    state(axes, f"{ranking.oil.label}: {finding}", f"{product.category}, {product.market}, {product.level()}")
    return axes


def _over(row: dict[str, Any]) -> bool:
    return row["under_legal_limit"] is False or row["under_taste_limit"] is False
