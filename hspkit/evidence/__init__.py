"""Evidence: a prior, published or estimated, reconciled with measured facts through the free energy of `phases`.

`Evidence` is one measured fact, `reconcile` does it for one substance in milliseconds. All shipped substances are
reconciled together by ``python -m hspkit.workshop.reconciled``, with constants from ``python -m
hspkit.workshop.constants``; `liquid` reads the result.
"""

from hspkit.evidence.pieces import Evidence, Piece, Target
from hspkit.evidence.reconcile import Reconciled, Residual, posterior, reconcile
from hspkit.evidence.shipped import Liquid, covariance_of, informed, liquid
from hspkit.evidence.theory import Calibration, calibration

__all__ = [
    "Calibration",
    "Evidence",
    "Liquid",
    "Piece",
    "Reconciled",
    "Residual",
    "Target",
    "calibration",
    "covariance_of",
    "informed",
    "liquid",
    "posterior",
    "reconcile",
]
