"""data: what ships, and how each number is known."""

from __future__ import annotations

import argparse

from hspkit import data, rendering
from hspkit.errors import InputError

HELP = "what ships, and how each number is known"
EXAMPLE = "carriers"


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    parser.add_argument("what", nargs="?", help="oils, carriers, markets, categories or the name of a table (as csv)")


def run(options: argparse.Namespace) -> str:
    """Return the answer.

    Raises
    ------
    InputError
        For a name that is none of these.
    """
    import pandas as pd

    import hspkit
    from hspkit import law

    name = options.what
    if name is None:
        return data.inventory_text().rstrip("\n")
    lists = {"markets": law.markets, "categories": law.categories}
    if name in lists:
        return "\n".join(lists[name]())
    frames = {"oils": hspkit.oils, "carriers": hspkit.carriers}
    if name in frames:
        return rendering.csv_text(frames[name]())
    if name not in data.tables():
        message = f"nothing called {name!r}; expected oils, carriers, markets, categories or a table of 'data'"
        raise InputError(message)
    return rendering.csv_text(pd.DataFrame([dict(row) for row in data.read_table(name).rows]))
