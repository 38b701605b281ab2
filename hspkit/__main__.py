"""Command line: the library's jobs by the same verbs as its functions.

``python -m hspkit rank "sweet orange, cold-pressed" --market US --category "soft drinks" --oil-mg-per-l 40``
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import textwrap
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import hspkit
from hspkit.errors import HspkitError

if TYPE_CHECKING:
    from hspkit.application import Application
    from hspkit.ranking import Ranking

#: Heading, unit and key of the columns that fit on a screen; the csv has them all.
_SCREEN = (
    ("carrier", "", "carrier"),
    ("verdict", "", "verdict"),
    ("p(clear)", "", "p_clear"),
    ("Ra", "MPa^0.5", "distance"),
    ("index", "L", "spinodal_index"),
    ("max oil", "% vol", "max_oil_percent"),
    ("water", "% vol", "water_tolerance_percent"),
    ("dose", "mg/L", "carrier_mg_per_L"),
    ("legal", "mg/L", "legal_limit_mg_per_L"),
    ("taste", "mg/L", "taste_limit_mg_per_L"),
    ("at 20 C", "mPa s", "viscosity_mPa_s"),
    ("allowed", "", "allowed"),
)


_LEGEND = (
    "Ra is the Hansen distance to the oil; L >= 1 is unstable; max oil and water are the cloud points; '-' is not "
    "known or not asked."
)


class _Parser(argparse.ArgumentParser):
    """Errors are one line on standard error and exit code 2."""

    def error(self, message: str) -> Any:
        print(f"hspkit: {message}; see python -m {self.prog} --help", file=sys.stderr)
        raise SystemExit(2)


def _number(key: str, value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "NO"
    if isinstance(value, str):
        return value
    if key == "p_clear":
        return f"{value:.2f}"
    if key in ("carrier_mg_per_L", "legal_limit_mg_per_L", "taste_limit_mg_per_L"):
        return f"{value:,.0f}"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.2f}" if key == "spinodal_index" else f"{value:.1f}"


def screen_table(ranking: Ranking) -> str:
    """Return the ranking as fixed-width text, one carrier a line."""
    cells = [[heading for heading, _, _ in _SCREEN], [unit for _, unit, _ in _SCREEN]]
    cells += [[_number(key, row[key]) for _, _, key in _SCREEN] for row in ranking.table.to_dict("records")]
    widths = [max(len(line[i]) for line in cells) for i in range(len(_SCREEN))]
    lines = []
    for line in cells:
        left = " ".join(line[i].ljust(widths[i]) for i in (0, 1))
        lines.append(left + "  " + "  ".join(line[i].rjust(widths[i]) for i in range(2, len(line))))
    lines.insert(2, "-" * max(len(line) for line in lines))
    return "\n".join(line.rstrip() for line in lines)


def _wrapped(lines: Sequence[str], mark: str) -> str:
    return "\n".join(textwrap.fill(line, 110, initial_indent=mark, subsequent_indent=" " * len(mark)) for line in lines)


def _application(options: argparse.Namespace) -> Application | None:
    given = [options.market, options.category, options.oil_mg_per_l or options.stock_mg_per_l]
    if not any(given):
        return None
    if not all(given):
        message = "give --market, --category and one of --oil-mg-per-l or --stock-mg-per-l together, or none of them"
        raise hspkit.errors.InputError(message)
    return hspkit.Application(
        options.market,
        options.category,
        oil_mg_per_L=options.oil_mg_per_l,
        stock_mg_per_L=options.stock_mg_per_l,
        ethanol_percent=options.drink_ethanol,
    )


def _rank(options: argparse.Namespace) -> str:
    ranking = hspkit.rank_carriers(
        _oil(options.oil),
        oil_parts=options.oil_parts,
        carrier_parts=options.carrier_parts,
        application=_application(options),
        carriers=options.carrier or None,
        include_alcohol=options.include_alcohol,
        celsius=options.celsius,
    )
    if options.figure:
        from hspkit import plotting

        axes = plotting.ranking(ranking)
        plotting.save(axes, options.figure)
    if options.csv:
        return str(ranking.table.to_csv(index=False)).rstrip("\n")
    if options.json:
        rows = json.loads(ranking.table.to_json(orient="records"))
        return json.dumps({"question": ranking.question(), "rows": rows, "cautions": ranking.cautions}, indent=1)
    refused = [row for row in ranking.table.to_dict("records") if row["notes"]]
    notes = [f"{row['carrier']}: {row['notes']}" for row in refused]
    best = f"best: {ranking.best}" if ranking.best else "no carrier is allowed, within its limit and clear"
    return "\n\n".join(
        [
            ranking.question(),
            screen_table(ranking),
            f"{best}. {_LEGEND}",
            *([ranking.drink()] if ranking.application is not None else []),
            "Notes\n" + _wrapped(notes, "- ") if notes else "Notes: none",
            "Cautions\n" + _wrapped(ranking.cautions, "! "),
        ]
    )


def _oil(text: str) -> Any:
    return hspkit.Oil.from_csv(text) if text.endswith(".csv") and Path(text).exists() else hspkit.oil(text)


def _dissolve(options: argparse.Namespace) -> str:
    outcome = hspkit.dissolve(
        _oil(options.oil),
        options.carrier,
        oil_parts=options.oil_parts,
        carrier_parts=options.carrier_parts,
        celsius=options.celsius,
    )
    return f"{outcome.oil.name} in {outcome.carrier.name}: {outcome.sentence()}"


#: Columns of a table of blends that fit on a screen, with their headings.
_BLEND_SCREEN = {
    "blend": "blend",
    "distance": "Ra",
    "verdict": "verdict",
    "p_clear": "p(clear)",
    "water_tolerance_percent": "water % vol",
    "viscosity_mPa_s": "mPa s",
    "cost_per_L": "cost/L",
    "carrier_mg_per_L": "dose mg/L",
    "legal_limit_mg_per_L": "legal mg/L",
    "taste_limit_mg_per_L": "taste mg/L",
}


def _blend(options: argparse.Namespace) -> str:
    prices = {f"price_per_{options.price_per}": _named(options.price)} if options.price else {}
    search = hspkit.best_blend(
        [_oil(text) for text in [options.oil, *options.also]],
        options.carrier or None,
        max_carriers=options.max_carriers,
        oil_parts=options.oil_parts,
        carrier_parts=options.carrier_parts,
        application=_application(options),
        max_viscosity=options.max_viscosity,
        max_cost=options.max_cost,
        keep=options.keep,
        objective=options.objective,
        increments_percent=options.increments,
        min_share={name: share / 100.0 for name, share in _named(options.min_share).items()},
        max_share={name: share / 100.0 for name, share in _named(options.max_share).items()},
        worst_case=options.worst_case,
        celsius=options.celsius,
        **prices,
    )
    if options.figure:
        from hspkit import plotting

        names = list(dict.fromkeys(part.name for blend in search.blends for part in blend.parts))
        three = len(search.best.parts) == 3
        draw = plotting.blend_triangle if three else plotting.blend_path
        plotting.save(draw(search, *names[: 3 if three else 2]), options.figure)
    if options.csv:
        return str(search.table.to_csv(index=False)).rstrip("\n")
    shown = search.table[list(_BLEND_SCREEN)].rename(columns=_BLEND_SCREEN).dropna(axis=1, how="all")
    left_out = [f"{name}: {reason}" for name, reason in search.left_out.items()]
    return "\n\n".join(
        [
            search.question(),
            shown.to_string(index=False, na_rep="-", float_format="{:.3g}".format),
            f"best: {search.best.name}. {search.certificate}",
            *(["Left out\n" + _wrapped(left_out, "- ")] if left_out else []),
            "Cautions\n" + _wrapped(search.cautions, "! "),
        ]
    )


def _named(given: Sequence[str]) -> dict[str, float]:
    """Return {name: number} from texts such as "triacetin=20"."""
    found = {}
    for text in given:
        name, _, number = text.rpartition("=")
        try:
            found[name.strip()] = float(number)
        except ValueError:
            name = ""
        if not name.strip():
            message = f"{text!r} given; expected NAME=NUMBER, such as triacetin=20"
            raise hspkit.errors.InputError(message)
    return found


def _estimate(options: argparse.Namespace) -> str:
    given = options.smiles or [line.strip() for line in sys.stdin if line.strip()]
    if not given:
        message = "no SMILES given; put them on the line or on standard input, one a line"
        raise hspkit.errors.InputError(message)
    table = hspkit.estimate_many(given, method=options.method)
    return str(table.to_csv(index=False, float_format="%.3f")).rstrip("\n")


def _data(options: argparse.Namespace) -> str:
    from hspkit import data

    return data.inventory_text().rstrip("\n")


def _add_ratio(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--oil-parts", type=float, default=1.0, metavar="N", help="parts of oil by volume (default 1)")
    parser.add_argument(
        "--carrier-parts", type=float, default=2.0, metavar="N", help="parts of carrier by volume (default 2)"
    )
    parser.add_argument("--celsius", type=float, default=25.0, metavar="T", help="temperature in C (default 25)")


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = _Parser(
        prog="hspkit",
        description="Which non-alcohol carrier dissolves this oil, is it allowed, and how much may the drink hold?",
    )
    parser.add_argument("--version", action="version", version=f"hspkit {hspkit.__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="verb", parser_class=_Parser)

    rank = verbs.add_parser("rank", help="rank carriers for an oil")
    rank.add_argument("oil", help='an oil such as "sweet orange, cold-pressed", a substance, or a GC report (.csv)')
    _add_ratio(rank)
    rank.add_argument("--market", help="where the product is sold, for instance US or EU")
    rank.add_argument("--category", help='food category, for instance "soft drinks"')
    level = rank.add_mutually_exclusive_group()
    level.add_argument("--oil-mg-per-l", type=float, metavar="X", help="oil in a litre of finished product, mg")
    level.add_argument("--stock-mg-per-l", type=float, metavar="X", help="stock in a litre of finished product, mg")
    rank.add_argument(
        "--drink-ethanol",
        type=float,
        default=0.0,
        metavar="X",
        help="ethanol in the finished product, %% vol",
    )
    rank.add_argument("--carrier", action="append", metavar="NAME", help="rank only this carrier; may be repeated")
    rank.add_argument("--include-alcohol", action="store_true", help="add ethanol of 40, 70 and 96 %% vol")
    form = rank.add_mutually_exclusive_group()
    form.add_argument("--csv", action="store_true", help="print all columns as csv")
    form.add_argument("--json", action="store_true", help="print all columns as json")
    rank.add_argument("--figure", metavar="FILE", help="also draw the ranking to this file (png, svg, pdf)")
    rank.set_defaults(run=_rank)

    one = verbs.add_parser("dissolve", help="one oil in one carrier: clear, hazy or splits")
    one.add_argument("oil", help="an oil, a substance, or a GC report (.csv)")
    one.add_argument("carrier", help="a carrier")
    _add_ratio(one)
    one.set_defaults(run=_dissolve)

    mixed = verbs.add_parser("blend", help="the best blend of two or three carriers for an oil")
    mixed.add_argument("oil", help="an oil, a substance, or a GC report (.csv)")
    mixed.add_argument("--also", action="append", default=[], metavar="OIL", help="one blend for this oil too")
    _add_ratio(mixed)
    goals = ("distance", "clear", "water tolerance", "cost")
    mixed.add_argument("--objective", default="distance", choices=goals, help="what is best (default distance)")
    mixed.add_argument("--carrier", action="append", metavar="NAME", help="blend only these; may be repeated")
    mixed.add_argument("--max-carriers", type=int, default=3, metavar="N", help="most carriers in a blend (default 3)")
    mixed.add_argument("--market", help="where the product is sold, for instance US or EU")
    mixed.add_argument("--category", help='food category, for instance "soft drinks"')
    dosed = mixed.add_mutually_exclusive_group()
    dosed.add_argument("--oil-mg-per-l", type=float, metavar="X", help="oil in a litre of finished product, mg")
    dosed.add_argument("--stock-mg-per-l", type=float, metavar="X", help="stock in a litre of finished product, mg")
    mixed.add_argument("--max-viscosity", type=float, metavar="X", help="of the blend at 20 C, mPa s")
    mixed.add_argument("--max-cost", type=float, metavar="X", help="of the blend, per litre")
    mixed.add_argument("--price", action="append", default=[], metavar="NAME=X", help="price of a carrier")
    mixed.add_argument("--price-per", default="kg", choices=("kg", "L"), help="what prices are for (default kg)")
    mixed.add_argument("--increments", type=float, metavar="X", help="whole steps only, %% vol: 1, 2, 5 ...")
    mixed.add_argument("--min-share", action="append", default=[], metavar="NAME=X", help="at least X %% vol of it")
    mixed.add_argument("--max-share", action="append", default=[], metavar="NAME=X", help="at most X %% vol of it")
    mixed.add_argument("--worst-case", type=float, metavar="X", help="rank by the worst case of this share, as 0.2")
    mixed.add_argument("--keep", type=int, default=10, metavar="N", help="blends to show (default 10)")
    mixed.add_argument("--csv", action="store_true", help="print all columns as csv")
    mixed.add_argument("--figure", metavar="FILE", help="also draw the best blend's path or triangle to this file")
    mixed.set_defaults(run=_blend, drink_ethanol=0.0)

    guess = verbs.add_parser("estimate", help="Hansen parameters from structure, as csv")
    guess.add_argument("smiles", nargs="*", help="SMILES; read from standard input when none is given")
    guess.add_argument("--method", default="calibrated", help="calibrated (default) or van-krevelen")
    guess.set_defaults(run=_estimate)

    inventory = verbs.add_parser("data", help="what ships, and how each number is known")
    inventory.set_defaults(run=_data)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit code (0, or 2 with one line on standard error)."""
    options = build_parser().parse_args(arguments)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", hspkit.errors.ExtrapolationWarning)
        try:
            text = options.run(options)
        except (HspkitError, OSError) as error:
            print("hspkit: " + " ".join(str(error).split()), file=sys.stderr)
            return 2
    for one in dict.fromkeys(str(warning.message) for warning in caught):
        print(f"hspkit: warning: {one}", file=sys.stderr)
    try:
        print(text)
    except BrokenPipeError:
        return 0
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
