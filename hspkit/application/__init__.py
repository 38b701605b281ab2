"""The finished product: market, food category and use level; dose, law, taste, pouring and clouding.

Nothing here says whether an oil dissolves; that is `hspkit.miscibility`. Doses are mg per litre of finished
product. A limit given in mg/kg is turned into mg/L with the density of the product.
"""

from hspkit.application.dosing import Dosing, dosing
from hspkit.application.drink import SEPARATED_SHARE, Clouding, DrinkComponent, carrier_dissolves, clouding, oil_phase
from hspkit.application.handling import handling
from hspkit.application.legal import AmountLine, IntakeLine, LawLine, law_lines, legal_limit, most_carrier_in_stock
from hspkit.application.permission import CHECK_THE_LAW, Permission, permission
from hspkit.application.pouring import Pouring, pouring_band, stock_viscosity
from hspkit.application.stock import StockRange, stock_range
from hspkit.application.taste import TasteLine, taste_limit, taste_lines, taste_unknown, under_taste_limit
from hspkit.application.use import DRINKS, Application, Dose, check_application, dose, mass_shares, volume_parts
from hspkit.application.water import GSE_SD_LN, WaterSolubility, cosolvency_factor, general_solubility, water_solubility

__all__ = [
    "CHECK_THE_LAW", "DRINKS", "GSE_SD_LN", "SEPARATED_SHARE", "AmountLine", "Application", "Clouding", "Dose",
    "Dosing", "DrinkComponent", "IntakeLine", "LawLine", "Permission", "Pouring", "StockRange", "TasteLine",
    "WaterSolubility", "carrier_dissolves", "check_application", "clouding", "cosolvency_factor",
    "dose", "dosing", "general_solubility", "handling", "law_lines", "legal_limit", "mass_shares",
    "most_carrier_in_stock", "oil_phase", "permission", "pouring_band", "stock_range", "stock_viscosity",
    "taste_limit", "taste_lines", "taste_unknown", "under_taste_limit", "volume_parts", "water_solubility",
]  # fmt: skip
