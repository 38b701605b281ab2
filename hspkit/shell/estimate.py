"""estimate: Hansen parameters from structure."""

from __future__ import annotations

import argparse
import sys

import hspkit
from hspkit import rendering
from hspkit.shell.options import add_form
from hspkit.shell.output import as_json, notice
from hspkit.shell.reading import read_structures

HELP = "Hansen parameters and molar volume from structure, as csv"
EXAMPLE = "'CC(=O)OCC' 'CC1=CCC(CC1)C(C)=C'"
#: Structures from which on an estimate takes long enough to say so.
_MANY = 2000


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add = parser.add_argument
    add("smiles", nargs="*", help="SMILES; read from standard input when none is given")
    add("--file", metavar="FILE", help="read SMILES from a file: one a line, or a csv with a column smiles")
    add("--method", default="calibrated", help="calibrated (default) or van-krevelen")
    add("--jobs", type=int, default=1, metavar="N", help="processes; -1 for one per core (default 1)")
    add_form(parser)


def run(options: argparse.Namespace) -> str:
    """Return the answer."""
    structures = read_structures(options)
    if len(structures) >= _MANY:
        notice(f"estimating {len(structures)} structures")
    progress = sys.stderr.isatty()
    table = hspkit.estimate_many(structures, method=options.method, n_jobs=options.jobs, progress=progress)
    return as_json(table) if options.json else rendering.csv_text(table, float_format="%.3f")
