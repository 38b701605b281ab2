"""rank: carriers for an oil, in order, with their reasons."""

from __future__ import annotations

import argparse
import sys

import hspkit
from hspkit import rendering
from hspkit.shell.options import add_form, add_oil, add_ratio, add_use
from hspkit.shell.output import as_json, check_files, notice, section
from hspkit.shell.reading import STOCK, arguments, read_application, read_liquid, read_prepared_oil

HELP = "rank carriers for an oil: clear or not, allowed or not, dose, limits, taste, pouring, the finished drink"
EXAMPLE = "lemon --market EU --category 'soft drinks' --oil-mg-per-l 40 --html lemon.html"


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add = parser.add_argument
    add_oil(parser)
    add_ratio(parser)
    add_use(parser)
    add("--carrier", action="append", metavar="NAME", help="rank only this carrier or blend; may be repeated")
    add("--include-alcohol", action="store_true", help="add ethanol of 40, 70 and 96 %% vol as a yardstick")
    add_form(parser)
    add("--html", metavar="FILE", help="also write a page that opens offline")
    add("--figure", metavar="FILE", help="also draw the ranking to this file (png, svg, pdf)")


def run(options: argparse.Namespace) -> str:
    """Return the answer."""
    from hspkit.ranking.tables import SCREEN_LEGEND, screen_table

    check_files(options)
    notice("ranking")
    ranking = hspkit.rank_carriers(
        read_prepared_oil(options),
        application=read_application(options),
        carriers=[read_liquid(name) for name in options.carrier] if options.carrier else None,
        progress=sys.stderr.isatty(),
        **arguments(options, *STOCK, "include_alcohol"),
    )
    if options.figure:
        from hspkit import plotting

        plotting.save(plotting.ranking(ranking), options.figure)
    if options.html:
        ranking.to_html(options.html)
    if options.csv:
        return ranking.to_csv()
    if options.json:
        return as_json(ranking.table, question=ranking.question(), order=ranking.order, cautions=ranking.cautions)
    drink, notes = ranking.drink(), ranking.notes()
    blocks = [
        rendering.plain(ranking.question()),
        screen_table(ranking.shown()),
        section([f"{ranking.headline()} {SCREEN_LEGEND}", ranking.order]),
        section([drink]) if drink else "",
        section(notes, "- ", "Notes") if notes else "Notes: none",
        section(ranking.cautions, "! ", "Cautions"),
    ]
    return "\n\n".join(filter(None, blocks))
