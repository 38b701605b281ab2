"""The shipped evidence as arrays: who, measured how, which value, how sure; read from the tables once."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Set
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import data
from hspkit.bonds import associating_hydroxyls, donates, site_densities
from hspkit.errors import ExtrapolationWarning
from hspkit.estimation import estimate_many
from hspkit.frozen import freeze
from hspkit.substances.shipped import relative_volume_sd

__all__ = ["KINDS", "OCTANOL", "WATER", "Fact", "Liquids", "facts", "liquids"]

Array = NDArray[np.float64]

WATER = "water"
OCTANOL = "1-octanol"
#: Kinds of evidence, in the order in which they are listed.
KINDS = (
    "water solubility",
    "log P",
    "activity",
    "computed activity",
    "excess energy",
    "vaporisation enthalpy",
    "mixing",
)
#: A stated solubility beyond this is a way of writing "miscible" in the compilations. [mg/L]
MISCIBLE_MG_PER_L = 6e5
#: Activities are compared only where the temperature rates hold. [degC]
ACTIVITY_CELSIUS = (0.0, 100.0)


class Fact(NamedTuple):
    """One measured fact about one substance or a pair of them, by row of `liquids`.

    ``value`` is ln(mg/L), log P, ln gamma, G excess/RT, kJ/mol, or 1 (mixes) and 0 (does not). ``sd`` is that of the
    measurement alone (0 when the source gives none); ``detail`` the melting point [degC] for a water solubility, the
    mole fraction for an excess energy.
    """

    kind: str
    a: int
    b: int
    value: float
    sd: float
    celsius: float
    source: str
    detail: float = 25.0


class Liquids(NamedTuple):
    """All shipped substances as arrays: n names, structures, volumes, priors; sites (n, 2), hydroxyls (n,): `bonds`."""

    names: tuple[str, ...]
    smiles: tuple[str, ...]
    published: NDArray[np.bool_]
    prior: Array
    estimate_sd: Array
    volumes: Array
    volume_sd: Array
    molar_masses: Array
    sites: Array
    hydroxyls: NDArray[np.intp]

    def row(self, name: str) -> int:
        """Return the row of a name in ``substances.csv``."""
        return _rows()[name]

    def points(self, hsp: Array) -> Array:
        """Return points (n, 5) of the theory for parameters (n, 3) of all substances."""
        return np.concatenate([hsp, self.sites], axis=1)


@cache
def _rows() -> dict[str, int]:
    return {row["name"]: place for place, row in enumerate(data.read_table("substances.csv").rows)}


@cache
def liquids() -> Liquids:
    """Return the shipped substances with their priors: published where a table has one, else estimated.

    Examples
    --------
    >>> shipped = liquids()
    >>> shipped.prior[shipped.row("triacetin")]
    array([16.5, 4.5, 9.1])
    """
    rows = data.read_table("substances.csv").rows
    published = {row["substance"]: row for row in data.read_table("published_hsp.csv").rows if row["preferred"]}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # the flag is in the standard deviations
        estimated = estimate_many([row["smiles"] for row in rows])
    guess = estimated[["delta_d", "delta_p", "delta_h"]].to_numpy()
    guess_sd = estimated[["sd_d", "sd_p", "sd_h"]].to_numpy()
    known = np.array([row["name"] in published for row in rows])
    prior = np.array(
        [
            [published[row["name"]][key] for key in ("delta_d", "delta_p", "delta_h")] if known[i] else guess[i]
            for i, row in enumerate(rows)
        ],
        dtype=float,
    )
    measured = np.array([row["volume_cm3_mol"] is not None for row in rows])
    volumes = np.array([row["volume_cm3_mol"] or estimated["volume"].iloc[i] for i, row in enumerate(rows)])
    found = Liquids(
        tuple(row["name"] for row in rows),
        tuple(row["smiles"] for row in rows),
        known,
        prior,
        np.nan_to_num(guess_sd, nan=1.0),
        volumes,
        np.where(measured, [relative_volume_sd(row) for row in rows] * volumes, estimated["sd_volume"].to_numpy()),
        np.array([row["molar_mass_g_mol"] for row in rows], dtype=float),
        np.array([site_densities(row["smiles"], volume) for row, volume in zip(rows, volumes, strict=True)]),
        np.array([associating_hydroxyls(row["smiles"]) for row in rows]),
    )
    return freeze(found)


@cache
def facts() -> tuple[Fact, ...]:
    """Return all shipped evidence.

    Examples
    --------
    >>> sorted({fact.kind for fact in facts()}) == sorted(KINDS)
    True
    """
    row = _rows()
    solubilities = list(_solubilities(row))
    soluble = {fact.a for fact in solubilities}
    miscible = {frozenset((fact.a, fact.b)) for fact in solubilities if fact.kind == "mixing"}
    return (
        *solubilities,
        *_partition(row, soluble),
        *_activities(row),
        *_energies(row),
        *_miscible_pairs(row, soluble, miscible),
    )


def _solubilities(row: Mapping[str, int]) -> Iterator[Fact]:
    for line in data.read_table("water_solubility.csv").rows:
        if not line["preferred"] or line["substance"] == WATER:
            continue
        a = row[line["substance"]]
        if line["mg_per_L"] >= MISCIBLE_MG_PER_L:
            yield Fact("mixing", a, row[WATER], 1.0, 0.0, 25.0, line["source"])
            continue
        melting = max(25.0 if line["melting_C"] is None else line["melting_C"], 25.0)
        value = float(np.log(line["mg_per_L"]))
        yield Fact("water solubility", a, row[WATER], value, line["sd_ln"], 25.0, line["source"], melting)


def _partition(row: Mapping[str, int], soluble: Set[int]) -> Iterator[Fact]:
    for line in data.read_table("substances.csv").rows:
        a = row[line["name"]]
        if line["log_p"] is not None and a not in soluble and line["name"] not in (WATER, OCTANOL):
            yield Fact("log P", a, row[WATER], line["log_p"], 0.0, 25.0, line["log_p_source"])


def _energies(row: Mapping[str, int]) -> Iterator[Fact]:
    """Activities that a group method computes, excess energies, and enthalpies of vaporisation."""
    for line in data.read_table("computed_activities.csv").rows:
        a, b, value = row[line["solute"]], row[line["solvent"]], line["ln_gamma_infinite"]
        yield Fact("computed activity", a, b, value, line["sd"], line["celsius"], line["source"])
    for line in data.read_table("excess_energies.csv").rows:
        a, b, value, share = row[line["a"]], row[line["b"]], line["excess_energy_rt"], line["mole_fraction_a"]
        yield Fact("excess energy", a, b, value, line["sd"], line["celsius"], line["source"], share)
    for line in data.read_table("vaporisation_enthalpies.csv").rows:
        if line["preferred"]:
            a = row[line["substance"]]
            yield Fact("vaporisation enthalpy", a, a, line["kJ_per_mol"], 0.0, line["celsius"], line["source"])


def _miscible_pairs(row: Mapping[str, int], soluble: Set[int], miscible: Set[frozenset[int]]) -> Iterator[Fact]:
    for line in data.read_table("miscible_pairs.csv").rows:
        a, b = row[line["a"]], row[line["b"]]
        # What a rule derived from a solubility or an activity that stands in another table is not a second fact.
        repeated = line["derived"] or (line["basis"] == "measured water solubility" and {a, b} & soluble)
        if a != b and frozenset((a, b)) not in miscible and not repeated:
            celsius = 25.0 if line["celsius"] is None else line["celsius"]
            yield Fact("mixing", a, b, float(line["outcome"] == "miscible"), 0.0, celsius, line["source"])


#: Extra standard deviation of ln gamma of an alcohol or acid in a solvent that has no hydrogen to give. [-]
#: Diluted there it leaves its own hydrogen bonds behind, which one exchange energy for all compositions cannot say;
#: measured minus computed is about 1 for the alcohols in triacetin.
DONOR_ALONE_SD = 1.0


def _activities(row: Mapping[str, int]) -> Iterator[Fact]:
    """Median of the measurements of one pair in the room-temperature range, and one at the higher temperatures."""
    groups: dict[tuple[int, int, bool], list[Mapping[str, Any]]] = {}
    for line in data.read_table("activities.csv").rows:
        if ACTIVITY_CELSIUS[0] <= line["celsius"] <= ACTIVITY_CELSIUS[1]:
            key = (row[line["solute"]], row[line["solvent"]], bool(line["celsius"] > 45.0))
            groups.setdefault(key, []).append(line)
    for (a, b, warm), lines in groups.items():
        values = np.array([line["ln_gamma_infinite"] for line in lines])
        celsius = float(np.mean([line["celsius"] for line in lines]))
        # The spread between laboratories stands for what a single value may be off; 0.1 where there is one only.
        spread = float(np.std(values, ddof=1)) / np.sqrt(len(values)) if len(values) > 2 else 0.1
        if warm and (a, b, False) in groups:
            continue
        if donates(liquids().smiles[a]) and not donates(liquids().smiles[b]):
            spread = float(np.hypot(spread, DONOR_ALONE_SD))
        yield Fact("activity", a, b, float(np.median(values)), spread, celsius, lines[0]["source"])
