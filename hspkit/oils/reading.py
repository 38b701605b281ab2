"""Peaks of a GC report or rows of a table: which substance each of them is, and what is left without one."""

from __future__ import annotations

import re
from typing import NamedTuple

from hspkit import checks, gc_report
from hspkit.errors import DataFileError, HspkitError, InputError, MoleculeError
from hspkit.gc_report import Report
from hspkit.molecules import read_molecule
from hspkit.names import check_cas, is_cas
from hspkit.substances import Substance, substance

__all__ = ["Profile", "find_substance", "identify_peaks", "spoken_name"]


class Profile(NamedTuple):
    """Components of an oil as a report has them.

    Attributes
    ----------
    labels : tuple of str, length n
        Names of the components in the report. [-]
    substances : tuple of Substance, length n
        The substances that the components are. [-]
    mass_percent : tuple of float, length n
        Shares of the whole oil. [mass %]
    uncovered : tuple of (str, float)
        Peaks that no substance stands for, with their shares. [mass %]
    notes : tuple of str
        What was left out, and what was taken for what. [-]
    """

    labels: tuple[str, ...]
    substances: tuple[Substance, ...]
    mass_percent: tuple[float, ...]
    uncovered: tuple[tuple[str, float], ...]
    notes: tuple[str, ...]


def identify_peaks(report: Report, where: str) -> Profile:
    """Return the substances that the peaks of a report are.

    Parameters
    ----------
    report : Report
        The peaks. [-]
    where : str
        Name of the file or table, for messages. [-]

    Raises
    ------
    DataFileError
        When two peaks are one substance, name and CAS number of a peak are of two substances, the last peak may be the
        total of the others, or no substance is known.

    Examples
    --------
    >>> report = Report((gc_report.Peak("limonene", "", 94.0, 2), gc_report.Peak("peak 7", "", 2.0, 3)), ())
    >>> profile = identify_peaks(report, "orange.csv")
    >>> profile.labels, profile.uncovered
    (('limonene',), (('peak 7', 2.0),))
    """
    components: dict[str, tuple[str, Substance, float, int]] = {}
    uncovered: list[tuple[str, float]] = []
    notes = list(report.notes)
    for peak in report.peaks:
        row, label = f"{where}, row {peak.row}", peak.name or peak.cas or f"peak in row {peak.row}"
        try:
            member, note = _identify(peak.cas, peak.name)
        except InputError as error:
            raise checks.fault(row, str(error), DataFileError) from None
        if note:
            notes.append(f"{row}, {peak.percent:g} %: {note}")
        if member is None:
            uncovered.append((label, peak.percent))
            if peak is report.peaks[-1] and gc_report.sums_the_others(report.peaks):
                problem = (
                    f"{label!r} is no known substance and as much as all others together; call it 'total' or delete "
                    "it if it is their total, put it above another row if it is a peak"
                )
                raise checks.fault(row, problem, DataFileError)
            continue
        if member.identity in components:
            other, _, _, first = components[member.identity]
            problem = f"{label!r} is {member.name}, like {other!r} in row {first}; add them up"
            raise checks.fault(row, problem, DataFileError)
        components[member.identity] = (label, member, peak.percent, peak.row)
    if not components:
        problem = "no component is known to the tables; expected names, CAS numbers or SMILES"
        raise checks.fault(where, problem, DataFileError)
    labels, members, shares, _ = zip(*components.values(), strict=True)
    return Profile(labels, members, shares, tuple(uncovered), tuple(notes))


def spoken_name(name: str) -> str:
    """Return a name as it is spoken, from the order that libraries of mass spectra sort by.

    Parameters
    ----------
    name : str
        Such as "Pinene <alpha->". [-]

    Examples
    --------
    >>> spoken_name("Pinene <alpha->"), spoken_name("Cymene <p->"), spoken_name("linalool")
    ('alpha-Pinene', 'p-Cymene', 'linalool')
    """
    match = re.fullmatch(r"\s*(?P<stem>[^<>]+?)\s*<(?P<prefix>[^<>]+)>\s*", name)
    return name if match is None else f"{match['prefix'].rstrip('-')}-{match['stem']}"


def _identify(cas: str, name: str) -> tuple[Substance | None, str]:
    """Return the substance that CAS number and name of a peak mean together, and what there is to say about them.

    An error when they mean two substances, or when nothing but a CAS number with a typing slip is known.
    """
    if is_cas(name) and not cas:
        cas, name = name, ""
    if not is_cas(cas) and not name:
        cas, name = "", cas
    by_name, unknown = find_substance(name, spoken_name(name))
    if not cas:
        return by_name, unknown
    try:
        by_cas, unlisted = find_substance(check_cas(cas))
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


def find_substance(*identities: str) -> tuple[Substance | None, str]:
    """Return the first substance that one of several names or CAS numbers means; else None and why there is none.

    Parameters
    ----------
    *identities : str
        Names, CAS numbers or SMILES; empty ones are passed over. [-]

    Examples
    --------
    >>> find_substance("peak 7", "limonene")[0].name, find_substance("")
    ('limonene', (None, 'it has no name'))
    """
    why = "it has no name"
    for identity in dict.fromkeys(identities):
        if identity:
            try:
                return substance(identity), ""
            except HspkitError as error:
                why = str(error)
    return None, why
