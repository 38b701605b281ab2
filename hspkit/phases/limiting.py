"""Which components bring a mixture to the limit of stability."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit.phases.mixture import gather
from hspkit.phases.tilts import covariance, modes

__all__ = ["index_shares"]


def index_shares(
    fractions: ArrayLike, volumes: ArrayLike, hsp: ArrayLike, *, celsius: ArrayLike = 25.0
) -> NDArray[np.float64]:
    """Return what each component contributes to the spinodal index.

    With u the direction in Hansen space along which the mixture is nearest to unmixing and dbar the mean of d
    weighted with V phi, the index is the exact sum L = 2a sum_i V_i phi_i (u.(d_i - dbar))^2.

    Parameters
    ----------
    fractions : array_like of shape (..., n)
        Volume fractions. [-]
    volumes : array_like of shape (n,) or (..., n)
        Molar volumes. [cm3/mol]
    hsp : array_like of shape (n, 3) or (..., n, 3)
        Hansen parameters at 25 C. [MPa^0.5]
    celsius : array_like of shape (...)
        Temperature. [degC]

    Returns
    -------
    ndarray of shape (..., n)
        Shares that sum to 1; all zero where the index is zero. [-]

    Examples
    --------
    In equal volumes of water and limonene the large molecule weighs more:

    >>> index_shares([0.5, 0.5], [162.9, 18.0], [[17.2, 1.8, 4.3], [15.5, 16.0, 42.3]]).round(2)
    array([0.1, 0.9])
    """
    mixtures = gather(fractions, volumes, hsp, celsius)
    weight = mixtures.fractions * mixtures.volumes
    mean = np.matmul(weight[:, None, :], mixtures.points) / weight.sum(axis=1)[:, None, None]
    direction = modes(covariance(mixtures))[1][..., -1]
    parts = weight * np.matmul(mixtures.points - mean, direction[..., None])[..., 0] ** 2
    total = parts.sum(axis=1, keepdims=True)
    shares = np.divide(parts, total, out=np.zeros_like(parts), where=total > 0)
    return shares.reshape(*mixtures.shape, shares.shape[1])
