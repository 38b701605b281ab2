"""The log of trials: a csv that people open in spreadsheets and programs append to.

A row is appended by writing a copy of the file beside it and putting the copy in its place, while a lock is held. So a
reader sees the old file or the new one, a failed write leaves the old one, and two writers wait for each other. The
bytes that were there stay as they are: separator, decimal sign, encoding, line ends, columns of one's own.
"""

from __future__ import annotations

import contextlib
import csv
import io
import math
import os
import re
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

from hspkit import checks
from hspkit.delimited import (
    Rows,
    decimal_signs,
    decoded,
    is_grouped,
    numbered_rows,
    read_number,
    rows_text,
    split_rows,
)
from hspkit.errors import DataFileError, HspkitError, InputError
from hspkit.files import check_target, file_bytes, write_bytes
from hspkit.trials.columns import (
    COLUMNS,
    MEASURES,
    NUMBERS,
    Column,
    may_be_fahrenheit,
    number_texts,
    read_celsius,
    read_header,
    read_ratio,
    written_celsius,
)
from hspkit.trials.trial import Trial

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "TrialLog"]

_DEFAULTS = {"oil_parts": 1.0, "carrier_parts": 2.0, "water_parts": 0.0, "celsius": 25.0}
#: How far the ratio of a row may be from its parts: one of them may be rounded to two digits. [-]
_RATIO_ROUNDING = 0.01
#: Text that a spreadsheet would take for a formula; an apostrophe before it keeps it text.
_FORMULA = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")

#: How long a writer waits for the lock, and between two tries [s]; an append takes milliseconds.
LOCK_TIMEOUT, LOCK_RETRY = 30.0, 0.002


def _safe(text: str) -> str:
    return "'" + text if _FORMULA.match(text) else text


def _plain(text: str) -> str:
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


@dataclass(frozen=True)
class _Layout:
    """How a file is written: encoding, separator, line end, decimal signs, columns, whether it may be in Fahrenheit."""

    encoding: str
    separator: str
    line_end: str
    signs: frozenset[str]
    decimal: str
    columns: tuple[Column, ...]
    doubtful: bool = False

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(column.name for column in self.columns)


_FRESH = _Layout("utf-8", ",", "\n", frozenset("."), ".", read_header(COLUMNS, "a new log"))


class _Reading(NamedTuple):
    """What stands in a file: trials, rows that are none, columns that are not read, what was taken for granted."""

    good: tuple[Trial, ...] = ()
    bad: tuple[str, ...] = ()
    ignored: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


