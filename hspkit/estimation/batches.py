"""`estimate` for one structure, `estimate_many` for a column of them."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterable, Iterator
from itertools import islice
from os import cpu_count
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.estimation import calibrated, published
from hspkit.estimation.result import Estimate, Prediction
from hspkit.groups import Batch, Gatherer
from hspkit.molecules import read_molecule, take

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["METHODS", "estimate", "estimate_many"]

#: Method names and the module that answers for each.
METHODS = {"calibrated": calibrated, "van-krevelen": published}
#: Molecules treated at once: large enough that array operations cost more than starting them, small enough
#: that a million rows need no more memory than a thousand.
CHUNK = 4000
Predict = Callable[[Batch, list[str], list[tuple[str, ...]]], Prediction]
#: Chunks that each process gets when there are several, so that none waits long for the last one.
SHARES = 4
COLUMNS = ("delta_d", "delta_p", "delta_h", "volume", "sd_d", "sd_p", "sd_h", "sd_volume")


def module_of(method: str) -> Any:
    """Return the module that answers for a method."""
    if not isinstance(method, str) or method not in METHODS:
        message = f"no method {checks.said(method)}; methods: {', '.join(METHODS)}"
        raise InputError(message)
    return METHODS[method]


def estimate(smiles: str, *, method: str = "calibrated") -> Estimate:
    """Estimate Hansen parameters and molar volume at 25 C from one structure.

    Parameters
    ----------
    smiles : str
        Structure of one neutral organic molecule. [-]
    method : {'calibrated', 'van-krevelen'}
        The calibrated group contribution of this project, or Hoftyzer-Van Krevelen with Fedors volumes. [-]

    Returns
    -------
    Estimate
        Values, standard deviations and the groups that make them up. [MPa^0.5, cm3/mol]

    Raises
    ------
    MoleculeError
        When the structure cannot be read, is no neutral molecule, or the method does not cover it.
    InputError
        When there is no such method.

    Warns
    -----
    ExtrapolationWarning
        When a group or the molecule lies outside what the method was fitted on; `Estimate.notes` says which.

    Examples
    --------
    >>> answer = estimate("CC(C)Cc1ccc(cc1)C(C)C(=O)O", method="van-krevelen")  # ibuprofen
    >>> answer.hsp, answer.volume
    (HSP(17.852, 2.221, 7.152), 195.5)
    """
    module = module_of(method)
    answer: Estimate = module.estimate_molecule(read_molecule(smiles))
    if answer.status == "extrapolated":
        warnings.warn(f"{answer.smiles}: {'; '.join(answer.notes)}", ExtrapolationWarning, stacklevel=2)
    return answer


def _answers(entries: list[Any], predict: Predict) -> tuple[NDArray[np.float64], list[str], list[str]]:
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


def _task(task: tuple[list[Any], str]) -> tuple[NDArray[np.float64], list[str], list[str]]:
    """Estimate one chunk by a named method; what a worker process runs."""
    entries, method = task
    return _answers(entries, module_of(method).predict_batch)


def _chunks(entries: Iterable[Any], size: int) -> Iterator[list[Any]]:
    iterator = iter(entries)
    while chunk := list(islice(iterator, size)):
        yield chunk


def _bar(total: int, wanted: bool) -> Any:
    if not wanted:
        return None
    try:
        from tqdm import tqdm
    except ImportError:
        return None
    return tqdm(total=total, unit="molecule")


def estimate_many(
    smiles: Iterable[Any], *, method: str = "calibrated", n_jobs: int = 1, progress: bool = False
) -> pd.DataFrame:
    """Estimate Hansen parameters and molar volume for many structures; no row stops the others.

    Parameters
    ----------
    smiles : iterable of str
        Structures; a Series keeps its index. [-]
    method : {'calibrated', 'van-krevelen'}
        As in `estimate`. [-]
    n_jobs : int
        Processes; -1 for one per core. [-]
    progress : bool
        Show a progress bar when ``tqdm`` is installed. [-]

    Returns
    -------
    DataFrame
        One row per input: smiles, delta_d, delta_p, delta_h [MPa^0.5], volume [cm3/mol], their standard
        deviations sd_d, sd_p, sd_h, sd_volume, status (``ok``, ``extrapolated``, ``failed``) and note (why).
        A failed row holds NaN.

    Raises
    ------
    InputError
        When one text is given instead of a list, `n_jobs` is not a number of processes, or there is no such
        method.

    Examples
    --------
    >>> frame = estimate_many(["CC(=O)OCC", "benzene, pure"], method="van-krevelen")
    >>> frame["status"].tolist(), frame["delta_d"].round(2).tolist()
    (['ok', 'failed'], [14.84, nan])
    """
    module_of(method)
    expected = "a number of processes >= 1, or -1 for one per core"
    asked = checks.whole(n_jobs, "n_jobs", low=-1, expected=expected)
    if asked == 0:
        raise checks.refuse(n_jobs, "n_jobs", expected)
    checks.flag(progress, "progress")
    entries, index = _column(smiles)
    cores = (
        cpu_count() or 1
    )  # more processes than cores only cost memory, and a slip of a zero or two could stop a machine
    jobs = cores if asked == -1 else min(asked, max(2, cores))
    size = CHUNK if jobs == 1 else min(CHUNK, max(1, len(entries) // (SHARES * jobs) + 1))
    tasks = ((chunk, method) for chunk in _chunks(entries, size))
    return _frame(entries, index, _run(tasks, jobs, method), progress)


def frame_of(smiles: Iterable[Any], predict: Predict) -> pd.DataFrame:
    """Return the frame of `estimate_many` for a fitted model's batch function."""
    entries, index = _column(smiles)
    parts = (_answers(chunk, predict) for chunk in _chunks(entries, CHUNK))
    return _frame(entries, index, parts, progress=False)


def _column(smiles: Iterable[Any]) -> tuple[list[Any], Any]:
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


def _frame(entries: list[Any], index: Any, parts: Iterator[Any], progress: bool) -> pd.DataFrame:
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


def _run(tasks: Iterator[tuple[list[Any], str]], jobs: int, method: str) -> Iterator[Any]:
    if jobs == 1:
        yield from map(_task, tasks)
        return
    from concurrent.futures import ProcessPoolExecutor

    module_of(method).prepare()  # read the tables once; where processes are forked they inherit them
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(_task, tasks)
