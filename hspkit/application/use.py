"""The use of an oil: market, food category and use level, and the dose of oil and carrier that follows."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np

from hspkit import checks
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.law import categories, markets, recognise
from hspkit.miscibility import check_parts

__all__ = [
    "DRINKS", "Application", "Dose", "check_application", "check_strength", "dose",
    "mass_shares", "volume_parts",
]  # fmt: skip

#: Drinks that should stay clear.
DRINKS = ("soft drinks", "alcoholic drinks", "hot drinks")
#: What parts of a stock may be.
BASES = ("volume", "mass")
#: No food holds more [mg/L]; judgement, for a slip of the unit.
MOST_DOSE = 1e7
#: No liquid or powder weighs more [g/mL]; the same.
MOST_DENSITY = 100.0


@dataclass(frozen=True)
class Application:
    """A finished product: its category, its market, and how much oil or stock it holds.

    Parameters
    ----------
    market : str
        One of `law.markets()`. [-]
    category : str
        One of `law.categories()`. [-]
    oil_mg_per_L : float, optional
        Use level of the oil in the finished product. [mg/L]
    stock_mg_per_L : float, optional
        Use level of the stock (oil + carrier). Give one of the two. [mg/L]
    ethanol_percent : float
        Ethanol in the finished product, for its clouding. [% vol]
    product_density : float
        Density of the finished product; turns mg/kg of the law into mg/L. [g/mL]

    Raises
    ------
    UnknownNameError
        For a market or category without any row of law.
    InputError
        For a dose that is not a positive number, or when both doses or none are given.

    Examples
    --------
    >>> Application("US", "soft drinks", oil_mg_per_L=40).market
    'US'
    """

    market: str
    category: str
    oil_mg_per_L: float | None = field(default=None, kw_only=True)
    stock_mg_per_L: float | None = field(default=None, kw_only=True)
    ethanol_percent: float = field(default=0.0, kw_only=True)
    product_density: float = field(default=1.0, kw_only=True)

    def __post_init__(self) -> None:
        foods = [category for category in categories() if category != "all foods"]
        values: dict[str, object] = {
            "market": recognise(self.market, markets(), "market"),
            "category": recognise(self.category, foods, "food category"),
            "product_density": checks.positive(self.product_density, "product_density", "in g/mL", most=MOST_DENSITY),
            "ethanol_percent": check_strength(self.ethanol_percent),
        }
        levels = {"oil_mg_per_L": self.oil_mg_per_L, "stock_mg_per_L": self.stock_mg_per_L}
        for name, level in levels.items():
            if level is not None:
                values[name] = checks.positive(level, name, "in mg/L of finished product", most=MOST_DOSE)
        if (self.oil_mg_per_L is None) == (self.stock_mg_per_L is None):
            number_given = "both" if self.oil_mg_per_L is not None else "neither"
            message = f"{number_given} of oil_mg_per_L and stock_mg_per_L given; give exactly one use level in mg/L"
            raise InputError(message)
        if values["ethanol_percent"] == 100.0:
            message = "ethanol_percent is 100; a finished product holds less"
            raise InputError(message)
        for name, value in values.items():
            object.__setattr__(self, name, value)

    @property
    def scope(self) -> tuple[str, str]:
        """Market and category, in the order in which functions of law take them. [-]"""
        return self.market, self.category

    @property
    def is_drink(self) -> bool:
        """Whether the product is a drink that should stay clear."""
        return self.category in DRINKS

    def level(self) -> str:
        """Return the use level in words.

        Examples
        --------
        >>> Application("US", "soft drinks", oil_mg_per_L=40).level()
        '40 mg/L of oil'
        """
        if self.oil_mg_per_L is not None:
            return f"{self.oil_mg_per_L:g} mg/L of oil"
        return f"{self.stock_mg_per_L:g} mg/L of stock"


class Dose(NamedTuple):
    """Oil and carrier in one litre of finished product. [mg/L]"""

    oil_mg_per_L: float
    carrier_mg_per_L: float

    @property
    def stock_mg_per_L(self) -> float:
        """Oil and carrier together: the flavouring as it is dosed. [mg/L]"""
        return self.oil_mg_per_L + self.carrier_mg_per_L

    @property
    def carrier_share(self) -> float:
        """Mass of carrier over mass of stock: what a rule on the flavouring looks at. [-]"""
        return self.carrier_mg_per_L / self.stock_mg_per_L


def check_strength(ethanol_percent: float) -> float:
    """Return the ethanol of a finished product after checking it. [% vol]

    Raises
    ------
    InputError
        For anything but a number from 0 to 100.

    Examples
    --------
    >>> check_strength(40)
    40.0
    """
    expected = "0 to 100 % vol of the finished product"
    return checks.number(ethanol_percent, "ethanol_percent", "", low=0, high=100, expected=expected)


def check_application(application: Application) -> Application:
    """Return an application after checking that it is one.

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> check_application("soft drinks")
    Traceback (most recent call last):
    hspkit.errors.InputError: application is 'soft drinks'; expected an Application, such as Application("US", ...
    """
    example = 'an Application, such as Application("US", "soft drinks", oil_mg_per_L=40)'
    return checks.kind(application, "application", Application, example)


def mass_shares(liquid: Carrier | Blend) -> dict[Carrier, float]:
    """Return the parts of a carrier or blend with their mass fractions. [-]

    Examples
    --------
    >>> from hspkit.carriers import carrier
    >>> mass_shares(carrier("triacetin"))
    {Carrier('triacetin', 102-76-1): 1.0}
    """
    liquid = carrier(liquid)
    return {part: float(share) for part, share in zip(liquid.parts, liquid.mass_fractions, strict=True) if share > 0}


def volume_parts(
    oil_parts: float, carrier_parts: float, *, oil_density: float, carrier_density: float, basis: str = "volume"
) -> tuple[float, float]:
    """Return parts by volume from parts by volume or by mass.

    Parameters
    ----------
    oil_parts, carrier_parts : float
        Parts. [-]
    oil_density, carrier_density : float
        Densities; needed when the parts are by mass. [g/mL]
    basis : {"volume", "mass"}
        What the parts are. [-]

    Returns
    -------
    tuple of float
        Parts of oil and of carrier by volume; the oil keeps its number. [-]

    Raises
    ------
    InputError
        When a part is not positive, or a density that is needed is not known.

    Examples
    --------
    >>> volume_parts(1, 2, oil_density=0.84, carrier_density=1.16, basis="mass")
    (1.0, 1.448)
    """
    oil, carrier = check_parts(oil_parts, carrier_parts)
    if checks.choice(basis, "basis", BASES) == "volume":
        return oil, carrier
    for liquid, density in (("oil", oil_density), ("carrier", carrier_density)):
        if np.isnan(checks.perhaps(density, f"{liquid}_density", "in g/mL")):
            message = f"no density of the {liquid} is on record, so parts by mass cannot become volumes: give volumes"
            raise InputError(message)
    return oil, carrier * _density(oil_density, "oil") / _density(carrier_density, "carrier")


def _density(value: float, liquid: str) -> float:
    return checks.positive(value, f"{liquid}_density", "in g/mL", most=MOST_DENSITY)


def dose(
    application: Application,
    *,
    oil_parts: float,
    carrier_parts: float,
    oil_density: float = float("nan"),
    carrier_density: float = float("nan"),
    basis: str = "volume",
) -> Dose:
    """Return the oil and the carrier in a litre of finished product.

    Parameters
    ----------
    application : Application
        Gives the use level of the oil or of the stock. [mg/L]
    oil_parts, carrier_parts : float
        Parts of the stock. [-]
    oil_density, carrier_density : float
        Densities; parts by mass need none. [g/mL]
    basis : {"volume", "mass"}
        What the parts are. [-]

    Returns
    -------
    Dose
        Oil and carrier in the finished product. [mg/L]

    Raises
    ------
    InputError
        When a part or a density is not a positive number.

    Examples
    --------
    1 part of an oil of 0.84 g/mL and 2 parts of a carrier of 1.16 g/mL, 40 mg/L of oil:
    40 x (2 x 1.16) / (1 x 0.84) = 110.5 mg/L of carrier.

    >>> soda = Application("US", "soft drinks", oil_mg_per_L=40)
    >>> dose(soda, oil_parts=1, carrier_parts=2, oil_density=0.84, carrier_density=1.16).carrier_mg_per_L
    110.476
    """
    check_application(application)
    oil_mass, carrier_mass = check_parts(oil_parts, carrier_parts)
    if checks.choice(basis, "basis", BASES) == "volume":
        oil_mass *= _density(oil_density, "oil")
        carrier_mass *= _density(carrier_density, "carrier")
    oil = application.oil_mg_per_L
    if oil is None:
        oil = float(application.stock_mg_per_L or 0.0) * oil_mass / (oil_mass + carrier_mass)
    return Dose(oil, oil * carrier_mass / oil_mass)
