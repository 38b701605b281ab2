"""dose: oil and carrier in the finished product, with margins to law and taste."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

import hspkit
from hspkit import columns, rendering
from hspkit.errors import InputError
from hspkit.shell.options import add_carrier, add_form, add_oil, add_ratio, add_use
from hspkit.shell.output import as_json, check_files, section
from hspkit.shell.reading import STOCK, arguments, read_application, read_liquid, read_prepared_oil

if TYPE_CHECKING:
    from collections.abc import Iterable

    from hspkit.application import Dosing

HELP = "dose of oil and carrier in the product: margins to law and taste, strongest and weakest stock, the drink"
EXAMPLE = "lemon triacetin --market EU --category 'soft drinks' --oil-mg-per-l 40"
#: Components of a drink that are shown: the ten nearest to their limit, of those with this share of it. [-]
_MOST_SHOWN, _LEAST_SHARE = 10, 0.01


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_oil(parser)
    add_carrier(parser)
    add_ratio(parser, basis="")
    add_use(parser)
    add_form(parser)
    figure = "also draw dose and limits to this file (png, svg, pdf)"
    parser.add_argument("--figure", metavar="FILE", help=figure)


def run(options: argparse.Namespace) -> str:
    """Return the answer.

    Raises
    ------
    InputError
        When there is no product to dose into.
    """
    check_files(options)
    from hspkit.application import dosing

    application = read_application(options)
    if application is None:
        message = "a dose needs a product: give --market, --category and one of --oil-mg-per-l or --stock-mg-per-l"
        raise InputError(message)
    stock = arguments(options, *STOCK, "basis")
    result = dosing(read_prepared_oil(options), read_liquid(options.carrier), application, **stock)
    if options.figure:
        _draw(result, options.figure)
    if options.csv:
        return rendering.csv_text(result.table)
    sections = dict(result.sections())
    if options.json:
        answer = {"allowed": result.allowed, "broken": result.broken, "question": result.question()}
        return as_json(result.table, **answer, sections=sections)
    blocks = [rendering.plain(result.question()), _table(columns.DOSES, result.table.itertuples(index=False))]
    blocks += [section(lines, "- ", heading) for heading, lines in sections.items()]
    if result.drink is not None:
        nearest = [part for part in result.drink.components if part.share_of_limit >= _LEAST_SHARE][:_MOST_SHOWN]
        table = _table(columns.DRINK_COMPONENTS, nearest)
        blocks.append(f"Components of the drink nearest to their limit\n{table}")
    return "\n\n".join(blocks)


def _table(shown: Iterable[columns.Column], rows: Iterable[object]) -> str:
    """Return rows with an attribute a column as text."""
    headings = [column.screen_line for column in shown]
    return rendering.text_table(
        headings, [[column.screen(getattr(row, column.name)) for column in shown] for row in rows]
    )


def _draw(result: Dosing, path: str) -> None:
    from hspkit import plotting

    ranking = hspkit.rank_carriers(
        result.oil,
        carriers=[result.carrier],
        application=result.application,
        oil_parts=result.outcome.oil_parts,
        carrier_parts=result.outcome.carrier_parts,
    )
    plotting.save(plotting.dose(ranking), path)
