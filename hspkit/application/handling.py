"""What is done to an oil before use: folding and removal of terpenes, before and after in one table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

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
    given = checks.positive(oil_mg_per_L, "oil_mg_per_L", "in mg/L", most=MOST_DOSE)
    liquid = None if liquid is None else carrier(liquid)
    check_parts(oil_parts, carrier_parts)
    folds = [checks.number(one, "one of folds", "") for one in checks.several(folds, "folds", "[5, 10]")]
    shares = checks.several(terpenes_removed, "terpenes_removed", "[0.95]")
    removed = [checks.number(one, "one of terpenes_removed", "") for one in shares]
    asked: list[tuple[str, Any]] = [("as it is", lambda: subject)]
    asked += [(f"{times:g}-fold", lambda times=times: subject.folded(times)) for times in folds]
    asked += [
        (f"{100 * share:g} % of terpenes removed", lambda share=share: subject.without_terpenes(share))
        for share in removed
    ]
    warned = [part.caution for part in liquid.parts if part.not_for_ingestion] if liquid is not None else []
    rows = []
    for name, make in asked:
        row: dict[str, Any] = {"handling": name}
        try:
            made = covered(make())
        except InputError as error:
            rows.append({**row, "note": str(error)})
            continue
        amount = given * made.mass_yield / subject.mass_yield
        clouds = clouding(made, oil_mg_per_L=amount, ethanol_percent=ethanol_percent)
        row |= {
            "mass_yield": made.mass_yield / subject.mass_yield,
            "terpene_percent": made.terpene_percent,
            "oil_mg_per_L": amount,
            "drink_load": clouds.load,
            "factor": clouds.factor,
            "drink_stays_clear": clouds.stays_clear,
            "first_to_cloud": clouds.makers[0][0] if clouds.makers else "",
            "ethanol_to_clear_percent": _strength(made),
        }
        if liquid is not None:
            outcome = dissolve(made, liquid, oil_parts=oil_parts, carrier_parts=carrier_parts)
            row |= {
                "verdict": outcome.verdict,
                "p_clear": outcome.p_clear,
                "max_oil_percent": outcome.max_oil_percent,
                "water_tolerance_percent": outcome.water_tolerance_percent,
            }
        doubt = ["the drink is undecided: within the uncertainty"] if clouds.undecided else []
        rows.append({**row, "note": "; ".join([*warned, *doubt])})
    return pd.DataFrame(rows)


def _strength(made: Oil) -> float:
    try:
        return ethanol_strength_to_clear(made, volumes=YARDSTICK_VOLUMES)
    except InputError:  # a component may crystallise
        return float("nan")
