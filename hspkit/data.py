"""The tables in ``datasets/``: where they are, what their columns mean, whether they are sound.

This is the only module that knows where the folder is. The layout of every table is itself a table,
``datasets/columns.csv`` (file, column, type, unit, required, source_column, meaning), and the same check
serves the shipped tables and a user's own csv with the same header.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, NamedTuple

from hspkit.checks import choice, fault, refuse
from hspkit.delimited import decimal_signs, read_number, split_rows
from hspkit.errors import DataFileError, InputError
from hspkit.frozen import Frozen, freeze

__all__ = [
    "Column",
    "Table",
    "columns",
    "folder",
    "parse_table",
    "read_table",
    "read_text",
    "refresh_inventory",
    "sources",
    "tables",
]

_SOURCE_ROW = re.compile(r"^\|\s*`(?P<key>[^`]+)`\s*\|(?P<rest>.*)\|\s*$")
_INVENTORY_HEADING = "## How many rows and numbers are known in which way"
#: Headings that a message names before it only counts them.
NAMED = 10
#: How a figure is known. A recalled figure may be shipped with that mark and is never a hard test.
SOURCE_KINDS = ("read", "memory", "computed", "common practice", "fitted", "invented")


class Column(NamedTuple):
    """One column of a table, as ``columns.csv`` declares it."""

    file: str
    column: str
    type: str
    unit: str
    required: bool
    source_column: str
    meaning: str


class Table(NamedTuple):
    """A checked table: rows as mappings, not to be changed, with typed values; an empty cell is None.

    Attributes
    ----------
    name : str
        What it is called in messages. [-]
    columns : tuple of Column
        Its layout. [-]
    rows : tuple of mapping
        Its rows, by the names of the columns. [-]
    header : tuple of str
        Headings of the csv. [-]
    lines : tuple of int
        Line of the csv where each row begins, from 1. [-]
    """

    name: str
    columns: tuple[Column, ...]
    rows: tuple[Mapping[str, Any], ...]
    header: tuple[str, ...] = ()
    lines: tuple[int, ...] = ()


def folder() -> Traversable:
    """Return the folder of the tables, inside the installed package or beside the checkout.

    Raises
    ------
    DataFileError
        When neither place holds the tables.

    Examples
    --------
    >>> folder().joinpath("SOURCES.md").is_file()
    True
    """
    installed = files("hspkit") / "datasets"
    if installed.is_dir():
        return installed
    checkout = Path(__file__).resolve().parent.parent / "datasets"
    if (checkout / "SOURCES.md").is_file():  # never mistake another package called datasets for ours
        return checkout
    message = f"no tables at {installed} or {checkout}; reinstall hspkit"
    raise DataFileError(message)


def read_text(name: str) -> str:
    """Return the text of one file of the folder.

    Parameters
    ----------
    name : str
        Path below ``datasets/`` with forward slashes. [-]

    Raises
    ------
    DataFileError
        When there is no such file.

    Examples
    --------
    >>> read_text("columns.csv").splitlines()[0]
    'file,column,type,unit,required,source_column,meaning'
    """
    place = folder()
    for part in name.split("/"):
        place = place.joinpath(part)
    if not place.is_file():
        message = f"no file {name!r} in {folder()}; files are named as in columns.csv"
        raise DataFileError(message)
    return place.read_text(encoding="utf-8")


@cache
def _declared() -> dict[str, tuple[Column, ...]]:
    tables: dict[str, list[Column]] = {}
    for row in csv.DictReader(io.StringIO(read_text("columns.csv"))):
        column = Column(**{**row, "required": row["required"] == "yes"})  # type: ignore[arg-type]
        tables.setdefault(column.file, []).append(column)
    return {name: tuple(rows) for name, rows in tables.items()}


def tables() -> tuple[str, ...]:
    """Return the names of all shipped tables, in the order of ``columns.csv``."""
    return tuple(_declared())


def columns(name: str) -> tuple[Column, ...]:
    """Return the declared columns of one table.

    Parameters
    ----------
    name : str
        File of the table. [-]

    Raises
    ------
    DataFileError
        When no such table is declared.

    Examples
    --------
    >>> [c.column for c in columns("columns.csv")][:3]
    ['file', 'column', 'type']
    """
    declared = _declared()
    if name not in declared:
        message = f"no table {name!r}; tables: {', '.join(declared)}"
        raise DataFileError(message)
    return declared[name]


def _value(text: str, column: Column, where: str, signs: frozenset[str] = frozenset(".")) -> Any:
    text = text.strip()
    if not text:
        if column.required:
            raise fault(where, f"column {column.column!r} is empty but required ({column.meaning})", DataFileError)
        return None
    what = f"column {column.column!r}"
    try:
        if column.type == "text":
            return text
        if column.type == "number":
            unit = f" in {column.unit}" if column.unit not in ("", "-") else ""
            return read_number(text, what, signs, f"a number{unit}")
        if column.type == "integer":
            if not re.fullmatch(r"[+-]?\d+", text):
                raise refuse(text, what, "a whole number")
            return int(text)
        if column.type == "flag":
            return choice(text, what, ("yes", "no")) == "yes"
    except InputError as error:
        raise fault(where, str(error), DataFileError) from None
    declared = "columns.csv"
    raise fault(declared, f"unknown type {column.type!r} of {column.file}:{column.column}", DataFileError)


def parse_table(
    text: str, layout: str, *, name: str | None = None, optional: Iterable[str] = (), more: Iterable[Column] = ()
) -> Table:
    """Check the text of a csv against the layout of a shipped table and return typed rows.

    Parameters
    ----------
    text : str
        The csv with commas, semicolons or tabs, first line the header. [-]
    layout : str
        Name of the shipped table whose columns the csv must have. [-]
    name : str, optional
        What to call the table in messages; default the layout. [-]
    optional : iterable of str
        Columns that may be left out of this csv, or left empty in some rows. [-]
    more : iterable of Column
        Columns that it may have besides. [-]

    Raises
    ------
    DataFileError
        Naming file, row and column. Nothing is half-loaded: all rows are checked before any is returned.

    Examples
    --------
    >>> parse_table("file,column\\n", "columns.csv", name="mine.csv")
    Traceback (most recent call last):
    hspkit.errors.DataFileError: mine.csv: header lacks type, unit, required, source_column, meaning; ...
    """
    name = name or layout
    declared, more = columns(layout), tuple(more)
    skippable = {*optional, *(column.column for column in more)}
    accepted = {  # a column that may be left out may also be left empty
        column.column: column._replace(required=False) if column.column in skippable else column
        for column in (*declared, *more)
    }
    delimiter, table = split_rows(text, name)
    if not table:
        expected = ",".join(column.column for column in declared)
        raise fault(name, f"the file is empty; expected the header {expected}", DataFileError)
    header = [cell.strip() for cell in table[0][1]]
    _check_header(header, accepted, skippable, name)
    numeric = [place for place, heading in enumerate(header) if accepted[heading].type == "number"]
    signs = decimal_signs((cells[i] for _, cells in table[1:] for i in numeric if i < len(cells)), delimiter)
    rows = []
    for line, cells in table[1:]:
        where = f"{name}, row {line}"
        if len(cells) != len(header):
            problem = f"{len(cells)} cells for {len(header)} columns; quote cells that hold the delimiter"
            raise fault(where, problem, DataFileError)
        row = dict.fromkeys(accepted, None)
        row.update({c: _value(cell, accepted[c], where, signs) for c, cell in zip(header, cells, strict=True)})
        rows.append(Frozen(row))
    return Table(name, declared, tuple(rows), tuple(header), tuple(line for line, _ in table[1:]))


def _check_header(header: list[str], accepted: Mapping[str, Column], skippable: set[str], name: str) -> None:
    missing = [heading for heading in accepted if heading not in header and heading not in skippable]
    unknown = [heading for heading in header if heading not in accepted]
    repeated = sorted(heading for heading, count in Counter(header).items() if count > 1)
    more = f" and {len(unknown) - NAMED} more" if len(unknown) > NAMED else ""
    problems = {
        "lacks": ", ".join(missing),
        "has unknown": ", ".join(map(repr, unknown[:NAMED])) + more,
        "repeats": ", ".join(repeated),
    }
    if any(problems.values()):
        problem = "; ".join(f"{verb} {headings}" for verb, headings in problems.items() if headings)
        raise fault(name, f"header {problem}; expected {','.join(accepted)}", DataFileError)


@cache
def read_table(name: str) -> Table:
    """Return one shipped table, checked against ``columns.csv``; read once, then cached.

    Examples
    --------
    >>> read_table("columns.csv").rows[0]["file"]
    'columns.csv'
    """
    return parse_table(read_text(name), name)


@cache
def sources() -> dict[str, dict[str, str]]:
    """Return every source key with its ``kind`` and ``reference``, from ``SOURCES.md``.

    Kinds are `SOURCE_KINDS`: *read* (the figure was read in a text), *memory* (recalled, to be checked),
    *computed*, *common practice* (a fact of the trade without a source), *fitted*, *invented* (demo only).

    Examples
    --------
    >>> set(source["kind"] for source in sources().values()) <= set(SOURCE_KINDS)
    True
    """
    keys: dict[str, dict[str, str]] = {}
    for line in read_text("SOURCES.md").splitlines():
        match = _SOURCE_ROW.match(line)
        if match is None:
            continue
        cells = [cell.strip() for cell in match["rest"].split("|")]
        key, kind, reference = match["key"], cells[0], cells[1] if len(cells) > 1 else ""
        if key in keys:
            message = f"SOURCES.md: source key {key!r} appears twice"
            raise DataFileError(message)
        if kind not in SOURCE_KINDS:
            message = f"SOURCES.md: source key {key!r} has kind {kind!r}; expected one of {', '.join(SOURCE_KINDS)}"
            raise DataFileError(message)
        keys[key] = {"kind": kind, "reference": reference}
    return freeze(keys)


def inventory() -> list[dict[str, Any]]:
    """Return, for each table, its rows and its numbers counted by how they are known.

    A row counts by its ``source`` key, a number by the key column that ``columns.csv`` names for it. ``rows``
    and ``numbers`` are dictionaries from kind (see `sources`) to count; rows of a table without a ``source``
    column count under ``layout``.

    Examples
    --------
    >>> [entry["file"] for entry in inventory()][0]
    'columns.csv'
    """
    keys = sources()
    entries = []
    for name in tables():
        rows: dict[str, int] = {}
        numbers: dict[str, int] = {}
        table = read_table(name)
        has_source = any(column.column == "source" for column in table.columns)
        measured = [column for column in table.columns if column.source_column and column.type in ("number", "integer")]
        for row in table.rows:
            kind = keys.get(row["source"], {}).get("kind", "unknown") if has_source and row["source"] else "layout"
            rows[kind] = rows.get(kind, 0) + 1
            for column in measured:
                if row[column.column] is not None:
                    kind = keys.get(row[column.source_column] or "", {}).get("kind", "unknown")
                    numbers[kind] = numbers.get(kind, 0) + 1
        entries.append({"file": name, "rows": rows, "numbers": numbers})
    return entries


def inventory_text() -> str:
    """Return `inventory` as the Markdown table that stands at the end of ``SOURCES.md``.

    A test compares the two; `refresh_inventory` brings the file up to date.

    Examples
    --------
    >>> inventory_text().splitlines()[0]
    '| file | rows | numbers |'
    """
    order = (*SOURCE_KINDS, "layout", "unknown")

    def counted(counts: Mapping[str, int]) -> str:
        return ", ".join(f"{kind} {counts[kind]}" for kind in order if kind in counts) or "-"

    lines = ["| file | rows | numbers |", "|---|---|---|"]
    lines += [f"| {entry['file']} | {counted(entry['rows'])} | {counted(entry['numbers'])} |" for entry in inventory()]
    return "\n".join(lines) + "\n"


def refresh_inventory() -> None:
    """Write `inventory_text` at the end of ``SOURCES.md`` of a checkout, after the tables have changed."""
    place = Path(str(folder().joinpath("SOURCES.md")))
    head, _, tail = place.read_text(encoding="utf-8").partition(_INVENTORY_HEADING)
    # keys that were appended behind the inventory move in front of it
    late = [line for line in tail.splitlines() if _SOURCE_ROW.match(line)]
    text = "\n".join([head.rstrip(), *late])
    place.write_text(f"{text}\n\n{_INVENTORY_HEADING}\n\n{inventory_text()}", encoding="utf-8")
