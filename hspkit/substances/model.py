"""One substance: its names, parameters and properties, each number with its source."""

from __future__ import annotations

import html
import warnings
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks, data
from hspkit.bonds import sites_known, sites_of
from hspkit.delimited import decoded
from hspkit.errors import DataFileError, ExtrapolationWarning, InputError
from hspkit.files import file_bytes
from hspkit.hansen import HSP, point
from hspkit.names import check_cas
from hspkit.phases.association import Sites
from hspkit.substances import listed
from hspkit.substances.own import read_own
from hspkit.substances.quantities import HSP_COLUMNS, PUBLISHED_SD, UNITS, VOLUME_SD, Value, plausible_number
from hspkit.substances.reconciled import informed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PUBLISHED_SD", "Substance", "Value"]

#: Of which field of a substance they are the bounds.
_COLUMNS = {
    "density": "density_g_mL", "log_p": "log_p", "melting_celsius": "melting_C", "boiling_celsius": "boiling_C",
    "flash_celsius": "flash_C",
}  # fmt: skip
#: Nothing is heavier [g/mol], dissolves better in water [mg/L] or is less sure [-; cm3/mol]; judgement.
_MOST = {"molar_mass": 1e5, "water_solubility": 1e8, "water_solubility_sd_ln": 100.0, "volume_sd": 5000.0}
_PARAMETERS_ESTIMATED = "parameters estimated from structure"
_VOLUME_ESTIMATED = "molar volume estimated from structure"
_NO_STRUCTURE = "no structure given: taken to give and take no hydrogen bonds; give smiles to have them counted"
_UNKNOWN_SITES = "an atom whose hydrogen bonds are not in hydrogen_bond_sites.csv: taken to take none"


