"""The solubility sphere of clove bud oil for a carrier of middling molar volume, with carriers on stems."""

from hspkit import plotting, rank_carriers

ranking = rank_carriers("clove, bud")
plotting.sphere(ranking.oil, ranking=ranking)
