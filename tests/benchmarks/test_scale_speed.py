"""Two worker processes of a dask cluster on this machine against one process, in one run."""

import time
import tracemalloc

import pandas as pd
import pytest

from hspkit import estimate_many, scale

pytestmark = [pytest.mark.benchmark, pytest.mark.slow]


@pytest.fixture(scope="module")
def client():
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address="127.0.0.1:0", host="127.0.0.1"
        ) as cluster,
        distributed.Client(cluster) as found,
    ):
        list(scale.estimate_partitions(["CCO"] * 4, npartitions=4, client=found))  # tables are read, patterns compiled
        yield found


def test_two_workers_against_one_process(client, structures, size, figure):
    smiles = structures(size(200_000, 2_000), 5)
    begin = time.perf_counter()
    frames = list(scale.estimate_partitions(smiles, client=client, npartitions=size(None, 4)))
    double = time.perf_counter() - begin
    estimate_many(smiles[:100])
    begin = time.perf_counter()
    one = estimate_many(smiles)
    single = time.perf_counter() - begin
    pd.testing.assert_frame_equal(pd.concat(frames), one, check_exact=True)
    figure(
        f"`scale.estimate_partitions` on two workers, {len(smiles):,} molecules",
        "`estimate_many` in one process",
        single / double,
        "times as fast",
        least=1.7,
    )


def test_memory_of_the_client_does_not_grow(client, structures, size, figure):
    """The reader of the stream lets go of each frame, as one does who writes it to a file."""
    smiles = pd.Series(structures(size(64_000, 800), 6))
    peaks = []
    for number in (len(smiles) // 4, len(smiles)):
        tracemalloc.start()
        for _ in scale.estimate_partitions(smiles[:number], client=client, npartitions=number // size(2000, 50)):
            pass
        peaks.append(tracemalloc.get_traced_memory()[1] / 2**20)
        tracemalloc.stop()
    figure(
        f"largest memory of the client while {len(smiles):,} molecules stream by, {peaks[1]:.1f} MiB",
        f"a quarter of them, {peaks[0]:.1f} MiB",
        peaks[1] / peaks[0],
        "times the memory",
        most=1.5,
    )


def test_questions_on_two_workers(client, size, figure):
    oils = ["sweet orange, cold-pressed", "clove, bud", "peppermint", "limonene"]
    liquids = ["triacetin", "triethyl citrate", "propylene glycol", "glycerol", "water"]
    questions = pd.DataFrame(
        [
            (oil, liquid, 1.0, parts)
            for parts in range(1, size(11, 2))
            for oil in oils
            for liquid in liquids
        ],
        columns=["oil", "carrier", "oil_parts", "carrier_parts"],
    )  # fmt: skip
    list(scale.dissolve_partitions(questions[:4], npartitions=4, client=client))
    begin = time.perf_counter()
    frames = list(scale.dissolve_partitions(questions, npartitions=10, client=client))
    double = time.perf_counter() - begin
    begin = time.perf_counter()
    one = scale.dissolve_many(questions)
    single = time.perf_counter() - begin
    pd.testing.assert_frame_equal(pd.concat(frames), one, check_exact=True)
    figure(
        f"`scale.dissolve_partitions` on two workers, {len(questions)} questions",
        "`scale.dissolve_many` in one process",
        single / double,
        "times as fast",
        least=1.7,
    )
