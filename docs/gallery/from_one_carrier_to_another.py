"""From propylene glycol to triethyl citrate: where orange oil becomes clear, and what the stock's viscosity does."""

from hspkit import plotting

plotting.blend_path("sweet orange, cold-pressed", "propylene glycol", "triethyl citrate")
