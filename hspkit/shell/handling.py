"""handling: an oil before and after folding and removal of terpenes."""

from __future__ import annotations

import argparse

from hspkit import columns, rendering
from hspkit.shell.options import add_form, add_ratio
from hspkit.shell.output import as_json, section
from hspkit.shell.reading import arguments, read_liquid, read_oil

HELP = "an oil before and after folding and removal of terpenes, at the same strength of flavour"
EXAMPLE = "lemon --oil-mg-per-l 40 --carrier triacetin"
_CONCLUSION = "Every dose brings the same mass of what is not a terpene. Taste decides how much flavour went with them."


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add = parser.add_argument
    add("oil", help="an oil or a GC report (.csv)")
    add("--oil-mg-per-l", type=float, required=True, metavar="X", help="dose of the oil as it is, mg/L")
    add("--folds", type=float, nargs="*", default=[5, 10], metavar="N", help="folds to show (5 10)")
    removals = "removals to show (95)"
    add("--terpenes-removed", type=float, nargs="*", default=[95], metavar="PERCENT", help=removals)
    add("--carrier", metavar="NAME", help="also dissolve each in this carrier or blend")
    add_ratio(parser)
    add("--drink-ethanol", type=float, default=0.0, metavar="X", help="ethanol in the drink, %% vol")
    add_form(parser)


def run(options: argparse.Namespace) -> str:
    """Return the answer."""
    from hspkit.application import handling

    table = handling(
        read_oil(options.oil, options),
        oil_mg_per_L=options.oil_mg_per_l,
        terpenes_removed=[percent / 100.0 for percent in options.terpenes_removed],
        liquid=read_liquid(options.carrier) if options.carrier else None,
        ethanol_percent=options.drink_ethanol,
        **arguments(options, "oil_parts", "carrier_parts", "folds"),
    )
    if options.csv:
        return rendering.csv_text(table)
    if options.json:
        return as_json(table)
    names = [str(name) for name in table["handling"]]
    rows = [[key, *map(columns.printed, table[key])] for key in table.columns if key not in ("handling", "note")]
    notes = [f"{name}: {note}" for name, note in zip(names, table["note"], strict=True) if note]
    blocks = [rendering.text_table(["", *names], rows), section(notes, "- "), _CONCLUSION]
    return "\n\n".join(filter(None, blocks))
