"""The batch sheet: what to weigh, in what order, what to expect, what to check, and the trial to run first.

As text, Markdown, a self-contained HTML page that prints on one A4 page, or a DataFrame. Masses decide: weigh, and
use the volumes to choose the vessel. The order of mixing is common practice, no source.
"""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from hspkit import application as product
from hspkit import checks, ethanol, pages
from hspkit.application import Application, Dosing
from hspkit.carriers import NOT_FOR_INGESTION, NOT_LISTED, Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.miscibility import Outcome, check_parts, dissolve
from hspkit.oils import Oil, covered
from hspkit.pages import number
from hspkit.ranking import general_cautions

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["BatchSheet", "SheetLine", "batch_sheet", "read_batch"]

#: Units of a batch, in mL or in g.
_VOLUME_UNITS = {"ml": 1.0, "l": 1000.0}
_MASS_UNITS = {"mg": 0.001, "g": 1.0, "kg": 1000.0}
#: Strength of spirit as it is bought. [% vol]
_SPIRIT = 96.0
#: Volume of the trial [mL]: a vial that shows a layer and wastes little; common practice, no source.
_TRIAL_ML = 15.0
#: Usual and smallest size of print and height of the page between its margins [pt]; height of a line over its size,
#: width of a line in characters times size, and size of the small print over the usual: as `pages` sets them, the width
#: found by printing.
_PRINT_SIZE, _SMALLEST_PRINT, _PAGE_PT = 8.4, 5.6, 770.0
_LEADING, _LINE_PT, _SMALL = 1.27, 1050.0, 0.88


class SheetLine(NamedTuple):
    """One liquid of a batch; what is not known is NaN. Masses in g, volumes in mL, cost in the currency given."""

    liquid: str
    cas: str
    mass_g: float
    volume_mL: float
    mass_percent: float
    volume_percent: float
    price_per_kg: float
    cost: float


