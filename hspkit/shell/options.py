"""Options that several verbs share."""

from __future__ import annotations

import argparse
from typing import NoReturn

from hspkit import checks, rendering

__all__ = ["Parser", "add_carrier", "add_form", "add_oil", "add_ratio", "add_use"]

#: Parts that are no slip of the keyboard: a millionth to a million. [-]
_PARTS = (1e-6, 1e6)


class Parser(argparse.ArgumentParser):
    """Errors are one line on standard error and exit code 2."""

    def error(self, message: str) -> NoReturn:
        """Print the error and leave."""
        self.exit(2, f"hspkit: {rendering.plain(message)}; see python -m {self.prog} --help\n")


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
    return _within(text, *checks.CELSIUS_RANGE, "C")


def add_oil(parser: argparse.ArgumentParser) -> None:
    """Add the oil and what is done to it first."""
    add = parser.add_argument
    add("oil", help='an oil such as "sweet orange, cold-pressed", a substance, or a GC report (.csv)')
    add("--least-covered-percent", type=float, metavar="X", help="answer although only this much is understood (80)")
    add("--liquid-celsius", type=_temperature, metavar="T", help="temperature in C at which the oil was seen liquid")
    add("--filtered", action="store_true", help="first chill and filter: without its wax")
    add("--fold", type=float, metavar="N", help="fold the oil first, for instance 5")
    removed = "first remove this share of the terpene hydrocarbons"
    add("--without-terpenes", type=float, metavar="PERCENT", help=removed)


def add_carrier(parser: argparse.ArgumentParser) -> None:
    """Add the one carrier of a verb."""
    blend = '"70 %% triacetin + 30 %% propylene glycol by volume"'
    parser.add_argument("carrier", help=f"a carrier, or a blend such as {blend}")


def add_ratio(parser: argparse.ArgumentParser, basis: str = " by volume") -> None:
    """Add parts and temperature of the stock.

    Parameters
    ----------
    parser : ArgumentParser
        Where.
    basis : str
        Basis of the parts as it stands in the help; empty where --basis chooses it. [-]
    """
    add = parser.add_argument
    add("--oil-parts", type=_parts, default=1.0, metavar="N", help=f"parts of oil{basis} (default 1)")
    add("--carrier-parts", type=_parts, default=2.0, metavar="N", help=f"parts of carrier{basis} (default 2)")
    if not basis:
        add("--basis", choices=("volume", "mass"), default="volume", help="what the parts are (default volume)")
    add("--celsius", type=_temperature, default=25.0, metavar="T", help="temperature in C (default 25)")


def add_use(parser: argparse.ArgumentParser) -> None:
    """Add the finished product."""
    use = parser.add_argument_group("the product", "market, category and one use level go together")
    use.add_argument("--market", help="where the product is sold, for instance US or EU ('data markets' lists them)")
    use.add_argument("--category", help="food category, for instance \"soft drinks\" ('data categories' lists them)")
    level = use.add_mutually_exclusive_group()
    level.add_argument("--oil-mg-per-l", type=float, metavar="X", help="oil in a litre of finished product, mg")
    level.add_argument("--stock-mg-per-l", type=float, metavar="X", help="stock in a litre of finished product, mg")
    spirit, density = "ethanol in the finished product, %% vol", "density of the product, g/mL (default 1)"
    use.add_argument("--drink-ethanol", type=float, default=0.0, metavar="X", help=spirit)
    use.add_argument("--product-density", type=float, default=1.0, metavar="X", help=density)


def add_form(parser: argparse.ArgumentParser, *more: tuple[str, str]) -> None:
    """Add the form of the answer: csv, json, or one of more (option, help)."""
    form = parser.add_mutually_exclusive_group()
    for option, text in (("--csv", "print as csv"), ("--json", "print as json"), *more):
        form.add_argument(option, action="store_true", help=text)
