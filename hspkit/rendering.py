"""Tables and texts rendered for the screen, as Markdown, HTML and csv.

Everything a user typed is escaped on its way out. HTML needs nothing from elsewhere: no script, no font, no picture.
"""

from __future__ import annotations

import html
import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "csv_text", "html_list", "html_page", "html_table", "markdown_table", "markdown_text", "number", "plain",
    "text_table",
]  # fmt: skip

#: A spreadsheet takes a cell that begins with one of these for a formula; the wide ones where Japanese is typed.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
#: Characters that no text format may hold, and those that turn the direction of writing about.
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\u200e\u200f\u202a-\u202e\u2066-\u2069]")
#: Colours come from the reader's light or dark theme; print is always black on white.
_STYLE = """
:root{color-scheme:light dark}
body{font:15px/1.45 system-ui,"Segoe UI",Roboto,Helvetica,Arial,sans-serif;max-width:78rem;margin:1.5rem auto;
padding:0 1rem}
h1{font-size:1.35rem;margin:0 0 .3rem}h2{font-size:1rem;margin:1rem 0 .25rem}p{margin:.3rem 0}
table{border-collapse:collapse;font-variant-numeric:tabular-nums}
th,td{padding:.15rem .55rem;border-bottom:1px solid rgba(128,128,128,.45);text-align:left;vertical-align:top}
th{font-weight:600}th small{font-weight:400;opacity:.75}.n{text-align:right}td:first-child{white-space:nowrap}
ol,ul{margin:.2rem 0;padding-left:1.3rem}.wide{overflow-x:auto}
.key{border-left:4px solid #0072B2;padding:.2rem .7rem;margin:.6rem 0}.warn{border-left-color:#D55E00}
.pair{display:grid;grid-template-columns:1fr 1fr;gap:0 1.6rem}.small{font-size:.85em}.off{opacity:.65}
@media (max-width:46rem){.pair{display:block}}
@page{size:A4;margin:11mm 12mm}
@media print{:root{color-scheme:light}body{font-size:8.4pt;line-height:1.24;margin:0;padding:0;max-width:none;
color:#000;background:#fff}.fit{font-size:var(--print)}h1{font-size:1.5em}h2{font-size:1.06em;margin:.45em 0 .1em}
p{margin:.15em 0}th,td{padding:.04em .4em}.wide{overflow:visible}.pair{display:grid}.small{font-size:.88em}
tr{break-inside:avoid}}
"""


