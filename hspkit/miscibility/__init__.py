"""Does it dissolve: `clear`, `hazy`, `splits` or unknown, with a probability and the components that limit it.

A mixture is looked at as what it is: every component of the oil and of the carrier with its own volume and Hansen
parameters. The free energy is that of `hspkit.phases`. What is uncertain in the parameters, and how far the theory
itself misses, are drawn and counted (`hspkit.belief`).
"""

from hspkit.belief import DRAWS, THEORY_SD_LN
from hspkit.miscibility.alcohol import ethanol_strength_to_clear
from hspkit.miscibility.dissolving import (
    CELSIUS_RANGE,
    check_celsius,
    check_parts,
    dissolve,
    outcome_chances,
    stock_margin,
)
from hspkit.miscibility.extent import HAZE_VOLUME
from hspkit.miscibility.margin import Margin, margin_of
from hspkit.miscibility.outcome import UNDECIDED, Outcome
from hspkit.miscibility.space import interaction_radius
from hspkit.mixture import (
    Component,
    Mixture,
    carrier_substances,
    liquid_key,
    oil_members,
)
from hspkit.oils import RESIDUE

__all__ = [
    "CELSIUS_RANGE",
    "DRAWS",
    "HAZE_VOLUME",
    "RESIDUE",
    "THEORY_SD_LN",
    "UNDECIDED",
    "Component",
    "Margin",
    "Mixture",
    "Outcome",
    "carrier_substances",
    "check_celsius",
    "check_parts",
    "dissolve",
    "ethanol_strength_to_clear",
    "interaction_radius",
    "liquid_key",
    "margin_of",
    "oil_members",
    "outcome_chances",
    "stock_margin",
]
