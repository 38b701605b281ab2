"""Is a mixture one phase? Local (spinodal) and global (binodal) index.

The distance of the free energy from its tangent plane is a cost of unmixing, of the entropy alone, less a gain, of the
interactions alone (`energy`). The mixture is stable when no trial phase gains more than it costs. So one number says
it:

    binodal index M = largest ratio of gain to cost over all trial phases.

M < 1 is stable; with all interactions over RT divided by M the mixture would stand on its binodal. For trial phases
close to the mixture the ratio becomes the spinodal index L, so L <= M.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.phases.association import Sites
from hspkit.phases.curvature import largest_mode
from hspkit.phases.energy import Feed
from hspkit.phases.mixture import Array, Mixtures, gather
from hspkit.phases.search import local_index, search, verdicts

__all__ = [
    "BinodalDetails",
    "binodal_details",
    "binodal_index",
    "index_shares",
    "spinodal_details",
    "spinodal_index",
    "stable",
]


#: Step of ln V in the slopes of the index; judgement between rounding and curvature.
_STEP = 1e-4


@dataclass(frozen=True, slots=True)
class BinodalDetails:
    """Binodal index of mixtures, the phase that would form, and how the index answers to the parameters.

    Parameters
    ----------
    index : ndarray of shape (...)
        Binodal index M. [-]
    incipient : ndarray of shape (..., n)
        Volume fractions in the phase that pays most for unmixing: what separates first. The mixture itself
        where the spinodal index is the binodal index. [-]
    by_hsp : ndarray of shape (..., n, 3)
        d ln M / d hsp, at the parameters given for 25 degC. [MPa^-0.5]
    by_ln_volume : ndarray of shape (..., n)
        d ln M / d ln V; without sites the share of each component in the cost of unmixing, and they sum to 1. [-]
    """

    index: Array
    incipient: Array
    by_hsp: Array
    by_ln_volume: Array


def spinodal_index(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Array:
    """Return the spinodal index L of mixtures; L >= 1 means that the mixture unmixes by itself.

    L < 1 does not prove stability: between spinodal and binodal a mixture is metastable; ask `stable`.

    Parameters
    ----------
    fractions : array_like of shape (..., n)
        Volume fractions of n components; must sum to 1, zeros allowed. [-]
    volumes : array_like of shape (..., n)
        Molar volumes at 25 degC; usually (n,). Leading axes broadcast, e.g. over draws of parameters.
        [cm3/mol]
    hsp : array_like of shape (..., n, 3)
        Hansen parameters at 25 degC; usually (n, 3). [MPa^0.5]
    celsius : array_like of shape (...)
        Temperature; parameters and volumes follow it with `hansen.TYPICAL_EXPANSIVITY`. [degC]
    alpha : array_like of shape (...), optional
        Weight of the Hansen distance; `ALPHA` by default. [-]
    sites : Sites, optional
        Donors and acceptors of hydrogen bonds, as `Substance.sites` has them and `dissolve` uses them: bonds take the
        place of delta_h, and delta_p has its fitted weight. Without them, the plain Hansen distance. [-]

    Returns
    -------
    ndarray of shape (...)
        L; without sites 2a x the largest eigenvalue of the volume-weighted covariance of d; 0 for a pure component. [-]

    Raises
    ------
    InputError
        When fractions are negative, not finite or do not sum to 1, a volume is not positive, or shapes do not
        fit.

    Warns
    -----
    ExtrapolationWarning
        When a temperature is outside 0 to 100 degC.

    References
    ----------
    Lindvig, Michelsen, Kontogeorgis, Fluid Phase Equilib. 203 (2002) 247-260 (the free energy; from memory).

    Examples
    --------
    Limonene and water, half and half by volume:

    >>> float(spinodal_index([0.5, 0.5], [162.9, 18.0], [[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]], alpha=0.7))
    1.896
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha, sites)
    return local_index(mixtures).reshape(mixtures.shape)[()]


