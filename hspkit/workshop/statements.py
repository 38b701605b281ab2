"""Print how predictions compare with facts to which nothing was fitted.

``python -m hspkit.workshop.statements``: statements of solubility in carriers (soft evidence: words, and mostly
recalled), and the general solubility equation against measured solubilities in water.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
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

    @property
    def says_soluble(self) -> bool:
        """Whether it promises only that the mixture is clear."""
        return _PROMISES[self.statement][1] is None


def _index(solute: Oil, solvent: Carrier | Blend, volumes: float) -> float:
    share = 1.0 / (1.0 + volumes)
    mixture = Mixture.of(
        [(share, solute.substances, solute.fractions), (1.0 - share, carrier_substances(solvent), solvent.fractions)]
    )
    present = mixture.fractions > 0
    return float(
        phases.binodal_index(
            mixture.fractions[present],
            mixture.volumes[present],
            mixture.hsp[present],
            sites=mixture.sites.take(present),
        )
    )


def _solvent(name: str) -> Carrier | Blend:
    name = _ALIASES.get(name, name)
    try:
        return carrier(name)
    except HspkitError:
        return Carrier.of(name)


def _solute(row: Mapping[str, Any]) -> Oil | None:
    for identity in filter(None, (row["cas"], row["smiles"], row["substance"])):
        with suppress(HspkitError):
            return oil(identity)
    return None


def statements() -> tuple[list[Statement], Counter[str]]:
    """Compare every statement that can be read with the theory, at the best estimate and 25 C.

    Returns
    -------
    tuple
        The statements with whether they are kept, and how many were left out for which reason.

    Examples
    --------
    >>> compared, left_out = statements()
    >>> len(compared) > 100
    True
    """
    compared, left_out = [], Counter[str]()
    for row in data.read_table("carrier_statements.csv").rows:
        if row["statement"] not in _PROMISES:
            left_out[f"'{row['statement']}' says nothing of the limit"] += 1
            continue
        solute = _solute(row)
        if solute is None:
            left_out["no structure of the solute"] += 1
            continue
        clear, not_clear = _PROMISES[row["statement"]]
        try:
            solvent = _solvent(row["carrier"])
            kept = (clear is None or _index(solute, solvent, clear) < 1.0) and (
                not_clear is None or _index(solute, solvent, not_clear) >= 1.0
            )
            index = _index(solute, solvent, 30.0)
        except HspkitError:
            left_out[f"no single molecule stands for {row['carrier']}"] += 1
            continue
        compared.append(Statement(row["substance"], row["carrier"], row["statement"], row["source"], kept, index))
    return compared, left_out


def order(compared: list[Statement], liquid: str) -> tuple[float, int, int]:
    """Return the share of pairs (soluble, less than soluble) of one solvent that the index puts in order.

    Parameters
    ----------
    compared : list of Statement
        From `statements`. [-]
    liquid : str
        Name of the solvent in the statements. [-]

    Returns
    -------
    tuple of (float, int, int)
        Share of pairs in order, a tie counted half (the ROC AUC); numbers of both kinds. [-]

    Examples
    --------
    >>> order([Statement("a", "x", "soluble", "", True, 0.4), Statement("b", "x", "insoluble", "", True, 1.2)], "x")
    (1.0, 1, 1)
    """
    of_liquid = [statement for statement in compared if statement.carrier == liquid]
    soluble = np.array([statement.stability for statement in of_liquid if statement.says_soluble])
    less = np.array([statement.stability for statement in of_liquid if not statement.says_soluble])
    if not soluble.size or not less.size:
        return float("nan"), soluble.size, less.size
    in_order = (soluble[:, None] < less[None, :]) + 0.5 * (soluble[:, None] == less[None, :])
    return float(in_order.mean()), soluble.size, less.size


def equation_errors() -> tuple[float, float, int]:
    """Return mean and standard deviation of ln(equation / measured), and the number of substances."""
    errors = []
    for name in substances():
        member = substance(name)
        if member.water_solubility and member.log_p is not None and member.log_p > 0.5:
            estimate = general_solubility(member.log_p, member.molar_mass, member.melting_celsius)
            errors.append(np.log(estimate / member.water_solubility))
    return float(np.mean(errors)), float(np.std(errors)), len(errors)


def main() -> int:
    """Print the comparison."""
    import pandas as pd

    compared, left_out = statements()
    frame = pd.DataFrame(compared)
    frame["kind"] = [data.sources()[source]["kind"] for source in frame["source"]]
    print("Statements of solubility (soft evidence, none used to fit): kept of all")
    for (liquid, word), kept in frame.groupby(["carrier", "statement"])["kept"]:
        print(f"  {liquid:18} {word:22} {kept.sum():3} of {len(kept)}")
    in_food = frame["carrier"].isin(["propylene glycol", "glycerol", "triacetin", "MCT"])
    groups = [("together", frame["kept"]), ("food carriers alone", frame["kept"][in_food])]
    groups += [(f"sources {kind}", kept) for kind, kept in frame.groupby("kind")["kept"]]
    for name, kept in groups:
        print(f"  {name:41} {kept.sum():3} of {len(kept)} ({100 * kept.mean():.0f} %)")
    print("Order: share of pairs (soluble, less than soluble) that the stability index puts in order")
    for liquid in sorted(set(frame["carrier"])):
        share, more, less = order(compared, liquid)
        if more >= 2 and less >= 2:
            print(f"  {liquid:18} {share:.2f} ({more} soluble, {less} less than soluble)")
    print("Not kept")
    for statement in compared:
        if not statement.kept:
            print(f"  {statement.substance}: {statement.statement} in {statement.carrier}")
    print("Left out")
    for reason, count in left_out.most_common():
        print(f"  {count:3} {reason}")
    mean, sd, count = equation_errors()
    print(
        f"General solubility equation against measured water solubility, {count} substances: "
        f"ln(equation / measured) mean {mean:+.2f}, sd {sd:.2f} (used: {GSE_SD_LN})"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
