"""The chain from measured facts to what ships, and whether each link is newer than what it is made of.

A step runs a command that writes files from other files. After it has run, the hashes of both stand in ``made.csv``
beside this module; a file that was changed since is found by comparing. Only tables are compared, no code: a change of
the physics is followed by ``python -m hspkit.workshop --all``.
"""

from __future__ import annotations

import csv
import hashlib
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

__all__ = ["STEPS", "Step", "record", "run", "stale"]

ROOT = Path(__file__).resolve().parents[2]
LEDGER = Path("hspkit/workshop/made.csv")
COMMAND = "python -m hspkit.workshop"


@dataclass(frozen=True)
class Step:
    """One command: its ``name``, the ``command``, the ``inputs`` it reads and the ``outputs`` it writes, by path."""

    name: str
    command: tuple[str, ...]
    inputs: tuple[str, ...]
    outputs: tuple[str, ...]


def _tables(*names: str) -> tuple[str, ...]:
    return tuple(f"datasets/{name}.csv" for name in names)


_GROUPS = _tables("groups/calibrated_values", "groups/calibrated_constants", "groups/calibrated_anchors")
_FACTS = _tables(
    "activities", "computed_activities", "consolute_temperatures", "excess_energies", "hydrogen_bond_sites",
    "liquid_solubility", "miscible_pairs", "transfers",
    "vaporisation_enthalpies", "water_solubility",
)  # fmt: skip
_SUBSTANCES = _tables("published_hsp", "substances")
_NOTEBOOKS = tuple(sorted(path.relative_to(ROOT).as_posix() for path in (ROOT / "notebooks").glob("*.ipynb")))

#: In the order in which one is made of another.
STEPS = (
    Step("groups", ("-m", "hspkit.workshop.group_fit"), _tables("groups/calibrated_groups"), _GROUPS),
    Step("constants", ("-m", "hspkit.workshop.constants"), _FACTS, _tables("calibration")),
    Step(
        "reconciled",
        ("-m", "hspkit.workshop.reconciled"),
        (*_GROUPS, *_FACTS, *_SUBSTANCES, *_tables("calibration")),
        _tables("reconciled"),
    ),
    Step(
        "crystals",
        ("-m", "hspkit.workshop.solids"),
        _tables("solid_solubility", "calibration", "reconciled"),
        _tables("fusion_entropy"),
    ),
    Step(
        "page on solids",
        ("-m", "hspkit.workshop.pages", "docs/accuracy-solids.md"),
        _tables("solid_solubility", "fusion_entropy", "reconciled"),
        ("docs/accuracy-solids.md",),
    ),
    Step("viscosity", ("-m", "hspkit.workshop.viscosity"), _tables("viscosity_mixtures"), _tables("viscosity_pairs")),
    Step(
        "contraction", ("-m", "hspkit.workshop.contraction"), _tables("density_mixtures"), _tables("contraction_pairs")
    ),
    Step(
        "page on estimates",
        ("-m", "hspkit.workshop.pages", "docs/accuracy-estimation.md"),
        _GROUPS,
        ("docs/accuracy-estimation.md",),
    ),
    Step(
        "page on miscibility",
        ("-m", "hspkit.workshop.pages", "docs/accuracy-miscibility.md"),
        _tables("alcohol_tests", "calibration", "carrier_statements", "ethanol_limits", "oils", "reconciled"),
        ("docs/accuracy-miscibility.md",),
    ),
    Step("notebooks", ("docs/run_notebooks.py",), _tables("oils", "reconciled"), _NOTEBOOKS),
)


def _hash(path: Path) -> str:
    """Return the hash of a file, the same for both kinds of line ends; empty when there is no such file."""
    if not path.is_file():
        return ""
    return hashlib.sha256(path.read_bytes().replace(b"\r\n", b"\n")).hexdigest()[:16]


def _recorded(root: Path) -> dict[tuple[str, str], str]:
    with (root / LEDGER).open(encoding="utf-8", newline="") as file:
        return {(row["step"], row["file"]): row["hash"] for row in csv.DictReader(file)}


def _files(step: Step) -> tuple[str, ...]:
    """Return the files whose change makes a step stale; pages and notebooks may be edited by hand."""
    return (*step.inputs, *(name for name in step.outputs if name.startswith("datasets/")))


def stale(root: Path = ROOT) -> dict[str, tuple[str, ...]]:
    """Return the steps that have to run again, each with the files that were changed since it ran.

    Parameters
    ----------
    root : Path
        Folder of the checkout. [-]

    Examples
    --------
    >>> stale()
    {}
    """
    recorded = _recorded(root)
    changed = {
        step.name: tuple(name for name in _files(step) if recorded.get((step.name, name)) != _hash(root / name))
        for step in STEPS
    }
    return {name: files for name, files in changed.items() if files}


def record(names: Sequence[str], root: Path = ROOT) -> None:
    """Store the hashes of what steps read and wrote, as they are now.

    Parameters
    ----------
    names : sequence of str
        Names of the steps. [-]
    root : Path
        Folder of the checkout. [-]
    """
    old = _recorded(root)
    rows = [
        (step.name, name, _hash(root / name) if step.name in names else old.get((step.name, name), ""))
        for step in STEPS
        for name in _files(step)
    ]
    with (root / LEDGER).open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([("step", "file", "hash"), *rows])


def run(step: Step) -> None:
    """Run the command of a step in the checkout, then record it.

    Parameters
    ----------
    step : Step
        One of ``STEPS``. [-]

    Raises
    ------
    subprocess.CalledProcessError
        When the command fails; nothing is recorded then.
    """
    subprocess.run([sys.executable, *step.command], cwd=ROOT, check=True)
    record([step.name])
