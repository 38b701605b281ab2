"""Checked mixtures: the arrays of a question, broadcast, moved to its temperature, in engine coordinates.

The engine knows neither substances nor Hansen parameters: it sees volume fractions, molar volumes, points d in a space
of small rank whose squared distances are the interaction per volume over RT, and densities of hydrogen-bond sites.

Hansen parameters alone become d = root(a) (delta_d, delta_p/2, delta_h/2) with a = alpha/(RT), so that |d_1 - d_2|^2 is
a Ra^2/4. With `Sites` beside them delta_h is left out, for it *is* the hydrogen bond: d = root(a) (delta_d, root(w)
delta_p) with a fitted weight w, and the bonds have a free energy of their own (`association`).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks
from hspkit.calibration import GAS_CONSTANT, Calibration, calibration
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.hansen import TYPICAL_EXPANSIVITY, at_temperature, check_fractions
from hspkit.phases.association import Sites

__all__ = [
    "ALPHA",
    "GAS_CONSTANT",
    "HANSEN_WEIGHTS",
    "TEMPERATURE_RANGE",
    "Mixtures",
    "gather",
    "interaction_strength",
]

Array = NDArray[np.float64]

#: Weight of the Hansen distance in the interaction energy [-]; fitted, see ``calibration.csv``.
ALPHA = calibration().alpha
#: Temperatures [degC] within which the rates that move parameters away from 25 degC may be trusted.
TEMPERATURE_RANGE = (0.0, 100.0)
#: Far beyond any molecule [cm3/mol] and any fitted weight [-]; judgement, for a slip of the unit.
MOST_VOLUME, MOST_ALPHA = 1e9, 1e6
#: Hansen parameters scaled so that squared distances are Ra^2/4.
HANSEN_WEIGHTS = np.array([1.0, 0.5, 0.5])


@dataclass(frozen=True, slots=True)
class Mixtures:
    """A flat batch of b mixtures of n components, in engine coordinates; a first axis of 1 is shared by all.

    Parameters
    ----------
    fractions : ndarray of shape (b, n)
        Volume fractions. [-]
    volumes : ndarray of shape (b or 1, n)
        Molar volumes at the temperature. [cm3/mol]
    points : ndarray of shape (b or 1, n, r)
        Coordinates d of the components. [(mol/cm3)^0.5]
    donors, acceptors : ndarray of shape (b or 1, n, k) and (b or 1, n, l)
        Densities of the sites in the pure components. [mol/cm3]
    donor_strengths, acceptor_strengths : ndarray of shape (b or 1, k) and (b or 1, l)
        Strengths times the root of Delta. [(cm3/mol)^0.5]
    shape : tuple of int
        Shape of the answer: the leading axes of what was given. [-]
    """

    fractions: Array
    volumes: Array
    points: Array
    donors: Array
    acceptors: Array
    donor_strengths: Array
    acceptor_strengths: Array
    shape: tuple[int, ...]

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_], fractions: Array | None = None) -> Mixtures:
        """Return some of the mixtures, optionally at other compositions (already restricted to the rows)."""
        own = self.fractions[rows] if fractions is None else fractions
        changed: dict[str, Any] = {"fractions": own, "shape": (own.shape[0],)}
        for name in _PER_MIXTURE:
            part = getattr(self, name)
            if part.shape[0] != 1:
                changed[name] = part[rows]
        return replace(self, **changed)

    def times(self, factors: Array) -> Mixtures:
        """Return the mixtures with everything but the entropy of mixing multiplied by factors (b,)."""
        # as much as dividing the entropy, which is that of molecules so many times larger
        return replace(self, volumes=self.volumes * factors[:, None])


_PER_MIXTURE = ("volumes", "points", "donors", "acceptors", "donor_strengths", "acceptor_strengths")


def interaction_strength(celsius: ArrayLike, alpha: ArrayLike | None = None) -> Array:
    """Return a = alpha/(RT), which turns squared distances into energies per volume. [mol/J]

    Parameters
    ----------
    celsius : array_like of shape (...)
        Temperature. [degC]
    alpha : array_like of shape (...), optional
        Weight of the Hansen distance; `ALPHA` by default. [-]

    Raises
    ------
    InputError
        When a temperature or a weight is no number, beyond nature, or lies below zero (kelvin for the temperature).

    Warns
    -----
    ExtrapolationWarning
        When a temperature is outside 0 to 100 degC.

    Examples
    --------
    >>> float(interaction_strength(25.0, alpha=1.0))
    0.0004034
    """
    kelvin = checks.temperatures(celsius) + 273.15
    weight = check_alpha(alpha)
    low, high = TEMPERATURE_RANGE
    if np.any(kelvin < low + 273.15) or np.any(kelvin > high + 273.15):
        message = (
            f"celsius is {checks.said(celsius)}; the temperature rates of Hansen parameters hold from {low:g} to"
            f" {high:g} degC, the answer is an extrapolation"
        )
        warnings.warn(message, ExtrapolationWarning, stacklevel=4)
    try:
        return weight / (GAS_CONSTANT * kelvin)
    except ValueError:
        message = f"celsius has shape {kelvin.shape} and alpha {weight.shape}; add axes of length 1"
        raise InputError(message) from None


def check_alpha(alpha: ArrayLike | None) -> Array:
    """Return weights of the Hansen distance, `ALPHA` for None, after checking them. [-]"""
    if alpha is None:
        return np.asarray(ALPHA)
    weight = checks.array(alpha, "alpha", "(...)")
    if not np.all((weight >= 0) & (weight <= MOST_ALPHA)):
        raise checks.refuse(alpha, "alpha", f"numbers from 0 to {MOST_ALPHA:g}")
    return weight


def check_volumes(volumes: ArrayLike) -> Array:
    """Return molar volumes after checking that all are numbers > 0. [cm3/mol]"""
    sizes = checks.array(volumes, "volumes", "(..., n)")
    possible = (sizes > 0) & (sizes <= MOST_VOLUME)
    if not np.all(possible):
        message = f"volumes hold {sizes[~possible].flat[0]:g}; expected molar volumes > 0 in cm3/mol"
        raise InputError(message)
    return sizes


def _components(volumes: ArrayLike, hsp: ArrayLike) -> tuple[Array, Array]:
    sizes, points = check_volumes(volumes), checks.array(hsp, "hsp", "(..., n, 3)")
    if points.ndim < 2 or points.shape[-1] != 3:
        message = f"hsp has shape {points.shape}; expected (..., n, 3) in the order delta_d, delta_p, delta_h"
        raise InputError(message)
    if sizes.ndim < 1 or sizes.shape[-1] != points.shape[-2]:
        message = (
            f"volumes has shape {sizes.shape} and hsp {points.shape}; expected (..., n) and (..., n, 3) with the same n"
        )
        raise InputError(message)
    if not np.all(np.abs(points) <= checks.MOST_HSP):
        worst = points[~(np.abs(points) <= checks.MOST_HSP)].flat[0]
        message = (
            f"hsp holds {worst:g}; expected finite numbers up to {checks.MOST_HSP:g} MPa^0.5; leave out what is unknown"
        )
        raise InputError(message)
    return sizes, points


def at(volumes: ArrayLike, hsp: ArrayLike, celsius: ArrayLike) -> tuple[Array, Array]:
    """Check, and return molar volumes (..., n) and Hansen parameters (..., n, 3) at a temperature."""
    sizes, points = _components(volumes, hsp)
    warmth = checks.temperatures(celsius)
    if np.any(warmth != 25.0):  # at 25 degC the given numbers are used as they are, to the last bit
        try:
            sizes = sizes * np.exp(TYPICAL_EXPANSIVITY * (warmth[..., None] - 25.0))
        except ValueError:
            message = f"celsius has shape {warmth.shape} and volumes {sizes.shape}; add axes of length 1"
            raise InputError(message) from None
        points = at_temperature(points, warmth[..., None])
    return sizes, points


def gather(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
    constants: Calibration | None = None,
) -> Mixtures:
    """Check and broadcast a question; see `spinodal_index` for the arguments and the errors."""
    shares = check_fractions(fractions)
    sizes, points = at(volumes, hsp, celsius)
    n = shares.shape[-1]
    if points.shape[-2] != n or (sites is not None and sites.size != n):
        own = "" if sites is None else f" and sites {sites.size} components"
        message = (
            f"fractions has shape {shares.shape} but volumes {np.shape(volumes)} and hsp {np.shape(hsp)}{own};"
            " expected (..., n), (..., n) and (..., n, 3) with the same n"
        )
        raise InputError(message)
    bonds = Sites.none(n) if sites is None else sites
    use = calibration() if constants is None else constants
    weights = HANSEN_WEIGHTS
    if sites is not None:
        weights = np.array([1.0, np.sqrt(use.weight_polar)])
        alpha = use.alpha if alpha is None else alpha
    strength = interaction_strength(celsius, alpha)
    try:
        shape = np.broadcast_shapes(
            shares.shape[:-1], sizes.shape[:-1], points.shape[:-2], strength.shape, bonds.donors.shape[:-2]
        )
    except ValueError:
        message = (
            f"leading axes do not broadcast: fractions {shares.shape}, volumes {np.shape(volumes)}, hsp"
            f" {np.shape(hsp)}, celsius {np.shape(celsius)}, alpha {np.shape(strength)}; add axes of length 1"
        )
        raise InputError(message) from None
    count = int(np.prod(shape))

    def flat(values: Array, own: int) -> Array:
        """Leave what all mixtures share as one row: the engine is several times faster then."""
        tail = values.shape[values.ndim - own :]
        if values.size == int(np.prod(tail)):
            return values.reshape(1, *tail)
        return np.broadcast_to(values, shape + tail).reshape(count, *tail)

    points = points[..., : weights.size] * weights * np.sqrt(strength)[..., None, None]
    root = np.sqrt(use.bond_at(celsius))[..., None]
    return Mixtures(
        np.broadcast_to(shares, (*shape, n)).reshape(count, n),
        flat(sizes, 1),
        flat(points, 2),
        flat(bonds.donors / sizes[..., None], 2),
        flat(bonds.acceptors / sizes[..., None], 2),
        flat(root * bonds.donor_strengths, 1),
        flat(root * bonds.acceptor_strengths, 1),
        tuple(shape),
    )
