"""Substances of the user: a csv with the header of ``substances.csv``, all of it sound or none of it read."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any, NamedTuple

from rdkit import Chem

from hspkit import data
from hspkit.cells import decimal_signs, is_grouped, read_number
from hspkit.errors import DataFileError, InputError, MoleculeError
from hspkit.hansen import HSP
from hspkit.molecules import read_molecule
from hspkit.names import check_cas
from hspkit.substances.quantities import HSP_COLUMNS, PLAIN_VALUES, PLAUSIBLE, plausible_number

__all__ = ["OwnRow", "read_own"]

#: Most rows of a table of substances: each is estimated, with its uncertainty, on its own.
MAX_ROWS = 2000


class OwnRow(NamedTuple):
    """A row of a user's csv: its number, the arguments of `Substance`, source by quantity, source of all others."""

    number: int
    fields: dict[str, Any]
    sources: dict[str, str]
    source: str


def read_own(text: str, file: str) -> list[OwnRow]:
    """Return the rows of a csv of substances; see `Substance.from_csv`.

    Parameters
    ----------
    text : str
        The csv, with commas, semicolons or tabs between cells. [-]
    file : str
        What to call it in messages. [-]

    Raises
    ------
    DataFileError
        Naming file, row and column.
    """
    own, points = _split_columns(text, file)
    numbers = _line_numbers(own, file)
    if len(numbers) > MAX_ROWS:
        message = (
            f"{file}: {len(numbers)} substances, at most {MAX_ROWS} are taken; split the table, or give its column "
            "of structures to estimate_many"
        )
        raise DataFileError(message)
    layout = [column.column for column in data.columns("substances.csv")]
    optional = [column for column in layout if column not in ("name", "smiles")]
    table = data.parse_table(own, "substances.csv", name=file, optional=optional)
    rows = []
    seen: dict[str, int] = {}
    structures: dict[str, int] = {}
    for number, row in zip(numbers, table.rows, strict=True):
        where = f"{file}, row {number}"
        form = row["name"].strip().casefold()
        if form in seen:
            message = f"{where}: column 'name' repeats {row['name']!r} of row {seen[form]}; names must be unique"
            raise DataFileError(message)
        seen[form] = number
        try:
            canonical = read_molecule(row["smiles"])
        except MoleculeError as error:
            message = f"{where}: column 'smiles': {error}"
            raise DataFileError(message) from None
        key = Chem.MolToSmiles(canonical.graph)
        if key in structures:
            message = f"{where}: column 'smiles' repeats the structure of row {structures[key]}"
            raise DataFileError(message)
        structures[key] = number
        _check_user_row(row, canonical.molar_mass, where)
        rows.append(_own_row(number, row, _user_point(points.get(number, {}), where), file))
    return rows


def _separator(text: str) -> str:
    """Return what separates the columns in the header, where most names of columns come apart."""
    header = next((line for line in text.removeprefix("\ufeff").splitlines() if line.strip()), "")
    known = {column.column for column in data.columns("substances.csv")} | set(HSP_COLUMNS)

    def named(mark: str) -> int:
        return sum(cell.strip(' "') in known for cell in header.split(mark))

    return max(",;\t", key=named)  # of a tie, the comma


def _decimal_points(lines: list[list[str]], file: str) -> list[list[str]]:
    """Return rows with the numbers of columns of numbers written with a point; other cells stay."""
    numeric = {column.column for column in data.columns("substances.csv") if column.type == "number"} | set(HSP_COLUMNS)
    header = [cell.strip() for cell in lines[0]]
    places = [place for place, column in enumerate(header) if column in numeric]
    signs = decimal_signs(cells[place] for cells in lines[1:] for place in places if place < len(cells))
    found = [lines[0]]
    for number, cells in enumerate(lines[1:], start=2):
        changed = list(cells)
        for place in places:
            if place < len(cells) and ("," in cells[place] or is_grouped(cells[place])):
                try:
                    changed[place] = f"{read_number(cells[place], header[place], signs):.15g}"
                except InputError as error:
                    message = f"{file}, row {number}: column {header[place]!r}: {error}"
                    raise DataFileError(message) from None
        found.append(changed)
    return found


