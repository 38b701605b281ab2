"""What ``import hspkit`` costs, against the numpy that everything needs; fresh interpreters, in one run."""

import subprocess
import sys

import pytest

pytestmark = pytest.mark.benchmark
CODE = "import time; start = time.perf_counter(); import {}; print(time.perf_counter() - start)"


def seconds(module):
    done = subprocess.run([sys.executable, "-c", CODE.format(module)], capture_output=True, text=True, check=True)
    return float(done.stdout)


def test_import_against_numpy(size, figure):
    runs = [(seconds("hspkit"), seconds("numpy")) for _ in range(size(9, 2))]
    ours, theirs = (min(column) for column in zip(*runs, strict=True))
    figure(f"`import hspkit`, {1e3 * ours:.0f} ms", "`import numpy`", ours / theirs, "times the time", most=0.5)
