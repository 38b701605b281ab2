"""The main job: all carriers for one oil, judged and put in order."""

from __future__ import annotations

from collections.abc import Iterable

from hspkit import checks
from hspkit.application import Application, check_application
from hspkit.carriers import Blend, Carrier, carrier, check_distinct
from hspkit.errors import InputError
from hspkit.miscibility import check_celsius, check_parts, dissolve
from hspkit.oils import Oil, covered
from hspkit.ranking.cautions import carrier_cautions, general_cautions
from hspkit.ranking.default_carriers import candidates, yardsticks
from hspkit.ranking.order import sort_key
from hspkit.ranking.result import Ranking
from hspkit.ranking.row import COLUMNS, row_of

__all__ = ["rank_carriers"]


def rank_carriers(
    oil_or_name: Oil | str,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    application: Application | None = None,
    carriers: Iterable[str | Carrier | Blend] | None = None,
    include_alcohol: bool = False,
    celsius: float = 25.0,
    progress: bool = False,
) -> Ranking:
    """Rank carriers for an oil.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    application : Application, optional
        The finished product; without it law, dose and clouding are not judged.
    carriers : iterable of str, Carrier or Blend, optional
        Candidates; default all shipped carriers, the look-alikes that are refused among them. [-]
    include_alcohol : bool
        Add ethanol of 40, 70 and 96 % vol as a yardstick. [-]
    celsius : float
        Temperature of the stock. [degC]
    progress : bool
        Show a progress bar when ``tqdm`` is installed. [-]

    Returns
    -------
    Ranking
        Best first; `Ranking.why` gives the reasons of one row.

    Raises
    ------
    UnknownNameError
        For an unknown or ambiguous oil or carrier, with near names.
    InputError
        For parts that are not positive, or two different candidates with one name.

    Examples
    --------
    >>> ranking = rank_carriers("sweet orange, cold-pressed", carriers=["glycerol", "MCT"])
    >>> ranking.table["verdict"].tolist()
    ['clear', 'splits']
    """
    import pandas as pd

    subject = covered(oil_or_name)
    parts, temperature = check_parts(oil_parts, carrier_parts), check_celsius(celsius)
    if application is not None:
        check_application(application)
    checks.flag(include_alcohol, "include_alcohol")
    checks.flag(progress, "progress")
    named = candidates() if carriers is None else checks.several(carriers, "carriers", "['triacetin', 'MCT']")
    liquids = [carrier(name) for name in named]
    check_distinct(liquids)
    names = {liquid.name for liquid in liquids}
    added = [liquid for liquid in yardsticks() if liquid.name not in names] if include_alcohol else []
    liquids.extend(added)
    if not liquids:
        message = "carriers is empty; give at least one name, or leave it out to rank all that ship"
        raise InputError(message)
    judged = []
    for liquid in _with_progress(liquids) if progress else liquids:
        outcome = dissolve(subject, liquid, oil_parts=parts[0], carrier_parts=parts[1], celsius=temperature)
        row = row_of(liquid, outcome, application)
        if liquid in added:
            row["notes"] = "; ".join(filter(None, ["yardstick, not a carrier without alcohol", row["notes"]]))
        judged.append((row, outcome))
    not_refused = [liquid for liquid, (row, _) in zip(liquids, judged, strict=True) if row["allowed"] is not False]
    cautions = [*general_cautions(subject, application, liquids), *carrier_cautions(not_refused)]
    rows, outcomes = zip(*sorted(judged, key=lambda pair: sort_key(pair[0])), strict=True)
    return Ranking(
        oil=subject,
        table=pd.DataFrame(rows, columns=list(COLUMNS)),
        application=application,
        oil_parts=parts[0],
        carrier_parts=parts[1],
        celsius=temperature,
        outcomes=outcomes,
        cautions=tuple(dict.fromkeys(cautions)),
        yardsticks=tuple(liquid.name for liquid in added),
    )


def _with_progress(liquids: list[Carrier | Blend]) -> Iterable[Carrier | Blend]:
    """Show a bar where `tqdm` is installed."""
    try:
        from tqdm import tqdm
    except ImportError:
        return liquids
    bar: Iterable[Carrier | Blend] = tqdm(liquids, desc="carriers", leave=False)
    return bar
