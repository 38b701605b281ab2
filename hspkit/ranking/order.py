"""The order of a ranking: the order in which a formulator decides.

1. allowed before refused, what is not for ingestion last of all, whether or not a market was given; then within the
   legal limit before over it;
2. clear before hazy, then what is unknown because a component may crystallise, then splits;
3. fewer failing reasons first, of: taste (over its limit, or noticed at this dose where no limit is stated), the
   carrier dissolves in the drink, pours, the drink stays clear; of two with equally many, the one that fails the later
   reason;
4. fewer unknown reasons, then among clear stocks the decided before the undecided (among the others the reverse);
5. the higher probability of clear, in steps of its own sampling error; a tie is broken by name.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from hspkit.miscibility import DRAWS

__all__ = ["NOTICED", "NOT_INGESTIBLE", "RULE", "sort_key"]

#: Key of a row that is not a column: a part is noticed at this dose and no limit is stated for its taste.
NOTICED = "noticed_without_limit"
#: Key of a row that is not a column: a part is not for ingestion.
NOT_INGESTIBLE = "not_for_ingestion"
#: Outcomes from the best to the worst.
_VERDICTS = ("clear", "hazy", "unknown", "splits")
#: Reasons that order carriers of one verdict, in this order.
_REASONS = ("under_taste_limit", "carrier_dissolves_in_drink", "pours", "drink_stays_clear")
#: Largest standard error of a probability that is counted from `miscibility.DRAWS` draws [-].
_STEP = 0.5 / DRAWS**0.5
#: The rule in words.
RULE = (
    "Order: allowed (what is not for ingestion last), within the law, clear before hazy before unknown before splits; "
    "then fewest failing reasons (taste: over its limit, or noticed where no limit is stated; carrier dissolves in the "
    "drink; pours; drink stays clear), fewest unknown, decided before undecided, probability of clear."
)


def sort_key(row: Mapping[str, Any]) -> tuple[Any, ...]:
    """Return the key by which a row is sorted, smallest first."""
    failing = tuple(
        row[reason] is False or (reason == "under_taste_limit" and row.get(NOTICED, False)) for reason in _REASONS
    )
    return (
        row["allowed"] is False,
        row.get(NOT_INGESTIBLE, False),
        row["under_legal_limit"] is False,
        _VERDICTS.index(row["verdict"]),
        sum(failing),
        failing,
        sum(row[reason] is None for reason in _REASONS),
        row["undecided"] is (row["verdict"] == "clear"),
        -round((row["p_clear"] if np.isfinite(row["p_clear"]) else 0.0) / _STEP),
        row["carrier"],
    )