class TrialLog:
    """A log of trials in a csv file.

    Parameters
    ----------
    path : str or Path
        The file; the first trial that is appended makes it. Separators ``,`` ``;`` or tab, decimal commas, a
        byte-order mark, UTF-8, UTF-16 or Windows-1252, and columns in any order are read; columns of one's own are
        kept and not read. A column ratio, as 1:10, may stand for oil_parts and carrier_parts, and the heading of a
        temperature may have its unit, as temperature (F). [-]

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     log = TrialLog(Path(folder) / "bench.csv")
    ...     log.append(Trial("triacetin", "clear", oil="clove, bud", date="2026-11-25"))
    ...     print(log.path.read_text(encoding="utf-8"))
    ...     len(log), log.trials[0].outcome
    date,oil,carrier,oil_parts,carrier_parts,water_parts,celsius,outcome,note
    2026-11-25,"clove, bud",triacetin,1,2,0,25,clear,
    (1, 'clear')
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(checks.path(path))

    def __repr__(self) -> str:
        return f"TrialLog({str(self.path)!r})"

    def __len__(self) -> int:
        return len(self.trials)

    def __iter__(self) -> Iterator[Trial]:
        return iter(self.trials)

    @property
    def trials(self) -> tuple[Trial, ...]:
        """All trials of the file, oldest first; a bad row is an error that names every bad row."""
        return self.read()

    @property
    def problems(self) -> tuple[str, ...]:
        """One sentence for every row that cannot be used, naming the row."""
        return self._parsed().bad

    @property
    def ignored_columns(self) -> tuple[str, ...]:
        """Headings of the columns that are not read; "column 7" for one without a heading whose cells are not empty."""
        return self._parsed().ignored

    @property
    def notes(self) -> tuple[str, ...]:
        """What was taken for granted in reading: columns not read, parts and temperatures not given, units, order."""
        return self._parsed().notes

    def read(self, *, missing: Literal["raise", "skip"] = "raise") -> tuple[Trial, ...]:
        """Return the trials of the file.

        Parameters
        ----------
        missing : {"raise", "skip"}
            What to do about rows that cannot be used; `problems` lists them. [-]

        Raises
        ------
        DataFileError
            Naming the file and every bad row; or when the header lacks a column, or has one that says how much was
            mixed in a way that is not understood.
        """
        checks.choice(missing, "missing", ("raise", "skip"))
        good, bad, _, _ = self._parsed()
        if bad and missing == "raise":
            rest = f" (and {len(bad) - 20} more)" if len(bad) > 20 else ""
            message = "; ".join(bad[:20]) + rest + "; correct the rows, or read(missing='skip') for the others"
            raise DataFileError(message)
        return good

    def frame(self) -> pd.DataFrame:
        """Return the trials as a DataFrame with the columns `COLUMNS`."""
        import pandas as pd

        return pd.DataFrame([[getattr(t, c) for c in COLUMNS] for t in self.trials], columns=list(COLUMNS))

    def append(self, *trials: Trial) -> None:
        """Append trials: all of them or, when anything fails, none.

        Parameters
        ----------
        *trials : Trial
            What to add. [-]

        Raises
        ------
        InputError
            For something that is not a Trial.
        DataFileError
            When the file cannot be read or written, has an open quotation mark, or lacks a column that a trial needs;
            when no file can stand there. The file is as before.
        """
        for trial in trials:
            checks.kind(trial, "trial", Trial, "a Trial, such as Trial('MCT', 'clear')")
        if not trials:
            return
        try:
            target = check_target(self.path)
        except InputError as error:
            raise DataFileError(str(error)) from None
        try:
            with _locked(target):
                raw = file_bytes(target) if target.exists() else b""
                write_bytes(target, raw + self._rows(raw, trials))
        except OSError as error:
            message = (
                f"cannot write {str(self.path)!r}: {error.strerror or error}; the log is as before. Make room, or see "
                "that the folder may be written to, and append again"
            )
            raise DataFileError(message) from error

    # --- reading ---

    def _is_absent(self) -> bool:
        try:
            return not self.path.exists()
        except (OSError, ValueError):  # a name that no file can have: reading it says so
            return False

    def _parsed(self) -> _Reading:
        if self._is_absent():
            return _Reading()
        text, encoding = decoded(file_bytes(self.path), self.path.name)
        if not text.strip():
            return _Reading()
        layout, rows = self._layout(text, encoding)
        good, bad = [], []
        assumed: dict[str, list[int]] = {}
        for row, cells in rows:
            try:
                trial, lacking = self._trial(cells, layout)
            except HspkitError as error:
                bad.append(f"{self.path.name}, row {row}: {error}")
                continue
            good.append(trial)
            for name in lacking:
                assumed.setdefault(name, []).append(row)
        ignored = tuple(
            column.heading or f"column {place + 1}"
            for place, column in enumerate(layout.columns)
            if not column.name and (column.heading or any(cells[place].strip() for _, cells in rows))
        )
        return _Reading(tuple(good), tuple(bad), ignored, self._notes(layout, ignored, assumed))

    def _notes(self, layout: _Layout, ignored: Sequence[str], assumed: dict[str, list[int]]) -> tuple[str, ...]:
        notes = [f"columns that are not read: {', '.join(map(repr, ignored))}"] if ignored else []
        scales = {"F": "as degrees Fahrenheit", "K": "as kelvin", "": "as degrees Celsius, having no unit"}
        for column in layout.columns:
            if column.name == "ratio":
                notes.append(f"column {column.heading!r} is read as {column.unit}, by volume")
            if column.name == "celsius" and column.unit != "C":
                notes.append(f"column {column.heading!r} is read {scales[column.unit]}")
        notes += [f"{rows_text(rows)}: no {name}, taken as {_DEFAULTS[name]:g}" for name, rows in assumed.items()]
        return tuple(f"{self.path.name}: {note}" for note in notes)

    def _layout(self, text: str, encoding: str) -> tuple[_Layout, Rows]:
        """Return how a file is written, and its rows, none shorter than the header."""
        separator, ((_, header), *rows) = split_rows(text, self.path.name)
        columns = read_header(header, self.path.name)
        rows = [(row, cells + [""] * (len(columns) - len(cells))) for row, cells in rows]
        texts = [
            number
            for _, cells in rows
            for column, cell in zip(columns, cells, strict=False)
            for number in number_texts(column, cell)
        ]
        signs = decimal_signs(texts, separator)
        # what is in doubt stays in doubt: a new row must not prove the sign that would make a thousand of it a one
        comma = signs == {","} or (not signs and "." in map(is_grouped, texts))
        doubtful = any(
            may_be_fahrenheit(column, [cells[place] for _, cells in rows], signs)
            for place, column in enumerate(columns)
            if column.name == "celsius"
        )
        line_end = "\r\n" if "\r\n" in text else "\n"
        return _Layout(encoding, separator, line_end, signs, "," if comma else ".", columns, doubtful), rows

    def _trial(self, cells: list[str], layout: _Layout) -> tuple[Trial, list[str]]:
        """Return the trial of a row, and the names of what it does not give."""
        columns = layout.columns
        if any(cell.strip() for cell in cells[len(columns) :]):
            message = f"{len(cells)} cells for {len(columns)} columns; quote cells that hold the separator"
            raise InputError(message)
        texts: dict[str, str] = {}
        numbers: dict[str, float] = {}
        ratio, measured = None, set()
        for column, cell in zip(columns, map(_plain, cells), strict=False):
            if not column.name or not (cell.strip() or column.name == "note"):
                continue
            if column.name == "ratio":
                ratio = (cell, column)
            elif column.name == "celsius":
                numbers["celsius"] = read_celsius(cell, column, layout.signs, doubtful=layout.doubtful)
            elif column.name in NUMBERS:
                numbers[column.name] = read_number(cell, column.name, layout.signs)
                measured |= {column.name} if column.unit in MEASURES else set()
            else:
                texts[column.name] = cell
        for name, expected in (("carrier", "a carrier or blend"), ("outcome", "an outcome")):
            if name not in texts:
                message = f"{name} is empty; expected {expected}"
                raise InputError(message)
        if ratio is not None:
            _take_ratio(ratio[0], *read_ratio(*ratio, layout.signs), numbers)
        lacking = [name for name in NUMBERS if name not in numbers and name != "water_parts"]
        if measured and (measured == {"water_parts"} or {"oil_parts", "carrier_parts"} & set(lacking)):
            message = "a volume stands without those of oil and carrier, so the parts are not known; give both"
            raise InputError(message)
        return Trial(**texts, **numbers), lacking  # type: ignore[arg-type]

    # --- writing ---

    def _rows(self, raw: bytes, trials: tuple[Trial, ...]) -> bytes:
        text, encoding = decoded(raw, self.path.name)
        fresh = not text.strip()
        layout = _FRESH if fresh else self._layout(text, encoding)[0]
        out = io.StringIO(newline="")
        if fresh:
            out.write(_line(COLUMNS, layout))
        elif not text.endswith(("\n", "\r")):
            out.write(layout.line_end)
        there = {*layout.names, *(("oil_parts", "carrier_parts") if "ratio" in layout.names else ())}
        for trial in trials:
            for name in COLUMNS:
                if name not in there and getattr(trial, name) not in ("", _DEFAULTS.get(name)):
                    message = f"{self.path.name} has no column {name!r}, which this trial needs; add it to the header"
                    raise DataFileError(message)
            out.write(_line([_cell(trial, column, layout.decimal) for column in layout.columns], layout))
        whole = numbered_rows(text + out.getvalue(), self.path.name, separator=layout.separator)
        before = numbered_rows(text, self.path.name, separator=layout.separator)
        # a quotation mark in the new rows may close the open one: then the count is right and the old rows are not
        if len(whole) != len(before) + len(trials) + fresh or whole[: len(before)] != before:
            row = before[-1][0]
            message = f"{self.path.name}, row {row}: a quotation mark is not closed, so nothing can be added behind it"
            raise DataFileError(message)
        try:
            return out.getvalue().encode(layout.encoding)
        except UnicodeEncodeError as error:
            wrong = error.object[error.start : error.end]
            message = f"{self.path.name} is in {layout.encoding}, which has no {wrong!r}; save it as UTF-8 first"
            raise DataFileError(message) from None


def _take_ratio(cell: str, oil: float, carrier: float, numbers: dict[str, float]) -> None:
    """Put the parts of a ratio among the numbers of a row, or hold it against those that are there."""
    if not min(oil, carrier) > 0:
        message = f"ratio is {cell!r}; expected two numbers > 0"
        raise InputError(message)
    parts = {"oil_parts": oil, "carrier_parts": carrier}
    given = parts.keys() & numbers.keys()
    scale = min(numbers[name] / parts[name] for name in given) if given else 1.0
    for name, part in parts.items():
        if name in numbers and not math.isclose(numbers[name], scale * part, rel_tol=_RATIO_ROUNDING):
            message = (
                f"ratio is {cell!r}, but the parts are {numbers['oil_parts']:g} of oil and "
                f"{numbers['carrier_parts']:g} of carrier; correct what is wrong"
            )
            raise InputError(message)
        numbers.setdefault(name, scale * part)


def _cell(trial: Trial, column: Column, decimal: str) -> str:
    """Return what one column holds of a trial."""

    def written(value: float) -> str:
        text = f"{value:.10g}"
        return (text + "0" if is_grouped(text) else text).replace(".", decimal)  # 1.125 could be 1125, 1.1250 cannot

    if column.name == "ratio":
        return ":".join(written(getattr(trial, f"{liquid}_parts")) for liquid in column.unit.split(":"))
    if column.name == "celsius":
        value, unit = written_celsius(trial.celsius, column)
        return written(value) + unit
    if column.name in NUMBERS:
        return written(getattr(trial, column.name))
    return _safe(getattr(trial, column.name)) if column.name else ""


def _line(cells: Sequence[str], layout: _Layout) -> str:
    """Return one row of csv; a cell with either kind of line end is quoted, so that it stays in its row."""
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=layout.separator, lineterminator="\r\n").writerow(cells)
    return out.getvalue().removesuffix("\r\n") + layout.line_end


@contextlib.contextmanager
def _locked(target: Path) -> Iterator[None]:
    """Hold the lock that writers of one log share: a file beside it, because the log itself is replaced."""
    handle = os.open(target.with_name(f".{target.name}.lock"), os.O_RDWR | os.O_CREAT, 0o666)
    try:
        try:
            import fcntl
        except ImportError:  # no advisory locks on this system: one writer at a time is then the user's business
            yield
            return
        until = time.monotonic() + LOCK_TIMEOUT
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until:
                    message = (
                        f"cannot write {str(target)!r}: another program has held it for {LOCK_TIMEOUT:g} s; the log is "
                        "as before. Close that program and append again"
                    )
                    raise DataFileError(message) from None
                time.sleep(LOCK_RETRY)
        yield
    finally:
        os.close(handle)  # which also gives the lock back