def _split_columns(text: str, file: str) -> tuple[str, dict[int, dict[str, str]]]:
    """Return a user's csv with commas and without the Hansen columns, which are not of the table; and those by row."""
    separator = _separator(text)
    lines = data.csv_rows(text, file, separator=separator)
    if not lines:
        return text, {}
    if separator != ",":
        lines = _decimal_points(lines, file)
    header = [cell.strip() for cell in lines[0]]
    present = [column for column in HSP_COLUMNS if column in header]
    if not present and separator == ",":
        return text, {}
    if 0 < len(present) < 3:
        message = f"{file}: header has {', '.join(present)} alone; give all of {', '.join(HSP_COLUMNS)} or none"
        raise DataFileError(message)
    where = [header.index(column) for column in present]
    points = {}
    kept = []
    for number, cells in enumerate(lines, start=1):
        if present and len(cells) == len(header):
            points[number] = {c: cells[i].strip() for c, i in zip(HSP_COLUMNS, where, strict=True)}
            cells = [cell for place, cell in enumerate(cells) if place not in where]
        kept.append(cells)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(kept)
    return out.getvalue(), points


def _line_numbers(text: str, file: str) -> list[int]:
    lines = data.csv_rows(text, file)
    return [number for number, cells in enumerate(lines[1:], start=2) if any(cell.strip() for cell in cells)]


def _user_point(cells: Mapping[str, str], where: str) -> HSP | None:
    if not any(cells.values()):
        return None
    numbers = []
    for column in HSP_COLUMNS:
        try:
            numbers.append(plausible_number(cells[column], column, column))
        except InputError as error:
            message = f"{where}: column {column!r}: {error}"
            raise DataFileError(message) from None
    return HSP(*numbers)


def _check_user_row(row: Mapping[str, Any], molar_mass: float, where: str) -> None:
    if row["cas"]:
        try:
            check_cas(row["cas"])
        except InputError as error:
            message = f"{where}: column 'cas': {error}"
            raise DataFileError(message) from None
    for column in ("density_g_mL", "volume_cm3_mol", "melting_C", "boiling_C", "flash_C", "log_p"):
        value = row[column]
        low, high = PLAUSIBLE[column]
        if value is not None and not low <= value <= high:
            unit = next(c.unit for c in data.columns("substances.csv") if c.column == column)
            message = f"{where}: column {column!r} holds {value:g}; expected {low:g} to {high:g} in {unit}"
            raise DataFileError(message)
    given = row["molar_mass_g_mol"]
    if given is not None and abs(given - molar_mass) > 0.005 * molar_mass:
        message = (
            f"{where}: column 'molar_mass_g_mol' holds {given:g}, but the structure in column 'smiles' "
            f"has {molar_mass:.2f} g/mol; correct one of them"
        )
        raise DataFileError(message)


def _own_row(number: int, row: Mapping[str, Any], prior: HSP | None, file: str) -> OwnRow:
    fields = {
        "name": row["name"],
        "smiles": row["smiles"],
        "cas": row["cas"] or "",
        "synonyms": tuple(s for s in (row["synonyms"] or "").split(";") if s),
        "prior": prior,
        "notes": (row["note"],) if row["note"] else (),
        "formula": row["formula"] or "",
        "role": row["role"] or "",
        "chemical_class": row["class"] or "",
    }
    fields |= {quantity: row[column] for quantity, column, _ in PLAIN_VALUES if quantity != "molar_mass"}
    sources = {quantity: row[source] for quantity, _, source in PLAIN_VALUES if row.get(source)}
    return OwnRow(number, fields, sources, row["source"] or file)
