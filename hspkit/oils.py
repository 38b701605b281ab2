"""Essential oils: composition in mass %, folding, removal of terpenes, reading a GC report.

An oil is a list of substances with their shares. What no substance stands for is kept as the uncovered share
and reported; arrays for phase calculations (`fractions`, `component_hsp`, `component_volumes`) describe the
covered part only.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property, lru_cache
from math import fsum
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, data, gc_report
from hspkit.belief import Belief
from hspkit.errors import DataFileError, HspkitError, InputError, MoleculeError, UnknownNameError
from hspkit.gc_report import SUM_TOLERANCE, Report, Sheet
from hspkit.hansen import HSP, mix
from hspkit.molecules import read_molecule
from hspkit.names import check_cas, check_length, is_cas, normal_form
from hspkit.substances import Substance, substance

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LEAST_COVERED", "RESIDUE", "Oil", "compare", "covered", "oil", "oils"]

#: Role of the substances that stand for what is left when a cold-pressed oil has evaporated.
RESIDUE = "citrus residue"
#: Below this share of an oil that substances stand for, its coverage is shown with every answer; below the second one
#: nothing is answered unless that is asked for [mass %]; judgement, no source.
SHOW_COVERED, LEAST_COVERED = 95.0, 80.0

#: A liquid with a flash point up to this is labelled flammable in the UN system (GHS category 3) [degC].
FLAMMABLE_BELOW = 60.0
#: Coldest temperature at which a stated density says that an oil is a liquid for good [degC]; judgement, no source.
#: At the second one every oil that ships is sold and measured out as a liquid; common practice, no source.
ROOM, WARM_ROOM = 20.0, 25.0
_MONOTERPENE, _SESQUITERPENE = "C10H16", "C15H24"


@dataclass(frozen=True, eq=False)
class Oil:
    """An essential oil, or any mixture to be dissolved.

    Parameters
    ----------
    name : str
        Name of the oil. [-]
    labels : tuple of str, length n
        Names of the components, as the profile has them. [-]
    substances : tuple of Substance, length n
        The substances that the components are. [-]
    mass_percent : tuple of float, length n
        Shares of the whole oil, the uncovered part included. [mass %]
    uncovered : tuple of (str, float)
        Components or peaks that no substance stands for, with their shares. [mass %]
    ranges : tuple of (float or None, float or None), length n
        Lowest and highest share where the source states them. [mass %]
    mass_yield : float
        Mass of this oil per mass of the oil it was made from. [-]
    caution : str
        What to beware of. [-]
    notes : tuple of str
        What to know: unknown peaks and the names they may be meant for; what of a report was left out. [-]
    sources : tuple of str
        Source keys of the profile. [-]
    liquid_celsius : float, optional
        Temperature at which the oil was seen liquid, as whoever took its density did; without it a component that is a
        solid by itself may crystallise. [degC]
    least_covered_percent : float
        Coverage down to which questions about the oil are answered. [mass %]
    belief : Belief, optional
        What bench trials left of the uncertainty of its components (`hspkit.learn`).
    made_from : Oil, optional
        The oil that this one was made from by folding, washing or filtering.

    Raises
    ------
    InputError
        When a share is negative, the shares exceed 100 %, a substance stands twice (under two names even), two
        substances have one name, or nothing is covered.

    Examples
    --------
    >>> orange = oil("sweet orange, cold-pressed")
    >>> orange.labels[0], orange.covered_percent > 95
    ('limonene', True)
    """

    name: str
    labels: tuple[str, ...]
    substances: tuple[Substance, ...]
    mass_percent: tuple[float, ...]
    uncovered: tuple[tuple[str, float], ...] = ()
    ranges: tuple[tuple[float | None, float | None], ...] = ()
    mass_yield: float = 1.0
    caution: str = ""
    notes: tuple[str, ...] = field(default=(), repr=False)
    sources: tuple[str, ...] = field(default=(), repr=False)
    liquid_celsius: float | None = field(default=None, repr=False)
    least_covered_percent: float = field(default=LEAST_COVERED, repr=False)
    belief: Belief | None = field(default=None, repr=False)
    made_from: Oil | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        self._check()
        if not self.ranges:
            object.__setattr__(self, "ranges", ((None, None),) * len(self.labels))
        lengths = {len(self.labels), len(self.substances), len(self.mass_percent), len(self.ranges)}
        if len(lengths) != 1:
            message = f"oil {self.name!r}: labels, substances, mass_percent and ranges differ in length"
            raise InputError(message)
        if not self.substances:
            message = f"oil {self.name!r}: no component is known; expected at least one substance"
            raise InputError(message)
        shares = np.array([*self.mass_percent, *(share for _, share in self.uncovered)])
        if np.any(shares < 0) or not np.any(shares[: len(self.labels)] > 0):
            message = f"oil {self.name!r}: shares must be finite, not negative and not all zero [mass %]"
            raise InputError(message)
        if shares.sum() > 100.0 + SUM_TOLERANCE:
            message = f"oil {self.name!r}: shares sum to {shares.sum():.2f} %; expected at most 100 %"
            raise InputError(message)
        seen: dict[str, str] = {}
        names: dict[str, str] = {}
        for label, member in zip(self.labels, self.substances, strict=True):
            if member.identity in seen:
                both = f"{seen[member.identity]!r} and {label!r}"
                message = f"oil {self.name!r}: {both} are both {member.identity}; add them up"
                raise InputError(message)
            if names.setdefault(member.name, member.identity) != member.identity:
                message = f"oil {self.name!r}: two different substances are called {member.name!r}; rename one"
                raise InputError(message)
            seen[member.identity] = label

    def _check(self) -> None:
        """Refuse what is of the wrong kind, and keep rows as tuples."""
        rows: dict[str, Any] = {
            "labels": [
                checks.text(one, "one of labels") for one in checks.several(self.labels, "labels", "['limonene']")
            ],
            "substances": [
                checks.kind(one, "one of substances", Substance, "a Substance, such as substance('limonene')")
                for one in checks.several(self.substances, "substances", "[substance('limonene')]")
            ],
            "mass_percent": [
                checks.number(one, "one of mass_percent", "in mass %")
                for one in checks.several(self.mass_percent, "mass_percent", "[95.0]")
            ],
            "uncovered": [
                (label, checks.number(share, f"the share of {label!r}", "in mass %"))
                for label, share in _pairs(self.uncovered, "uncovered", "[('peak 7', 0.3)]")
            ],
            "ranges": _pairs(self.ranges, "ranges", "[(94.0, 96.0)]"),
        }
        for name, row in rows.items():
            object.__setattr__(self, name, tuple(row))
        for name in ("name", "caution"):
            checks.text(getattr(self, name), name)
        for name in ("notes", "sources"):
            checks.several(getattr(self, name), name, "['...']")
        checks.between(self.mass_yield, "mass_yield", 0, np.inf, "a number > 0")
        _percent(self.least_covered_percent)
        if self.liquid_celsius is not None:
            checks.celsius(self.liquid_celsius, "liquid_celsius")
        checks.kind(self.belief, "belief", (Belief, type(None)), "what hspkit.learn left, or None")
        checks.kind(self.made_from, "made_from", (Oil, type(None)), "an Oil or None")

    def __repr__(self) -> str:
        return f"Oil({self.name!r}, {len(self.labels)} components, {self.covered_percent:.1f} % covered)"

    @property
    def covered_percent(self) -> float:
        """Share of the oil that substances stand for. [mass %]"""
        return float(np.sum(self.mass_percent))

    @property
    def uncovered_percent(self) -> float:
        """Share that no substance stands for: unknown peaks and what the profile does not list. [mass %]"""
        return max(0.0, 100.0 - self.covered_percent)

    @property
    def coverage(self) -> str:
        """What to say of the coverage with every answer; empty when nearly all is covered."""
        if self.covered_percent >= SHOW_COVERED:
            return ""
        return (
            f"{self.name}: {self.covered_percent:.1f} % of the oil is covered; the other {self.uncovered_percent:.1f} "
            "% counts as uncertainty of the probability of clear and is not looked at otherwise."
        )

    @property
    def label(self) -> str:
        """The name for a title, with the coverage where it is to be shown."""
        return f"{self.name} ({self.covered_percent:.1f} % covered)" if self.coverage else self.name

    @property
    def seen_liquid(self) -> Oil | None:
        """This oil, or the one that it was made from, where it is known at which temperature it was liquid."""
        if self.liquid_celsius is not None or self.made_from is None:
            return self if self.liquid_celsius is not None else None
        return self.made_from.seen_liquid

    @cached_property
    def fractions(self) -> NDArray[np.float64]:
        """Volume fractions of the components in the covered part, shape (n,); they sum to 1. [-]"""
        molar_mass = np.array([s.molar_mass for s in self.substances])
        volumes = np.asarray(self.mass_percent) / molar_mass * self.component_volumes
        return _frozen(volumes / fsum(volumes))  # exact, whatever the order of the components

    @cached_property
    def component_volumes(self) -> NDArray[np.float64]:
        """Molar volumes at 25 C, shape (n,). [cm3/mol]"""
        return _frozen(np.array([s.volume for s in self.substances], dtype=float))

    @cached_property
    def component_hsp(self) -> NDArray[np.float64]:
        """Hansen parameters of the components, shape (n, 3). [MPa^0.5]"""
        return _frozen(np.stack([s.hsp.array for s in self.substances]))

    @cached_property
    def component_covariances(self) -> NDArray[np.float64]:
        """Covariance of each component's Hansen parameters, shape (n, 3, 3). [MPa]"""
        return _frozen(np.stack([np.asarray(s.covariance, dtype=float) for s in self.substances]))

    @property
    def hsp(self) -> HSP:
        """Hansen parameters of the covered part: the volume-fraction mean. [MPa^0.5]"""
        return HSP(*mix(self.component_hsp, self.fractions))

    @property
    def covariance(self) -> NDArray[np.float64]:
        """Covariance of `hsp`, shape (3, 3), from errors of the components taken as independent. [MPa]"""
        return np.einsum("i,ijk->jk", self.fractions**2, self.component_covariances)

    @property
    def volume(self) -> float:
        """Mean molar volume of the covered part at 25 C. [cm3/mol]"""
        return float(1.0 / np.sum(self.fractions / self.component_volumes))

    @property
    def density(self) -> float:
        """Density at 25 C of the covered part, taking the components to mix without contraction. [g/mL]"""
        molar_mass = np.array([s.molar_mass for s in self.substances])
        return float(np.sum(self.fractions * molar_mass / self.component_volumes))

    @cached_property
    def terpenes(self) -> NDArray[np.bool_]:
        """Which components are terpene hydrocarbons, C10H16 or C15H24, shape (n,). [-]"""
        return _frozen(np.array([s.formula in (_MONOTERPENE, _SESQUITERPENE) for s in self.substances]))

    @property
    def terpene_percent(self) -> float:
        """Share of terpene hydrocarbons. [mass %]"""
        return float(np.asarray(self.mass_percent)[self.terpenes].sum())

    @property
    def components(self) -> pd.DataFrame:
        """One row per component: component, cas, mass_percent, min_pct, max_pct, fraction, terpene."""
        import pandas as pd

        return pd.DataFrame(
            {
                "component": self.labels,
                "cas": [s.cas for s in self.substances],
                "mass_percent": self.mass_percent,
                "min_pct": [low for low, _ in self.ranges],
                "max_pct": [high for _, high in self.ranges],
                "fraction": self.fractions,
                "terpene": self.terpenes,
            }
        )

    def folded(self, times: float) -> Oil:
        """Return the oil concentrated by distilling off monoterpene hydrocarbons, then sesquiterpenes.

        A five-fold oil is one fifth of the mass of the oil it comes from.

        Parameters
        ----------
        times : float
            Mass of the oil per mass of the folded oil. [-]

        Returns
        -------
        Oil
            The folded oil; `mass_yield` is 1/times. Its other components keep their mass.

        Raises
        ------
        InputError
            When times is below 1, or more than the terpenes allow.

        Examples
        --------
        >>> five = oil("sweet orange, cold-pressed").folded(5)
        >>> round(five.mass_yield, 3), five.covered_percent + five.uncovered_percent
        (0.2, 100.0)
        """
        times = checks.number(times, "times", "", low=1)
        most = 100.0 / max(100.0 - self.terpene_percent, 1e-9)
        if times >= most:
            message = (
                f"{self.name!r} has {self.terpene_percent:.1f} % of terpenes and folds less than {most:.1f} "
                f"times; asked {times:g}"
            )
            raise InputError(message)
        shares = np.asarray(self.mass_percent, dtype=float)
        remove = 100.0 - 100.0 / times
        kept = shares.copy()
        for formula in (_MONOTERPENE, _SESQUITERPENE):  # the lighter ones boil off first
            group = np.array([s.formula == formula for s in self.substances])
            amount = kept[group].sum()
            gone = min(remove, amount)
            if amount > 0:
                kept[group] *= 1.0 - gone / amount
            remove -= gone
        return self._with_masses(kept, f"{self.name}, {times:g}-fold")

    def without_terpenes(self, share: float = 1.0) -> Oil:
        """Return the oil after a share of every terpene hydrocarbon has been removed.

        Parameters
        ----------
        share : float
            How much of the terpene hydrocarbons goes, 0 to 1. [-]

        Returns
        -------
        Oil
            The terpene-poor oil; `mass_yield` says how much is left. Other components keep their mass.

        Raises
        ------
        InputError
            When share is not between 0 and 1, or nothing would be left.

        Examples
        --------
        >>> lemon = oil("lemon, cold-pressed")
        >>> poor = lemon.without_terpenes(0.95)
        >>> poor.terpene_percent < lemon.terpene_percent
        True
        """
        share = checks.number(share, "share", "", low=0, high=1, expected="0 (none) to 1 (all)")
        kept = np.asarray(self.mass_percent) * np.where(self.terpenes, 1.0 - share, 1.0)
        return self._with_masses(kept, f"{self.name}, {100 * share:g} % of terpenes removed")

    @property
    def waxes(self) -> NDArray[np.bool_]:
        """Which components are waxes, the long alkanes that a cold-pressed oil brings from the peel, shape (n,). [-]"""
        return np.array([s.role == RESIDUE and _is_alkane(s.formula) for s in self.substances])

    def without_wax(self) -> Oil:
        """Return the oil chilled and filtered: without the waxes that cloud it and what it is dissolved in.

        Returns
        -------
        Oil
            Without `waxes`; its other components keep their mass.

        Raises
        ------
        InputError
            When nothing else is in it.

        Examples
        --------
        >>> orange = oil("sweet orange, cold-pressed")
        >>> set(orange.labels) - set(orange.without_wax().labels)
        {'nonacosane'}
        """
        return self._with_masses(np.where(self.waxes, 0.0, self.mass_percent), f"{self.name}, filtered")

    def _with_masses(self, kept: NDArray[np.float64], name: str) -> Oil:
        """Return the oil whose components have these masses per 100 of this one; the uncovered part stays."""
        total = kept.sum() + self.uncovered_percent
        if kept.sum() <= 0:
            message = f"nothing known would be left of {self.name!r}"
            raise InputError(message)
        stays = kept > 0
        scale = 100.0 / total

        def pick(values: Sequence[Any]) -> tuple[Any, ...]:
            return tuple(value for value, stay in zip(values, stays, strict=True) if stay)

        return replace(
            self,
            name=name,
            labels=pick(self.labels),
            substances=pick(self.substances),
            mass_percent=tuple(float(x) for x in kept[stays] * scale),
            uncovered=tuple((label, share * scale) for label, share in self.uncovered),
            ranges=(),
            mass_yield=float(self.mass_yield * total / 100.0),
            liquid_celsius=None,
            made_from=self,
        )

    @classmethod
    def from_table(
        cls,
        frame: pd.DataFrame,
        *,
        name: str = "my oil",
        component: str | None = None,
        percent: str | None = None,
        liquid_celsius: float | None = None,
        least_covered_percent: float = LEAST_COVERED,
    ) -> Oil:
        """Return an oil from a table of components and their shares.

        Parameters
        ----------
        frame : pandas.DataFrame
            One row per component; names, CAS numbers or SMILES, and mass or area %. [-]
        name : str
            What to call the oil. [-]
        component, percent : str, optional
            Names of the two columns; usual headings are found without. [-]
        liquid_celsius : float, optional
            Temperature at which the oil was seen liquid: then its components that are solid by themselves are known
            to stay dissolved in it from there on. [degC]
        least_covered_percent : float
            Coverage down to which questions about the oil are answered. [mass %]

        Returns
        -------
        Oil
            Rows that no substance answers to are kept as uncovered share; rows of totals are left out. `notes` says so.

        Raises
        ------
        DataFileError
            Naming table, row and column, when a share is not a number, is negative, the shares exceed 100 %,
            a component stands twice, or name and CAS number are of two substances.

        Notes
        -----
        Area % of a flame-ionisation detector is taken as mass %, as is usual; residues that do not reach the
        detector are not in it.

        Examples
        --------
        >>> import pandas as pd
        >>> frame = pd.DataFrame({"component": ["limonene", "peak 7"], "area %": [94, 2]})
        >>> Oil.from_table(frame, name="orange")
        Oil('orange', 1 components, 94.0 % covered)
        """
        import pandas as pd

        checks.frame(frame, "frame", "a column of components and one of shares")
        checks.text(name, "name")
        _check_columns(component, percent)
        where = f"table {name!r}"
        header = [str(column) for column in frame.columns]
        rows = [
            (number, ["" if pd.api.types.is_scalar(value) and pd.isna(value) else str(value) for value in row])
            for number, row in enumerate(frame.itertuples(index=False), start=1)
        ]
        found = gc_report.peaks(Sheet(header, rows), where, component=component, percent=percent)
        return _from_report(found, name, where, liquid_celsius, least_covered_percent)

    @classmethod
    def from_csv(
        cls,
        path: str | Path,
        *,
        name: str | None = None,
        component: str | None = None,
        percent: str | None = None,
        liquid_celsius: float | None = None,
        least_covered_percent: float = LEAST_COVERED,
    ) -> Oil:
        """Return an oil from a csv of a GC report.

        Commas, semicolons or tabs, decimal commas, a byte-order mark, UTF-8, UTF-16 and Windows-1252 are
        understood; "tr", "n.d." and "<0.1" count as zero. Lines above the headings and rows of totals are left out.

        Parameters
        ----------
        path : str or Path
            The file. [-]
        name : str, optional
            What to call the oil; default the name of the file. [-]
        component, percent : str, optional
            Names of the two columns; usual headings are found without. [-]
        liquid_celsius : float, optional
            Temperature at which the oil was seen liquid: then its components that are solid by themselves are known
            to stay dissolved in it from there on. [degC]
        least_covered_percent : float
            Coverage down to which questions about the oil are answered. [mass %]

        Returns
        -------
        Oil
            Unknown peaks are kept as uncovered share. `notes` says what was left out and what was taken for what.

        Raises
        ------
        DataFileError
            Naming file, row and column; nothing is half-loaded.
        """
        file = Path(checks.path(path))
        checks.kind(name, "name", (str, type(None)), "a text or None")
        _check_columns(component, percent)
        sheet = gc_report.read_csv(file, component=component, percent=percent)
        found = gc_report.peaks(sheet, file.name, component=component, percent=percent)
        return _from_report(found, name or file.stem, file.name, liquid_celsius, least_covered_percent)


