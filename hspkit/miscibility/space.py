"""Liquids that are a point in Hansen space and nothing else: chances and radii for maps and spheres."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from hspkit import checks, phases
from hspkit.belief import THEORY_SD_LN, check_draws
from hspkit.miscibility.dissolving import check_celsius, check_parts
from hspkit.miscibility.margin import SMALLEST_INDEX
from hspkit.miscibility.solids import may_crystallise
from hspkit.mixture import Mixture, mixture_of, oil_members
from hspkit.oils import Oil, covered
from hspkit.phases.mixture import MOST_VOLUME

__all__ = ["clear_probability", "interaction_radius"]

Array = NDArray[np.float64]


def clear_probability(
    oil_or_name: Oil | str,
    hsp: NDArray[np.float64],
    volume: float,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    celsius: float = 25.0,
    draws: int = 8,
    random_state: int | np.random.Generator | None = 0,
) -> Array:
    """Return the probability that an oil is clear in liquids given by their Hansen parameters alone.

    Nothing is known of the donors and acceptors of such a liquid, so what hydrogen bonds between unlike partners add
    is left out: ask `dissolve` about a carrier of known structure.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil, uncertain as its components are. [-]
    hsp : ndarray of shape (..., 3)
        Parameters of the liquids, taken as exact. [MPa^0.5]
    volume : float
        Their molar volume. [cm3/mol]
    oil_parts, carrier_parts : float
        Parts by volume. [-]
    celsius : float
        Temperature. [degC]
    draws : int
        Draws behind each probability. [-]
    random_state : int, Generator or None
        Seed. [-]

    Returns
    -------
    ndarray of shape (...)
        Probability of clear; NaN everywhere when a component of the oil may crystallise. [-]

    Raises
    ------
    InputError
        As `dissolve`, and when the parameters are not (..., 3) numbers or the volume is not a number > 0.

    Examples
    --------
    Limonene's own parameters, and those of water:

    >>> clear_probability("limonene", np.array([[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]]), 100.0)
    array([1., 0.])
    """
    subject, warmth = covered(oil_or_name), check_celsius(celsius)
    parts = check_parts(oil_parts, carrier_parts)
    share = parts[0] / sum(parts)
    draws = check_draws(draws)
    size = checks.positive(volume, "volume", "in cm3/mol", most=MOST_VOLUME)
    given = checks.array(hsp, "hsp", "(..., 3)")
    if given.ndim == 0 or given.shape[-1] != 3 or not np.all((given >= 0) & (given <= checks.MOST_HSP)):
        raise checks.refuse(hsp, "hsp", "(..., 3) numbers >= 0 in the order delta_d, delta_p, delta_h [MPa^0.5]")
    neat = Mixture.of([(1.0, *oil_members(subject))])
    if may_crystallise(neat, subject, warmth, clear=True):
        return np.full(given.shape[:-1], np.nan)
    mixture = mixture_of(subject)
    drawn, volumes, *_ = mixture.drawn(subject.belief, draws, random_state)
    points = given.reshape(-1, 1, 1, 3)
    count = points.shape[0]
    everything = np.zeros((count, draws, len(mixture.names) + 1, 5))  # no donors and acceptors
    everything[:, :, :-1, :3], everything[:, :, -1:, :3] = drawn, points
    sizes = np.concatenate([volumes, np.full((draws, 1), size)], axis=1)
    fractions = np.append(share * mixture.fractions, 1.0 - share)
    margins = phases.binodal_index(fractions, sizes, everything, celsius=warmth)
    logs = np.log(np.maximum(margins, SMALLEST_INDEX))
    sd = np.hypot(logs.std(axis=1), THEORY_SD_LN)
    return np.asarray(ndtr(-logs.mean(axis=1) / sd)).reshape(given.shape[:-1])


def interaction_radius(oil_volume: float, carrier_volume: float, *, celsius: float = 25.0) -> float:
    """Return the Ra within which two liquids mix in every proportion: the R0 of the plain Hansen distance.

    A binary is stable everywhere while a (Ra/2)^2 < (V1^-0.5 + V2^-0.5)^2 / 2, so
    R0 = sqrt(2/a) (V1^-0.5 + V2^-0.5). Fitted weights and hydrogen bonds between unlike partners (`dissolve`) make a
    bent ellipsoid of the sphere, with about the same mean radius.

    Parameters
    ----------
    oil_volume, carrier_volume : float
        Molar volumes. [cm3/mol]
    celsius : float
        Temperature. [degC]

    Returns
    -------
    float
        R0. [MPa^0.5]

    Raises
    ------
    InputError
        When a volume is not a number > 0 or the temperature is beyond nature.

    References
    ----------
    Critical point of the Flory-Huggins free energy; interaction after Lindvig, Michelsen and Kontogeorgis, Fluid
    Phase Equilib. 203 (2002) 247-260.

    Examples
    --------
    Small liquids reach further than large ones:

    >>> interaction_radius(160, 75) > interaction_radius(160, 250)
    True
    """
    strength = float(phases.interaction_strength(checks.number(celsius, "celsius", "in degC")))
    oil = checks.positive(oil_volume, "oil_volume", "in cm3/mol", most=MOST_VOLUME)
    carrier = checks.positive(carrier_volume, "carrier_volume", "in cm3/mol", most=MOST_VOLUME)
    return float(np.sqrt(2.0 / strength) * (oil**-0.5 + carrier**-0.5))
