"""Many structures or many questions on a dask cluster, partition by partition.

`dissolve_many` answers a table of questions in this process; `estimate_partitions` and `dissolve_partitions` hand
partitions to the workers of a dask client that exists already, on this machine or on a cluster, and give the answers
back in the order of the questions. Neither client nor workers ever hold more than a few partitions. A worker needs
hspkit installed and nothing else: tables are in the package, and nothing is read from the client.
"""

from __future__ import annotations

import warnings
from collections import deque
from collections.abc import Callable, Hashable, Iterable, Iterator
from functools import partial
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import checks
from hspkit.belief import check_draws
from hspkit.carriers import NOT_LISTED, Blend, Carrier
from hspkit.errors import ExtrapolationWarning, HspkitError, InputError
from hspkit.estimation import batches, estimate_many, frames
from hspkit.miscibility import DRAWS, Outcome, dissolve
from hspkit.oils import Oil

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["dissolve_many", "dissolve_partitions", "estimate_partitions"]

#: Rows of a partition unless `npartitions` is given [-]: seconds of work each, against milliseconds for the journey.
#: A multiple of the chunk of `estimate_many`.
MOLECULES, QUESTIONS = 2 * frames.CHUNK, 50
#: Partitions on their way for each thread of the cluster [-]: one worked on, one waiting.
AHEAD = 2
#: What a question must say, and what is taken when its table has no such column; the defaults of `dissolve`.
ASKED = ("oil", "carrier")
DEFAULTS = {"oil_parts": 1.0, "carrier_parts": 2.0, "celsius": 25.0}
NUMBERS = ("p_clear", "max_oil_percent", "water_tolerance_percent")
Progress = Callable[[int, int], None]


def dissolve_many(questions: pd.DataFrame, *, draws: int = DRAWS, random_state: int = 0) -> pd.DataFrame:
    """Answer a table of questions, one `hspkit.dissolve` a row; no row stops the others.

    Parameters
    ----------
    questions : DataFrame
        Columns oil and carrier (names, or `Oil`, `Carrier`, `Blend`), and if wanted oil_parts, carrier_parts
        (by volume [-]) and celsius [degC]; a column that is not there takes the default of `hspkit.dissolve`. An empty
        cell is an error of its row.
    draws : int
        As in `hspkit.dissolve`. [-]
    random_state : int
        Seed of every row, so that an answer does not depend on its neighbours. [-]

    Returns
    -------
    DataFrame
        One row a question with its index: oil, carrier, oil_parts, carrier_parts [-], celsius [degC], verdict, p_clear
        [-], max_oil_percent [% vol of the stock], water_tolerance_percent [% vol of the mixture],
        limiting_components (strongest first, joined by "; "), status (``ok``, ``extrapolated``, ``refused``,
        ``failed``) and note (why). A failed row holds None and NaN. A liquid that is not for ingestion is refused
        whatever it dissolves, and the note begins with its caution; of one that is no listed carrier it says that
        nothing permits it.

    Raises
    ------
    InputError
        When questions is no DataFrame, or has no column oil or carrier.

    Examples
    --------
    >>> import pandas as pd
    >>> asked = pd.DataFrame({"oil": ["limonene", "limonene"], "carrier": ["MCT", "moonshine"]})
    >>> answers = dissolve_many(asked)
    >>> answers["verdict"].tolist(), answers["status"].tolist()
    (['clear', None], ['ok', 'failed'])
    """
    import pandas as pd

    _check_questions(questions)
    checks.frame(questions, "questions", "columns oil and carrier")
    check_draws(draws)
    checks.random_state(random_state)
    index = questions.index
    given = {
        name: list(questions[name]) if name in questions.columns else [default] * len(index)
        for name, default in [*((name, None) for name in ASKED), *DEFAULTS.items()]
    }
    answers = [
        _answer(dict(zip(given, row, strict=True)), draws, random_state) for row in zip(*given.values(), strict=True)
    ]
    outcomes = [outcome for outcome, _, _ in answers]
    # Text is kept as objects and numbers as float64 whatever the rows hold, so that partitions fit together.
    columns: dict[str, pd.Series] = {
        name: pd.Series(cells, index=index, dtype=None if name in DEFAULTS and _numeric(cells) else object)
        for name, cells in given.items()
    }
    columns["verdict"] = pd.Series([one and one.verdict for one in outcomes], index=index, dtype=object)
    for name in NUMBERS:
        cells = [np.nan if one is None else getattr(one, name) for one in outcomes]
        columns[name] = pd.Series(cells, index=index, dtype=float)
    limiting = [one and "; ".join(one.limiting_components) for one in outcomes]
    columns["limiting_components"] = pd.Series(limiting, index=index, dtype=object)
    columns["status"] = pd.Series([status for _, status, _ in answers], index=index, dtype=object)
    columns["note"] = pd.Series([note for _, _, note in answers], index=index, dtype=object)
    return pd.DataFrame(columns, index=index)


