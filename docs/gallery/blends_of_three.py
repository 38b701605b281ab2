"""All blends of three carriers for orange oil: how probable a clear stock is."""

from hspkit import plotting

plotting.blend_triangle("sweet orange, cold-pressed", "propylene glycol", "triacetin", "triethyl citrate")
