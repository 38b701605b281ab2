"""Essential oils: composition in mass %, folding, removal of terpenes, reading a GC report.

An oil is a list of substances with their shares. What no substance stands for is kept as the uncovered share
and reported; arrays for phase calculations (`fractions`, `component_hsp`, `component_volumes`) describe the
covered part only.
"""

from hspkit.oils.composition import LEAST_COVERED, RESIDUE, Oil
from hspkit.oils.listing import oils
from hspkit.oils.lookup import compare, covered, oil

__all__ = ["LEAST_COVERED", "RESIDUE", "Oil", "compare", "covered", "oil", "oils"]
