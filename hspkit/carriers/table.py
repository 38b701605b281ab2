"""The table of the carriers that ship."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hspkit.carriers.liquid import shipped
from hspkit.law import markets

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["carriers"]


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

    return pd.DataFrame(
        [
            {
                "carrier": liquid.name,
                "cas": liquid.cas,
                "e_number": liquid.e_number,
                "role": liquid.role,
                "density": liquid.density,
                "viscosity_mPa_s": liquid.viscosity(20.0),
                "flash_point": liquid.flash_point,
                "taste_limit_mg_per_L": liquid.taste_limit,
                "taste_unnoticed_mg_per_L": liquid.taste_unnoticed,
                "taste": liquid.taste,
                **{market: liquid.permitted(market) for market in markets()},
                "caution": liquid.caution,
                "note": liquid.note,
            }
            for liquid in shipped().values()
            if liquid.substance is not None
        ]
    )
