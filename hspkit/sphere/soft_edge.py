"""Outcomes near the surface of a sphere are a matter of chance: the likelihood of a sphere with a soft edge.

With x = (R - Ra)/s, the depth of a trial in units of the softness s,

    P(clear) = 1/(1 + exp(K - x)),   P(splits) = 1/(1 + exp(K + x)),   P(hazy) = the rest,

a cumulative logit model. K = ln 2 makes the three equally likely on the surface; where nobody has noted a hazy trial
K = 0, because haze was then no choice. Log-likelihoods are concave in R. The softness is unknown too; its logarithm has
a normal prior, because trials that do not contradict each other say only that it is small.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from hspkit.sphere.descent import Problem

__all__ = ["HAZY_WIDTH", "SOFTNESS", "SOFTNESS_SD_LN", "log_likelihood", "log_prior", "probabilities", "problem"]

Array = NDArray[np.float64]

HAZY_WIDTH = float(np.log(2.0))
#: Median and spread of ln of the softness before any trial [MPa^0.5; -]. Parameters of common liquids are known to some
#: tenths of a unit and trials are read by eye; the spread leaves 0.07 to 3.7 inside two standard deviations.
SOFTNESS, SOFTNESS_SD_LN = 0.5, 1.0


def probabilities(apart: Array, radius: Array, softness: Array, width: float) -> Array:
    """Return probabilities of clear, hazy, splits, shape (..., 3).

    Parameters
    ----------
    apart : ndarray of shape (...)
        Ra of the liquid to the centre. [MPa^0.5]
    radius, softness : ndarray of shape (...)
        R0 and s. [MPa^0.5]
    width : float
        K above. [-]

    Examples
    --------
    >>> probabilities(np.array(8.0), np.array(8.0), np.array(0.5), HAZY_WIDTH).round(3)
    array([0.333, 0.333, 0.333])
    """
    depth = (radius - apart) / softness
    clear = 0.5 * (1.0 + np.tanh(0.5 * (depth - width)))
    splits = 0.5 * (1.0 + np.tanh(0.5 * (-depth - width)))
    return np.stack([clear, np.maximum(1.0 - clear - splits, 0.0), splits], axis=-1)


def _log_terms(depth: Array, kinds: NDArray[np.intp], width: float) -> Array:
    """Return ln P of each outcome; the last axis runs over trials."""
    terms = np.empty_like(depth)
    clear, hazy, splits = kinds == 0, kinds == 1, kinds == 2
    terms[..., clear] = -np.logaddexp(0.0, width - depth[..., clear])
    terms[..., splits] = -np.logaddexp(0.0, width + depth[..., splits])
    if np.any(hazy):  # sinh K / (cosh x + cosh K)
        size = np.abs(depth[..., hazy])
        rest = np.log1p(np.exp(-2.0 * size) + 2.0 * np.cosh(width) * np.exp(-size))
        terms[..., hazy] = np.log(2.0 * np.sinh(width)) - size - rest
    return terms


def log_likelihood(spheres: Array, points: Array, kinds: NDArray[np.intp], width: float) -> Array:
    """Return the log-likelihood (m,) of spheres (m, 5): centre, stretched, radius, ln softness."""
    apart = np.sqrt(((spheres[:, None, :3] - points) ** 2).sum(axis=2))
    depth = (spheres[:, 3:4] - apart) * np.exp(-spheres[:, 4:5])
    return _log_terms(depth, kinds, width).sum(axis=1)


def log_prior(spheres: Array) -> Array:
    """Return the log-density (m,) of the softness of spheres (m, 5) before any trial, without its constant."""
    return -0.5 * ((spheres[:, 4] - np.log(SOFTNESS)) / SOFTNESS_SD_LN) ** 2


def problem(points: Array, kinds: NDArray[np.intp], width: float) -> Problem:
    """Return minus the log-likelihood and log-prior of (centre, radius, ln softness) for `descent.minimise`."""
    hazy = kinds == 1
    sign = np.where(kinds == 0, 1.0, -1.0)
    identity = np.eye(3)

    def evaluate(spheres: Array) -> tuple[Array, Array, Array]:
        difference = spheres[:, None, :3] - points
        apart = np.maximum(np.sqrt((difference**2).sum(axis=2)), 1e-9)
        unit = difference / apart[..., None]
        scale = np.exp(-spheres[:, 4:5])
        depth = (spheres[:, 3:4] - apart) * scale
        off = np.tanh(0.5 * (width - sign * depth))  # 2 sigmoid - 1
        first = -0.5 * sign * (1.0 + off)  # of minus ln P by depth
        second = 0.25 * (1.0 - off**2)
        if np.any(hazy):
            size = depth[:, hazy]
            up, down = np.tanh(0.5 * (size + width)), np.tanh(0.5 * (size - width))
            first[:, hazy] = 0.5 * (up + down)
            second[:, hazy] = 0.25 * (2.0 - up**2 - down**2)
        # minus ln P by u = (centre, radius): depth' = scale (-unit, 1); by ln s: depth' = -depth
        along = np.concatenate([-unit * scale[..., None], np.broadcast_to(scale[..., None], (*apart.shape, 1))], axis=2)
        along = np.concatenate([along, -depth[..., None]], axis=2)
        slope = np.matmul(first[:, None, :], along)[:, 0]
        bend = np.matmul(along.transpose(0, 2, 1) * second[:, None, :], along)
        curl = first * scale / apart
        bend[:, :3, :3] -= curl.sum(axis=1)[:, None, None] * identity
        bend[:, :3, :3] += np.matmul(unit.transpose(0, 2, 1) * curl[:, None, :], unit)
        mixed = -np.matmul(first[:, None, :], along[..., :4])[:, 0]  # d2 depth / (du dln s) = -d depth / du
        bend[:, :4, 4] += mixed
        bend[:, 4, :4] += mixed
        bend[:, 4, 4] += (first * depth).sum(axis=1)
        value = -_log_terms(depth, kinds, width).sum(axis=1) - log_prior(spheres)
        slope[:, 4] += (spheres[:, 4] - np.log(SOFTNESS)) / SOFTNESS_SD_LN**2
        bend[:, 4, 4] += 1.0 / SOFTNESS_SD_LN**2
        return value, slope, bend

    return evaluate
