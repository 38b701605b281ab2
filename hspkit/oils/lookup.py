"""Oils by name: `oil`, `covered` and `compare`."""

from __future__ import annotations

import difflib
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from hspkit import checks
from hspkit.errors import HspkitError, InputError, UnknownNameError
from hspkit.names import check_length
from hspkit.oils.composition import Oil
from hspkit.oils.listing import shipped_name, shipped_names, shipped_oil
from hspkit.substances import Substance, substance

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["compare", "covered", "oil"]

#: A liquid with a flash point up to this is labelled flammable in the UN system (GHS category 3) [degC].
FLAMMABLE_BELOW = 60.0


def oil(name: str | Oil | Substance, *, least_covered_percent: float | None = None) -> Oil:
    """Return an essential oil, or an aroma compound as an oil of one component.

    Parameters
    ----------
    name : str, Oil or Substance
        "<plant>, <process or part>", a synonym, or the plant alone when that is unique; else the name, CAS
        number or SMILES of a substance. An Oil is returned as it is. [-]
    least_covered_percent : float, optional
        Coverage down to which questions about the oil are answered; 80 by default. [mass %]

    Returns
    -------
    Oil

    Raises
    ------
    UnknownNameError
        When the name means several oils (the choices are listed) or nothing (close names are listed).

    Examples
    --------
    >>> oil("bergamot").name
    'bergamot, cold-pressed'
    >>> oil("clove")
    Traceback (most recent call last):
    hspkit.errors.UnknownNameError: 'clove' can mean 'clove, bud'; 'clove, leaf': name the process or the part
    >>> oil("linalool").mass_percent
    (100.0,)
    """
    if least_covered_percent is not None:
        return replace(oil(name), least_covered_percent=least_covered_percent)
    if isinstance(name, Oil):
        return name
    if isinstance(name, Substance):
        return _pure(name)
    if not isinstance(name, str) or not name.strip():
        raise checks.refuse(name, "oil", "a name such as 'lemon, cold-pressed', a Substance or an Oil")
    listed = shipped_name(check_length(name, "oil"))
    if listed is not None:
        return shipped_oil(listed)
    try:
        return _pure(substance(name))
    except HspkitError as error:
        close = difflib.get_close_matches(name.lower(), shipped_names(), n=4, cutoff=0.5)
        hint = f"; close oils: {', '.join(map(repr, close))}" if close else "; hspkit.oils() lists what ships"
        message = f"no oil {name!r}{hint}. As a substance: {error}"
        raise UnknownNameError(message) from None


def covered(name: str | Oil | Substance) -> Oil:
    """Return an oil of which enough is known to answer questions about it; see `oil`.

    Parameters
    ----------
    name : str, Oil or Substance
        As `oil` takes it. [-]

    Raises
    ------
    UnknownNameError
        As `oil`.
    InputError
        When less of it is covered than its ``least_covered_percent``.

    Examples
    --------
    >>> covered("citronella, Ceylon")
    Traceback (most recent call last):
    hspkit.errors.InputError: substances stand for 63.9 % of 'citronella, Ceylon' only, and 80 % are needed for ...
    >>> covered(oil("citronella, Ceylon", least_covered_percent=60)).covered_percent
    63.9
    """
    subject = oil(name)
    share, least = subject.covered_percent, subject.least_covered_percent
    if share < least:
        message = (
            f"substances stand for {share:.3g} % of {subject.name!r} only, and {least:g} % are needed for an answer; "
            "name more of its components (oil.notes says which peaks were not understood), or ask for an answer on "
            f"what is known with least_covered_percent={np.floor(share):g} in hspkit.oil, Oil.from_csv or "
            "Oil.from_table (--least-covered-percent in the shell)"
        )
        raise InputError(message)
    return subject


def _pure(member: Substance) -> Oil:
    flash = member.flash_celsius
    burns = flash is not None and flash <= FLAMMABLE_BELOW
    caution = f"Flammable liquid (flash point about {flash:g} C)." if burns else ""
    return Oil(member.name, (member.name,), (member,), (100.0,), caution=caution)


def compare(*items: Oil | str) -> pd.DataFrame:
    """Return oils side by side, such as an oil before and after folding.

    Parameters
    ----------
    *items : Oil or str
        At least one oil. [-]

    Returns
    -------
    pandas.DataFrame
        Columns quantity, unit and one per oil. Rows: the components by share in the first oil [mass %], the share
        without a substance, terpene hydrocarbons, mass yield, density, Hansen parameters.

    Raises
    ------
    InputError
        When no oil is given.

    Examples
    --------
    >>> orange = oil("sweet orange")
    >>> table = compare(orange, orange.folded(5)).set_index("quantity")
    >>> [round(float(x), 2) for x in table.loc["decanal"].tolist()[1:]]
    [0.3, 1.5]
    """
    import pandas as pd

    if not items:
        message = "no oil given; expected at least one"
        raise InputError(message)
    subjects = [oil(item) for item in items]
    shares = [{s.identity: share for s, share in zip(o.substances, o.mass_percent, strict=True)} for o in subjects]
    names = {s.identity: s.name for o in reversed(subjects) for s in o.substances}
    identities = dict.fromkeys(i for share in shares for i in sorted(share, key=lambda n: -share[n]))
    rows: list[tuple[object, ...]] = [
        *((names[i], "mass %", *(share.get(i, 0.0) for share in shares)) for i in identities),
        ("without a substance", "mass %", *(o.uncovered_percent for o in subjects)),
        ("terpene hydrocarbons", "mass %", *(o.terpene_percent for o in subjects)),
        ("mass yield", "-", *(o.mass_yield for o in subjects)),
        ("density", "g/mL", *(o.density for o in subjects)),
        *(
            (part, "MPa^0.5", *(float(getattr(o.hsp, part)) for o in subjects))
            for part in ("delta_d", "delta_p", "delta_h")
        ),
    ]
    return pd.DataFrame(rows, columns=["quantity", "unit", *(o.name for o in subjects)])
