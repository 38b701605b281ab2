"""Substances of the user: a csv with the header of ``substances.csv``, all of it sound or none of it read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from rdkit import Chem

from hspkit import data
from hspkit.checks import fault
from hspkit.errors import DataFileError, InputError, MoleculeError
from hspkit.hansen import HSP
from hspkit.molecules import read_molecule
from hspkit.names import check_cas
from hspkit.substances.quantities import HSP_COLUMNS, PLAIN_VALUES, PLAUSIBLE

__all__ = ["OwnRow", "read_own"]

#: Most rows of a table of substances: each is estimated, with its uncertainty, on its own.
MAX_ROWS = 2000
#: The Hansen columns, which ``substances.csv`` does not have.
_HANSEN = tuple(data.Column("substances.csv", name, "number", "MPa^0.5", False, "", "") for name in HSP_COLUMNS)


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
        The csv. [-]
    file : str
        What to call it in messages. [-]

    Raises
    ------
    DataFileError
        Naming file, row and column.
    """
    optional = [column.column for column in data.columns("substances.csv") if column.column not in ("name", "smiles")]
    table = data.parse_table(text, "substances.csv", name=file, optional=optional, more=_HANSEN)
    if len(table.rows) > MAX_ROWS:
        problem = (
            f"{len(table.rows)} substances, at most {MAX_ROWS} are taken; split the table, or give its column of "
            "structures to estimate_many"
        )
        raise fault(file, problem, DataFileError)
    present = [column for column in HSP_COLUMNS if column in table.header]
    if 0 < len(present) < 3:
        problem = f"header has {', '.join(present)} alone; give all of {', '.join(HSP_COLUMNS)} or none"
        raise fault(file, problem, DataFileError)
    names: dict[str, int] = {}
    structures: dict[str, int] = {}
    for line, row in zip(table.lines, table.rows, strict=True):
        problem = _problem(row, line, names, structures)
        if problem:
            where = f"{file}, row {line}"
            raise fault(where, problem, DataFileError)
    return [_own_row(line, row, file) for line, row in zip(table.lines, table.rows, strict=True)]


def _problem(row: Mapping[str, Any], line: int, names: dict[str, int], structures: dict[str, int]) -> str:
    """Return what is wrong with a row, a name or structure of an earlier row among it; empty when nothing is."""
    first = names.setdefault(row["name"].strip().casefold(), line)
    if first != line:
        return f"column 'name' repeats {row['name']!r} of row {first}; names must be unique"
    try:
        molecule = read_molecule(row["smiles"])
    except MoleculeError as error:
        return f"column 'smiles': {error}"
    first = structures.setdefault(Chem.MolToSmiles(molecule.graph), line)
    if first != line:
        return f"column 'smiles' repeats the structure of row {first}"
    try:
        if row["cas"]:
            check_cas(row["cas"])
    except InputError as error:
        return f"column 'cas': {error}"
    for column in (*data.columns("substances.csv"), *_HANSEN):
        value, (low, high) = row[column.column], PLAUSIBLE.get(column.column, (-np.inf, np.inf))
        if column.type == "number" and value is not None and not low <= value <= high:
            return f"column {column.column!r} is {value:g}; expected {low:g} to {high:g} in {column.unit}"
    empty = [column for column in HSP_COLUMNS if row[column] is None]
    if 0 < len(empty) < 3:
        return f"column {empty[0]!r} is empty; give all of {', '.join(HSP_COLUMNS)} or none"
    mass = row["molar_mass_g_mol"]
    if mass is not None and abs(mass - molecule.molar_mass) > 0.005 * molecule.molar_mass:
        return (
            f"column 'molar_mass_g_mol' is {mass:g}, but the structure in column 'smiles' has "
            f"{molecule.molar_mass:.2f} g/mol; correct one of them"
        )
    return ""


def _own_row(number: int, row: Mapping[str, Any], file: str) -> OwnRow:
    fields = {
        "name": row["name"],
        "smiles": row["smiles"],
        "cas": row["cas"] or "",
        "synonyms": tuple(s for s in (row["synonyms"] or "").split(";") if s),
        "prior": None if row["delta_d"] is None else HSP(*(row[column] for column in HSP_COLUMNS)),
        "notes": (row["note"],) if row["note"] else (),
        "formula": row["formula"] or "",
        "role": row["role"] or "",
        "chemical_class": row["class"] or "",
    }
    fields |= {quantity: row[column] for quantity, column, _ in PLAIN_VALUES if quantity != "molar_mass"}
    sources = {quantity: row[source] for quantity, _, source in PLAIN_VALUES if row.get(source)}
    return OwnRow(number, fields, sources, row["source"] or file)