def read_batch(batch: float | str) -> tuple[float, str]:
    """Return the size of a batch and its unit, mL or g.

    Parameters
    ----------
    batch : float or str
        "2 L", "500 mL", "750 g", "1.5 kg"; a bare number is mL of stock. [-]

    Raises
    ------
    InputError
        When it is not a positive amount in a unit of volume or mass.

    Examples
    --------
    >>> read_batch("1.5 kg"), read_batch(250)
    ((1500.0, 'g'), (250.0, 'mL'))
    """
    expected = "an amount such as '2 L', '500 mL', '750 g' or '1.5 kg'"
    refusal = checks.refuse(batch, "batch", expected)
    if not isinstance(batch, str):
        return checks.between(batch, "batch", 0, _MOST_BATCH, expected), "mL"
    match = re.fullmatch(r"\s*([0-9]*[.,]?[0-9]+(?:e[0-9]+)?)\s*([A-Za-z]*)\s*", batch)
    if match is None:
        raise refusal
    amount, unit = float(match[1].replace(",", ".")), match[2].lower() or "ml"
    factor = _VOLUME_UNITS.get(unit, _MASS_UNITS.get(unit))
    if factor is None or not 0 < amount <= _MOST_BATCH:
        raise refusal
    return amount * factor, "mL" if unit in _VOLUME_UNITS else "g"


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
        What to weigh: oil, carriers, stock.
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
        said = NOT_FOR_INGESTION if self.carrier.not_for_ingestion else self.outcome.verdict
        return f"<BatchSheet {self.title!r}: {self.batch}, {said}>"

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
        whole = self.lines[-1]
        return 1000.0 * whole.cost / whole.mass_g

    @property
    def cost_per_litre(self) -> float:
        """Cost of the stock in one litre of finished product; NaN when not known. [currency/L]"""
        return self.cost_per_kg * self.dosing.dose.stock_mg_per_L * 1e-6 if self.dosing else float("nan")

    @property
    def product_litres(self) -> float:
        """Finished product that the batch makes; NaN without an application. [L]"""
        return 1000.0 * self.lines[-1].mass_g / self.dosing.dose.stock_mg_per_L if self.dosing else float("nan")

    def question(self) -> str:
        """Return what the sheet is about, in one line."""
        asked = self.dosing.application if self.dosing else None
        use = f"; {asked.category}, {asked.market}, {asked.level()}" if asked else ""
        return (
            f"{self.batch} of stock: {self.oil_parts:g} oil to {self.carrier_parts:g} carrier by {self.basis}, "
            f"mixed at {self.outcome.celsius:g} C{use}"
        )

    def sections(self) -> tuple[tuple[str, tuple[str, ...]], ...]:
        """Return headings with their lines, in the order of the sheet; the table of masses is not among them."""
        found: list[tuple[str, tuple[str, ...]]] = [
            ("Expected", self._expected()),
            ("Trial to run first", self.trial),
            ("Order of mixing", self.steps),
        ]
        if self.dosing is not None:
            found.append(("Dose", self._dose_lines()))
            found.append(("Law", self.dosing.legal_lines()))
            found.append(("Taste", self.dosing.taste_lines()))
            found.append(("Finished drink", self.dosing.drink_lines()))
        else:
            found.append(("Dose, law and drink", ("Not asked: give an Application (market, category, use level).",)))
        if self._costs():
            found.append(("Cost", self._costs()))
        if self.notes:
            found.append(("Not known", self.notes))
        found.append(("Cautions", self.cautions))
        return tuple(found)

    def _expected(self) -> tuple[str, ...]:
        broken = self.dosing.broken if self.dosing else ()
        refused = [f"DO NOT USE: {one.carrier}, {one.reason}" for one in self._refused()]
        return (
            *refused,
            self.outcome.sentence(),
            *(f"OVER A LIMIT: {line}" for line in broken),
            *([f"Stock: {self.dosing.stock.sentence()}."] if self.dosing else []),
            *(self.dosing.pouring_lines() if self.dosing else _pouring(self.carrier)),
        )

    def _refused(self) -> list[product.Permission]:
        if self.dosing is not None:
            return [one for one in self.dosing.permissions if not one.allowed]
        return [
            product.Permission(part.name, False, NOT_FOR_INGESTION, ())
            for part in self.carrier.parts
            if part.not_for_ingestion
        ]

    def _dose_lines(self) -> tuple[str, ...]:
        if self.dosing is None:
            return ()
        rows = self.dosing.table.to_dict("records")
        said = ", ".join(f"{row['liquid']} {number(row['mg_per_L'])}" for row in rows)
        made = f"; the batch makes {number(self.product_litres)} L" if np.isfinite(self.product_litres) else ""
        return (f"In a litre of product [mg]: {said}{made}.",)

    def _costs(self) -> tuple[str, ...]:
        if all(np.isnan(line.price_per_kg) for line in self.lines[:-1]):
            return ()
        unit = f" {self.currency}" if self.currency else ""
        missing = [line.liquid for line in self.lines[:-1] if np.isnan(line.price_per_kg)]
        if missing:
            return (f"Not worked out: no price for {', '.join(missing)}.",)
        found = [f"Stock {number(self.lines[-1].cost)}{unit} a batch, {number(self.cost_per_kg)}{unit}/kg."]
        if np.isfinite(self.cost_per_litre):
            found.append(f"{number(self.cost_per_litre)}{unit} a litre of finished product.")
        return (" ".join(found),)

    def _cells(self) -> tuple[list[tuple[str, str]], list[list[str]]]:
        head = [("liquid", ""), ("CAS", ""), ("mass", "g"), ("volume", "mL"), ("mass", "%"), ("volume", "%")]
        rows = [
            [
                line.liquid,
                line.cas or "-",
                number(line.mass_g, 4),
                number(line.volume_mL, 4),
                number(line.mass_percent, 4),
                number(line.volume_percent, 4),
            ]
            for line in self.lines
        ]
        if not all(np.isnan(line.price_per_kg) for line in self.lines[:-1]):
            head += [("price", f"{self.currency or '-'}/kg"), ("cost", self.currency or "-")]
            rows = [
                [*row, number(line.price_per_kg), number(line.cost)] for row, line in zip(rows, self.lines, strict=True)
            ]
        return head, rows

    def to_text(self, path: str | Path | None = None) -> str:
        """Return the sheet as plain text, 100 characters wide, and write it when a path is given."""
        import textwrap

        head, rows = self._cells()
        parts = [
            pages.plain(self.title),
            pages.plain(self.question()),
            pages.text_table([f"{name} [{unit}]" if unit else name for name, unit in head], rows, left=2),
        ]
        for heading, lines in self.sections():
            said = [
                textwrap.fill(pages.plain(line), 100, initial_indent=mark, subsequent_indent=" " * len(mark))
                for line, mark in zip(lines, _marks(heading, len(lines)), strict=True)
            ]
            parts.append("\n".join([heading, *said]))
        return _written("\n\n".join(parts) + "\n", path)

    def to_markdown(self, path: str | Path | None = None) -> str:
        """Return the sheet as Markdown, and write it when a path is given."""
        head, rows = self._cells()
        parts = [
            f"# {pages.markdown_text(self.title)}",
            pages.markdown_text(self.question()),
            pages.markdown_table([f"{name} ({unit})" if unit else name for name, unit in head], rows, left=2),
        ]
        for heading, lines in self.sections():
            mark = "1. " if heading == _ORDERED else "- "
            parts.append(f"## {heading}\n\n" + "\n".join(mark + pages.markdown_text(line) for line in lines))
        return _written("\n\n".join(parts) + "\n", path)

    def to_csv(self, path: str | Path | None = None) -> str:
        """Return the table of masses as csv that a spreadsheet cannot run, and write it when a path is given."""
        return _written(pages.csv_text(self.table) + "\n", path)

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
        body = f'<div class="fit" style="--print:{self._print_size():.1f}pt">{self._body()}</div>'
        return _written(pages.html_page(self.title, body), path)

    def _print_size(self) -> float:
        """Return the largest size of print, up to the usual one, at which the sheet fits on one A4 page. [pt]"""
        sizes = np.arange(_PRINT_SIZE, _SMALLEST_PRINT, -0.1)
        return next((float(size) for size in sizes if self._rows(size) * size * _LEADING <= _PAGE_PT), _SMALLEST_PRINT)

    def _rows(self, size: float) -> float:
        """Return how many lines of print the page needs at a size."""
        width = _LINE_PT / size
        heading = 1.9

        def rows(lines: tuple[str, ...], share: float = 1.0) -> float:
            return heading + sum(float(np.ceil(len(line) / (share * width - 4))) for line in lines)

        found = dict(self.sections())
        beside = max(rows(found.pop("Trial to run first"), 0.5), rows(found.pop(_ORDERED), 0.5))
        cautions = _SMALL * rows(found.pop("Cautions"), 1.0 / _SMALL)
        title = 2.0 * float(np.ceil(1.6 * len(self.title) / width))
        return title + 4.0 + 1.4 * (len(self.lines) + 2) + beside + cautions + sum(map(rows, found.values()))

    def _body(self) -> str:
        head, rows = self._cells()
        bad = bool(self._refused()) or self.outcome.verdict != "clear" or bool(self.dosing and self.dosing.broken)
        blocks = {
            heading: f"<h2>{html.escape(heading)}</h2>{pages.html_list(lines, ordered=heading == _ORDERED)}"
            for heading, lines in self.sections()
        }
        expected, cautions = blocks.pop("Expected"), blocks.pop("Cautions")
        trial, steps = blocks.pop("Trial to run first"), blocks.pop(_ORDERED)
        signed = "Lots: ____________________   Weighed by: ______________   Checked by: ______________   Date: ________"
        return "".join(
            [
                f"<h1>{html.escape(pages.plain(self.title))}</h1><p>{html.escape(pages.plain(self.question()))}</p>",
                f'<div class="key{" warn" if bad else ""}">{expected}</div>',
                f'<div class="wide">{pages.html_table(head, rows, left=2)}</div>',
                f'<div class="pair"><div>{trial}</div><div>{steps}</div></div>',
                *blocks.values(),
                f'<div class="small">{cautions}</div><p class="small">{signed.replace("   ", "&emsp;")}</p>',
            ]
        )

    def _repr_html_(self) -> str:
        return self._body()

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
        pages.write_text(path, text)
    return text


