"""How surely a mixture is clear: the one place where that is computed.

The margin of a mixture is ln M, M the binodal index of `hspkit.phases`, plus what the theory misses: clear below 0. Its
mean and spread over the draws of everything that is not known give the probability. `dissolve`, rankings, blends,
sheets, figures and the trials all ask here, with the same draws.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from hspkit import checks, phases
from hspkit.belief import DRAWS, LAPSE, Belief
from hspkit.mixture import Mixture

__all__ = ["SMALLEST_INDEX", "Margin", "after_trial", "margin_of", "mixture_key"]

Array = NDArray[np.float64]

#: A mixture of identical liquids has the binodal index 0; its logarithm is cut off here [-].
SMALLEST_INDEX = 1e-3


class Margin(NamedTuple):
    """Mean and standard deviation of the margin of a mixture. [-]"""

    mean: float
    sd: float

    @property
    def p_clear(self) -> float:
        """Probability that the mixture is clear. [-]"""
        return float(ndtr(-self.mean / self.sd))

    def p_below(self, edge: float) -> float:
        """Return the probability that the binodal index is below a limit.

        Parameters
        ----------
        edge : float
            The limit; infinite for none. [-]
        """
        limit = edge if isinstance(edge, float) and edge > 0 else checks.positive(edge, "edge", "or infinity")
        return float(ndtr((np.log(limit) - self.mean) / self.sd))


def mixture_key(
    liquid: tuple[tuple[str, float], ...],
    oil_parts: float,
    carrier_parts: float,
    water_parts: float,
    celsius: float,
) -> tuple[object, ...]:
    """Return what tells one mixture of an oil from another, whatever the size of the parts. [-]"""
    total = oil_parts + carrier_parts + water_parts
    return (liquid, round(oil_parts / total, 9), round(water_parts / total, 9), round(float(celsius), 6))


def margin_of(
    mixture: Mixture,
    scene: phases.StabilityAnalysis,
    *,
    belief: Belief | None = None,
    draws: int = DRAWS,
    random_state: int | np.random.Generator | None = 0,
) -> Margin:
    """Return the margin of a mixture under all that is not known.

    Parameters
    ----------
    mixture : Mixture
        The components that are present; its ``carrier_key`` tells which misfit of the theory trials found in it.
    scene : StabilityAnalysis
        The mixture at its central parameters.
    belief : Belief, optional
        What bench trials left.
    draws : int
        Even number of draws. [-]
    random_state : int, Generator or None
        Seed. [-]
    """
    checks.kind(mixture, "mixture", Mixture, "a Mixture")
    checks.kind(scene, "scene", phases.StabilityAnalysis, "the StabilityAnalysis of the mixture")
    checks.kind(belief, "belief", (Belief, type(None)), "what hspkit.learn left, or None")
    drawn = mixture.drawn(belief, draws, random_state)
    index = scene.index_of_draws(drawn.volumes, drawn.hsp)
    logs = np.log(np.maximum(index, SMALLEST_INDEX)) + drawn.misfit
    return Margin(float(np.mean(logs)), float(np.hypot(np.std(logs), drawn.misfit_sd)))


def after_trial(belief: Belief | None, key: tuple[object, ...], chances: dict[str, float]) -> dict[str, float]:
    """Return the chances of the outcomes of a mixture after it was tried: what was seen, lapses apart.

    Parameters
    ----------
    belief : Belief or None
        What bench trials left; a mixture that was not tried keeps its chances.
    key : tuple
        From `mixture_key`. [-]
    chances : dict of str to float
        Chances of `clear`, `hazy` and `splits` by everything else. [-]
    """
    tried = None if belief is None else belief.outcome_of(key)
    if tried is None:
        return chances
    lapsed = min(1.0, LAPSE / tried.p_others)
    if tried.outcome != "clear":  # what was seen takes what a lapse leaves
        found = {word: lapsed * chance for word, chance in chances.items() if word != tried.outcome}
        return {word: found.get(word, 1.0 - sum(found.values())) for word in chances}
    clear = 1.0 - lapsed * (1.0 - max(0.0, (tried.p_others - LAPSE) / (1.0 - 3.0 * LAPSE)))
    rest = 1.0 - chances["clear"]
    scale = (1.0 - clear) / rest if rest > 0 else 0.0
    return {word: clear if word == "clear" else scale * chance for word, chance in chances.items()}
