"""How well scores tell two kinds apart, and how two rankings agree."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["balanced", "rank_correlation", "roc_auc"]

Array = NDArray[np.float64]


def roc_auc(score: Array, positive: NDArray[np.bool_]) -> float:
    """Return the area under the ROC curve: the chance that a positive one scores above a bad one, ties half."""
    above = score[positive][:, None] - score[~positive][None, :]
    return float(np.mean((above > 0) + 0.5 * (above == 0)))


def balanced(score: Array, positive: NDArray[np.bool_]) -> float:
    """Return the mean of the shares of positive and of bad ones that a score of 0 separates rightly."""
    return float(0.5 * (np.mean(score[positive] > 0) + np.mean(score[~positive] <= 0)))


def rank_correlation(a: Array, b: Array) -> float:
    """Return Spearman's rank correlation."""
    from scipy.stats import spearmanr

    return float(spearmanr(a, b)[0])