def binodal_index(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Array:
    """Return the binodal index M of mixtures: stable below 1, on the binodal at 1, unmixing above.

    M is the factor by which the interaction (alpha) exceeds what the mixture just bears, so it is smooth
    where the verdict jumps: use it for probabilities and for solving. M >= L, the spinodal index.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha, sites
        As in `spinodal_index`.

    Returns
    -------
    ndarray of shape (...)
        M; 0 for a pure component. Exact to about 1e-6 of itself; for some 3 in 10,000 random mixtures far from
        the verdict the best trial phase is missed and M is short by a few per cent. [-]

    Raises
    ------
    InputError
        As in `spinodal_index`.

    Examples
    --------
    A symmetric binary at its critical composition: both indices agree there.

    >>> float(binodal_index([0.5, 0.5], [100, 100], [[16, 0, 0], [16, 0, 20]], alpha=0.5))
    1.008
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha, sites)
    return search(mixtures).value.reshape(mixtures.shape)[()]


def stable(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> NDArray[np.bool_]:
    """Return whether mixtures stay one phase: a global test, not only the local one.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha, sites
        As in `spinodal_index`.

    Returns
    -------
    ndarray of bool, shape (...)
        True where no trial phase whatever lowers the free energy. [-]

    Raises
    ------
    InputError
        As in `spinodal_index`.

    References
    ----------
    Michelsen, Fluid Phase Equilib. 9 (1982) 1-19 (tangent-plane test; from memory).

    Examples
    --------
    Limonene in water: 1 % unmixes, and so does 0.1 %.

    >>> parameters = [[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]]
    >>> stable([[0.01, 0.99], [0.001, 0.999], [0.0, 1.0]], [162.9, 18.0], parameters)
    array([False, False,  True])
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha, sites)
    return (verdicts(mixtures)).reshape(mixtures.shape)[()]


def spinodal_details(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> BinodalDetails:
    """Return the spinodal index with its derivatives, as `binodal_details` does for the binodal one; quick.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha, sites
        As in `spinodal_index`.

    Returns
    -------
    BinodalDetails
        With the spinodal index; the incipient phase is the mixture itself.

    Raises
    ------
    InputError
        As in `spinodal_index`.

    Examples
    --------
    >>> details = spinodal_details([0.5, 0.5], [100, 100], [[16, 0, 0], [16, 0, 20]], alpha=0.5)
    >>> float(details.index), float(details.by_ln_volume.sum())
    (1.0085, 1.0)
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha, sites)
    slopes = _local_slopes(mixtures)
    return _details(mixtures, (local_index(mixtures), mixtures.fractions, *slopes), hsp, celsius, alpha, sites)


def binodal_details(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> BinodalDetails:
    """Return the binodal index with its exact derivatives and the phase that would separate.

    With a covariance S of the parameters, the standard deviation of ln M is sqrt(g S g) to first order, and
    the probability of one phase is that of ln M < 0: no draws needed. The derivative to ln alpha is 1.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha, sites
        As in `spinodal_index`.

    Returns
    -------
    BinodalDetails
        Index, incipient phase, derivatives.

    Raises
    ------
    InputError
        As in `spinodal_index`.

    Examples
    --------
    Moving water towards limonene in delta_h lets them mix more readily:

    >>> details = binodal_details([0.01, 0.99], [162.9, 18.0], [[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]])
    >>> bool(details.by_hsp[1, 2] > 0), float(details.by_ln_volume.sum())
    (True, 1.0)
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha, sites)
    best = search(mixtures)
    n, r = mixtures.fractions.shape[-1], mixtures.points.shape[-1]
    local = np.asarray(~best.fields.any(axis=-1))
    by_point = np.zeros((len(best.value), n, r))
    by_volume = np.zeros(best.fractions.shape)
    if not local.all():
        rows = ~local
        by_point[rows], by_volume[rows] = _slopes(mixtures.take(rows), best.fractions[rows])
    if local.any():
        by_point[local], by_volume[local] = _local_slopes(mixtures.take(local))
    return _details(mixtures, (best.value, best.fractions, by_point, by_volume), hsp, celsius, alpha, sites)


