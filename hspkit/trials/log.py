"""The log of trials: a csv that people open in spreadsheets and programs append to.

A row is appended by writing a copy of the whole file beside it and putting the copy in its place, while a lock is
held. So a reader sees the old file or the new one, a failed write leaves the old one, and two writers wait for each
other. The bytes that were there stay as they are: separator, decimal sign, encoding, line ends, columns of one's own.
"""

from __future__ import annotations

import contextlib
import csv
import io
import os
import re
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from hspkit.data import csv_rows, numbered_rows
from hspkit.errors import DataFileError, HspkitError, InputError
from hspkit.pages import check_target, file_bytes
from hspkit.trials.trial import Trial

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "TrialLog"]

#: Columns of a new log, in this order.
COLUMNS = (
    "date",
    "oil",
    "carrier",
    "oil_parts",
    "carrier_parts",
    "water_parts",
    "celsius",
    "outcome",
    "note",
)
_NUMBERS = ("oil_parts", "carrier_parts", "water_parts", "celsius")
_NEEDED = ("carrier", "outcome")
_DEFAULTS = {"oil_parts": 1.0, "carrier_parts": 2.0, "water_parts": 0.0, "celsius": 25.0}
_HEADINGS = {
    "carrier or blend": "carrier",
    "blend": "carrier",
    "parts oil": "oil_parts",
    "parts carrier": "carrier_parts",
    "water": "water_parts",
    "parts water": "water_parts",
    "temperature": "celsius",
    "temp": "celsius",
    "temperature c": "celsius",
    "result": "outcome",
    "notes": "note",
    "remark": "note",
    "comment": "note",
}
#: Text that a spreadsheet would take for a formula; an apostrophe before it keeps it text.
_FORMULA = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")

#: How long a writer waits for the others, and between two looks [s]; an append takes milliseconds.
_PATIENCE, _PAUSE = 30.0, 0.002


def _safe(text: str) -> str:
    return "'" + text if _FORMULA.match(text) else text


def _plain(text: str) -> str:
    return text[1:] if text.startswith("'") and _FORMULA.match(text) else text


@dataclass(frozen=True)
class _Layout:
    """How a file is written: encoding, byte-order mark, separator, line end, decimal sign, and its columns."""

    encoding: str
    separator: str
    line_end: str
    decimal: str
    columns: tuple[str, ...]


def _decode(raw: bytes, name: str) -> tuple[str, str]:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        try:
            return raw.decode("utf-16"), "utf-16-le" if raw.startswith(b"\xff\xfe") else "utf-16-be"
        except UnicodeDecodeError:
            message = f"{name}: the file begins as UTF-16 text and goes on as something else; save it as csv in UTF-8"
            raise DataFileError(message) from None
    try:
        return raw.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError:
        pass
    try:
        return raw.decode("cp1252"), "cp1252"
    except UnicodeDecodeError:
        message = f"{name}: the file is neither UTF-8 nor Windows-1252 text; save it as csv in UTF-8"
        raise DataFileError(message) from None


def _column(heading: str) -> str:
    words = " ".join(re.findall(r"[a-z]+", re.sub(r"[\[(].*", "", heading.lower())))
    name = words.replace(" ", "_")
    return name if name in COLUMNS else _HEADINGS.get(words, "")


def _number(text: str, column: str) -> float:
    tidy = text.strip().replace(" ", "").replace("\u00a0", "").replace("\u202f", "")
    if tidy.count(",") == 1 and "." not in tidy:
        tidy = tidy.replace(",", ".")
    try:
        return float(tidy)
    except ValueError:
        message = f"{column} is {text!r}; expected a number"
        raise InputError(message) from None


