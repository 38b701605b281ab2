"""What the options mean: oils, carriers, the product, structures."""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import hspkit
from hspkit import delimited, files
from hspkit.errors import InputError
from hspkit.names import check_length

if TYPE_CHECKING:
    from hspkit.application import Application
    from hspkit.carriers import Blend, Carrier
    from hspkit.oils import Oil

__all__ = [
    "STOCK", "arguments", "numbers_by_name", "read_application", "read_liquid", "read_oil", "read_prepared_oil",
    "read_structures",
]  # fmt: skip

_SHARE = re.compile(r"\s*(?P<share>[0-9]*[.,]?[0-9]+)\s*%\s*(?P<name>\S.*?)\s*")
_SMILES_HEADING = re.compile(r"(^|[,;\t])\s*\"?smiles\"?\s*($|[,;\t])", re.IGNORECASE)


#: Options of a stock.
STOCK = ("oil_parts", "carrier_parts", "celsius")


def arguments(options: argparse.Namespace, *names: str) -> dict[str, Any]:
    """Return the options of these names as the arguments of the same names.

    Examples
    --------
    >>> arguments(argparse.Namespace(oil_parts=1, carrier_parts=2, celsius=25, csv=True), *STOCK)
    {'oil_parts': 1, 'carrier_parts': 2, 'celsius': 25}
    """
    return {name: getattr(options, name) for name in names}


def read_application(options: argparse.Namespace) -> Application | None:
    """Return the finished product; None when nothing is said of it.

    Raises
    ------
    InputError
        When one of market, category and use level is missing.
    """
    level = options.oil_mg_per_l if options.oil_mg_per_l is not None else options.stock_mg_per_l
    present = [value is not None for value in (options.market, options.category, level)]
    if not any(present):
        return None
    if not all(present):
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


def read_oil(text: str, options: argparse.Namespace) -> Oil:
    """Return the oil that a text names, or that a GC report holds."""
    least = getattr(options, "least_covered_percent", None)
    if not text.lower().endswith(".csv"):
        return hspkit.oil(text, least_covered_percent=least)
    coverage = {} if least is None else {"least_covered_percent": least}
    report = hspkit.Oil.from_csv(text, liquid_celsius=getattr(options, "liquid_celsius", None), **coverage)
    options.notes = [*getattr(options, "notes", []), *report.notes]  # shown with the answer, whatever form that has
    return report


def read_prepared_oil(options: argparse.Namespace) -> Oil:
    """Return the oil of a verb after filtering, folding and removal of terpenes."""
    subject = read_oil(options.oil, options)
    if options.filtered:
        subject = subject.without_wax()
    if options.fold is not None:
        subject = subject.folded(options.fold)
    if options.without_terpenes is not None:
        subject = subject.without_terpenes(options.without_terpenes / 100.0)
    return subject


def read_liquid(text: str) -> Carrier | Blend:
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
    shares: dict[str, float] = {}
    for part in body.split("+"):
        match = _SHARE.fullmatch(part)
        if match is None or basis.strip() not in ("volume", "mass"):
            message = f"cannot read the blend {text!r}; expected '70 % triacetin + 30 % MCT by volume' (or 'by mass')"
            raise InputError(message)
        if match["name"] in shares:
            message = f"{match['name']!r} stands twice in {text!r}; add the shares up"
            raise InputError(message)
        shares[match["name"]] = float(match["share"].replace(",", ".")) / 100.0
    return hspkit.Blend(shares, basis="mass" if basis.strip() == "mass" else "volume")


def numbers_by_name(option: str, texts: Sequence[str]) -> dict[str, float]:
    """Return the numbers of texts such as "triacetin=3.2" by their names.

    Parameters
    ----------
    option : str
        For the message. [-]
    texts : sequence of str
        Name and number each. [-]

    Raises
    ------
    InputError
        For a text without a name or without a number.

    Examples
    --------
    >>> numbers_by_name("--price", ["oil=12.5", "MCT=3"])
    {'oil': 12.5, 'MCT': 3.0}
    """
    numbers = {}
    for text in texts:
        name, _, number = text.rpartition("=")
        try:
            numbers[name.strip()] = float(number)
        except ValueError:
            name = ""
        if not name.strip():
            message = f"{option} is {text!r}; expected NAME=NUMBER, such as oil=12.5 or triacetin=3.2"
            raise InputError(message)
    return numbers


def read_structures(options: argparse.Namespace) -> list[str]:
    """Return the SMILES on the line, in a file or on standard input.

    Raises
    ------
    InputError
        When there is none, or the file is not text.
    """
    structures = list(options.smiles)
    if options.file:
        try:
            text = files.file_bytes(options.file).decode("utf-8-sig")
        except UnicodeDecodeError:
            message = (
                f"{options.file!r} is not text in UTF-8; expected one SMILES a line, or a csv with a column smiles"
            )
            raise InputError(message) from None
        structures += _smiles_column(text)
    elif not structures or structures == ["-"]:
        if sys.stdin.isatty():
            print("hspkit: reading SMILES from the keyboard, one a line; end with Ctrl-D", file=sys.stderr)
        structures = _smiles_column(sys.stdin.read())
    if not structures:
        message = "no SMILES given; put them on the line, in a file (--file) or on standard input, one a line"
        raise InputError(message)
    return structures


def _smiles_column(text: str) -> list[str]:
    """Return the SMILES of a text: the column smiles of a csv, or the first word of each line."""
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines or not _SMILES_HEADING.search(lines[0]):
        return [line.split()[0] for line in lines]
    separator = next((mark for mark in ",;\t" if mark in lines[0]), ",")
    rows = delimited.csv_rows("\n".join(lines), "the list of structures", separator=separator)
    headings = [cell.strip().casefold() for cell in rows[0]]
    if "smiles" not in headings:
        message = f"no column smiles in the header {lines[0][:200]!r}; separate columns by one of , ; or a tab"
        raise InputError(message)
    place = headings.index("smiles")
    return [row[place].strip() if place < len(row) else "" for row in rows[1:]]
