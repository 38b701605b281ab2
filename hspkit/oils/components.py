"""The components of an oil, with their shares, and what they must be together."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from hspkit import checks
from hspkit.gc_report import SUM_TOLERANCE
from hspkit.substances import Substance

__all__ = ["Components", "checked_components"]


class Components(NamedTuple):
    """Components of an oil; see `hspkit.oils.Oil`."""

    labels: tuple[str, ...]
    substances: tuple[Substance, ...]
    mass_percent: tuple[float, ...]
    uncovered: tuple[tuple[str, float], ...]
    ranges: tuple[tuple[float | None, float | None], ...]


def checked_components(components: Components, where: str) -> Components:
    """Return components as tuples, after checking the kind of each value and that they fit together.

    Parameters
    ----------
    components : Components
        Any sequences; empty ranges are filled in as unknown. [-]
    where : str
        Name of the oil, for messages. [-]

    Raises
    ------
    InputError
        As in `hspkit.oils.Oil`.

    Examples
    --------
    >>> from hspkit.substances import substance
    >>> checked_components(Components(["limonene"], [substance("limonene")], [95], [], []), "oil 'orange'").ranges
    ((None, None),)
    """
    labels, substances, mass_percent, uncovered, ranges = components
    components = Components(
        tuple(checks.text(label, "one of labels") for label in checks.several(labels, "labels", "['limonene']")),
        tuple(
            checks.kind(member, "one of substances", Substance, "a Substance, such as substance('limonene')")
            for member in checks.several(substances, "substances", "[substance('limonene')]")
        ),
        tuple(
            checks.number(share, "one of mass_percent", "in mass %")
            for share in checks.several(mass_percent, "mass_percent", "[95.0]")
        ),
        tuple(
            (label, checks.number(share, f"the share of {label!r}", "in mass %"))
            for label, share in _pairs(uncovered, "uncovered", "[('peak 7', 0.3)]")
        ),
        tuple(_pairs(ranges, "ranges", "[(94.0, 96.0)]")),
    )
    if not components.ranges:
        components = components._replace(ranges=((None, None),) * len(components.labels))
    problem = _problem(components)
    if problem:
        raise checks.fault(where, problem)
    return components


def _pairs(value: Any, name: str, example: str) -> list[tuple[Any, ...]]:
    pairs = [checks.several(pair, f"one of {name}", example[1:-1]) for pair in checks.several(value, name, example)]
    if any(len(pair) != 2 for pair in pairs):
        raise checks.refuse(value, name, f"pairs such as {example}")
    return pairs


def _problem(components: Components) -> str:
    """Return what is wrong with components together; empty when nothing is."""
    labels, substances, mass_percent, uncovered, ranges = components
    if len({len(labels), len(substances), len(mass_percent), len(ranges)}) != 1:
        return "labels, substances, mass_percent and ranges differ in length"
    if not substances:
        return "no component is known; expected at least one substance"
    shares = np.array([*mass_percent, *(share for _, share in uncovered)])
    if np.any(shares < 0) or not np.any(shares[: len(labels)] > 0):
        return "shares must be finite, not negative and not all zero [mass %]"
    if shares.sum() > 100.0 + SUM_TOLERANCE:
        return f"shares sum to {shares.sum():.2f} %; expected at most 100 %"
    label_of: dict[str, str] = {}
    identity_of: dict[str, str] = {}
    for label, member in zip(labels, substances, strict=True):
        if member.identity in label_of:
            return f"{label_of[member.identity]!r} and {label!r} are both {member.identity}; add them up"
        if identity_of.setdefault(member.name, member.identity) != member.identity:
            return f"two different substances are called {member.name!r}; rename one"
        label_of[member.identity] = label
    return ""
