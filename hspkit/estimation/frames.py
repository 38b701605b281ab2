"""Columns of structures in, one frame out: reading, chunks and the columns of the answer, whatever the method."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.errors import InputError
from hspkit.estimation.result import Prediction
from hspkit.groups import Batch, Gatherer
from hspkit.molecules import take

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "Predict", "answers", "chunks", "column", "frame", "frame_of"]

#: Molecules treated at once: large enough that array operations cost more than starting them, small enough
#: that a million rows need no more memory than a thousand.
CHUNK = 4000
#: A method's estimate of a batch, given what users called the structures and the notes on reading them.
Predict = Callable[[Batch, list[str], list[tuple[str, ...]]], Prediction]
COLUMNS = ("delta_d", "delta_p", "delta_h", "volume", "sd_d", "sd_p", "sd_h", "sd_volume")


def answers(entries: list[Any], predict: Predict) -> tuple[NDArray[np.float64], list[str], list[str]]:
    """Estimate one chunk: eight numbers a row, status, note."""
    gatherer = Gatherer()
    names: list[str] = []
    remarks: list[tuple[str, ...]] = []

    def visit(text: str, graph: Any, remark: tuple[str, ...]) -> None:
        gatherer.add(graph)
        names.append(text)
        remarks.append(remark)

    notes = take(entries, visit)
    rows = [row for row, reason in enumerate(notes) if not reason]
    numbers = np.full((len(entries), len(COLUMNS)), np.nan)
    status = ["failed"] * len(entries)
    if rows:
        found = predict(gatherer.batch(), names, remarks)
        numbers[rows, :4] = found.values  # noqa: PD011 (not a DataFrame)
        numbers[rows, 4:] = found.sd
        for row, state, note in zip(rows, found.status, found.notes, strict=True):
            status[row] = state
            notes[row] = "; ".join(note)
        numbers[[state == "failed" for state in status]] = np.nan  # no error bar either where there is no value
    return numbers, status, notes


def chunks(entries: Iterable[Any], size: int) -> Iterator[list[Any]]:
    """Return entries in lists of a size, the last one shorter."""
    iterator = iter(entries)
    while chunk := list(islice(iterator, size)):
        yield chunk


def frame_of(smiles: Iterable[Any], predict: Predict) -> pd.DataFrame:
    """Return the frame of `estimate_many` for a fitted model's batch function."""
    entries, index = column(smiles)
    parts = (answers(chunk, predict) for chunk in chunks(entries, CHUNK))
    return frame(entries, index, parts, progress=False)


def column(smiles: Iterable[Any]) -> tuple[list[Any], Any]:
    """Return a column of structures as a list, and its index when it is a Series; refuse a single text or a frame."""
    import pandas as pd

    if isinstance(smiles, str | bytes):
        given = checks.said(smiles)
        message = f"smiles is the text {given}; expected a list or Series of SMILES (use estimate for one)"
        raise InputError(message)
    if isinstance(smiles, pd.DataFrame):
        message = f"smiles is a DataFrame; expected one of its columns ({', '.join(map(str, smiles.columns))})"
        raise InputError(message)
    entries = list(checks.several(smiles, "smiles", "['CCO', 'CCCO']"))
    return entries, smiles.index if isinstance(smiles, pd.Series) else None


def frame(entries: list[Any], index: Any, parts: Iterator[Any], progress: bool) -> pd.DataFrame:
    """Return what `answers` gave of the chunks of a column as one frame."""
    import pandas as pd

    numbers: list[NDArray[np.float64]] = []
    status: list[str] = []
    notes: list[str] = []
    bar = _bar(len(entries), progress)
    for part, states, reasons in parts:
        numbers.append(part)
        status += states
        notes += reasons
        if bar is not None:
            bar.update(len(states))
    if bar is not None:
        bar.close()
    table = np.concatenate(numbers) if numbers else np.empty((0, len(COLUMNS)))
    frame = pd.DataFrame(table, columns=list(COLUMNS), index=index)
    frame.insert(0, "smiles", pd.Series(entries, dtype=object, index=frame.index))
    frame["status"] = status
    frame["note"] = notes
    return frame


def _bar(total: int, wanted: bool) -> Any:
    if not wanted:
        return None
    try:
        from tqdm import tqdm
    except ImportError:
        return None
    return tqdm(total=total, unit="molecule")
