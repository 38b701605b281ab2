"""One trial at the bench: what was mixed, how warm it was, what was seen."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from typing import Any

from hspkit import checks
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.errors import InputError
from hspkit.miscibility import check_celsius, check_parts
from hspkit.miscibility.dissolving import MOST_PARTS
from hspkit.names import check_length

__all__ = ["OUTCOMES", "Trial", "read_carrier"]

#: The words for what is seen, from one phase to two.
OUTCOMES = ("clear", "hazy", "splits")
_PART = re.compile(r"\s*(?P<share>\d+(?:[.,]\d+)?)\s*%\s*(?P<name>.+?)\s*")
_BASIS = re.compile(r"(?P<parts>.+?)\s*,?\s*by\s+(?P<basis>volume|mass)\s*", re.IGNORECASE)


def read_carrier(text: str | Carrier | Blend) -> Carrier | Blend:
    """Return the carrier or blend that a text names.

    Parameters
    ----------
    text : str, Carrier or Blend
        A name that `hspkit.carrier` knows, or a blend such as "60 % triacetin + 40 % MCT by volume". [-]

    Raises
    ------
    InputError
        For a blend that does not say "by volume" or "by mass", or whose shares do not sum to 100 %.
    UnknownNameError
        For an unknown name.

    Examples
    --------
    >>> read_carrier("60 % triacetin + 40 % propylene glycol by volume").volume_fractions
    array([0.6, 0.4])
    """
    if isinstance(text, Carrier | Blend):
        return text
    if not isinstance(text, str) or not text.strip():
        message = f"carrier is {text!r}; expected a name such as 'triacetin' or a blend such as {_EXAMPLE!r}"
        raise InputError(message)
    found = _BASIS.fullmatch(check_length(text, "carrier"))
    if found is None and "+" not in text:
        return carrier(text)
    parts = [_PART.fullmatch(part) for part in (found["parts"] if found else text).split("+")]
    if found is None or not all(parts):
        message = f"carrier is {text!r}; a blend is written like {_EXAMPLE!r}"
        raise InputError(message)
    shares: dict[str, float] = {}
    for part in parts:
        assert part is not None
        name = part["name"]
        shares[name] = shares.get(name, 0.0) + float(part["share"].replace(",", ".")) / 100.0
    basis: Any = found["basis"].lower()
    return Blend(shares, basis=basis)


_EXAMPLE = "60 % triacetin + 40 % MCT by volume"


def _written(liquid: str | Carrier | Blend) -> str:
    if isinstance(liquid, str):
        return " ".join(liquid.split())
    if isinstance(liquid, Carrier):
        return liquid.name
    shares = zip(liquid.volume_fractions, liquid.parts, strict=True)
    return " + ".join(f"{100.0 * share:.8g} % {part.name}" for share, part in shares) + " by volume"


def _date(given: Any) -> str:
    if given is None or (isinstance(given, str) and given == ""):
        return ""
    if isinstance(given, datetime.date):
        return datetime.date.isoformat(given)  # strftime does not pad years; a datetime loses its hour
    text = str(given).strip()
    if re.fullmatch(r"\d{4}-\d{1,2}-\d{1,2}([T ].*)?", text):
        year, month, day = (int(part) for part in re.split(r"[-T ]", text)[:3])
    elif match := re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4})", text):
        day, month, year = (int(part) for part in match.groups())
    elif match := re.fullmatch(r"(\d{1,2})/(\d{1,2})/(\d{4})", text):
        first, second, year = (int(part) for part in match.groups())
        if first <= 12 and second <= 12 and first != second:
            message = f"date is {text!r}, which may be read in two ways; write it as {year}-MM-DD"
            raise InputError(message)
        day, month = (first, second) if first > 12 else (second, first)
    else:
        raise checks.refuse(given, "date", "2026-11-25 or 25.11.2026")
    try:
        return datetime.date(year, month, day).isoformat()
    except ValueError:
        message = f"date is {text!r}; there is no such day; expected 2026-11-25"
        raise InputError(message) from None


@dataclass(frozen=True)
class Trial:
    """A trial at the bench.

    Parameters
    ----------
    carrier : str, Carrier or Blend
        What the oil was mixed with; kept as text, a blend as "60 % triacetin + 40 % MCT by volume". [-]
    outcome : {"clear", "hazy", "splits"}
        What was seen. [-]
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    water_parts : float
        Parts of water that were added. [-]
    celsius : float
        Temperature. [degC]
    oil : str
        Name of the oil; empty where it is clear from the context. [-]
    date : str or datetime.date
        Day of the trial; kept as "2026-11-25". [-]
    note : str
        Anything else. [-]

    Raises
    ------
    InputError
        Naming what was given, for a word that is no outcome, parts that are not positive, a temperature that is no
        number or a date that may be read in two ways.
    UnknownNameError
        When no carrier has the name.

    Examples
    --------
    >>> Trial("triacetin", "clear", oil_parts=1, carrier_parts=2, oil="clove, bud", date="25.11.2026").date
    '2026-11-25'
    """

    carrier: Any
    outcome: str
    oil_parts: float = 1.0
    carrier_parts: float = 2.0
    water_parts: float = 0.0
    celsius: float = 25.0
    oil: str = ""
    date: Any = ""
    note: str = ""

    def __post_init__(self) -> None:
        word = self.outcome.strip().lower() if isinstance(self.outcome, str) else self.outcome
        if not isinstance(word, str) or word not in OUTCOMES:
            message = f"outcome is {self.outcome!r}; expected one of the words {', '.join(OUTCOMES)}"
            raise InputError(message)
        object.__setattr__(self, "outcome", word)
        put, water = object.__setattr__, "a number >= 0 of parts by volume"
        parts = check_parts(self.oil_parts, self.carrier_parts)
        drops = checks.number(self.water_parts, "water_parts", "", low=0, high=MOST_PARTS, expected=water)
        numbers = (*parts, drops, check_celsius(self.celsius))
        for name, value in zip(("oil_parts", "carrier_parts", "water_parts", "celsius"), numbers, strict=True):
            put(self, name, value)
        for name in ("oil", "note"):
            value = getattr(self, name)
            text = getattr(value, "name", value) if name == "oil" else value
            if not isinstance(text, str) or "\0" in text:
                message = f"{name} is {value!r}; expected text"
                raise InputError(message)
            object.__setattr__(self, name, text.strip() if name == "oil" else text)
        object.__setattr__(self, "date", _date(self.date))
        written = _written(self.carrier) if isinstance(self.carrier, str | Carrier | Blend) else self.carrier
        read_carrier(written)  # names are checked at the bench, not when the log is evaluated
        object.__setattr__(self, "carrier", written)

    @property
    def liquid(self) -> Carrier | Blend:
        """The carrier or blend."""
        return read_carrier(self.carrier)

    def sentence(self) -> str:
        """Return the trial in words.

        Examples
        --------
        >>> Trial("triacetin", "hazy", water_parts=0.1).sentence()
        'hazy in triacetin at 1:2, with 0.1 parts of water, at 25 C'
        """
        water = f", with {self.water_parts:g} parts of water" if self.water_parts else ""
        where = f"in {self.carrier} at {self.oil_parts:g}:{self.carrier_parts:g}{water}, at {self.celsius:g} C"
        return f"{self.outcome} {where}"
