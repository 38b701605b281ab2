"""Peaks of a GC report: from the text of a csv, or from a table, to checked names and shares.

Which substance a peak is, is not decided here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from hspkit import checks
from hspkit.delimited import (
    HEAD_LINES,
    MADE_A_DATE,
    Rows,
    decimal_signs,
    decoded,
    is_date,
    is_grouped,
    read_number,
    rows_text,
    split_rows,
)
from hspkit.errors import DataFileError, InputError
from hspkit.files import file_bytes

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "SUM_TOLERANCE", "Peak", "Report", "Sheet", "peaks", "read_csv", "sheet_of", "sums_the_others",
]  # fmt: skip

#: How far the shares of a profile may exceed 100 % [percentage points]: reports round each peak.
SUM_TOLERANCE = 0.5
#: More peaks than the report of any oil has; each that is unknown costs a search for names like it.
MAX_PEAKS = 2000
#: A profile that sums to less was written in fractions of 1, not in percent [%].
FRACTIONS_BELOW = 1.5
NAME_HEADINGS = ("component", "compound", "constituent", "substance", "name")
CAS_HEADINGS = ("cas", "cas number", "cas no", "cas no.", "cas rn")
SHARE_HEADINGS = (
    "percent", "%", "area %", "% area", "area percent", "peak area %", "mass %", "mass percent", "weight %",
    "weight percent", "wt %", "% w w", "area", "pct", "share", "typical pct",
)  # fmt: skip
_NAME_WORDS = frozenset({"component", "compound", "name"})
_CAS_WORDS = frozenset({"cas"})
_SHARE_WORDS = frozenset({"%", "percent", "pct"})
#: Units that are no per cent by area or mass, and words of headings over per cents of something else.
_OTHER_UNITS = frozenset({
    "ppm", "ppb", "ppt", "mg", "ug", "ng", "g", "ml", "counts", "count", "mol", "mole", "molar", "vol",
    "volume", "v", "fraction",
})  # fmt: skip
_OTHER_WORDS = _OTHER_UNITS | frozenset({
    "rsd", "sd", "dev", "stdev", "cv", "error", "match", "quality", "qual", "similarity", "prob", "probability",
    "score", "fit", "min", "max",
})  # fmt: skip
_TRACE = {"", "-", "–", "n.d.", "nd", "n.d", "tr", "tr.", "t", "trace", "traces"}
#: First or last words of rows that add other rows up (common practice, no source).
_TOTAL_WORDS = frozenset({
    "total", "totals", "totale", "totali", "totaal", "totalt", "sum", "sums", "summe", "summa", "somme", "suma",
    "soma", "insgesamt", "zwischensumme", "subtotal", "celkem", "razem", "итого", "всего", "合計", "合计",
})  # fmt: skip
_TOTALS = {"identified", "identified compounds", "identified components", "identified constituents"}
_NO_CAS = {"", "-", "--", "?", "n/a", "na", "n.a.", "none", "unknown", "not available"}


class Peak(NamedTuple):
    """One peak with a share above zero.

    Attributes
    ----------
    name, cas : str
        As the report has them; either may be empty. [-]
    percent : float
        Its share. [area or mass %]
    row : int
        Row of the file, the header being row 1; of a table, counted from 1. [-]
    """

    name: str
    cas: str
    percent: float
    row: int


class Sheet(NamedTuple):
    """Cells of a report, before they are understood.

    Attributes
    ----------
    header : list of str
        Headings. [-]
    rows : list of (int, list of str)
        Number and cells of each row. [-]
    notes : tuple of str
        What was left out to find the headings. [-]
    """

    header: list[str]
    rows: Rows
    notes: tuple[str, ...] = ()


class Report(NamedTuple):
    """Peaks of a report, and what to know of how they were read.

    Attributes
    ----------
    peaks : tuple of Peak
        In the order of the report. [-]
    notes : tuple of str
        Lines and rows that were left out, and which column was taken for the shares. [-]
    """

    peaks: tuple[Peak, ...]
    notes: tuple[str, ...]


def read_csv(path: str | Path, *, component: str | None = None, percent: str | None = None) -> Sheet:
    """Return the headings and the rows of a csv, whatever its separator and encoding.

    The headings are the first row with one of names or CAS numbers and one of shares; what stands above is left out.

    Parameters
    ----------
    path : str or Path
        A file with commas, semicolons or tabs, in UTF-8, UTF-16 or Windows-1252. [-]
    component, percent : str, optional
        As in `peaks`. [-]

    Raises
    ------
    DataFileError
        When the file cannot be read or is empty.
    """
    file = Path(path)
    text, _ = decoded(file_bytes(file), file.name)
    if not text.strip():
        raise checks.fault(file.name, "the file is empty; expected a header and one row per component", DataFileError)
    _, rows = split_rows(text, file.name, lambda rows: _head(rows, component, percent))
    place = _head(rows[:HEAD_LINES], component, percent) or 0
    notes: tuple[str, ...] = ()
    if place:
        above = rows_text([line for line, _ in rows[:place]])
        notes = (f"{file.name}: the headings stand in row {rows[place][0]}; left out above them: {above}",)
    return Sheet([cell.strip() for cell in rows[place][1]], rows[place + 1 :], notes)


def sheet_of(frame: pd.DataFrame) -> Sheet:
    """Return the headings and the rows of a DataFrame, counted from 1.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row per peak. [-]

    Examples
    --------
    >>> import pandas as pd
    >>> sheet_of(pd.DataFrame({"name": ["limonene", None], "%": [94.0, 1.0]})).rows
    [(1, ['limonene', '94.0']), (2, ['', '1.0'])]
    """
    import pandas as pd

    rows = [
        (row, ["" if pd.api.types.is_scalar(value) and pd.isna(value) else str(value) for value in values])
        for row, values in enumerate(frame.itertuples(index=False), start=1)
    ]
    return Sheet([str(column) for column in frame.columns], rows)


def _head(rows: Rows, component: str | None, percent: str | None) -> int | None:
    """Return the place of the first row that has headings of names and of shares."""
    for place, (_, cells) in enumerate(rows):
        header = [cell.strip() for cell in cells]
        named, shared = _named(header, component), _shared(header, percent)
        if named and shared and set(shared) - set(named) and not any(re.search(r"\d\s*%", header[at]) for at in shared):
            return place
    return None


def sums_the_others(peaks: Sequence[Peak]) -> bool:
    """Tell whether the last peak is as large as all others together, within their rounding.

    Parameters
    ----------
    peaks : sequence of Peak
        Peaks in the order of the report. [-]

    Examples
    --------
    >>> shares = [94.35, 1.9, 96.25]
    >>> sums_the_others([Peak(str(row), "", share, row) for row, share in enumerate(shares)])
    True
    """
    if len(peaks) < 2:
        return False
    decimals = max(len(f"{peak.percent:.6g}".partition(".")[2]) for peak in peaks)
    rounding = min(SUM_TOLERANCE, 0.5 * len(peaks) / 10**decimals)
    return abs(peaks[-1].percent - sum(peak.percent for peak in peaks[:-1])) <= rounding + 1e-9


# --- columns ---


class _Columns(NamedTuple):
    """Places of the columns of names, shares and CAS numbers (None without one), and what to know of the choice."""

    name: int
    share: int
    cas: int | None
    notes: tuple[str, ...]


def _words(heading: str) -> list[str]:
    return re.findall(r"[a-z0-9.]+|%", heading.lower())


def _plain(header: Sequence[str]) -> list[str]:
    return [" ".join(_words(heading)) for heading in header]


def _places(header: Sequence[str], usual: Sequence[str], words: frozenset[str]) -> list[int]:
    """Return the columns with a usual heading, the best first, or else those whose heading has one of the words."""
    plain = _plain(header)
    places = [place for heading in usual for place, cell in enumerate(plain) if cell == heading]
    return places or [place for place, heading in enumerate(plain) if words & set(heading.split())]


def _named(header: Sequence[str], component: str | None) -> list[int]:
    """Return the columns that may hold names or CAS numbers."""
    if component is None:
        return _places(header, NAME_HEADINGS, _NAME_WORDS) + _places(header, CAS_HEADINGS, _CAS_WORDS)
    return _with_heading(header, component, "component")


def _shared(header: Sequence[str], percent: str | None) -> list[int]:
    """Return the columns that may hold shares."""
    if percent is None:
        plain = ["" if _OTHER_WORDS & set(_words(heading)) else heading for heading in header]
        return _places(plain, SHARE_HEADINGS, _SHARE_WORDS)
    return _with_heading(header, percent, "percent")


def _with_heading(header: Sequence[str], heading: str, argument: str) -> list[int]:
    checks.text(heading, argument, "the heading of a column, or None")
    return [place for place, cell in enumerate(header) if cell == heading]


def _only(
    header: Sequence[str], places: list[int], heading: str | None, usual: Sequence[str], kind: str, where: str
) -> int:
    """Return the one of several columns that holds names, shares or the like; an error when that is not sure."""
    shown = ", ".join(map(repr, header))
    plain = _plain(header)
    if not places and heading is not None:
        problem = f"no column {heading!r}; the header has {shown}"
    elif not places:
        problem = f"no column of {kind} in the header {shown}; expected one of {', '.join(usual)}, or say which it is"
    elif len(places) > 1 and (heading is not None or plain.count(plain[places[0]]) > 1):
        problem = f"the header has {header[places[0]]!r} twice; say which column holds the {kind}"
    elif len(places) > 1 and plain[places[0]] not in usual:
        problem = (
            f"no column of {kind} that is sure: {', '.join(repr(header[place]) for place in places)} in the header; "
            "say which it is, or delete the others"
        )
    else:
        return places[0]
    raise checks.fault(where, problem, DataFileError)


def _find_columns(header: Sequence[str], where: str, component: str | None, percent: str | None) -> _Columns:
    notes = []
    cas_places = _places(header, CAS_HEADINGS, _CAS_WORDS)
    if component is None:
        named = _places(header, NAME_HEADINGS, _NAME_WORDS) or cas_places
        if len(named) > 1 and cas_places and _plain(header)[named[0]] not in NAME_HEADINGS:
            unsure = ", ".join(repr(header[place]) for place in named)
            notes.append(f"{where}: the CAS numbers are read alone, because names may stand in any of {unsure}")
            named = cas_places
    else:
        named = _named(header, component)
    name = _only(header, named, component, (*NAME_HEADINGS, *CAS_HEADINGS), "names or CAS numbers", where)
    share = _only(header, _shared(header, percent), percent, SHARE_HEADINGS, "shares", where)
    cas = _only(header, cas_places, None, CAS_HEADINGS, "CAS numbers", where) if cas_places else None
    words = [set(_words(heading)) for heading in header]
    if percent is not None and _OTHER_UNITS & words[share]:
        problem = f"column {header[share]!r} is not in % by area or mass; convert it and call it 'mass %'"
        raise checks.fault(where, problem, DataFileError)
    rivals = [
        repr(header[place])
        for place, said in enumerate(words)
        if place != share and said & _SHARE_WORDS and not said & _OTHER_WORDS
    ]
    if percent is None and rivals:
        notes.append(f"{where}: the shares are those of column {header[share]!r}, not of {', '.join(rivals)}")
    return _Columns(name, share, cas, tuple(notes))


# --- rows ---


def _is_total(name: str, others: Sequence[str]) -> bool:
    """Tell whether a row is the sum of others, by its name or, where it has none, by the text of another cell."""
    for text in [name] if name else others:
        words = re.findall(r"[^\W\d_]+", text.casefold())
        ends = {*words[:1], *words[-1:]}
        if _TOTAL_WORDS & ends or " ".join(words) in _TOTALS or (words and words[0].startswith("gesamt")):
            return True
    return False


def _cas(cell: str) -> str:
    """Return the CAS number of a cell as it is written in the tables, any other text as it is."""
    text = re.sub(r"[‐‑‒–—−]", "-", cell.strip())
    text = re.sub(r"^(?:cas\b[\s:#]*)?0*(?=\d+-\d\d-\d$)", "", text, flags=re.IGNORECASE)
    return "" if text.casefold() in _NO_CAS else text


def _read_share(cell: str, column: str, signs: frozenset[str]) -> float:
    expected = "a number from 0 to 100 %"
    text = cell.strip().removesuffix("%").strip()
    if text.lower() in _TRACE or text.startswith("<"):
        return 0.0
    value = read_number(text, column, signs, expected)
    if not 0 <= value <= 100 + SUM_TOLERANCE:
        raise checks.refuse(cell, column, expected)
    return value


def _read_peak(row: list[str], line: int, header: Sequence[str], columns: _Columns, signs: frozenset[str]) -> Peak:
    name, share, cas, _ = columns
    for place in (name, share, name if cas is None else cas):
        if is_date(row[place]):
            message = f"column {header[place]!r} is {row[place].strip()!r}: {MADE_A_DATE}"
            raise InputError(message)
    percent = _read_share(row[share], f"column {header[share]!r}", signs)
    return Peak("" if name == cas else row[name].strip(), "" if cas is None else _cas(row[cas]), percent, line)


def peaks(sheet: Sheet, where: str, *, component: str | None = None, percent: str | None = None) -> Report:
    """Return the peaks of a table after checking every cell.

    "tr", "n.d.", "<0.1" and an empty cell count as zero; zeros and rows that add others up are left out, and the notes
    say which.

    Parameters
    ----------
    sheet : Sheet
        Headings and cells. [-]
    where : str
        Name of the table, for messages. [-]
    component, percent : str, optional
        Headings of the names and of the shares; usual ones are found without. [-]

    Raises
    ------
    DataFileError
        Naming table, row and column: no column of names or shares, a cell that is not a number of % or a date, a
        name that stands twice, shares that exceed 100 % or may be counts or fractions.

    Examples
    --------
    >>> rows = [(2, ["limonene", "94,3"]), (3, ["myrcene", "tr"]), (4, ["Total", "94,3"])]
    >>> report = peaks(Sheet(["Compound", "Area %"], rows), "orange.csv")
    >>> report.peaks
    (Peak(name='limonene', cas='', percent=94.3, row=2),)
    >>> print(*report.notes, sep="\\n")
    orange.csv, row 4: 'Total', '94,3' adds other rows up and is left out
    orange.csv: counted as zero: row 3
    """
    header, columns = sheet.header, _find_columns(sheet.header, where, component, percent)
    notes = [*sheet.notes, *columns.notes]
    rows = [(line, row) for line, row in sheet.rows if any(map(str.strip, row))]
    cells = [row[columns.share].strip().removesuffix("%") for _, row in rows if len(row) > columns.share]
    # without proof of a decimal sign, thousands are no shares: what looks like them has three decimals
    signs = decimal_signs(cells) or frozenset(filter(None, map(is_grouped, cells)))
    present: list[Peak] = []
    absent: list[int] = []
    lines: dict[str, int] = {}
    for line, row in rows:
        spot = f"{where}, row {line}"
        if len(row) != len(header):
            problem = f"{len(row)} cells for {len(header)} columns; quote cells that hold the separator"
            raise checks.fault(spot, problem, DataFileError)
        name, cell = row[columns.name].strip(), row[columns.share].strip()
        others = [text for place, text in enumerate(row) if place != columns.share and text.strip()]
        if _is_total(name, others):
            notes.append(f"{spot}: {name or others[0]!r}, {cell!r} adds other rows up and is left out")
            continue
        try:
            peak = _read_peak(row, line, header, columns, signs)
        except InputError as error:
            raise checks.fault(spot, str(error), DataFileError) from None
        last = line == rows[-1][0] and not others and peak.percent > 0
        if last and (abs(peak.percent - 100) <= SUM_TOLERANCE or sums_the_others([*present, peak])):
            notes.append(f"{spot}: {cell!r} without a name adds other rows up and is left out")
            continue
        if name and name.lower() in lines:
            problem = (
                f"column {header[columns.name]!r}: {name!r} stands in row {lines[name.lower()]} already; add them up"
            )
            raise checks.fault(spot, problem, DataFileError)
        lines[name.lower()] = line
        if peak.percent > 0:
            present.append(peak)
        else:
            absent.append(line)
        if len(present) > MAX_PEAKS:
            problem = f"more than {MAX_PEAKS} peaks; is this the report of one oil? Leave out the smallest peaks"
            raise checks.fault(spot, problem, DataFileError)
    if absent:
        notes.append(f"{where}: counted as zero: {rows_text(absent)}")
    _check_sum(present, header[columns.share], percent, where)
    return Report(tuple(present), tuple(notes))


def _check_sum(peaks: Sequence[Peak], heading: str, percent: str | None, where: str) -> None:
    total = sum(peak.percent for peak in peaks)
    problem = ""
    if total > 100 + SUM_TOLERANCE:
        problem = f"sums to {total:.2f} %; expected at most 100 %"
        if sums_the_others(peaks):
            last = peaks[-1]
            problem += (
                f"; row {last.row}, {last.name or last.cas!r}, is as much as all others together: if it is their "
                "total, call it 'total' or delete it"
            )
    elif 0 < total < FRACTIONS_BELOW:
        problem = f"sums to {total:.3g} %; these look like fractions, expected %"
    elif percent is None and _words(heading) == ["area"] and peaks and total < 100 - SUM_TOLERANCE:
        problem = f"has no unit and sums to {total:.4g}, so it may hold counts; if these are per cent, call it 'area %'"
    if problem:
        column = f"{where}: column {heading!r} {problem}"
        raise DataFileError(column)
