"""What is read once and shared by everybody: mappings and arrays that cannot be changed."""

from __future__ import annotations

from typing import Any, NoReturn, TypeVar

import numpy as np

__all__ = ["Frozen", "freeze"]

Key = TypeVar("Key")
Item = TypeVar("Item")
Anything = TypeVar("Anything")


class Frozen(dict[Key, Item]):
    """A dictionary that cannot be changed.

    Unlike `types.MappingProxyType` it can be pickled and copied deeply, as what goes to another process must be, and
    it has no dictionary behind it that somebody else may change. ``dict(it)`` is a copy to change.

    Examples
    --------
    >>> row = Frozen({"name": "triacetin"})
    >>> row["name"] = "water"
    Traceback (most recent call last):
    TypeError: this mapping is shared by all who read it and cannot be changed; change a copy, dict(...)
    >>> row | {"name": "water"}
    {'name': 'water'}
    """

    __slots__ = ()

    def _refuse(self, *_: Any, **__: Any) -> NoReturn:
        """Refuse a change.

        Raises
        ------
        TypeError
            Always.
        """
        message = "this mapping is shared by all who read it and cannot be changed; change a copy, dict(...)"
        raise TypeError(message)

    __setitem__ = __delitem__ = __ior__ = _refuse
    clear = pop = popitem = setdefault = update = _refuse

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (dict(self),)


def freeze(value: Anything) -> Anything:
    """Return a value with the mappings and arrays in it, in tuples too, made unchangeable; arrays without a copy.

    Parameters
    ----------
    value : object
        An array, a dictionary, a tuple or named tuple of them; a list becomes a tuple. [-]

    Examples
    --------
    >>> freeze({"a": np.ones(2)})["a"].flags.writeable
    False
    """
    frozen: Any = value
    if isinstance(frozen, np.ndarray):
        frozen.flags.writeable = False
    elif isinstance(frozen, dict):
        frozen = Frozen({key: freeze(item) for key, item in frozen.items()})
    elif isinstance(frozen, tuple | list):
        items = [freeze(item) for item in frozen]
        frozen = type(frozen)(*items) if hasattr(frozen, "_fields") else tuple(items)
    return frozen