def _percent(value: float) -> float:
    return checks.number(value, "least_covered_percent", "", low=0, high=100, expected="0 to 100 mass %")


def _check_columns(component: str | None, percent: str | None) -> None:
    for name, given in (("component", component), ("percent", percent)):
        checks.kind(given, name, (str, type(None)), "the heading of a column, or None")


def _pairs(given: Any, name: str, example: str) -> list[tuple[Any, ...]]:
    pairs = [checks.several(one, f"one of {name}", example[1:-1]) for one in checks.several(given, name, example)]
    if any(len(pair) != 2 for pair in pairs):
        raise checks.refuse(given, name, f"pairs such as {example}")
    return pairs


def _is_alkane(formula: str) -> bool:
    match = re.fullmatch(r"C(\d+)H(\d+)", formula)
    return match is not None and int(match[2]) == 2 * int(match[1]) + 2


def _frozen(array: Any) -> Any:
    array.flags.writeable = False
    return array


def _from_report(
    report: Report, name: str, where: str, liquid_celsius: float | None, least_covered_percent: float
) -> Oil:
    known: dict[str, tuple[str, Substance, float, int]] = {}
    uncovered: list[tuple[str, float]] = []
    notes = list(report.notes)
    for peak in report.peaks:
        label = peak.name or peak.cas or f"peak in row {peak.row}"
        try:
            found, said = _identify(peak.cas, peak.name)
        except InputError as error:
            message = f"{where}, row {peak.row}: {error}"
            raise DataFileError(message) from None
        if said:
            notes.append(f"{where}, row {peak.row}, {peak.percent:g} %: {said}")
        if found is None:
            uncovered.append((label, peak.percent))
            if peak is report.peaks[-1] and gc_report.sums_the_others(report.peaks):
                message = (
                    f"{where}, row {peak.row}: {label!r} is no known substance and as much as all others together; "
                    "call it 'total' or delete it if it is their total, put it above another row if it is a peak"
                )
                raise DataFileError(message)
            continue
        if found.identity in known:
            other, _, _, row = known[found.identity]
            message = f"{where}, row {peak.row}: {label!r} is {found.name}, like {other!r} in row {row}; add them up"
            raise DataFileError(message)
        known[found.identity] = (label, found, peak.percent, peak.row)
    if not known:
        message = f"{where}: no component is known to the tables; expected names, CAS numbers or SMILES"
        raise DataFileError(message)
    labels, members, shares, _ = zip(*known.values(), strict=True)
    return Oil(
        name, labels, members, shares, tuple(uncovered), notes=tuple(notes), liquid_celsius=liquid_celsius,
        least_covered_percent=_percent(least_covered_percent),
    )  # fmt: skip


