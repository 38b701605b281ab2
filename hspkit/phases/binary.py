"""Two liquids: do they mix in all proportions; spinodal, binodal, critical point, consolute temperature."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.phases.equilibrium import minimise_pair
from hspkit.phases.mixture import (
    GAS_CONSTANT,
    TEMPERATURE_RANGE,
    Array,
    Mixtures,
    at,
    check_alpha,
    check_volumes,
    interaction_strength,
    squared,
)

__all__ = ["binodal", "critical_fraction", "pair_index", "spinodal", "upper_critical_celsius"]

#: Where a consolute temperature is looked for [degC].
_CONSOLUTE_RANGE = (-150.0, 400.0)


def _pair(volumes: ArrayLike, hsp: ArrayLike, celsius: ArrayLike, alpha: ArrayLike | None) -> tuple[Array, Array]:
    """Return molar volumes (..., 2) and 2a|d1 - d2|^2 (...)."""
    _check_pair(volumes)
    sizes, points = at(volumes, hsp, celsius)
    strength = interaction_strength(celsius, alpha)
    square = squared(points[..., 0, :] - points[..., 1, :])
    try:
        force = 2.0 * strength * square
        shape = np.broadcast_shapes(force.shape, sizes.shape[:-1])
    except ValueError:
        message = (
            f"leading axes do not broadcast: volumes {np.shape(volumes)}, hsp {np.shape(hsp)}, celsius"
            f" {np.shape(celsius)}, alpha {np.shape(strength)}; add axes of length 1"
        )
        raise InputError(message) from None
    return np.broadcast_to(sizes, (*shape, 2)), np.broadcast_to(force, shape)


def _check_pair(volumes: ArrayLike) -> Array:
    sizes = check_volumes(volumes)
    if sizes.ndim < 1 or sizes.shape[-1] != 2:
        message = f"volumes has shape {sizes.shape}; expected a pair (..., 2)"
        raise InputError(message)
    return sizes


def _index(sizes: Array, force: Array) -> Array:
    return force / (sizes**-0.5).sum(axis=-1) ** 2


def pair_index(
    volumes: ArrayLike, hsp: ArrayLike, *, celsius: ArrayLike = 25.0, alpha: ArrayLike | None = None
) -> Array:
    """Return chi/chi_critical of pairs: below 1 the two mix in all proportions.

    It is the largest spinodal index of any composition, 2a|d1 - d2|^2 / (V1^-1/2 + V2^-1/2)^2.

    Parameters
    ----------
    volumes : array_like of shape (..., 2)
        Molar volumes of the pair at 25 degC. [cm3/mol]
    hsp : array_like of shape (..., 2, 3)
        Hansen parameters of the pair at 25 degC. [MPa^0.5]
    celsius, alpha
        As in `spinodal_index`.

    Returns
    -------
    ndarray of shape (...)
        chi/chi_critical. [-]

    Raises
    ------
    InputError
        When there are not two components, and as in `spinodal_index`.

    References
    ----------
    Flory, Principles of Polymer Chemistry, 1953, ch. 12 (critical chi of two species; from memory,
    derivable).

    Examples
    --------
    >>> float(pair_index([100.0, 100.0], [[16, 8, 8], [17, 4, 4]], alpha=1.0))
    0.18153
    """
    return _index(*_pair(volumes, hsp, celsius, alpha))[()]


def critical_fraction(volumes: ArrayLike) -> Array:
    """Return the volume fraction of the first of two liquids at their critical point.

    Parameters
    ----------
    volumes : array_like of shape (..., 2)
        Molar volumes. [cm3/mol]

    Returns
    -------
    ndarray of shape (...)
        sqrt(V2)/(sqrt(V1) + sqrt(V2)), at any temperature. [-]

    Raises
    ------
    InputError
        When there are not two volumes > 0.

    Examples
    --------
    >>> float(critical_fraction([400.0, 100.0]))
    0.3333
    """
    roots = np.sqrt(_check_pair(volumes))
    return (roots[..., 1] / roots.sum(axis=-1))[()]


def spinodal(volumes: ArrayLike, hsp: ArrayLike, *, celsius: ArrayLike = 25.0, alpha: ArrayLike | None = None) -> Array:
    """Return the two compositions between which a pair unmixes by itself.

    Parameters
    ----------
    volumes, hsp, celsius, alpha
        As in `pair_index`.

    Returns
    -------
    ndarray of shape (..., 2)
        Volume fraction of the first liquid on the two branches, smaller first; NaN when they mix in all
        proportions. The roots of 1/(V1 phi) + 1/(V2 (1 - phi)) = 2a|d1 - d2|^2. [-]

    Raises
    ------
    InputError
        As in `pair_index`.

    Examples
    --------
    >>> spinodal([100.0, 100.0], [[16, 0, 0], [16, 0, 20]], alpha=0.6).round(4)
    array([0.2916, 0.7084])
    """
    sizes, force = _pair(volumes, hsp, celsius, alpha)
    return _spinodal(sizes, force)


def _spinodal(sizes: Array, force: Array) -> Array:
    first, second = sizes[..., 0], sizes[..., 1]
    product = force * first * second
    half = 0.5 * (product + second - first)
    with np.errstate(invalid="ignore", divide="ignore"):
        root = np.sqrt(half**2 - product * second)
        # of the two ways to write a root take the one that does not subtract equals
        high = (half + root) / product
        low = second / (half + root)
    return np.where((_index(sizes, force) > 1.0)[..., None], np.stack([low, high], axis=-1), np.nan)


def binodal(volumes: ArrayLike, hsp: ArrayLike, *, celsius: ArrayLike = 25.0, alpha: ArrayLike | None = None) -> Array:
    """Return the two phases of a pair at equilibrium: the mutual solubilities.

    Parameters
    ----------
    volumes, hsp, celsius, alpha
        As in `pair_index`.

    Returns
    -------
    ndarray of shape (..., 2)
        Volume fraction of the first liquid in the phase poor in it and in the phase rich in it; NaN when they
        mix in all proportions. [-]

    Raises
    ------
    InputError
        As in `pair_index`.

    Examples
    --------
    >>> binodal([100.0, 100.0], [[16, 0, 0], [16, 0, 20]], alpha=0.6).round(4)
    array([0.1649, 0.8351])
    """
    sizes, force = _pair(volumes, hsp, celsius, alpha)
    shape = force.shape
    flat_sizes, flat_force = sizes.reshape(-1, 2), force.reshape(-1)
    answer = np.full((flat_force.size, 2), np.nan)
    # closer to critical than this both phases are the critical composition within the digits of the solution
    rows = np.flatnonzero(_index(flat_sizes, flat_force) > 1.0 + 1e-9)
    if rows.size:
        own, strength = flat_sizes[rows], 0.5 * flat_force[rows]
        feed = critical_fraction(own)
        points = np.broadcast_to(np.array([[[1.0], [0.0]]]), (rows.size, 2, 1))
        pair = Mixtures(np.stack([feed, 1.0 - feed], axis=-1), own, points, strength, (rows.size,))
        answer[rows] = minimise_pair(pair, _spinodal(own, flat_force[rows]))
    return answer.reshape(*shape, 2)


def upper_critical_celsius(
    volumes: ArrayLike, hsp: ArrayLike, *, alpha: ArrayLike | None = None
) -> Array | NDArray[np.float64]:
    """Return the temperature above which a pair mixes in all proportions.

    Parameters and volumes follow the temperature as everywhere in `phases`.

    Parameters
    ----------
    volumes : array_like of shape (..., 2)
        Molar volumes of the pair at 25 degC. [cm3/mol]
    hsp : array_like of shape (..., 2, 3)
        Hansen parameters of the pair at 25 degC. [MPa^0.5]
    alpha : array_like of shape (...), optional
        As in `spinodal_index`. [-]

    Returns
    -------
    ndarray of shape (...)
        Upper consolute temperature; -inf when the pair mixes at -150 degC already, inf when it does not at
        400 degC. [degC]

    Raises
    ------
    InputError
        As in `pair_index`.

    Warns
    -----
    ExtrapolationWarning
        When an answer is outside 0 to 100 degC.

    Examples
    --------
    >>> float(upper_critical_celsius([100.0, 100.0], [[16, 0, 0], [16, 0, 17]], alpha=0.7))
    28.44
    """
    weight = check_alpha(alpha)
    shape = _pair(volumes, hsp, 25.0, weight)[1].shape

    def index(celsius: Array) -> Array:
        sizes, points = at(volumes, hsp, celsius)
        square = squared(points[..., 0, :] - points[..., 1, :])
        return _index(sizes, 2.0 * weight * square / (GAS_CONSTANT * (celsius + 273.15)))

    low, high = (np.full(shape, limit) for limit in _CONSOLUTE_RANGE)
    always, never = index(low) <= 1.0, index(high) > 1.0
    for _ in range(60):  # the index falls with temperature; 60 halvings exhaust the digits
        middle = 0.5 * (low + high)
        apart = index(middle) > 1.0
        low, high = np.where(apart, middle, low), np.where(apart, high, middle)
    answer = np.where(always, -np.inf, np.where(never, np.inf, 0.5 * (low + high)))
    if np.any((answer < TEMPERATURE_RANGE[0]) | (answer > TEMPERATURE_RANGE[1])):
        message = (
            "consolute temperature outside 0 to 100 degC, where the temperature rates of Hansen parameters do"
            " not hold; use it as a sign only"
        )
        warnings.warn(message, ExtrapolationWarning, stacklevel=2)
    return answer[()]
