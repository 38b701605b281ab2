"""Peaks of a GC report: from the text of a csv, or from a table, to checked names and shares.

Which substance a peak is, is not decided here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from hspkit.data import csv_rows
from hspkit.errors import DataFileError
from hspkit.pages import file_bytes

__all__ = ["SUM_TOLERANCE", "Peak", "peaks", "read_csv", "spoken_name"]

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
_TRACE = {"", "-", "–", "n.d.", "nd", "n.d", "tr", "tr.", "t", "trace", "traces"}
_TOTALS = {"total", "sum", "identified", "total identified", "total (%)"}


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


def read_csv(path: str | Path) -> tuple[list[str], list[list[str]]]:
    """Return the header and the rows of a csv, whatever its separator and encoding.

    Parameters
    ----------
    path : str or Path
        A file with commas, semicolons or tabs, in UTF-8 with or without byte-order mark, or Latin-1. [-]

    Raises
    ------
    DataFileError
        When the file cannot be read or is empty.
    """
    file = Path(path)
    raw = file_bytes(file)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    if not text.strip():
        message = f"{file.name}: the file is empty; expected a header and one row per component"
        raise DataFileError(message)
    first = next(line for line in text.splitlines() if line.strip())
    separator = max(";\t,", key=first.count)  # of a tie, the less common one: it was chosen on purpose
    table = csv_rows(text, file.name, separator=separator)
    while not any(cell.strip() for cell in table[0]):
        table.pop(0)
    return [cell.strip() for cell in table[0]], table[1:]


def spoken_name(name: str) -> str:
    """Return a name as it is spoken, from the order that libraries of mass spectra sort by.

    Parameters
    ----------
    name : str
        Such as "Pinene <alpha->". [-]

    Examples
    --------
    >>> spoken_name("Pinene <alpha->"), spoken_name("Cymene <p->"), spoken_name("linalool")
    ('alpha-Pinene', 'p-Cymene', 'linalool')
    """
    match = re.fullmatch(r"\s*(?P<stem>[^<>]+?)\s*<(?P<prefix>[^<>]+)>\s*", name)
    return name if match is None else f"{match['prefix'].rstrip('-')}-{match['stem']}"


def _column(header: list[str], given: str | None, usual: Sequence[str], what: str, where: str) -> int | None:
    if given is not None:
        if given not in header:
            message = f"{where}: no column {given!r}; the header has {', '.join(map(repr, header))}"
            raise DataFileError(message)
        return header.index(given)
    plain = [" ".join(re.findall(r"[a-z0-9.]+|%", cell.lower())) for cell in header]
    found = [plain.index(heading) for heading in usual if heading in plain]
    if not found:  # "Rel. peak area [%]" or "Compound name": the only heading with such a word
        words = {"component", "compound", "name", "cas", "%", "percent", "pct"} & {w for h in usual for w in h.split()}
        found = [at for at, heading in enumerate(plain) if words & set(heading.split())]
        return found[0] if len(found) == 1 else None
    if plain.count(plain[found[0]]) > 1:
        message = f"{where}: the header has {header[found[0]]!r} twice; say which column holds the {what}"
        raise DataFileError(message)
    return found[0]


def _share(cell: str, where: str) -> float:
    text = cell.strip().removesuffix("%").strip()
    if text.lower() in _TRACE or text.startswith("<"):
        return 0.0
    if "," in text and "." not in text:
        text = text.replace(",", ".")  # a decimal comma
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value) or not 0 <= value <= 100 + SUM_TOLERANCE:
        message = f"{where} holds {cell!r}; expected a number from 0 to 100 %"
        raise DataFileError(message)
    return value


def peaks(
    header: list[str],
    rows: list[list[str]],
    where: str,
    *,
    component: str | None = None,
    percent: str | None = None,
    first_row: int = 2,
) -> tuple[Peak, ...]:
    """Return the peaks of a table after checking every cell.

    "tr", "n.d." and "<0.1" count as zero; zeros and rows that give a total are left out.

    Parameters
    ----------
    header : list of str
        Headings. [-]
    rows : list of list of str
        Cells. [-]
    where : str
        Name of the table, for messages. [-]
    component, percent : str, optional
        Headings of the names and of the shares; usual ones are found without. [-]
    first_row : int
        Number of the first row, for messages. [-]

    Raises
    ------
    DataFileError
        Naming table, row and column: no column of names or shares, a cell that is not a number of %, a name
        that stands twice, shares that exceed 100 %.

    Examples
    --------
    >>> peaks(["Compound", "Area %"], [["limonene", "94,3"], ["myrcene", "tr"]], "orange.csv")
    (Peak(name='limonene', cas='', percent=94.3, row=2),)
    """
    name_at = _column(header, component, NAME_HEADINGS, "names", where)
    cas_at = _column(header, None, CAS_HEADINGS, "CAS numbers", where)
    share_at = _column(header, percent, SHARE_HEADINGS, "shares", where)
    if name_at is None:
        name_at = cas_at
    for at, what, usual in (
        (name_at, "names or CAS numbers", (*NAME_HEADINGS, *CAS_HEADINGS)),
        (share_at, "shares", SHARE_HEADINGS),
    ):
        if at is None:
            message = (
                f"{where}: no column of {what} in the header {', '.join(map(repr, header))}; "
                f"expected one of {', '.join(usual)}, or say which it is"
            )
            raise DataFileError(message)
    assert name_at is not None
    assert share_at is not None
    found: list[Peak] = []
    seen: dict[str, int] = {}
    for number, row in enumerate(rows, start=first_row):
        if not any(cell.strip() for cell in row):
            continue
        spot = f"{where}, row {number}"
        if len(row) != len(header):
            message = f"{spot}: {len(row)} cells for {len(header)} columns; quote cells that hold the separator"
            raise DataFileError(message)
        name = row[name_at].strip()
        if name.lower() in _TOTALS:
            continue
        share = _share(row[share_at], f"{spot}: column {header[share_at]!r}")
        if name and name.lower() in seen:
            message = (
                f"{spot}: column {header[name_at]!r}: {name!r} stands in row {seen[name.lower()]} already; add them up"
            )
            raise DataFileError(message)
        seen[name.lower()] = number
        if share > 0:
            cas = row[cas_at].strip() if cas_at is not None else ""
            found.append(Peak("" if name_at == cas_at else name, cas, share, number))
        if len(found) > MAX_PEAKS:
            message = (
                f"{spot}: more than {MAX_PEAKS} peaks; is this the report of one oil? Leave out the smallest peaks"
            )
            raise DataFileError(message)
    total = sum(peak.percent for peak in found)
    if total > 100 + SUM_TOLERANCE:
        message = f"{where}: column {header[share_at]!r} sums to {total:.2f} %; expected at most 100 %"
        raise DataFileError(message)
    if 0 < total < FRACTIONS_BELOW:
        message = f"{where}: column {header[share_at]!r} sums to {total:.3g} %; these look like fractions, expected %"
        raise DataFileError(message)
    return tuple(found)