def _identify(cas: str, name: str) -> tuple[Substance | None, str]:
    """Return the substance that CAS number and name of a peak mean together, and what there is to say about them.

    An error when they mean two substances, or when nothing but a CAS number with a typing slip is known.
    """
    if is_cas(name) and not cas:
        cas, name = name, ""
    if not is_cas(cas) and not name:
        cas, name = "", cas
    by_name, unknown = _find(name, gc_report.spoken_name(name))
    if not cas:
        return by_name, unknown
    try:
        by_cas, unlisted = _find(check_cas(cas))
    except InputError as slip:
        if by_name is not None:
            return by_name, f"{slip}; {by_name.name} is taken, by the name {name!r}"
        if is_cas(cas):
            raise
        return None, f"{unknown}; {slip}"
    if by_cas is None:
        if by_name is None:
            return None, unlisted if not name else f"{unknown}; nor is CAS number {cas} in the tables"
        return by_name, f"CAS number {cas} is not in the tables; {by_name.name} is taken, by the name {name!r} alone"
    if by_name is None:
        return (
            by_cas,
            f"{name!r} is not in the tables; {by_cas.name} is taken, by CAS number {cas} alone" if name else "",
        )
    if by_name.name == by_cas.name:
        return by_cas, ""
    both = f"{name!r} is {by_name.name}, but CAS number {cas} is that of {by_cas.name}"
    if _constitution(by_name) != _constitution(by_cas):
        message = f"{both}; correct the one that is wrong"
        raise InputError(message)
    return by_cas, f"{both}, which differs in stereo marks only; {by_cas.name} is taken"


