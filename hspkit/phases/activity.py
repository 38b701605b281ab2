"""Activities of components in liquid mixtures, from the same free energy as everything else here."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from hspkit.errors import InputError
from hspkit.phases.association import Sites
from hspkit.phases.energy import Feed
from hspkit.phases.mixture import Array, check_volumes, gather

__all__ = ["ln_activity", "ln_gamma", "ln_gamma_infinite"]


def ln_gamma(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Array:
    """Return ln of the activity coefficients of all components, by mole fraction.

    ln gamma_i = ln(V_i/V) + 1 - V_i/V + V_i [a |d_i - m|^2 + A D - h_i(A, D) - (A_i D_i - h_i(A_i, D_i))], with V the
    molar volume of the mixture, m its mean d, A and D of its hydrogen bonds (`association`) and A_i and D_i those of
    the pure component. One formula serves all compositions; a component of fraction 0 gets its value at infinite
    dilution.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha, sites
        As in `spinodal_index`.

    Returns
    -------
    ndarray of shape (..., n)
        ln gamma; 0 for a pure liquid. [-]

    Raises
    ------
    InputError
        As in `spinodal_index`.

    References
    ----------
    Lindvig, Michelsen, Kontogeorgis, Fluid Phase Equilib. 203 (2002) 247-260 (from memory).

    Examples
    --------
    >>> ln_gamma([0.0, 1.0], [100.0, 100.0], [[16, 8, 8], [17, 4, 4]], alpha=0.6).round(4)
    array([0.2178, 0.    ])
    """
    mixtures = gather(fractions, volumes, hsp, celsius, alpha, sites)
    feed = Feed(mixtures)
    r, n = feed.rank, mixtures.fractions.shape[-1]
    ratio = mixtures.volumes * feed.moles[:, None]
    offset = feed.moments[..., :r] - feed.sums[:, None, :r]
    everywhere = feed.bonded_energy(feed.bonds[:, None, :])
    alone = feed.bonded_energy(feed.pure())
    each = np.arange(n)
    excess = (offset**2).sum(axis=-1) + everywhere[:, 0] - alone[:, each, each]
    answer = np.log(ratio) + 1.0 - ratio + mixtures.volumes * excess
    return answer.reshape(*mixtures.shape, n)


def ln_activity(
    fractions: ArrayLike,
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Array:
    """Return ln of the activities x gamma of all components, against the pure liquids.

    Parameters
    ----------
    fractions, volumes, hsp, celsius, alpha, sites
        As in `spinodal_index`.

    Returns
    -------
    ndarray of shape (..., n)
        ln activity, the chemical potential in units of RT; -inf for a component of fraction 0. [-]

    Raises
    ------
    InputError
        As in `spinodal_index`.

    Examples
    --------
    >>> ln_activity([0.5, 0.5], [100.0, 100.0], [[16, 8, 8], [16, 8, 8]]).round(4)
    array([-0.6931, -0.6931])
    """
    gamma = ln_gamma(fractions, volumes, hsp, celsius=celsius, alpha=alpha, sites=sites)
    amounts = np.asarray(fractions, dtype=float) / np.asarray(volumes, dtype=float)
    share = amounts / amounts.sum(axis=-1, keepdims=True)  # expansion is common to all: mole fractions keep
    with np.errstate(divide="ignore"):
        return np.log(share) + gamma


def ln_gamma_infinite(
    volumes: ArrayLike,
    hsp: ArrayLike,
    *,
    celsius: ArrayLike = 25.0,
    alpha: ArrayLike | None = None,
    sites: Sites | None = None,
) -> Array:
    """Return ln gamma at infinite dilution of each member of a pair in the other, by mole fraction.

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
    ndarray of shape (..., 2)
        ln gamma of the first dilute in the second, and of the second dilute in the first. [-]

    Raises
    ------
    InputError
        When there are not two components, and as in `spinodal_index`.

    Examples
    --------
    >>> ln_gamma_infinite([100.0, 200.0], [[16, 8, 8], [17, 4, 4]], alpha=0.6).round(3)
    array([0.025, 0.129])
    """
    sizes = check_volumes(volumes)
    if sizes.ndim < 1 or sizes.shape[-1] != 2:
        message = f"volumes has shape {sizes.shape}; expected a pair (..., 2); use ln_gamma for mixtures"
        raise InputError(message)

    def dilute(pure: list[float]) -> Array:
        return ln_gamma(pure, volumes, hsp, celsius=celsius, alpha=alpha, sites=sites)

    return np.stack([dilute([0.0, 1.0])[..., 0], dilute([1.0, 0.0])[..., 1]], axis=-1)
