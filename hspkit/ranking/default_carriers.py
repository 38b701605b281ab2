"""Which carriers are ranked when none are named, and the alcohols they are compared with."""

from __future__ import annotations

from hspkit.carriers import Blend, Carrier, carrier, carriers

__all__ = ["YARDSTICKS", "candidates", "yardsticks"]

#: Strengths of ethanol that everyone in the trade knows. [% vol]
YARDSTICKS = (40, 70, 96)


def candidates() -> list[Carrier | Blend]:
    """Return the carriers that are ranked when none are named.

    All that can be computed with, except plain alcohol. Liquids that are mistaken for carriers stay in, so that the
    table shows them refused.

    Examples
    --------
    >>> names = [liquid.name for liquid in candidates()]
    >>> "propylene glycol" in names, "dipropylene glycol" in names, "ethanol" in names
    (True, True, False)
    """
    rows = carriers()
    return [carrier(name) for name, role in zip(rows["carrier"], rows["role"], strict=True) if role != "alcohol"]


def yardsticks() -> list[Carrier | Blend]:
    """Return ethanol of the strengths in `YARDSTICKS`.

    Examples
    --------
    >>> [liquid.name for liquid in yardsticks()]
    ['ethanol 40 % vol', 'ethanol 70 % vol', 'ethanol 96 % vol']
    """
    return [carrier(f"ethanol {strength} % vol") for strength in YARDSTICKS]
