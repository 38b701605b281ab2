"""Will this essential oil dissolve in that carrier, is it allowed, and how much may the drink hold?

Names are loaded when first used, so ``import hspkit`` costs almost nothing and reads no file.
"""

from __future__ import annotations

import importlib
import sys
import types
from typing import Any

__version__ = "0.1.0"

_HOME = {
    "Application": "application",
    "Blend": "carriers",
    "Carrier": "carriers",
    "Estimate": "estimation",
    "Evidence": "evidence",
    "GroupModel": "estimation",
    "HSP": "hansen",
    "Oil": "oils",
    "SphereFit": "sphere",
    "Trial": "trials",
    "TrialLog": "trials",
    "Substance": "substances",
    "batch_sheet": "report",
    "best_blend": "blending",
    "carrier": "carriers",
    "carriers": "carriers",
    "dissolve": "miscibility",
    "distance": "hansen",
    "estimate": "estimation",
    "estimate_many": "estimation",
    "ethanol_strength_to_clear": "miscibility",
    "learn": "trials",
    "next_trial": "trials",
    "oil": "oils",
    "oils": "oils",
    "pair_miscibility": "pairs",
    "rank_carriers": "ranking",
    "reconcile": "evidence",
    "red": "hansen",
    "substance": "substances",
}

__all__ = sorted(_HOME)


class _Package(types.ModuleType):
    """The package itself: `oils` and `carriers` stay functions although modules of the same names exist.

    Importing the module ``hspkit.oils`` would otherwise bind its name over the function ``hspkit.oils()``.
    ``from hspkit.oils import Oil`` works as ever.
    """

    def __setattr__(self, name: str, value: Any) -> None:
        if name in ("oils", "carriers") and isinstance(value, types.ModuleType):
            return
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name: str) -> Any:
    if name in _HOME:
        value = getattr(importlib.import_module(f"hspkit.{_HOME[name]}"), name)
        globals()[name] = value
        return value
    if name in ("data", "errors", "phases", "plotting"):
        return importlib.import_module(f"hspkit.{name}")
    message = f"module 'hspkit' has no attribute {name!r}; public names: {', '.join(__all__)}"
    raise AttributeError(message)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
