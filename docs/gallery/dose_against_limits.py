"""How much carrier a litre of soft drink holds, against the law and against taste.

A deliberately strong, invented dose, so that limits come into sight.
"""

from hspkit import Application, plotting, rank_carriers

strong = Application("EU", "soft drinks", oil_mg_per_L=300)
names = ["propylene glycol", "triacetin", "triethyl citrate", "glycerol", "benzyl alcohol", "dipropylene glycol"]
plotting.dose(rank_carriers("clove, bud", carriers=names, application=strong))
