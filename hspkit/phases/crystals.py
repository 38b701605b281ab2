"""Crystals: a component leaves a liquid where its potential there exceeds that of its crystal.

Against the supercooled liquid a crystal has, with the entropy of fusion dS at the melting point T_m, and c the change
of the heat capacity on melting as a share of dS (I. Prigogine and R. Defay, Chemical Thermodynamics, 1954, ch. 22; from
memory, derivable),

    ln a = -(dS/R) [(T_m/T - 1) - c (T_m/T - 1 - ln(T_m/T))].

A mixture crystallises when ln of the activity of any component passes that of its crystal. Crystals are pure here: no
solid solutions, hydrates or salts.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks
from hspkit.calibration import GAS_CONSTANT
from hspkit.errors import ExtrapolationWarning, InputError
from hspkit.hansen import check_fractions
from hspkit.phases.activity import ln_activity
from hspkit.phases.association import Sites
from hspkit.phases.mixture import Array, gather

__all__ = ["HEAT_CAPACITY", "CrystalPoint", "Liquidus", "crystal_point", "liquidus", "ln_crystal"]

#: Change of the heat capacity on melting as a share of the entropy of fusion [-]; between none (0) and the whole of it
#: (1), both of which are used for want of data. Judgement, no source.
HEAT_CAPACITY = 0.5
#: Shares of the addition at which the activities are looked at: dilute ones by decades, then evenly towards both ends.
_SHARES = np.concatenate([[0.0], np.geomspace(1e-12, 5e-3, 60), 0.5 * (1.0 - np.cos(np.linspace(0.1, np.pi, 65)))[1:]])
#: Parts that the bracket of a share or a temperature is cut in, and how often: to 1e-12 of it.
_PARTS, _CUTS = 12, 11
#: Temperatures at which a liquidus is looked for, from the coldest that is asked about [degC].
COLDEST = -60.0
_TEMPERATURES = 41
#: Beyond these a melting point [degC] and an entropy of fusion [J/(mol K)] are a slip; judgement.
MOST_MELTING, MOST_ENTROPY = 4000.0, 1e5


@dataclass(frozen=True, slots=True)
class CrystalPoint:
    """Where the first crystals appear on the straight line from a start to what is added.

    Parameters
    ----------
    fraction : ndarray of shape (...)
        Volume fraction of the addition at the first crystals; 0 when the start bears them, 1 without any. [-]
    crystallises : ndarray of bool, shape (...)
        Whether there are crystals anywhere on the line. [-]
    component : ndarray of int, shape (...)
        The component that crystallises; -1 for none. [-]
    """

    fraction: Array
    crystallises: NDArray[np.bool_]
    component: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Liquidus:
    """Where mixtures bear their first crystals on cooling.

    Parameters
    ----------
    celsius : ndarray of shape (...)
        Temperature of the first crystals; NaN where there are none down to -60 degC. [degC]
    component : ndarray of int, shape (...)
        The component that crystallises; -1 for none. [-]
    """

    celsius: Array
    component: NDArray[np.intp]


def ln_crystal(
    celsius: ArrayLike, melting: ArrayLike, entropy: ArrayLike, *, heat_capacity: float = HEAT_CAPACITY
) -> Array:
    """Return ln of the activity of crystals against their supercooled liquids.

    Parameters
    ----------
    celsius : array_like of shape (...)
        Temperatures. [degC]
    melting : array_like of shape (...)
        Melting points; NaN for what has no crystals. They broadcast. [degC]
    entropy : array_like of shape (...)
        Entropies of fusion at the melting points. [J/(mol K)]
    heat_capacity : float
        Change of the heat capacity on melting as a share of the entropy of fusion. [-]

    Returns
    -------
    ndarray of shape (...)
        0 at the melting point, negative below; infinite where there are no crystals. [-]

    Raises
    ------
    InputError
        When an entropy is negative, or a temperature lies below absolute zero.

    Examples
    --------
    Naphthalene (80.2 degC, 19.1 kJ/mol) at 25 degC, ideal: a mole fraction of 0.31.

    >>> float(np.exp(ln_crystal(25.0, 80.2, 19100 / 353.4, heat_capacity=0.0)))
    0.3
    """
    warmth = checks.temperatures(celsius) + 273.15
    melts, gained = _check_crystals(melting, entropy)
    share = checks.number(heat_capacity, "heat_capacity", "", low=0.0, high=1.0)
    try:
        ratio = (melts + 273.15) / warmth
        above = ratio - 1.0
        value = -gained / GAS_CONSTANT * (above - share * (above - np.log(ratio)))
    except ValueError:
        message = (
            f"celsius has shape {warmth.shape}, melting {melts.shape} and entropy {gained.shape}; they do not fit,"
            " add axes of length 1"
        )
        raise InputError(message) from None
    return np.where(np.isnan(value), np.inf, value)


def _check_crystals(melting: ArrayLike, entropy: ArrayLike) -> tuple[Array, Array]:
    """Return melting points and entropies of fusion after checking them; NaN is what is not known."""
    melts, gained = checks.array(melting, "melting", "(...)"), checks.array(entropy, "entropy", "(...)")
    if not np.all((melts > -273.15) & (melts <= MOST_MELTING) | np.isnan(melts)):
        expected = f"temperatures above absolute zero and up to {MOST_MELTING:g} degC, NaN for none"
        raise checks.refuse(melting, "melting", expected)
    if not np.all((gained >= 0) & (gained <= MOST_ENTROPY) | np.isnan(gained)):
        raise checks.refuse(entropy, "entropy", f"numbers from 0 to {MOST_ENTROPY:g} J/(mol K)")
    return melts, gained


def crystal_point(
    start: ArrayLike,
    added: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    crystals: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> CrystalPoint:
    """Return where the first crystals appear when one mixture is added to another: a solid to a solvent.

    The lowest share counts. Where the mixture has parted into liquids before, there are two liquids first: ask
    `cloud_point` too, and take the smaller.

    Parameters
    ----------
    start, added : array_like of shape (..., n)
        Volume fractions of both in the same n components; leading axes broadcast. [-]
    volumes, hsp, celsius, alpha, sites
        As in `spinodal_index`; leading axes broadcast.
    crystals : array_like of shape (..., n)
        ln of the activities of the crystals at the temperature, from `ln_crystal`; infinite for none. [-]

    Returns
    -------
    CrystalPoint

    Raises
    ------
    InputError
        As in `spinodal_index`, and when shapes do not fit.

    Examples
    --------
    A solid of ln activity -2 in an ideal solvent of equal volume: a mole fraction of 0.135.

    >>> found = crystal_point([1, 0], [0, 1], [100, 100], [[17, 4, 4]] * 2, [np.inf, -2.0])
    >>> float(found.fraction.round(3)), int(found.component)
    (0.135, 1)
    """
    first, last = check_fractions(start), check_fractions(added)
    gather(first, volumes, hsp, celsius, alpha, sites)  # checks them
    edge = checks.array(crystals, "crystals", "(..., n)")
    if np.any(np.isnan(edge)):
        raise checks.refuse(crystals, "crystals", "numbers, infinite for no crystals")
    warmth = checks.temperatures(celsius)
    n = first.shape[-1]
    try:
        if edge.shape[-1:] != (n,) or last.shape[-1] != n:
            raise ValueError
        shape = np.broadcast_shapes(
            first.shape, last.shape, edge.shape, np.shape(volumes), np.shape(hsp)[:-1], (*warmth.shape, 1),
            (*np.shape(alpha), 1) if alpha is not None else (1,),
        )  # fmt: skip
    except ValueError:
        message = (
            f"start has shape {first.shape}, added {last.shape} and crystals {edge.shape}; expected (..., n) with the"
            " same components in all"
        )
        raise InputError(message) from None

    def excess(share: Array) -> Array:
        """Return ln of the supersaturation (..., s, n) at shares (..., s) of the addition."""
        inside = first[..., None, :] + share[..., None] * (last - first)[..., None, :]
        ln = ln_activity(
            np.maximum(inside, 0.0) / np.maximum(inside, 0.0).sum(axis=-1, keepdims=True),
            np.asarray(volumes)[..., None, :],
            np.asarray(hsp)[..., None, :, :],
            celsius=warmth[..., None],
            alpha=None if alpha is None else np.asarray(alpha)[..., None],
            sites=sites,
        )
        with np.errstate(invalid="ignore"):
            return np.where(np.isneginf(ln), -np.inf, ln - edge[..., None, :])

    shares = np.broadcast_to(_SHARES, (*shape[:-1], _SHARES.size))
    low, high, found = _bracket(excess(shares).max(axis=-1) >= 0.0, shares)
    low, high = _closed(lambda places: excess(places).max(axis=-1) >= 0.0, low, high, geometric=True)
    component = np.where(found, excess(high[..., None])[..., 0, :].argmax(axis=-1), -1)
    return CrystalPoint(np.where(found, high, 1.0)[()], found[()], component[()])


def liquidus(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    melting: ArrayLike,
    entropy: ArrayLike,
    *,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
    heat_capacity: float = HEAT_CAPACITY,
) -> Liquidus:
    """Return the temperature at which mixtures bear their first crystals on cooling.

    Parameters
    ----------
    fractions, volumes, hsp, alpha, sites
        As in `spinodal_index`.
    melting, entropy : array_like of shape (..., n)
        Melting points [degC], NaN for what has no crystals, and entropies of fusion [J/(mol K)].
    heat_capacity : float
        As in `ln_crystal`. [-]

    Returns
    -------
    Liquidus

    Raises
    ------
    InputError
        As in `spinodal_index` and `ln_crystal`.

    Examples
    --------
    Two solids that melt at 50 degC, in equal amounts: they melt together well below.

    >>> found = liquidus([0.5, 0.5], [150, 150], [[17, 4, 8]] * 2, [50.0, 50.0], [60.0, 60.0])
    >>> float(found.celsius.round(1))
    21.1
    """
    shares = check_fractions(fractions)
    gather(shares, volumes, hsp, 25.0, alpha, sites)  # checks them
    melts, gained = _check_crystals(melting, entropy)
    n = shares.shape[-1]
    try:
        if melts.shape[-1:] != (n,) or gained.shape[-1:] != (n,):
            raise ValueError
        shape = np.broadcast_shapes(
            shares.shape, melts.shape, gained.shape, np.shape(volumes), np.shape(hsp)[:-1],
            (*np.shape(alpha), 1) if alpha is not None else (1,),
        )  # fmt: skip
    except ValueError:
        message = (
            f"fractions has shape {shares.shape}, melting {melts.shape} and entropy {gained.shape}; expected (..., n)"
            " the same n"
        )
        raise InputError(message) from None
    there = np.broadcast_to(np.where(shares > 0, melts, np.nan), shape)
    with np.errstate(invalid="ignore"):
        warmest = np.fmax.reduce(np.where(np.isnan(there), COLDEST, there), axis=-1)

    def excess(celsius: Array) -> Array:
        """Return ln of the supersaturation (..., s, n) at temperatures (..., s)."""
        edge = ln_crystal(celsius[..., None], melts[..., None, :], gained[..., None, :],
                          heat_capacity=heat_capacity)  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ExtrapolationWarning)  # where it ends is told, not where it was looked
            ln = ln_activity(
                shares[..., None, :],
                np.asarray(volumes)[..., None, :],
                np.asarray(hsp)[..., None, :, :],
                celsius=celsius,
                alpha=None if alpha is None else np.asarray(alpha)[..., None],
                sites=sites,
            )
        with np.errstate(invalid="ignore"):
            return np.where(np.isneginf(ln), -np.inf, ln - edge)

    # from the warmest melting point down
    cooled = warmest[..., None] - (warmest - COLDEST)[..., None] * np.linspace(0.0, 1.0, _TEMPERATURES)
    warm, cold, found = _bracket(excess(cooled).max(axis=-1) >= 0.0, cooled)
    warm, cold = _closed(lambda places: excess(places).max(axis=-1) >= 0.0, warm, cold, geometric=False)
    component = np.where(found, excess(cold[..., None])[..., 0, :].argmax(axis=-1), -1)
    return Liquidus(np.where(found, cold, np.nan)[()], component[()])


def _bracket(beyond: NDArray[np.bool_], places: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Return the last place before the first that lies beyond (..., s), that place, and whether there is one."""
    found = np.asarray(beyond.any(axis=-1))
    at = np.where(found, beyond.argmax(axis=-1), places.shape[-1] - 1)
    high = np.take_along_axis(places, at[..., None], axis=-1)[..., 0]
    low = np.take_along_axis(places, np.maximum(at - 1, 0)[..., None], axis=-1)[..., 0]
    return low, high, found


def _closed(
    beyond: Callable[[Array], NDArray[np.bool_]], low: Array, high: Array, *, geometric: bool
) -> tuple[Array, Array]:
    """Return the bracket (...) of the place from which on it lies beyond (..., s), cut in parts until it is a point."""
    inside = np.linspace(0.0, 1.0, _PARTS + 1)
    for _ in range(_CUTS):
        start, end = low[..., None], high[..., None]
        places = start + (end - start) * inside
        if geometric:
            with np.errstate(divide="ignore", invalid="ignore"):
                places = np.where(start > 0, start * (end / start) ** inside, places)
        places[..., 0], places[..., -1] = low, high
        over = beyond(places[..., 1:-1])
        first = np.where(over.any(axis=-1), over.argmax(axis=-1), _PARTS - 1)[..., None]
        low, high = (np.take_along_axis(places, first + step, axis=-1)[..., 0] for step in (0, 1))
    return low, high
