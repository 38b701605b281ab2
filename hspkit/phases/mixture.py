"""Checked mixtures: the arrays of a question, broadcast, moved to its temperature, in engine coordinates.

The engine knows neither substances nor Hansen parameters: it sees volume fractions, molar volumes and points
d in a space of small rank r whose squared distances, times a = alpha/(RT), are the interaction. Hansen
parameters alone become d = (delta_d, delta_p/2, delta_h/2), so that |d_1 - d_2|^2 = Ra^2/4.

With the densities of donors A and acceptors B of hydrogen bonds beside them, d = (delta_d, sqrt(p) delta_p,
sqrt(h) delta_h) with fitted weights p and h, and c (A_1 - A_2)(B_1 - B_2) joins the squared distance. A product of
differences is a difference of squares, so d gets two more coordinates, sqrt(c) (A + B)/2 and sqrt(c) (A - B)/2, and
the square along the last counts as negative (`metric`).
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks, data
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.hansen import TYPICAL_EXPANSIVITY, at_temperature, check_fractions

__all__ = [
    "ALPHA",
    "GAS_CONSTANT",
    "HANSEN_WEIGHTS",
    "POINT_WEIGHTS",
    "TEMPERATURE_RANGE",
    "Mixtures",
    "gather",
    "interaction_strength",
]

Array = NDArray[np.float64]

#: Molar gas constant [J/(mol K)]; the same number in [MPa cm3/(mol K)]. CODATA 2018, exact by definition.
GAS_CONSTANT = 8.31446261815324


def _fitted(constant: str) -> float:
    found = {row["constant"]: row["value"] for row in data.read_table("calibration.csv").rows}
    return float(found[constant])


#: Weight of the Hansen distance in the interaction energy [-]; fitted, see ``calibration.csv``.
ALPHA = _fitted("alpha")
#: Temperatures [degC] within which the rates that move parameters away from 25 degC may be trusted.
TEMPERATURE_RANGE = (0.0, 100.0)
#: Far beyond any molecule [cm3/mol] and any fitted weight [-]; judgement, for a slip of the unit.
MOST_VOLUME, MOST_ALPHA = 1e9, 1e6
#: Hansen parameters scaled so that squared distances are Ra^2/4.
HANSEN_WEIGHTS = np.array([1.0, 0.5, 0.5])
#: The same where densities of donors and acceptors stand beside them; fitted.
POINT_WEIGHTS = np.sqrt([1.0, _fitted("weight_polar"), _fitted("weight_hydrogen")])
#: Half the root of the weight of the product of donor and acceptor differences [MPa^0.5 L/mol]; fitted.
_SITE_WEIGHT = 0.5 * float(np.sqrt(_fitted("weight_sites")))


@dataclass(frozen=True, slots=True)
class Mixtures:
    """A flat batch of b mixtures of n components, in engine coordinates.

    Parameters
    ----------
    fractions : ndarray of shape (b, n)
        Volume fractions. [-]
    volumes : ndarray of shape (b, n) or (1, n)
        Molar volumes at the temperature; the first axis is 1 when all mixtures share them. [cm3/mol]
    points : ndarray of shape (b, n, r) or (1, n, r)
        Coordinates d of the components. [MPa^0.5]
    strength : ndarray of shape (b,) or (1,)
        a = alpha/(RT). [mol/J]
    shape : tuple of int
        Shape of the answer: the leading axes of what was given. [-]
    """

    fractions: Array
    volumes: Array
    points: Array
    strength: Array
    shape: tuple[int, ...]

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_], fractions: Array | None = None) -> Mixtures:
        """Return some of the mixtures, optionally at other compositions (already restricted to the rows)."""
        own = self.fractions[rows] if fractions is None else fractions

        def chosen(values: Array) -> Array:
            return values if values.shape[0] == 1 else values[rows]

        return Mixtures(own, chosen(self.volumes), chosen(self.points), chosen(self.strength), (own.shape[0],))

    def means(self, trials: Array) -> Array:
        """Return the mean d (b, s, r) of compositions (b, s, n), from the middle of the components."""
        points = self.points - self.points.mean(axis=-2, keepdims=True)  # differences are what counts: saves digits
        return np.asarray(np.matmul(trials, points))


@cache
def metric(rank: int) -> Array:
    """Return the signs (r,) of the squares along the coordinates: all 1, but for the last of five; not to be changed.

    Examples
    --------
    >>> metric(3), metric(5)
    (array([1., 1., 1.]), array([ 1.,  1.,  1.,  1., -1.]))
    """
    signs = np.ones(rank)
    if rank == 5:
        signs[-1] = -1.0
    signs.flags.writeable = False
    return signs


def dual(shift: Array) -> Array:
    """Return differences of coordinates (..., r) with the sign of each: half the slope of `squared`."""
    return shift if shift.shape[-1] != 5 else shift * metric(5)


def squared(shift: Array) -> Array:
    """Return the interaction (...) of differences of coordinates (..., r) at a = 1; below 0 where they attract."""
    return np.asarray(np.einsum("...r,...r->...", shift, dual(shift)))


def tilt_of(strength: Array, shift: Array) -> Array:
    """Return the tilt q = 2 a shift (..., r) that an interaction (...) makes of a difference of mean d."""
    return np.asarray((2.0 * strength)[..., None] * dual(shift))


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
    if points.ndim < 2 or points.shape[-1] not in (3, 5):
        message = (
            f"hsp has shape {points.shape}; expected (..., n, 3) in the order delta_d, delta_p, delta_h, or (..., n, 5)"
            " with the densities of donors and acceptors after them, as Substance.point gives"
        )
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
    """Check, and return molar volumes (..., n) and engine coordinates (..., n, 3 or 5) at a temperature."""
    sizes, points = _components(volumes, hsp)
    warmth = checks.temperatures(celsius)
    own, sites = points[..., :3], points[..., 3:]
    if np.any(warmth != 25.0):  # at 25 degC the given numbers are used as they are, to the last bit
        try:
            sizes = sizes * np.exp(TYPICAL_EXPANSIVITY * (warmth[..., None] - 25.0))
        except ValueError:
            message = f"celsius has shape {warmth.shape} and volumes {sizes.shape}; add axes of length 1"
            raise InputError(message) from None
        own = at_temperature(own, warmth[..., None])
        sites = sites * at_temperature(np.ones(3), warmth[..., None])[..., 2:]  # hydrogen bonds fade like delta_h
    if sites.shape[-1] == 0:
        return sizes, own * HANSEN_WEIGHTS
    own = own * POINT_WEIGHTS
    donors, acceptors = _SITE_WEIGHT * sites[..., :1], _SITE_WEIGHT * sites[..., 1:]
    own = np.broadcast_to(own, (*np.broadcast_shapes(own.shape[:-1], sites.shape[:-1]), 3))
    return sizes, np.concatenate([own, donors + acceptors, donors - acceptors], axis=-1)


def gather(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
) -> Mixtures:
    """Check and broadcast a question; see `spinodal_index` for the arguments and the errors."""
    shares = check_fractions(fractions)
    sizes, points = at(volumes, hsp, celsius)
    strength = interaction_strength(celsius, alpha)
    n = shares.shape[-1]
    if points.shape[-2] != n:
        message = (
            f"fractions has shape {shares.shape} but volumes {np.shape(volumes)} and hsp {np.shape(hsp)};"
            " expected (..., n), (..., n) and (..., n, 3) with the same n"
        )
        raise InputError(message)
    try:
        shape = np.broadcast_shapes(shares.shape[:-1], sizes.shape[:-1], points.shape[:-2], strength.shape)
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

    shares = np.broadcast_to(shares, (*shape, n)).reshape(count, n)
    return Mixtures(shares, flat(sizes, 1), flat(points, 2), flat(strength, 0), tuple(shape))
