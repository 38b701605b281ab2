"""Quantities of a substance: their columns, units and the bounds of what can be meant."""

from __future__ import annotations

from typing import Any

from hspkit import checks

__all__ = ["HSP_COLUMNS", "PLAIN_VALUES", "PLAUSIBLE", "UNITS", "plausible_number"]

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


def plausible_number(value: Any, name: str, column: str) -> float:
    low, high = PLAUSIBLE[column]
    expected = f"{low:g} to {high:g} {UNITS.get(name, '')}".rstrip()
    return checks.number(value, name, "", low=low, high=high, expected=expected)
