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

    from hspkit.miscibility import Outcome
    from hspkit.ranking import Ranking

__all__ = ["ranking"]

_REASONS = tuple((column.name, column.figure) for column in RANKING_FIGURE if column.unit == "-")
_FIGURES = tuple((column.name, column.figure) for column in RANKING_FIGURE if column.unit != "-")
#: Where the columns stand, in lengths of a full bar.
_VERDICT, _FIRST, _WIDE, _NARROW = 1.04, 1.44, 0.145, 0.135
#: Shares too small to be seen are not drawn [-].
_SEEN = 0.003


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
        _bar(axes, place, row, outcome)
    axes.text(np.mean(UNDECIDED), -0.65, "undecided", ha="center", va="bottom", fontsize="small", color=QUIET)
    end = _FIRST
    for key, label in _FIGURES:
        cells = [(_figure(row[key]), QUIET if refused(row) else INK) for row in rows]
        end = _column(axes, end, _WIDE, label, cells, size="small")
    for key, label in _REASONS:
        if any(row[key] is not None for row in rows):
            cells = [_sign(row, key, judged=ranking.application is not None) for row in rows]
            end = _column(axes, end, _NARROW, label, cells, size="medium")
    _finish(axes, rows, end)
    state(axes, _finding(ranking, rows), ranking.question())
    return axes


def _bar(axes: Any, place: int, row: dict[str, Any], outcome: Outcome) -> None:
    """Draw the probabilities of the outcomes of one carrier, and the verdict in words."""
    struck, left = refused(row), 0.0
    for name, share in (("clear", row["p_clear"]), ("hazy", outcome.p_hazy), ("splits", outcome.p_splits)):
        look = OUTCOMES[name]
        if share >= _SEEN:  # which NaN, for nothing known, is not
            axes.barh(
                place, share, left=left, height=0.6, linewidth=0.9, zorder=2, edgecolor=QUIET if struck else look.color,
                facecolor="white" if name != "clear" else "#DDDDDD" if struck else look.color, hatch=look.hatch,
            )  # fmt: skip
            left += share
    mark(axes, (_VERDICT + 0.015, place), row["verdict"], struck=struck, size=7.5)
    words, size = row["verdict"] + (", undecided" if row["undecided"] else ""), "small"
    if outcome.carrier.not_for_ingestion:
        words, size = f"{row['verdict']}, {NOT_FOR_INGESTION}", "x-small"
    axes.text(_VERDICT + 0.055, place, words, va="center", fontsize=size, color=QUIET if struck else INK)


def _column(axes: Any, start: float, width: float, label: str, cells: list[tuple[str, str]], *, size: str) -> float:
    """Write a column of texts in their colours under its heading; return where it ends."""
    middle = start + 0.5 * width
    axes.text(middle, -0.65, label, ha="center", va="bottom", fontsize="small", color=INK)
    for place, (text, colour) in enumerate(cells):
        axes.text(middle, place, text, ha="center", va="center", fontsize=size, color=colour)
    return start + width


def _figure(value: float) -> str:
    if not np.isfinite(value):
        return "?"
    return "any" if value >= 100.0 else "<0.1" if 0 < value < 0.1 else f"{value:.1f}" if value else "0"


def _sign(row: dict[str, Any], key: str, *, judged: bool) -> tuple[str, str]:
    """Return the sign of a reason: yes, no, not on record, or not asked: without a market, or of a refused carrier."""
    if row[key] is None:
        unasked = row["allowed"] is False and key == "under_legal_limit"
        return ("–", PALE) if unasked or (key == "allowed" and not judged) else ("?", QUIET)
    return ("✓", INK) if row[key] else ("✗", WARNING)


def _finish(axes: Any, rows: list[dict[str, Any]], end: float) -> None:
    """Name the rows, rule off the refused ones, and draw the scale."""
    from matplotlib.patches import Patch

    axes.set_yticks(range(len(rows)), [literal(str(row["carrier"])) for row in rows])
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        tick.set_color(QUIET if refused(row) else INK)
    refusals = [place for place, row in enumerate(rows) if refused(row)]
    if refusals and refusals[0] > 0:
        axes.axhline(refusals[0] - 0.5, color=INK, linewidth=0.8, linestyle=(0, (1, 2)))
    axes.set_ylim(len(rows) - 0.4, -2.3)  # leaves room for the headings of the columns
    axes.set_xlim(0.0, end)
    axes.set_xticks([0, 0.25, 0.5, 0.75, 1.0])
    axes.set_xlabel("probability of each outcome [-]", loc="left")
    axes.tick_params(axis="y", length=0)
    axes.spines[:].set_visible(False)
    handles = [
        Patch(facecolor=look.color if name == "clear" else "white", edgecolor=look.color, hatch=look.hatch, label=name)
        for name, look in OUTCOMES.items()
        if name != "unknown"
    ]
    if refusals:
        handles.append(Patch(facecolor="#DDDDDD", edgecolor=QUIET, label="grey: refused"))
    axes.legend(
        handles=handles, ncols=len(handles), loc="upper right", bbox_to_anchor=(1.0, -0.02), frameon=False,
        fontsize="small", borderaxespad=0.0, columnspacing=1.4,
    )  # fmt: skip


def _finding(ranking: Ranking, rows: list[dict[str, Any]]) -> str:
    verdicts = [row["verdict"] for row in rows if not refused(row)]
    clear, unknown = verdicts.count("clear"), verdicts.count("unknown")
    word = "allowed carriers" if ranking.application is not None else "carriers"
    doubt = f"; {unknown} not known" if unknown else ""
    if not clear:
        return f"None of {len(verdicts)} {word} is known to hold the oil clear{doubt}"
    first = f"; first in order {ranking.best}" if ranking.best else ""
    return f"{clear} of {len(verdicts)} {word} hold the oil clear{first}{doubt}"
