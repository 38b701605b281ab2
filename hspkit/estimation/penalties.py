"""How strongly the fit of the group contribution holds back each kind of number; chosen on folds not reported."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["HUBER", "STRENGTH", "Strength"]


class Strength(NamedTuple):
    """Prior variances over the residual variance, for one parameter."""

    group: float
    second: float
    family: float
    other: float
    likeness: float
    likeness_other: float


#: Prior variances over the residual variance, chosen on folds that are not the reported ones: of a group, of
#: a family, of the departure of a group and a family in molecules beyond C, H, O, of a surrounding that
#: serves delta_p only, of likeness, and of likeness among molecules beyond C, H, O.
STRENGTH = {
    "delta_d": Strength(group=0.5, second=0.5, family=5.0, other=0.0, likeness=8.0, likeness_other=0.0),
    "delta_p": Strength(group=10.0, second=3.3, family=100.0, other=3.3, likeness=1.5, likeness_other=8.0),
    "delta_h": Strength(group=10.0, second=3.3, family=100.0, other=3.3, likeness=5.0, likeness_other=0.0),
}
#: Huber's limit for each parameter, chosen the same way.
HUBER = {"delta_d": 1.0, "delta_p": 2.0, "delta_h": 0.8}