def _details(
    mixtures: Mixtures,
    parts: tuple[Array, Array, Array, Array],
    hsp: ArrayLike,
    celsius: ArrayLike,
    alpha: ArrayLike | None,
    sites: Sites | None,
) -> BinodalDetails:
    """Return index, phase, slopes to d and to ln V of flat mixtures in the shape of the question."""
    index, phase, by_point, by_volume = parts
    n, r = by_point.shape[1:]
    # points are the parameters times constants, which the derivative to the given ones takes along
    none = None if sites is None else Sites.none(1)
    scale = gather(np.ones(1), np.ones(1), np.ones((1, 3)), celsius, alpha, none).points
    by_hsp = np.zeros((*by_point.shape[:-1], 3))
    by_hsp[..., :r] = by_point * np.broadcast_to(scale, (len(scale), 1, r))
    return BinodalDetails(
        index.reshape(mixtures.shape)[()],
        phase.reshape(*mixtures.shape, n),
        by_hsp.reshape(*mixtures.shape, n, 3),
        by_volume.reshape(*mixtures.shape, n),
    )


def _slopes(mixtures: Mixtures, phase: Array) -> tuple[Array, Array]:
    """Return d ln M/d d (b, n, r) and d ln M/d ln V (b, n) at trial phases (b, n), which may be held fixed."""
    here = Feed(mixtures).phases(phase[:, None, :])
    gain = here.gain[:, 0]
    change = phase - mixtures.fractions
    by_point = 2.0 * change[..., None] * here.shift[:, :1] / gain[:, None, None]

    def index(moved: Mixtures) -> Array:
        there = Feed(moved).phases(phase[:, None, :])
        return np.log(there.gain[:, 0] / there.cost[:, 0])

    return by_point, _by_volume(mixtures, index)


def _local_slopes(mixtures: Mixtures) -> tuple[Array, Array]:
    """Return the same where the best trial phase is the mixture itself: slopes of the spinodal index."""
    feed = Feed(mixtures)
    spread, worth = feed.curvature()
    _, mode = largest_mode(spread, worth)
    weight = mixtures.volumes * mixtures.fractions
    features = feed.features()
    offset = features - np.matmul(weight[:, None, :], features) / weight.sum(axis=-1)[:, None, None]
    along = np.einsum("bnk,bk->bn", offset, mode)
    total = np.maximum((weight * along**2).sum(axis=-1), 1e-300)
    by_point = 2.0 * (weight * along)[..., None] * mode[:, None, : feed.rank] / total[:, None, None]
    # of a volume, only what it does to the entropy; what it does to the densities of sites is small beside it
    return by_point, weight * along**2 / total[:, None]


def _by_volume(mixtures: Mixtures, index: Callable[[Mixtures], Array]) -> Array:
    """Return the slopes (b, n) of a logarithm of an index to ln V of each component, by central differences."""
    n = mixtures.fractions.shape[-1]
    answer = np.zeros((len(mixtures.fractions), n))
    for component in range(n):
        ends = []
        for step in (_STEP, -_STEP):
            factor = np.ones(n)
            factor[component] = np.exp(step)
            ends.append(
                index(
                    replace(
                        mixtures,
                        volumes=mixtures.volumes * factor,
                        donors=mixtures.donors / factor[:, None],
                        acceptors=mixtures.acceptors / factor[:, None],
                    )
                )
            )
        answer[:, component] = (ends[0] - ends[1]) / (2.0 * _STEP)
    return answer


def index_shares(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    sites: Sites | None = None,
) -> NDArray[np.float64]:
    """Return what each component contributes to the fluctuation of composition nearest to unmixing.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, sites
        As in `spinodal_index`.

    Returns
    -------
    ndarray of shape (..., n)
        Shares of sum V_i phi_i (g.e_i)^2, with g the fields of that fluctuation and e_i the coordinates and bonds of a
        component less their mean; they sum to 1, all zero where the index is zero. [-]

    Examples
    --------
    In equal volumes of water and limonene the large molecule weighs more:

    >>> index_shares([0.5, 0.5], [162.9, 18.0], [[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]]).round(2)
    array([0.1, 0.9])
    """
    mixtures = gather(fractions, volumes, hsp, celsius, sites=sites)
    feed = Feed(mixtures)
    spread, worth = feed.curvature()
    _, mode = largest_mode(spread, worth)
    weight = mixtures.volumes * mixtures.fractions
    features = feed.features()
    offset = features - np.matmul(weight[:, None, :], features) / weight.sum(axis=-1)[:, None, None]
    parts = weight * np.einsum("bnk,bk->bn", offset, mode) ** 2
    total = parts.sum(axis=1, keepdims=True)
    shares = np.divide(parts, total, out=np.zeros_like(parts), where=total > 0)
    return shares.reshape(*mixtures.shape, shares.shape[1])
