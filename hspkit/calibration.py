"""The fitted constants of the free energy and of its misfit, one row of ``calibration.csv`` each."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from hspkit import data
from hspkit.errors import DataFileError

__all__ = ["GAS_CONSTANT", "LAPSE", "Calibration", "calibration"]

Array = NDArray[np.float64]

#: Molar gas constant [J/(mol K)]; the same number in [MPa cm3/(mol K)]. CODATA 2018, exact by definition.
GAS_CONSTANT = 8.31446261815324
#: Share of statements "mixes" or "does not mix" that may be plainly wrong, in both directions; judgement, no source.
LAPSE = 0.01


class Calibration(NamedTuple):
    """The constants; what each is and where it comes from stands in ``calibration.csv``.

    Those of the free energy: ``alpha`` and ``weight_polar`` of the distance, ``bond_strength`` Delta of two sites of
    strength 1 at 25 C [cm3/mol], the ``bond_enthalpy`` by which it falls with temperature
    [J/mol]. Those of its misfit: standard deviations ``sd_...`` by kind of evidence. Those of the priors.
    """

    alpha: float
    weight_polar: float
    bond_strength: float
    bond_enthalpy: float
    sd_activity: float
    sd_water_solubility: float
    sd_liquid_solubility: float
    sd_transfer: float
    sd_log_p: float
    sd_internal_bond: float
    sd_total: float
    sd_mixing: float
    published_sd_d: float
    published_sd_p: float
    published_sd_h: float
    water_sd_scale: float
    polyol_sd_scale: float
    estimate_sd_scale: float
    shared_deviation: float
    similarity_length: float

    def bond_at(self, celsius: ArrayLike) -> Array:
        """Return Delta at a temperature. [cm3/mol]

        Parameters
        ----------
        celsius : array_like of shape (...)
            Temperature. [degC]

        Examples
        --------
        >>> bool(calibration().bond_at(10.0) > calibration().bond_at(40.0))
        True
        """
        kelvin = np.asarray(celsius, dtype=float) + 273.15
        return np.asarray(
            self.bond_strength * np.exp(self.bond_enthalpy / GAS_CONSTANT * (1.0 / kelvin - 1.0 / 298.15))
        )


@cache
def calibration() -> Calibration:
    """Return the constants of ``calibration.csv``.

    Examples
    --------
    >>> 0.5 < calibration().alpha < 0.8
    True
    """
    fitted = {row["constant"]: row["value"] for row in data.read_table("calibration.csv").rows}
    missing = [name for name in Calibration._fields if name not in fitted]
    if missing:
        message = f"calibration.csv lacks {', '.join(missing)}; rebuild it with python -m hspkit.workshop constants"
        raise DataFileError(message)
    return Calibration(*(float(fitted[name]) for name in Calibration._fields))
