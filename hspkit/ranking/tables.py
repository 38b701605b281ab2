"""The rows of a ranking as a table on a page and on the screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hspkit import columns, rendering

__all__ = ["PAGE_LEGEND", "SCREEN_LEGEND", "page_table", "screen_table"]

PAGE_LEGEND = (
    "Stock: oil and carrier. p(clear): probability of clear. Max oil: cloud point as oil is added. Water: cloud point "
    "as water is added. Ra: Hansen distance to the oil. Index: the stock unmixes by itself from L = 1 on. "
    "Doses and limits: of the carrier, in the finished product. A dash: not known or not asked."
)
SCREEN_LEGEND = (
    "Ra [MPa^0.5]: Hansen distance to the oil. Index: the stock unmixes by itself from L = 1 on. Max oil, "
    "water: cloud points. Dose, legal, taste: carrier in the product; a '!' marks a limit that is broken. In the "
    "drink: the carrier itself dissolves. '-': not known or not asked."
)
#: Limits that are marked on the screen where a row breaks them, with the column that says so.
_BROKEN_BY = {"legal_limit_mg_per_L": "under_legal_limit", "taste_limit_mg_per_L": "under_taste_limit"}


def page_table(rows: Sequence[Mapping[str, columns.Cell]]) -> str:
    """Return the rows as a table in HTML, without columns in which nothing is known.

    Parameters
    ----------
    rows : sequence of mappings
        As from `Ranking.shown`. [-]
    """
    shown = [column for column in columns.RANKING_PAGE if any(columns.is_known(row[column.name]) for row in rows)]
    cells = [[column.page(row[column.name]) for column in shown] for row in rows]
    return rendering.html_table([column.heading for column in shown], cells, left=2)


def screen_table(rows: Sequence[Mapping[str, columns.Cell]]) -> str:
    """Return the rows as text in columns of equal width, one carrier a line.

    Parameters
    ----------
    rows : sequence of mappings
        As from `Ranking.shown`. [-]
    """
    shown = columns.RANKING_SCREEN
    lines = [[column.screen_heading[line] for column in shown] for line in (0, 1)]
    for row in rows:
        marks = {name: "!" for name, reason in _BROKEN_BY.items() if row[reason] is False}
        lines.append(
            [rendering.plain(column.screen(row[column.name])) + marks.get(column.name, "") for column in shown]
        )
    widths = [max(map(len, cells)) for cells in zip(*lines, strict=True)]
    printed = []
    for line in lines:
        carrier, verdict, *figures = (
            cell.ljust(width) if k < 2 else cell.rjust(width)
            for k, (cell, width) in enumerate(zip(line, widths, strict=True))
        )
        printed.append("  ".join([f"{carrier} {verdict}", *figures]))
    printed.insert(2, "-" * max(map(len, printed)))
    return "\n".join(line.rstrip() for line in printed)
