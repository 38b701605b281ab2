"""Columns of a log: what a heading says, its unit among it, and how its cells are read.

The words of headings are common practice; there is no source to quote.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Sequence
from typing import NamedTuple

from hspkit.delimited import MADE_A_DATE, is_date, read_number
from hspkit.errors import DataFileError, InputError

__all__ = [
    "COLUMNS",
    "MEASURES",
    "NUMBERS",
    "Column",
    "may_be_fahrenheit",
    "number_texts",
    "read_celsius",
    "read_header",
    "read_ratio",
    "written_celsius",
]

#: Columns of a new log, in this order.
COLUMNS = (
    "date",
    "oil",
    "carrier",
    "oil_parts",
    "carrier_parts",
    "water_parts",
    "celsius",
    "outcome",
    "note",
)
NUMBERS = ("oil_parts", "carrier_parts", "water_parts", "celsius")
_NEEDED = ("carrier", "outcome")
_TEXTS = {
    "carrier or blend": "carrier",
    "blend": "carrier",
    "result": "outcome",
    "notes": "note",
    "remark": "note",
    "comment": "note",
} | {name: name for name in COLUMNS if name not in NUMBERS}

_FILL = frozenset({"of", "in", "by", "the", "to"})
_LIQUIDS = ("oil", "carrier", "water")
_PARTS, _RATIO = frozenset({"part", "parts"}), frozenset({"ratio", "mix", "mixing"})
#: Units of volume that parts may be measured in.
MEASURES = frozenset({"ml", "l", "μl", "ul", "cl", "dl"})
_VOLUME = frozenset({"v", "vol", "volume", "volumes"}) | MEASURES
_MASS_UNITS = frozenset({"g", "mg", "kg"})
_MASS = frozenset({"m", "w", "wt", "mass", "weight"}) | _MASS_UNITS
#: Words of headings that say how much was mixed; a column with one of them must be understood.
_AMOUNT = frozenset({
    "ratio", "ratios", "part", "parts", "dilution", "dilutions", "dilute", "diluted", "percent", "percentage", "pct",
    "%", "dose", "dosage", "dosing", "share", "shares", "fraction", "fractions", "concentration", "conc", "amount",
    "amounts", "quantity", "volume", "volumes", "vol", "mass", "weight", "wt", "ppm", "loading", "water", "aqueous",
    "verhältnis", "mischungsverhältnis", "teil", "teile", "anteil", "verdünnung", "menge", "wasser", "volumen", "masse",
    "gewicht", "prozent",
})  # fmt: skip
_TEMPERATURE = frozenset({"temperature", "temp", "temperatur"})
_DEGREES = {"c": "C", "celsius": "C", "f": "F", "fahrenheit": "F", "k": "K", "kelvin": "K"}
_SPELT = frozenset({"celsius", "fahrenheit", "kelvin"})
_WARM = re.compile(
    r"(?P<number>[-+\d.,\s\N{MINUS SIGN}]+?)\s*(?:°|deg(?:rees?)?\.?)?\s*"
    r"(?P<unit>celsius|fahrenheit|kelvin|[cfk])?",
    re.IGNORECASE,
)
#: Without a unit a number above this is no temperature in Celsius of a mixture that boils at about 100 C [degC].
HOTTEST = 100.0
#: Rooms in which one works have 15 to 35 C (common practice): numbers without a unit that all lie here may be
#: Fahrenheit [degF].
ROOM_FAHRENHEIT = (59.0, 95.0)


class Column(NamedTuple):
    """A column of a log.

    Attributes
    ----------
    heading : str
        As the file has it. [-]
    name : str
        One of `COLUMNS` or "ratio"; empty when the column is not read. [-]
    unit : str
        "C", "F", "K" or empty for a temperature; "ml" and the like, or empty for parts; the order of a ratio,
        "oil:carrier" or "carrier:oil". [-]
    """

    heading: str
    name: str
    unit: str = ""


# --- headings ---


def _tokens(text: str) -> list[str]:
    plain = unicodedata.normalize("NFKC", text.replace("º", "°")).casefold().replace("_", " ")
    return re.findall(r"%|\d+|[^\W\d_]+", re.sub(r"°|\bdeg(?:rees?)?\b\.?|\bdeg(?=[cfk]\b)", " ", plain))


def _read_heading(heading: str) -> Column:
    """Return what a heading says; an error when it says how much was mixed and in a way that is not understood."""
    tokens = [token for token in _tokens(heading) if token not in _FILL]
    words = set(tokens)
    units = {_DEGREES[word] for word in words if word in _DEGREES}
    if words <= _TEMPERATURE | _DEGREES.keys() | {"t"} and len(units) <= 1:
        has_unit = bool(units) and ("t" in words or "°" in unicodedata.normalize("NFKC", heading.replace("º", "°")))
        if words & (_TEMPERATURE | _SPELT) or has_unit:
            return Column(heading, "celsius", "".join(units))
    liquids = [token for token in tokens if token in _LIQUIDS]
    rest = words - set(_LIQUIDS)
    known = rest <= _PARTS | _VOLUME | _MASS | _RATIO
    if known and liquids in ([], ["oil", "carrier"], ["carrier", "oil"]) and ("ratio" in rest or liquids):
        _refuse_mass(heading, rest)
        return Column(heading, "ratio", ":".join(liquids or ["oil", "carrier"]))
    if known and len(liquids) == 1 and not rest & _RATIO and (rest or liquids == ["water"]):
        _refuse_mass(heading, rest)
        if len(rest & MEASURES) <= 1:
            return Column(heading, f"{liquids[0]}_parts", "".join(rest & MEASURES))
    outside = _tokens(re.sub(r"[\[(].*", "", heading))
    name = _TEXTS.get(" ".join(token for token in outside if not token.isdigit()), "")
    if name in ("date", "outcome", "note"):
        return Column(heading, name)
    alone = tokens[-1:] and tokens[-1] in MEASURES | _MASS_UNITS and not set(tokens[-2:-1]) & (_MASS_UNITS | MEASURES)
    if words & _AMOUNT or (alone and len(tokens) > 1):
        message = (
            f"column {heading!r} says how much was mixed and is not understood; give ratio (oil:carrier, as 1:10) or "
            "oil_parts, carrier_parts and water_parts by volume, and call what is neither by another name"
        )
        raise InputError(message)
    return Column(heading, name)


def _refuse_mass(heading: str, words: set[str]) -> None:
    if words & _MASS:
        message = (
            f"column {heading!r} is by mass, and trials are by volume; divide each mass by the density of its liquid "
            "and give oil_parts and carrier_parts"
        )
        raise InputError(message)


def read_header(header: Sequence[str], file: str) -> tuple[Column, ...]:
    """Return the columns of a log.

    Parameters
    ----------
    header : sequence of str
        The headings. [-]
    file : str
        Name of the file, for messages. [-]

    Raises
    ------
    DataFileError
        When there is no carrier or no outcome, a column stands twice, amounts are by mass or in different units, or a
        heading says how much was mixed, or how warm it was, in a way that is not understood.

    Examples
    --------
    >>> header = ["carrier", "T / °C", "ratio", "result", "by whom"]
    >>> [(column.name, column.unit) for column in read_header(header, "bench.csv")]
    [('carrier', ''), ('celsius', 'C'), ('ratio', 'oil:carrier'), ('outcome', ''), ('', '')]
    """
    columns, faults = [], []
    for heading in header:
        try:
            columns.append(_read_heading(heading.strip()))
        except InputError as error:
            faults.append(str(error))
    names = [column.name for column in columns]
    lacking = [name for name in _NEEDED if name not in names]
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if lacking and not faults:
        faults.append(f"the header lacks {', '.join(lacking)}; expected {','.join(COLUMNS)}")
    elif twice:
        faults.append(f"the header has {', '.join(twice)} twice; expected {','.join(COLUMNS)}")
    if "celsius" not in names:
        faults += [
            f"column {column.heading!r} may be a temperature and is not understood; call it celsius, temperature (F) "
            "or temperature (K), or by another name"
            for column in columns
            if not column.name
            and (set(_tokens(column.heading)) & (_TEMPERATURE | _SPELT) or _tokens(column.heading) == ["t"])
        ]
    amounts = [column for column in columns if column.name in ("oil_parts", "carrier_parts", "water_parts")]
    amounts += [
        Column(column.heading, column.name) for column in columns if column.name == "ratio" and "oil_parts" not in names
    ]
    if len({column.unit for column in amounts}) > 1:
        shown = ", ".join(repr(column.heading) for column in amounts)
        faults.append(f"columns {shown} are in different units; give oil, carrier and water in the same")
    if faults:
        raise DataFileError(f"{file}: " + "; ".join(faults))
    return tuple(columns)


# --- cells ---


def _split_degrees(cell: str) -> tuple[str, str]:
    match = _WARM.fullmatch(unicodedata.normalize("NFKC", cell.replace("º", "°")).strip())
    return (match["number"], _DEGREES[match["unit"].lower()] if match["unit"] else "") if match else (cell, "")


def number_texts(column: Column, cell: str) -> list[str]:
    """Return what stands for numbers in a cell: its one or two numbers without units.

    Parameters
    ----------
    column : Column
        The column. [-]
    cell : str
        The cell. [-]

    Examples
    --------
    >>> number_texts(Column("ratio", "ratio"), "1 : 2,5"), number_texts(Column("temp", "celsius"), "77,5 F")
    (['1', '2,5'], ['77,5'])
    """
    if column.name == "ratio":
        return [text.strip() for text in re.split(r"[:/]", cell)]
    return [_split_degrees(cell)[0] if column.name == "celsius" else cell.strip()] if column.name in NUMBERS else []


def read_ratio(cell: str, column: Column, signs: Collection[str]) -> tuple[float, float]:
    """Return the parts of oil and of carrier that a cell such as 1:10 gives.

    Parameters
    ----------
    cell : str
        Two numbers with a colon or a slash between them. [-]
    column : Column
        The column, whose unit is the order. [-]
    signs : collection of str
        Decimal signs of the file, as in `hspkit.delimited.read_number`. [-]

    Raises
    ------
    InputError
        For anything else, such as "1 in 10", which may be one part of oil in nine or in ten of carrier.

    Examples
    --------
    >>> read_ratio("1 : 10", Column("ratio", "ratio", "oil:carrier"), {"."})
    (1.0, 10.0)
    """
    if is_date(cell):
        message = f"ratio is {cell!r}: {MADE_A_DATE}"
        raise InputError(message)
    texts = number_texts(column, cell)
    if len(texts) != 2:
        message = f"ratio is {cell!r}; expected {column.unit} as two numbers, such as 1:10"
        raise InputError(message)
    first, second = (read_number(text, f"ratio is {cell!r}, and a part of it", signs) for text in texts)
    return (first, second) if column.unit == "oil:carrier" else (second, first)


def read_celsius(cell: str, column: Column, signs: Collection[str], *, doubtful: bool = False) -> float:
    """Return the temperature of a cell. [degC]

    Kelvin are degC + 273.15 and degrees Fahrenheit 1.8 degC + 32, both by definition.

    Parameters
    ----------
    cell : str
        A number, a unit behind it or not. [-]
    column : Column
        The column, whose unit is that of the heading. [-]
    signs : collection of str
        Decimal signs of the file, as in `hspkit.delimited.read_number`. [-]
    doubtful : bool
        Whether numbers without a unit may be degrees Fahrenheit, as `may_be_fahrenheit` tells. [-]

    Raises
    ------
    InputError
        When the cell is no number, its unit contradicts the heading, or there is no unit and it may be no Celsius.

    Examples
    --------
    >>> warm = Column("temperature (F)", "celsius", "F")
    >>> read_celsius("77", warm, {"."}), read_celsius("298.15 K", Column("temp", "celsius"), {"."})
    (25.0, 25.0)
    """
    text, unit = _split_degrees(cell)
    value = read_number(text, "celsius", signs)
    if unit and column.unit and unit != column.unit:
        message = f"celsius is {cell!r} in a column of {column.unit}, {column.heading!r}; write all of it in one unit"
        raise InputError(message)
    unit = unit or column.unit
    if not unit and (value > HOTTEST or doubtful):
        other = "kelvin or degrees Fahrenheit" if value > HOTTEST else "degrees Fahrenheit"
        message = (
            f"celsius is {cell!r} without a unit and may be {other}; write the unit into the heading, as temperature "
            "(C), or behind the number"
        )
        raise InputError(message)
    # rounded, because 298.15 - 273.15 need not be 25 in binary
    return {"F": round((value - 32.0) / 1.8, 9), "K": round(value - 273.15, 9)}.get(unit, value)


def may_be_fahrenheit(column: Column, cells: Sequence[str], signs: Collection[str]) -> bool:
    """Tell whether the numbers of a column without a unit may all be the Fahrenheit of a room.

    Parameters
    ----------
    column : Column
        The column. [-]
    cells : sequence of str
        Its cells; those with a unit of their own do not count. [-]
    signs : collection of str
        Decimal signs of the file. [-]

    Examples
    --------
    >>> warm = Column("temperature", "celsius")
    >>> may_be_fahrenheit(warm, ["70", "77"], {"."}), may_be_fahrenheit(warm, ["25", "77"], {"."})
    (True, False)
    """
    values = []
    for text, unit in map(_split_degrees, cells):
        if text.strip() and not unit:
            try:
                values.append(read_number(text, "celsius", signs))
            except InputError:
                continue
    low, high = ROOM_FAHRENHEIT
    return not column.unit and bool(values) and all(low <= value <= high for value in values)


def written_celsius(celsius: float, column: Column) -> tuple[float, str]:
    """Return a temperature as a column has it, and what to write behind the number.

    Parameters
    ----------
    celsius : float
        Temperature. [degC]
    column : Column
        The column. [-]

    Examples
    --------
    >>> written_celsius(25.0, Column("T / K", "celsius", "K")), written_celsius(25.0, Column("temp", "celsius"))
    ((298.15, ''), (25.0, ' C'))
    """
    value = {"F": round(1.8 * celsius + 32.0, 9), "K": round(celsius + 273.15, 9)}.get(column.unit, celsius)
    return value, "" if column.unit else " C"
