"""Do the tests notice when the code is wrong? Change it in one place at a time (cosmic-ray) and run its tests.

    python tests/mutation.py hspkit/hansen.py              every change
    python tests/mutation.py hspkit/blending --sample 100  that many of them, drawn with --random-state

Paths and the tests that answer for them stand in pyproject.toml, `[tool.hspkit-mutation.paths]`. Works on a copy of the
files under version control; prints the share that was noticed and each change that was not. Those that stay are
listed with a reason in tests/mutation_survivors.md.
"""

import argparse
import ast
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
#: A change that makes the tests this many times slower has been noticed.
PATIENCE = 4


def not_running(path: Path) -> list[tuple[int, int, int, int]]:
    """Return where a module holds what nothing reads while it runs, from (line, column) to (line, column).

    Annotations, imports for them, and the bare star before keywords, which cosmic-ray takes for a product.
    """
    spans = []
    text = path.read_text(encoding="utf-8")
    for number, line in enumerate(text.splitlines(), start=1):
        spans += [(number, found.start(), number, found.end()) for found in re.finditer(r"(?<=[(,\s])\*(?=,)", line)]
    for node in ast.walk(ast.parse(text)):
        for field in ("annotation", "returns"):
            noted = getattr(node, field, None)
            if noted is not None:
                spans.append((noted.lineno, noted.col_offset, noted.end_lineno, noted.end_col_offset))
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            spans.append((node.lineno, 0, node.end_lineno, 10**6))
    return spans


def runs(mutation, spans: dict[Path, list[tuple[int, int, int, int]]]) -> bool:
    """Say whether a change is of code that runs."""
    where = mutation.start_pos
    return not any((a, b) <= where <= (c, d) for a, b, c, d in spans[mutation.module_path])


def copy(folder: Path) -> None:
    """Copy the files under version control."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True).stdout
    for name in filter(None, listed.decode().split("\0")):
        if (ROOT / name).is_file():
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, folder / name)


def main() -> int:
    """Change, test, report."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        known = tomllib.load(file)["tool"]["hspkit-mutation"]["paths"]
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("path", choices=known)
    parser.add_argument("--sample", type=int, help="how many changes; all without")
    parser.add_argument("--random-state", type=int, default=0, help="seed of the sample")
    given = parser.parse_args()

    from cosmic_ray.commands import init
    from cosmic_ray.config import ConfigDict
    from cosmic_ray.mutating import mutate_and_test
    from cosmic_ray.work_db import WorkDB, use_db

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        copy(folder)
        os.chdir(folder)
        os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", MPLBACKEND="Agg", PYTHONDONTWRITEBYTECODE="1")
        tests = f"{sys.executable} -m pytest -x -q -p no:cacheprovider {given.path} {' '.join(known[given.path])}"
        start = time.monotonic()
        subprocess.run(tests.split(), check=True, stdout=subprocess.DEVNULL)
        usual = time.monotonic() - start
        with use_db(folder / "session.sqlite", WorkDB.Mode.create) as database:
            sources = sorted(Path(given.path).rglob("*.py")) if Path(given.path).is_dir() else [Path(given.path)]
            init(sources, database, ConfigDict())
            spans = {path: not_running(path) for path in sources}
            items = [item for item in database.work_items if all(runs(one, spans) for one in item.mutations)]
        items.sort(key=lambda item: [(str(m.module_path), m.operator_name, m.occurrence) for m in item.mutations])
        found = len(items)
        if given.sample and given.sample < found:
            items = random.Random(given.random_state).sample(items, given.sample)
        print(f"{given.path}: {len(items)} of {found} changes, tests take {usual:.0f} s", flush=True)
        survivors, broken = [], 0
        for count, item in enumerate(items, start=1):
            result = mutate_and_test(item.mutations, tests, PATIENCE * usual + 10)
            if result.worker_outcome.value != "normal":
                broken += 1
                print(f"not run: {item.mutations}\n{result.output}", flush=True)
            elif result.test_outcome.value == "survived":
                survivors.append(result.diff)
                print(f"\n--- not noticed ({count} of {len(items)})\n{result.diff}", flush=True)
        tried = len(items) - broken
        noticed = tried - len(survivors)
        seed = f", sample drawn with random state {given.random_state}" if len(items) < found else ""
        print(f"{given.path}: {noticed} of {tried} changes noticed ({100 * noticed / max(tried, 1):.0f} %){seed}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
