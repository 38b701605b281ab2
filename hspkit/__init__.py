"""Will this essential oil dissolve in that carrier, is it allowed, and how much may the drink hold?

Names are loaded when first used, so ``import hspkit`` costs almost nothing and reads no file.
"""

from __future__ import annotations

import importlib
import sys
import types
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:  # what a type checker reads; tests/test_architecture.py keeps it equal to _HOME
    from hspkit.application import Application as Application
    from hspkit.blending import best_blend as best_blend
    from hspkit.carriers import Blend as Blend
    from hspkit.carriers import Carrier as Carrier
    from hspkit.carriers import carrier as carrier
    from hspkit.carriers import carriers as carriers
    from hspkit.estimation import Estimate as Estimate
    from hspkit.estimation import GroupModel as GroupModel
    from hspkit.estimation import estimate as estimate
    from hspkit.estimation import estimate_many as estimate_many
    from hspkit.evidence import Evidence as Evidence
    from hspkit.evidence import reconcile as reconcile  # type: ignore[no-redef]
    from hspkit.hansen import HSP as HSP
    from hspkit.hansen import distance as distance
    from hspkit.hansen import red as red
    from hspkit.miscibility import dissolve as dissolve
    from hspkit.miscibility import ethanol_strength_to_clear as ethanol_strength_to_clear
    from hspkit.oils import Oil as Oil
    from hspkit.oils import oil as oil
    from hspkit.oils import oils as oils
    from hspkit.pairs import pair_miscibility as pair_miscibility
    from hspkit.ranking import rank_carriers as rank_carriers
    from hspkit.report import batch_sheet as batch_sheet
    from hspkit.saturation import solubility as solubility
    from hspkit.sphere import SphereFit as SphereFit
    from hspkit.substances import Substance as Substance
    from hspkit.substances import substance as substance
    from hspkit.trials import Trial as Trial
    from hspkit.trials import TrialLog as TrialLog
    from hspkit.trials import learn as learn
    from hspkit.trials import next_trial as next_trial

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
    "solubility": "saturation",
    "substance": "substances",
}

__all__ = sorted(_HOME)


class _Package(types.ModuleType):
    """The package itself: `oils` and `carriers` stay functions although modules of the same names exist.

    Importing the module ``hspkit.oils`` would otherwise bind its name over the function ``hspkit.oils()``.
    ``from hspkit.oils import Oil`` works as ever. Tools that carry functions to other processes (cloudpickle in joblib
    and dask) know plain modules only, so this one tells them that it is its name, and to import that; so does `copy`.
    """

    def __reduce__(self) -> tuple[Any, ...]:
        return importlib.import_module, (self.__name__,)

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
    if name in ("data", "errors", "phases", "plotting", "scale"):
        return importlib.import_module(f"hspkit.{name}")
    message = f"module 'hspkit' has no attribute {name!r}; public names: {', '.join(__all__)}"
    raise AttributeError(message)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