def plain(value: Any) -> str:
    """Return a value as one line of text without control characters.

    Parameters
    ----------
    value : object
        Anything; None and NaN become a dash. [-]

    Examples
    --------
    >>> plain("two\\nlines"), plain(None)
    ('two lines', '-')
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "-"
    return _CONTROL.sub("", re.sub(r"\s+", " ", str(value))).strip()


def number(value: float | None, digits: int = 3) -> str:
    """Return a number with so many significant digits, thousands apart, without an exponent where one can read it.

    Parameters
    ----------
    value : float or None
        A number; None and NaN become a dash. [-]
    digits : int
        Significant digits. [-]

    Examples
    --------
    >>> number(1234.6, 2), number(0.01234, 2), number(None), number(float("inf"))
    ('1,200', '0.012', '-', 'any')
    """
    if value is None or math.isnan(value):
        return "-"
    if math.isinf(value):
        return "any"
    return f"{float(f'{value:.{digits}g}'):,.10g}"


def text_table(headings: Sequence[str], rows: Sequence[Sequence[Any]], *, left: int = 1) -> str:
    """Return a table in columns of equal width.

    Parameters
    ----------
    headings : sequence of str, length n
        First line. [-]
    rows : sequence of sequences, each of length n
        Cells. [-]
    left : int
        How many columns are set to the left; the others are numbers and set to the right. [-]

    Examples
    --------
    >>> print(text_table(["liquid", "g"], [["oil", "8.4"], ["triacetin", "23.2"]]))
    liquid        g
    ---------------
    oil         8.4
    triacetin  23.2
    """
    cells = [[plain(cell) for cell in line] for line in (headings, *rows)]
    widths = [max(len(line[i]) for line in cells) for i in range(len(headings))]
    lines = [
        "  ".join(
            cell.ljust(width) if i < left else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in cells
    ]
    return "\n".join([lines[0], "-" * max(len(line) for line in lines), *lines[1:]])


def markdown_table(headings: Sequence[str], rows: Sequence[Sequence[Any]], *, left: int = 1) -> str:
    """Return a table in Markdown; what would end a cell or start a tag is escaped.

    Examples
    --------
    >>> print(markdown_table(["a|b", "g"], [["<i>", 1]]))
    | a\\|b | g |
    |:--|--:|
    | &lt;i&gt; | 1 |
    """
    head = "|" + "".join(":--|" if i < left else "--:|" for i in range(len(headings)))
    lines = ["| " + " | ".join(markdown_text(cell) for cell in line) + " |" for line in (headings, *rows)]
    return "\n".join([lines[0], head, *lines[1:]])


def markdown_text(value: Any) -> str:
    """Return a value as text that Markdown shows and does not obey.

    Examples
    --------
    >>> markdown_text("*[x](y)*")
    '\\\\*\\\\[x\\\\](y)\\\\*'
    """
    return html.escape(re.sub(r"([\\`*_\[\]|~#])", r"\\\1", plain(value)), quote=False)


def html_table(headings: Sequence[str | tuple[str, str]], rows: Sequence[Sequence[Any]], *, left: int = 1) -> str:
    """Return a table in HTML, every cell escaped.

    Parameters
    ----------
    headings : sequence of str or (str, str), length n
        Headings, with their units where there are any. [-]
    rows : sequence of sequences, each of length n
        Cells. [-]
    left : int
        How many columns are set to the left. [-]

    Examples
    --------
    >>> html_table(["x"], [["<b>"]])
    '<table><thead><tr><th>x</th></tr></thead><tbody><tr><td>&lt;b&gt;</td></tr></tbody></table>'
    """
    marks = ["" if i < left else ' class="n"' for i in range(len(headings))]
    head = ""
    for heading, mark in zip(headings, marks, strict=True):
        name, unit = (heading, None) if isinstance(heading, str) else heading
        small = "" if unit is None else f"<br><small>{html.escape(plain(unit) if unit else '')}</small>"
        head += f"<th{mark}>{html.escape(plain(name))}{small}</th>"
    body = "".join(
        "<tr>"
        + "".join(f"<td{mark}>{html.escape(plain(cell))}</td>" for cell, mark in zip(row, marks, strict=True))
        + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def html_list(lines: Sequence[Any], *, ordered: bool = False) -> str:
    """Return a list in HTML, every line escaped.

    Examples
    --------
    >>> html_list(["a & b"])
    '<ul><li>a &amp; b</li></ul>'
    """
    tag = "ol" if ordered else "ul"
    return f"<{tag}>" + "".join(f"<li>{html.escape(plain(line))}</li>" for line in lines) + f"</{tag}>"


def html_page(title: str, body: str) -> str:
    """Return a page that opens without a network and runs nothing.

    Parameters
    ----------
    title : str
        Title; escaped here. [-]
    body : str
        HTML of which every text is already escaped. [-]

    Examples
    --------
    >>> "&lt;script&gt;" in html_page("<script>", "")
    True
    """
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">"
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{html.escape(plain(title))}</title><style>{_STYLE}</style></head>\n<body>\n{body}\n</body></html>\n"
    )


def csv_text(frame: pd.DataFrame, *, float_format: str | None = None) -> str:
    """Return a table as csv in which no text can run as a formula of a spreadsheet.

    A text that begins with ``=``, ``+``, ``-``, ``@``, a tab or a line end gets an apostrophe in front, which
    spreadsheets take as "this is text"; a carriage return inside a text becomes a line feed, which is quoted, because
    a bare one would start a row. Numbers stay as they are.

    Parameters
    ----------
    frame : pandas.DataFrame
        The table; its index is left out. [-]
    float_format : str, optional
        Format of numbers, such as "%.3f". [-]

    Examples
    --------
    >>> import pandas as pd
    >>> print(csv_text(pd.DataFrame({"smiles": ["=1+1", "CCO"], "x": [-1.5, 2.0]})))
    smiles,x
    '=1+1,-1.5
    CCO,2.0
    """

    import pandas as pd

    def safe(cell: Any) -> Any:
        if not isinstance(cell, str):
            return cell
        return ("'" if cell.startswith(_FORMULA) else "") + cell.replace("\r\n", "\n").replace("\r", "\n")

    columns = {}  # by place: two columns may have one name
    for place in range(frame.shape[1]):
        column = frame.iloc[:, place].reset_index(drop=True)
        if column.dtype.kind not in "biufc":
            column = pd.Series([safe(cell) for cell in column], dtype=object)  # which holds any text
        columns[place] = column
    shown = pd.DataFrame(columns)
    shown.columns = [safe(str(column)) for column in frame.columns]
    return str(shown.to_csv(index=False, float_format=float_format, lineterminator="\n")).rstrip("\n")
