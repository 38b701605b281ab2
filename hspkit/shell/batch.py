"""batch: the sheet for one batch of stock."""

from __future__ import annotations

import argparse

import hspkit
from hspkit import rendering
from hspkit.shell.options import add_carrier, add_form, add_oil, add_ratio, add_use
from hspkit.shell.output import as_json, check_files
from hspkit.shell.reading import STOCK, arguments, numbers_by_name, read_application, read_liquid, read_prepared_oil

HELP = "the sheet for one batch: masses, order of mixing, what to expect, the trial to run first"
EXAMPLE = "lemon triacetin --batch '2 kg' --html lemon.html"


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add = parser.add_argument
    add_oil(parser)
    add_carrier(parser)
    add_ratio(parser, basis="")
    add("--batch", default="1 L", metavar="SIZE", help="size of the batch: '2 L', '500 g' (default 1 L)")
    prices = "price per kg, such as oil=12.5; may be repeated"
    add("--price", action="append", default=[], metavar="NAME=X", help=prices)
    add("--currency", default="", metavar="TEXT", help="to print beside the costs")
    add("--title", metavar="TEXT", help="heading of the sheet")
    add_use(parser)
    add_form(parser, ("--markdown", "print as Markdown"))
    add("--html", metavar="FILE", help="also write a page for one sheet of A4 (or a .md, .txt, .csv file)")


def run(options: argparse.Namespace) -> str:
    """Return the answer."""
    check_files(options)
    sheet = hspkit.batch_sheet(
        read_prepared_oil(options),
        read_liquid(options.carrier),
        application=read_application(options),
        prices=numbers_by_name("--price", options.price),
        **arguments(options, *STOCK, "basis", "batch", "currency", "title"),
    )
    if options.html:
        sheet.save(options.html)
    if options.csv:
        return rendering.csv_text(sheet.table)
    if options.json:
        return as_json(sheet.table, title=sheet.title, question=sheet.question(), sections=dict(sheet.sections()))
    return (sheet.to_markdown() if options.markdown else sheet.to_text()).rstrip("\n")
