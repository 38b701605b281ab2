"""Two liquids: do they mix in all proportions, and what are their activity coefficients at infinite dilution?"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, theory
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.evidence import informed
from hspkit.evidence.pieces import CELSIUS_RANGE
from hspkit.substances import Substance, index, substance

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
        Exchange energy over the critical one: below 1 they mix in all proportions. [-]
    verdict : str
        "clear" when they mix in all proportions, "splits" when there are ratios at which they do not; "unknown" when
        they would mix as liquids and one of them is solid by itself: crystals are not computed. [-]
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
    a: Array, b: Array, covariance: Array, volumes: tuple[Array, Array], *, celsius: float = 25.0
) -> Array:
    """Return the probability that pairs of liquids mix in all proportions.

    Parameters
    ----------
    a, b : ndarray of shape (..., 3) or (..., 5)
        Points of the theory (`hspkit.theory`). [MPa^0.5; mol/L]
    covariance : ndarray of shape (..., 3, 3)
        Covariance of the difference of their Hansen parameters. [MPa]
    volumes : tuple of two ndarray of shape (...)
        Mixing volumes. [cm3/mol]
    celsius : float
        Temperature. [degC]

    Examples
    --------
    >>> hexane, water = np.array([14.9, 0.0, 0.0]), np.array([15.5, 16.0, 42.3])
    >>> float(miscibility_probability(hexane, water, np.eye(3), (np.array(131.0), np.array(34.0))).round(2))
    0.01
    """
    from scipy.special import ndtr

    constants = theory.calibration()
    half = np.random.default_rng(0).standard_normal((DRAWS // 2, 3))
    normal = np.concatenate([half, -half])  # mirrored, so that the mean of the draws is exact
    values, vectors = np.linalg.eigh(np.asarray(covariance, dtype=float))
    root = vectors * np.sqrt(np.clip(values, 0.0, None))[..., None, :]
    noise = np.einsum("...ij,dj->...di", root, normal)
    first = np.array(np.broadcast_to(np.asarray(a, dtype=float)[..., None, :], (*noise.shape[:-1], np.shape(a)[-1])))
    first[..., :3] += noise
    _, growth = theory.scale_at(celsius)
    critical = theory.critical_strength(volumes[0] * growth, volumes[1] * growth)
    strength = theory.exchange(first, np.asarray(b, dtype=float)[..., None, :], celsius=celsius)
    ratio = np.maximum(strength / np.asarray(critical)[..., None], 1e-6)
    z = -np.log(ratio) / constants.sd_mixing
    return np.mean(theory.LAPSE + (1.0 - 2.0 * theory.LAPSE) * ndtr(z), axis=-1)


def _liquid(given: str | Substance) -> Substance:
    """Return the substance that a name, CAS number, SMILES or Substance means."""
    member = substance(given) if isinstance(given, str) else given
    if not isinstance(member, Substance):
        message = f"expected a name, CAS number, SMILES or Substance, got {checks.said(given)}"
        raise InputError(message)
    if not isinstance(given, str) or member.name in index():
        return member
    # A structure that is not shipped: an estimate, moved by what evidence shows about similar structures.
    mean, sd = informed([member.smiles], [member.prior.array], [np.sqrt(np.diag(member.prior_covariance))])
    return replace(member, hsp=mean[0], covariance=sd[0])


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

    Notes
    -----
    A solute that is itself associated (water, alcohols) leaves its own kind behind when diluted in a liquid without
    hydrogen bonds; one exchange energy cannot say that, so its ln gamma there comes out too low by 1 and more.

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
    first, second = _liquid(a), _liquid(b)
    _, growth = theory.scale_at(warmth)
    w = float(theory.exchange(first.point, second.point, celsius=warmth))
    critical = float(theory.critical_strength(first.mixing_volume * growth, second.mixing_volume * growth))
    if first.identity == second.identity:
        return Pair(first.name, second.name, warmth, 1.0, 0.0, "clear", (0.0, 0.0))
    probability = miscibility_probability(
        first.point,
        second.point,
        first.covariance + second.covariance,
        (np.asarray(first.mixing_volume), np.asarray(second.mixing_volume)),
        celsius=warmth,
    )
    grown = [(liquid.volume * growth, liquid.mixing_volume * growth) for liquid in (first, second)]
    solid = any(member.melting_celsius is not None and member.melting_celsius > warmth for member in (first, second))
    mixes = "unknown" if solid else "clear"
    dilute = (
        float(theory.dilute_ln_gamma(w, grown[0][0], grown[1][0], grown[1][1])),
        float(theory.dilute_ln_gamma(w, grown[1][0], grown[0][0], grown[0][1])),
    )
    return Pair(
        first.name,
        second.name,
        warmth,
        float(probability),
        w / critical,
        mixes if w < critical else "splits",
        dilute,
    )
