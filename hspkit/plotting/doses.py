"""The dose of each carrier against its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hspkit.errors import InputError
from hspkit.plotting.canvas import axes_for, literal, state
from hspkit.plotting.outcomes import PALE, QUIET, WARNING, check_ranking, keys, mark, rows_of, struck_word

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hspkit.ranking import Ranking

__all__ = ["dose"]


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
    doses = [row["carrier_mg_per_L"] for row in rows]
    limits = [row[key] for row in rows for key in ("legal_limit_mg_per_L", "taste_limit_mg_per_L") if row[key] > 0]
    low = 10.0 ** np.floor(np.log10(min([*doses, *limits])) - 0.1)
    high = 10.0 ** np.ceil(np.log10(max([*doses, *limits])) + 0.1)
    for place, row in enumerate(rows):
        amount, refused = row["carrier_mg_per_L"], row["allowed"] is False
        known = {key: row[f"{key}_limit_mg_per_L"] for key in ("legal", "taste")}
        ends = [value for value in known.values() if np.isfinite(value) and value > 0]
        if not refused:
            end = min(ends) if ends else high * 0.93
            broken = row["under_legal_limit"] is False or row["under_taste_limit"] is False
            axes.plot([amount, end], [place] * 2, color=WARNING if broken else PALE, linewidth=3 if broken else 1.4)
            if not ends:
                axes.plot(end, place, marker=">", color=PALE, markersize=6)
        for key, sign in (("taste", "s"), ("legal", "|")):
            if np.isfinite(known[key]) and known[key] > 0:
                axes.plot(known[key], place, marker=sign, color="#0072B2", markersize=14 if sign == "|" else 6,
                          markeredgewidth=3 if sign == "|" else 1, linestyle="none")  # fmt: skip
        mark(axes, (amount, place), row["verdict"], struck=refused, size=8)
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:,.10g}")
    axes.set_yticks(range(len(rows)), [literal(str(row["carrier"])) for row in rows])
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        if row["allowed"] is False or row["under_legal_limit"] is False:
            tick.set_color(QUIET)
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel("carrier in the finished product [mg/L]", loc="left")
    struck = [row for row in rows if row["allowed"] is False]
    handles, words = keys([row["verdict"] for row in rows], any_struck=bool(struck), meaning=struck_word(struck))
    for sign, label, wide in (("s", "taste limit", 1), ("|", "legal limit", 3)):
        handles.append(
            Line2D([], [], marker=sign, color="#0072B2", markeredgewidth=wide, markersize=8, linestyle="none")
        )
        words.append(label)
    axes.legend(
        handles, words, ncols=len(handles), loc="upper left", bbox_to_anchor=(0.0, -0.62 / (0.32 * len(rows) + 0.4)),
        frameon=False, fontsize="small", borderaxespad=0.0, columnspacing=1.2,
    )  # fmt: skip
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    asked = ranking.application
    above = [row["carrier"] for row in rows if row["under_legal_limit"] is False or row["under_taste_limit"] is False]
    found = f"{len(above)} doses are over a limit: {', '.join(above)}" if above else "no dose is over a limit on record"
    state(axes, f"{ranking.oil.label}: {found}", f"{asked.category}, {asked.market}, {asked.level()}")
    return axes
