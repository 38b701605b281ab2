"""Two liquids: do they mix in all proportions, and what are their activity coefficients at infinite dilution?"""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from hspkit import checks
from hspkit.calibration import LAPSE, calibration
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.evidence.measured import CELSIUS_RANGE
from hspkit.evidence.pair import GRID, PairOfLiquids, exchange, strength
from hspkit.phases.association import Sites
from hspkit.substances import Substance, substance

__all__ = ["Pair", "miscibility_probability", "pair_miscibility"]

Array = NDArray[np.float64]

#: Draws of the difference of the parameters behind a probability; fixed, so the same question has the same answer.
DRAWS = 1024
#: Probability of mixing between these two is called undecided [-]: odds of less than four to one.
UNDECIDED = (0.2, 0.8)


@dataclass(frozen=True)
class Pair:
    """What becomes of two liquids.

    Parameters
    ----------
    a, b : str
        Their names. [-]
    celsius : float
        Temperature. [degC]
    probability : float
        That they mix in all proportions, from the uncertainty of the parameters and the misfit of the theory. [-]
    index : float
        Largest spinodal index of any composition: below 1 they mix in all proportions. [-]
    verdict : str
        "clear" when they mix in all proportions, "splits" when there are ratios at which they do not; "unknown" when
        they would mix as liquids and one of them is solid by itself: ask `hspkit.solubility`. [-]
    ln_gamma_infinite : tuple of two floats
        Logarithm of the activity coefficient of a dilute in b, and of b dilute in a; mole fractions. [-]
    """

    a: str
    b: str
    celsius: float
    probability: float
    index: float
    verdict: str
    ln_gamma_infinite: tuple[float, float]

    @property
    def undecided(self) -> bool:
        """Whether the probability lies inside the uncertainty (`UNDECIDED`)."""
        return UNDECIDED[0] < self.probability < UNDECIDED[1]


def miscibility_probability(
    difference: Array, covariance: Array, bonds: Array, distance: Array, celsius: float = 25.0
) -> Array:
    """Return the probability that pairs of liquids mix in all proportions.

    Parameters
    ----------
    difference : ndarray of shape (m, 3)
        Differences of their Hansen parameters. [MPa^0.5]
    covariance : ndarray of shape (m, 3, 3)
        Covariance of the difference. [MPa]
    bonds, distance : ndarray of shape (m, g)
        Parts of the index of each pair, as `hspkit.evidence.pair.PairOfLiquids.index_parts` has them. [-; cm3/mol]
    celsius : float
        Temperature. [degC]

    Examples
    --------
    >>> hexane_water = np.array([[-0.6, -16.0, -42.3]])
    >>> parts = np.array([[-0.1]]), np.array([[90.0]])
    >>> miscibility_probability(hexane_water, np.eye(3)[None], *parts).round(2)
    array([0.01])
    """
    from scipy.special import ndtr

    constants = calibration()
    half = np.random.default_rng(0).standard_normal((DRAWS // 2, 3))
    normal = np.concatenate([half, -half])  # mirrored, so that the mean of the draws is exact
    gap = difference[:, None, :] + np.einsum("mij,dj->mdi", _root(covariance), normal)
    w = np.sum(strength(celsius, constants) * gap**2, axis=-1)
    answer = np.empty(len(gap))
    for row in range(len(gap)):
        index = np.max(bonds[row][:, None] + distance[row][:, None] * w[row], axis=0)
        z = -np.log(np.maximum(index, 1e-6)) / constants.sd_mixing
        answer[row] = np.mean(LAPSE + (1.0 - 2.0 * LAPSE) * ndtr(z))
    return answer


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray((vectors * np.sqrt(np.clip(values, 0.0, None))[..., None, :]) @ np.swapaxes(vectors, -1, -2))


def _liquid(named: str | Substance) -> tuple[Substance, Array, Array]:
    """Return a substance, its parameters (3,) and their covariance (3, 3)."""
    if not isinstance(named, str | Substance):
        message = f"expected a name, CAS number, SMILES or Substance, got {checks.said(named)}"
        raise InputError(message)
    liquid = substance(named)
    return liquid, liquid.hsp.array, liquid.mixing_covariance


def pair_miscibility(a: str | Substance, b: str | Substance, *, celsius: float = 25.0) -> Pair:
    """Say whether two liquids mix in all proportions.

    Parameters
    ----------
    a, b : str or Substance
        Names, CAS numbers, SMILES or Substances. [-]
    celsius : float
        Temperature; parameters and volumes follow it. [degC]

    Returns
    -------
    Pair
        ``probability``, ``index``, ``verdict``, ``ln_gamma_infinite``.

    Raises
    ------
    UnknownNameError
        For an unknown name.
    InputError
        For a temperature that is not a number, or two names of one liquid.

    Warns
    -----
    ExtrapolationWarning
        Outside 0 to 100 C.

    Examples
    --------
    >>> pair_miscibility("limonene", "water").verdict
    'splits'
    >>> pair_miscibility("linalool", "ethanol").probability > 0.9
    True
    """
    expected = "a temperature in degC, best from 0 to 100"
    warmth = checks.number(celsius, "celsius", "", low=-90.0, high=400.0, expected=expected)
    if not CELSIUS_RANGE[0] <= warmth <= CELSIUS_RANGE[1]:
        message = f"celsius is {warmth:g}; the temperature rates hold from 0 to 100 degC, this is an extrapolation"
        warnings.warn(message, ExtrapolationWarning, stacklevel=2)
    (first, point, spread), (second, other_point, other_spread) = _liquid(a), _liquid(b)
    if first.identity == second.identity:
        return Pair(first.name, second.name, warmth, 1.0, 0.0, "clear", (0.0, 0.0))
    constants = calibration()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ExtrapolationWarning)  # said above
        volumes, sites = [first.volume, second.volume], Sites.joined([first.sites, second.sites])
        pair = PairOfLiquids(volumes, sites, GRID, constants, warmth)
        ends = PairOfLiquids(volumes, sites, [0.0, 1.0], constants, warmth)
    w = float(exchange(point, other_point, constants, warmth))
    bonds, distance = pair.index_parts
    probability = miscibility_probability(
        (point - other_point)[None], (spread + other_spread)[None], bonds[None], distance[None], warmth
    )[0]
    number = pair.index(w)
    solid = any(liquid.melting_celsius is not None and liquid.melting_celsius > warmth for liquid in (first, second))
    mixes = "unknown" if solid else "clear"
    dilute = ends.ln_gamma + ends.slopes * w
    return Pair(
        first.name,
        second.name,
        warmth,
        float(probability),
        number,
        mixes if number < 1.0 else "splits",
        (float(dilute[0, 0]), float(dilute[1, 1])),
    )
