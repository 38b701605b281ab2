"""Substances: what is known about a molecule, each number with its source.

`substance` finds a shipped substance by name, CAS number or SMILES, or estimates an unknown structure.
`Substance` holds one; users make their own the same way, or a whole csv of them with `Substance.from_csv`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data
from hspkit.errors import DataFileError, InputError, MoleculeError, UnknownNameError
from hspkit.hansen import HSP
from hspkit.names import NameIndex, check_cas, is_cas

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PUBLISHED_SD", "Substance", "Value", "index", "substance", "substances"]

#: Standard deviations of a published delta_d, delta_p, delta_h [MPa^0.5]. Tables do not state any. With these
#: the total of a table value scatters by 0.92; against the totals that enthalpies of vaporisation of the
#: shipped aroma compounds give, 68 % of the tables' totals lie within 0.90 (tests/test_substances.py).
PUBLISHED_SD = (0.5, 1.6, 1.6)
#: Relative standard deviation of a molar volume by the kind of its density: a handbook density corrected over
#: a few kelvin; a recalled one; that of a mixture of which the structure is one molecule. A judgement.
_VOLUME_SD = {"read": 0.005, "memory": 0.02, "mixture": 0.05}
#: Beyond these a user's figure is in another unit (kg/m3, kelvin) or a slip; generous on both sides.
_PLAUSIBLE = {
    "density_g_mL": (0.3, 4.0),
    "volume_cm3_mol": (10.0, 5000.0),
    "melting_C": (-220.0, 1000.0),
    "boiling_C": (-200.0, 1000.0),
    "flash_C": (-150.0, 600.0),
    "log_p": (-10.0, 25.0),
    "delta_d": (5.0, 30.0),
    "delta_p": (0.0, 50.0),
    "delta_h": (0.0, 60.0),
}
_PARAMETERS_ESTIMATED = "parameters estimated from structure"
_VOLUME_ESTIMATED = "molar volume estimated from structure"
_HSP_COLUMNS = ("delta_d", "delta_p", "delta_h")
_UNITS = {
    "delta_d": "MPa^0.5", "delta_p": "MPa^0.5", "delta_h": "MPa^0.5", "volume": "cm3/mol", "density": "g/mL",
    "molar_mass": "g/mol", "log_p": "-", "water_solubility": "mg/L", "melting_celsius": "degC",
    "boiling_celsius": "degC", "flash_celsius": "degC", "vaporisation_enthalpy": "kJ/mol",
}  # fmt: skip


class Value(NamedTuple):
    """One number about a substance: what it is, its unit, where it comes from, whether it is used."""

    quantity: str
    value: float
    unit: str
    sd: float | None
    used: bool
    source: str
    note: str


@dataclass(frozen=True, eq=False, repr=False)
class Substance:
    """One substance. Only a name and a structure are needed; what is missing is estimated.

    Parameters
    ----------
    name : str
        What to call it. [-]
    smiles : str
        Structure; may be empty when ``hsp``, ``volume`` and ``molar_mass`` are given. [-]
    cas : str
        CAS number; empty when unknown. [-]
    synonyms : tuple of str
        Other names. [-]
    prior : HSP or array_like of shape (3,), optional
        Parameters before evidence; estimated from the structure when left out. [MPa^0.5]
    prior_covariance : array_like of shape (3, 3), optional
        Their covariance; a vector of three is read as standard deviations. [MPa]
    hsp : HSP or array_like of shape (3,), optional
        Parameters after evidence; default the prior. [MPa^0.5]
    covariance : array_like of shape (3, 3), optional
        Covariance of ``hsp``; default that of the prior. [MPa]
    volume : float, optional
        Molar volume of the liquid at 25 C; else from ``density``, else estimated. [cm3/mol]
    volume_sd : float, optional
        Its standard deviation. [cm3/mol]
    density : float, optional
        Density of the liquid at 25 C; else molar mass over volume. [g/mL]
    molar_mass : float, optional
        Molar mass; from the structure when there is one. [g/mol]
    log_p : float, optional
        Octanol-water partition coefficient, decimal logarithm. [-]
    water_solubility : float, optional
        Solubility in water near 25 C. [mg/L]
    water_solubility_sd_ln : float, optional
        Standard deviation of its natural logarithm. [-]
    melting_celsius, boiling_celsius, flash_celsius : float, optional
        Melting, boiling and flash point. [degC]
    evidence : tuple
        Measured evidence that bears on the parameters. [-]
    values : tuple of Value
        Every number with its source, as `sources` shows it. [-]
    notes : tuple of str
        What to know before relying on it. [-]
    formula, role, chemical_class : str
        Formula; aroma, carrier, citrus residue, solvent or water; class. [-]

    Raises
    ------
    InputError
        When a figure is impossible or too little is given to fill the rest.
    MoleculeError
        When the structure cannot be read.

    Examples
    --------
    >>> mine = Substance("my ester", "CCCC(=O)OCCC(C)C", density=0.866)
    >>> round(mine.volume)
    183
    """

    name: str
    smiles: str = ""
    cas: str = ""
    synonyms: tuple[str, ...] = ()
    prior: Any = None
    prior_covariance: Any = None
    hsp: Any = None
    covariance: Any = None
    volume: Any = None
    volume_sd: Any = None
    density: Any = None
    molar_mass: Any = None
    log_p: float | None = None
    water_solubility: float | None = None
    water_solubility_sd_ln: float | None = None
    melting_celsius: float | None = None
    boiling_celsius: float | None = None
    flash_celsius: float | None = None
    evidence: tuple[Any, ...] = ()
    values: tuple[Value, ...] = field(default=())
    notes: tuple[str, ...] = ()
    formula: str = ""
    role: str = ""
    chemical_class: str = ""

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            message = f"name is {self.name!r}; expected a text that is not empty"
            raise InputError(message)
        if self.cas:
            check_cas(self.cas)
        if self.smiles and self.molar_mass is None:
            from hspkit.molecules import read_molecule

            self._put(molar_mass=read_molecule(self.smiles).molar_mass)
        given = self.prior if self.prior is not None else self.hsp
        unknown_volume = self.volume is None and self.density is None
        estimate = self._estimate() if given is None or unknown_volume else None
        self._fill_parameters(given, estimate)
        self._fill_volume(estimate if unknown_volume else None)
        if not self.values:
            self._put(values=tuple(self._own_values()))
        if estimate is not None and not any(value.note.startswith("estimated") for value in self.values):
            self._put(values=(*self.values, *_estimated_values(estimate, given is None, self)))

    def _put(self, **values: Any) -> None:
        for name, value in values.items():  # the class is frozen for everybody else
            object.__setattr__(self, name, value)

    def _note(self, *notes: str) -> None:
        self._put(notes=tuple(dict.fromkeys((*self.notes, *notes))))

    def _fill_parameters(self, given: Any, estimate: Any) -> None:
        if given is None:
            self._put(prior=estimate.hsp, prior_covariance=np.diag(np.square(estimate.sd[:3])))
            self._note(*(f"estimated: {note}" for note in estimate.notes), _PARAMETERS_ESTIMATED)
        else:
            sd = np.diag(np.square(PUBLISHED_SD))
            self._put(prior=_point(given), prior_covariance=_covariance(self.prior_covariance, sd))
        self._put(
            hsp=self.prior if self.hsp is None else _point(self.hsp),
            covariance=_covariance(self.covariance, self.prior_covariance),
        )

    def _fill_volume(self, estimate: Any) -> None:
        sd = self.volume_sd
        if estimate is not None:
            self._put(volume=float(estimate.volume))
            self._note(_VOLUME_ESTIMATED)
            sd = estimate.sd[3] if sd is None else sd
        elif self.volume is None:
            density = _number(self.density, "density", "density_g_mL")
            self._put(volume=_need(self.molar_mass, "molar_mass", self.name) / density)
            sd = _VOLUME_SD["read"] * self.molar_mass / density if sd is None else sd
        self._put(volume=_number(self.volume, "volume", "volume_cm3_mol"))
        self._put(volume_sd=float(_VOLUME_SD["memory"] * self.volume if sd is None else sd))
        if self.density is None:
            self._put(density=_need(self.molar_mass, "molar_mass", self.name) / self.volume)

    def _estimate(self) -> Any:
        if not self.smiles:
            message = (
                f"substance {self.name!r} has no structure to estimate from; "
                "give smiles, or hsp together with volume (or density and molar_mass)"
            )
            raise InputError(message)
        from hspkit.estimation import estimate

        return estimate(self.smiles)

    def _own_values(self) -> Iterable[Value]:
        """What the user gave, before anything is filled in from an estimate."""
        if _PARAMETERS_ESTIMATED not in self.notes:
            for quantity, point, sd in zip(
                _HSP_COLUMNS, self.prior.array, np.sqrt(np.diag(self.prior_covariance)), strict=True
            ):
                yield Value(quantity, float(point), "MPa^0.5", float(sd), True, "user", "prior")
        rest = ("volume", "density", "molar_mass", "log_p", "water_solubility", "melting_celsius")
        for quantity in (*rest, "boiling_celsius", "flash_celsius"):
            value = getattr(self, quantity)
            if value is not None and not (
                _VOLUME_ESTIMATED in self.notes and quantity in ("volume", "density")
            ):
                computed = quantity == "molar_mass" and self.smiles
                yield Value(
                    quantity, float(value), _UNITS[quantity], None, True, "rdkit" if computed else "user", ""
                )

    @property
    def sd(self) -> NDArray[np.float64]:
        """Standard deviations of delta_d, delta_p, delta_h after evidence, shape (3,). [MPa^0.5]"""
        return np.sqrt(np.diag(self.covariance))

    @property
    def sources(self) -> pd.DataFrame:
        """Every number side by side: quantity, value, unit, sd, used, source key, kind, reference, note.

        Published Hansen parameters that differ all stand here; ``used`` marks the ones that are used.
        """
        import pandas as pd

        known = data.sources()
        rows = [
            {
                **value._asdict(),
                "kind": known.get(value.source, {}).get(
                    "kind", "computed" if value.source == "estimate" else "user"
                ),
                "reference": known.get(value.source, {}).get("reference", ""),
            }
            for value in self.values
        ]
        columns = ["quantity", "value", "unit", "sd", "used", "source", "kind", "reference", "note"]
        return pd.DataFrame(rows, columns=columns)

    def with_parameters(self, hsp: HSP | ArrayLike, covariance: ArrayLike, *, note: str) -> Substance:
        """Return the substance with other parameters after evidence, and a note that says why.

        Parameters
        ----------
        hsp : HSP or array_like of shape (3,)
            New parameters. [MPa^0.5]
        covariance : array_like of shape (3, 3)
            Their covariance. [MPa]
        note : str
            Where they come from. [-]

        Examples
        --------
        >>> import numpy as np
        >>> moved = substance("triacetin").with_parameters([16.6, 5.2, 10.8], np.eye(3), note="bench trial")
        >>> moved.hsp
        HSP(16.600, 5.200, 10.800)
        """
        from dataclasses import replace

        return replace(self, hsp=_point(hsp), covariance=covariance, notes=(*self.notes, note))

    def __repr__(self) -> str:
        sd = self.sd
        parts = ", ".join(
            f"{name}={value:.1f}±{spread:.1f}"
            for name, value, spread in zip(("delta_d", "delta_p", "delta_h"), self.hsp.array, sd, strict=True)
        )
        return f"Substance({self.name!r}, {parts}, volume={self.volume:.1f}±{self.volume_sd:.1f})"

    def _repr_html_(self) -> str:
        return f"<p>{self!r}</p>" + self.sources.to_html(index=False, float_format=lambda x: f"{x:.4g}")

    @classmethod
    def from_csv(cls, path: str | Path) -> dict[str, Substance]:
        """Read substances from a csv with the header of ``substances.csv``.

        Only ``name`` and ``smiles`` are needed; the other columns may be left out. Columns ``delta_d``,
        ``delta_p``, ``delta_h`` may be added for own Hansen parameters.

        Parameters
        ----------
        path : str or Path
            The file, UTF-8, comma separated. [-]

        Returns
        -------
        dict of str to Substance
            By name, in the order of the file.

        Raises
        ------
        DataFileError
            Naming file, row and column; nothing is returned unless every row is sound.

        Examples
        --------
        >>> from pathlib import Path; import tempfile
        >>> place = Path(tempfile.mkdtemp()) / "mine.csv"
        >>> _ = place.write_text("name,smiles,density_g_mL\\nmy ester,CCCC(=O)OCCC(C)C,0.866\\n")
        >>> list(Substance.from_csv(place))
        ['my ester']
        """
        place = Path(path)
        try:
            text = place.read_text(encoding="utf-8-sig")
        except FileNotFoundError:
            message = f"no file {str(place)!r}; give the path of a csv"
            raise DataFileError(message) from None
        except UnicodeDecodeError:
            message = f"{place.name}: the file is not UTF-8; save it as CSV UTF-8"
            raise DataFileError(message) from None
        return _read_user_table(text, place.name)

    @classmethod
    def from_table(cls, frame: pd.DataFrame, *, name: str = "table") -> dict[str, Substance]:
        """Read substances from a DataFrame with the columns of ``substances.csv``; see `from_csv`.

        Parameters
        ----------
        frame : DataFrame
            One row per substance. [-]
        name : str
            What to call the table in messages. [-]

        Examples
        --------
        >>> import pandas as pd
        >>> list(Substance.from_table(pd.DataFrame({"name": ["my ester"], "smiles": ["CCCC(=O)OCCC(C)C"]})))
        ['my ester']
        """
        return _read_user_table(frame.to_csv(index=False), name)


def _estimated_values(estimate: Any, parameters: bool, made: Substance) -> Iterable[Value]:
    source = next((key for key in estimate.sources if key in data.sources()), "estimate")
    note = f"estimated, method {estimate.method}"
    if parameters:
        for quantity, point, sd in zip(_HSP_COLUMNS, estimate.hsp.array, estimate.sd[:3], strict=True):
            yield Value(quantity, float(point), "MPa^0.5", float(sd), True, source, note)
    if made.volume == estimate.volume:
        yield Value("volume", float(estimate.volume), "cm3/mol", float(estimate.sd[3]), True, source, note)


def _point(value: HSP | ArrayLike) -> HSP:
    if isinstance(value, HSP):
        return value
    point = np.asarray(value, dtype=float)
    if point.shape != (3,):
        message = f"hsp has shape {point.shape}; expected (3,) in the order delta_d, delta_p, delta_h"
        raise InputError(message)
    return HSP(*point)


def _covariance(value: ArrayLike | None, default: NDArray[np.float64]) -> NDArray[np.float64]:
    matrix = np.array(default if value is None else value, dtype=float)
    if matrix.shape == (3,):
        matrix = np.diag(matrix**2)
    if matrix.shape != (3, 3):
        message = f"covariance has shape {matrix.shape}; expected (3, 3), or (3,) standard deviations"
        raise InputError(message)
    if not np.allclose(matrix, matrix.T) or np.linalg.eigvalsh(matrix)[0] < -1e-9 * max(
        1.0, np.trace(matrix)
    ):
        message = "covariance must be symmetric and not negative in any direction"
        raise InputError(message)
    matrix.setflags(write=False)
    return matrix


def _number(value: Any, name: str, column: str) -> float:
    low, high = _PLAUSIBLE[column]
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not low <= number <= high:
        unit = _UNITS.get(name, "")
        message = f"{name} is {value!r}; expected {low:g} to {high:g} {unit}".rstrip()
        raise InputError(message)
    return number


def _need(value: Any, name: str, substance_name: str) -> float:
    if value is None:
        message = f"substance {substance_name!r} needs {name} when there is no structure"
        raise InputError(message)
    return float(value)


# --- the shipped substances ---------------------------------------------------------------------------------


@cache
def _rows() -> dict[str, Mapping[str, Any]]:
    return {row["name"]: row for row in data.read_table("substances.csv").rows}


@cache
def _grouped(table: str) -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {}
    for row in data.read_table(table).rows:
        found.setdefault(row["substance"], []).append(row)
    return found


@cache
def index() -> NameIndex:
    """Return the index of the shipped substances: name, synonym or CAS number to name.

    Examples
    --------
    >>> index().find("eucalyptol")
    '1,8-cineole'
    """
    return NameIndex(_rows().values(), what="substance")


#: Quantity, its column in ``substances.csv`` and the column of its source key.
_PLAIN_VALUES = (
    ("volume", "volume_cm3_mol", "volume_source"),
    ("density", "density_g_mL", "density_source"),
    ("molar_mass", "molar_mass_g_mol", "molar_mass_source"),
    ("log_p", "log_p", "log_p_source"),
    ("melting_celsius", "melting_C", "melting_source"),
    ("boiling_celsius", "boiling_C", "boiling_source"),
    ("flash_celsius", "flash_C", "flash_source"),
)


def _values(row: Mapping[str, Any]) -> tuple[Value, ...]:
    found = []
    name = row["name"]
    for published in _grouped("published_hsp.csv").get(name, []):
        for quantity, sd in zip(_HSP_COLUMNS, PUBLISHED_SD, strict=True):
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
    for quantity, column, source in _PLAIN_VALUES:
        if row[column] is not None:
            note = ""
            if quantity == "density":
                at = row["density_celsius"]
                note = "at room temperature" if at is None else f"at {at:g} C"
            found.append(Value(quantity, row[column], _UNITS[quantity], None, True, row[source], note))
    for water in _grouped("water_solubility.csv").get(name, []):
        note = f"at {water['celsius']:g} C, sd of the logarithm {water['sd_ln']:g}; {water['reason']}"
        sd = water["mg_per_L"] * water["sd_ln"]
        found.append(
            Value(
                "water_solubility", water["mg_per_L"], "mg/L", sd, water["preferred"], water["source"], note
            )
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


def _volume_sd(row: Mapping[str, Any]) -> float | None:
    if row["volume_cm3_mol"] is None:
        return None
    kind = data.sources()[row["density_source"]]["kind"]
    relative = _VOLUME_SD["mixture"] if row["structure"] == "representative" else _VOLUME_SD.get(kind, 0.02)
    return float(relative * row["volume_cm3_mol"])


@cache
def _shipped(name: str) -> Substance:
    row = _rows()[name]
    published = [r for r in _grouped("published_hsp.csv").get(name, []) if r["preferred"]]
    prior = HSP(*(published[0][k] for k in _HSP_COLUMNS)) if published else None
    water = [r for r in _grouped("water_solubility.csv").get(name, []) if r["preferred"]]
    return Substance(
        name=name,
        smiles=row["smiles"],
        cas=row["cas"],
        synonyms=tuple(s for s in (row["synonyms"] or "").split(";") if s),
        prior=prior,
        volume=row["volume_cm3_mol"],
        volume_sd=_volume_sd(row),
        molar_mass=row["molar_mass_g_mol"],
        log_p=row["log_p"],
        water_solubility=water[0]["mg_per_L"] if water else None,
        water_solubility_sd_ln=water[0]["sd_ln"] if water else None,
        melting_celsius=row["melting_C"],
        boiling_celsius=row["boiling_C"],
        flash_celsius=row["flash_C"],
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
    try:
        return _shipped(index().find(name_or_cas_or_smiles))
    except UnknownNameError as unknown:
        if is_cas(name_or_cas_or_smiles):
            raise
        found = _by_structure(name_or_cas_or_smiles.strip())
        if isinstance(found, str):
            if "not a SMILES" in found or "blank" in found:
                raise
            if any(mark in name_or_cas_or_smiles for mark in "=#[]()@/\\"):
                raise MoleculeError(found) from unknown
            message = f"{unknown}; read as a SMILES: {found}"
            raise UnknownNameError(message) from None
        return found


def substances(role: str | None = None) -> tuple[str, ...]:
    """Return the names of the shipped substances, all or those of one role.

    Parameters
    ----------
    role : str, optional
        aroma, carrier, citrus residue, solvent or water. [-]

    Examples
    --------
    >>> substances("water")
    ('water',)
    """
    roles = sorted({row["role"] for row in _rows().values()})
    if role is not None and role not in roles:
        message = f"no role {role!r}; roles: {', '.join(roles)}"
        raise InputError(message)
    return tuple(name for name, row in _rows().items() if role in (None, row["role"]))


# --- structures ---------------------------------------------------------------------------------------------


@cache
def _structures() -> tuple[dict[str, str], dict[str, list[str]]]:
    """Canonical SMILES of the table with stereo to name, and without stereo to names."""
    from rdkit import Chem

    from hspkit.molecules import Molecule, read_molecules

    rows = [
        row for row in _rows().values() if row["name"] != "water"
    ]  # water has no carbon; see `_by_structure`
    whole: dict[str, str] = {}
    flat: dict[str, list[str]] = {}
    for row, molecule in zip(rows, read_molecules(row["smiles"] for row in rows), strict=True):
        assert isinstance(molecule, Molecule), f"substances.csv: {row['name']}: {molecule.reason}"
        whole[Chem.MolToSmiles(molecule.graph)] = row["name"]
        flat.setdefault(molecule.canonical, []).append(row["name"])
    return whole, flat


@cache
def _by_structure(smiles: str) -> Substance | str:
    """Return the substance of a SMILES, or the reason why it cannot be treated."""
    from dataclasses import replace

    from rdkit import Chem

    from hspkit.molecules import read_molecule

    if smiles in ("O", "[OH2]", "[H]O[H]"):
        return _shipped("water")
    try:
        molecule = read_molecule(smiles)
    except MoleculeError as refused:
        return str(refused)
    whole, flat = _structures()
    canonical = Chem.MolToSmiles(molecule.graph)
    if canonical in whole:
        return _shipped(whole[canonical])
    names = flat.get(molecule.canonical, [])
    if names:
        best = max(names, key=lambda name: (len(_values(_rows()[name])), name))
        note = f"the structure given differs from that of {best} in stereo marks only; {best} is taken"
        if len(names) > 1:
            note += f" (the table also has {', '.join(sorted(set(names) - {best}))})"
        shipped = _shipped(best)
        return replace(shipped, notes=(*shipped.notes, note))
    return Substance(canonical, canonical, notes=molecule.notes)


# --- tables of users ----------------------------------------------------------------------------------------


def _read_user_table(text: str, file: str) -> dict[str, Substance]:
    own, points = _split_columns(text, file)
    layout = [column.column for column in data.columns("substances.csv")]
    optional = [column for column in layout if column not in ("name", "smiles")]
    table = data.parse_table(own, "substances.csv", name=file, optional=optional)
    rows: list[tuple[int, Mapping[str, Any], HSP | None]] = []
    seen: dict[str, int] = {}
    structures: dict[str, int] = {}
    from hspkit.molecules import read_molecule

    for number, row in zip(_line_numbers(own), table.rows, strict=True):
        where = f"{file}, row {number}"
        form = row["name"].strip().casefold()
        if form in seen:
            message = (
                f"{where}: column 'name' repeats {row['name']!r} of row {seen[form]}; names must be unique"
            )
            raise DataFileError(message)
        seen[form] = number
        try:
            canonical = read_molecule(row["smiles"])
        except MoleculeError as error:
            message = f"{where}: column 'smiles': {error}"
            raise DataFileError(message) from None
        from rdkit import Chem

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
    lines = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"))))
    if not lines:
        return text, {}
    header = [cell.strip() for cell in lines[0]]
    present = [column for column in _HSP_COLUMNS if column in header]
    if not present:
        return text, {}
    if len(present) < 3:
        message = (
            f"{file}: header has {', '.join(present)} alone; give all of {', '.join(_HSP_COLUMNS)} or none"
        )
        raise DataFileError(message)
    where = [header.index(column) for column in _HSP_COLUMNS]
    points = {}
    kept = []
    for number, cells in enumerate(lines, start=1):
        if len(cells) == len(header):
            points[number] = {c: cells[i].strip() for c, i in zip(_HSP_COLUMNS, where, strict=True)}
            cells = [cell for place, cell in enumerate(cells) if place not in where]
        kept.append(cells)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(kept)
    return out.getvalue(), points


def _line_numbers(text: str) -> list[int]:
    lines = list(csv.reader(io.StringIO(text.removeprefix("\ufeff"))))
    return [number for number, cells in enumerate(lines[1:], start=2) if any(cell.strip() for cell in cells)]


def _user_point(cells: Mapping[str, str], where: str) -> HSP | None:
    if not any(cells.values()):
        return None
    numbers = []
    for column in _HSP_COLUMNS:
        try:
            numbers.append(_number(cells[column], column, column))
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
        low, high = _PLAUSIBLE[column]
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
    keys = {quantity: source for quantity, _, source in _PLAIN_VALUES}
    values = tuple(
        value._replace(source=row.get(keys.get(value.quantity, "")) or row["source"] or file)
        if value.source == "user"
        else value
        for value in made.values  # noqa: PD011 - not a DataFrame
    )
    object.__setattr__(made, "values", values)
    return made
