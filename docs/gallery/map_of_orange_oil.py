"""Where carriers stand around orange oil, and how probable a clear stock is.

A mark that disagrees with the lines is a molecule larger or smaller than the middle one. The dose is invented.
"""

from hspkit import Application, plotting, rank_carriers

soda = Application("EU", "soft drinks", oil_mg_per_L=40)
ranking = rank_carriers("sweet orange, cold-pressed", application=soda)
plotting.map(ranking.oil, ranking=ranking)
