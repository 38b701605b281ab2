"""An essential oil, or any mixture to be dissolved: components with their shares, and arrays for phase calculations."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from math import fsum
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, gc_report
from hspkit.belief import Belief
from hspkit.errors import InputError
from hspkit.frozen import freeze
from hspkit.hansen import HSP, mix
from hspkit.oils.components import Components, checked_components
from hspkit.oils.folding import are_alkanes, are_terpenes, distil
from hspkit.oils.reading import identify_peaks
from hspkit.rendering import html_table, number
from hspkit.substances import Substance

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LEAST_COVERED", "RESIDUE", "Oil"]

#: Role of the substances that stand for what is left when a cold-pressed oil has evaporated.
RESIDUE = "citrus residue"
#: Below this share of an oil that substances stand for, its coverage is shown with every answer; below the second one
#: nothing is answered unless that is asked for [mass %]; judgement, no source.
SHOW_COVERED, LEAST_COVERED = 95.0, 80.0


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
    >>> from hspkit import oil
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
        for name in ("name", "caution"):
            checks.text(getattr(self, name), name)
        for name in ("notes", "sources"):
            checks.several(getattr(self, name), name, "['...']")
        checks.between(self.mass_yield, "mass_yield", 0, np.inf, "a number > 0")
        checks.number(
            self.least_covered_percent, "least_covered_percent", "", low=0, high=100, expected="0 to 100 mass %"
        )
        if self.liquid_celsius is not None:
            checks.celsius(self.liquid_celsius, "liquid_celsius")
        checks.kind(self.belief, "belief", (Belief, type(None)), "what hspkit.learn left, or None")
        checks.kind(self.made_from, "made_from", (Oil, type(None)), "an Oil or None")
        components = Components(self.labels, self.substances, self.mass_percent, self.uncovered, self.ranges)
        for name, row in checked_components(components, f"oil {self.name!r}")._asdict().items():
            object.__setattr__(self, name, row)

    def __repr__(self) -> str:
        return f"Oil({self.name!r}, {len(self.labels)} components, {self.covered_percent:.1f} % covered)"

    def _repr_html_(self) -> str:
        shares = [*zip(self.labels, self.mass_percent, strict=True), ("without a substance", self.uncovered_percent)]
        return html_table([self.label, ("share", "mass %")], [[label, number(share)] for label, share in shares])

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
        if self.liquid_celsius is not None:
            return self
        return None if self.made_from is None else self.made_from.seen_liquid

    @cached_property
    def fractions(self) -> NDArray[np.float64]:
        """Volume fractions of the components in the covered part, shape (n,); they sum to 1. [-]"""
        volumes = np.asarray(self.mass_percent) / self._molar_mass * self.component_volumes
        return freeze(volumes / fsum(volumes))  # exact, whatever the order of the components

    @cached_property
    def component_volumes(self) -> NDArray[np.float64]:
        """Molar volumes at 25 C, shape (n,). [cm3/mol]"""
        return freeze(np.array([s.volume for s in self.substances], dtype=float))

    @cached_property
    def component_hsp(self) -> NDArray[np.float64]:
        """Hansen parameters of the components, shape (n, 3). [MPa^0.5]"""
        return freeze(np.stack([s.hsp.array for s in self.substances]))

    @cached_property
    def component_covariances(self) -> NDArray[np.float64]:
        """Covariance of each component's Hansen parameters, shape (n, 3, 3). [MPa]"""
        return freeze(np.stack([np.asarray(s.covariance, dtype=float) for s in self.substances]))

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
        return float(np.sum(self.fractions * self._molar_mass / self.component_volumes))

    @property
    def _molar_mass(self) -> NDArray[np.float64]:
        """Molar masses of the components, shape (n,). [g/mol]"""
        return np.array([s.molar_mass for s in self.substances])

    @property
    def _formulas(self) -> list[str]:
        return [s.formula for s in self.substances]

    @cached_property
    def terpenes(self) -> NDArray[np.bool_]:
        """Which components are terpene hydrocarbons, C10H16 or C15H24, shape (n,). [-]"""
        return freeze(are_terpenes(self._formulas))

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
        >>> from hspkit import oil
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
        kept = distil(np.asarray(self.mass_percent), self._formulas, 100.0 - 100.0 / times)
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
        >>> from hspkit import oil
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
        return are_alkanes(self._formulas) & np.array([s.role == RESIDUE for s in self.substances])

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
        >>> from hspkit import oil
        >>> orange = oil("sweet orange, cold-pressed")
        >>> set(orange.labels) - set(orange.without_wax().labels)
        {'nonacosane'}
        """
        return self._with_masses(np.where(self.waxes, 0.0, self.mass_percent), f"{self.name}, filtered")

    def _with_masses(self, kept: NDArray[np.float64], name: str) -> Oil:
        """Return the oil whose components have these masses per 100 of this one; the uncovered part stays."""
        if kept.sum() <= 0:
            message = f"nothing known would be left of {self.name!r}"
            raise InputError(message)
        total = kept.sum() + self.uncovered_percent
        scale = 100.0 / total
        left = np.flatnonzero(kept > 0)
        return replace(
            self,
            name=name,
            labels=tuple(self.labels[i] for i in left),
            substances=tuple(self.substances[i] for i in left),
            mass_percent=tuple(float(share) for share in kept[left] * scale),
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
        liquid_celsius, least_covered_percent : float, optional
            As in `Oil`. [degC; mass %]

        Returns
        -------
        Oil
            Rows that no substance answers to are kept as uncovered share; rows of totals are left out. `notes` says
            which, and what was taken for what.

        Raises
        ------
        DataFileError
            Naming table, row and column, when a share is not a number, is negative, the shares exceed 100 %,
            a component stands twice, or name and CAS number are of two substances. Nothing is half-loaded.

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
        checks.frame(frame, "frame", "a column of components and one of shares")
        checks.text(name, "name")
        where = f"table {name!r}"
        report = gc_report.peaks(gc_report.sheet_of(frame), where, component=component, percent=percent)
        return Oil(
            name, **identify_peaks(report, where)._asdict(), liquid_celsius=liquid_celsius,
            least_covered_percent=least_covered_percent,
        )  # fmt: skip

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
        component, percent, liquid_celsius, least_covered_percent
            As in `from_table`. [-]

        Returns
        -------
        Oil
            As from `from_table`.

        Raises
        ------
        DataFileError
            As in `from_table`, and when the file cannot be read.
        """
        file = Path(checks.path(path))
        checks.kind(name, "name", (str, type(None)), "a text or None")
        sheet = gc_report.read_csv(file, component=component, percent=percent)
        report = gc_report.peaks(sheet, file.name, component=component, percent=percent)
        return Oil(
            name or file.stem, **identify_peaks(report, file.name)._asdict(), liquid_celsius=liquid_celsius,
            least_covered_percent=least_covered_percent,
        )  # fmt: skip
