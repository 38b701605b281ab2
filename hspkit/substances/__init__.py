"""Substances: what is known about a molecule, each number with its source.

`substance` finds a shipped substance by name, CAS number or SMILES, or estimates an unknown structure.
`Substance` holds one; users make their own the same way, or a whole csv of them with `Substance.from_csv`.
"""

from __future__ import annotations

from hspkit.substances.model import Substance
from hspkit.substances.quantities import PUBLISHED_SD, Value
from hspkit.substances.shipped import index, substance, substances

__all__ = ["PUBLISHED_SD", "Substance", "Value", "index", "substance", "substances"]
