"""Rank carriers for an oil: one row a carrier, one column a reason, no score.

Rows stand in the order in which a formulator decides: allowed before refused, within the legal limit before over it,
clear before hazy before split, not tasted before tasted, then by the probability of clear.
"""

from __future__ import annotations

import html
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import application as product
from hspkit import data, hansen
from hspkit.application import Application
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.carriers import carriers as listed_carriers
from hspkit.errors import InputError, UnknownNameError
from hspkit.miscibility import Outcome, carrier_substances, check_parts, dissolve
from hspkit.oils import Oil, oil

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["COLUMNS", "Ranking", "rank_carriers"]

#: Columns of a ranking's table with their units.
COLUMNS = {
    "carrier": "-",
    "verdict": "-",
    "p_clear": "-",
    "undecided": "-",
    "max_oil_percent": "% vol of the stock",
    "water_tolerance_percent": "% vol of the mixture",
    "distance": "MPa^0.5",
    "spinodal_index": "-",
    "carrier_mg_per_L": "mg/L",
    "legal_limit_mg_per_L": "mg/L",
    "taste_limit_mg_per_L": "mg/L",
    "allowed": "-",
    "under_legal_limit": "-",
    "under_taste_limit": "-",
    "viscosity_mPa_s": "mPa s",
    "pours": "-",
    "drink_stays_clear": "-",
    "notes": "-",
}
_VERDICTS = ("clear", "hazy", "splits")
#: Strengths of ethanol that everyone in the trade knows. [% vol]
YARDSTICKS = (40, 70, 96)


def candidates() -> list[Carrier | Blend]:
    """Return the carriers that are ranked when none are named.

    All that can be computed with, but for plain alcohol; the liquids mistaken for carriers stay in, so that the
    table shows them refused.

    Examples
    --------
    >>> names = [one.name for one in candidates()]
    >>> "propylene glycol" in names, "dipropylene glycol" in names, "ethanol" in names
    (True, True, False)
    """
    rows = listed_carriers()
    return [carrier(name) for name, role in zip(rows["carrier"], rows["role"], strict=True) if role != "alcohol"]


def _general_cautions() -> tuple[str, ...]:
    rows = data.read_table("cautions.csv").rows
    return tuple(row["text"] for row in rows if row["topic"] == "every ranking")


@dataclass(frozen=True)
class Ranking:
    """Carriers for one oil, best first.

    Parameters
    ----------
    oil : Oil
        The oil that was asked about.
    table : pandas.DataFrame
        One row a carrier, columns as in `COLUMNS`. A number that is not known is NaN, a question that was not
        asked (no application given) is None.
    application : Application or None
        The finished product.
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    outcomes : tuple of Outcome
        What `dissolve` said, in the order of the table.
    cautions : tuple of str
        Printed with every ranking.
    """

    oil: Oil
    table: pd.DataFrame
    application: Application | None
    oil_parts: float
    carrier_parts: float
    celsius: float
    outcomes: tuple[Outcome, ...]
    cautions: tuple[str, ...]

    @property
    def best(self) -> str | None:
        """Name of the first carrier that is allowed, within its legal limit and clear; None when none is."""
        for row in self.table.to_dict("records"):
            refused = row["allowed"] is False or row["under_legal_limit"] is False
            if not refused and row["verdict"] == "clear":
                return str(row["carrier"])
        return None

    def row(self, name: str) -> dict[str, Any]:
        """Return one row of the table as a dictionary.

        Parameters
        ----------
        name : str
            A carrier of this ranking. [-]

        Raises
        ------
        UnknownNameError
            When the carrier was not ranked.
        """
        names = [str(n) for n in self.table["carrier"]]
        wanted = name if name in names else carrier(name).name
        if wanted not in names:
            message = f"{name!r} is not in this ranking; ranked: {', '.join(names)}"
            raise UnknownNameError(message)
        return {str(k): v for k, v in self.table.iloc[names.index(wanted)].to_dict().items()}

    def why(self, name: str) -> str:
        """Say in sentences how one carrier did and why.

        Parameters
        ----------
        name : str
            A carrier of this ranking. [-]

        Examples
        --------
        >>> soda = Application("US", "soft drinks", oil_mg_per_L=40)
        >>> ranking = rank_carriers("sweet orange, cold-pressed", application=soda)
        >>> "not permitted" in ranking.why("dipropylene glycol")
        True
        """
        row = self.row(name)
        index = list(self.table["carrier"]).index(row["carrier"])
        outcome = self.outcomes[index]
        lines = [f"{row['carrier']}: {outcome.sentence()}"]
        if self.application is not None:
            lines.extend(_legal_words(row, self.application, outcome))
        if row["notes"]:
            lines.append(str(row["notes"]))
        return "\n".join(lines)

    def question(self) -> str:
        """Return what was asked, in one line."""
        parts = f"{_parts(self.oil_parts)} of oil + {_parts(self.carrier_parts)} of carrier by volume"
        text = f"{self.oil.name}: {parts}, {self.celsius:g} C"
        if self.application is not None:
            asked = self.application
            level = (
                f"{asked.oil_mg_per_L:g} mg/L of oil"
                if asked.oil_mg_per_L is not None
                else f"{asked.stock_mg_per_L:g} mg/L of stock"
            )
            text += f"; {asked.category}, {asked.market}, {level}"
        return text

    def drink(self) -> str:
        """Return what becomes of the oil in the finished drink, in one line; empty without an application.

        The carrier makes no difference to that, unless it does not dissolve in the drink itself.
        """
        if self.application is None:
            return ""
        doses = self.table["carrier_mg_per_L"].to_numpy(dtype=float)
        if self.application.oil_mg_per_L is None:
            held = float(np.nanmax(self.application.stock_mg_per_L - doses))
        else:
            held = self.application.oil_mg_per_L
        clouds = product.clouding(self.oil, oil_mg_per_L=held, ethanol_percent=self.application.ethanol_percent)
        state = "stays dissolved in the finished drink" if clouds.stays_clear else "clouds the finished drink"
        sure = f"factor of uncertainty {clouds.factor:.1f}" + (", undecided" if clouds.undecided else "")
        first = f", first {clouds.makers[0][0]}" if clouds.makers else ""
        return f"{held:.3g} mg/L of this oil {state}: {clouds.load:.2g} times what stays clear ({sure}){first}."

    def _repr_html_(self) -> str:
        shown = self.table.drop(columns=["undecided"])
        body = shown.to_html(index=False, float_format="{:.3g}".format, escape=True, border=0, na_rep="not known")
        items = "".join(f"<li>{html.escape(text)}</li>" for text in self.cautions)
        said = f"<p>{html.escape(self.question())}</p>{body}<p>{html.escape(self.drink())}</p>"
        return f"{said}<ul>{items}</ul>"

    def __repr__(self) -> str:
        return f"<Ranking of {len(self.table)} carriers for {self.oil.name}; best: {self.best}>"


