"""A stock of clove bud oil 1:2 in triethyl citrate as water is added: where it clouds, and into what it separates."""

from hspkit import plotting

plotting.phase_triangle("clove, bud", "triethyl citrate", oil_parts=1, carrier_parts=2)
