"""Evidence: a prior, published or estimated, reconciled with measured facts through the free energy of `phases`.

`Evidence` is one measured fact, `reconcile` does it for one substance in milliseconds. All shipped substances are
reconciled together by ``python -m hspkit.workshop.reconciled``, with constants from ``python -m
hspkit.workshop.constants``; `liquid` reads the result.
"""

from hspkit.evidence.informed import informed, liquid
from hspkit.evidence.pieces import Evidence, Piece
from hspkit.evidence.reconcile import Reconciled, Residual, posterior, reconcile
from hspkit.substances.shipped import covariance_of
from hspkit.theory import Calibration, calibration

__all__ = [
    "Calibration",
    "Evidence",
    "Piece",
    "Reconciled",
    "Residual",
    "calibration",
    "covariance_of",
    "informed",
    "liquid",
    "posterior",
    "reconcile",
]
