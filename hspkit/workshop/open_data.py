"""The open tables from which the calibrated model is fitted; needs the development package ``chemicals``.

Hansen parameters: its tables alshehri, ruben_manuel and schrier, and no other. Liquid densities: its CRC
table of organic compounds. A user of the library never needs this module: the coefficients ship.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit.errors import InputError
from hspkit.frozen import freeze
from hspkit.molecules import Molecule, read_molecules

__all__ = ["Hansen", "Liquids", "hansen_table", "liquid_volumes"]

HANSEN_TABLES = ("alshehri", "ruben_manuel", "schrier")
#: Volume expansivity used to bring densities from 15-20 C to 25 C [1/K]; a mid value for organic liquids,
#: from memory. Over 5 K an error of a third in it moves the volume by 0.15 %.
EXPANSIVITY = 9e-4


class Hansen(NamedTuple):
    """One row per constitution: median over tables, number of tables and spread of their values."""

    molecules: list[Molecule]
    hsp: NDArray[np.float64]
    tables: NDArray[np.int64]
    spread: NDArray[np.float64]


class Liquids(NamedTuple):
    """Molar volumes of liquids at 25 C. [cm3/mol]"""

    molecules: list[Molecule]
    volume: NDArray[np.float64]


def _package() -> Path:
    try:
        import chemicals
    except ImportError:
        message = "the open tables need the development package 'chemicals'; pip install hspkit[dev]"
        raise InputError(message) from None
    return Path(chemicals.__file__).parent


@cache
def structures() -> dict[str, str]:
    """Return SMILES by CAS number from the identifier tables; the first table that has a number wins."""
    found: dict[str, str] = {}
    for name in ("example user db", "pubchem small", "pubchem large"):
        path = _package() / "Identifiers" / f"chemical identifiers {name}.tsv"
        with path.open(encoding="utf-8") as lines:
            for line in lines:
                cells = line.split("\t", 5)
                found.setdefault(cells[1], cells[4])
    return freeze(found)


def _rows(folder: str, name: str) -> list[list[str]]:
    with (_package() / folder / name).open(encoding="utf-8") as lines:
        return [line.rstrip("\n").split("\t") for line in lines][1:]


def hansen_table() -> Hansen:
    """Return the open Hansen parameters, one row per constitution (stereo marks dropped), sorted by
    SMILES."""
    known = structures()
    values: dict[str, list[tuple[str, tuple[float, ...]]]] = {}
    kept: dict[str, Molecule] = {}
    for table in HANSEN_TABLES:
        for cells in _rows("Misc", f"{table}_hansen_solubility_parameters.tsv"):
            smiles = known.get(cells[0])
            if smiles is None or not all(cells[1:4]):
                continue
            (molecule,) = read_molecules([smiles])
            if not isinstance(molecule, Molecule):
                continue
            key = molecule.canonical
            (kept[key],) = (m for m in read_molecules([key]) if isinstance(m, Molecule))
            values.setdefault(key, []).append((table, tuple(float(x) / 1000.0 for x in cells[1:4])))
    keys = sorted(values)
    medians, spreads, counts = [], [], []
    for key in keys:
        per_table = [
            np.median([v for t, v in values[key] if t == table], axis=0)
            for table in HANSEN_TABLES
            if any(t == table for t, _ in values[key])
        ]
        medians.append(np.median(per_table, axis=0))
        spreads.append(np.ptp([v for _, v in values[key]], axis=0))
        counts.append(len(per_table))
    return Hansen([kept[key] for key in keys], np.array(medians), np.array(counts), np.array(spreads))


_GLUED = re.compile(r"(\d+)\.(\d)(\d{0,2})$")


def _density(cell: str) -> tuple[float, float] | None:
    """Return density [g/mL] and temperature [degC] from a cell that has the temperature glued on.

    1036.12 is 1.0361 at 20 (the closing zero is lost), 1036.125 the same at 25, 1036.25 is 1.036 at 25. A
    cell from which no temperature can be told is taken at 20, where most of the table stands.

    Examples
    --------
    >>> _density("1036.12"), _density("891.625"), _density("891.25")
    ((1.0361, 20.0), (0.8916, 25.0), (0.891, 25.0))
    """
    match = _GLUED.match(cell)
    if match is None:
        return None
    whole, tenth, rest = match.groups()
    density = float(f"{whole}.{tenth}") / 1000.0
    if len(rest) == 2:
        return (density, float(rest)) if 0 < float(rest) <= 40 else None
    if rest in ("", "1", "2"):
        return density, 10.0 if rest == "1" else 20.0
    if tenth in "12":
        return float(whole) / 1000.0, float(tenth + rest)
    return density, 20.0


def liquid_volumes() -> Liquids:
    """Return molar volumes at 25 C of what is liquid there, from CRC densities, sorted by SMILES."""
    known = structures()
    volumes: dict[str, list[float]] = {}
    kept: dict[str, Molecule] = {}
    with (_package() / "Misc" / "Physical Constants of Organic Compounds.csv").open(encoding="utf-8") as lines:
        rows = [line.rstrip("\n").split("\t") for line in lines][1:]
    for cas, _, melting, boiling, density, *_ in rows:
        smiles, read = known.get(cas), _density(density)
        if smiles is None or read is None:
            continue
        if (melting and float(melting) > 298.15) or (boiling and float(boiling) < 300.0):
            continue
        (molecule,) = read_molecules([smiles])
        if not isinstance(molecule, Molecule):
            continue
        key = molecule.canonical
        (kept[key],) = (m for m in read_molecules([key]) if isinstance(m, Molecule))
        grams_per_ml, celsius = read
        if not 0.5 < grams_per_ml < 4:
            continue
        at_25 = molecule.molar_mass / grams_per_ml * (1.0 + EXPANSIVITY * (25.0 - celsius))
        volumes.setdefault(key, []).append(at_25)
    keys = sorted(volumes)
    return Liquids([kept[key] for key in keys], np.array([np.median(volumes[key]) for key in keys]))
