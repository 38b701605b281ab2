"""Folding and removal of terpenes: an oil before and after, in one table."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import TYPE_CHECKING

from hspkit import checks
from hspkit.application.drink import clouding
from hspkit.application.use import MOST_DOSE
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.miscibility import check_parts, dissolve, ethanol_strength_to_clear
from hspkit.oils import Oil, covered

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["handling"]

#: Volumes of aqueous ethanol to one of oil, as most standards of oils ask.
YARDSTICK_VOLUMES = 10.0
#: Columns of the stock: attributes of an Outcome.
_OF_STOCK = ("verdict", "p_clear", "max_oil_percent", "water_tolerance_percent")


def handling(
    oil_or_name: Oil | str,
    *,
    oil_mg_per_L: float,
    folds: Sequence[float] = (5, 10),
    terpenes_removed: Sequence[float] = (0.95,),
    liquid: Carrier | Blend | None = None,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    ethanol_percent: float = 0.0,
) -> pd.DataFrame:
    """Return an oil before and after folding and removal of terpenes, at the same strength of flavour.

    What does not evaporate keeps its mass, so a five-fold oil replaces five times its mass: the dose is scaled by
    the mass yield. How much flavour really goes with the terpenes has to be tasted.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    oil_mg_per_L : float
        Dose of the oil as it is. [mg/L]
    folds : sequence of float
        Folds to show; one that the oil does not allow gets a row that says so. [-]
    terpenes_removed : sequence of float
        Shares of the terpene hydrocarbons removed, 0 to 1. [-]
    liquid : Carrier or Blend, optional
        A carrier to dissolve each in. [-]
    oil_parts, carrier_parts : float
        Parts by volume of that stock. [-]
    ethanol_percent : float
        Ethanol in the drink. [% vol]

    Returns
    -------
    pandas.DataFrame
        handling, mass_yield [-], terpene_percent [mass %], oil_mg_per_L, drink_load (dose over what stays clear),
        factor (of its uncertainty), drink_stays_clear, first_to_cloud, ethanol_to_clear_percent [% vol, in 10
        volumes], and with a carrier verdict, p_clear, max_oil_percent, water_tolerance_percent; note.

    Raises
    ------
    InputError
        When the dose is not a positive number.

    Examples
    --------
    >>> table = handling("sweet orange, cold-pressed", oil_mg_per_L=40, folds=(5,), terpenes_removed=())
    >>> table["oil_mg_per_L"].tolist()
    [40.0, 8.0]
    """
    import pandas as pd

    subject = covered(oil_or_name)
    dose = checks.positive(oil_mg_per_L, "oil_mg_per_L", "in mg/L", most=MOST_DOSE)
    liquid = None if liquid is None else carrier(liquid)
    check_parts(oil_parts, carrier_parts)
    folds = [checks.number(fold, "one of folds", "") for fold in checks.several(folds, "folds", "[5, 10]")]
    shares = checks.several(terpenes_removed, "terpenes_removed", "[0.95]")
    shares = tuple(checks.number(share, "one of terpenes_removed", "") for share in shares)
    variants: list[tuple[str, Callable[[], Oil]]] = [
        ("as it is", lambda: subject),
        *((f"{fold:g}-fold", partial(subject.folded, fold)) for fold in folds),
        *((f"{100 * share:g} % of terpenes removed", partial(subject.without_terpenes, share)) for share in shares),
    ]
    cautions = [part.caution for part in liquid.parts if part.not_for_ingestion] if liquid is not None else []
    rows: list[dict[str, object]] = []
    for name, make in variants:
        try:
            handled = covered(make())
        except InputError as error:
            rows.append({"handling": name, "note": str(error)})
            continue
        amount = dose * handled.mass_yield / subject.mass_yield
        drink = clouding(handled, oil_mg_per_L=amount, ethanol_percent=ethanol_percent)
        row = {
            "handling": name,
            "mass_yield": handled.mass_yield / subject.mass_yield,
            "terpene_percent": handled.terpene_percent,
            "oil_mg_per_L": amount,
            "drink_load": drink.load,
            "factor": drink.factor,
            "drink_stays_clear": drink.stays_clear,
            "first_to_cloud": drink.makers[0][0] if drink.makers else "",
            "ethanol_to_clear_percent": _strength(handled),
        }
        if liquid is not None:
            outcome = dissolve(handled, liquid, oil_parts=oil_parts, carrier_parts=carrier_parts)
            row |= {column: getattr(outcome, column) for column in _OF_STOCK}
        doubt = ["the drink is undecided: within the uncertainty"] if drink.undecided else []
        rows.append(row | {"note": "; ".join([*cautions, *doubt])})
    return pd.DataFrame(rows)


def _strength(handled: Oil) -> float:
    try:
        return ethanol_strength_to_clear(handled, volumes=YARDSTICK_VOLUMES)
    except InputError:  # a component may crystallise
        return float("nan")
