"""The sheet for one batch of stock, put together."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from hspkit import application as product
from hspkit import checks
from hspkit.application import Application
from hspkit.carriers import NOT_LISTED, Blend, Carrier, carrier
from hspkit.miscibility import check_parts, dissolve
from hspkit.oils import Oil, covered
from hspkit.ranking import carrier_cautions, general_cautions
from hspkit.rendering import number
from hspkit.report.liquids import check_prices, liquid_lines, read_batch
from hspkit.report.mixing import steps, trial
from hspkit.report.sheet import BatchSheet

__all__ = ["batch_sheet"]


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
    parts = check_parts(oil_parts, carrier_parts)
    checks.choice(basis, "basis", ("volume", "mass"))
    if application is not None:
        product.check_application(application)
    checks.text(currency, "currency")
    checks.kind(title, "title", (str, type(None)), "a text or None")
    checks.kind(prices, "prices", (Mapping, type(None)), "a mapping such as {'oil': 12.5}")
    size, unit = read_batch(batch)
    volumes = product.volume_parts(*parts, oil_density=subject.density, carrier_density=liquid.density, basis=basis)
    outcome = dissolve(subject, liquid, oil_parts=volumes[0], carrier_parts=volumes[1], celsius=celsius)
    notes = [f"{part.name}: {NOT_LISTED}." for part in liquid.parts if not part.listed_name]
    dosing = None
    if not np.isfinite(liquid.density):
        notes.append(f"The density of {liquid.name} is not on record: no masses, doses or limits.")
    elif application is not None:
        dosing = product.dosing(
            subject,
            liquid,
            application,
            oil_parts=parts[0],
            carrier_parts=parts[1],
            basis=basis,
            celsius=celsius,
            outcome=outcome,
        )
    if subject.uncovered_percent >= 0.05 and not (dosing and dosing.drink):
        notes.append(
            f"{number(subject.uncovered_percent, 2)} % of {subject.name} has no substance in the tables and does not "
            "enter the prediction."
        )
    price_per_kg = check_prices(prices or {}, subject, liquid)
    lines = liquid_lines(subject, liquid, volumes[0] / sum(volumes), (size, unit), price_per_kg)
    cautions = [*carrier_cautions([liquid]), *general_cautions(subject, application, [liquid])]
    return BatchSheet(
        oil=subject,
        carrier=liquid,
        oil_parts=parts[0],
        carrier_parts=parts[1],
        basis=basis,
        batch=f"{number(size, 6)} {unit}",
        outcome=outcome,
        lines=lines,
        steps=steps(liquid, lines, outcome),
        trial=trial(outcome, application),
        dosing=dosing,
        cautions=tuple(dict.fromkeys(cautions)),
        title=title or f"Batch sheet: {subject.name} in {liquid.name}",
        currency=currency,
        notes=tuple(notes),
    )