def _numeric(cells: list[Any]) -> bool:
    return all(cell is None or isinstance(cell, int | float | np.number) for cell in cells)


def _check_progress(progress: Progress | None) -> None:
    if progress is not None and not callable(progress):
        raise checks.refuse(progress, "progress", "a function of two numbers, or None")


def _check_questions(questions: Any) -> None:
    missing = [name for name in ASKED if name not in getattr(questions, "columns", ())]
    if missing:
        found = ", ".join(map(str, getattr(questions, "columns", ()))) or f"a {type(questions).__name__}"
        message = (
            f"questions has no column {' and no column '.join(missing)}, but {found}; expected a DataFrame with "
            f"columns {', '.join(ASKED)} and, if wanted, {', '.join(DEFAULTS)}"
        )
        raise InputError(message)


def _answer(question: dict[str, Any], draws: int, random_state: int) -> tuple[Outcome | None, str, str]:
    """Answer one row: outcome (None when it failed), status, note."""
    for name, kinds in (("oil", (str, Oil)), ("carrier", (str, Carrier, Blend))):
        if not isinstance(question[name], kinds):
            return None, "failed", f"{name} is {question[name]!r}; expected a name"
    for name in DEFAULTS:
        try:
            question[name] = float(question[name])
        except (TypeError, ValueError, OverflowError):
            return None, "failed", f"{name} is {question[name]!r}; expected a number"
    oil, liquid, *numbers = question.values()
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        outcome, reason = None, ""
        try:
            outcome = dissolve(
                oil, liquid, **dict(zip(DEFAULTS, numbers, strict=True)), draws=draws, random_state=random_state
            )
        except HspkitError as error:
            reason = str(error)
    notes: list[str] = []
    for one in caught:
        if issubclass(one.category, ExtrapolationWarning):
            notes.append(str(one.message))
        else:
            warnings.warn_explicit(one.message, one.category, one.filename, one.lineno)
    if outcome is None:
        return None, "failed", reason
    status = "extrapolated" if notes else "ok"
    if outcome.carrier.not_for_ingestion:
        status = "refused"
    first = [part.caution for part in outcome.carrier.parts if part.not_for_ingestion]
    first += [f"{part.name}: {NOT_LISTED}" for part in outcome.carrier.parts if not part.listed_name]
    last = [text for text in (outcome.unknown, outcome.oil.coverage) if text]
    return outcome, status, "; ".join(dict.fromkeys([*first, *notes, *last]))


def estimate_partitions(
    smiles: Any,
    *,
    client: Any = None,
    npartitions: int | None = None,
    column: Hashable = "smiles",
    method: str = "calibrated",
    progress: Progress | None = None,
) -> Iterator[pd.DataFrame]:
    """Estimate many structures on the workers of a dask client; the frames of `hspkit.estimate_many`, one by one.

    Parameters
    ----------
    smiles : Series, DataFrame or iterable of str, or a dask Series or DataFrame
        Structures. [-]
    client : distributed.Client or None
        Where to work; None takes the current client. [-]
    npartitions : int or None
        In how many parts to cut; None makes parts of 8,000 rows, or keeps those of a dask collection. [-]
    column : hashable
        Column of a DataFrame that holds the structures. [-]
    method : {'calibrated', 'van-krevelen'}
        As in `hspkit.estimate`. [-]
    progress : callable or None
        Called with (partitions done, partitions in all) after each partition; dask's own dashboard and
        ``distributed.progress`` show the tasks as well. [-]

    Returns
    -------
    iterator of DataFrame
        One frame a partition, in the order of the structures; ``pandas.concat`` joins them. Numbers are those of
        `hspkit.estimate_many`, bit for bit. A partition is asked for when the reader is ready for it, so
        memory does not grow with their number.

    Raises
    ------
    ImportError
        When dask is not installed.
    InputError
        When there is no client, no such column or method, or `npartitions` is not a whole number >= 1.

    Examples
    --------
    On two processes of this machine (a script keeps this under ``if __name__ == "__main__":``)::

        from distributed import Client, LocalCluster
        from hspkit import scale

        with LocalCluster(n_workers=2, threads_per_worker=1) as cluster, Client(cluster) as client:
            for number, frame in enumerate(scale.estimate_partitions(column, client=client)):
                frame.to_csv(f"part-{number}.csv")
    """
    batches.module_of(method)
    _check_progress(progress)
    engine = _client(client)
    if getattr(smiles, "ndim", 1) == 2:
        if not isinstance(column, Hashable) or column not in smiles.columns:
            message = f"no column {checks.said(column)}; columns: {', '.join(map(str, smiles.columns))}"
            raise InputError(message)
        smiles = smiles[column]
    if isinstance(smiles, str | bytes):
        given = checks.said(smiles)
        message = f"smiles is the text {given}; expected a list or Series of SMILES (use estimate for one)"
        raise InputError(message)
    if not (hasattr(smiles, "iloc") or hasattr(smiles, "to_delayed")):
        smiles = _series(smiles)
    parts, count = _parts(smiles, npartitions, MOLECULES)
    return _stream(engine, partial(estimate_many, method=method), parts, count, progress)


