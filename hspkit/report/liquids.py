"""The liquids of a batch: its size, what to weigh of each, and what that costs."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

import numpy as np

from hspkit import checks
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.oils import Oil

__all__ = ["SheetLine", "check_prices", "liquid_lines", "read_batch"]

#: Units of a batch, in mL or in g.
_VOLUME_UNITS = {"ml": 1.0, "l": 1000.0}
_MASS_UNITS = {"mg": 0.001, "g": 1.0, "kg": 1000.0}
#: No batch [mL or g] is larger and no kilogram costs more; judgement, for a slip of the keyboard.
_MOST_BATCH, _MOST_PRICE = 1e12, 1e9


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


def check_prices(prices: Mapping[str, float], subject: Oil, liquid: Carrier | Blend) -> dict[str, float]:
    """Return the price per kg by the name of the liquid. [currency/kg]

    Parameters
    ----------
    prices : mapping of str to float
        By "oil" or a name of the oil or of a part of the carrier. [currency/kg]
    subject : Oil
        The oil. [-]
    liquid : Carrier or Blend
        The carrier. [-]

    Raises
    ------
    InputError
        For a price that cannot be, or of a liquid that is not in the batch.
    """
    names = {subject.name, *(part.name for part in liquid.parts)}
    price_per_kg = {}
    for key, price in prices.items():
        name = subject.name if key == "oil" else key if key in names else carrier(key).name
        if name not in names:
            message = f"a price is given for {key!r}, which is not in the batch; expected 'oil' or {', '.join(names)}"
            raise InputError(message)
        argument, expected = f"the price of {key!r}", "a number >= 0 per kg"
        price_per_kg[name] = checks.number(price, argument, "", low=0, high=_MOST_PRICE, expected=expected)
    return price_per_kg


def liquid_lines(
    subject: Oil,
    liquid: Carrier | Blend,
    oil_share: float,
    batch: tuple[float, str],
    price_per_kg: Mapping[str, float],
) -> tuple[SheetLine, ...]:
    """Return what to weigh: the oil, each part of the carrier, the stock.

    Parameters
    ----------
    subject : Oil
        The oil. [-]
    liquid : Carrier or Blend
        The carrier. [-]
    oil_share : float
        Share of the oil in the volume of the stock. [-]
    batch : tuple of float and str
        Size and its unit, as from `read_batch`. [mL or g]
    price_per_kg : mapping of str to float
        By the name of the liquid. [currency/kg]
    """
    size, unit = batch
    density = oil_share * subject.density + (1.0 - oil_share) * liquid.density
    volume = size if unit == "mL" else size / density
    oil_volume, carrier_volume = oil_share * volume, (1.0 - oil_share) * volume
    carrier_mass = carrier_volume * liquid.density
    amounts = [(subject.name, "", oil_volume * subject.density, oil_volume)]
    if isinstance(liquid, Carrier):
        amounts.append((liquid.name, liquid.cas, carrier_mass, carrier_volume))
    else:
        shares = zip(liquid.parts, liquid.volume_fractions, liquid.mass_fractions, strict=True)
        for part, volume_fraction, mass_fraction in shares:
            if volume_fraction > 0:
                mass = carrier_mass * float(mass_fraction)
                # a volume before mixing; without a density only the fraction as given can be stated
                own = mass / part.density if np.isfinite(mass) else carrier_volume * float(volume_fraction)
                amounts.append((part.name, part.cas, mass, own))
    batch_mass = float(sum(mass for _, _, mass, _ in amounts))
    rows = []
    for name, cas, mass, own in amounts:
        price = price_per_kg.get(name, float("nan"))
        shares_percent = 100.0 * float(mass) / batch_mass, 100.0 * float(own) / volume
        rows.append(SheetLine(name, cas, float(mass), float(own), *shares_percent, price, float(mass) / 1000.0 * price))
    cost = float(sum(row.cost for row in rows))
    return (*rows, SheetLine("stock", "", batch_mass, float(volume), 100.0, 100.0, float("nan"), cost))
