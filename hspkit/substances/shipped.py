"""The shipped substances: rows of the tables as `Substance`, found by name, CAS number or structure."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from functools import cache, lru_cache
from typing import Any

from hspkit import data
from hspkit.errors import ExtrapolationWarning, InputError, MoleculeError
from hspkit.frozen import Frozen
from hspkit.hansen import HSP
from hspkit.names import is_cas
from hspkit.substances.listed import WATER, index, rows, structures
from hspkit.substances.model import Substance
from hspkit.substances.quantities import HSP_COLUMNS, PLAIN_VALUES, PUBLISHED_SD, UNITS, VOLUME_SD, Value
from hspkit.substances.reconciled import reconciled

__all__ = ["index", "relative_volume_sd", "substance", "substances"]


@cache
def _grouped(table: str) -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for row in data.read_table(table).rows:
        found.setdefault(row["substance"], []).append(row)
    return found


def _values(row: Mapping[str, Any]) -> tuple[Value, ...]:
    found = []
    name = row["name"]
    for published in _grouped("published_hsp.csv").get(name, []):
        for quantity, sd in zip(HSP_COLUMNS, PUBLISHED_SD, strict=True):
            note = f"published for CAS {published['cas']}; {published['reason']}"
            found.append(
                Value(
                    quantity,
                    published[quantity],
                    "MPa^0.5",
                    sd,
                    published["preferred"],
                    published["source"],
                    note,
                )
            )
    for quantity, column, source in PLAIN_VALUES:
        if row[column] is not None:
            note = ""
            if quantity == "density":
                at = row["density_celsius"]
                note = "at room temperature" if at is None else f"at {at:g} C"
            found.append(Value(quantity, row[column], UNITS[quantity], None, True, row[source], note))
    for water in _grouped("water_solubility.csv").get(name, []):
        note = f"at {water['celsius']:g} C, sd of the logarithm {water['sd_ln']:g}; {water['reason']}"
        sd = water["mg_per_L"] * water["sd_ln"]
        found.append(
            Value("water_solubility", water["mg_per_L"], "mg/L", sd, water["preferred"], water["source"], note)
        )
    for heat in _grouped("vaporisation_enthalpies.csv").get(name, []):
        note = f"at {heat['celsius']:g} C" + (f"; {heat['note']}" if heat["note"] else "")
        found.append(
            Value(
                "vaporisation_enthalpy",
                heat["kJ_per_mol"],
                "kJ/mol",
                None,
                heat["preferred"],
                heat["source"],
                note,
            )
        )
    return tuple(found)


#: Kind of evidence, its table and the columns that name the substances it bears on.
_EVIDENCE_TABLES = (
    ("water solubility", "water_solubility.csv", ("substance",)),
    ("vaporisation enthalpy", "vaporisation_enthalpies.csv", ("substance",)),
    ("activity", "activities.csv", ("solute", "solvent")),
    ("mixing", "miscible_pairs.csv", ("a", "b")),
)


@cache
def _evidence() -> dict[str, tuple[Mapping[str, Any], ...]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for kind, table, columns in _EVIDENCE_TABLES:
        for row in data.read_table(table).rows:
            for column in columns:
                found.setdefault(row[column], []).append(Frozen({"kind": kind, **row}))
    return {name: tuple(rows) for name, rows in found.items()}


def relative_volume_sd(row: Mapping[str, Any]) -> float:
    """Return the relative standard deviation of the measured molar volume of a row of ``substances.csv``. [-]"""
    kind = data.sources().get(row["density_source"] or "", {}).get("kind", "memory")
    return VOLUME_SD["mixture"] if row["structure"] == "representative" else VOLUME_SD.get(kind, VOLUME_SD["memory"])


@cache
def _shipped(name: str) -> Substance:
    row = rows()[name]
    published = [r for r in _grouped("published_hsp.csv").get(name, []) if r["preferred"]]
    prior = HSP(*(published[0][k] for k in HSP_COLUMNS)) if published else None
    after = reconciled(name)
    water = [r for r in _grouped("water_solubility.csv").get(name, []) if r["preferred"]]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # a note and the standard deviation say it
        return Substance(
            name=name,
            smiles=row["smiles"],
            cas=row["cas"],
            synonyms=tuple(s for s in (row["synonyms"] or "").split(";") if s),
            prior=prior,
            prior_covariance=None if after is None else after.prior_sd,
            hsp=None if after is None else after.hsp,
            covariance=None if after is None else after.covariance,
            volume=row["volume_cm3_mol"],
            volume_sd=None if row["volume_cm3_mol"] is None else relative_volume_sd(row) * row["volume_cm3_mol"],
            molar_mass=row["molar_mass_g_mol"],
            log_p=row["log_p"],
            water_solubility=water[0]["mg_per_L"] if water else None,
            water_solubility_sd_ln=water[0]["sd_ln"] if water else None,
            melting_celsius=row["melting_C"],
            boiling_celsius=row["boiling_C"],
            flash_celsius=row["flash_C"],
            evidence=_evidence().get(name, ()),
            values=_values(row),
            notes=(row["note"],) if row["note"] else (),
            formula=row["formula"],
            role=row["role"],
            chemical_class=row["class"],
        )


def substance(name_or_cas_or_smiles: str | Substance) -> Substance:
    """Return the substance that a name, a CAS number or a SMILES means.

    A SMILES that is in the table in any form gives the table's substance; where only the stereo differs, a
    note says so. A structure that is not in the table is estimated.

    Parameters
    ----------
    name_or_cas_or_smiles : str or Substance
        A substance is returned as it is. [-]

    Raises
    ------
    UnknownNameError
        When a name or CAS number is unknown, ambiguous, or only near to names that are easily confused.
    MoleculeError
        When the text is plainly a SMILES but cannot be read or treated.
    InputError
        When the text is empty or a CAS number has a wrong check digit.

    Examples
    --------
    >>> substance("d-Limonene").cas
    '5989-27-5'
    >>> substance("57-55-6").name
    'propylene glycol'
    >>> substance("C(O)C(C)O").name
    'propylene glycol'
    """
    if isinstance(name_or_cas_or_smiles, Substance):
        return name_or_cas_or_smiles
    text = name_or_cas_or_smiles
    name = index().get(text)
    if name is not None:
        return _shipped(name)
    found = "" if is_cas(text) else _by_structure(text.strip())
    if isinstance(found, Substance):
        return found
    if any(mark in text for mark in "=#[]()@/\\") and not any(hint in found for hint in _READS_LIKE_A_NAME):
        raise MoleculeError(found)
    return _shipped(index().find(text))  # the index knows best what to say about a name


def substances(role: str | None = None) -> tuple[str, ...]:
    """Return the names of the shipped substances, all or those of one role.

    Parameters
    ----------
    role : str, optional
        aroma, carrier, citrus residue, solvent or water. [-]

    Raises
    ------
    InputError
        For another role.

    Examples
    --------
    >>> substances("water")
    ('water',)
    """
    roles = sorted({row["role"] for row in rows().values()})
    if role is not None and role not in roles:
        message = f"no role {role!r}; roles: {', '.join(roles)}"
        raise InputError(message)
    return tuple(name for name, row in rows().items() if role in (None, row["role"]))


#: Words by which `hspkit.molecules` says that a text is no structure at all.
_READS_LIKE_A_NAME = ("reads like a name", "holds a blank")


@lru_cache(maxsize=10_000)
def _by_structure(smiles: str) -> Substance | str:
    """Return the substance of a SMILES, or the reason why it cannot be treated."""
    from dataclasses import replace

    from rdkit import Chem

    from hspkit.molecules import read_molecule

    if smiles in WATER:
        return _shipped("water")
    try:
        molecule = read_molecule(smiles)
    except MoleculeError as refused:
        return str(refused)
    whole, flat = structures()
    canonical = Chem.MolToSmiles(molecule.graph)
    if canonical in whole:
        return _shipped(whole[canonical])
    names = flat.get(molecule.canonical, ())
    if names:
        best = max(names, key=lambda name: (len(_values(rows()[name])), name))
        note = f"the structure given differs from that of {best} in stereo marks only; {best} is taken"
        if len(names) > 1:
            note += f" (the table also has {', '.join(sorted(set(names) - {best}))})"
        shipped = _shipped(best)
        return replace(shipped, notes=(*shipped.notes, note))
    return Substance(canonical, canonical, notes=molecule.notes)