_ORDERED = "Order of mixing"
#: No batch [mL or g] is larger and no kilogram costs more; judgement, for a slip of the keyboard.
_MOST_BATCH, _MOST_PRICE = 1e12, 1e9


def _marks(heading: str, count: int) -> list[str]:
    if heading == _ORDERED:
        return [f"{place}. " for place in range(1, count + 1)]
    return [("! " if heading == "Cautions" else "- ")] * count


def batch_sheet(
    oil_or_name: Oil | str,
    carrier_or_blend: Carrier | Blend | str,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    batch: float | str = "1 L",
    application: Application | None = None,
    basis: str = "volume",
    celsius: float = 25.0,
    prices: Mapping[str, float] | None = None,
    currency: str = "",
    title: str | None = None,
) -> BatchSheet:
    """Write the sheet for one batch of stock.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carrier_or_blend : Carrier, Blend or str
        The carrier. [-]
    oil_parts, carrier_parts : float
        Parts of the stock. [-]
    batch : float or str
        Size: "2 L", "500 mL", "750 g", "1.5 kg"; a bare number is mL. [-]
    application : Application, optional
        The product; without it dose, law and drink are left out. [-]
    basis : {"volume", "mass"}
        What the parts are. [-]
    celsius : float
        Temperature of mixing. [degC]
    prices : mapping of str to float, optional
        Price by "oil" (or the name of the oil) and by carrier. [currency/kg]
    currency : str
        To print beside the costs. [-]
    title : str, optional
        Heading; default oil and carrier. [-]

    Returns
    -------
    BatchSheet
        `to_text`, `to_markdown`, `to_html`, `to_csv`, `table`; `save(path)` chooses by the ending.

    Raises
    ------
    UnknownNameError
        For an unknown oil or carrier.
    InputError
        For a batch, a part or a price that cannot be, or a density that is needed and not known.

    Notes
    -----
    Volumes of oil and carrier are taken to add up; densities are those at 20 to 25 C. Contraction of carriers with
    water is counted.

    Examples
    --------
    >>> sheet = batch_sheet("sweet orange, cold-pressed", "triacetin", batch="300 mL")
    >>> sheet.table[["liquid", "volume_mL"]].values.tolist()
    [['sweet orange, cold-pressed', 100.0], ['triacetin', 200.0], ['stock', 300.0]]
    """
    subject, liquid = covered(oil_or_name), carrier(carrier_or_blend)
    given = check_parts(oil_parts, carrier_parts)
    checks.choice(basis, "basis", ("volume", "mass"))
    if application is not None:
        product.check_application(application)
    checks.text(currency, "currency")
    checks.kind(title, "title", (str, type(None)), "a text or None")
    named = {} if prices is None else checks.kind(prices, "prices", Mapping, "a mapping such as {'oil': 12.5}")
    size, unit = read_batch(batch)
    parts = product.volume_parts(*given, oil_density=subject.density, carrier_density=liquid.density, basis=basis)
    outcome = dissolve(subject, liquid, oil_parts=parts[0], carrier_parts=parts[1], celsius=celsius)
    notes = [f"{part.name}: {NOT_LISTED}." for part in liquid.parts if not part.listed_name]
    dosing = None
    if application is not None and np.isfinite(liquid.density):
        dosing = product.dosing(
            subject,
            liquid,
            application,
            oil_parts=given[0],
            carrier_parts=given[1],
            basis=basis,
            celsius=celsius,
            outcome=outcome,
        )
    if not np.isfinite(liquid.density):
        notes.append(f"The density of {liquid.name} is not on record: no masses, doses or limits.")
    if subject.uncovered_percent >= 0.05 and not (dosing and dosing.drink):
        notes.append(
            f"{number(subject.uncovered_percent, 2)} % of {subject.name} has no substance in the tables and does not "
            "enter the prediction."
        )
    lines = _lines(subject, liquid, parts, size, unit, _checked_prices(named, subject, liquid))
    return BatchSheet(
        subject,
        liquid,
        *given,
        basis,
        f"{number(size, 6)} {unit}",
        outcome,
        lines,
        _steps(liquid, lines, outcome),
        _trial(outcome, application),
        dosing,
        _cautions(subject, liquid, application),
        title or f"Batch sheet: {subject.name} in {liquid.name}",
        currency,
        tuple(notes),
    )


