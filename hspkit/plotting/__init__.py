"""Figures: thin functions over results, matplotlib only.

Every function takes ``ax=None`` and returns the Axes it drew on: those given, or those of a new figure. Outcomes differ
in marker and fill as well as in colour, so a figure survives greyscale. All text is sized relative to the font
of rcParams, and labels are put into place when the figure is drawn, so they keep clear of one another at any size.
Nothing calls ``plt.show()``, changes rcParams or draws on the current axes.
"""

from __future__ import annotations

from hspkit.plotting.bars import ranking
from hspkit.plotting.blends import blend_path, blend_triangle
from hspkit.plotting.calibration import parity, reliability
from hspkit.plotting.canvas import save
from hspkit.plotting.doses import dose
from hspkit.plotting.fan import distance_fan
from hspkit.plotting.molecule import group_contributions
from hspkit.plotting.plane import map
from hspkit.plotting.space import sphere
from hspkit.plotting.trial_sphere import sphere_fit
from hspkit.plotting.triangle import phase_triangle

__all__ = [
    "blend_path", "blend_triangle", "distance_fan", "dose", "group_contributions", "map", "parity", "phase_triangle",
    "ranking", "reliability", "save", "sphere", "sphere_fit",
]  # fmt: skip
