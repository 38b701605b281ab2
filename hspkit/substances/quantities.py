"""Quantities of a substance: their columns, units and the bounds of what can be meant."""

from __future__ import annotations

from typing import Any, NamedTuple

from hspkit import checks

__all__ = [
    "HSP_COLUMNS",
    "PLAIN_VALUES",
    "PLAUSIBLE",
    "PUBLISHED_SD",
    "UNITS",
    "VOLUME_SD",
    "Value",
    "plausible_number",
]

#: Standard deviations of a published delta_d, delta_p, delta_h [MPa^0.5]. Tables do not state any. With these
#: the total of a table value scatters by 0.92; against the totals that enthalpies of vaporisation of the
#: shipped aroma compounds give, 68 % of the tables' totals lie within 0.90 (tests/test_substances.py).
PUBLISHED_SD = (0.5, 1.6, 1.6)
#: Relative standard deviation of a molar volume by the kind of the source of its density: a handbook density
#: corrected over a few kelvin, or a computed one; a recalled one; that of a mixture of which the structure is one
#: molecule. A judgement.
VOLUME_SD = {"read": 0.005, "computed": 0.005, "memory": 0.02, "mixture": 0.05}
#: Beyond these a user's figure is in another unit (kg/m3, kelvin) or a slip; generous on both sides.
PLAUSIBLE = {
    "density_g_mL": (0.3, 4.0),
    "volume_cm3_mol": (10.0, 5000.0),
    "melting_C": (-220.0, 1000.0),
    "boiling_C": (-200.0, 1000.0),
    "flash_C": (-150.0, 600.0),
    "log_p": (-10.0, 25.0),
    "delta_d": (5.0, 30.0),
    "delta_p": (0.0, 50.0),
    "delta_h": (0.0, 60.0),
}
HSP_COLUMNS = ("delta_d", "delta_p", "delta_h")
UNITS = {
    "delta_d": "MPa^0.5", "delta_p": "MPa^0.5", "delta_h": "MPa^0.5", "volume": "cm3/mol", "density": "g/mL",
    "molar_mass": "g/mol", "log_p": "-", "water_solubility": "mg/L", "melting_celsius": "degC",
    "boiling_celsius": "degC", "flash_celsius": "degC", "vaporisation_enthalpy": "kJ/mol",
}  # fmt: skip
#: Quantity, its column in ``substances.csv`` and the column of its source key.
PLAIN_VALUES = (
    ("volume", "volume_cm3_mol", "volume_source"),
    ("density", "density_g_mL", "density_source"),
    ("molar_mass", "molar_mass_g_mol", "molar_mass_source"),
    ("log_p", "log_p", "log_p_source"),
    ("melting_celsius", "melting_C", "melting_source"),
    ("boiling_celsius", "boiling_C", "boiling_source"),
    ("flash_celsius", "flash_C", "flash_source"),
)


class Value(NamedTuple):
    """One number about a substance: what it is, its unit, where it comes from, whether it is used."""

    quantity: str
    value: float
    unit: str
    sd: float | None
    used: bool
    source: str
    note: str


def plausible_number(value: Any, name: str, column: str) -> float:
    """Return a number within the bounds of a column (`PLAUSIBLE`), or raise InputError."""
    low, high = PLAUSIBLE[column]
    expected = f"{low:g} to {high:g} {UNITS.get(name, '')}".rstrip()
    return checks.number(value, name, "", low=low, high=high, expected=expected)