def _checked_prices(prices: Mapping[str, float], subject: Oil, liquid: Carrier | Blend) -> dict[str, float]:
    names = {subject.name, *(part.name for part in liquid.parts)}
    found = {}
    for key, price in prices.items():
        name = subject.name if key == "oil" else key if key in names else None
        if name is None:
            resolved = carrier(key)
            name = resolved.name
        if name not in names:
            message = f"a price is given for {key!r}, which is not in the batch; expected 'oil' or {', '.join(names)}"
            raise InputError(message)
        expected = "a number >= 0 per kg"
        found[name] = checks.number(price, f"the price of {key!r}", "", low=0, high=_MOST_PRICE, expected=expected)
    return found


def _lines(
    subject: Oil,
    liquid: Carrier | Blend,
    parts: tuple[float, float],
    size: float,
    unit: str,
    prices: Mapping[str, float],
) -> tuple[SheetLine, ...]:
    share = parts[0] / sum(parts)
    density = share * subject.density + (1.0 - share) * liquid.density
    volume = size if unit == "mL" else size / density
    amounts: list[tuple[str, str, float, float]] = [
        (subject.name, "", share * volume * subject.density, share * volume)
    ]
    carrier_mass = (1.0 - share) * volume * liquid.density
    if isinstance(liquid, Carrier):
        amounts.append((liquid.name, liquid.cas, carrier_mass, (1.0 - share) * volume))
    else:
        for part, fraction, mass_fraction in zip(
            liquid.parts, liquid.volume_fractions, liquid.mass_fractions, strict=True
        ):
            if fraction > 0:
                mass = carrier_mass * float(mass_fraction)
                known = np.isfinite(mass)  # else as measured out, which is all that one can say
                out = mass / part.density if known else (1.0 - share) * volume * float(fraction)
                amounts.append((part.name, part.cas, mass, out))
    mass = float(sum(one[2] for one in amounts))
    rows = [
        SheetLine(
            name,
            cas,
            float(own),
            float(out),
            100.0 * float(own) / mass,
            100.0 * float(out) / volume,
            prices.get(name, float("nan")),
            float(own) / 1000.0 * prices.get(name, float("nan")),
        )
        for name, cas, own, out in amounts
    ]
    cost = float(sum(row.cost for row in rows))
    return (*rows, SheetLine("stock", "", mass, float(volume), 100.0, 100.0, float("nan"), cost))


