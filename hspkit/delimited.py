"""Users' tables as text: encoding, delimiter, rows of cells with their line numbers, numbers and dates in cells.

How spreadsheets write dates and people write numbers is common practice; there is no source to quote.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Callable, Collection, Iterable

from hspkit.checks import fault, refuse
from hspkit.errors import DataFileError, InputError

__all__ = [
    "MADE_A_DATE", "Rows", "csv_rows", "decimal_signs", "decoded", "is_date", "is_grouped", "numbered_rows",
    "read_number", "rows_text", "split_rows",
]  # fmt: skip

#: Cells of the rows of a table, each row with the line of the text where it begins, from 1.
Rows = list[tuple[int, list[str]]]
#: What may stand between cells; of two that are as frequent, the first is meant: it was chosen on purpose.
DELIMITERS = ";	,"
#: Lines of a file among which the headings are looked for; above them stand title, sample and date.
HEAD_LINES = 60

#: Most columns of a csv: forty times those of the widest table here. More are a file of another kind.
MAX_COLUMNS = 1000
#: Said of a cell that is a date where none belongs.
MADE_A_DATE = "a spreadsheet has turned it into a date; make the column text, type the cell again and save anew"

#: Months in English, German, French, Italian and Spanish, whole and as spreadsheets abbreviate them.
_MONTHS = (
    "january february march april may june july august september october november december "
    "januar jänner februar märz mai juni juli oktober dezember janvier février mars avril juin juillet août septembre "
    "octobre novembre décembre gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre dicembre "
    "enero febrero abril mayo junio julio septiembre octubre noviembre diciembre "
    "jan feb mar apr jun jul aug sep sept oct nov dec jän mär mrz okt dez janv févr fév avr juil aoû déc gen mag giu "
    "lug ago set ott dic ene abr"
)
_MONTH = rf"(?:{'|'.join(sorted(_MONTHS.split(), key=len, reverse=True))})\.?"
_CLOCK = r"(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?)?"
_DATE = re.compile(
    rf"(?:\d{{4}}-(?:0?[1-9]|1[0-2])-\d{{2}}|\d{{1,2}}([./-])\d{{1,2}}\1(?:\d{{2}}|\d{{4}})){_CLOCK}"
    rf"|\d{{1,2}}\.?[-/ ]?{_MONTH}(?:[-/ ]\d{{2,4}})?|{_MONTH}[-/ ]\d{{2,4}}"
    r"|\d{1,2}:\d{2}:\d{2}",
    re.IGNORECASE,
)
#: One to three digits, a sign, three digits: a thousand and more, or a number with three decimals.
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}([.,])\d{3}", re.ASCII)
_NUMBER = re.compile(r"[+-]?(?:\d+(?:([.,])\d*)?|([.,])\d+)(?:e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
_THIN = re.compile(r"(?<=\d)[ \u00a0\u202f](?=\d{3}(?!\d))")


def decoded(raw: bytes, name: str) -> tuple[str, str]:
    """Return the text of a file and its encoding: UTF-8, UTF-16 with a byte-order mark, else Windows-1252.

    Parameters
    ----------
    raw : bytes
        What stands in the file. [-]
    name : str
        What to call it in messages. [-]

    Returns
    -------
    text : str
        Without a byte-order mark. [-]
    encoding : str
        "utf-8", "utf-16-le", "utf-16-be" or "cp1252". [-]

    Raises
    ------
    DataFileError
        When it is text in none of them.

    Examples
    --------
    >>> decoded("oil;trüb".encode("cp1252"), "log.csv")
    ('oil;trüb', 'cp1252')
    """
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return raw.decode("utf-16"), "utf-16-le" if raw.startswith(b"\xff\xfe") else "utf-16-be"
        except UnicodeDecodeError:
            problem = "the file begins as UTF-16 text and goes on as something else; save it as csv in UTF-8"
            raise fault(name, problem, DataFileError) from None
    for codec, encoding in (("utf-8-sig", "utf-8"), ("cp1252", "cp1252")):
        try:
            return raw.decode(codec), encoding
        except UnicodeDecodeError:
            continue
    raise fault(name, "the file is neither UTF-8 nor Windows-1252 text; save it as csv in UTF-8", DataFileError)


def csv_rows(text: str, name: str, *, separator: str = ",") -> list[list[str]]:
    """Return the cells of a csv, row by row, whatever its line ends.

    Parameters
    ----------
    text : str
        The csv; a byte-order mark in front is ignored. [-]
    name : str
        What to call it in messages. [-]
    separator : str
        What stands between cells. [-]

    Raises
    ------
    DataFileError
        When a cell is longer than any that is meant, as after a quotation mark that is not closed, or the header has
        more than 1000 columns.

    Examples
    --------
    >>> csv_rows("a,b\\n1,'2", "mine.csv")
    [['a', 'b'], ['1', "'2"]]
    """
    return [cells for _, cells in numbered_rows(text, name, separator=separator)]


def split_rows(text: str, name: str, find_head: Callable[[Rows], int | None] | None = None) -> tuple[str, Rows]:
    """Return the delimiter of a user's table, and its rows without the empty ones.

    Parameters
    ----------
    text : str
        The table. [-]
    name : str
        What to call it in messages. [-]
    find_head : callable, optional
        Returns the place of the headings among rows, or None; with it, the delimiter is the one that gives most
        headings. Else it is the most frequent one of the first line. [-]

    Raises
    ------
    DataFileError
        As in `csv_rows`.

    Examples
    --------
    >>> split_rows("oil;parts\\n\\nlemon;1,5", "log.csv")
    (';', [(1, ['oil', 'parts']), (3, ['lemon', '1,5'])])
    """
    lines = text.splitlines(keepends=True)
    first = next((line for line in lines if line.strip()), "")
    delimiter, widest = max(DELIMITERS, key=first.count), 0
    for candidate in DELIMITERS if find_head else "":
        try:
            head = numbered_rows("".join(lines[:HEAD_LINES]), name, separator=candidate)
        except DataFileError:  # a line that is too long for one cell; read with its own delimiter it may be sound
            continue
        place = find_head(head) if find_head else None
        if place is not None and len(head[place][1]) > widest:
            delimiter, widest = candidate, len(head[place][1])
    rows = numbered_rows(text, name, separator=delimiter)
    return delimiter, [(line, cells) for line, cells in rows if any(cell.strip() for cell in cells)]


def numbered_rows(text: str, name: str, *, separator: str = ",") -> Rows:
    """Return the cells of a csv as `csv_rows` does, each row with the line of the text where it begins, from 1.

    Parameters
    ----------
    text, name, separator : str
        As in `csv_rows`. [-]

    Raises
    ------
    DataFileError
        As in `csv_rows`.

    Examples
    --------
    >>> numbered_rows("a\\n'x'\\n\\nb", "mine.csv")
    [(1, ['a']), (2, ["'x'"]), (3, []), (4, ['b'])]
    """
    rows: Rows = []
    begins, headed = 1, False
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), delimiter=separator)
    try:
        for cells in reader:
            if not headed and len(cells) > MAX_COLUMNS:
                problem = (
                    f"the header has {len(cells)} columns, at most {MAX_COLUMNS} are taken; look whether it is the "
                    f"right file, with one row a line and {separator!r} between its cells"
                )
                raise fault(name, problem, DataFileError)
            headed = headed or any(cell.strip() for cell in cells)
            rows.append((begins, cells))
            begins = reader.line_num + 1
    except csv.Error as error:
        where = f"{name}, row {begins}"
        raise fault(where, f"{error}; look for a quotation mark that is not closed", DataFileError) from None
    return rows


def is_date(cell: str) -> bool:
    """Tell whether a cell is a date or a time of the day, as a spreadsheet writes it.

    Parameters
    ----------
    cell : str
        Any text. A text that has the form of a CAS number is none. [-]

    Examples
    --------
    >>> [is_date(cell) for cell in ("01. Mrz", "Jun-70", "2026-03-01 00:00:00", "05.06.1978", "3-Jan")]
    [True, True, True, True, True]
    >>> [is_date(cell) for cell in ("1.3", "78-70-6", "10-12-3", "1-octene", "12,5 %")]
    [False, False, False, False, False]
    """
    return _DATE.fullmatch(cell.strip()) is not None


def _tidy(cell: str) -> str:
    text = cell.strip()
    if text.isascii() and " " not in text:
        return text
    return _THIN.sub("", text.replace("\N{MINUS SIGN}", "-"))


def is_grouped(cell: str) -> str:
    """Return the sign of a number that may have three decimals or be in the thousands; empty for all other cells.

    Parameters
    ----------
    cell : str
        Any text. [-]

    Examples
    --------
    >>> is_grouped("1.000"), is_grouped("12,345"), is_grouped("0.125"), is_grouped("1.25")
    ('.', ',', '', '')
    """
    match = _GROUPED.fullmatch(_tidy(cell))
    return match[1] if match else ""


def decimal_signs(cells: Iterable[str], delimiter: str = "") -> frozenset[str]:
    """Return the decimal signs that numbers among the cells have beyond doubt: point, comma, both or none.

    Parameters
    ----------
    cells : iterable of str
        Cells that stand where numbers belong. [-]
    delimiter : str
        What stands between cells: without a proof, a comma that separates is no decimal sign. [-]

    Examples
    --------
    >>> sorted(decimal_signs(["1.000", "2,5", "tr"])), sorted(decimal_signs(["1.000"], ","))
    ([','], ['.'])
    """
    cells = list(cells)
    if delimiter == "," and not any("," in cell for cell in cells):
        return frozenset(".")  # as what follows would, and at once
    matches = (_NUMBER.fullmatch(_tidy(cell)) for cell in cells if not is_grouped(cell))
    proven = frozenset(sign for match in matches if match for sign in match.groups() if sign)
    return proven or frozenset("." if delimiter == "," else "")


def read_number(cell: str, what: str, signs: Collection[str], expected: str = "a number") -> float:
    """Return the number of a cell.

    Parameters
    ----------
    cell : str
        The cell; blanks may stand between thousands. [-]
    what, expected : str
        What stands there, and what is allowed, for messages. [-]
    signs : collection of str
        Decimal signs of the table, as `decimal_signs` finds them. [-]

    Raises
    ------
    InputError
        When the cell is no finite number, is a date, or may be read in two ways.

    Examples
    --------
    >>> read_number("2,5", "share", {","}), read_number("1.125", "share", {"."})
    (2.5, 1.125)
    >>> read_number("1.000", "share", {","})
    Traceback (most recent call last):
    hspkit.errors.InputError: share is '1.000', which may be 1 or 1000 in this table; write it without thousands marks
    """
    text = _tidy(cell)
    grouped = _GROUPED.fullmatch(text)
    if grouped and set(signs) != {grouped[1]}:
        small, large = float(text.replace(",", ".")), text.replace(grouped[1], "")
        message = (
            f"{what} is {cell!r}, which may be {small:g} or {large} in this table; write it without thousands marks"
        )
        raise InputError(message)
    value = float(text.replace(",", ".")) if _NUMBER.fullmatch(text) else math.nan
    if math.isfinite(value):
        return value
    if is_date(cell):
        message = f"{what} is {cell!r}: {MADE_A_DATE}"
        raise InputError(message)
    raise refuse(cell, what, expected)


def rows_text(rows: Collection[int], shown: int = 10) -> str:
    """Return the numbers of rows in words.

    Parameters
    ----------
    rows : collection of int
        At least one. [-]
    shown : int
        How many are listed. [-]

    Examples
    --------
    >>> rows_text([3]), rows_text([3, 5, 8, 9], shown=2)
    ('row 3', 'rows 3, 5 and 2 more')
    """
    listed = list(rows)
    more = f" and {len(listed) - shown} more" if len(listed) > shown else ""
    return f"row{'s' if len(listed) > 1 else ''} {', '.join(map(str, listed[:shown]))}{more}"
