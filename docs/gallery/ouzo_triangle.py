"""Limonene in ethanol and water: the ternary diagram behind every spirit that turns milky."""

from hspkit import plotting

plotting.phase_triangle("limonene", "ethanol", oil_parts=1, carrier_parts=9, celsius=20)