class TrialLog:
    """A log of trials in a csv file.

    Parameters
    ----------
    path : str or Path
        The file; the first trial that is appended makes it. Separators ``,`` ``;`` or tab, decimal commas, a
        byte-order mark, UTF-8, UTF-16 or Windows-1252, columns in any order and columns of one's own are read. [-]

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
        self.path = Path(path)

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
        return self._parsed()[1]

    def read(self, *, missing: Literal["raise", "skip"] = "raise") -> tuple[Trial, ...]:
        """Return the trials of the file.

        Parameters
        ----------
        missing : {"raise", "skip"}
            What to do about rows that cannot be used; `problems` lists them. [-]

        Raises
        ------
        DataFileError
            Naming the file and every bad row; or when the header lacks a column.
        """
        if missing not in ("raise", "skip"):
            message = f"missing is {missing!r}; expected 'raise' or 'skip'"
            raise InputError(message)
        good, bad = self._parsed()
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
        for one in trials:
            if not isinstance(one, Trial):
                message = f"{one!r} is no Trial; expected Trial(carrier, outcome, ...)"
                raise InputError(message)
        if not trials:
            return
        try:
            target = check_target(self.path)
        except InputError as error:
            raise DataFileError(str(error)) from None
        try:
            with _locked(target):
                raw = file_bytes(target) if target.exists() else b""
                _replace(target, raw + self._rows(raw, trials))
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

    def _parsed(self) -> tuple[tuple[Trial, ...], tuple[str, ...]]:
        if self._is_absent():
            return (), ()
        raw = file_bytes(self.path)
        text, encoding = _decode(raw, self.path.name)
        if not text.strip():
            return (), ()
        layout = self._layout(raw, text, encoding)
        good, bad = [], []
        header_seen = False
        for row, cells in numbered_rows(text, self.path.name, separator=layout.separator):
            if not any(cell.strip() for cell in cells):
                continue
            if not header_seen:
                header_seen = True
                continue
            try:
                good.append(self._trial(cells, layout))
            except HspkitError as error:
                bad.append(f"{self.path.name}, row {row}: {error}")
        return tuple(good), tuple(bad)

    def _layout(self, raw: bytes, text: str, encoding: str) -> _Layout:
        first = next(line for line in text.splitlines() if line.strip())
        separator = max(";\t,", key=first.count)
        header = csv_rows(first, self.path.name, separator=separator)[0]
        columns = tuple(_column(cell) for cell in header)
        lacking = [name for name in _NEEDED if name not in columns]
        twice = sorted({name for name in columns if name and columns.count(name) > 1})
        if lacking or twice:
            fault = f"lacks {', '.join(lacking)}" if lacking else f"has {', '.join(twice)} twice"
            message = f"{self.path.name}: the header {fault}; expected {','.join(COLUMNS)}"
            raise DataFileError(message)
        comma = separator != "," and re.search(r"(?:^|[;\t])\s*\d+,\d+\s*(?:[;\t]|$)", text, re.MULTILINE)
        return _Layout(encoding, separator, "\r\n" if "\r\n" in text else "\n", "," if comma else ".", columns)

    def _trial(self, cells: list[str], layout: _Layout) -> Trial:
        if len(cells) < len(layout.columns):
            cells = cells + [""] * (len(layout.columns) - len(cells))
        if any(cell.strip() for cell in cells[len(layout.columns) :]):
            message = f"{len(cells)} cells for {len(layout.columns)} columns; quote cells that hold the separator"
            raise InputError(message)
        given = {
            name: _plain(cell)
            for name, cell in zip(layout.columns, cells, strict=False)
            if name and (cell.strip() or name == "note")
        }
        for name in _NEEDED:
            if name not in given:
                message = f"{name} is empty; expected {'a carrier or blend' if name == 'carrier' else 'an outcome'}"
                raise InputError(message)
        numbers = {name: _number(given.pop(name), name) for name in _NUMBERS if name in given}
        return Trial(**given, **numbers)  # type: ignore[arg-type]

    # --- writing ---

    def _rows(self, raw: bytes, trials: tuple[Trial, ...]) -> bytes:
        text, encoding = _decode(raw, self.path.name)
        fresh = not text.strip()
        layout = _Layout("utf-8", ",", "\n", ".", COLUMNS) if fresh else self._layout(raw, text, encoding)
        out = io.StringIO(newline="")
        if fresh:
            out.write(_line(COLUMNS, layout))
        elif not text.endswith(("\n", "\r")):
            out.write(layout.line_end)
        for one in trials:
            cells = []
            for name in COLUMNS:
                value = getattr(one, name)
                if name not in layout.columns and value not in ("", _DEFAULTS.get(name)):
                    message = f"{self.path.name} has no column {name!r}, which this trial needs; add it to the header"
                    raise DataFileError(message)
            for name in layout.columns:
                value = getattr(one, name) if name else ""
                if name in _NUMBERS:
                    cells.append(f"{value:.10g}".replace(".", layout.decimal))
                else:
                    cells.append(_safe(value))
            out.write(_line(cells, layout))
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
        until = time.monotonic() + _PATIENCE
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > until:
                    message = (
                        f"cannot write {str(target)!r}: another program has held it for {_PATIENCE:g} s; the log is as "
                        "before. Close that program and append again"
                    )
                    raise DataFileError(message) from None
                time.sleep(_PAUSE)
        yield
    finally:
        os.close(handle)  # which also gives the lock back


def _replace(target: Path, content: bytes) -> None:
    """Put content in the place of a file, or leave the file as it is."""
    handle, name = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".new", dir=target.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if target.exists():
            os.chmod(name, target.stat().st_mode & 0o7777)
        else:
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(name, 0o666 & ~mask)
        os.replace(name, target)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(name)
        raise
    with contextlib.suppress(OSError, AttributeError):  # so that the new name survives a power cut, where that exists
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
