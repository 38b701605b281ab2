"""Substances of the user: a csv with the header of ``substances.csv``, all of it sound or none of it read."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from typing import Any

from rdkit import Chem

from hspkit import data, delimited
from hspkit.errors import DataFileError, InputError, MoleculeError
from hspkit.hansen import HSP
from hspkit.molecules import read_molecule
from hspkit.names import check_cas
from hspkit.substances.model import HSP_COLUMNS, PLAUSIBLE, Substance, plausible_number
from hspkit.substances.shipped import PLAIN_VALUES

__all__ = ["read_own"]

#: Most rows of a table of substances: each is estimated, with its uncertainty, on its own.
MAX_ROWS = 2000


def read_own(text: str, file: str) -> dict[str, Substance]:
    """Return the substances of a csv by name; see `Substance.from_csv`.

    Parameters
    ----------
    text : str
        The csv. [-]
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
    rows: list[tuple[int, Mapping[str, Any], HSP | None]] = []
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
        rows.append((number, row, _user_point(points.get(number, {}), where)))
    found = {}
    for number, row, prior in rows:
        try:
            found[row["name"]] = _user_substance(row, prior, file)
        except InputError as error:
            message = f"{file}, row {number}: {error}"
            raise DataFileError(message) from None
    return found


def _split_columns(text: str, file: str) -> tuple[str, dict[int, dict[str, str]]]:
    """Take the Hansen columns, which ``substances.csv`` does not have, out of a user's csv."""
    lines = delimited.csv_rows(text, file)
    if not lines:
        return text, {}
    header = [cell.strip() for cell in lines[0]]
    present = [column for column in HSP_COLUMNS if column in header]
    if not present:
        return text, {}
    if len(present) < 3:
        message = f"{file}: header has {', '.join(present)} alone; give all of {', '.join(HSP_COLUMNS)} or none"
        raise DataFileError(message)
    where = [header.index(column) for column in HSP_COLUMNS]
    points = {}
    kept = []
    for number, cells in enumerate(lines, start=1):
        if len(cells) == len(header):
            points[number] = {c: cells[i].strip() for c, i in zip(HSP_COLUMNS, where, strict=True)}
            cells = [cell for place, cell in enumerate(cells) if place not in where]
        kept.append(cells)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(kept)
    return out.getvalue(), points


def _line_numbers(text: str, file: str) -> list[int]:
    lines = delimited.csv_rows(text, file)
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


def _user_substance(row: Mapping[str, Any], prior: HSP | None, file: str) -> Substance:
    made = Substance(
        name=row["name"],
        smiles=row["smiles"],
        cas=row["cas"] or "",
        synonyms=tuple(s for s in (row["synonyms"] or "").split(";") if s),
        prior=prior,
        volume=row["volume_cm3_mol"],
        density=row["density_g_mL"],
        log_p=row["log_p"],
        melting_celsius=row["melting_C"],
        boiling_celsius=row["boiling_C"],
        flash_celsius=row["flash_C"],
        notes=(row["note"],) if row["note"] else (),
        formula=row["formula"] or "",
        role=row["role"] or "",
        chemical_class=row["class"] or "",
    )
    keys = {quantity: source for quantity, _, source in PLAIN_VALUES}
    values = tuple(
        value._replace(source=row.get(keys.get(value.quantity, "")) or row["source"] or file)
        if value.source == "user"
        else value
        for value in made.values
    )
    object.__setattr__(made, "values", values)
    return made