def _steps(liquid: Carrier | Blend, lines: tuple[SheetLine, ...], outcome: Outcome) -> tuple[str, ...]:
    """Return the order of mixing; common practice, no source."""
    if liquid.not_for_ingestion:
        return (f"Do not make this batch: {liquid.name} is not for ingestion.",)
    amounts = {line.liquid: f"{number(line.mass_g, 4)} g" for line in lines}
    masses = {line.liquid: line.mass_g for line in lines}
    dry = [part for part in liquid.parts if part.identity != "water" and part.name in amounts]
    wet = next((part.name for part in liquid.parts if part.identity == "water" and part.name in amounts), "")
    thick = [part.name for part in dry if (band := product.pouring_band(part.viscosity(20.0))) and not band.pours]
    spirit = _spirit_words(liquid, masses)
    steps = ["Check name, CAS number, grade and lot of every drum against this sheet and its certificate."]
    if thick:
        steps.append(f"Warm {', '.join(thick)} to 40-50 C so that it pours; let it cool again before the oil goes in.")
    if spirit:
        steps.append(spirit)
    elif len(dry) > 1:
        by_mass = sorted(dry, key=lambda part: -masses[part.name])
        listed = ", then ".join(f"{part.name} ({amounts[part.name]})" for part in by_mass)
        steps.append(f"Weigh {listed} into a clean dry vessel; stir until no streaks are left.")
    elif dry:
        steps.append(f"Weigh {dry[0].name} ({amounts[dry[0].name]}) into a clean dry vessel.")
    oil_name = lines[0].liquid
    steps.append(f"Weigh in {oil_name} ({amounts[oil_name]}) slowly while stirring, closed and away from flames.")
    if wet and not spirit:
        steps.append(f"Last, add water ({amounts[wet]}) in small portions; stop and note the amount if it clouds.")
    steps.append(
        "Stir 15 minutes, let stand a day at the coldest temperature of storage, hold it against a dark ground; "
        "filter only what is clear, and label with lot, date and cautions."
    )
    if outcome.verdict != "clear":
        steps.append(f"Expected: {outcome.verdict}. Do not make the batch before the trial has come out clear.")
    return tuple(steps)


