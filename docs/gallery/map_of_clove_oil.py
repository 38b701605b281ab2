"""The same map for clove bud oil, with spirits of three strengths as a yardstick.

Eugenol moves the oil toward the glycols; caryophyllene is what they leave behind. The dose is invented.
"""

from hspkit import Application, plotting, rank_carriers

sweets = Application("EU", "confectionery", oil_mg_per_L=100)
ranking = rank_carriers("clove, bud", application=sweets, include_alcohol=True)
plotting.map(ranking.oil, ranking=ranking)
