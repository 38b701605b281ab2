"""Hansen parameters and molar volume from structure.

`estimate` and `estimate_many` answer with the calibrated group contribution of this project (``calibrated``)
or with the published method of Hoftyzer and Van Krevelen (``van-krevelen``); `GroupModel` fits the same form
to anyone's data.
"""

from __future__ import annotations

from hspkit.estimation.batches import estimate, estimate_many
from hspkit.estimation.model import GroupModel
from hspkit.estimation.published import estimate_from_groups, estimate_repeat_unit, fedors_total, mix_by_mass
from hspkit.estimation.result import Estimate, GroupShare

__all__ = [
    "Estimate",
    "GroupModel",
    "GroupShare",
    "estimate",
    "estimate_from_groups",
    "estimate_many",
    "estimate_repeat_unit",
    "fedors_total",
    "mix_by_mass",
]
