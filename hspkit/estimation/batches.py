"""`estimate` for one structure, `estimate_many` for a column of them."""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Iterator
from os import cpu_count
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.estimation import calibrated, frames, published
from hspkit.estimation.result import Estimate
from hspkit.molecules import read_molecule

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["METHODS", "estimate", "estimate_many"]

#: Method names and the module that answers for each.
METHODS = {"calibrated": calibrated, "van-krevelen": published}
#: Chunks that each process gets when there are several, so that none waits long for the last one.
SHARES = 4


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


def _task(task: tuple[list[Any], str]) -> tuple[NDArray[np.float64], list[str], list[str]]:
    """Estimate one chunk by a named method; what a worker process runs."""
    entries, method = task
    return frames.answers(entries, module_of(method).predict_batch)


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
    entries, index = frames.column(smiles)
    # more processes than cores only cost memory, and a slip of a zero or two could stop a machine
    cores = cpu_count() or 1
    jobs = cores if asked == -1 else min(asked, max(2, cores))
    size = frames.CHUNK if jobs == 1 else min(frames.CHUNK, max(1, len(entries) // (SHARES * jobs) + 1))
    tasks = ((chunk, method) for chunk in frames.chunks(entries, size))
    return frames.frame(entries, index, _run(tasks, jobs, method), progress)


def _run(tasks: Iterator[tuple[list[Any], str]], jobs: int, method: str) -> Iterator[Any]:
    if jobs == 1:
        yield from map(_task, tasks)
        return
    from concurrent.futures import ProcessPoolExecutor

    module_of(method).prepare()  # read the tables once; where processes are forked they inherit them
    with ProcessPoolExecutor(jobs) as pool:
        yield from pool.map(_task, tasks)
