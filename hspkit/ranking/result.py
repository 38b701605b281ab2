"""A ranking: the rows, what was asked, and what follows from it in words."""

from __future__ import annotations

import html
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hspkit import application as product
from hspkit import files, rendering
from hspkit.application import Application
from hspkit.carriers import NOT_FOR_INGESTION, carrier
from hspkit.columns import Cell
from hspkit.errors import UnknownNameError
from hspkit.miscibility import Outcome
from hspkit.oils import Oil
from hspkit.ranking.order import RULE
from hspkit.ranking.row import dosing_of
from hspkit.ranking.tables import PAGE_LEGEND, page_table
from hspkit.rendering import number

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Ranking"]


@dataclass(frozen=True)
class Ranking:
    """Carriers for one oil, best first.

    Parameters
    ----------
    oil : Oil
        The oil.
    table : pandas.DataFrame
        One row a carrier, columns as in `COLUMNS`. An unknown number is NaN, a reason that was not judged (without
        an application) is None; but a liquid that is not for ingestion is not allowed even without one.
    application : Application or None
        The finished product.
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    outcomes : tuple of Outcome
        Results of `dissolve`, in the order of the table.
    cautions : tuple of str
        Printed with every ranking.
    yardsticks : tuple of str
        Names of the alcohols that were added for comparison; none of them is `best`. [-]
    """

    oil: Oil
    table: pd.DataFrame
    application: Application | None
    oil_parts: float
    carrier_parts: float
    celsius: float
    outcomes: tuple[Outcome, ...]
    cautions: tuple[str, ...]
    yardsticks: tuple[str, ...] = ()

    @property
    def best(self) -> str | None:
        """Name of the first carrier, yardsticks aside, that is allowed, within its legal limit and clear; else None.

        A liquid in no list of carriers is never the best: nothing on record permits it in food.
        """
        for row, outcome in zip(self._rows(), self.outcomes, strict=True):
            refused = row["allowed"] is False or row["under_legal_limit"] is False
            listed = all(part.listed_name for part in outcome.carrier.parts)
            if listed and not refused and row["verdict"] == "clear" and row["carrier"] not in self.yardsticks:
                return str(row["carrier"])
        return None

    @property
    def not_for_ingestion(self) -> tuple[str, ...]:
        """Names of the ranked liquids that must never be in food, whatever they dissolve."""
        return tuple(outcome.carrier.name for outcome in self.outcomes if outcome.carrier.not_for_ingestion)

    def _rows(self) -> list[dict[str, Cell]]:
        return [{str(key): value for key, value in row.items()} for row in self.table.to_dict("records")]

    def shown(self) -> list[dict[str, Cell]]:
        """Return the rows as a page or a screen shows them: "not for ingestion" stands in place of the outcome.

        Examples
        --------
        >>> from hspkit.ranking import rank_carriers
        >>> ranking = rank_carriers("limonene", carriers=["diethyl phthalate", "glycerol"])
        >>> [(row["carrier"], row["verdict"]) for row in ranking.shown()]
        [('glycerol', 'splits'), ('diethyl phthalate', 'not for ingestion')]
        """
        refused = self.not_for_ingestion
        return [row | ({"verdict": NOT_FOR_INGESTION} if row["carrier"] in refused else {}) for row in self._rows()]

    def row(self, name: str) -> dict[str, Cell]:
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
        names = [str(ranked) for ranked in self.table["carrier"]]
        wanted = name if isinstance(name, str) and name in names else carrier(name).name
        if wanted not in names:
            message = f"{name!r} is not in this ranking; ranked: {', '.join(names)}"
            raise UnknownNameError(message)
        return {str(key): value for key, value in self.table.iloc[names.index(wanted)].to_dict().items()}

    def why(self, name: str) -> str:
        """Return the outcome and the reasons of one carrier in sentences.

        Parameters
        ----------
        name : str
            A carrier of this ranking. [-]

        Examples
        --------
        >>> from hspkit.ranking import rank_carriers
        >>> soda = Application("US", "soft drinks", oil_mg_per_L=40)
        >>> ranking = rank_carriers("sweet orange, cold-pressed", application=soda)
        >>> "not permitted" in ranking.why("dipropylene glycol")
        True
        """
        row = self.row(name)
        index = list(self.table["carrier"]).index(row["carrier"])
        outcome = self.outcomes[index]
        lines = [f"{row['carrier']}: {outcome.sentence()}"]
        if row["carrier"] in self.not_for_ingestion:
            lines.insert(0, f"{row['carrier']}: {NOT_FOR_INGESTION}, refused whatever it dissolves.")
        if self.application is not None:
            lines.extend(_law(self.application, outcome))
        if row["notes"]:
            lines.append(str(row["notes"]))
        return "\n".join(lines)

    def question(self) -> str:
        """Return oil, parts, temperature and product in one line."""
        parts = f"{_parts(self.oil_parts)} of oil + {_parts(self.carrier_parts)} of carrier by volume"
        text = f"{self.oil.label}: {parts}, {self.celsius:g} C"
        if self.application is not None:
            text += f"; {self.application.category}, {self.application.market}, {self.application.level()}"
        return text

    def drink(self) -> str:
        """Return whether the oil clouds the finished drink, in one line; empty without an application.

        The carrier has no influence on that, unless it does not dissolve in the drink itself.
        """
        if self.application is None or not self.application.is_drink:
            return ""
        dose, most = self.application.oil_mg_per_L, ""
        if dose is None:  # by the stock: the most that any carrier that is not refused leaves room for
            rows = self.table[[allowed is not False for allowed in self.table["allowed"]]]
            carrier_doses = rows["carrier_mg_per_L"].dropna().to_numpy(dtype=float)
            dose, most = float(np.max(self.application.stock_mg_per_L - carrier_doses, initial=-np.inf)), "up to "
        if not np.isfinite(dose):
            return ""
        clouds = product.clouding(self.oil, oil_mg_per_L=dose, ethanol_percent=self.application.ethanol_percent)
        state = "stays dissolved in the finished drink" if clouds.stays_clear else "clouds the finished drink"
        first = f"; first to separate is {clouds.makers[0][0]}" if clouds.makers else ""
        advice = "" if clouds.stays_clear else " Make an emulsion, or use a washed (terpene-poor) extract."
        return f"{most}{number(dose)} mg/L of this oil {state}: {clouds.times()}{first}.{advice}"

    def headline(self) -> str:
        """Return the best carrier in one sentence.

        Examples
        --------
        >>> from hspkit.ranking import rank_carriers
        >>> rank_carriers("limonene", carriers=["MCT", "glycerol"]).headline()
        'First: MCT.'
        """
        if self.best:
            return f"First: {self.best}."
        return "No carrier is known to be allowed, within its limit and clear."

    def notes(self) -> tuple[str, ...]:
        """Return the notes on the oil, then those on each carrier in the order of the table."""
        return (*self.oil.notes, *(f"{row['carrier']}: {row['notes']}" for row in self._rows() if row["notes"]))

    @property
    def order(self) -> str:
        """The rule by which the rows stand as they do, in words."""
        return RULE

    def to_csv(self, path: str | Path | None = None) -> str:
        """Return the table as csv that a spreadsheet cannot run, and write it when a path is given.

        Parameters
        ----------
        path : str or Path, optional
            File to write, whole or not at all. [-]

        Examples
        --------
        >>> from hspkit.ranking import rank_carriers
        >>> rank_carriers("limonene", carriers=["MCT"]).to_csv().splitlines()[0][:25]
        'carrier,verdict,p_clear,u'
        """
        text = rendering.csv_text(self.table)
        if path is not None:
            files.write_text(path, text + "\n")
        return text

    def to_html(self, path: str | Path | None = None) -> str:
        """Return the ranking as a page that opens offline, and write it when a path is given.

        Parameters
        ----------
        path : str or Path, optional
            File to write, whole or not at all. [-]

        Returns
        -------
        str
            HTML without scripts; every text that came from outside is escaped.

        Raises
        ------
        InputError
            When the folder of the file is not there.

        Examples
        --------
        >>> from hspkit.ranking import rank_carriers
        >>> page = rank_carriers("limonene", carriers=["MCT"]).to_html()
        >>> page.startswith("<!DOCTYPE html>"), "<script" in page
        (True, False)
        """
        page = rendering.html_page(f"Carriers for {self.oil.name}", self._repr_html_())
        if path is not None:
            files.write_text(path, page)
        return page

    def _repr_html_(self) -> str:
        question, headline, drink = (
            html.escape(rendering.plain(text)) for text in (self.question(), self.headline(), self.drink())
        )
        return "".join(
            [
                f"<h1>{html.escape(rendering.plain(self.oil.name))}</h1><p>{question}</p>",
                f"<p><strong>{headline}</strong> {drink}</p>",
                f'<div class="wide">{page_table(self.shown())}</div>',
                f'<p class="small">{html.escape(PAGE_LEGEND)} {html.escape(self.order)}</p>',
                f"<h2>Notes</h2>{rendering.html_list(self.notes())}",
                f"<h2>Cautions</h2>{rendering.html_list(self.cautions)}",
            ]
        )

    def __repr__(self) -> str:
        return f"<Ranking of {len(self.table)} carriers for {self.oil.name}; best: {self.best}>"


def _parts(count: float) -> str:
    return f"{count:g} part" if count == 1 else f"{count:g} parts"


def _law(application: Application, outcome: Outcome) -> list[str]:
    """Return permission and limits in words, each with its reference."""
    lines = []
    for part in outcome.carrier.parts:
        answer = product.permission(part, application.market, application.category)
        verb = "allowed" if answer.allowed else "NOT allowed"
        cited = f" [{'; '.join(answer.references)}]" if answer.references else ""
        lines.append(f"{part.name} is {verb} ({application.market}, {application.category}): {answer.reason}{cited}")
    dosing = dosing_of(outcome, application)
    if dosing is not None:
        lines.extend(line.sentence() for line in dosing.law if np.isfinite(line.limit))
    return [*lines, product.CHECK_THE_LAW]
