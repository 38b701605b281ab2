"""Three liquids: where the whole triangle is clear, and the tie lines where it is not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import checks
from hspkit.errors import InputError
from hspkit.phases.association import Sites
from hspkit.phases.mixture import Array, gather
from hspkit.phases.search import search
from hspkit.phases.splitting import solve as solve_split

__all__ = ["TernaryDiagram", "ternary_diagram"]

#: Tie lines are taken from unstable mixtures on a grid of this step, and thinned to this distance between
#: their ends.
_TIE_STEP = 0.05
_TIE_DISTANCE = 0.06


@dataclass(frozen=True, slots=True)
class TernaryDiagram:
    """Phase diagram of three liquids.

    Parameters
    ----------
    fractions : ndarray of shape (k, 3)
        Volume fractions of the grid over the triangle. [-]
    index : ndarray of shape (k,)
        Binodal index there; the binodal is its contour at 1. [-]
    stable : ndarray of bool, shape (k,)
        Whether the mixture is one phase. [-]
    tie_lines : ndarray of shape (t, 2, 3)
        Pairs of phases in equilibrium, spread over the two-phase region. [-]
    triangles : ndarray of shape (u, 3, 3)
        Three phases in equilibrium; a mixture within the triangle separates into them. [-]
    """

    fractions: Array
    index: Array
    stable: NDArray[np.bool_]
    tie_lines: Array
    triangles: Array


def _grid(parts: int) -> Array:
    first, second = np.meshgrid(np.arange(parts + 1), np.arange(parts + 1), indexing="ij")
    inside = first + second <= parts
    whole = np.stack([first[inside], second[inside], parts - first[inside] - second[inside]], axis=-1)
    return whole / parts


def _thin(ends: Array) -> Array:
    """Keep tie lines (t, 2, 3) whose ends both lie close to those of one already kept only once."""
    kept: list[Array] = []
    for line in ends:
        if all(np.abs(line - other).sum(axis=-1).max() > _TIE_DISTANCE for other in kept):
            kept.append(line)
    return np.array(kept).reshape(-1, *ends.shape[1:])


def ternary_diagram(
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    step: float = 0.01,
    celsius: float = 25.0,
    alpha: float | None = None,
    sites: Sites | None = None,
) -> TernaryDiagram:
    """Return the phase diagram of three liquids.

    Parameters
    ----------
    volumes : array_like of shape (3,)
        Molar volumes at 25 degC. [cm3/mol]
    hsp : array_like of shape (3, 3)
        Hansen parameters at 25 degC, as in `spinodal_index`. [MPa^0.5]
    step : float
        Step of the grid, 0.001 to 0.5; rounded so that it divides 1. [-]
    celsius, alpha, sites
        As in `spinodal_index`.

    Returns
    -------
    TernaryDiagram
        Index and verdict on the grid, tie lines, three-phase triangles.

    Raises
    ------
    InputError
        When there are not three components, the step is outside its range, and as in `spinodal_index`.

    Examples
    --------
    >>> parameters = [[17.2, 1.8, 4.3], [15.8, 8.8, 19.4], [15.5, 16.0, 42.3]]
    >>> diagram = ternary_diagram([162.9, 58.5, 18.0], parameters, alpha=0.7)
    >>> diagram.fractions.shape, round(float(diagram.stable.mean()), 2), len(diagram.triangles)
    ((5151, 3), 0.18, 0)
    """
    sizes, points = checks.array(volumes, "volumes", "(3,)"), checks.array(hsp, "hsp", "(3, 3)")
    if sizes.shape != (3,) or points.shape != (3, 3):
        message = f"volumes has shape {sizes.shape} and hsp {points.shape}; expected (3,) and (3, 3)"
        raise InputError(message)
    grid = _grid(round(1.0 / checks.number(step, "step", "such as 0.01", low=0.001, high=0.5)))
    mixtures = gather(grid, volumes, hsp, celsius, alpha, sites)
    index = search(mixtures).value
    feeds = _grid(round(1.0 / _TIE_STEP))
    found, _, sure = solve_split(gather(feeds, volumes, hsp, celsius, alpha, sites))
    pairs, triples = [], []
    for parts, fine in zip(found, sure, strict=True):
        if not fine or len(parts) < 2:
            continue
        inside = parts / parts.sum(axis=-1, keepdims=True)
        # a fixed order of the ends, so that equal tie lines look equal
        inside = inside[np.lexsort(inside.round(9).T)]
        if len(parts) == 2:
            pairs.append(inside)
        elif len(parts) == 3:
            triples.append(inside)
    lines = _thin(np.array(pairs).reshape(-1, 2, 3))
    triangles = _thin(np.array(triples).reshape(-1, 3, 3))
    return TernaryDiagram(grid, index, index < 1.0, lines, triangles)
