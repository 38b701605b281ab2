"""The ranking: bars of the three outcomes, figures, and a strip of reasons."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit.carriers import NOT_FOR_INGESTION
from hspkit.columns import RANKING_FIGURE
from hspkit.miscibility import UNDECIDED
from hspkit.plotting.canvas import axes_for, literal, state
from hspkit.plotting.outcomes import INK, OUTCOMES, PALE, QUIET, WARNING, check_ranking, mark, refused, rows_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hspkit.ranking import Ranking

__all__ = ["ranking"]

_REASONS = tuple((column.name, column.figure) for column in RANKING_FIGURE if column.unit == "-")
_FIGURES = tuple((column.name, column.figure) for column in RANKING_FIGURE if column.unit != "-")
#: Where the columns stand, in lengths of a full bar.
_VERDICT, _FIRST, _WIDE, _NARROW = 1.04, 1.44, 0.145, 0.135
#: Shares too small to be seen are not drawn [-].
_SEEN = 0.003
_NO_MARK = ("?", QUIET)
_YES, _NO = ("✓", INK), ("✗", WARNING)


def ranking(ranking: Ranking, ax: Axes | None = None) -> Axes:
    """Draw a ranking: bars of the probability of each outcome, what it holds, and one column for each reason.

    What to read: from the top. A full bar is surely clear; hatched is the probability of haze, white that of a
    split. A bar that ends in the grey band is undecided: run a trial. Right of it the outcome in words, the most oil
    that stays clear and the water at which the stock clouds (both % by volume of the whole), then whether the carrier
    is allowed, within its legal and its taste limit, thin enough to pour, and whether the drink stays clear. A question
    mark is a fact that is not on record, a dash a question that was not asked. Below the line, grey and struck through:
    refused; what is not for ingestion is refused by every market and without one.

    Parameters
    ----------
    ranking : Ranking
        From `hspkit.rank_carriers`.
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    TypeError
        When ax is not an Axes.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> from hspkit.ranking import rank_carriers
    >>> axes = globals()["ranking"](rank_carriers("limonene", carriers=["glycerol"]), ax=Figure().add_subplot())
    >>> [label.get_text() for label in axes.get_yticklabels()]
    ['glycerol']
    """
    rows = rows_of([outcome.carrier for outcome in check_ranking(ranking).outcomes], ranking)
    axes = axes_for(ax, size=(10.4, 2.3 + 0.28 * len(rows)))
    axes.fill_between(UNDECIDED, -0.55, len(rows) - 0.4, color="#EEEEEE", zorder=0, linewidth=0)
    for place, (row, outcome) in enumerate(zip(rows, ranking.outcomes, strict=True)):
        struck = refused(row)
        left = 0.0
        for name, share in (("clear", row["p_clear"]), ("hazy", outcome.p_hazy), ("splits", outcome.p_splits)):
            look = OUTCOMES[name]
            if not share >= _SEEN:  # nor where nothing is known
                continue
            axes.barh(
                place, share, left=left, height=0.6, linewidth=0.9, zorder=2, edgecolor=QUIET if struck else look.color,
                facecolor="white" if name != "clear" else "#DDDDDD" if struck else look.color, hatch=look.hatch,
            )  # fmt: skip
            left += share
        mark(axes, (_VERDICT + 0.015, place), row["verdict"], struck=struck, size=7.5)
        words = row["verdict"] + (", undecided" if row["undecided"] else "")
        barred = outcome.carrier.not_for_ingestion
        words = f"{row['verdict']}, {NOT_FOR_INGESTION}" if barred else words
        quiet = QUIET if struck else INK
        axes.text(_VERDICT + 0.055, place, words, va="center", fontsize="x-small" if barred else "small", color=quiet)
        for (key, _), x in zip(_FIGURES, _spots(0, len(_FIGURES), _WIDE), strict=True):
            axes.text(x, place, _figure(row[key]), ha="center", va="center", fontsize="small", color=quiet)
    asked = [(key, label) for key, label in _REASONS if any(row[key] is not None for row in rows)]
    after = len(_FIGURES) * _WIDE
    for (key, label), x in zip(asked, _spots(after, len(asked), _NARROW), strict=True):
        axes.text(x, -0.65, label, ha="center", va="bottom", fontsize="small", color=INK)
        for place, row in enumerate(rows):
            sign, colour = _sign(row, key, judged=ranking.application is not None)
            axes.text(x, place, sign, ha="center", va="center", color=colour)
    for (_, label), x in zip(_FIGURES, _spots(0, len(_FIGURES), _WIDE), strict=True):
        axes.text(x, -0.65, label, ha="center", va="bottom", fontsize="small", color=INK)
    axes.text(np.mean(UNDECIDED), -0.65, "undecided", ha="center", va="bottom", fontsize="small", color=QUIET)
    _finish(axes, rows, after + len(asked) * _NARROW)
    state(axes, _finding(ranking, rows), ranking.question())
    return axes


def _spots(after: float, count: int, step: float) -> list[float]:
    return [_FIRST + after + step * (k + 0.5) for k in range(count)]


def _figure(value: float) -> str:
    if not np.isfinite(value):
        return "?"
    return "any" if value >= 100.0 else "<0.1" if 0 < value < 0.1 else f"{value:.1f}" if value else "0"


def _sign(row: dict[str, Any], key: str, *, judged: bool) -> tuple[str, str]:
    """Return the sign of a reason: yes, no, not on record, or not asked: without a market, or of a refused carrier."""
    value = row[key]
    if value is None:
        unasked = row["allowed"] is False and key == "under_legal_limit"
        return ("–", PALE) if unasked or (key == "allowed" and not judged) else _NO_MARK
    return _YES if value else _NO


def _finish(axes: Any, rows: list[dict[str, Any]], used: float) -> None:
    """Name the rows, rule off the refused ones, and draw the scale."""
    from matplotlib.patches import Patch

    axes.set_yticks(range(len(rows)), [literal(str(row["carrier"])) for row in rows])
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        tick.set_color(QUIET if refused(row) else INK)
    turned = [place for place, row in enumerate(rows) if refused(row)]
    if turned and turned[0] > 0:
        axes.axhline(turned[0] - 0.5, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    axes.set_ylim(len(rows) - 0.4, -2.3)  # the heads of the columns stand in the frame
    axes.set_xlim(0.0, _FIRST + used)
    axes.set_xticks([0, 0.25, 0.5, 0.75, 1.0])
    axes.set_xlabel("probability of each outcome [-]", loc="left")
    axes.tick_params(axis="y", length=0)
    for side in ("top", "right", "bottom", "left"):
        axes.spines[side].set_visible(False)
    handles = [
        Patch(facecolor=look.color if name == "clear" else "white", edgecolor=look.color, hatch=look.hatch, label=name)
        for name, look in OUTCOMES.items()
        if name != "unknown"
    ]
    if turned:
        handles.append(Patch(facecolor="#DDDDDD", edgecolor=QUIET, label="grey: refused"))
    axes.legend(
        handles=handles, ncols=len(handles), loc="upper right", bbox_to_anchor=(1.0, -0.02), frameon=False,
        fontsize="small", borderaxespad=0.0, columnspacing=1.4,
    )  # fmt: skip


def _finding(ranking: Ranking, rows: list[dict[str, Any]]) -> str:
    open_ones = [row for row in rows if not refused(row)]
    clear = [row for row in open_ones if row["verdict"] == "clear"]
    word = "allowed carriers" if ranking.application is not None else "carriers"
    unknown = sum(row["verdict"] == "unknown" for row in open_ones)
    open_question = f"; {unknown} not known" if unknown else ""
    if not clear:
        return f"None of {len(open_ones)} {word} is known to hold the oil clear{open_question}"
    first = f"; first in order {ranking.best}" if ranking.best else ""
    return f"{len(clear)} of {len(open_ones)} {word} hold the oil clear{first}{open_question}"
