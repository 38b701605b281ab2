"""Phase behaviour of liquid mixtures: arrays in, arrays out, no names of substances.

Flory-Huggins free energy with the Hansen distance. For volume fractions phi, molar volumes V, coordinates
d = (delta_d, delta_p/2, delta_h/2) and a = alpha/(RT),

    g = sum phi/V ln phi + a (sum phi |d|^2 - |sum phi d|^2)      [per volume, in units of RT].
"""

from hspkit.phases.limiting import index_shares
from hspkit.phases.mixture import ALPHA, interaction_strength
from hspkit.phases.splitting import Split, split
from hspkit.phases.stability import binodal_index, spinodal_index, stable

__all__ = [
    "ALPHA",
    "Split",
    "binodal_index",
    "index_shares",
    "interaction_strength",
    "spinodal_index",
    "split",
    "stable",
]
