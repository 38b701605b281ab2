"""Two liquids: do they mix in all proportions; spinodal, binodal, critical point, consolute temperature."""

from __future__ import annotations

import warnings

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.phases.association import Sites
from hspkit.phases.mixture import TEMPERATURE_RANGE, Array, Mixtures, check_volumes, gather
from hspkit.phases.search import local_index, search
from hspkit.phases.splitting import solve as solve_split

__all__ = ["binodal", "critical_fraction", "pair_index", "spinodal", "upper_critical_celsius"]

#: Where a consolute temperature is looked for [degC].
_CONSOLUTE_RANGE = (-60.0, 300.0)
#: Volume fractions at which the spinodal index of a pair with bonds is looked at; close at both ends, for small
#: molecules.
_GRID = np.concatenate([np.geomspace(1e-4, 0.05, 20), np.linspace(0.06, 0.94, 45), 1.0 - np.geomspace(0.05, 1e-4, 20)])
_HALVINGS = 40


def _pair(
    volumes: ArrayLike, hsp: ArrayLike, celsius: ArrayLike, alpha: ArrayLike | None, sites: Sites | None
) -> Mixtures:
    """Return the pairs at equal volumes, one mixture each."""
    _check_pair(volumes)
    return gather([0.5, 0.5], volumes, hsp, celsius, alpha, sites)


def _check_pair(volumes: ArrayLike) -> Array:
    sizes = check_volumes(volumes)
    if sizes.ndim < 1 or sizes.shape[-1] != 2:
        message = f"volumes has shape {sizes.shape}; expected a pair (..., 2)"
        raise InputError(message)
    return sizes


def _largest(pair: Mixtures) -> tuple[Array, Array]:
    """Return the largest spinodal index (b,) of any composition, and the fraction of the first liquid there."""
    count = len(pair.fractions)
    if not _bonds(pair):  # one maximum, in closed form
        fraction = np.broadcast_to(critical_fraction(pair.volumes), (count,))
        return local_index(_at(pair, np.arange(count), fraction)), fraction
    rows = np.repeat(np.arange(count), _GRID.size)
    index = local_index(_at(pair, rows, np.tile(_GRID, count))).reshape(count, -1)
    best = index.argmax(axis=1)
    # and between the neighbours of the best, twice
    every = np.arange(count)
    low, high = _GRID[np.maximum(best - 1, 0)], _GRID[np.minimum(best + 1, _GRID.size - 1)]
    fraction, value = _GRID[best], index[every, best]
    for _ in range(2):
        inside = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, 11)
        rows = np.repeat(every, 11)
        index = local_index(_at(pair, rows, inside.ravel())).reshape(count, -1)
        best = index.argmax(axis=1)
        better = index[every, best] > value
        fraction = np.where(better, inside[every, best], fraction)
        value = np.maximum(value, index[every, best])
        low, high = inside[every, np.maximum(best - 1, 0)], inside[every, np.minimum(best + 1, 10)]
    return value, fraction


def _bonds(pair: Mixtures) -> bool:
    return bool(pair.donors.any() and pair.acceptors.any())


def _at(pair: Mixtures, rows: NDArray[np.intp], fraction: Array) -> Mixtures:
    return pair.take(rows, np.stack([fraction, 1.0 - fraction], axis=-1))


