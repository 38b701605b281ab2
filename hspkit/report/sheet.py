"""The batch sheet as an object: what was asked, what follows from it, and its forms."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from hspkit import checks, columns, files, rendering
from hspkit.application import Dosing, pouring_band
from hspkit.carriers import NOT_FOR_INGESTION, Blend, Carrier
from hspkit.errors import InputError
from hspkit.miscibility import Outcome
from hspkit.oils import Oil
from hspkit.rendering import number
from hspkit.report.document import CAUTIONS, EXPECTED, ORDER_OF_MIXING, TRIAL, Document
from hspkit.report.liquids import SheetLine

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["BatchSheet"]


@dataclass(frozen=True)
class BatchSheet:
    """A batch of stock, ready for the bench.

    Parameters
    ----------
    oil, carrier
        The two liquids.
    oil_parts, carrier_parts : float
        Parts as they were given. [-]
    basis : {"volume", "mass"}
        What the parts are. [-]
    batch : str
        Size of the batch, in words. [-]
    outcome : Outcome
        What to expect of the stock.
    lines : tuple of SheetLine
        What to weigh: oil, parts of the carrier, stock.
    steps : tuple of str
        Order of mixing.
    trial : tuple of str
        The trial to run first.
    dosing : Dosing or None
        Dose, limits and drink; None without an application.
    cautions : tuple of str
    title, currency : str
        For the heading and the costs. [-]
    notes : tuple of str
        What could not be worked out.
    """

    oil: Oil
    carrier: Carrier | Blend
    oil_parts: float
    carrier_parts: float
    basis: str
    batch: str
    outcome: Outcome
    lines: tuple[SheetLine, ...]
    steps: tuple[str, ...]
    trial: tuple[str, ...]
    dosing: Dosing | None
    cautions: tuple[str, ...]
    title: str
    currency: str = ""
    notes: tuple[str, ...] = field(default=())

    def __repr__(self) -> str:
        expected = NOT_FOR_INGESTION if self.carrier.not_for_ingestion else self.outcome.verdict
        return f"<BatchSheet {self.title!r}: {self.batch}, {expected}>"

    def __str__(self) -> str:
        return self.to_text()

    @property
    def table(self) -> pd.DataFrame:
        """Liquids with masses [g], volumes [mL], shares [%] and costs; columns as in `SheetLine`."""
        import pandas as pd

        return pd.DataFrame(self.lines, columns=list(SheetLine._fields))

    @property
    def cost_per_kg(self) -> float:
        """Cost of the stock; NaN when a price is missing. [currency/kg]"""
        stock = self.lines[-1]
        return 1000.0 * stock.cost / stock.mass_g

    @property
    def cost_per_litre(self) -> float:
        """Cost of the stock in one litre of finished product; NaN when not known. [currency/L]"""
        return self.cost_per_kg * self.dosing.dose.stock_mg_per_L * 1e-6 if self.dosing else float("nan")

    @property
    def product_litres(self) -> float:
        """Finished product that the batch makes; NaN without an application. [L]"""
        return 1000.0 * self.lines[-1].mass_g / self.dosing.dose.stock_mg_per_L if self.dosing else float("nan")

    def question(self) -> str:
        """Return batch, parts, temperature and product in one line."""
        product_text = ""
        if self.dosing:
            application = self.dosing.application
            product_text = f"; {application.category}, {application.market}, {application.level()}"
        return (
            f"{self.batch} of stock: {self.oil_parts:g} oil to {self.carrier_parts:g} carrier by {self.basis}, "
            f"mixed at {self.outcome.celsius:g} C{product_text}"
        )

    def sections(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Return headings with their lines, in the order of the sheet; the table of masses is not among them."""
        of_product: dict[str, tuple[str, ...]] = {
            "Dose, law and drink": ("Not asked: give an Application (market, category, use level).",)
        }
        if self.dosing is not None:
            of_product = {
                "Dose": (self._dose(self.dosing),),
                "Law": self.dosing.legal_lines(),
                "Taste": self.dosing.taste_lines(),
                "Finished drink": self.dosing.drink_lines(),
            }
        costs = self._costs()
        return (
            (EXPECTED, self._expected()),
            (TRIAL, self.trial),
            (ORDER_OF_MIXING, self.steps),
            *of_product.items(),
            *([("Cost", (costs,))] if costs else []),
            *([("Not known", self.notes)] if self.notes else []),
            (CAUTIONS, self.cautions),
        )

    def _expected(self) -> tuple[str, ...]:
        lines = [f"DO NOT USE: {refusal}" for refusal in self._refusals()]
        lines.append(self.outcome.sentence())
        if self.dosing is not None:
            lines += [f"OVER A LIMIT: {limit}" for limit in self.dosing.broken]
            lines += [f"Stock: {self.dosing.stock.sentence()}.", *self.dosing.pouring_lines()]
        else:
            viscosity = self.carrier.viscosity(20.0)
            band = pouring_band(viscosity)
            pours = f"{self.carrier.name} at 20 C: {number(viscosity)} mPa s, {band.sentence()}." if band else ""
            lines.append(pours or "Viscosity of the carrier not on record.")
        return tuple(lines)

    def _refusals(self) -> list[str]:
        if self.dosing is not None:
            return [f"{answer.carrier}, {answer.reason}" for answer in self.dosing.permissions if not answer.allowed]
        return [f"{part.name}, {NOT_FOR_INGESTION}" for part in self.carrier.parts if part.not_for_ingestion]

    def _dose(self, dosing: Dosing) -> str:
        rows = dosing.table.to_dict("records")
        doses = ", ".join(f"{row['liquid']} {number(row['mg_per_L'])}" for row in rows)
        litres = f"; the batch makes {number(self.product_litres)} L" if np.isfinite(self.product_litres) else ""
        return f"In a litre of product [mg]: {doses}{litres}."

    def _costs(self) -> str:
        missing = [line.liquid for line in self.lines[:-1] if np.isnan(line.price_per_kg)]
        if len(missing) == len(self.lines) - 1:
            return ""
        if missing:
            return f"Not worked out: no price for {', '.join(missing)}."
        unit = f" {self.currency}" if self.currency else ""
        text = f"Stock {number(self.lines[-1].cost)}{unit} a batch, {number(self.cost_per_kg)}{unit}/kg."
        if np.isfinite(self.cost_per_litre):
            text += f" {number(self.cost_per_litre)}{unit} a litre of finished product."
        return text

    def document(self) -> Document:
        """Return the sheet as a document that can be rendered."""
        shown = [(column, column.heading) for column in columns.SHEET if column.name not in ("price_per_kg", "cost")]
        if any(columns.is_known(line.price_per_kg) for line in self.lines[:-1]):
            price, cost = columns.SHEET[-2:]
            unit = self.currency or "-"
            shown += [(price, (price.heading[0], unit + price.heading[1])), (cost, (cost.heading[0], unit))]
        return Document(
            title=self.title,
            question=self.question(),
            headings=[heading for _, heading in shown],
            rows=[[column.page(getattr(line, column.name)) for column, _ in shown] for line in self.lines],
            sections=self.sections(),
            warns=bool(self._refusals() or self.outcome.verdict != "clear" or (self.dosing and self.dosing.broken)),
        )

    def to_text(self, path: str | Path | None = None) -> str:
        """Return the sheet as plain text, 100 characters wide, and write it when a path is given."""
        return _written(self.document().text(), path)

    def to_markdown(self, path: str | Path | None = None) -> str:
        """Return the sheet as Markdown, and write it when a path is given."""
        return _written(self.document().markdown(), path)

    def to_csv(self, path: str | Path | None = None) -> str:
        """Return the table of masses as csv that a spreadsheet cannot run, and write it when a path is given."""
        return _written(rendering.csv_text(self.table) + "\n", path)

    def to_html(self, path: str | Path | None = None) -> str:
        """Return the sheet as a page of its own, and write it when a path is given.

        Parameters
        ----------
        path : str or Path, optional
            File to write, whole or not at all. [-]

        Returns
        -------
        str
            HTML without scripts that opens without a network and prints on one page of A4.

        Raises
        ------
        InputError
            When the folder of the file is not there.
        """
        return _written(self.document().page(), path)

    def _repr_html_(self) -> str:
        return self.document().html()

    def save(self, path: str | Path) -> Path:
        """Write the sheet to a file, whole or not at all; the ending chooses the form.

        Parameters
        ----------
        path : str or Path
            .html, .md, .txt or .csv (the table of masses). [-]

        Returns
        -------
        Path
            The file.

        Raises
        ------
        InputError
            For another ending, or a folder that is not there.
        FileAccessError
            When the file cannot be written; what stood there before still does.
        """
        forms = {
            ".html": self.to_html,
            ".htm": self.to_html,
            ".md": self.to_markdown,
            ".txt": self.to_text,
            ".csv": self.to_csv,
        }
        ending = Path(checks.path(path)).suffix.lower()
        if ending not in forms:
            message = f"cannot write {str(path)!r}: the name ends in {ending!r}; expected one of {', '.join(forms)}"
            raise InputError(message)
        forms[ending](path)
        return Path(path)


def _written(text: str, path: str | Path | None) -> str:
    if path is not None:
        files.write_text(path, text)
    return text
