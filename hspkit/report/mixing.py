"""The order of mixing and the trial to run first; common practice, no source."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from hspkit import application as product
from hspkit import ethanol
from hspkit.application import Application
from hspkit.carriers import Blend, Carrier
from hspkit.miscibility import Outcome
from hspkit.rendering import number
from hspkit.report.liquids import SheetLine

__all__ = ["steps", "trial"]

#: Strength of spirit as it is bought. [% vol]
_SPIRIT = 96.0
#: Volume of the trial [mL]: a vial that shows a layer and wastes little; common practice, no source.
_TRIAL_ML = 15.0


def steps(liquid: Carrier | Blend, lines: Sequence[SheetLine], outcome: Outcome) -> tuple[str, ...]:
    """Return the order of mixing.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]
    lines : sequence of SheetLine
        Oil, parts of the carrier, stock. [-]
    outcome : Outcome
        What is expected of the stock. [-]
    """
    if liquid.not_for_ingestion:
        return (f"Do not make this batch: {liquid.name} is not for ingestion.",)
    amounts = {line.liquid: f"{number(line.mass_g, 4)} g" for line in lines}
    masses = {line.liquid: line.mass_g for line in lines}
    dry = [part for part in liquid.parts if part.identity != "water" and part.name in amounts]
    water = next((part.name for part in liquid.parts if part.identity == "water" and part.name in amounts), "")
    bands = {part.name: product.pouring_band(part.viscosity(20.0)) for part in dry}
    viscous = [name for name, band in bands.items() if band and not band.pours]
    spirit = _spirit_step(liquid, masses)
    order = ["Check name, CAS number, grade and lot of every drum against this sheet and its certificate."]
    if viscous:
        order.append(
            f"Warm {', '.join(viscous)} to 40-50 C so that it pours; let it cool again before the oil goes in."
        )
    if spirit:
        order.append(spirit)
    elif len(dry) > 1:
        by_mass = sorted(dry, key=lambda part: -masses[part.name])
        listed = ", then ".join(f"{part.name} ({amounts[part.name]})" for part in by_mass)
        order.append(f"Weigh {listed} into a clean dry vessel; stir until no streaks are left.")
    elif dry:
        order.append(f"Weigh {dry[0].name} ({amounts[dry[0].name]}) into a clean dry vessel.")
    oil_name = lines[0].liquid
    order.append(f"Weigh in {oil_name} ({amounts[oil_name]}) slowly while stirring, closed and away from flames.")
    if water and not spirit:
        order.append(f"Last, add water ({amounts[water]}) in small portions; stop and note the amount if it clouds.")
    order.append(
        "Stir 15 minutes, let stand a day at the coldest temperature of storage, hold it against a dark ground; "
        "filter only what is clear, and label with lot, date and cautions."
    )
    if outcome.verdict != "clear":
        order.append(f"Expected: {outcome.verdict}. Do not make the batch before the trial has come out clear.")
    return tuple(order)


def _spirit_step(liquid: Carrier | Blend, masses: Mapping[str, float]) -> str:
    """Return how to make aqueous ethanol from spirit as it is bought; empty for other carriers."""
    names = {part.identity: part.name for part in liquid.parts}
    if not isinstance(liquid, Blend) or set(names) != {"ethanol", "water"}:
        return ""
    mass = masses[names["ethanol"]] + masses[names["water"]]
    strength = float(ethanol.volume_percent(100.0 * masses[names["ethanol"]] / mass))
    if strength >= _SPIRIT:
        return ""
    made = ethanol.dilute(_SPIRIT, strength, spirit_volume=1.0)
    bought = mass / (1.0 + made.water_mass_ratio)
    return (
        f"Make the ethanol of {strength:.3g} % vol: {number(bought, 4)} g of spirit of {_SPIRIT:g} % vol and "
        f"{number(mass - bought, 4)} g of water; the volume contracts by {made.contraction_percent:.2g} % (OIML R 22)."
    )


def trial(outcome: Outcome, application: Application | None) -> tuple[str, ...]:
    """Return the trial to run first.

    Parameters
    ----------
    outcome : Outcome
        What is expected of the stock. [-]
    application : Application or None
        The product. [-]
    """
    if outcome.carrier.not_for_ingestion:
        return (f"None: {outcome.carrier.name} is not for ingestion. Choose another carrier.",)
    ratio = outcome.carrier_parts / outcome.oil_parts
    oil_mL = _TRIAL_ML / (1.0 + ratio)
    first = (
        f"In a clear closed vial of {_TRIAL_ML:g} mL: {number(oil_mL)} mL of oil and "
        f"{number(_TRIAL_ML - oil_mL)} mL of carrier, from the very lots of the batch. Shake, let stand a day at "
        "room temperature, then a day at the coldest temperature of storage; note clear, hazy or splits at each."
    )
    lines = [first]
    most = outcome.max_oil_percent
    if outcome.verdict != "clear" or outcome.undecided:
        if 0.1 <= most < 100.0 / (1.0 + ratio):
            lines.append(
                f"Beside it a second vial at 1:{number((100.0 - most) / most)}, where it is expected to turn clear "
                f"({number(most)} % vol of oil)."
            )
        else:
            lines.append(f"Beside it a second vial with half the oil, 1:{number(2.0 * ratio)}.")
    elif most < 100.0:
        lines.append(f"Beside it a second vial with more oil, near the limit of {number(most)} % vol.")
    if application is not None and application.is_drink:
        lines.append(f"Dose the clear stock into the drink ({application.level()}) beside a blank; look after a day.")
    if all(part.listed_name for part in outcome.carrier.parts):
        lines.append("Taste and smell the dosed product against the blank.")
    return tuple(lines)
