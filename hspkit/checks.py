"""Checks of arguments: one for each kind of argument, made once at the public entrance.

Each check returns the value in the form the library works with, or raises an `InputError` that says which argument it
was, what was given and what is allowed. True and False are not numbers, and a text is not a list of letters.

Each takes the ``value`` and the ``name`` that the message gives it; ``expected`` (or ``unit``, ``shape``, ``columns``,
``example``) is what the message says is allowed. `number` explains the others.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hspkit.errors import InputError

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "CELSIUS_RANGE", "MOST_CELSIUS", "MOST_HSP", "array", "between", "celsius", "choice", "fault", "flag", "frame",
    "kind", "number", "path", "perhaps", "positive", "random_state", "refuse", "said", "several", "temperatures",
    "text", "whole",
]  # fmt: skip


#: Temperatures at which stocks are mixed or kept [degC]; any other is a slip of the unit or of the keyboard.
CELSIUS_RANGE = (-60.0, 250.0)
#: No part of a Hansen parameter comes near this [MPa^0.5]; judgement: what is beyond it was given in another unit.
MOST_HSP = 1000.0
#: No liquid that flavours are made of exists above this [degC]; judgement, for a slip of the keyboard.
MOST_CELSIUS = 1000.0
#: Characters of a value that are shown in a message.
_SHOWN = 80


def said(value: object) -> str:
    """Return a value as it stands in a message: on one line, and shortened when it is long.

    Examples
    --------
    >>> said("warm"), said(np.zeros((2, 2)))
    ("'warm'", 'array([[0., 0.], [0., 0.]])')
    """
    if isinstance(value, str | bytes) and len(value) > _SHOWN:
        value = value[:_SHOWN]
    try:
        words = " ".join(repr(value).split()) if not isinstance(value, str) else repr(value)
    except (RecursionError, ValueError):  # a whole number of more digits than Python will print
        words = f"<{type(value).__name__}>"
    return words if len(words) <= _SHOWN else f"{words[:_SHOWN]}..."


def refuse(value: object, name: str, expected: str) -> InputError:
    """Return the error for a value, to be raised.

    Examples
    --------
    >>> str(refuse(None, "batch", "an amount such as '2 L'"))
    "batch is None; expected an amount such as '2 L'"
    """
    return InputError(f"{name} is {said(value)}; expected {expected}")


def fault(where: str, problem: str, error: type[InputError] = InputError) -> InputError:
    """Return the error for a place and what is wrong there, to be raised.

    Examples
    --------
    >>> str(fault("orange.csv, row 3", "2 cells for 3 columns"))
    'orange.csv, row 3: 2 cells for 3 columns'
    """
    return error(f"{where}: {problem}")


def _float(value: Any) -> float:
    """Return one number as a float; NaN for whatever is none."""
    if isinstance(value, np.ndarray) and value.ndim == 0:
        value = value[()]
    odd = isinstance(value, bool | np.bool_ | bytes | complex | np.complexfloating)
    if odd or (hasattr(value, "__array__") and np.ndim(value)):
        return float("nan")
    try:
        return float(value)
    except (TypeError, ValueError, OverflowError):
        return float("nan")


def number(
    value: Any, name: str, unit: str, *, low: float | None = None, high: float | None = None, expected: str = ""
) -> float:
    """Return a finite number.

    Parameters
    ----------
    value : object
        What was given; a numpy scalar or a text such as "3" will do. [as in ``unit``]
    name, unit : str
        For the message; the unit as it follows the number, "% vol" or "in mg/L", or nothing. [-]
    low, high : float, optional
        Least and greatest number that is allowed. [as in ``unit``]
    expected : str
        What is allowed, where that is to be said in other words. [-]

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> number(None, "ethanol_percent", "% vol", low=0, high=100)
    Traceback (most recent call last):
    hspkit.errors.InputError: ethanol_percent is None; expected a number from 0 to 100 % vol
    """
    result = _float(value)
    if np.isfinite(result) and (low is None or result >= low) and (high is None or result <= high):
        return result
    raise refuse(value, name, expected or f"{_span(low, high)} {unit}".rstrip())


def _span(low: float | None, high: float | None) -> str:
    if low is None:
        return "a finite number" if high is None else f"a number of at most {high:g}"
    return f"a number >= {low:g}" if high is None else f"a number from {low:g} to {high:g}"


def positive(value: Any, name: str, unit: str, *, most: float | None = None) -> float:
    """Return a finite number > 0.

    Parameters
    ----------
    value : object
        What was given. [as in ``unit``]
    name, unit : str
        For the message. [-]
    most : float, optional
        Greatest number that is allowed. [as in ``unit``]

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> positive("3", "batch", "in mL")
    3.0
    """
    result = _float(value)
    if np.isfinite(result) and result > 0 and (most is None or result <= most):
        return result
    bound = "" if most is None else f", at most {most:g}"
    raise refuse(value, name, f"a number > 0 {unit}".rstrip() + bound)


def perhaps(value: Any, name: str, unit: str, *, low: float | None = None, high: float | None = None) -> float:
    """Return a finite number, or NaN where that says that it is not known.

    Parameters
    ----------
    value : object
        What was given. [as in ``unit``]
    name, unit : str
        For the message. [-]
    low, high : float, optional
        Least and greatest number that is allowed. [as in ``unit``]

    Examples
    --------
    >>> perhaps(float("nan"), "oil_density", "in g/mL", low=0)
    nan
    """
    if isinstance(value, float | np.floating) and np.isnan(value):
        return float("nan")
    return number(value, name, unit, low=low, high=high)


def between(value: Any, name: str, low: float, high: float, expected: str) -> float:
    """Return a number that lies between two others and is neither.

    Parameters
    ----------
    value : object
        What was given. [-]
    name, expected : str
        For the message. [-]
    low, high : float
        What it must lie between. [-]

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> between(0.9, "level", 0, 1, "a share between 0 and 1, such as 0.9")
    0.9
    """
    result = _float(value)
    if low < result < high:
        return result
    raise refuse(value, name, expected)


def whole(value: Any, name: str, *, low: int, high: int | None = None, expected: str = "") -> int:
    """Return a whole number.

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> whole(None, "max_carriers", low=1, high=6)
    Traceback (most recent call last):
    hspkit.errors.InputError: max_carriers is None; expected a whole number from 1 to 6
    """
    exact = isinstance(value, int | np.integer) and not isinstance(value, bool)
    result = value if exact else _float(value)
    if (exact or result.is_integer()) and result >= low and (high is None or result <= high):
        return int(result)
    raise refuse(value, name, expected or _span(low, high).replace("number", "whole number"))


def celsius(value: Any, name: str = "celsius") -> float:
    """Return a temperature at which stocks are mixed or kept. [degC]

    Examples
    --------
    >>> celsius(None)
    Traceback (most recent call last):
    hspkit.errors.InputError: celsius is None; expected a temperature in degC from -60 to 250
    """
    low, high = CELSIUS_RANGE
    return number(value, name, "", low=low, high=high, expected=f"a temperature in degC from {low:g} to {high:g}")


def choice(value: Any, name: str, allowed: Sequence[str]) -> str:
    """Return one of the words that are allowed.

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> choice("weight", "basis", ("volume", "mass"))
    Traceback (most recent call last):
    hspkit.errors.InputError: basis is 'weight'; expected 'volume' or 'mass'
    """
    if isinstance(value, str) and value in allowed:
        return str(value)
    raise refuse(value, name, " or ".join(map(repr, allowed)) if len(allowed) < 3 else f"one of {', '.join(allowed)}")


def flag(value: Any, name: str) -> bool:
    """Return True or False.

    Raises
    ------
    InputError
        For anything else; "no" and an empty list are neither.

    Examples
    --------
    >>> flag("no", "include_alcohol")
    Traceback (most recent call last):
    hspkit.errors.InputError: include_alcohol is 'no'; expected True or False
    """
    if isinstance(value, bool | np.bool_):
        return bool(value)
    raise refuse(value, name, "True or False")


def text(value: Any, name: str, expected: str = "a text") -> str:
    """Return a text; it may be empty.

    Examples
    --------
    >>> text("lemon, batch 7", "title")
    'lemon, batch 7'
    """
    return kind(value, name, str, expected)


def path(value: Any, name: str = "path") -> str | os.PathLike[str]:
    """Return where a file is, or is to be.

    Raises
    ------
    InputError
        For anything but a text or a path.

    Examples
    --------
    >>> path(None)
    Traceback (most recent call last):
    hspkit.errors.InputError: path is None; expected the name of a file
    """
    if isinstance(value, str | os.PathLike) and isinstance(os.fspath(value), str):
        return value
    raise refuse(value, name, "the name of a file")


def kind(value: Any, name: str, types: Any, expected: str) -> Any:
    """Return a value that is of one of some types.

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> kind(["oil"], "prices", Mapping, "a mapping such as {'oil': 12.5}")
    Traceback (most recent call last):
    hspkit.errors.InputError: prices is ['oil']; expected a mapping such as {'oil': 12.5}
    """
    if isinstance(value, types):
        return value
    raise refuse(value, name, expected)


def several(value: Any, name: str, example: str) -> tuple[Any, ...]:
    """Return what a list, or anything else that holds values in a row, holds.

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> several("triacetin", "carriers", "['triacetin', 'MCT']")
    Traceback (most recent call last):
    hspkit.errors.InputError: carriers is 'triacetin'; expected a list such as ['triacetin', 'MCT']
    """
    if not isinstance(value, str | bytes | Mapping) and not hasattr(value, "columns"):
        try:
            row = iter(value)
        except TypeError:
            pass
        else:
            return tuple(row)
    raise refuse(value, name, f"a list such as {example}")


def frame(value: Any, name: str, columns: str) -> pd.DataFrame:
    """Return a table.

    Examples
    --------
    >>> frame({"oil": ["MCT"]}, "questions", "columns oil and carrier")
    Traceback (most recent call last):
    hspkit.errors.InputError: questions is {'oil': ['MCT']}; expected a pandas DataFrame with columns oil and carrier
    """
    import pandas as pd

    return kind(value, name, pd.DataFrame, f"a pandas DataFrame with {columns}")


def array(value: Any, name: str, shape: str) -> NDArray[np.float64]:
    """Return numbers as an array; which shape and which numbers it may have is for the caller to see.

    Raises
    ------
    InputError
        When it holds anything but numbers, or rows of different lengths.

    Examples
    --------
    >>> array("warm", "volumes", "(..., n)")
    Traceback (most recent call last):
    hspkit.errors.InputError: volumes is 'warm'; expected numbers in an array of shape (..., n)
    """
    if type(value) is np.ndarray and value.dtype == np.float64:
        return value
    try:
        values = np.asarray(value)
        if values.dtype.kind not in "bcSmM":
            return np.asarray(values, dtype=float)
    except (TypeError, ValueError, OverflowError):
        pass
    raise refuse(value, name, f"numbers in an array of shape {shape}" if shape else "numbers")


def random_state(value: Any, name: str = "random_state") -> int | np.random.Generator | None:
    """Return what random numbers may be drawn from.

    Raises
    ------
    InputError
        For anything else.

    Examples
    --------
    >>> random_state(-1)
    Traceback (most recent call last):
    hspkit.errors.InputError: random_state is -1; expected a whole number >= 0, a numpy Generator or None
    """
    if value is None or isinstance(value, np.random.Generator):
        return value
    if isinstance(value, int | np.integer) and not isinstance(value, bool) and value >= 0:
        return int(value)
    raise refuse(value, name, "a whole number >= 0, a numpy Generator or None")


def temperatures(value: Any, name: str = "celsius") -> NDArray[np.float64]:
    """Return temperatures at which liquids can be thought of. [degC]

    Raises
    ------
    InputError
        When one is not above absolute zero, or beyond `MOST_CELSIUS`.

    Examples
    --------
    >>> temperatures(-300)
    Traceback (most recent call last):
    hspkit.errors.InputError: celsius is -300; expected finite temperatures in degC above -273.15, at most 1000
    """
    result = array(value, name, "")
    if not np.all((result > -273.15) & (result <= MOST_CELSIUS)):
        raise refuse(value, name, f"finite temperatures in degC above -273.15, at most {MOST_CELSIUS:g}")
    return result
