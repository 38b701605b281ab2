"""Speed as a ratio in one run: estimates of structures not seen before against parsing them, one core."""

import os
import random
import time
import tracemalloc
from pathlib import Path

import pytest
from rdkit import Chem, rdBase

from hspkit.estimation import estimate_many

pytestmark = [pytest.mark.benchmark, pytest.mark.slow]
NUMBER = 50_000


def unseen(number: int, seed: int) -> list[str]:
    chemicals = pytest.importorskip("chemicals")
    path = Path(chemicals.__file__).parent / "Identifiers" / "chemical identifiers pubchem large.tsv"
    with path.open(encoding="utf-8") as lines:
        found = [line.split("\t", 5)[4] for line in lines]
    return random.Random(seed).sample(found, number)


def test_end_to_end_against_bare_parsing():
    smiles = unseen(NUMBER, 1)
    estimate_many(["CCO"])  # tables are read and patterns compiled once per process
    parse = whole = 0.0
    for start in range(0, NUMBER, 10_000):  # alternate, so that a busy machine slows both alike
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
    print(f"\n{NUMBER} molecules: parse {parse:.2f} s, estimate_many {whole:.2f} s, ratio {whole / parse:.2f}")
    assert whole / parse < 2.3  # target 2.0; room for a busy machine


def test_two_processes():
    smiles = unseen(NUMBER, 2)
    begin = time.perf_counter()
    one = estimate_many(smiles)
    single = time.perf_counter() - begin
    begin = time.perf_counter()
    two = estimate_many(smiles, n_jobs=2)
    double = time.perf_counter() - begin
    print(f"\n{NUMBER}: one process {single:.2f} s, two {double:.2f} s, {single / double:.2f} times faster")
    assert one["status"].equals(two["status"])
    if os.getloadavg()[0] < 1.5 and (os.cpu_count() or 1) >= 2:  # on a busy machine there is no second core to use
        assert single / double > 1.5  # target 1.7


def test_memory_does_not_grow_with_the_number_of_molecules():
    smiles = unseen(20_000, 3)
    estimate_many(smiles[:1000])
    peaks = []
    for number in (5_000, 20_000):
        tracemalloc.start()
        estimate_many(smiles[:number])
        peaks.append(tracemalloc.get_traced_memory()[1] / 2**20)
        tracemalloc.stop()
    print(f"\npeak memory of Python and numpy: {peaks[0]:.0f} MiB for 5,000, {peaks[1]:.0f} MiB for 20,000")
    assert peaks[1] < 1.5 * peaks[0]
