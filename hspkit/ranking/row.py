"""One row of a ranking: what one carrier means for an oil and a product, with the notes that explain it."""

from __future__ import annotations

from typing import Any

import numpy as np

from hspkit import application as product
from hspkit import columns, hansen
from hspkit.application import Application, Dosing
from hspkit.carriers import NOT_LISTED, Blend, Carrier
from hspkit.miscibility import Outcome
from hspkit.ranking.order import NOT_INGESTIBLE, NOTICED
from hspkit.rendering import number

__all__ = ["COLUMNS", "dosing_of", "row_of"]

#: Columns of a ranking's table with their units.
COLUMNS = {column.name: column.unit for column in columns.RANKING}
_OF_OUTCOME = (
    "verdict", "p_clear", "undecided", "max_oil_percent", "water_tolerance_percent", "spinodal_index",
)  # fmt: skip
_FAILS = {column.name: column.fails for column in columns.RANKING}


def row_of(liquid: Carrier | Blend, outcome: Outcome, application: Application | None) -> dict[str, Any]:
    """Return the row of one carrier: `COLUMNS`, and the keys of `hspkit.ranking.order` that are not columns.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]
    outcome : Outcome
        Whether its stock is clear. [-]
    application : Application or None
        The finished product. [-]
    """
    viscosity = liquid.viscosity(20.0)
    pouring = product.pouring_band(viscosity)
    taste = product.taste_limit(liquid)
    row: dict[str, Any] = {column.name: column.value.missing for column in columns.RANKING}
    row |= {
        "carrier": liquid.name,
        **{name: getattr(outcome, name) for name in _OF_OUTCOME},
        "distance": float(hansen.distance(outcome.oil.hsp, liquid.hsp)),
        "taste_limit_mg_per_L": np.nan if taste is None else taste,
        "allowed": False if liquid.not_for_ingestion else None,
        "clear": None if outcome.unknown else outcome.verdict == "clear",
        "viscosity_mPa_s": viscosity,
        "pours": None if pouring is None else pouring.pours,
        "oil_covered_percent": outcome.oil.covered_percent,
        NOTICED: False,
        NOT_INGESTIBLE: liquid.not_for_ingestion,
    }
    notes = _warnings(liquid, application)
    if outcome.undecided and not liquid.not_for_ingestion:
        notes.append("undecided: within the uncertainty of the parameters, so run a trial")
    if application is not None:
        notes.extend(_permission(row, liquid, application))
        dosing = dosing_of(outcome, application)
        if dosing is None:
            notes.append("density not on record, so no dose")
        else:
            notes.extend([*_law(row, dosing), *_taste(row, dosing), *_drink(row, dosing)])
    if pouring is None:
        notes.append("viscosity not on record")
    elif not pouring.pours:
        notes.append(f"{_FAILS['pours']}: {pouring.band}; {pouring.advice}")
    notes.extend(_solution(outcome))
    row["notes"] = "; ".join(notes).replace(".; ", ". ")
    return row


def dosing_of(outcome: Outcome, application: Application) -> Dosing | None:
    """Return what a stock means for a product; None when the density of its carrier is not known.

    Parameters
    ----------
    outcome : Outcome
        Whether the stock is clear. [-]
    application : Application
        The finished product. [-]
    """
    if not np.isfinite(outcome.carrier.density):
        return None
    return product.dosing(
        outcome.oil,
        outcome.carrier,
        application,
        oil_parts=outcome.oil_parts,
        carrier_parts=outcome.carrier_parts,
        outcome=outcome,
    )


def _warnings(liquid: Carrier | Blend, application: Application | None) -> list[str]:
    """Return what to read first: that it is not for ingestion or, without a market that decides it, not listed."""
    notes = []
    for part in liquid.parts:
        unlisted = NOT_LISTED if application is None and not part.listed_name else ""
        warning = part.caution if part.not_for_ingestion else unlisted
        if warning:
            notes.append(warning if len(liquid.parts) == 1 else f"{part.name}: {warning}")
    return notes


def _permission(row: dict[str, Any], liquid: Carrier | Blend, application: Application) -> list[str]:
    """Fill in whether every part is permitted; return why not."""
    answers = [product.permission(part, application.market, application.category) for part in liquid.parts]
    row["allowed"] = all(answer.allowed for answer in answers)
    notes = []
    for answer, part in zip(answers, liquid.parts, strict=True):
        warned = part.not_for_ingestion and part.caution in answer.reason  # `_warnings` has it
        if not answer.allowed and not warned:
            notes.append(answer.reason if len(answers) == 1 else f"{answer.carrier}: {answer.reason}")
    return notes


def _law(row: dict[str, Any], dosing: Dosing) -> list[str]:
    """Fill in dose, range of stocks and legal limit."""
    dose = dosing.dose
    row["carrier_mg_per_L"] = dose.carrier_mg_per_L
    row["least_carrier_parts"], row["most_carrier_parts"] = dosing.stock.most_concentrated, dosing.stock.most_dilute
    if not row["allowed"]:
        return []
    share = dose.carrier_mg_per_L / dose.stock_mg_per_L
    limit, rule = product.legal_limit(dosing.carrier, dosing.application, share_of_stock=share)
    row["legal_limit_mg_per_L"] = np.nan if limit is None else limit
    row["under_legal_limit"] = limit is None or dose.carrier_mg_per_L <= limit
    return [] if row["under_legal_limit"] else [f"{_FAILS['under_legal_limit']}: {rule}"]


def _taste(row: dict[str, Any], dosing: Dosing) -> list[str]:
    """Fill in whether the dose keeps to the taste limits."""
    row["under_taste_limit"] = dosing.under_taste_limit
    noticed = [line for line in dosing.taste if line.dose > line.noticed_from]
    row[NOTICED] = any(not np.isfinite(line.limit) for line in noticed)
    if row["under_taste_limit"] is False:
        return [_FAILS["under_taste_limit"]]
    notes = []
    if np.isfinite(row["taste_limit_mg_per_L"]) and row["under_taste_limit"] is None:
        notes.append(f"no taste limit on record for {', '.join(product.taste_unknown(dosing.carrier))}")
    notes.extend(f"may be tasted: noticed from about {number(line.noticed_from)} mg/L" for line in noticed)
    return notes


def _drink(row: dict[str, Any], dosing: Dosing) -> list[str]:
    """Fill in what becomes of a drink."""
    if dosing.drink is None:
        return []
    dissolves = product.carrier_dissolves(
        dosing.carrier, dosing.dose.carrier_mg_per_L, ethanol_percent=dosing.application.ethanol_percent
    )
    row["carrier_dissolves_in_drink"], row["drink_stays_clear"] = dissolves, dosing.drink.stays_clear
    return [] if dissolves else [_FAILS["carrier_dissolves_in_drink"]]


def _solution(outcome: Outcome) -> list[str]:
    """Return what limits the stock."""
    notes = []
    if outcome.unknown:
        notes.append(outcome.unknown)
    elif outcome.verdict != "clear" and outcome.limiting_components:
        limit = ", ".join(outcome.limiting_components)
        filtered = "" if outcome.carrier.not_for_ingestion else ": chill and filter"
        notes.append(f"clouded first by wax ({limit}){filtered}" if outcome.wax_haze else f"limited by {limit}")
    if outcome.extent.carrier_separates:
        notes.append("the carriers do not mix with each other by themselves")
    return notes
