"""The essential oils that ship: their names and synonyms, profiles and physical data."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

from hspkit import data
from hspkit.errors import UnknownNameError
from hspkit.names import normal_form
from hspkit.oils.composition import Oil
from hspkit.oils.reading import find_substance

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["oils", "shipped_name", "shipped_names", "shipped_oil"]

#: Coldest temperature at which a stated density says that an oil is a liquid for good [degC]; judgement, no source.
#: At the second one every oil that ships is sold and measured out as a liquid; common practice, no source.
ROOM, WARM_ROOM = 20.0, 25.0
#: Words that say nothing about which oil is meant.
_FILLERS = frozenset({"oil", "essential", "of", "type", "the", "and", "or"})
_PHYSICAL = ("celsius", "density_min", "density_max", "refractive_index_min", "refractive_index_max", "flash_point")


@cache
def _names() -> dict[str, Mapping[str, Any]]:
    return {row["oil"]: row for row in data.read_table("oil_names.csv").rows}


def shipped_names() -> tuple[str, ...]:
    """Return the names of the oils that ship.

    Examples
    --------
    >>> "clove, bud" in shipped_names()
    True
    """
    return tuple(_names())


@cache
def _profiles() -> dict[str, list[Mapping[str, Any]]]:
    profiles: dict[str, list[Mapping[str, Any]]] = {name: [] for name in _names()}
    for row in data.read_table("oils.csv").rows:
        if row["used"]:
            profiles[row["oil"]].append(row)
    return profiles


@lru_cache(maxsize=4096)
def _words(text: str) -> frozenset[str]:
    """Return the words of a name, whatever their order: "oil of clove buds" is "clove, bud"."""
    plain = normal_form(text).replace("expressed", "cold pressed").replace("coldpressed", "cold pressed")
    words = (word.removesuffix("s") if len(word) > 3 else word for word in plain.split())
    return frozenset(words) - _FILLERS


@cache
def _index() -> dict[frozenset[str], str]:
    index: dict[frozenset[str], str] = {}
    for name, row in _names().items():
        for synonym in (name, *(row["synonyms"] or "").split(";")):
            if synonym.strip():
                index.setdefault(_words(synonym), name)
    return index


@lru_cache(maxsize=4096)
def shipped_name(name: str) -> str | None:
    """Return the name of the shipped oil that a name or synonym means; None when it means none.

    Parameters
    ----------
    name : str
        A name, whatever the order of its words. [-]

    Raises
    ------
    UnknownNameError
        When it means several.

    Examples
    --------
    >>> shipped_name("oil of clove buds"), shipped_name("linalool")
    ('clove, bud', None)
    """
    words = _words(name)
    if not words:
        return None
    exact = _index().get(words)
    if exact:
        return exact
    plants = {shipped: _words(shipped.split(",")[0]) for shipped in _names()}
    choices = [shipped for shipped, plant in plants.items() if plant == words] or [
        shipped for shipped, plant in plants.items() if words <= _words(shipped) and words & plant
    ]
    if len(choices) > 1:
        message = f"{name!r} can mean {'; '.join(map(repr, choices))}: name the process or the part"
        raise UnknownNameError(message)
    return choices[0] if choices else None


@cache
def _liquid_celsius() -> dict[str, float]:
    """Return for each oil the lowest temperature at which its density is stated: it was a liquid there.

    `WARM_ROOM` where none is. Not those below `ROOM`: anise and peppermint oils, say, stay liquid at 15 C for a while
    and freeze on a longer look.
    """
    lowest = dict.fromkeys(_names(), WARM_ROOM)
    for row in data.read_table("oil_physical.csv").rows:
        if row["density_min"] is not None and row["celsius"] is not None and row["celsius"] >= ROOM:
            lowest[row["oil"]] = min(lowest[row["oil"]], float(row["celsius"]))
    return lowest


@cache
def shipped_oil(name: str) -> Oil:
    """Return the shipped oil of exactly this name.

    Parameters
    ----------
    name : str
        One of `shipped_names`. [-]

    Examples
    --------
    >>> shipped_oil("clove, bud")
    Oil('clove, bud', 5 components, 98.9 % covered)
    """
    rows = [(row, find_substance(row["cas"] or "")[0]) for row in _profiles()[name]]
    known = [(row, member) for row, member in rows if member is not None]
    return Oil(
        name,
        tuple(row["component"] for row, _ in known),
        tuple(member for _, member in known),
        tuple(row["typical_pct"] for row, _ in known),
        tuple((row["component"], row["typical_pct"]) for row, member in rows if member is None),
        tuple((row["min_pct"], row["max_pct"]) for row, _ in known),
        caution=_names()[name]["caution"] or "",
        sources=tuple(dict.fromkeys(row["source"] for row, _ in rows)),
        liquid_celsius=_liquid_celsius()[name],
    )


def oils() -> pd.DataFrame:
    """Return what ships: one row per oil.

    Returns
    -------
    pandas.DataFrame
        oil, botanical_name, synonyms, components (number), covered_percent, uncovered_percent,
        density_min and density_max relative to water at celsius, refractive_index_min, refractive_index_max,
        flash_point [degC], flammable, skin_sensitising, phototoxic, caution, sources.

    Examples
    --------
    >>> len(oils()) >= 40
    True
    """
    import pandas as pd

    physical = {row["oil"]: row for row in data.read_table("oil_physical.csv").rows if row["used"]}
    table = []
    for name, row in _names().items():
        profile = _profiles()[name]
        shares = [part["typical_pct"] for part in profile if part["cas"]]
        table.append(
            {
                "oil": name,
                "botanical_name": row["botanical_name"],
                "synonyms": row["synonyms"],
                "components": len(shares),
                "covered_percent": sum(shares),
                "uncovered_percent": max(0.0, 100.0 - sum(shares)),
                **{column: physical.get(name, {}).get(column) for column in _PHYSICAL},
                **{column: row[column] for column in ("flammable", "skin_sensitising", "phototoxic", "caution")},
                "sources": "; ".join(dict.fromkeys(part["source"] for part in profile)),
            }
        )
    return pd.DataFrame(table)
