"""The shipped evidence as arrays: who, measured how, which value, how sure; read from the tables once."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import data
from hspkit.bonds import hydroxyls, shipped_numbers, sites_of
from hspkit.calibration import Calibration
from hspkit.errors import ExtrapolationWarning
from hspkit.estimation import estimate_many
from hspkit.frozen import freeze
from hspkit.phases.association import Sites

__all__ = ["KINDS", "WATER", "Fact", "Liquids", "facts", "liquids", "prior_sd"]

Array = NDArray[np.float64]

WATER = "water"
#: Kinds of evidence, in the order in which they are listed.
KINDS = (
    "water solubility",
    "liquid solubility",
    "transfer",
    "log P",
    "activity",
    "computed activity",
    "excess energy",
    "vaporisation enthalpy",
    "consolute temperature",
    "mixing",
)
#: A stated solubility beyond this is a way of writing "miscible" in the compilations. [mg/L]
MISCIBLE_MG_PER_L = 6e5
#: Activities are compared only where the temperature rates hold. [degC]
ACTIVITY_CELSIUS = (0.0, 100.0)


class Fact(NamedTuple):
    """One measured fact about one substance or a pair of them, by row of `liquids`.

    ``value`` is ln(mg/L), ln of a volume fraction (liquid solubility), log P or log10 of a transfer, ln gamma, G
    excess/RT, kJ/mol, the index at a consolute temperature (1), or 1 (mixes) and 0 (does not). ``sd`` is that of the
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
    """Liquids as arrays of n: names, structures, volumes [cm3/mol], molar masses [g/mol]; priors (n, 3) [MPa^0.5].

    ``published`` says whose prior is a published one; ``estimate_sd`` (n, 3) is that of the others; ``site_numbers``
    those of the table of hydrogen-bond sites.
    """

    names: tuple[str, ...]
    smiles: tuple[str, ...]
    volumes: Array
    volume_sd: Array
    molar_masses: Array
    prior: Array
    published: NDArray[np.bool_]
    estimate_sd: Array
    site_numbers: Array

    def row(self, name: str) -> int:
        """Return the row of a name."""
        return self.names.index(name)

    def sites(self, rows: list[int]) -> Sites:
        """Return the hydrogen-bond sites of some of them."""
        return sites_of([self.smiles[row] for row in rows], self.site_numbers)


#: Relative standard deviation of a molar volume by the kind of its source; judgement, no source.
_VOLUME_SD = {"read": 0.005, "computed": 0.005, "memory": 0.02}


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
    return freeze(
        Liquids(
            tuple(row["name"] for row in rows),
            tuple(row["smiles"] for row in rows),
            volumes,
            np.where(measured, [_relative_sd(row) for row in rows] * volumes, estimated["sd_volume"].to_numpy()),
            np.array([row["molar_mass_g_mol"] for row in rows], dtype=float),
            prior,
            known,
            np.nan_to_num(guess_sd, nan=1.0),
            shipped_numbers(),
        )
    )


def prior_sd(shipped: Liquids, constants: Calibration) -> Array:
    """Return the standard deviations of priors, shape (n, 3). [MPa^0.5]

    Parameters
    ----------
    shipped : Liquids
        The liquids. [-]
    constants : Calibration
        The constants. [-]
    """
    published = np.array([constants.published_sd_d, constants.published_sd_p, constants.published_sd_h])
    sd = np.where(shipped.published[:, None], published, constants.estimate_sd_scale * shipped.estimate_sd)
    polyols = np.array([hydroxyls(smiles) > 1 for smiles in shipped.smiles])
    sd[polyols, 1] *= constants.polyol_sd_scale
    sd[shipped.row(WATER)] = constants.water_sd_scale * published
    return sd


def _relative_sd(row: Mapping[str, Any]) -> float:
    if row["structure"] == "representative":
        return 0.05  # one molecule stands for a mixture
    kind = data.sources().get(row["density_source"] or "", {}).get("kind", "memory")
    return _VOLUME_SD.get(kind, 0.02)


@cache
def facts() -> tuple[Fact, ...]:
    """Return all shipped evidence.

    Examples
    --------
    >>> sorted({fact.kind for fact in facts()}) == sorted(KINDS)
    True
    """
    row = _rows()
    solubilities = _water_solubilities(row)
    soluble = {fact.a for fact in solubilities}
    found = [*solubilities, *_partitions(row, soluble), *_activities(row), *_of_pairs(row)]
    for line in data.read_table("vaporisation_enthalpies.csv").rows:
        if line["preferred"]:
            a = row[line["substance"]]
            found.append(Fact("vaporisation enthalpy", a, a, line["kJ_per_mol"], 0.0, line["celsius"], line["source"]))
    found += _miscible(row, soluble, {(fact.a, fact.b) for fact in found if fact.kind == "mixing"})
    return tuple(found)


