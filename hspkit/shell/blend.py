"""blend: the best blend of carriers for an oil."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

import hspkit
from hspkit import columns, rendering
from hspkit.errors import InputError
from hspkit.shell.options import add_oil, add_ratio, add_use
from hspkit.shell.output import check_files, notice, section
from hspkit.shell.reading import STOCK, arguments, numbers_by_name, read_application, read_oil, read_prepared_oil

if TYPE_CHECKING:
    from hspkit.blending import BlendSearch

HELP = "the best blend of two or three carriers for an oil"
EXAMPLE = "lemon --objective clear --increments 5 --market EU --category 'soft drinks' --oil-mg-per-l 40"
#: Options that are arguments of `best_blend` as they are.
_LIMITS = ("max_carriers", "max_viscosity", "max_cost", "keep", "objective", "worst_case")
_GOALS = ("distance", "clear", "water tolerance", "cost")
#: Columns of a table of blends that fit on a screen: those of a ranking have its headings.
_SCREEN = (
    "blend", "distance", "verdict", "p_clear", "water_tolerance_percent", "viscosity_mPa_s", "cost_per_L",
    "carrier_mg_per_L", "legal_limit_mg_per_L", "taste_limit_mg_per_L",
)  # fmt: skip


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add the options of the verb."""
    add_oil(parser)
    add = parser.add_argument
    add("--also", action="append", default=[], metavar="OIL", help="one blend for this oil too")
    add_ratio(parser)
    add("--objective", default="distance", choices=_GOALS, help="what is best (default distance)")
    add("--carrier", action="append", metavar="NAME", help="blend only these; may be repeated")
    add("--max-carriers", type=int, default=3, metavar="N", help="most carriers in a blend (default 3)")
    add_use(parser)
    add("--max-viscosity", type=float, metavar="X", help="of the blend at 20 C, mPa s")
    add("--max-cost", type=float, metavar="X", help="of the blend, per litre")
    add("--price", action="append", default=[], metavar="NAME=X", help="price of a carrier")
    add("--price-per", default="kg", choices=("kg", "L"), help="what prices are for (default kg)")
    add("--increments", type=float, metavar="X", help="whole steps only, %% vol: 1, 2, 5 ...")
    add("--min-share", action="append", default=[], metavar="NAME=X", help="at least X %% vol of it")
    add("--max-share", action="append", default=[], metavar="NAME=X", help="at most X %% vol of it")
    add("--worst-case", type=float, metavar="X", help="rank by the worst case of this share, as 0.2")
    add("--keep", type=int, default=10, metavar="N", help="blends to show (default 10)")
    add("--csv", action="store_true", help="print all columns as csv")
    add("--figure", metavar="FILE", help="also draw the best blend's path or triangle to this file")


def run(options: argparse.Namespace) -> str:
    """Return the answer."""
    check_files(options)
    notice("blending")
    prices = numbers_by_name("--price", options.price) if options.price else None
    search = hspkit.best_blend(
        [read_prepared_oil(options), *(read_oil(name, options) for name in options.also)],
        options.carrier or None,
        application=read_application(options),
        increments_percent=options.increments,
        min_share=_shares("--min-share", options.min_share),
        max_share=_shares("--max-share", options.max_share),
        price_per_L=prices if options.price_per == "L" else None,
        price_per_kg=prices if options.price_per == "kg" else None,
        **arguments(options, *STOCK, *_LIMITS),
    )
    if options.figure:
        _draw(search, options.figure)
    if options.csv:
        return rendering.csv_text(search.table)
    left_out = [f"{name}: {reason}" for name, reason in search.left_out.items()]
    blocks = [
        search.question(),
        _screen_table(search),
        f"best: {search.best.name}. {search.certificate}",
        section(left_out, "- ", "Left out") if left_out else "",
        section(search.cautions, "! ", "Cautions"),
    ]
    return "\n\n".join(filter(None, blocks))


def _shares(option: str, texts: list[str]) -> dict[str, float]:
    return {name: percent / 100.0 for name, percent in numbers_by_name(option, texts).items()}


def _screen_table(search: BlendSearch) -> str:
    headings = {column.name: column.screen_line for column in columns.RANKING} | {"cost_per_L": "cost/L"}
    shown = search.table[list(_SCREEN)].rename(columns=headings).dropna(axis=1, how="all")
    return shown.to_string(index=False, na_rep="-", float_format="{:.3g}".format)


def _draw(search: BlendSearch, path: str) -> None:
    from hspkit import plotting

    names = list(dict.fromkeys(part.name for blend in search.blends for part in blend.parts))
    if len(names) < 2:
        message = f"only {names[0]} is left to choose, so there is no blend to draw; ask again without --figure"
        raise InputError(message)
    if len(search.best.parts) == 3:
        axes = plotting.blend_triangle(search, names[0], names[1], names[2])
    else:
        axes = plotting.blend_path(search, names[0], names[1])
    plotting.save(axes, path)
