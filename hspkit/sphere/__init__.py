"""A solubility sphere from bench trials: the best one, proved; how well the trials pin it down; which contradict."""

from hspkit.sphere.fit import Misplaced, SphereFit
from hspkit.sphere.trials import OUTCOMES, desirability

__all__ = ["OUTCOMES", "Misplaced", "SphereFit", "desirability"]