def _constitution(member: Substance) -> str:
    """Return the structure of a substance without stereo marks; its name where that cannot be read, as of water."""
    try:
        return read_molecule(member.smiles).canonical
    except MoleculeError:
        return member.name


def _find(*identities: str) -> tuple[Substance | None, str]:
    """Return the substance of the first identity that one answers to; else None and why not."""
    why = "it has no name"
    for identity in dict.fromkeys(identities):
        if identity:
            try:
                return substance(identity), ""
            except HspkitError as error:
                why = str(error)
    return None, why


# --- the oils that ship ---


@cache
def _names() -> dict[str, Mapping[str, Any]]:
    return {row["oil"]: row for row in data.read_table("oil_names.csv").rows}


@cache
def _profiles() -> dict[str, list[Mapping[str, Any]]]:
    found: dict[str, list[Mapping[str, Any]]] = {name: [] for name in _names()}
    for row in data.read_table("oils.csv").rows:
        if row["used"]:
            found[row["oil"]].append(row)
    return found


_FILLERS = frozenset({"oil", "essential", "of", "type", "the", "and", "or"})


@lru_cache(maxsize=4096)
def _words(text: str) -> frozenset[str]:
    """Return the words of a name, whatever their order: "oil of clove buds" is "clove, bud"."""
    plain = normal_form(text).replace("expressed", "cold pressed").replace("coldpressed", "cold pressed")
    words = (word.removesuffix("s") if len(word) > 3 else word for word in plain.split())
    return frozenset(words) - _FILLERS


