"""Names of substances, oils and carriers: one normal form, an index, near names, look-alikes.

Nothing is ever guessed: a name resolves when it equals a listed name after differences that carry no meaning
in the trade are removed (case, accents, Greek letters, hyphens, the sign of rotation). A name that is merely
near to listed ones is an error that says which ones, and, where taking one for another can hurt somebody,
how they differ.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from hspkit.errors import InputError, UnknownNameError
from hspkit.look_alikes import LookAlike, look_alikes

__all__ = ["LookAlike", "NameIndex", "check_cas", "check_length", "is_cas", "look_alikes", "near_names", "normal_form"]

_CAS = re.compile(r"^\d{2,7}-\d{2}-\d$")
_GREEK = {
    "α": "alpha", "β": "beta", "γ": "gamma", "δ": "delta", "ε": "epsilon", "ζ": "zeta", "η": "eta",
    "θ": "theta", "κ": "kappa", "λ": "lambda", "μ": "mu", "τ": "tau", "ω": "omega",
}  # fmt: skip
_ROTATION = [
    (re.compile(r"\((?:±|\+/-|\+-|-/\+)\)"), " dl "),
    (re.compile(r"\(\+\)"), " d "),
    (re.compile(r"\(-\)"), " l "),
]
_OPTICAL = re.compile(r"^(?:d|l|dl|ld|r|s|rs|sr|rac|racemic|\d+[rs]{1,2})$")
_GEOMETRY = {"e": "e", "z": "z", "trans": "e", "cis": "z"}
_LOCATED_GEOMETRY = re.compile(r"^\d+[ez]$")
_POSITION = {"ortho": "o", "meta": "m", "para": "p"}
_LETTER = {"a": "alpha", "b": "beta", "g": "gamma", "d": "delta"}
#: How many questions an index remembers before it starts afresh; more than any table of names has rows.
_REMEMBERED = 100_000
#: How alike (difflib ratio) a listed name must be to be suggested; at 0.7 one or two slips in a word pass.
_NEAR = 0.7
#: Longest text that is looked up: the longest systematic names have a few hundred characters, a SMILES at most this.
MAX_CHARACTERS = 4000


def check_length(text: str, what: str) -> str:
    """Return a text that is short enough to be looked up.

    Parameters
    ----------
    text : str
        Any text. [-]
    what : str
        What it should name, for the message. [-]

    Raises
    ------
    InputError
        When it has more than `MAX_CHARACTERS`.

    Examples
    --------
    >>> check_length("limonene", "substance")
    'limonene'
    """
    if len(text) > MAX_CHARACTERS:
        message = (
            f"{what} name {text[:40] + '...'!r} has {len(text)} characters; at most {MAX_CHARACTERS} are looked up"
        )
        raise InputError(message)
    return text


def is_cas(text: str) -> bool:
    """Tell whether a text has the form of a CAS number; the check digit is not tested.

    Parameters
    ----------
    text : str
        Any text. [-]

    Examples
    --------
    >>> is_cas("57-55-6"), is_cas("limonene")
    (True, False)
    """
    return bool(_CAS.match(text.strip()))


def check_cas(text: str) -> str:
    """Return a CAS number after testing its check digit.

    Parameters
    ----------
    text : str
        CAS registry number with hyphens. [-]

    Raises
    ------
    InputError
        When the form or the check digit is wrong.

    References
    ----------
    Chemical Abstracts Service: the last digit is the sum of the others, each times its position from the
    right, modulo 10.

    Examples
    --------
    >>> check_cas("57-55-6")
    '57-55-6'
    >>> check_cas("57-55-7")
    Traceback (most recent call last):
    hspkit.errors.InputError: CAS number '57-55-7' has check digit 7 where 6 is due; look for a typing slip
    """
    number = text.strip()
    if not is_cas(number):
        message = f"{text!r} is not a CAS number; expected digits as in 57-55-6"
        raise InputError(message)
    digits = number.replace("-", "")
    due = sum(place * int(digit) for place, digit in enumerate(reversed(digits[:-1]), start=1)) % 10
    if due != int(digits[-1]):
        message = f"CAS number {number!r} has check digit {digits[-1]} where {due} is due; look for a typing slip"
        raise InputError(message)
    return number


def _tokens(text: str) -> list[str]:
    text = text.strip().replace("ß-", "beta-")  # typed for a beta on many keyboards
    text = re.sub(r"[‐‑‒–—−]", "-", text)
    text = unicodedata.normalize("NFKD", text)
    text = "".join(c for c in text if not unicodedata.combining(c)).casefold()
    for pattern, token in _ROTATION:
        text = pattern.sub(token, text)
    text = "".join(f" {_GREEK[c]} " if c in _GREEK else c for c in text)
    tokens = re.findall(r"[a-z0-9]+", text)
    return [_POSITION.get(token, token) if place == 0 else token for place, token in enumerate(tokens)]


def _geometry(tokens: list[str]) -> tuple[tuple[str, ...], list[str]]:
    """Split off E/Z and cis/trans; an E number such as E 1520 is left alone."""
    kept, geometry = [], []
    for place, token in enumerate(tokens):
        number_follows = place + 1 < len(tokens) and re.fullmatch(r"\d{3,4}[a-z]?", tokens[place + 1])
        if _LOCATED_GEOMETRY.match(token):
            geometry.append(token[-1])
        elif token in _GEOMETRY and not (token == "e" and number_follows) and len(tokens) > 1:
            geometry.append(_GEOMETRY[token])
        else:
            kept.append(token)
    return tuple(geometry), kept


def _without_optical(tokens: list[str]) -> list[str]:
    start, end = 0, len(tokens)
    while start < end - 1 and _OPTICAL.match(tokens[start]):
        start += 1
    while end > start + 1 and _OPTICAL.match(tokens[end - 1]):
        end -= 1
    return tokens[start:end]


class _Forms(NamedTuple):
    exact: str
    plain: str  # without the sign of rotation or R/S
    flat: str  # without E/Z, cis/trans either
    loose: tuple[str, ...]  # n- dropped, a/b/g/d written out
    geometry: tuple[str, ...]


def _forms(text: str) -> _Forms:
    geometry, rest = _geometry(_tokens(text))
    plain = _without_optical(rest)
    loose = []
    if len(plain) > 1 and plain[0] == "n":
        loose.append(" ".join(plain[1:]))
    for tokens in (rest, plain):  # d-cadinene: the d may be delta as well as dextro
        if len(tokens) > 1 and tokens[0] in _LETTER:
            loose.append(" ".join([_LETTER[tokens[0]], *tokens[1:]]))
    return _Forms(
        " ".join([*geometry, *rest]),
        " ".join([*geometry, *plain]),
        " ".join(plain),
        tuple(dict.fromkeys(loose)),
        geometry,
    )


def normal_form(text: str) -> str:
    """Return the form under which names are compared.

    Case, accents and hyphens go, Greek letters are spelt, trans and cis become E and Z and move to the front;
    spaces stay, so that "propyleneglycol" is not "propylene glycol".

    Parameters
    ----------
    text : str
        A name. [-]

    Examples
    --------
    >>> normal_form("β-Pinène") == normal_form("beta pinene")
    True
    >>> normal_form("trans-Anethole"), normal_form("(E)-anethole")
    ('e anethole', 'e anethole')
    """
    return _forms(text).exact


def near_names(name: str, allowed: Iterable[str], n: int = 3) -> tuple[str, ...]:
    """Return allowed names that are spelt almost like this one, nearest first, for a message.

    Parameters
    ----------
    name : str
        The name that is not allowed. [-]
    allowed : iterable of str
        The names that are. [-]
    n : int
        At most how many. [-]

    Examples
    --------
    >>> near_names("soft drink", ["soft drinks", "dairy"])
    ('soft drinks',)
    """
    shown = {normal_form(entry): entry for entry in allowed}
    if len(name) > MAX_CHARACTERS:
        return ()
    near = difflib.get_close_matches(normal_form(name), list(shown), n=n, cutoff=_NEAR)
    return tuple(shown[form] for form in near)


class NameIndex:
    """Find the one row that a name, synonym or CAS number means.

    Parameters
    ----------
    rows : iterable of mapping
        Each with ``name`` (the key that is returned) and optionally ``synonyms`` and ``cas``, ``other_cas``;
        lists of names are separated by semicolons. A synonym may stand in several rows: it is then ambiguous
        and asking for it is an error that lists them. [-]
    what : str
        What the rows are, for messages. [-]
    guard : bool
        Whether names of ``look_alikes.csv`` get the message that says how they differ. [-]

    Raises
    ------
    InputError
        When two rows have the same name.

    Examples
    --------
    >>> index = NameIndex([{"name": "limonene", "synonyms": "dipentene", "cas": "5989-27-5"}])
    >>> index.find("(+)-Limonene"), index.find("5989-27-5"), index.find("DIPENTENE")
    ('limonene', 'limonene', 'limonene')
    """

    def __init__(self, rows: Iterable[Mapping[str, Any]], *, what: str = "substance", guard: bool = True) -> None:
        self.what = what
        self._guard = guard
        self._own: dict[str, str] = {}
        self._levels: tuple[dict[str, set[str]], ...] = ({}, {}, {}, {})  # exact, plain, flat, squeezed
        self._geometry: dict[str, set[tuple[str, ...]]] = {}
        self._cas: dict[str, set[str]] = {}
        self._shown: dict[str, str] = {}
        self._memo: dict[str, str | None] = {}
        for row in rows:
            self._add(row)

    def _add(self, row: Mapping[str, Any]) -> None:
        key = row["name"]
        own = _forms(key).exact
        if own in self._own:
            message = f"two rows of the {self.what} table are called {key!r}; names must be unique"
            raise InputError(message)
        self._own[own] = key
        for name in [key, *str(row.get("synonyms") or "").split(";")]:
            if not name.strip():
                continue
            forms = _forms(name)
            self._shown.setdefault(forms.exact, name.strip())
            if forms.geometry:
                self._geometry.setdefault(key, set()).add(forms.geometry)
            squeezed = forms.exact.replace(" ", "")
            for level, form in zip(self._levels, (forms.exact, forms.plain, forms.flat, squeezed), strict=True):
                level.setdefault(form, set()).add(key)
        for column in ("cas", "other_cas"):
            for number in str(row.get(column) or "").split(";"):
                if number.strip():
                    self._cas.setdefault(number.strip(), set()).add(key)

    def __contains__(self, name: object) -> bool:
        if not isinstance(name, str):
            return False
        try:
            return self.get(name) is not None
        except (UnknownNameError, InputError):
            return False

    def __len__(self) -> int:
        return len(self._own)

    def find(self, name: str) -> str:
        """Return the name of the row that is meant.

        Parameters
        ----------
        name : str
            Name, synonym or CAS number. [-]

        Raises
        ------
        UnknownNameError
            When nothing or more than one row answers; the message lists near or matching names.
        InputError
            When a CAS number has a wrong check digit, or the name is not a text.

        Examples
        --------
        >>> NameIndex([{"name": "beta-pinene"}]).find("β-Pinene")
        'beta-pinene'
        """
        row_name = self.get(name)
        if row_name is None:
            raise UnknownNameError(self._unknown(name))
        return row_name

    def get(self, name: str) -> str | None:
        """Return the name of the row that is meant, or None when no row answers; see `find`.

        Parameters
        ----------
        name : str
            Name, synonym or CAS number. [-]

        Raises
        ------
        UnknownNameError
            When more than one row answers.
        InputError
            When a CAS number has a wrong check digit, or the name is not a text.

        Examples
        --------
        >>> NameIndex([{"name": "beta-pinene"}]).get("camphor") is None
        True
        """
        try:
            return self._memo[name]
        except (KeyError, TypeError):  # TypeError: not hashable, so not a text
            pass
        if not isinstance(name, str) or not name.strip():
            message = f"{self.what} name is {name!r}; expected a text that is not empty"
            raise InputError(message)
        check_length(name, self.what)
        if len(self._memo) >= _REMEMBERED:
            self._memo.clear()
        row_name = self._memo[name] = self._find(name)
        return row_name

    def _find(self, name: str) -> str | None:
        if is_cas(name):
            return self._only(self._cas.get(check_cas(name), set()), name)
        forms = _forms(name)
        if forms.exact in self._own:
            return self._own[forms.exact]
        exact, plain, flat, squeezed = self._levels
        for level, form in ((exact, forms.exact), (exact, forms.plain), (plain, forms.plain)):
            if form in level:
                return self._only(level[form], name)
        for form in (forms.flat, *forms.loose):
            keys = {key for key in flat.get(form, ()) if self._same_geometry(key, forms)}
            if keys:
                return self._only(keys, name)
        keys = squeezed.get(forms.exact.replace(" ", ""), set())
        if self._guard and any(row.name in keys for row in look_alikes()):
            return None
        return self._only(keys, name)

    def _same_geometry(self, key: str, forms: _Forms) -> bool:
        listed = self._geometry.get(key)
        return not forms.geometry or not listed or forms.geometry in listed

    def _only(self, keys: set[str], name: str) -> str | None:
        if len(keys) > 1:
            message = f"{self.what} {name!r} is ambiguous; give one of: {', '.join(sorted(keys))}"
            raise UnknownNameError(message)
        return next(iter(keys), None)

    def suggest(self, name: str, n: int = 5) -> tuple[str, ...]:
        """Return listed names that are spelt almost like this one, nearest first.

        Parameters
        ----------
        name : str
            A name that was not found. [-]
        n : int
            At most how many. [-]

        Examples
        --------
        >>> NameIndex([{"name": "limonene"}, {"name": "camphor"}]).suggest("limonen")
        ('limonene',)
        """
        near = difflib.get_close_matches(_forms(name).plain, list(self._levels[0]), n=3 * n, cutoff=_NEAR)
        keys = [key for form in near for key in sorted(self._levels[0][form])]
        return tuple(dict.fromkeys(keys))[:n]

    def _unknown(self, name: str) -> str:
        if is_cas(name):
            return f"no {self.what} with CAS number {name!r}; give a name or a SMILES"
        near = self.suggest(name)
        rows = _near_look_alikes(_forms(name), near) if self._guard else []
        if rows:
            differences = "; ".join(f"{r.name} (CAS {r.cas}): {r.difference}. At stake: {r.at_stake}" for r in rows)
            return (
                f"no {self.what} {name!r}, and names like it are confused with each other; "
                f"give the exact name or the CAS number. {differences}"
            )
        if near:
            return f"no {self.what} {name!r}; near names: {', '.join(near)}"
        return f"no {self.what} {name!r}; give a listed name, a CAS number or a SMILES"


def _near_look_alikes(forms: _Forms, near: tuple[str, ...]) -> list[LookAlike]:
    """The rows of ``look_alikes.csv`` that an unknown name could mean, at most five; none or at least two."""
    spelt = [(row, _forms(text).exact) for row in look_alikes() for text in (row.name, *row.synonyms)]

    def similarity(form: str) -> float:
        return difflib.SequenceMatcher(None, forms.exact, form).ratio()

    named = [row for row, form in spelt if form == forms.exact]
    close = sorted(((similarity(form), row) for row, form in spelt), key=lambda pair: -pair[0])
    if not named and close[0][0] < max(_NEAR, *(similarity(_forms(key).exact) for key in near), 0.0):
        return []  # another name is nearer than any look-alike
    groups = {row.group for row in named} or {close[0][1].group}
    rows = [*named, *(row for ratio, row in close if row.group in groups and ratio >= 0.5)]
    unique = list({row.name: row for row in rows}.values())
    if len(unique) == 1:  # its neighbours are what it must not be taken for
        unique += [row for row in look_alikes() if row.group in groups and row.name != unique[0].name][:1]
    return unique[:5]
