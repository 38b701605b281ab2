"""Command line: the library's jobs by the same verbs as its functions.

``python -m hspkit rank "sweet orange, cold-pressed" --market US --category "soft drinks" --oil-mg-per-l 40``
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import re
import sys
import textwrap
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import hspkit
from hspkit import data, pages
from hspkit.errors import HspkitError, InputError
from hspkit.names import check_length

if TYPE_CHECKING:
    import pandas as pd

    from hspkit.application import Application
    from hspkit.ranking import Ranking

#: Heading, unit and key of the columns that fit on a screen; the csv has them all.
_SCREEN = (
    ("carrier", "", "carrier"),
    ("verdict", "", "verdict"),
    ("p(clear)", "", "p_clear"),
    ("Ra", "", "distance"),
    ("index", "L", "spinodal_index"),
    ("max oil", "% vol", "max_oil_percent"),
    ("water", "% vol", "water_tolerance_percent"),
    ("dose", "mg/L", "carrier_mg_per_L"),
    ("legal", "mg/L", "legal_limit_mg_per_L"),
    ("taste", "mg/L", "taste_limit_mg_per_L"),
    ("at 20 C", "mPa s", "viscosity_mPa_s"),
    ("pours", "", "pours"),
    ("in the", "drink", "carrier_dissolves_in_drink"),
    ("allowed", "", "allowed"),
)
_LEGEND = (
    "Ra [MPa^0.5]: Hansen distance to the oil. Index: the stock unmixes by itself from L = 1 on. Max oil, "
    "water: cloud points. Dose, legal, taste: carrier in the product; a '!' marks a limit that is broken. In the "
    "drink: the carrier itself dissolves. '-': not known or not asked."
)
#: Temperatures of which one can ask [degC]: nothing that is eaten is a liquid outside.
_CELSIUS = (-60.0, 250.0)
#: Parts that are no slip of the keyboard: a millionth to a million. [-]
_PARTS = (1e-6, 1e6)
#: A message longer than this is cut in the middle.
_MESSAGE = 600
#: Structures from which on an estimate takes long enough to say so.
_MANY = 2000


class _Parser(argparse.ArgumentParser):
    """Errors are one line on standard error and exit code 2."""

    def error(self, message: str) -> Any:
        print(f"hspkit: {pages.plain(message)}; see python -m {self.prog} --help", file=sys.stderr)
        raise SystemExit(2)


# --- what is printed ---


def _number(key: str, value: Any) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "-"
    if isinstance(value, bool):
        return "yes" if value else "NO"
    if isinstance(value, str):
        return value
    if key == "p_clear":
        return f"{value:.2f}"
    if key == "spinodal_index":
        return f"{value:.2f}"
    if key.endswith("_mg_per_L"):
        return f"{value:,.0f}"
    if key.endswith("_percent") and 0 < value < 0.1:
        return "<0.1"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}"


def screen_table(ranking: Ranking) -> str:
    """Return the ranking as fixed-width text, one carrier a line."""
    broken = {"legal_limit_mg_per_L": "under_legal_limit", "taste_limit_mg_per_L": "under_taste_limit"}
    cells = [[heading for heading, _, _ in _SCREEN], [unit for _, unit, _ in _SCREEN]]
    for row in ranking.shown():
        marks = {key: "!" for key, reason in broken.items() if row[reason] is False}
        cells.append([pages.plain(_number(key, row[key])) + marks.get(key, "") for _, _, key in _SCREEN])
    widths = [max(len(line[i]) for line in cells) for i in range(len(_SCREEN))]
    lines = []
    for line in cells:
        left = " ".join(line[i].ljust(widths[i]) for i in (0, 1))
        lines.append(left + "  " + "  ".join(line[i].rjust(widths[i]) for i in range(2, len(line))))
    lines.insert(2, "-" * max(len(line) for line in lines))
    return "\n".join(line.rstrip() for line in lines)


def _wrapped(lines: Sequence[str], mark: str) -> str:
    return "\n".join(
        textwrap.fill(pages.plain(line), 110, initial_indent=mark, subsequent_indent=" " * len(mark)) for line in lines
    )


def _json(frame: pd.DataFrame, **more: Any) -> str:
    def whole(cell: Any) -> Any:  # bytes on the line that were no text reach us as half signs, which json has not
        return cell.encode("utf-8", "backslashreplace").decode("utf-8") if isinstance(cell, str) else cell

    rows = json.loads(frame.map(whole).to_json(orient="records"))
    return json.dumps({**more, "rows": rows}, indent=1, ensure_ascii=False)


def _draw(axes: Any, path: str) -> None:
    from hspkit import plotting

    plotting.save(axes, path)


def _check_files(options: argparse.Namespace) -> None:
    """Refuse a file that cannot be written before the work is done, not after."""
    for name in ("html", "figure"):
        if getattr(options, name, None):
            pages.check_target(getattr(options, name))


def _long(text: str) -> None:
    """Say on standard error that something takes a while, where somebody is watching."""
    if sys.stderr.isatty():
        print(f"hspkit: {text} ...", file=sys.stderr)


# --- what is asked ---


def _application(options: argparse.Namespace) -> Application | None:
    level = options.oil_mg_per_l if options.oil_mg_per_l is not None else options.stock_mg_per_l
    given = [options.market is not None, options.category is not None, level is not None]
    if not any(given):
        return None
    if not all(given):
        message = "give --market, --category and one of --oil-mg-per-l or --stock-mg-per-l together, or none of them"
        raise InputError(message)
    return hspkit.Application(
        options.market,
        options.category,
        oil_mg_per_L=options.oil_mg_per_l,
        stock_mg_per_L=options.stock_mg_per_l,
        ethanol_percent=options.drink_ethanol,
        product_density=options.product_density,
    )


def _oil(text: str, options: argparse.Namespace) -> Any:
    least = getattr(options, "least_covered_percent", None)
    if not text.lower().endswith(".csv"):
        return hspkit.oil(text, least_covered_percent=least)
    asked = {} if least is None else {"least_covered_percent": least}
    found = hspkit.Oil.from_csv(text, liquid_celsius=getattr(options, "liquid_celsius", None), **asked)
    options.said = [*getattr(options, "said", []), *found.notes]  # shown with the answer, whatever form that has
    return found


def _handled(options: argparse.Namespace) -> Any:
    subject = _oil(options.oil, options)
    if options.filtered:
        subject = subject.without_wax()
    if options.fold is not None:
        subject = subject.folded(options.fold)
    if options.without_terpenes is not None:
        subject = subject.without_terpenes(options.without_terpenes / 100.0)
    return subject


_SHARE = re.compile(r"\s*(?P<share>[0-9]*[.,]?[0-9]+)\s*%\s*(?P<name>\S.*?)\s*")


def read_liquid(text: str) -> Any:
    """Return the carrier or blend that a text names.

    Parameters
    ----------
    text : str
        A carrier, or a blend such as "70 % triacetin + 30 % propylene glycol by volume". [-]

    Raises
    ------
    InputError
        When the shares are not followed by "by volume" or "by mass", or do not sum to 100 %.

    Examples
    --------
    >>> read_liquid("70 % triacetin + 30 % MCT by mass").mass_fractions.round(2)
    array([0.7, 0.3])
    """
    if "+" not in check_length(text, "carrier"):
        return hspkit.carrier(text)
    body, _, basis = text.rpartition(" by ")
    matches = [_SHARE.fullmatch(part) for part in body.split("+")]
    if basis.strip() not in ("volume", "mass") or None in matches:
        message = f"cannot read the blend {text!r}; expected '70 % triacetin + 30 % MCT by volume' (or 'by mass')"
        raise InputError(message)
    shares: dict[str, float] = {}
    for match in matches:
        assert match is not None
        if match["name"] in shares:
            message = f"{match['name']!r} stands twice in {text!r}; add the shares up"
            raise InputError(message)
        shares[match["name"]] = float(match["share"].replace(",", ".")) / 100.0
    return hspkit.Blend(shares, basis="mass" if basis.strip() == "mass" else "volume")


def _named(option: str, given: Sequence[str]) -> dict[str, float]:
    found = {}
    for text in given:
        name, sign, price = text.rpartition("=")
        try:
            found[name.strip()] = float(price)
        except ValueError:
            sign = ""
        if not sign or not name.strip():
            message = f"{option} is {text!r}; expected NAME=NUMBER, such as oil=12.5 or triacetin=3.2"
            raise InputError(message)
    return found


def _structures(options: argparse.Namespace) -> list[str]:
    given = list(options.smiles)
    if options.file:
        try:
            text = pages.file_bytes(options.file).decode("utf-8-sig")
        except UnicodeDecodeError:
            message = (
                f"{options.file!r} is not text in UTF-8; expected one SMILES a line, or a csv with a column smiles"
            )
            raise InputError(message) from None
        given += _column(text)
    elif not given or given == ["-"]:
        if sys.stdin.isatty():
            print("hspkit: reading SMILES from the keyboard, one a line; end with Ctrl-D", file=sys.stderr)
        given = _column(sys.stdin.read())
    if not given:
        message = "no SMILES given; put them on the line, in a file (--file) or on standard input, one a line"
        raise InputError(message)
    return given


def _column(text: str) -> list[str]:
    """Return the SMILES of a text: the column smiles of a csv, or the first word of each line."""
    lines = [line for line in text.splitlines() if line.strip()]
    if lines and re.search(r"(^|[,;\t])\s*\"?smiles\"?\s*($|[,;\t])", lines[0], re.IGNORECASE):
        split = next((mark for mark in ",;\t" if mark in lines[0]), ",")
        rows = data.csv_rows("\n".join(lines), "the list of structures", separator=split)
        headings = [cell.strip().casefold() for cell in rows[0]]
        if "smiles" not in headings:
            message = f"no column smiles in the header {lines[0][:200]!r}; separate columns by one of , ; or a tab"
            raise InputError(message)
        place = headings.index("smiles")
        return [row[place].strip() if place < len(row) else "" for row in rows[1:]]
    return [line.split()[0] for line in lines]


# --- the jobs ---


def _rank(options: argparse.Namespace) -> str:
    _check_files(options)
    _long("ranking")
    ranking = hspkit.rank_carriers(
        _handled(options),
        oil_parts=options.oil_parts,
        carrier_parts=options.carrier_parts,
        application=_application(options),
        carriers=[read_liquid(name) for name in options.carrier] if options.carrier else None,
        include_alcohol=options.include_alcohol,
        celsius=options.celsius,
        progress=sys.stderr.isatty(),
    )
    if options.figure:
        from hspkit import plotting

        _draw(plotting.ranking(ranking), options.figure)
    if options.html:
        ranking.to_html(options.html)
    if options.csv:
        return ranking.to_csv()
    if options.json:
        return _json(ranking.table, question=ranking.question(), order=ranking.order, cautions=ranking.cautions)
    drink, notes = ranking.drink(), ranking.notes()
    return "\n\n".join(
        [
            pages.plain(ranking.question()),
            screen_table(ranking),
            _wrapped([f"{ranking.headline()} {_LEGEND}", ranking.order], ""),
            *([_wrapped([drink], "")] if drink else []),
            "Notes\n" + _wrapped(notes, "- ") if notes else "Notes: none",
            "Cautions\n" + _wrapped(ranking.cautions, "! "),
        ]
    )


def _dissolve(options: argparse.Namespace) -> str:
    outcome = hspkit.dissolve(
        _handled(options),
        read_liquid(options.carrier),
        oil_parts=options.oil_parts,
        carrier_parts=options.carrier_parts,
        celsius=options.celsius,
    )
    if not options.csv and not options.json:
        return pages.plain(f"{outcome.oil.name} in {outcome.carrier.name}: {outcome.sentence()}")
    import pandas as pd

    row: dict[str, Any] = {"oil": outcome.oil.name, "carrier": outcome.carrier.name}
    row["oil_covered_percent"] = outcome.oil.covered_percent
    keys = (
        "oil_parts", "carrier_parts", "celsius", "verdict", "p_clear", "p_hazy", "p_splits", "undecided",
        "least_oil_percent", "max_oil_percent", "water_tolerance_percent", "spinodal_index", "second_phase_percent",
    )  # fmt: skip
    row |= {key: getattr(outcome, key) for key in keys}
    row["unknown"] = outcome.unknown
    row |= {"limiting_components": "; ".join(outcome.limiting_components), "advice": " ".join(outcome.advice)}
    row |= {"caution": outcome.carrier.caution}
    frame = pd.DataFrame([row])
    return pages.csv_text(frame) if options.csv else _json(frame)


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
    _check_files(options)
    _long("blending")
    prices = _named("--price", options.price) if options.price else None
    search = hspkit.best_blend(
        [_handled(options), *(_oil(name, options) for name in options.also)],
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
        min_share={name: share / 100.0 for name, share in _named("--min-share", options.min_share).items()},
        max_share={name: share / 100.0 for name, share in _named("--max-share", options.max_share).items()},
        worst_case=options.worst_case,
        celsius=options.celsius,
        price_per_L=prices if options.price_per == "L" else None,
        price_per_kg=prices if options.price_per == "kg" else None,
    )
    if options.figure:
        from hspkit import plotting

        names = list(dict.fromkeys(part.name for blend in search.blends for part in blend.parts))
        if len(names) < 2:
            message = f"only {names[0]} is left to choose, so there is no blend to draw; ask again without --figure"
            raise InputError(message)
        three = len(search.best.parts) == 3
        if three:
            axes = plotting.blend_triangle(search, names[0], names[1], names[2])
        else:
            axes = plotting.blend_path(search, names[0], names[1])
        _draw(axes, options.figure)
    if options.csv:
        return pages.csv_text(search.table)
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


def _estimate(options: argparse.Namespace) -> str:
    given = _structures(options)
    if len(given) >= _MANY:
        _long(f"estimating {len(given)} structures")
    table = hspkit.estimate_many(given, method=options.method, n_jobs=options.jobs, progress=sys.stderr.isatty())
    return _json(table) if options.json else pages.csv_text(table, float_format="%.3f")


def _dose(options: argparse.Namespace) -> str:
    _check_files(options)
    from hspkit.application import dosing

    asked = _application(options)
    if asked is None:
        message = "a dose needs a product: give --market, --category and one of --oil-mg-per-l or --stock-mg-per-l"
        raise InputError(message)
    subject, liquid = _handled(options), read_liquid(options.carrier)
    found = dosing(
        subject,
        liquid,
        asked,
        oil_parts=options.oil_parts,
        carrier_parts=options.carrier_parts,
        basis=options.basis,
        celsius=options.celsius,
    )
    if options.figure:
        from hspkit import plotting

        alone = hspkit.rank_carriers(
            subject,
            carriers=[liquid],
            application=asked,
            oil_parts=found.outcome.oil_parts,
            carrier_parts=found.outcome.carrier_parts,
        )
        _draw(plotting.dose(alone), options.figure)
    if options.csv:
        return pages.csv_text(found.table)
    sections = dict(found.sections())
    if options.json:
        return _json(
            found.table, allowed=found.allowed, broken=found.broken, question=found.question(), sections=sections
        )
    head = ["liquid", "mg/L product", "mg/kg product", "mass % stock", "vol % stock"]
    rows = [
        [row[0], *(pages.number(float(cell), 4) for cell in row[1:])] for row in found.table.itertuples(index=False)
    ]
    said = [pages.plain(found.question()), pages.text_table(head, rows)]
    for heading, lines in sections.items():
        said.append(f"{heading}\n" + _wrapped(lines, "- "))
    if found.drink is not None:
        seen = [one for one in found.drink.components if one.share_of_limit >= 0.01][:10]
        said.append(
            "Components of the drink nearest to their limit\n"
            + pages.text_table(
                ["component", "dose mg/L", "soluble mg/L", "factor", "dose/soluble", "known by"],
                [
                    [
                        one.name,
                        pages.number(one.dose_mg_per_L, 2),
                        pages.number(one.solubility_mg_per_L, 2),
                        pages.number(one.factor, 2),
                        pages.number(one.share_of_limit, 2),
                        one.known,
                    ]
                    for one in seen
                ],
            )
        )
    return "\n\n".join(said)


def _batch(options: argparse.Namespace) -> str:
    _check_files(options)
    sheet = hspkit.batch_sheet(
        _handled(options),
        read_liquid(options.carrier),
        oil_parts=options.oil_parts,
        carrier_parts=options.carrier_parts,
        basis=options.basis,
        batch=options.batch,
        application=_application(options),
        celsius=options.celsius,
        prices=_named("--price", options.price or []),
        currency=options.currency,
        title=options.title,
    )
    if options.html:
        sheet.save(Path(options.html))
    if options.csv:
        return pages.csv_text(sheet.table)
    if options.json:
        return _json(sheet.table, title=sheet.title, question=sheet.question(), sections=dict(sheet.sections()))
    return (sheet.to_markdown() if options.markdown else sheet.to_text()).rstrip("\n")


def _handling(options: argparse.Namespace) -> str:
    from hspkit.application import handling

    table = handling(
        _oil(options.oil, options),
        oil_mg_per_L=options.oil_mg_per_l,
        folds=options.folds,
        terpenes_removed=[share / 100.0 for share in options.terpenes_removed],
        liquid=read_liquid(options.carrier) if options.carrier else None,
        oil_parts=options.oil_parts,
        carrier_parts=options.carrier_parts,
        ethanol_percent=options.drink_ethanol,
    )
    if options.csv:
        return pages.csv_text(table)
    if options.json:
        return _json(table)
    names = [str(name) for name in table["handling"]]
    rows = [[key, *(_cell(value) for value in table[key])] for key in table.columns if key not in ("handling", "note")]
    notes = [f"{name}: {note}" for name, note in zip(names, table["note"], strict=True) if note]
    return "\n\n".join(
        [pages.text_table(["", *names], rows), *([_wrapped(notes, "- ")] if notes else [])]
        + ["Every dose brings the same mass of what is not a terpene. Taste decides how much flavour went with them."]
    )


def _cell(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "NO"
    return pages.number(value) if isinstance(value, float) else pages.plain(value)


def _dilute(options: argparse.Namespace) -> str:
    from hspkit import ethanol

    made = ethanol.dilute(options.from_percent, options.to_percent, spirit_volume=options.volume)
    return (
        f"{options.volume:g} mL of {options.from_percent:g} % vol + {made.water_volume:.1f} mL of water = "
        f"{made.product_volume:.1f} mL of {options.to_percent:g} % vol at 20 C "
        f"(by mass {made.water_mass_ratio:.4f} g of water to 1 g of spirit; the volume contracts by "
        f"{made.contraction_percent:.2f} %; OIML R 22). Spirit is highly flammable."
    )


def _data(options: argparse.Namespace) -> str:
    import pandas as pd

    from hspkit import law
    from hspkit.carriers import carriers
    from hspkit.oils import oils

    if options.what is None:
        return data.inventory_text().rstrip("\n")
    if options.what == "oils":
        return pages.csv_text(oils())
    if options.what == "carriers":
        return pages.csv_text(carriers())
    if options.what == "markets":
        return "\n".join(law.markets())
    if options.what == "categories":
        return "\n".join(law.categories())
    if options.what not in data.tables():
        message = f"nothing called {options.what!r}; expected oils, carriers, markets, categories or a table of 'data'"
        raise InputError(message)
    return pages.csv_text(pd.DataFrame([dict(row) for row in data.read_table(options.what).rows]))


# --- the parser ---


def _within(text: str, low: float, high: float, unit: str) -> float:
    try:
        value = float(text)
    except ValueError:
        message = f"{text!r} is not a number of {unit}"
        raise argparse.ArgumentTypeError(message) from None
    if not low <= value <= high:
        message = f"{text} is out of range; expected {low:g} to {high:g} {unit}"
        raise argparse.ArgumentTypeError(message)
    return value


def _parts(text: str) -> float:
    return _within(text, *_PARTS, "parts")


def _temperature(text: str) -> float:
    return _within(text, *_CELSIUS, "C")


def _add_oil(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("oil", help='an oil such as "sweet orange, cold-pressed", a substance, or a GC report (.csv)')
    parser.add_argument(
        "--least-covered-percent", type=float, metavar="X", help="answer although only this much is understood (80)"
    )
    parser.add_argument(
        "--liquid-celsius", type=_temperature, metavar="T", help="temperature in C at which the oil was seen liquid"
    )
    parser.add_argument("--filtered", action="store_true", help="first chill and filter: without its wax")
    parser.add_argument("--fold", type=float, metavar="N", help="fold the oil first, for instance 5")
    parser.add_argument(
        "--without-terpenes", type=float, metavar="PERCENT", help="first remove this share of the terpene hydrocarbons"
    )


def _add_carrier(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "carrier", help='a carrier, or a blend such as "70 %% triacetin + 30 %% propylene glycol by volume"'
    )


def _add_ratio(parser: argparse.ArgumentParser, *, basis: bool = False) -> None:
    how = "" if basis else " by volume"
    parser.add_argument("--oil-parts", type=_parts, default=1.0, metavar="N", help=f"parts of oil{how} (default 1)")
    parser.add_argument(
        "--carrier-parts", type=_parts, default=2.0, metavar="N", help=f"parts of carrier{how} (default 2)"
    )
    if basis:
        parser.add_argument(
            "--basis", choices=("volume", "mass"), default="volume", help="what the parts are (default volume)"
        )
    parser.add_argument("--celsius", type=_temperature, default=25.0, metavar="T", help="temperature in C (default 25)")


def _add_use(parser: argparse.ArgumentParser) -> None:
    use = parser.add_argument_group("the product", "market, category and one use level go together")
    use.add_argument("--market", help="where the product is sold, for instance US or EU ('data markets' lists them)")
    use.add_argument("--category", help="food category, for instance \"soft drinks\" ('data categories' lists them)")
    level = use.add_mutually_exclusive_group()
    level.add_argument("--oil-mg-per-l", type=float, metavar="X", help="oil in a litre of finished product, mg")
    level.add_argument("--stock-mg-per-l", type=float, metavar="X", help="stock in a litre of finished product, mg")
    use.add_argument(
        "--drink-ethanol", type=float, default=0.0, metavar="X", help="ethanol in the finished product, %% vol"
    )
    use.add_argument(
        "--product-density", type=float, default=1.0, metavar="X", help="density of the product, g/mL (default 1)"
    )


def _add_form(parser: argparse.ArgumentParser, *, csv_too: bool = True) -> Any:
    form = parser.add_mutually_exclusive_group()
    if csv_too:
        form.add_argument("--csv", action="store_true", help="print as csv")
    form.add_argument("--json", action="store_true", help="print as json")
    return form


def build_parser() -> argparse.ArgumentParser:
    """Return the parser of the command line."""
    parser = _Parser(
        prog="hspkit",
        description="Which non-alcohol carrier dissolves this oil, is it allowed, and how much may the drink hold?",
        epilog=(
            "example: python -m hspkit rank lemon --market EU --category 'soft drinks' --oil-mg-per-l 40\n"
            "Predictions, not release tests: confirm with a bench trial, check the code in force in your market."
        ),
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"hspkit {hspkit.__version__}")
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="verb", parser_class=_Parser)

    def verb(name: str, help_: str, example: str, run: Any) -> argparse.ArgumentParser:
        made: argparse.ArgumentParser = verbs.add_parser(
            name,
            help=help_,
            description=help_[0].upper() + help_[1:] + ".",
            epilog=f"example: python -m hspkit {name} {example}",
        )
        made.set_defaults(run=run)
        return made

    rank = verb(
        "rank",
        "rank carriers for an oil: clear or not, allowed or not, dose, limits, taste, pouring, the finished drink",
        "lemon --market EU --category 'soft drinks' --oil-mg-per-l 40 --html lemon.html",
        _rank,
    )
    _add_oil(rank)
    _add_ratio(rank)
    _add_use(rank)
    rank.add_argument(
        "--carrier", action="append", metavar="NAME", help="rank only this carrier or blend; may be repeated"
    )
    rank.add_argument(
        "--include-alcohol", action="store_true", help="add ethanol of 40, 70 and 96 %% vol as a yardstick"
    )
    _add_form(rank)
    rank.add_argument("--html", metavar="FILE", help="also write a page that opens offline")
    rank.add_argument("--figure", metavar="FILE", help="also draw the ranking to this file (png, svg, pdf)")

    one = verb("dissolve", "one oil in one carrier: clear, hazy or splits", "clove_oil.csv triacetin", _dissolve)
    _add_oil(one)
    _add_carrier(one)
    _add_ratio(one)
    _add_form(one)

    mixed = verb(
        "blend",
        "the best blend of two or three carriers for an oil",
        "lemon --objective clear --increments 5 --market EU --category 'soft drinks' --oil-mg-per-l 40",
        _blend,
    )
    _add_oil(mixed)
    mixed.add_argument("--also", action="append", default=[], metavar="OIL", help="one blend for this oil too")
    _add_ratio(mixed)
    goals = ("distance", "clear", "water tolerance", "cost")
    mixed.add_argument("--objective", default="distance", choices=goals, help="what is best (default distance)")
    mixed.add_argument("--carrier", action="append", metavar="NAME", help="blend only these; may be repeated")
    mixed.add_argument("--max-carriers", type=int, default=3, metavar="N", help="most carriers in a blend (default 3)")
    _add_use(mixed)
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

    guess = verb(
        "estimate",
        "Hansen parameters and molar volume from structure, as csv",
        "'CC(=O)OCC' 'CC1=CCC(CC1)C(C)=C'",
        _estimate,
    )
    guess.add_argument("smiles", nargs="*", help="SMILES; read from standard input when none is given")
    guess.add_argument(
        "--file", metavar="FILE", help="read SMILES from a file: one a line, or a csv with a column smiles"
    )
    guess.add_argument("--method", default="calibrated", help="calibrated (default) or van-krevelen")
    guess.add_argument("--jobs", type=int, default=1, metavar="N", help="processes; -1 for one per core (default 1)")
    _add_form(guess)

    amount = verb(
        "dose",
        "dose of oil and carrier in the product: margins to law and taste, strongest and weakest stock, the drink",
        "lemon triacetin --market EU --category 'soft drinks' --oil-mg-per-l 40",
        _dose,
    )
    _add_oil(amount)
    _add_carrier(amount)
    _add_ratio(amount, basis=True)
    _add_use(amount)
    _add_form(amount)
    amount.add_argument("--figure", metavar="FILE", help="also draw dose and limits to this file (png, svg, pdf)")

    sheet = verb(
        "batch",
        "the sheet for one batch: masses, order of mixing, what to expect, the trial to run first",
        "lemon triacetin --batch '2 kg' --html lemon.html",
        _batch,
    )
    _add_oil(sheet)
    _add_carrier(sheet)
    _add_ratio(sheet, basis=True)
    sheet.add_argument("--batch", default="1 L", metavar="SIZE", help="size of the batch: '2 L', '500 g' (default 1 L)")
    sheet.add_argument(
        "--price", action="append", metavar="NAME=X", help="price per kg, such as oil=12.5; may be repeated"
    )
    sheet.add_argument("--currency", default="", metavar="TEXT", help="to print beside the costs")
    sheet.add_argument("--title", metavar="TEXT", help="heading of the sheet")
    _add_use(sheet)
    _add_form(sheet).add_argument("--markdown", action="store_true", help="print as Markdown")
    sheet.add_argument(
        "--html", metavar="FILE", help="also write a page for one sheet of A4 (or a .md, .txt, .csv file)"
    )

    before = verb(
        "handling",
        "an oil before and after folding and removal of terpenes, at the same strength of flavour",
        "lemon --oil-mg-per-l 40 --carrier triacetin",
        _handling,
    )
    before.add_argument("oil", help="an oil or a GC report (.csv)")
    before.add_argument("--oil-mg-per-l", type=float, required=True, metavar="X", help="dose of the oil as it is, mg/L")
    before.add_argument("--folds", type=float, nargs="*", default=[5, 10], metavar="N", help="folds to show (5 10)")
    before.add_argument(
        "--terpenes-removed", type=float, nargs="*", default=[95], metavar="PERCENT", help="removals to show (95)"
    )
    before.add_argument("--carrier", metavar="NAME", help="also dissolve each in this carrier or blend")
    _add_ratio(before)
    before.add_argument("--drink-ethanol", type=float, default=0.0, metavar="X", help="ethanol in the drink, %% vol")
    _add_form(before)

    spirit = verb("dilute", "water that brings a spirit to a lower strength, with contraction", "96 70", _dilute)
    spirit.add_argument("from_percent", type=float, metavar="FROM", help="strength of the spirit, %% vol")
    spirit.add_argument("to_percent", type=float, metavar="TO", help="strength wanted, %% vol")
    spirit.add_argument(
        "--volume", type=float, default=1000.0, metavar="ML", help="volume of the spirit (default 1000)"
    )

    inventory = verb("data", "what ships, and how each number is known", "carriers", _data)
    inventory.add_argument(
        "what", nargs="?", help="oils, carriers, markets, categories or the name of a table (as csv)"
    )
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; return the exit code (0, or 2 with one line on standard error)."""
    options = build_parser().parse_args(arguments)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", hspkit.errors.ExtrapolationWarning)
        try:
            text = options.run(options)
        except (HspkitError, OSError) as error:
            said = pages.plain(error)
            said = said if len(said) <= _MESSAGE else f"{said[: _MESSAGE // 2]} ... {said[-_MESSAGE // 2 :]}"
            print(f"hspkit: {said}", file=sys.stderr)
            return 2
        except KeyboardInterrupt:
            print("hspkit: stopped", file=sys.stderr)
            return 130
    for one in dict.fromkeys(getattr(options, "said", [])):
        print(f"hspkit: note: {pages.plain(one)}", file=sys.stderr)
    for one in dict.fromkeys(str(warning.message) for warning in caught):
        print(f"hspkit: warning: {one}", file=sys.stderr)
    return _print(text)


def _print(text: str) -> int:
    """Print a result on standard output; return the exit code."""
    try:
        encoding = getattr(sys.stdout, "encoding", None) or "utf-8"
        try:
            text.encode(encoding)
        except UnicodeEncodeError:  # a terminal without this sign, or bytes on the line that were no text
            text = text.encode(encoding, "backslashreplace").decode(encoding)
        print(text, flush=True)
    except OSError as error:
        # Python would complain once more when it closes the stream
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):  # whoever read has had enough
            return 0
        print(f"hspkit: cannot write the answer: {error.strerror or error}; make room and ask again", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
