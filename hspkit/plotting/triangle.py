"""Triangles of three liquids: the geometry, and the phase diagram of oil, carrier and water."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import phases
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.miscibility import Mixture, carrier_substances, check_celsius, check_parts, oil_members
from hspkit.mixture import Group
from hspkit.oils import Oil, covered
from hspkit.plotting.canvas import axes_for, fitted, literal, state
from hspkit.plotting.outcomes import INK, OUTCOMES, PALE, QUIET, SHADES

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hspkit.plotting.labels import Array

__all__ = ["CORNERS", "corner_frame", "on_page", "phase_triangle"]

#: Corners of the triangle: lower left, lower right, top.
CORNERS = np.array([[0.0, 0.0], [1.0, 0.0], [0.5, np.sqrt(0.75)]])
#: Step of the grid of the phase diagram [-].
_STEP = 0.02
#: Tie lines start from mixtures on a grid of this many steps.
_FEEDS = 8


def on_page(fractions: Any) -> Array:
    """Return where mixtures of three liquids stand in the triangle.

    Parameters
    ----------
    fractions : array_like of shape (..., 3)
        Fractions, in the order of `CORNERS`. [-]

    Returns
    -------
    ndarray of shape (..., 2)
        Places; the triangle has sides of length 1. [-]

    Examples
    --------
    >>> on_page([[1, 0, 0], [0.5, 0.5, 0]]).tolist()
    [[0.0, 0.0], [0.5, 0.0]]
    """
    return np.asarray(np.asarray(fractions, dtype=float) @ CORNERS)


def corner_frame(axes: Any, names: Sequence[str]) -> None:
    """Draw the sides, name the corners, and count each liquid along one side, in the direction of the ticks.

    Parameters
    ----------
    axes : matplotlib Axes
        Where.
    names : sequence of str, length 3
        Liquids at the lower left, the lower right and the top. [-]
    """
    names = [literal(name) for name in names]
    axes.plot(*CORNERS[[0, 1, 2, 0]].T, color=INK, linewidth=1.2, zorder=3)
    axes.text(-0.02, -0.1, f"100 % {names[0]}", ha="left", va="top", color=INK)
    axes.text(1.02, -0.1, f"100 % {names[1]}", ha="right", va="top", color=INK)
    axes.text(0.5, CORNERS[2, 1] + 0.05, f"100 % {names[2]}", ha="center", va="bottom", color=INK)
    centre = CORNERS.mean(axis=0)
    for start in range(3):
        begin, end = CORNERS[start], CORNERS[(start + 1) % 3]
        outward = (begin + end) / 2 - centre
        outward = outward / np.sqrt(outward @ outward)
        counted = names[(start + 1) % 3]
        words = (f"{counted} →", f"← {counted}", f"← {counted}")[start]
        axes.text(
            *((begin + end) / 2 + 0.095 * outward), words, rotation=(0.0, -60.0, 60.0)[start], rotation_mode="anchor",
            ha="center", va="center", fontsize="small", color=INK,
        )  # fmt: skip
        # The tick points along the lines on which this share is constant: those run to the corner before.
        along = begin - CORNERS[(start + 2) % 3]
        for share in (0.2, 0.4, 0.6, 0.8):
            foot = begin + share * (end - begin)
            axes.plot(*np.stack([foot, foot + 0.018 * along]).T, color=INK, linewidth=0.8)
            axes.plot(*np.stack([foot, foot - (1 - share) * along]).T, color=PALE, linewidth=0.5, zorder=0.5)
            axes.text(
                *(foot + 0.045 * along), f"{100 * share:g}", ha="center", va="center", fontsize="x-small", color=INK
            )
    axes.set_aspect("equal")
    axes.set_xlim(-0.08, 1.08)
    axes.set_ylim(-0.17, 0.97)
    axes.axis("off")


def phase_triangle(
    oil_or_name: Oil | str,
    carrier_or_blend: Carrier | Blend | str,
    ax: Axes | None = None,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    diluent: Carrier | str = "water",
    celsius: float = 25.0,
) -> Axes:
    """Draw the phase diagram of oil, carrier and water, with the way of a stock that is diluted.

    What to read: in the shaded part mixtures are one clear phase; in the white part they separate into two along the
    tie lines, whose ends are the phases. Between the solid line (binodal) and the dashed one (spinodal) that may take
    a while. The arrow is the stock as water is added; it clouds at the diamond. Every component of the oil is counted.
    The phases are drawn by their sums of oil, carrier and water, so in an oil of many components the ends of the tie
    lines need not lie on the cloud curve: the last drop that stays out is not like the oil. Hatched: three phases.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil; top corner. [-]
    carrier_or_blend : Carrier, Blend or str
        The carrier; lower left corner. [-]
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.
    oil_parts, carrier_parts : float
        The stock, parts by volume. [-]
    diluent : Carrier or str
        What is added; lower right corner. [-]
    celsius : float
        Temperature. [degC]

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        For parts that are not positive, or a carrier that no molecule stands for.
    TypeError
        When ax is not an Axes.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> axes = phase_triangle("limonene", "triethyl citrate", ax=Figure().add_subplot())
    >>> "limonene 1:2 in triethyl citrate" in axes.get_title(loc="left")
    True
    """
    from matplotlib.tri import Triangulation

    subject = covered(oil_or_name)
    liquid, added = carrier(carrier_or_blend), carrier(diluent)
    parts, celsius = check_parts(oil_parts, carrier_parts), check_celsius(celsius)
    share = parts[0] / sum(parts)
    axes = axes_for(ax, size=(8.4, 7.4))
    system = _System.of(liquid, added, subject, celsius)
    diagram = system.diagram()
    mesh = Triangulation(*on_page(diagram.fractions).T)
    index = np.log(np.clip(diagram.index, 1e-3, 1e3))
    axes.tricontourf(mesh, index, levels=[-20.0, 0.0], colors=[SHADES[-1]], zorder=0)
    spinodal = np.log(np.clip(system.spinodal_index(diagram.fractions), 1e-3, 1e3))
    for values, style, width in ((index, "-", 1.7), (spinodal, "--", 1.0)):
        if values.min() < 0.0 < values.max():
            axes.tricontour(mesh, values, levels=[0.0], colors=INK, linestyles=style, linewidths=width, zorder=2)
    for line in on_page(diagram.tie_lines):
        axes.plot(*line.T, color=QUIET, linewidth=0.7, zorder=1, marker=".", markersize=3)
    for corners in on_page(diagram.triangles):
        axes.fill(*corners.T, facecolor="none", edgecolor=QUIET, hatch="....", linewidth=0.8, zorder=1)
    corner_frame(axes, [liquid.name, added.name, subject.name])
    start, end = np.array([1.0 - share, 0.0, share]), np.array([0.0, 1.0, 0.0])
    clouds = system.cloud(start, end)
    _way(axes, start, end, clouds)
    _key(axes, diagram, added.name, clouds)
    words = f"Volume fractions [%], {celsius:g} °C." + (
        " Every component counted; tie lines join the sums over the components of each liquid, so their ends need not"
        " lie on the cloud curve."
        if not system.plain
        else ""
    )
    axes.text(
        0.5, -0.16, "\n".join(fitted(axes, words, size="x-small")), ha="center", va="top", fontsize="x-small",
        color=QUIET,
    )  # fmt: skip
    stock = f"{subject.label} {parts[0]:g}:{parts[1]:g} in {liquid.name}"
    if clouds <= 0.0:
        found = "is not clear even without " + added.name
    elif clouds >= 1.0:
        found = f"stays clear with any amount of {added.name}"
    else:
        found = f"clouds at {100 * clouds:.1f} % vol of {added.name}"
    barred = [one.name for one in (liquid, added) if one.not_for_ingestion]
    if barred:
        state(axes, f"{' and '.join(barred)}: not for ingestion", stock)
    else:
        state(axes, f"{stock} {found}")
    return axes


class _System:
    """Carrier, diluent and oil with every component; fractions (..., 3) of the three liquids in, phases out."""

    def __init__(self, mixture: Mixture, celsius: float) -> None:
        self._mixture, self._celsius = mixture, celsius
        #: Whether each liquid is a single component, so that the diagram is a ternary one.
        self.plain = bool(np.all((mixture.liquids > 0).sum(axis=1) == 1))

    @classmethod
    def of(cls, liquid: Carrier | Blend, added: Carrier | Blend, subject: Oil, celsius: float) -> _System:
        """Join the three liquids, in the order of the corners."""
        groups: list[Group] = [
            (1.0 / 3.0, carrier_substances(liquid), liquid.fractions),
            (1.0 / 3.0, carrier_substances(added), added.fractions),
            (1.0 / 3.0, *oil_members(subject)),
        ]
        return cls(Mixture.of(groups).after(subject.belief), celsius)

    def _of(self, fractions: Array) -> tuple[Array, Array, Array]:
        return fractions @ self._mixture.liquids, self._mixture.volumes, self._mixture.hsp

    def spinodal_index(self, fractions: Array) -> Array:
        """Return the spinodal index of mixtures (..., 3)."""
        return phases.spinodal_index(*self._of(fractions), celsius=self._celsius, sites=self._mixture.sites)

    def cloud(self, start: Array, end: Array) -> float:
        """Return the share of `end` at which `start` clouds when it is added."""
        (first, volumes, hsp), last = self._of(start), end @ self._mixture.liquids
        return float(
            phases.cloud_point(first, last, volumes, hsp, celsius=self._celsius, sites=self._mixture.sites).fraction
        )

    def diagram(self) -> phases.TernaryDiagram:
        """Return the phase diagram; that of three single liquids where they are."""
        if self.plain:
            order = np.argmax(self._mixture.liquids, axis=1)
            volumes, hsp = self._mixture.volumes[order], self._mixture.hsp[order]
            sites = self._mixture.sites.take(order)
            return phases.ternary_diagram(volumes, hsp, step=_STEP, celsius=self._celsius, sites=sites)
        grid = _grid(round(1.0 / _STEP))
        index = phases.binodal_index(*self._of(grid), celsius=self._celsius, sites=self._mixture.sites)
        feeds = _grid(_FEEDS)
        feeds = feeds[phases.binodal_index(*self._of(feeds), celsius=self._celsius, sites=self._mixture.sites) > 1.0]
        # A component in two of the liquids (water in an aqueous carrier) is counted to each by its share in them.
        owner = self._mixture.liquids / np.maximum(self._mixture.liquids.sum(axis=0), 1e-300)
        pairs: list[Array] = []
        triples: list[Array] = []
        if len(feeds):
            found = phases.split(*self._of(feeds), celsius=self._celsius, sites=self._mixture.sites)
            for count, inside in zip(np.atleast_1d(found.n_phases), found.fractions, strict=True):
                ends = inside[: int(count)] @ owner.T
                (pairs if count == 2 else triples if count == 3 else []).append(ends)
        return phases.TernaryDiagram(
            grid, index, index < 1.0, np.array(pairs).reshape(-1, 2, 3), np.array(triples).reshape(-1, 3, 3)
        )


def _grid(parts: int) -> Array:
    """Return the mixtures (k, 3) of a triangle in steps of 1 / parts."""
    first, second = np.meshgrid(np.arange(parts + 1), np.arange(parts + 1), indexing="ij")
    inside = first + second <= parts
    return np.stack([first[inside], second[inside], parts - first[inside] - second[inside]], axis=-1) / parts


def _way(axes: Any, start: Array, end: Array, clouds: float) -> None:
    """Draw the way from the stock to the diluent and where it clouds."""
    way = on_page([start, end])
    axes.annotate(
        "", way[0] + 0.93 * (way[1] - way[0]), way[0], zorder=4,
        arrowprops={"arrowstyle": "-|>", "color": "#0072B2", "linewidth": 1.6, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    axes.plot(*way[0], marker="s", color="#0072B2", markersize=7, linestyle="none", zorder=5)
    if 0.0 < clouds < 1.0:
        axes.plot(
            *(way[0] + clouds * (way[1] - way[0])), marker="D", markersize=9, color=OUTCOMES["hazy"].color,
            markeredgecolor=INK, linestyle="none", zorder=6,
        )  # fmt: skip


def _key(axes: Any, diagram: phases.TernaryDiagram, added: str, clouds: float) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [Patch(facecolor=SHADES[-1], edgecolor=PALE, label="clear, one phase")]
    if not diagram.stable.all():
        handles.append(Line2D([], [], color=INK, linewidth=1.7, label="binodal (cloud curve)"))
        handles.append(Line2D([], [], color=INK, linewidth=1.0, linestyle="--", label="spinodal"))
    if len(diagram.tie_lines):
        handles.append(Line2D([], [], color=QUIET, linewidth=0.8, marker=".", label="tie line"))
    if len(diagram.triangles):
        handles.append(Patch(facecolor="none", edgecolor=QUIET, hatch="....", label="three phases"))
    handles.append(Line2D([], [], color="#0072B2", marker="s", markersize=6, label=f"stock, {literal(added)} added"))
    if 0.0 < clouds < 1.0:
        handles.append(
            Line2D(
                [], [], linestyle="none", marker="D", markersize=9, color=OUTCOMES["hazy"].color, markeredgecolor=INK,
                label=f"clouds at {100 * clouds:.1f} %",
            )
        )  # fmt: skip
    axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(-0.02, 1.0), fontsize="small", frameon=False)
