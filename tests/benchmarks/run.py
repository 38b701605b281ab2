"""Measure every speed that the documentation claims and write the table of docs/performance.md, in one run.

    python tests/benchmarks/run.py           alone on the machine; about ten minutes
    python tests/benchmarks/run.py --quick   small sizes, nothing judged or written: do the benchmarks still work?
    python tests/benchmarks/run.py -k scale  some of them; nothing is written

Development packages needed: chemicals, thermo, dask, distributed; what lacks its package is skipped and said.
"""

import argparse
import datetime
import importlib.metadata
import os
import platform
import sys
from pathlib import Path

FOLDER = Path(__file__).resolve().parent
ROOT = FOLDER.parent.parent
PAGE = ROOT / "docs" / "performance.md"
BEGIN, END = "<!-- begin: python tests/benchmarks/run.py -->", "<!-- end -->"
VERSIONS = ("numpy", "scipy", "pandas", "rdkit", "dask", "thermo")


class Figures:
    """Collects what the tests record, whether their aim was met or not."""

    def __init__(self):
        self.rows, self.missing = [], []

    def pytest_runtest_logreport(self, report):
        """Keep the figures of a test that has run, or why it did not."""
        if report.when == "call":
            self.rows += [row for name, row in report.user_properties if name == "figure"]
        if report.skipped:
            self.missing.append(f"{report.nodeid.split('::')[-1]}: {report.longrepr[-1]}")


def machine() -> str:
    """Name the processor and how many threads of it there are."""
    try:
        lines = Path("/proc/cpuinfo").read_text(encoding="utf-8").splitlines()
        name = next(line.split(":", 1)[1].strip() for line in lines if line.startswith("model name"))
    except (OSError, StopIteration):
        name = platform.processor() or platform.machine()
    return f"{name}, {os.cpu_count()} threads, {platform.system()}"


def version(package: str) -> str:
    """Return the version of a package, or that it is missing."""
    try:
        return f"{package} {importlib.metadata.version(package)}"
    except importlib.metadata.PackageNotFoundError:
        return f"{package} not installed"


def number(value: float) -> str:
    """Return three digits, thousands apart."""
    return f"{float(f'{value:.3g}'):,g}" if value < 1e6 else f"{float(f'{value:.3g}'):,.0f}"


def table(figures: Figures, load: float) -> str:
    """Return the section of the page."""
    parts = [
        f"{datetime.date.today():%d %B %Y}; {machine()}; load of the machine before the run {load:.1f}; "
        f"Python {platform.python_version()}, " + ", ".join(map(version, VERSIONS)) + ".",
        "",
        "| measured | against | figure | asked | met |",
        "|---|---|---|---|---|",
    ]
    for row in figures.rows:
        met = ("yes" if row["met"] else "**no**") if row["aim"] else ""
        parts.append(
            f"| {row['what']} | {row['against']} | {number(row['value'])} {row['unit']} | {row['aim']} | {met} |"
        )
    parts += ["", *(f"Not measured here: {reason}." for reason in figures.missing)]
    return "\n".join(parts).rstrip() + "\n"


def main() -> int:
    """Run the benchmarks."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="only whether they work")
    parser.add_argument("-k", dest="some", help="only these, as pytest's -k; writes nothing")
    given = parser.parse_args()
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):  # one core each: a ratio of speeds is one of algorithms
        os.environ.setdefault(name, "1")
    if given.quick:
        os.environ["HSPKIT_BENCHMARKS"] = "quick"
    os.chdir(ROOT)
    if not sys.flags.safe_path:
        sys.path.insert(0, str(ROOT))
    import pytest

    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    figures = Figures()
    arguments = [str(FOLDER), "-m", "benchmark", "-q", "-s", "--tb", "short", "-p", "no:cacheprovider"]
    code = int(pytest.main(arguments + (["-k", given.some] if given.some else []), plugins=[figures]))
    if given.quick or given.some:
        return code
    if not figures.rows:
        print("nothing was measured", file=sys.stderr)
        return code or 1
    head, _, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
    _, _, tail = rest.partition(END)
    PAGE.write_text(f"{head}{BEGIN}\n{table(figures, load)}{END}{tail}", encoding="utf-8")
    missed = sum(not row["met"] for row in figures.rows)
    print(f"\n{PAGE.relative_to(ROOT)}: {len(figures.rows)} figures, {missed} aims missed")
    return code


if __name__ == "__main__":
    sys.exit(main())