def _spirit_words(liquid: Carrier | Blend, masses: Mapping[str, float]) -> str:
    """Return how to make aqueous ethanol from spirit as it is bought; empty for other carriers."""
    names = {part.identity: part.name for part in liquid.parts}
    if not isinstance(liquid, Blend) or set(names) != {"ethanol", "water"}:
        return ""
    spirit, water = masses[names["ethanol"]], masses[names["water"]]
    whole = spirit + water
    strength = float(ethanol.volume_percent(100.0 * spirit / whole))
    if strength >= _SPIRIT:
        return ""
    made = ethanol.dilute(_SPIRIT, strength, spirit_volume=1.0)
    bought = whole / (1.0 + made.water_mass_ratio)
    return (
        f"Make the ethanol of {strength:.3g} % vol: {number(bought, 4)} g of spirit of {_SPIRIT:g} % vol and "
        f"{number(whole - bought, 4)} g of water; the volume contracts by {made.contraction_percent:.2g} % (OIML R 22)."
    )


def _trial(outcome: Outcome, application: Application | None) -> tuple[str, ...]:
    """Return the trial to run first; common practice, no source."""
    if outcome.carrier.not_for_ingestion:
        return (f"None: {outcome.carrier.name} is not for ingestion. Choose another carrier.",)
    ratio = outcome.carrier_parts / outcome.oil_parts
    oil_ml = _TRIAL_ML / (1.0 + ratio)
    lines = [
        (
            f"In a clear closed vial of {_TRIAL_ML:g} mL: {number(oil_ml)} mL of oil and "
            f"{number(_TRIAL_ML - oil_ml)} mL of carrier, from the very lots of the batch. Shake, let stand a day at "
            "room temperature, then a day at the coldest temperature of storage; note clear, hazy or splits at each."
        )
    ]
    share = 100.0 / (1.0 + ratio)
    if outcome.verdict != "clear" or outcome.undecided:
        if 0.1 <= outcome.max_oil_percent < share:
            fewer = (100.0 - outcome.max_oil_percent) / outcome.max_oil_percent
            lines.append(
                f"Beside it a second vial at 1:{number(fewer)}, where it is expected to turn clear "
                f"({number(outcome.max_oil_percent)} % vol of oil)."
            )
        else:
            lines.append(f"Beside it a second vial with half the oil, 1:{number(2.0 * ratio)}.")
    elif outcome.max_oil_percent < 100.0:
        lines.append(
            f"Beside it a second vial with more oil, near the limit of {number(outcome.max_oil_percent)} % vol."
        )
    if application is not None and application.is_drink:
        lines.append(f"Dose the clear stock into the drink ({application.level()}) beside a blank; look after a day.")
    if all(part.listed_name for part in outcome.carrier.parts):
        lines.append("Taste and smell the dosed product against the blank.")
    return tuple(lines)


def _pouring(liquid: Carrier | Blend) -> tuple[str, ...]:
    viscosity = liquid.viscosity(20.0)
    band = product.pouring_band(viscosity)
    if band is None:
        return ("Viscosity of the carrier not on record.",)
    return (f"{liquid.name} at 20 C: {number(viscosity)} mPa s, {band.sentence()}.",)


def _cautions(subject: Oil, liquid: Carrier | Blend, application: Application | None) -> tuple[str, ...]:
    own = [f"{part.name}: {part.caution}" for part in liquid.parts if part.caution]
    return tuple(dict.fromkeys([*own, *general_cautions(subject, application, [liquid])]))