@cache
def _index() -> dict[frozenset[str], str]:
    found: dict[frozenset[str], str] = {}
    for name, row in _names().items():
        for known in (name, *(row["synonyms"] or "").split(";")):
            if known.strip():
                found.setdefault(_words(known), name)
    return found


@lru_cache(maxsize=4096)
def _resolve(name: str) -> str | None:
    """Return the shipped oil a name means; None when it means none, an error when it means several."""
    words = _words(name)
    if not words:
        return None
    exact = _index().get(words)
    if exact:
        return exact
    plants = [known for known in _names() if _words(known.split(",")[0]) == words]
    choices = plants or [known for known in _names() if words <= _words(known) and words & _words(known.split(",")[0])]
    if len(choices) > 1:
        message = f"{name!r} can mean {'; '.join(repr(c) for c in choices)}: name the process or the part"
        raise UnknownNameError(message)
    return choices[0] if choices else None


@cache
def _liquid_celsius() -> dict[str, float]:
    """Return for each oil the lowest temperature at which its density is stated: it was a liquid there.

    `WARM_ROOM` where none is. Not those below `ROOM`: anise and peppermint oils, say, stay liquid at 15 C for a while
    and freeze on a longer look.
    """
    found = dict.fromkeys(_names(), WARM_ROOM)
    for row in data.read_table("oil_physical.csv").rows:
        if row["density_min"] is not None and row["celsius"] is not None and row["celsius"] >= ROOM:
            found[row["oil"]] = min(found[row["oil"]], float(row["celsius"]))
    return found


