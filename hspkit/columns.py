"""Columns of result tables: name, unit, headings, how a value is printed, what a failed reason is called.

Screen, pages, csv and figures take them from here. On the screen a value has few decimals, so that a row stays on its
line; on a page it has three significant digits. What is not known is a dash.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import NamedTuple

from hspkit.rendering import number, plain

__all__ = [
    "DOSES", "DRINK_COMPONENTS", "RANKING", "RANKING_FIGURE", "RANKING_PAGE", "RANKING_SCREEN", "SHEET", "Cell",
    "Column", "Value", "by_name", "is_known", "printed",
]  # fmt: skip

#: What stands in a cell; None and NaN are unknown.
Cell = str | float | bool | None


class Value(NamedTuple):
    """How the values of a column are printed on a page and on the screen, and what stands for an unknown one."""

    page: Callable[..., str]
    screen: Callable[..., str]
    missing: Cell


@dataclass(frozen=True)
class Column:
    """One column of a table of results.

    Parameters
    ----------
    name : str
        Name in the table and in csv. [-]
    unit : str
        Unit of the values, "-" for none. [-]
    value : Value
        How a value is printed.
    heading : tuple of str
        First and second line of the heading on a page; the second is the unit. [-]
    narrow : tuple of str
        The same on the screen; empty when it is as on a page. [-]
    figure : str
        Label in the figure of a ranking; empty when it is not drawn. [-]
    fails : str
        For a yes-no column: what is said of a row with "no". [-]
    """

    name: str
    unit: str
    value: Value
    heading: tuple[str, str] = ("", "")
    narrow: tuple[str, ...] = ()
    figure: str = ""
    fails: str = ""

    @property
    def screen_heading(self) -> tuple[str, ...]:
        """First and second line of the heading on the screen."""
        return self.narrow or self.heading

    @property
    def screen_line(self) -> str:
        """Heading on the screen in one line."""
        return " ".join(filter(None, self.screen_heading))

    def page(self, value: Cell) -> str:
        """Return a value as it stands on a page.

        Examples
        --------
        >>> water = by_name(RANKING)["water_tolerance_percent"]
        >>> water.page(12.345), water.page(0.04), water.page(100.0), water.page(float("nan"))
        ('12.3', '<0.1', 'any', '-')
        """
        return self.value.page(value) if is_known(value) else "-"

    def screen(self, value: Cell) -> str:
        """Return a value as it stands on the screen.

        Examples
        --------
        >>> rows = by_name(RANKING)
        >>> rows["carrier_mg_per_L"].screen(1234.5), rows["pours"].screen(False), rows["pours"].screen(None)
        ('1,234', 'NO', '-')
        """
        return self.value.screen(value) if is_known(value) else "-"


def is_known(value: Cell) -> bool:
    """Return whether a cell holds anything.

    Examples
    --------
    >>> is_known(0.0), is_known(False), is_known(None), is_known(float("nan")), is_known("")
    (True, True, False, False, False)
    """
    return not (value is None or value == "" or (isinstance(value, float) and math.isnan(value)))


def by_name(columns: Sequence[Column]) -> Mapping[str, Column]:
    """Return columns by their names.

    Examples
    --------
    >>> by_name(RANKING)["distance"].unit
    'MPa^0.5'
    """
    return {column.name: column for column in columns}


def _yes_no(value: bool) -> str:
    return "yes" if value else "NO"


def _tenths(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}"


def _percent(value: float, printed: Callable[[float], str]) -> str:
    return "<0.1" if 0 < value < 0.1 else printed(value)


def _of_any(value: float) -> str:
    return "any" if value >= 100 else number(value)


def printed(value: Cell) -> str:
    """Return a value of a column that is not declared, by its type.

    Examples
    --------
    >>> printed(True), printed(12.345), printed("5-fold"), printed(None)
    ('yes', '12.3', '5-fold', '-')
    """
    if isinstance(value, bool):
        return _yes_no(value)
    return number(value) if isinstance(value, float) else plain(value)


_NAN = float("nan")
_TEXT = Value(str, str, "")
_YES_NO = Value(_yes_no, _yes_no, None)
_PROBABILITY = Value("{:.2f}".format, "{:.2f}".format, _NAN)
_PERCENT = Value(partial(_percent, printed=_of_any), partial(_percent, printed=_tenths), _NAN)
_NUMBER = Value(number, _tenths, _NAN)
_INDEX = Value(number, "{:.2f}".format, _NAN)
_DOSE = Value(number, "{:,.0f}".format, _NAN)
_TWO_DIGITS = Value(partial(number, digits=2), partial(number, digits=2), _NAN)
_FOUR_DIGITS = Value(partial(number, digits=4), partial(number, digits=4), _NAN)

#: A ranking: one row a carrier, in the order of its csv.
RANKING = (
    Column("carrier", "-", _TEXT, ("carrier", "")),
    Column("verdict", "-", _TEXT, ("stock", ""), ("verdict", "")),
    Column("p_clear", "-", _PROBABILITY, ("p(clear)", "")),
    Column("undecided", "-", _YES_NO),
    Column("max_oil_percent", "% vol of the stock", _PERCENT, ("max oil", "% vol"), figure="oil\n% vol"),
    Column("water_tolerance_percent", "% vol of the mixture", _PERCENT, ("water", "% vol"), figure="water\n% vol"),
    Column("distance", "MPa^0.5", _NUMBER, ("Ra", "MPa^0.5"), ("Ra", "")),
    Column("spinodal_index", "-", _INDEX, ("index", "L")),
    Column("carrier_mg_per_L", "mg/L", _DOSE, ("dose", "mg/L")),
    Column("legal_limit_mg_per_L", "mg/L", _DOSE, ("legal limit", "mg/L"), ("legal", "mg/L")),
    Column("taste_limit_mg_per_L", "mg/L", _DOSE, ("taste limit", "mg/L"), ("taste", "mg/L")),
    Column("least_carrier_parts", "parts by volume per part of oil", _NUMBER),
    Column("most_carrier_parts", "parts by volume per part of oil", _NUMBER),
    Column("allowed", "-", _YES_NO, ("allowed", ""), figure="allowed"),
    Column("clear", "-", _YES_NO, ("clear", "")),
    Column(
        "under_legal_limit", "-", _YES_NO, ("under legal limit", ""), figure="legal\nlimit",
        fails="over the legal limit",
    ),
    Column(
        "under_taste_limit", "-", _YES_NO, ("under taste limit", ""), figure="taste\nlimit",
        fails="over the taste limit of the trade",
    ),
    Column("viscosity_mPa_s", "mPa s", _NUMBER, ("at 20 C", "mPa s")),
    Column("pours", "-", _YES_NO, ("pours", ""), figure="pours", fails="thick"),
    Column(
        "carrier_dissolves_in_drink", "-", _YES_NO, ("carrier dissolves in drink", ""), ("in the", "drink"),
        fails="the carrier itself does not dissolve in the drink",
    ),
    Column("drink_stays_clear", "-", _YES_NO, ("drink stays clear", ""), figure="drink\nclear"),
    Column("oil_covered_percent", "mass % of the oil", _PERCENT),
    Column("notes", "-", _TEXT),
)  # fmt: skip


def _pick(*names: str) -> tuple[Column, ...]:
    return tuple(by_name(RANKING)[name] for name in names)


#: Columns of a ranking on a page, in the order of the questions.
RANKING_PAGE = _pick(
    "carrier", "verdict", "p_clear", "max_oil_percent", "water_tolerance_percent", "distance", "spinodal_index",
    "carrier_mg_per_L", "legal_limit_mg_per_L", "taste_limit_mg_per_L", "viscosity_mPa_s", "allowed", "clear",
    "under_legal_limit", "under_taste_limit", "pours", "carrier_dissolves_in_drink", "drink_stays_clear",
)  # fmt: skip
#: Columns of a ranking that fit on a screen; the csv has them all.
RANKING_SCREEN = _pick(
    "carrier", "verdict", "p_clear", "distance", "spinodal_index", "max_oil_percent", "water_tolerance_percent",
    "carrier_mg_per_L", "legal_limit_mg_per_L", "taste_limit_mg_per_L", "viscosity_mPa_s", "pours",
    "carrier_dissolves_in_drink", "allowed",
)  # fmt: skip
#: Columns of a ranking that its figure shows beside the bars.
RANKING_FIGURE = tuple(column for column in RANKING if column.figure)

#: The liquids of a batch sheet; the currency is added where the sheet is printed.
SHEET = (
    Column("liquid", "-", _TEXT, ("liquid", "")),
    Column("cas", "-", _TEXT, ("CAS", "")),
    Column("mass_g", "g", _FOUR_DIGITS, ("mass", "g")),
    Column("volume_mL", "mL", _FOUR_DIGITS, ("volume", "mL")),
    Column("mass_percent", "%", _FOUR_DIGITS, ("mass", "%")),
    Column("volume_percent", "%", _FOUR_DIGITS, ("volume", "%")),
    Column("price_per_kg", "currency/kg", _NUMBER, ("price", "/kg")),
    Column("cost", "currency", _NUMBER, ("cost", "")),
)

#: The liquids of a stock, with their doses in the product.
DOSES = (
    Column("liquid", "-", _TEXT, ("liquid", "")),
    Column("mg_per_L", "mg/L", _FOUR_DIGITS, ("product", "mg/L"), ("mg/L", "product")),
    Column("mg_per_kg", "mg/kg", _FOUR_DIGITS, ("product", "mg/kg"), ("mg/kg", "product")),
    Column("mass_percent_of_stock", "mass %", _FOUR_DIGITS, ("stock", "mass %"), ("mass %", "stock")),
    Column("volume_percent_of_stock", "% vol", _FOUR_DIGITS, ("stock", "% vol"), ("vol %", "stock")),
)

#: Components of a finished drink, with what dissolves of each.
DRINK_COMPONENTS = (
    Column("name", "-", _TEXT, ("component", "")),
    Column("dose_mg_per_L", "mg/L", _TWO_DIGITS, ("dose", "mg/L")),
    Column("solubility_mg_per_L", "mg/L", _TWO_DIGITS, ("soluble", "mg/L")),
    Column("factor", "-", _TWO_DIGITS, ("factor", "")),
    Column("share_of_limit", "-", _TWO_DIGITS, ("dose/soluble", "")),
    Column("known", "-", _TEXT, ("known by", "")),
)
