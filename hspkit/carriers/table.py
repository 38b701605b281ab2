"""The table of the carriers that ship."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hspkit.carriers.liquid import shipped
from hspkit.law import markets

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["carriers"]

#: Columns before those of the markets, and the attributes of a carrier that they show.
_COLUMNS = {
    "carrier": "name", "cas": "cas", "e_number": "e_number", "role": "role", "density": "density",
    "viscosity_mPa_s": "viscosity", "flash_point": "flash_point", "taste_limit_mg_per_L": "taste_limit",
    "taste_unnoticed_mg_per_L": "taste_unnoticed", "taste": "taste",
}  # fmt: skip


def carriers() -> pd.DataFrame:
    """Return the carriers that can be computed with, and the liquids mistaken for them: one row each.

    Syrups and emulsifiers, for which no single molecule stands, are left out; `carrier` has their limits.

    Returns
    -------
    pandas.DataFrame
        carrier, cas, e_number, role, density [g/mL at 20 C], viscosity_mPa_s [20 C], flash_point [degC],
        taste_limit_mg_per_L, taste_unnoticed_mg_per_L, taste, permission by market, caution, note.

    Examples
    --------
    >>> frame = carriers()
    >>> len(frame) >= 25, frame.set_index("carrier").loc["ethylene glycol", "US"]
    (True, 'no')
    """
    import pandas as pd

    rows = []
    for liquid in shipped().values():
        if liquid.substance is not None:
            row = {column: getattr(liquid, attribute) for column, attribute in _COLUMNS.items()}
            permissions = {market: liquid.permitted(market) for market in markets()}
            row["viscosity_mPa_s"] = liquid.viscosity(20.0)  # a method, in place of which its value stands
            rows.append(row | permissions | {"caution": liquid.caution, "note": liquid.note})
    return pd.DataFrame(rows)
