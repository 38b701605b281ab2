"""Names that are easily confused, what tells them apart and what is at stake: ``look_alikes.csv``."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

from hspkit import data

__all__ = ["LookAlike", "look_alikes"]


class LookAlike(NamedTuple):
    """One name of a group that is easily confused, from ``look_alikes.csv``."""

    group: str
    name: str
    synonyms: tuple[str, ...]
    cas: str
    difference: str
    at_stake: str

    @property
    def poison(self) -> bool:
        """Whether the table says that it is poison."""
        return self.at_stake.startswith("POISON")


@cache
def look_alikes() -> tuple[LookAlike, ...]:
    """Return the names that get confused, with what tells them apart and what is at stake.

    Examples
    --------
    >>> [row.cas for row in look_alikes() if row.name == "diethylene glycol"][0]
    '111-46-6'
    """
    return tuple(
        LookAlike(
            row["group"],
            row["name"],
            tuple((row["synonyms"] or "").split(";")) if row["synonyms"] else (),
            row["cas"],
            row["difference"],
            row["at_stake"],
        )
        for row in data.read_table("look_alikes.csv").rows
    )