def _parts(number: float) -> str:
    return f"{number:g} part" if number == 1 else f"{number:g} parts"


def _legal_words(row: dict[str, Any], asked: Application, outcome: Outcome) -> list[str]:
    lines = []
    for part in outcome.carrier.parts:
        said = product.permission(part, asked.market, asked.category)
        verb = "allowed" if said.allowed else "NOT allowed"
        cited = f" [{'; '.join(said.references)}]" if said.references else ""
        lines.append(f"{part.name} is {verb} ({asked.market}, {asked.category}): {said.reason}{cited}")
    limit = row["legal_limit_mg_per_L"]
    if row["allowed"] and np.isfinite(limit):
        lines.append(
            f"legal limit {limit:,.0f} mg/L against a dose of {row['carrier_mg_per_L']:,.0f} mg/L; "
            "check the code in force with a qualified person"
        )
    return lines


def rank_carriers(
    oil_or_name: Oil | str,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    application: Application | None = None,
    carriers: Iterable[str | Carrier | Blend] | None = None,
    include_alcohol: bool = False,
    celsius: float = 25.0,
) -> Ranking:
    """Rank carriers for an oil.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    application : Application, optional
        The finished product; without it law, dose and clouding are not judged.
    carriers : iterable of str, Carrier or Blend, optional
        Candidates; default all shipped carriers, the look-alikes that are refused among them. [-]
    include_alcohol : bool
        Add ethanol of 40, 70 and 96 % vol as a yardstick. [-]
    celsius : float
        Temperature of the stock. [degC]

    Returns
    -------
    Ranking
        Best first; `Ranking.why` gives the reasons of one row.

    Raises
    ------
    UnknownNameError
        For an unknown or ambiguous oil or carrier, with near names.
    InputError
        For parts that are not positive.

    Examples
    --------
    >>> ranking = rank_carriers("sweet orange, cold-pressed", carriers=["triethyl citrate", "glycerol"])
    >>> ranking.table["verdict"].tolist()
    ['clear', 'splits']
    """
    import pandas as pd

    subject = oil_or_name if isinstance(oil_or_name, Oil) else oil(oil_or_name)
    parts = check_parts(oil_parts, carrier_parts)
    chosen: list[Carrier | Blend] = (
        [carrier(one) if isinstance(one, str) else one for one in carriers] if carriers is not None else candidates()
    )
    if include_alcohol:
        chosen.extend(carrier(f"ethanol {strength} % vol") for strength in YARDSTICKS)
    if not chosen:
        message = "carriers is empty; give at least one name, or leave it out to rank all that ship"
        raise InputError(message)
    rows, outcomes = [], []
    for candidate in chosen:
        outcome = dissolve(subject, candidate, oil_parts=parts[0], carrier_parts=parts[1], celsius=celsius)
        rows.append(_row(candidate, outcome, application))
        outcomes.append(outcome)
    order = sorted(range(len(rows)), key=lambda i: _order(rows[i]))
    table = pd.DataFrame([rows[i] for i in order], columns=list(COLUMNS))
    cautions = tuple(
        dict.fromkeys(
            [
                *_general_cautions(),
                *([subject.caution] if subject.caution else []),
                *_carrier_cautions(chosen, rows),
            ]
        )
    )
    return Ranking(subject, table, application, *parts, float(celsius), tuple(outcomes[i] for i in order), cautions)