@cache
def _shipped(name: str) -> Oil:
    row = _names()[name]
    labels, members, shares, ranges, uncovered, sources = [], [], [], [], [], []
    for part in _profiles()[name]:
        found, _ = _find(part["cas"] or "")
        sources.append(part["source"])
        if found is None:
            uncovered.append((part["component"], part["typical_pct"]))
            continue
        labels.append(part["component"])
        members.append(found)
        shares.append(part["typical_pct"])
        ranges.append((part["min_pct"], part["max_pct"]))
    return Oil(
        name,
        tuple(labels),
        tuple(members),
        tuple(shares),
        tuple(uncovered),
        tuple(ranges),
        caution=row["caution"] or "",
        sources=tuple(dict.fromkeys(sources)),
        liquid_celsius=_liquid_celsius()[name],
    )


def oil(name: str | Oil | Substance, *, least_covered_percent: float | None = None) -> Oil:
    """Return an essential oil, or an aroma compound as an oil of one component.

    Parameters
    ----------
    name : str, Oil or Substance
        "<plant>, <process or part>", a synonym, or the plant alone when that is unique; else the name, CAS
        number or SMILES of a substance. An Oil is returned as it is. [-]
    least_covered_percent : float, optional
        Coverage down to which questions about the oil are answered; 80 by default. [mass %]

    Returns
    -------
    Oil

    Raises
    ------
    UnknownNameError
        When the name means several oils (the choices are listed) or nothing (close names are listed).

    Examples
    --------
    >>> oil("bergamot").name
    'bergamot, cold-pressed'
    >>> oil("clove")
    Traceback (most recent call last):
    hspkit.errors.UnknownNameError: 'clove' can mean 'clove, bud'; 'clove, leaf': name the process or the part
    >>> oil("linalool").mass_percent
    (100.0,)
    """
    if least_covered_percent is not None:
        return replace(oil(name), least_covered_percent=_percent(least_covered_percent))
    if isinstance(name, Oil):
        return name
    if isinstance(name, Substance):
        return _pure(name)
    if not isinstance(name, str) or not name.strip():
        raise checks.refuse(name, "oil", "a name such as 'lemon, cold-pressed', a Substance or an Oil")
    known = _resolve(check_length(name, "oil"))
    if known is not None:
        return _shipped(known)
    try:
        found = substance(name)
    except HspkitError as error:
        close = difflib.get_close_matches(name.lower(), list(_names()), n=4, cutoff=0.5)
        hint = f"; close oils: {', '.join(map(repr, close))}" if close else "; hspkit.oils() lists what ships"
        message = f"no oil {name!r}{hint}. As a substance: {error}"
        raise UnknownNameError(message) from None
    return _pure(found)


