"""Rank carriers for an oil: one row a carrier, one column a reason, no score.

Rows stand in the order in which a formulator decides; `hspkit.ranking.order` holds it, and `Ranking.order` says it with
every table.
"""

from hspkit.ranking.cautions import carrier_cautions, general_cautions
from hspkit.ranking.default_carriers import YARDSTICKS, candidates
from hspkit.ranking.rank import rank_carriers
from hspkit.ranking.result import Ranking
from hspkit.ranking.row import COLUMNS

__all__ = ["COLUMNS", "YARDSTICKS", "Ranking", "candidates", "carrier_cautions", "general_cautions", "rank_carriers"]
