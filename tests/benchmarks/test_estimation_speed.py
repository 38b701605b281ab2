"""Speed of estimates as a ratio in one run: structures not seen before against parsing them, one core."""

import time
import tracemalloc

import pytest
from rdkit import Chem, rdBase

from hspkit.estimation import estimate_many

pytestmark = [pytest.mark.benchmark, pytest.mark.slow]


def test_end_to_end_against_bare_parsing(structures, size, figure):
    number = size(50_000, 500)
    smiles = structures(number, 1)
    estimate_many(["CCO"])  # tables are read and patterns compiled once per process
    parse = whole = 0.0
    for start in range(0, number, 10_000):  # alternate, so that a busy machine slows both alike
        part = smiles[start : start + 10_000]
        with rdBase.BlockLogs():
            begin = time.process_time()
            for text in part:
                Chem.MolFromSmiles(text)
            parse += time.process_time() - begin
        begin = time.process_time()
        frame = estimate_many(part)
        whole += time.process_time() - begin
        assert len(frame) == len(part)
    figure(
        f"`estimate_many`, {number:,} structures not seen before",
        "reading them with RDKit, without anything else",
        whole / parse,
        "times the time",
        most=2.0,
    )


def test_two_processes(structures, size, figure):
    number = size(50_000, 500)
    smiles = structures(number, 2)
    begin = time.perf_counter()
    one = estimate_many(smiles)
    single = time.perf_counter() - begin
    begin = time.perf_counter()
    two = estimate_many(smiles, n_jobs=2)
    double = time.perf_counter() - begin
    assert one.equals(two)
    figure(
        f"`estimate_many(..., n_jobs=2)`, {number:,} structures",
        "one process",
        single / double,
        "times as fast",
        least=1.7,
    )


def test_cost_per_million_molecules(structures, size, figure):
    """Linear in the number: a chunk of molecules costs the same whatever came before it."""
    whole, costs = structures(size(200_000, 400), 4), []
    for share in (16, 4, 1):
        part = whole[: len(whole) // share]
        begin = time.process_time()
        estimate_many(part)
        costs.append((time.process_time() - begin) / len(part) * 1e6)
        figure(f"a million molecules on one core, from {len(part):,}", "the clock", costs[-1], "s")
    figure(
        f"a molecule among {len(whole):,}", f"one among {len(whole) // 16:,}", costs[-1] / costs[0], "times the time",
        most=1.2,
    )  # fmt: skip


def test_memory_does_not_grow_with_the_number_of_molecules(structures, size, figure):
    smiles = structures(size(20_000, 400), 3)
    estimate_many(smiles[:1000])
    peaks = []
    for number in (len(smiles) // 4, len(smiles)):
        tracemalloc.start()
        estimate_many(smiles[:number])
        peaks.append(tracemalloc.get_traced_memory()[1] / 2**20)
        tracemalloc.stop()
    figure(
        f"largest memory of Python and numpy for {len(smiles):,} molecules, {peaks[1]:.0f} MiB",
        f"a quarter of them, {peaks[0]:.0f} MiB",
        peaks[1] / peaks[0],
        "times the memory",
        most=1.5,
    )