def _water_solubilities(row: Mapping[str, int]) -> list[Fact]:
    water, found = row[WATER], []
    for line in data.read_table("water_solubility.csv").rows:
        if not line["preferred"] or line["substance"] == WATER:
            continue
        a = row[line["substance"]]
        if line["mg_per_L"] >= MISCIBLE_MG_PER_L:
            found.append(Fact("mixing", a, water, 1.0, 0.0, 25.0, line["source"]))
            continue
        melting = max(25.0 if line["melting_C"] is None else line["melting_C"], 25.0)
        value = float(np.log(line["mg_per_L"]))
        found.append(Fact("water solubility", a, water, value, line["sd_ln"], 25.0, line["source"], melting))
    return found


def _partitions(row: Mapping[str, int], soluble: set[int]) -> list[Fact]:
    """Partition between water and octanol where no solubility in water is known, and between water and glycols."""
    octanol, found = row["1-octanol"], []
    for line in data.read_table("substances.csv").rows:
        a = row[line["name"]]
        if line["log_p"] is not None and a not in soluble and line["name"] not in (WATER, "1-octanol"):
            found.append(Fact("log P", a, octanol, line["log_p"], 0.0, 25.0, line["log_p_source"]))
    for line in data.read_table("transfers.csv").rows:
        a, b = row[line["solute"]], row[line["liquid"]]
        found.append(Fact("transfer", a, b, line["log10_ratio"], line["sd"], line["celsius"], line["source"]))
    return found


def _of_pairs(row: Mapping[str, int]) -> list[Fact]:
    """What stands in the tables of computed activities, excess energies, solubilities and consolute temperatures."""
    found = []
    for line in data.read_table("computed_activities.csv").rows:
        a, b, value = row[line["solute"]], row[line["solvent"]], line["ln_gamma_infinite"]
        found.append(Fact("computed activity", a, b, value, line["sd"], line["celsius"], line["source"]))
    for line in data.read_table("excess_energies.csv").rows:
        a, b, value = row[line["a"]], row[line["b"]], line["excess_energy_rt"]
        found.append(
            Fact("excess energy", a, b, value, line["sd"], line["celsius"], line["source"], line["mole_fraction_a"])
        )
    shipped = liquids()
    for line in data.read_table("liquid_solubility.csv").rows:
        a, b = row[line["solute"]], row[line["solvent"]]
        mass = np.array([line["mass_percent"], 100.0 - line["mass_percent"]])
        volumes = mass * shipped.volumes[[a, b]] / shipped.molar_masses[[a, b]]
        value = float(np.log(volumes[0] / volumes.sum()))
        found.append(Fact("liquid solubility", a, b, value, line["sd_ln"], line["celsius"], line["source"]))
    for line in data.read_table("consolute_temperatures.csv").rows:
        a, b = row[line["a"]], row[line["b"]]
        found.append(Fact("consolute temperature", a, b, 1.0, 0.0, line["upper_celsius"], line["source"]))
    return found


def _miscible(row: Mapping[str, int], soluble: set[int], seen: set[tuple[int, int]]) -> list[Fact]:
    """Pairs that mix in all proportions, or do not, unless ``seen`` (a, b) already."""
    found = []
    for line in data.read_table("miscible_pairs.csv").rows:
        a, b = row[line["a"]], row[line["b"]]
        if (a, b) in seen or (b, a) in seen or a == b:
            continue
        # What a rule derived from a solubility or an activity that stands in another table is not a second fact.
        if line["derived"] or (line["basis"] == "measured water solubility" and {a, b} & soluble):
            continue
        celsius = 25.0 if line["celsius"] is None else line["celsius"]
        found.append(Fact("mixing", a, b, float(line["outcome"] == "miscible"), 0.0, celsius, line["source"]))
    return found


def _activities(row: Mapping[str, int]) -> list[Fact]:
    """Median of the measurements of one pair in the room-temperature range, and one at the higher temperatures."""
    groups: dict[tuple[int, int, bool], list[Mapping[str, Any]]] = {}
    for line in data.read_table("activities.csv").rows:
        if ACTIVITY_CELSIUS[0] <= line["celsius"] <= ACTIVITY_CELSIUS[1]:
            key = (row[line["solute"]], row[line["solvent"]], bool(line["celsius"] > 45.0))
            groups.setdefault(key, []).append(line)
    found = []
    for (a, b, warm), lines in groups.items():
        values = np.array([line["ln_gamma_infinite"] for line in lines])
        celsius = float(np.mean([line["celsius"] for line in lines]))
        # The spread between laboratories stands for what a single value may be off; 0.1 where there is one only.
        spread = float(np.std(values, ddof=1)) / np.sqrt(len(values)) if len(values) > 2 else 0.1
        if warm and (a, b, False) in groups:
            continue
        found.append(Fact("activity", a, b, float(np.median(values)), spread, celsius, lines[0]["source"]))
    return found