def _order(row: dict[str, Any]) -> tuple[Any, ...]:
    return (
        row["allowed"] is False,
        row["under_legal_limit"] is False,
        _VERDICTS.index(row["verdict"]),
        row["under_taste_limit"] is False,
        -row["p_clear"],
        row["carrier"],
    )


def _row(candidate: Carrier | Blend, outcome: Outcome, asked: Application | None) -> dict[str, Any]:
    viscosity = candidate.viscosity(20.0)
    band = product.pouring_band(viscosity)
    taste = product.taste_limit(candidate)
    row: dict[str, Any] = {
        "carrier": candidate.name,
        "verdict": outcome.verdict,
        "p_clear": outcome.p_clear,
        "undecided": outcome.undecided,
        "max_oil_percent": outcome.max_oil_percent,
        "water_tolerance_percent": outcome.water_tolerance_percent,
        "distance": float(hansen.distance(outcome.oil.hsp, candidate.hsp)),
        "spinodal_index": outcome.spinodal_index,
        "carrier_mg_per_L": np.nan,
        "legal_limit_mg_per_L": np.nan,
        "taste_limit_mg_per_L": np.nan if taste is None else taste,
        "allowed": None,
        "under_legal_limit": None,
        "under_taste_limit": None,
        "viscosity_mPa_s": viscosity,
        "pours": None if band is None else band.pours,
        "drink_stays_clear": None,
        "notes": "",
    }
    notes = []
    if outcome.undecided:
        notes.append("undecided: within the uncertainty of the parameters, so run a trial")
    if asked is not None:
        notes.extend(_judge(row, outcome, asked))
    if band is None:
        notes.append("viscosity not on record")
    elif not band.pours:
        notes.append(f"thick: {band.band}")
    if outcome.verdict != "clear" and outcome.limiting_components:
        notes.append("limited by " + ", ".join(outcome.limiting_components))
    row["notes"] = "; ".join(notes)
    return row


def _judge(row: dict[str, Any], outcome: Outcome, asked: Application) -> list[str]:
    """Fill the columns that need a finished product; return what to note."""
    liquid = outcome.carrier
    notes: list[str] = []
    said = [product.permission(part, asked.market, asked.category) for part in liquid.parts]
    row["allowed"] = all(one.allowed for one in said)
    alone = len(said) == 1
    notes.extend(one.reason if alone else f"{one.carrier}: {one.reason}" for one in said if not one.allowed)
    if not np.isfinite(liquid.density):
        return [*notes, "density not on record, so no dose"]
    amount = product.dose(
        asked,
        oil_parts=outcome.oil_parts,
        carrier_parts=outcome.carrier_parts,
        oil_density=outcome.oil.density,
        carrier_density=liquid.density,
    )
    row["carrier_mg_per_L"] = amount.carrier_mg_per_L
    if row["allowed"]:
        share = amount.carrier_mg_per_L / amount.stock_mg_per_L
        limit, rule = product.legal_limit(liquid, asked, share_of_stock=share)
        row["legal_limit_mg_per_L"] = np.nan if limit is None else limit
        row["under_legal_limit"] = limit is None or amount.carrier_mg_per_L <= limit
        if not row["under_legal_limit"]:
            notes.append(f"over the legal limit: {rule}")
    if np.isfinite(row["taste_limit_mg_per_L"]):
        row["under_taste_limit"] = bool(amount.carrier_mg_per_L <= row["taste_limit_mg_per_L"])
        if not row["under_taste_limit"]:
            notes.append("over the taste limit of the trade")
    clouds = product.clouding(
        outcome.oil,
        oil_mg_per_L=amount.oil_mg_per_L,
        liquid=liquid,
        carrier_mg_per_L=amount.carrier_mg_per_L,
        ethanol_percent=asked.ethanol_percent,
    )
    row["drink_stays_clear"] = clouds.stays_clear
    own = {member.name for member in carrier_substances(liquid)}
    if not clouds.stays_clear and sum(share for name, share in clouds.makers if name in own) > 0.5:
        notes.append("the carrier itself does not dissolve in the drink")
    return notes


def _carrier_cautions(chosen: Iterable[Carrier | Blend], rows: Iterable[dict[str, Any]]) -> list[str]:
    """Cautions of the carriers that are not refused, each said once."""
    return [
        f"{part.name}: {part.caution}"
        for one, row in zip(chosen, rows, strict=True)
        if row["allowed"] is not False
        for part in one.parts
        if part.caution
    ]