def pair_index(
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Array:
    """Return the largest spinodal index of pairs at any composition: below 1 the two mix in all proportions.

    Without sites it is chi/chi_critical, 2a|d1 - d2|^2 / (V1^-1/2 + V2^-1/2)^2.

    Parameters
    ----------
    volumes : array_like of shape (..., 2)
        Molar volumes of the pair at 25 degC. [cm3/mol]
    hsp : array_like of shape (..., 2, 3)
        Hansen parameters of the pair at 25 degC. [MPa^0.5]
    celsius, alpha, sites
        As in `spinodal_index`.

    Returns
    -------
    ndarray of shape (...)
        The index. [-]

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
    pair = _pair(volumes, hsp, celsius, alpha, sites)
    return _largest(pair)[0].reshape(pair.shape)[()]


def critical_fraction(volumes: ArrayLike) -> Array:
    """Return the volume fraction of the first of two liquids at their critical point, where they have no bonds.

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


def spinodal(
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Array:
    """Return the two compositions between which a pair unmixes by itself.

    Parameters
    ----------
    volumes, hsp, celsius, alpha, sites
        As in `pair_index`.

    Returns
    -------
    ndarray of shape (..., 2)
        Volume fraction of the first liquid on the two branches around the composition of the largest spinodal index,
        smaller first; NaN when they mix in all proportions. [-]

    Raises
    ------
    InputError
        As in `pair_index`.

    Examples
    --------
    >>> spinodal([100.0, 100.0], [[16, 0, 0], [16, 0, 20]], alpha=0.6).round(4)
    array([0.2916, 0.7084])
    """
    pair = _pair(volumes, hsp, celsius, alpha, sites)
    index, middle = _largest(pair)
    rows = np.flatnonzero(index > 1.0)
    answer = np.full((len(index), 2), np.nan)
    for side, end in enumerate((0.0, 1.0)):
        # halve in ln of the way to the end, where the branches of unlike liquids lie
        stable, unstable = np.full(rows.size, -_DEEPEST), np.zeros(rows.size)
        span = np.abs(middle[rows] - end)
        for _ in range(_HALVINGS):
            half = 0.5 * (stable + unstable)
            where = end + (1.0 - 2.0 * end) * span * np.exp(half)
            over = local_index(_at(pair, rows, where)) > 1.0 if rows.size else np.zeros(0, dtype=bool)
            stable, unstable = np.where(over, stable, half), np.where(over, half, unstable)
        answer[rows, side] = end + (1.0 - 2.0 * end) * span * np.exp(0.5 * (stable + unstable))
    return answer.reshape(*pair.shape, 2)


#: ln of the least share of the way to a pure liquid at which a branch is looked for.
_DEEPEST = 200.0


def binodal(
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Array:
    """Return the two phases of a pair at equilibrium: the mutual solubilities.

    Parameters
    ----------
    volumes, hsp, celsius, alpha, sites
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
    pair = _pair(volumes, hsp, celsius, alpha, sites)
    index, middle = _largest(pair)
    answer = np.full((len(index), 2), np.nan)
    # closer to critical than this both phases are the critical composition within the digits of the solution
    rows = np.flatnonzero(index > 1.0 + 1e-9)
    if rows.size:
        feeds = _at(pair, rows, middle[rows])
        phases, _, _ = solve_split(feeds, search(feeds))
        for row, parts in zip(rows, phases, strict=True):
            inside = parts[:, 0] / parts.sum(axis=-1)
            answer[row] = inside.min(), inside.max()
    return answer.reshape(*pair.shape, 2)


def upper_critical_celsius(
    volumes: ArrayLike, hsp: ArrayLike, *, alpha: ArrayLike | None = None, sites: Sites | None = None
) -> Array | NDArray[np.float64]:
    """Return the temperature above which a pair mixes in all proportions.

    Parameters, volumes and bonds follow the temperature as everywhere in `phases`.

    Parameters
    ----------
    volumes : array_like of shape (..., 2)
        Molar volumes of the pair at 25 degC. [cm3/mol]
    hsp : array_like of shape (..., 2, 3)
        Hansen parameters of the pair at 25 degC. [MPa^0.5]
    alpha : array_like of shape (...), optional
        As in `spinodal_index`. [-]
    sites : Sites, optional
        As in `spinodal_index`. [-]

    Returns
    -------
    ndarray of shape (...)
        Upper consolute temperature; -inf when the pair mixes at -60 degC already, inf when it does not at
        300 degC. [degC]

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
    shape = _pair(volumes, hsp, 25.0, alpha, sites).shape
    low, high = (np.full(shape, limit) for limit in _CONSOLUTE_RANGE)

    def index(celsius: Array) -> Array:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)  # the answer says it
            return np.asarray(pair_index(volumes, hsp, celsius=celsius, alpha=alpha, sites=sites))

    always, never = index(low) <= 1.0, index(high) > 1.0
    for _ in range(_HALVINGS):  # the index falls with temperature
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
