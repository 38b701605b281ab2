"""Phase behaviour of liquid mixtures: arrays in, arrays out, no names of substances.

The free energy per volume over RT, with volume fractions phi, molar volumes V, coordinates d and a = alpha/(RT), is

    g = sum phi/V ln phi + sum phi |d - m|^2 + F - sum phi F_i(pure),    m = sum phi d.

From Hansen parameters alone, d = root(a) (delta_d, delta_p/2, delta_h/2) and F = 0: Flory-Huggins with the Hansen
distance. With hydrogen-bond `Sites`, as `hspkit.dissolve` computes, d = root(a) (delta_d, root(w) delta_p) and F is the
energy of the bonds (`association`).
"""

from hspkit.phases.activity import ln_activity, ln_gamma, ln_gamma_infinite
from hspkit.phases.analysis import StabilityAnalysis, binodal_index_of_draws
from hspkit.phases.association import Sites
from hspkit.phases.binary import binodal, critical_fraction, pair_index, spinodal, upper_critical_celsius
from hspkit.phases.crystals import CrystalPoint, Liquidus, crystal_point, liquidus, ln_crystal
from hspkit.phases.mixture import ALPHA, interaction_strength
from hspkit.phases.splitting import Split, split
from hspkit.phases.stability import (
    BinodalDetails,
    binodal_details,
    binodal_index,
    index_shares,
    spinodal_details,
    spinodal_index,
    stable,
)
from hspkit.phases.ternary import TernaryDiagram, ternary_diagram
from hspkit.phases.titration import CloudPoint, cloud_point

__all__ = [
    "ALPHA",
    "BinodalDetails",
    "CloudPoint",
    "CrystalPoint",
    "Liquidus",
    "Sites",
    "Split",
    "StabilityAnalysis",
    "TernaryDiagram",
    "binodal",
    "binodal_details",
    "binodal_index",
    "binodal_index_of_draws",
    "cloud_point",
    "critical_fraction",
    "crystal_point",
    "index_shares",
    "interaction_strength",
    "liquidus",
    "ln_activity",
    "ln_crystal",
    "ln_gamma",
    "ln_gamma_infinite",
    "pair_index",
    "spinodal",
    "spinodal_details",
    "spinodal_index",
    "split",
    "stable",
    "ternary_diagram",
    "upper_critical_celsius",
]