def covered(name: str | Oil | Substance) -> Oil:
    """Return an oil of which enough is known to answer questions about it; see `oil`.

    Parameters
    ----------
    name : str, Oil or Substance
        As `oil` takes it. [-]

    Raises
    ------
    UnknownNameError
        As `oil`.
    InputError
        When less of it is covered than its ``least_covered_percent``.

    Examples
    --------
    >>> covered("citronella, Ceylon")
    Traceback (most recent call last):
    hspkit.errors.InputError: substances stand for 63.9 % of 'citronella, Ceylon' only, and 80 % are needed for ...
    >>> covered(oil("citronella, Ceylon", least_covered_percent=60)).covered_percent
    63.9
    """
    found = oil(name)
    if found.covered_percent < found.least_covered_percent:
        message = (
            f"substances stand for {found.covered_percent:.3g} % of {found.name!r} only, and "
            f"{found.least_covered_percent:g} % are needed for an answer; name more of its components (oil.notes says "
            "which peaks were not understood), or ask for an answer on what is known with "
            f"least_covered_percent={np.floor(found.covered_percent):g} in hspkit.oil, Oil.from_csv or Oil.from_table "
            "(--least-covered-percent in the shell)"
        )
        raise InputError(message)
    return found


def _pure(member: Substance) -> Oil:
    flash = member.flash_celsius
    burns = flash is not None and flash <= FLAMMABLE_BELOW
    caution = f"Flammable liquid (flash point about {flash:g} C)." if burns else ""
    return Oil(member.name, (member.name,), (member,), (100.0,), caution=caution)


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
        covered = sum(p["typical_pct"] for p in profile if p["cas"])
        body = physical.get(name, {})
        table.append(
            {
                "oil": name,
                "botanical_name": row["botanical_name"],
                "synonyms": row["synonyms"],
                "components": sum(1 for p in profile if p["cas"]),
                "covered_percent": covered,
                "uncovered_percent": max(0.0, 100.0 - covered),
                **{
                    key: body.get(key)
                    for key in (
                        "celsius", "density_min", "density_max", "refractive_index_min",
                        "refractive_index_max", "flash_point",
                    )
                },
                "flammable": row["flammable"],
                "skin_sensitising": row["skin_sensitising"],
                "phototoxic": row["phototoxic"],
                "caution": row["caution"],
                "sources": "; ".join(dict.fromkeys(p["source"] for p in profile)),
            }
        )  # fmt: skip
    return pd.DataFrame(table)


