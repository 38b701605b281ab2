"""The rows of ``carriers.csv``, and the look-up of a row by name, CAS number or identity."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import Any

from hspkit import data
from hspkit.errors import HspkitError
from hspkit.frozen import freeze
from hspkit.names import NameIndex
from hspkit.substances import listed

__all__ = ["by_cas", "by_identity", "index", "named", "numbers", "rows"]

#: A row of a shipped table: column to value.
Row = Mapping[str, Any]


@cache
def rows() -> Mapping[str, Row]:
    """Return the rows of ``carriers.csv`` by name."""
    return freeze({row["name"]: row for row in data.read_table("carriers.csv").rows})


@cache
def by_identity() -> Mapping[str, str]:
    """Return the name by identity; a carrier without a molecule is its own identity."""
    return freeze({row["substance"] or name: name for name, row in rows().items()})


@cache
def numbers() -> Mapping[str, tuple[str, ...]]:
    """Return all CAS numbers by name."""
    return freeze({name: listed.numbers().get(row["substance"], (row["cas"],)) for name, row in rows().items()})


@cache
def by_cas() -> Mapping[str, str]:
    """Return the name by CAS number."""
    return freeze({number: name for name, all_numbers in numbers().items() for number in all_numbers})


@cache
def index() -> NameIndex:
    """Return the index of the listed carriers: name, synonym, CAS or E number to name."""
    found = []
    for row in rows().values():
        number = f"{row['e_number']}; {row['e_number'][0]} {row['e_number'][1:]}" if row["e_number"] else ""
        found.append({**row, "synonyms": f"{row['synonyms'] or ''}; {number}"})
    return NameIndex(found, what="carrier")


def named(name: str) -> str:
    """Return the listed carrier that a name means; empty when it means none or several."""
    try:
        return index().get(name) or ""
    except HspkitError:
        return ""