def dissolve_partitions(
    questions: Any,
    *,
    client: Any = None,
    npartitions: int | None = None,
    draws: int = DRAWS,
    random_state: int = 0,
    progress: Progress | None = None,
) -> Iterator[pd.DataFrame]:
    """Answer a table of questions on the workers of a dask client; the frames of `dissolve_many`, one by one.

    Parameters
    ----------
    questions : DataFrame or dask DataFrame
        As in `dissolve_many`.
    client : distributed.Client or None
        Where to work; None takes the current client. [-]
    npartitions : int or None
        In how many parts to cut; None makes parts of 50 rows, or keeps those of a dask collection. [-]
    draws : int
        As in `hspkit.dissolve`. [-]
    random_state : int
        Seed of every row. [-]
    progress : callable or None
        Called with (partitions done, partitions in all) after each partition. [-]

    Returns
    -------
    iterator of DataFrame
        One frame a partition, in the order of the questions; numbers are those of `dissolve_many`, bit for bit.

    Raises
    ------
    ImportError
        When dask is not installed.
    InputError
        When there is no client, a column is missing, or `npartitions` is not a whole number >= 1.

    Examples
    --------
    As for `estimate_partitions`::

        answers = pandas.concat(scale.dissolve_partitions(questions, client=client))
    """
    _check_questions(questions)
    _check_progress(progress)
    check_draws(draws)
    checks.random_state(random_state)
    engine = _client(client)
    parts, count = _parts(questions, npartitions, QUESTIONS)
    work = partial(dissolve_many, draws=draws, random_state=random_state)
    return _stream(engine, work, parts, count, progress)


def _client(given: Any) -> Any:
    """Return the client to work with."""
    try:
        import distributed
    except ImportError as error:
        message = 'dask is not installed; pip install "hspkit[dask]" (estimate_many and dissolve_many do without)'
        raise ImportError(message) from error
    if given is None:
        try:
            return distributed.get_client()
        except ValueError as error:
            message = "there is no dask client; make one with distributed.Client(...) and pass it as client"
            raise InputError(message) from error
    if not isinstance(given, distributed.Client):
        raise checks.refuse(given, "client", "a distributed.Client")
    return given


def _series(smiles: Iterable[Any]) -> pd.Series:
    import pandas as pd

    return pd.Series(checks.several(smiles, "smiles", "['CCO', 'CCCO']"), dtype=object)


def _parts(table: Any, npartitions: int | None, rows: int) -> tuple[Iterator[Any], int]:
    """Return parts of a table, cut when they are asked for, and their number."""
    asked = None if npartitions is None else checks.whole(npartitions, "npartitions", low=1)
    if hasattr(table, "to_delayed"):
        lazy = (table if asked is None else table.repartition(npartitions=asked)).to_delayed()
        return iter(lazy), len(lazy)
    count = -(-len(table) // rows) if asked is None else min(asked, len(table))
    count = max(count, 1)  # an empty table has one empty answer, with its columns
    edges = np.linspace(0, len(table), count + 1).round().astype(int)
    return (table.iloc[start:stop] for start, stop in pairwise(edges)), count


def _stream(
    client: Any, work: Callable[[Any], pd.DataFrame], parts: Iterator[Any], count: int, progress: Progress | None
) -> Iterator[pd.DataFrame]:
    """Keep a few partitions on their way and yield the answers in order."""
    ahead = AHEAD * max(1, sum(client.nthreads().values()))
    waiting: deque[Any] = deque()
    for done in range(1, count + 1):
        while len(waiting) < ahead and (part := next(parts, None)) is not None:
            # A partition of a dask collection is made where the work is done, and never comes here. Others are handed
            # to a worker as data: as a part of the question the scheduler would keep a copy of them.
            where = client.compute(part) if hasattr(part, "dask") else client.scatter(part, hash=False)
            waiting.append(client.submit(work, where, pure=False))
        answer = waiting.popleft().result()
        if progress is not None:
            progress(done, count)
        yield answer
