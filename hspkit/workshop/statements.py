"""Print how predictions compare with facts from outside that nothing was fitted to.

``python -m hspkit.workshop.statements``: statements of solubility in carriers (soft evidence: words, and mostly
recalled), and the general solubility equation against measured solubilities in water.
"""

from __future__ import annotations

import sys
from collections import Counter
from typing import Any, NamedTuple

import numpy as np

from hspkit import data, phases
from hspkit.application import GSE_SD_LN, general_solubility
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import HspkitError
from hspkit.miscibility import Mixture, carrier_substances
from hspkit.oils import Oil, oil
from hspkit.substances import substance, substances

__all__ = ["Statement", "statements"]

#: Liquids that the statements name by another word.
_ALIASES = {"fixed oils": "vegetable oil", "peanut oil": "vegetable oil", "oils": "vegetable oil"}
#: What a word promises: the volumes of solvent to one of solute at which the mixture must be clear, and those at which
#: it must not be. The scale is that of the pharmacopoeias (very soluble below 1 part of solvent, soluble 10-30,
#: slightly 100-1000, very slightly 1000-10000, practically insoluble above 10000), from memory. "Insoluble" is read
#: weakly, as "does not even meet soluble", since lists of flavourings use it loosely.
_PROMISES: dict[str, tuple[float | None, float | None]] = {
    "very soluble": (1.0, None),
    "miscible": (1.0, None),
    "soluble": (30.0, None),
    "slightly soluble": (1000.0, 30.0),
    "very slightly soluble": (10000.0, 100.0),
    "insoluble": (None, 30.0),
}


class Statement(NamedTuple):
    """One statement; whether the theory keeps it, and its binodal index at 1 part in 30 (below 1 is clear)."""

    substance: str
    carrier: str
    statement: str
    source: str
    kept: bool
    stability: float


def _index(solute: Oil, solvent: Carrier | Blend, volumes: float) -> float:
    share = 1.0 / (1.0 + volumes)
    mixture = Mixture.of(
        [(share, solute.substances, solute.fractions), (1.0 - share, carrier_substances(solvent), solvent.fractions)]
    )
    present = mixture.fractions > 0
    return float(phases.binodal_index(mixture.fractions[present], mixture.volumes[present], mixture.points[present]))


def _solvent(name: str) -> Carrier | Blend:
    known = _ALIASES.get(name, name)
    try:
        return carrier(known)
    except HspkitError:
        return Carrier.of(known)


def _solute(row: Any) -> Oil:
    for identity in (row["cas"], row["smiles"], row["substance"]):
        if identity:
            try:
                return oil(identity)
            except HspkitError:
                continue
    message = "no structure"
    raise HspkitError(message)


def statements() -> tuple[list[Statement], Counter[str]]:
    """Compare every statement that can be read with the theory, at the best estimate and 25 C.

    Returns
    -------
    tuple
        The statements with whether they are kept, and how many were left out for which reason.

    Examples
    --------
    >>> found, left = statements()
    >>> len(found) > 100
    True
    """
    found, left = [], Counter[str]()
    for row in data.read_table("carrier_statements.csv").rows:
        if row["statement"] not in _PROMISES:
            left[f"'{row['statement']}' says nothing of the limit"] += 1
            continue
        try:
            solute = _solute(row)
        except HspkitError:
            left["no structure of the solute"] += 1
            continue
        try:
            solvent = _solvent(row["carrier"])
            must, must_not = _PROMISES[row["statement"]]
            kept = (must is None or _index(solute, solvent, must) < 1.0) and (
                must_not is None or _index(solute, solvent, must_not) >= 1.0
            )
            index = _index(solute, solvent, 30.0)
        except HspkitError:
            left[f"no single molecule stands for {row['carrier']}"] += 1
            continue
        found.append(Statement(row["substance"], row["carrier"], row["statement"], row["source"], kept, index))
    return found, left


def order(found: list[Statement], liquid: str) -> tuple[float, int, int]:
    """Return the share of pairs (soluble, less than soluble) of one solvent that the index puts in order.

    Parameters
    ----------
    found : list of Statement
        From `statements`. [-]
    liquid : str
        Name of the solvent in the statements. [-]

    Returns
    -------
    tuple of (float, int, int)
        Share of pairs in order, a tie counted half (area under the curve); numbers of both kinds. [-]

    Examples
    --------
    >>> order([Statement("a", "x", "soluble", "", True, 0.4), Statement("b", "x", "insoluble", "", True, 1.2)], "x")
    (1.0, 1, 1)
    """
    yes = np.array([one.stability for one in found if one.carrier == liquid and _PROMISES[one.statement][1] is None])
    no = np.array([one.stability for one in found if one.carrier == liquid and _PROMISES[one.statement][1] is not None])
    if not yes.size or not no.size:
        return float("nan"), yes.size, no.size
    ahead = (yes[:, None] < no[None, :]) + 0.5 * (yes[:, None] == no[None, :])
    return float(ahead.mean()), yes.size, no.size


def equation_errors() -> tuple[float, float, int]:
    """Return mean and standard deviation of ln(equation / measured), and the number of substances."""
    errors = []
    for name in substances():
        member = substance(name)
        if member.water_solubility and member.log_p is not None and member.log_p > 0.5:
            guess = general_solubility(member.log_p, member.molar_mass, member.melting_celsius)
            errors.append(np.log(guess / member.water_solubility))
    return float(np.mean(errors)), float(np.std(errors)), len(errors)


def main() -> int:
    """Print the comparison."""
    found, left = statements()
    print("Statements of solubility (soft evidence, none used to fit): kept of all")
    kinds = sorted({(one.carrier, one.statement) for one in found})
    for liquid, word in kinds:
        those = [one.kept for one in found if (one.carrier, one.statement) == (liquid, word)]
        print(f"  {liquid:18} {word:22} {sum(those):3} of {len(those)}")
    kept = sum(one.kept for one in found)
    print(f"  {'together':41} {kept:3} of {len(found)} ({100 * kept / len(found):.0f} %)")
    useful = [one for one in found if one.carrier in ("propylene glycol", "glycerol", "triacetin", "MCT")]
    kept = sum(one.kept for one in useful)
    print(f"  {'food carriers alone':41} {kept:3} of {len(useful)} ({100 * kept / len(useful):.0f} %)")
    by_kind: dict[str, list[bool]] = {}
    for one in found:
        by_kind.setdefault(data.sources()[one.source]["kind"], []).append(one.kept)
    for kind, those in sorted(by_kind.items()):
        print(f"  {'sources ' + kind:41} {sum(those):3} of {len(those)} ({100 * sum(those) / len(those):.0f} %)")
    print("Order: share of pairs (soluble, less than soluble) that the stability index puts in order")
    for liquid in sorted({one.carrier for one in found}):
        share, more, less = order(found, liquid)
        if more >= 2 and less >= 2:
            print(f"  {liquid:18} {share:.2f} ({more} soluble, {less} less than soluble)")
    print("Not kept")
    for one in found:
        if not one.kept:
            print(f"  {one.substance}: {one.statement} in {one.carrier}")
    print("Left out")
    for reason, count in left.most_common():
        print(f"  {count:3} {reason}")
    mean, sd, count = equation_errors()
    print(
        f"General solubility equation against measured water solubility, {count} substances: "
        f"ln(equation / measured) mean {mean:+.2f}, sd {sd:.2f} (used: {GSE_SD_LN})"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
