"""Ethanol strengths that standards state for oils, against computed ones; never evidence."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from hspkit import data, ethanol
from hspkit.calibration import Calibration
from hspkit.errors import HspkitError
from hspkit.evidence.facts import WATER, liquids
from hspkit.oils import Oil, oil
from hspkit.phases.mixture import gather
from hspkit.phases.search import verdicts
from hspkit.substances import index
from hspkit.workshop.scores import rank_correlation

__all__ = [
    "AlcoholTest",
    "StrengthScore",
    "alcohol_tests",
    "is_clear",
    "members_of",
    "print_strengths",
    "score_strengths",
]

Array = NDArray[np.float64]

#: Names of alcohol tests whose oil has a longer name here: the trade's usual one is meant.
USUAL = {
    "dill": "dill, seed",
    "fennel": "fennel, sweet",
    "rosemary": "rosemary, Spanish type",
    "cornmint/peppermint": "cornmint, partly dementholised",
}
STRENGTHS = np.arange(20.0, 100.5, 0.5)


class AlcoholTest(NamedTuple):
    """One stated strength: rows of the components and their shares of the oil by volume."""

    name: str
    state: str
    strength: float
    volumes: float
    rows: NDArray[np.intp]
    shares: Array
    pure: bool
    recalled: bool


def alcohol_tests() -> list[AlcoholTest]:
    """Return the tests of at least one volume on oils or compounds that ship."""
    found = []
    kinds = data.sources()
    for line in data.read_table("alcohol_tests.csv").rows:
        name = line["oil"]
        if line["volumes"] is None or line["volumes"] < 1.0:
            continue
        pure = name.endswith(" (pure)")
        if pure:
            rows, shares = np.array([liquids().row(index().find(name.removesuffix(" (pure)")))]), np.ones(1)
        else:
            try:
                subject = oil(USUAL.get(name, name))
            except HspkitError:
                continue  # an oil that does not ship
            rows, shares = members_of(subject)
        recalled = kinds[line["source"]]["kind"] == "memory"
        found.append(
            AlcoholTest(name, line["state"], line["ethanol_vol_percent"], line["volumes"], rows, shares, pure, recalled)
        )
    return found


def members_of(subject: Oil) -> tuple[NDArray[np.intp], Array]:
    """Rows of the components of an oil and their shares by volume."""
    known = [(member.name, share) for member, share in zip(subject.substances, subject.fractions, strict=True)]
    # Waxes settle or are filtered off before the test, as the standards do; they are solids.
    known = [(n, s) for n, s in known if not _is_wax(n)]
    shares = np.array([s for _, s in known])
    return np.array([liquids().row(n) for n, _ in known]), shares / shares.sum()


def _is_wax(name: str) -> bool:
    """Tell whether a substance is a citrus residue, which settles in the cold."""
    return _roles()[name] == "citrus residue"


@cache
def _roles() -> dict[str, str]:
    return {row["name"]: row["role"] for row in data.read_table("substances.csv").rows}


def is_clear(test: AlcoholTest, hsp: Array, constants: Calibration, strengths: Array) -> NDArray[np.bool_]:
    """Return whether one volume of the oil is clear in the stated volumes of ethanol of some strengths."""
    shipped = liquids()
    rows = [shipped.row("ethanol"), shipped.row(WATER), *map(int, test.rows)]
    solvent = ethanol.volume_fractions(strengths)
    parts = np.concatenate([test.volumes * solvent, np.tile(test.shares, (len(strengths), 1))], axis=1)
    parts /= parts.sum(axis=1, keepdims=True)
    return verdicts(
        gather(parts, shipped.volumes[rows], hsp[rows], 20.0, sites=shipped.sites(rows), constants=constants)
    )


def weakest_strength(test: AlcoholTest, hsp: Array, constants: Calibration) -> float:
    """Return the strength above which the oil stays clear; 100 when even that does not clear it. [% vol]"""
    cloudy = np.flatnonzero(~is_clear(test, hsp, constants, STRENGTHS))
    return float(STRENGTHS[min(cloudy[-1] + 1, len(STRENGTHS) - 1)]) if cloudy.size else float(STRENGTHS[0])


class StrengthScore(NamedTuple):
    """Weakest stated strength of each oil against the computed one."""

    error: float
    bias: float
    rank: float
    rows: list[tuple[AlcoholTest, float]]


def score_strengths(hsp: Array, constants: Calibration) -> StrengthScore:
    """Score the weakest strength stated clear for each oil name."""
    weakest: dict[str, AlcoholTest] = {}
    for test in alcohol_tests():
        if not test.state.startswith("clear") or test.strength >= 100.0:
            continue
        if test.name not in weakest or test.strength < weakest[test.name].strength:
            weakest[test.name] = test
    rows = [(test, weakest_strength(test, hsp, constants)) for test in weakest.values()]
    stated = np.array([test.strength for test, _ in rows])
    computed = np.array([value for _, value in rows])
    away = computed - stated
    return StrengthScore(float(np.abs(away).mean()), float(away.mean()), rank_correlation(stated, computed), rows)


def print_strengths(hsp: Array, constants: Calibration) -> None:
    score = score_strengths(hsp, constants)
    print(f"\nweakest ethanol strength stated clear: mean error {score.error:.2f}, bias {score.bias:+.2f} % vol, "
          f"rank correlation {score.rank:.3f}, n = {len(score.rows)}")  # fmt: skip
    read = [(t.strength, v) for t, v in score.rows if not t.recalled]
    away = np.array([v - s for s, v in read])
    print(f"  read, not recalled: mean error {np.abs(away).mean():.2f}, n = {len(read)}")
    for test, value in sorted(score.rows, key=lambda item: (not item[0].pure, item[0].name)):
        print(f"  {test.name:<36} {test.volumes:5.1f} volumes  stated {test.strength:5.1f}  computed {value:5.1f}")
    right = {"clear": [0, 0], "cloudy": [0, 0]}
    for test in alcohol_tests():
        if test.state == "clear" or test.state in ("opalescent", "insoluble", "turbid"):
            kind = "clear" if test.state == "clear" else "cloudy"
            computed = bool(is_clear(test, hsp, constants, np.array([test.strength]))[0])
            right[kind][0] += computed == (kind == "clear")
            right[kind][1] += 1
    for kind, (good, all_of) in right.items():
        print(f"  stated {kind}: computed the same for {good} of {all_of}")
