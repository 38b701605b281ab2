"""Which mismatch keeps carriers from peppermint oil: the same distances as in the sphere, flat and easier to read.

The dose is invented.
"""

from hspkit import Application, plotting, rank_carriers

gum = Application("US", "confectionery", oil_mg_per_L=200)
ranking = rank_carriers("peppermint, steam-distilled", application=gum)
plotting.distance_fan(ranking.oil, ranking=ranking)