def compare(*items: Oil | str) -> pd.DataFrame:
    """Return oils side by side, such as an oil before and after folding.

    Parameters
    ----------
    *items : Oil or str
        At least one oil. [-]

    Returns
    -------
    pandas.DataFrame
        Columns quantity, unit and one per oil. Rows: the components by share in the first oil [mass %], the share
        without a substance, terpene hydrocarbons, mass yield, density, Hansen parameters.

    Raises
    ------
    InputError
        When no oil is given.

    Examples
    --------
    >>> orange = oil("sweet orange")
    >>> table = compare(orange, orange.folded(5)).set_index("quantity")
    >>> [round(float(x), 2) for x in table.loc["decanal"].tolist()[1:]]
    [0.3, 1.5]
    """
    import pandas as pd

    chosen = [oil(item) for item in items]
    if not chosen:
        message = "no oil given; expected at least one"
        raise InputError(message)
    shares = [{s.identity: share for s, share in zip(o.substances, o.mass_percent, strict=True)} for o in chosen]
    known = list(dict.fromkeys(one for share in shares for one in sorted(share, key=lambda n: -share[n])))
    names = {s.identity: s.name for o in reversed(chosen) for s in o.substances}
    rows: list[tuple[Any, ...]] = [(names[one], "mass %", *(share.get(one, 0.0) for share in shares)) for one in known]
    rows += [
        ("without a substance", "mass %", *(o.uncovered_percent for o in chosen)),
        ("terpene hydrocarbons", "mass %", *(o.terpene_percent for o in chosen)),
        ("mass yield", "-", *(o.mass_yield for o in chosen)),
        ("density", "g/mL", *(o.density for o in chosen)),
        *(
            (part, "MPa^0.5", *(float(o.hsp.array[axis]) for o in chosen))
            for axis, part in enumerate(("delta_d", "delta_p", "delta_h"))
        ),
    ]
    return pd.DataFrame(rows, columns=["quantity", "unit", *(o.name for o in chosen)])
