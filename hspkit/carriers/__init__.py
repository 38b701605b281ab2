"""Carriers and blends of carriers: what they are, their density and viscosity, whether they are permitted in food.

A carrier and a blend have the same attributes (`Liquid`), so that a mixture does not ask which of the two it holds.
"""

from hspkit.carriers.blend import Blend, carrier, check_distinct
from hspkit.carriers.liquid import NOT_FOR_INGESTION, NOT_LISTED, Carrier, Liquid
from hspkit.carriers.table import carriers
from hspkit.law import PERMITTING_ROLES, Limit, LimitUse, categories, limit_uses, limits, markets

__all__ = [
    "NOT_FOR_INGESTION", "NOT_LISTED", "PERMITTING_ROLES", "Blend", "Carrier", "Limit", "LimitUse", "Liquid", "carrier",
    "carriers", "categories", "check_distinct", "limit_uses", "limits", "markets",
]  # fmt: skip
