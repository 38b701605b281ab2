"""Phase behaviour of liquid mixtures: arrays in, arrays out, no names of substances.

Flory-Huggins free energy with the Hansen distance. For volume fractions phi, molar volumes V, coordinates
d = (delta_d, delta_p/2, delta_h/2) and a = alpha/(RT),

    g = sum phi/V ln phi + a (sum phi |d|^2 - |sum phi d|^2)      [per volume, in units of RT].

Where each component also comes with densities of donors A and acceptors B of hydrogen bonds, as `Substance.point`
gives them, the weights of delta_p and delta_h are not 1/4 but fitted to measured behaviour (``calibration.csv``), and
c (A_1 - A_2)(B_1 - B_2) joins the squared distance of every two: this is what `hspkit.dissolve` computes with.
"""

from hspkit.phases.activity import ln_activity, ln_gamma, ln_gamma_infinite
from hspkit.phases.binary import binodal, critical_fraction, pair_index, spinodal, upper_critical_celsius
from hspkit.phases.landscape import Landscape, binodal_index_of_draws
from hspkit.phases.limiting import index_shares
from hspkit.phases.mixture import ALPHA, interaction_strength
from hspkit.phases.splitting import Split, split
from hspkit.phases.stability import (
    BinodalDetails,
    binodal_details,
    binodal_index,
    spinodal_index,
    stable,
)
from hspkit.phases.ternary import TernaryDiagram, ternary_diagram
from hspkit.phases.titration import CloudPoint, cloud_point

__all__ = [
    "ALPHA",
    "BinodalDetails",
    "CloudPoint",
    "Landscape",
    "Split",
    "TernaryDiagram",
    "binodal",
    "binodal_details",
    "binodal_index",
    "binodal_index_of_draws",
    "cloud_point",
    "critical_fraction",
    "index_shares",
    "interaction_strength",
    "ln_activity",
    "ln_gamma",
    "ln_gamma_infinite",
    "pair_index",
    "spinodal",
    "spinodal_index",
    "split",
    "stable",
    "ternary_diagram",
    "upper_critical_celsius",
]
