"""Carriers for cold-pressed orange oil in a soft drink: what holds it, what may be used, what the drink does.

Read it from the top: the first line is what to try first. The scenario (dose) is invented.
"""

from hspkit import Application, plotting, rank_carriers

soda = Application("US", "soft drinks", oil_mg_per_L=40)
ranking = rank_carriers("sweet orange, cold-pressed", application=soda)
plotting.ranking(ranking)