@dataclass(frozen=True, eq=False, repr=False)
class Substance:
    """One substance. Only a name and a structure are needed; what is missing is estimated.

    Parameters
    ----------
    name : str
        What to call it; the name of a shipped substance only for that substance. [-]
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
    evidence : tuple of mapping
        Measured evidence that bears on the parameters: rows of the evidence tables with their ``kind``. [-]
    values : tuple of Value
        Every number with its source, as `sources` shows it. [-]
    notes : tuple of str
        What to know before relying on it. [-]
    formula, role, chemical_class : str
        Formula; aroma, carrier, citrus residue, solvent or water; class. [-]

    Raises
    ------
    InputError
        When a figure is impossible or too little is given to fill the rest; when the name, a synonym or the CAS
        number is that of a shipped substance with another structure or another CAS number.
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
            raise checks.refuse(self.name, "name", "a text that is not empty")
        self._check()
        if self.cas:
            self._put(cas=check_cas(self.cas))
        row = listed.rows().get(self.name)
        if row is None or (row["smiles"], row["cas"]) != (self.smiles, self.cas):
            listed.check_names((self.name, *self.synonyms), self.smiles, self.cas)
        if self.smiles and self.molar_mass is None:
            from hspkit.molecules import read_molecule

            self._put(molar_mass=read_molecule(self.smiles).molar_mass)
        given = self.prior if self.prior is not None else self.hsp
        unknown_volume = self.volume is None and self.density is None
        estimate = self._estimate() if given is None or unknown_volume else None
        if not sites_known(self.smiles or ""):
            self._note(_UNKNOWN_SITES if self.smiles else _NO_STRUCTURE)
            if self.smiles:
                warnings.warn(f"{self.name}: {_UNKNOWN_SITES}", ExtrapolationWarning, stacklevel=4)
        self._fill_parameters(given, estimate)
        self._fill_volume(estimate if unknown_volume else None)
        if not self.values:
            self._put(values=tuple(self._own_values()))
        if estimate is not None and not any(value.note.startswith("estimated") for value in self.values):
            self._put(values=(*self.values, *_estimated_values(estimate, given is None, self)))

    def _check(self) -> None:
        """Refuse what is of the wrong kind or beyond nature, before anything is computed from it."""
        for name in ("smiles", "cas", "formula", "role", "chemical_class"):
            if getattr(self, name) is not None:
                checks.text(getattr(self, name), name)
        for name, kind in (("synonyms", str), ("notes", str), ("values", Value), ("evidence", object)):
            given = checks.several(getattr(self, name), name, f"[{'...' if kind is str else kind.__name__}]")
            self._put(**{name: tuple(checks.kind(one, f"one of {name}", kind, f"a {kind.__name__}") for one in given)})
        for name, column in _COLUMNS.items():
            if getattr(self, name) is not None:
                self._put(**{name: plausible_number(getattr(self, name), name, column)})
        for name, most in _MOST.items():
            if getattr(self, name) is not None:
                unit = f"in {UNITS[name]}" if name in UNITS else ""
                self._put(**{name: checks.number(getattr(self, name), name, unit, low=0, high=most)})

    def _put(self, **values: Any) -> None:
        for name, value in values.items():  # the class is frozen for everybody else
            object.__setattr__(self, name, value)

    def _note(self, *notes: str) -> None:
        self._put(notes=tuple(dict.fromkeys((*self.notes, *notes))))

    def _cite(self, sources: Mapping[str, str], source: str) -> None:
        """Give what the user stated its source: by quantity, else one for all the rest."""
        own = tuple(
            number._replace(source=sources.get(number.quantity, source)) if number.source == "user" else number
            for number in self.values
        )
        self._put(values=own)

    def _fill_parameters(self, given: Any, estimate: Any) -> None:
        if given is None:
            mean, sd = informed([self.smiles], [estimate.hsp.array], [estimate.sd[:3]])
            self._put(prior=point(mean[0]), prior_covariance=_covariance(sd[0], sd[0]))
            self._note(*(f"estimated: {note}" for note in estimate.notes), _PARAMETERS_ESTIMATED)
        else:
            sd = np.diag(np.square(PUBLISHED_SD))
            self._put(prior=point(given), prior_covariance=_covariance(self.prior_covariance, sd))
        self._put(
            hsp=self.prior if self.hsp is None else point(self.hsp),
            covariance=_covariance(self.covariance, self.prior_covariance),
        )

    def _fill_volume(self, estimate: Any) -> None:
        sd = self.volume_sd
        if estimate is not None:
            self._put(volume=float(estimate.volume))
            self._note(_VOLUME_ESTIMATED)
            sd = estimate.sd[3] if sd is None else sd
        elif self.volume is None:
            self._put(volume=_need(self.molar_mass, "molar_mass", self.name) / self.density)
            sd = VOLUME_SD["read"] * self.molar_mass / self.density if sd is None else sd
        self._put(volume=plausible_number(self.volume, "volume", "volume_cm3_mol"))
        self._put(volume_sd=float(VOLUME_SD["memory"] * self.volume if sd is None else sd))
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
                HSP_COLUMNS, self.prior.array, np.sqrt(np.diag(self.prior_covariance)), strict=True
            ):
                yield Value(quantity, float(point), "MPa^0.5", float(sd), True, "user", "prior")
        rest = ("volume", "density", "molar_mass", "log_p", "water_solubility", "melting_celsius")
        for quantity in (*rest, "boiling_celsius", "flash_celsius"):
            value = getattr(self, quantity)
            if value is not None and not (_VOLUME_ESTIMATED in self.notes and quantity in ("volume", "density")):
                computed = quantity == "molar_mass" and self.smiles
                yield Value(quantity, float(value), UNITS[quantity], None, True, "rdkit" if computed else "user", "")

    @cached_property
    def identity(self) -> str:
        """What it is, whatever it is called: two substances with the same identity are the same liquid. [-]

        The name of the shipped substance that has its structure, else of the one that has its CAS number; else its
        canonical SMILES; else, of a substance that is known by its name alone, that name after "own: ".

        Examples
        --------
        >>> Substance("house solvent", "OCCOCCO").identity
        'diethylene glycol'
        """
        return listed.identity(self.name, self.smiles, self.cas)

    @property
    def sites(self) -> Sites:
        """Donors and acceptors of hydrogen bonds, by structure; none without one. [-]

        See `hspkit.bonds`; a row of one component, as `phases` takes it.
        """
        return sites_of([self.smiles or ""])

    @property
    def mixing_covariance(self) -> NDArray[np.float64]:
        """Covariance as mixtures see it, shape (3, 3): wider where the hydrogen bonds are not known. [MPa]

        In the free energy the bonds of the structure take the place of delta_h. Where no structure tells them, all of
        delta_h may be what acts between dipoles, so its square adds to the variance of delta_p; judgement.
        """
        covariance = np.array(self.covariance, dtype=float)
        if not sites_known(self.smiles or ""):
            covariance[1, 1] += self.hsp.delta_h**2
        return covariance

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
                "kind": known.get(value.source, {}).get("kind", "computed" if value.source == "estimate" else "user"),
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
        >>> from hspkit import substance
        >>> moved = substance("triacetin").with_parameters([16.6, 5.2, 10.8], np.eye(3), note="bench trial")
        >>> moved.hsp
        HSP(16.600, 5.200, 10.800)
        """
        from dataclasses import replace

        return replace(self, hsp=point(hsp), covariance=covariance, notes=(*self.notes, checks.text(note, "note")))

    def __repr__(self) -> str:
        sd = self.sd
        parts = ", ".join(
            f"{name}={value:.1f}±{spread:.1f}"
            for name, value, spread in zip(("delta_d", "delta_p", "delta_h"), self.hsp.array, sd, strict=True)
        )
        return f"Substance({self.name!r}, {parts}, volume={self.volume:.1f}±{self.volume_sd:.1f})"

    def _repr_html_(self) -> str:
        return f"<p>{html.escape(repr(self))}</p>" + self.sources.to_html(
            index=False, float_format=lambda x: f"{x:.4g}"
        )

    @classmethod
    def from_csv(cls, path: str | Path) -> dict[str, Substance]:
        """Read substances from a csv with the header of ``substances.csv``.

        Only ``name`` and ``smiles`` are needed; the other columns may be left out. Columns ``delta_d``,
        ``delta_p``, ``delta_h`` may be added for own Hansen parameters.

        Parameters
        ----------
        path : str or Path
            The file, UTF-8 or UTF-16 with a byte-order mark; commas, semicolons or tabs, and decimal commas where
            cells are not separated by them. [-]

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
        place = Path(checks.path(path))
        text, encoding = decoded(file_bytes(place), place.name)
        if encoding == "cp1252":  # a guess, which would put wrong letters into names
            message = f"{place.name}: the file is not UTF-8; save it as CSV UTF-8"
            raise DataFileError(message)
        return cls._from_text(text, place.name)

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
        checks.text(name, "name")
        checks.frame(frame, "frame", "the columns of substances.csv")
        return cls._from_text(
            frame.to_csv(index=False, lineterminator="\r\n"), name
        )  # which quotes either kind of line end

    @classmethod
    def _from_text(cls, text: str, file: str) -> dict[str, Substance]:
        members = {}
        for row in read_own(text, file):
            try:
                made = cls(**row.fields)
            except InputError as error:
                message = f"{file}, row {row.number}: {error}"
                raise DataFileError(message) from None
            made._cite(row.sources, row.source)
            members[made.name] = made
        return members


def _estimated_values(estimate: Any, parameters: bool, made: Substance) -> Iterable[Value]:
    source = next((key for key in estimate.sources if key in data.sources()), "estimate")
    note = f"estimated, method {estimate.method}"
    if parameters:
        moved = f"{note}, moved by evidence on similar structures"
        sds = np.sqrt(np.diag(made.prior_covariance))
        for quantity, point, sd in zip(HSP_COLUMNS, made.prior.array, sds, strict=True):
            yield Value(quantity, float(point), "MPa^0.5", float(sd), True, source, moved)
    if made.volume == estimate.volume:
        yield Value("volume", float(estimate.volume), "cm3/mol", float(estimate.sd[3]), True, source, note)


def _covariance(value: ArrayLike | None, default: NDArray[np.float64]) -> NDArray[np.float64]:
    matrix = np.array(default if value is None else checks.array(value, "covariance", "(3, 3)"))
    if not np.all(np.abs(matrix) <= checks.MOST_HSP**2):
        raise checks.refuse(value, "covariance", "finite numbers in MPa")
    if matrix.shape == (3,):
        matrix = np.diag(matrix**2)
    if matrix.shape != (3, 3):
        message = f"covariance has shape {matrix.shape}; expected (3, 3), or (3,) standard deviations"
        raise InputError(message)
    if not np.allclose(matrix, matrix.T) or np.linalg.eigvalsh(matrix)[0] < -1e-9 * max(1.0, np.trace(matrix)):
        message = "covariance must be symmetric and not negative in any direction"
        raise InputError(message)
    matrix.setflags(write=False)
    return matrix


def _need(value: Any, name: str, substance_name: str) -> float:
    if value is None:
        message = f"substance {substance_name!r} needs {name} when there is no structure"
        raise InputError(message)
    return float(value)
