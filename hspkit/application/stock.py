"""The stock: how concentrated and how dilute it may be and still be clear and within legal and taste limits."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from hspkit import checks
from hspkit.application.legal import legal_limit, most_carrier_in_stock
from hspkit.application.permission import permission
from hspkit.application.taste import taste_limit, taste_unknown
from hspkit.application.use import Application, check_application, mass_shares
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.rendering import number

__all__ = ["StockRange", "stock_range"]


class StockRange(NamedTuple):
    """Parts of carrier per part of oil, by volume, between which a stock is clear and within all limits.

    Attributes
    ----------
    most_concentrated : float
        Fewest parts of carrier at which the stock is clear; 0 when oil and carrier mix in every proportion,
        infinite when the carrier dissolves no oil. [-]
    most_dilute : float
        Most parts of carrier within the legal and taste limits on record at this use level; infinite without such a
        limit, NaN when it cannot be said. [-]
    clear_by, bound_by : str
        What sets the two ends. [-]
    taste_unknown : tuple of str
        Parts of the carrier without a taste limit on record, which set no bound here. [-]
    """

    most_concentrated: float
    most_dilute: float
    clear_by: str
    bound_by: str
    taste_unknown: tuple[str, ...] = ()

    @property
    def possible(self) -> bool:
        """Whether any stock is clear and within all limits."""
        return bool(np.isfinite(self.most_concentrated) and self.most_concentrated <= self.most_dilute)

    def holds(self, carrier_parts_per_oil_part: float) -> bool:
        """Say whether a ratio lies in the range.

        Parameters
        ----------
        carrier_parts_per_oil_part : float
            Volume of carrier to one volume of oil. [-]
        """
        ratio = checks.number(carrier_parts_per_oil_part, "carrier_parts_per_oil_part", "", low=0)
        return bool(self.most_concentrated <= ratio <= self.most_dilute)

    def sentence(self) -> str:
        """Return the range in words.

        Examples
        --------
        >>> StockRange(0.5, 9.0, "the cloud point", "the taste limit").sentence()
        'from 1:0.5 (the cloud point) to 1:9 (the taste limit), parts of oil to carrier by volume'
        """
        least, most = (f"1:{number(parts)}" for parts in (self.most_concentrated, self.most_dilute))
        if np.isnan(self.most_dilute):
            return f"no stock can be named: {self.bound_by}"
        if not self.possible:
            low = "no ratio is clear" if np.isinf(self.most_concentrated) else f"clear only from {least}"
            end = f"; {self.bound_by}" if self.most_dilute <= 0 else f", within limits only to {most}"
            return f"no stock keeps to everything: {low} ({self.clear_by}){end}"
        most = "any dilution" if np.isinf(self.most_dilute) else most
        taste = f"; no taste limit on record for {', '.join(self.taste_unknown)}" if self.taste_unknown else ""
        if self.most_concentrated > 0:
            range_ = f"from {least} ({self.clear_by}) to {most} ({self.bound_by})"
            return f"{range_}, parts of oil to carrier by volume{taste}"
        if np.isinf(self.most_dilute):
            return f"any ratio is clear at the best estimate, and no limit on record bars dilution{taste}"
        limits = f"within limits down to {most} by volume ({self.bound_by})"
        return f"any ratio is clear at the best estimate; {limits}{taste}"


def stock_range(
    liquid: Carrier | Blend, application: Application, *, max_oil_percent: float, oil_density: float
) -> StockRange:
    """Return the most concentrated and the most dilute stock that is clear and within all limits.

    Parameters
    ----------
    liquid : Carrier or Blend
        The carrier. [-]
    application : Application
        Market, category and use level. [-]
    max_oil_percent : float
        Largest share of oil that is clear, from `miscibility.Outcome`. [% vol]
    oil_density : float
        Density of the oil. [g/mL]

    Returns
    -------
    StockRange
        The concentrated end is where the stock clouds as oil is added, at the best estimate; the dilute end where
        the carrier that comes with the oil reaches a limit as consumed, in the flavouring, or of taste.

    Examples
    --------
    A use of 40 mg/L of oil (0.84 g/mL) in triacetin (1.1583 g/mL at 20 C), taste limit 500 mg/L:
    500 / 40 x 0.84 / 1.1583 = 9.07 parts.

    >>> from hspkit.carriers import carrier
    >>> soda = Application("US", "soft drinks", oil_mg_per_L=40)
    >>> stock_range(carrier("triacetin"), soda, max_oil_percent=100, oil_density=0.84).most_dilute
    9.07
    """
    liquid, scope = carrier(liquid), check_application(application).scope
    density = checks.perhaps(oil_density, "oil_density", "in g/mL", low=0, high=100)
    share = checks.perhaps(max_oil_percent, "max_oil_percent", "% vol", low=0, high=100) / 100.0
    if share >= 1.0:
        fewest, clear_by = 0.0, "mixes in every proportion"
    elif share <= 0.0:
        fewest, clear_by = float("inf"), "the carrier takes no oil"
    else:
        fewest, clear_by = (1.0 - share) / share, "the cloud point, even odds"
    refused = [part.name for part in mass_shares(liquid) if not permission(part, *scope).allowed]
    if refused:
        return StockRange(fewest, float("nan"), clear_by, f"not allowed: {', '.join(refused)}")
    if not np.isfinite(liquid.density):
        return StockRange(fewest, float("nan"), clear_by, "the density of the carrier is not on record")
    taste = taste_limit(liquid)
    limits = [legal_limit(liquid, application), (taste, f"the taste limit, {number(taste)} mg/L")]
    in_stock, stock_rule = most_carrier_in_stock(liquid, application)
    bounds = [(float("inf"), "no limit on record")]
    bounds += [(_mass_ratio(limit, application), rule) for limit, rule in limits if limit is not None]
    if in_stock < 1.0:
        bounds.append((in_stock / (1.0 - in_stock), stock_rule))
    most, bound_by = min(bounds, key=lambda bound: bound[0])
    return StockRange(fewest, most * density / liquid.density, clear_by, bound_by, taste_unknown(liquid))


def _mass_ratio(limit: float, application: Application) -> float:
    """Return the mass of carrier per mass of oil that brings the carrier to a limit."""
    if application.oil_mg_per_L is not None:
        return limit / application.oil_mg_per_L
    stock = float(application.stock_mg_per_L or 0.0)
    return float("inf") if limit >= stock else limit / (stock - limit)
