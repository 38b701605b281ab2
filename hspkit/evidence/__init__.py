"""Evidence: a prior, published or estimated, reconciled with measured facts through the free energy of `phases`.

`Evidence` is one measured fact, `reconcile` does it for one substance in milliseconds. All shipped substances are
reconciled together by ``python -m hspkit.workshop reconciled``, with constants from ``python -m hspkit.workshop
constants``; `hspkit.substances` reads the result.
"""

from hspkit.evidence.measured import Evidence
from hspkit.evidence.reconcile import Reconciled, Residual, reconcile

__all__ = ["Evidence", "Reconciled", "Residual", "reconcile"]
