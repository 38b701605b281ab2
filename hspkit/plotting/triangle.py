"""Triangles of three liquids: the geometry, and the phase diagram of oil, carrier and water."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import phases
from hspkit.carriers import Blend, Carrier, carrier
from hspkit.miscibility import Mixture, carrier_substances, check_parts
from hspkit.oils import Oil, oil
from hspkit.plotting.canvas import axes_for, fitted, state
from hspkit.plotting.outcomes import INK, OUTCOMES, PALE, QUIET

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hspkit.plotting.labels import Array

__all__ = ["CORNERS", "corner_frame", "on_page", "phase_triangle"]

#: Corners of the triangle: lower left, lower right, top.
CORNERS = np.array([[0.0, 0.0], [1.0, 0.0], [0.5, np.sqrt(0.75)]])
#: Step of the grid of the phase diagram [-].
_STEP = 0.0125
_SHADE = "#E4E9E1"


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

    What to read: in the shaded part mixtures are one clear phase, in the white part they part into two along the tie
    lines, whose ends are the phases; between the solid line (binodal) and the dashed one (spinodal) that may take a
    while. The arrow is the stock as water is added: it clouds at the filled mark. Oil and carrier are drawn as one
    liquid each, with the mean of their parameters; the open mark is the cloud point computed with every component,
    the figure in the title. Hatched: three phases.

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

    subject = oil_or_name if isinstance(oil_or_name, Oil) else oil(oil_or_name)
    liquid = carrier(carrier_or_blend) if isinstance(carrier_or_blend, str) else carrier_or_blend
    added = carrier(diluent) if isinstance(diluent, str) else diluent
    parts = check_parts(oil_parts, carrier_parts)
    share = parts[0] / sum(parts)
    axes = axes_for(ax, size=(8.4, 7.4))
    three = (liquid, added, subject)
    volumes = np.array([one.volume for one in three])
    hsp = np.array([one.hsp.array for one in three])
    diagram = phases.ternary_diagram(volumes, hsp, step=_STEP, celsius=celsius)
    mesh = Triangulation(*on_page(diagram.fractions).T)
    index = np.clip(diagram.index, 1e-3, 1e3)
    axes.tricontourf(mesh, np.log(index), levels=[-20.0, 0.0], colors=[_SHADE], zorder=0)
    spinodal = np.clip(phases.spinodal_index(diagram.fractions, volumes, hsp, celsius=celsius), 1e-3, 1e3)
    for values, style, width in ((index, "-", 1.7), (spinodal, "--", 1.0)):
        if values.min() < 1.0 < values.max():
            axes.tricontour(mesh, np.log(values), levels=[0.0], colors=INK, linestyles=style, linewidths=width, zorder=2)
    for line in on_page(diagram.tie_lines):
        axes.plot(*line.T, color=QUIET, linewidth=0.7, zorder=1, marker=".", markersize=3)
    for corners in on_page(diagram.triangles):
        axes.fill(*corners.T, facecolor="none", edgecolor=QUIET, hatch="....", linewidth=0.8, zorder=1)
    corner_frame(axes, [liquid.name, added.name, subject.name])
    start, end = np.array([1.0 - share, 0.0, share]), np.array([0.0, 1.0, 0.0])
    lumped = float(phases.cloud_point(start, end, volumes, hsp, celsius=celsius).fraction)
    whole = _cloud_of_all(subject, liquid, added, share, celsius)
    _way(axes, start, end, lumped, whole)
    _key(axes, diagram, added.name, lumped, whole)
    words = (
        f"Volume fractions [%]; {celsius:g} °C. Oil and carrier drawn as one liquid each, of their mean parameters."
        if len(subject.labels) > 1 or len(liquid.parts) > 1
        else f"Volume fractions [%]; {celsius:g} °C."
    )
    axes.text(
        0.5, -0.16, "\n".join(fitted(axes, words, size="x-small")), ha="center", va="top", fontsize="x-small",
        color=QUIET,
    )  # fmt: skip
    stock = f"{subject.name} {parts[0]:g}:{parts[1]:g} in {liquid.name}"
    if whole <= 0.0:
        found = "is not clear even without " + added.name
    elif whole >= 1.0:
        found = f"stays clear with any amount of {added.name}"
    else:
        found = f"clouds at {100 * whole:.1f} % vol of {added.name}"
    state(axes, f"{stock} {found}")
    return axes


def _cloud_of_all(subject: Oil, liquid: Carrier | Blend, added: Carrier | Blend, share: float, celsius: float) -> float:
    """Return the share of the diluent at which the stock clouds, computed with every component."""
    members, others = carrier_substances(liquid), carrier_substances(added)
    mixture = Mixture.of(
        [
            (share, subject.substances, subject.fractions),
            (1.0 - share, members, liquid.fractions),
            (0.0, others, added.fractions),
        ]
    )
    end = mixture.shares_of(others, added.fractions)
    return float(phases.cloud_point(mixture.fractions, end, mixture.volumes, mixture.hsp, celsius=celsius).fraction)


def _way(axes: Any, start: Array, end: Array, lumped: float, whole: float) -> None:
    """Draw the way from the stock to the diluent and where it clouds."""
    way = on_page([start, end])
    axes.annotate(
        "", way[0] + 0.93 * (way[1] - way[0]), way[0], zorder=4,
        arrowprops={"arrowstyle": "-|>", "color": "#0072B2", "linewidth": 1.6, "shrinkA": 0, "shrinkB": 0},
    )  # fmt: skip
    axes.plot(*way[0], marker="s", color="#0072B2", markersize=7, linestyle="none", zorder=5)
    spot = way[0] + whole * (way[1] - way[0])
    if 0.0 < lumped < 1.0:
        axes.plot(
            *(way[0] + lumped * (way[1] - way[0])), marker="D", markersize=8, color=OUTCOMES["hazy"].color,
            markeredgecolor=INK, linestyle="none", zorder=5,
        )  # fmt: skip
    if 0.0 < whole < 1.0 and abs(whole - lumped) > 5e-4:
        axes.plot(
            *spot, marker="D", markersize=12, markerfacecolor="none", markeredgecolor=INK, markeredgewidth=1.3,
            linestyle="none", zorder=6,
        )  # fmt: skip


def _key(axes: Any, diagram: phases.TernaryDiagram, added: str, lumped: float, whole: float) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    handles: list[Any] = [Patch(facecolor=_SHADE, edgecolor=PALE, label="clear, one phase")]
    if not diagram.stable.all():
        handles.append(Line2D([], [], color=INK, linewidth=1.7, label="binodal"))
        handles.append(Line2D([], [], color=INK, linewidth=1.0, linestyle="--", label="spinodal"))
    if len(diagram.tie_lines):
        handles.append(Line2D([], [], color=QUIET, linewidth=0.8, marker=".", label="tie line"))
    if len(diagram.triangles):
        handles.append(Patch(facecolor="none", edgecolor=QUIET, hatch="....", label="three phases"))
    handles.append(Line2D([], [], color="#0072B2", marker="s", markersize=6, label=f"stock, {added} added"))
    plain = {"linestyle": "none", "marker": "D", "markeredgecolor": INK}
    if 0.0 < lumped < 1.0:
        handles.append(
            Line2D([], [], markersize=8, color=OUTCOMES["hazy"].color, label=f"clouds at {100 * lumped:.1f} %", **plain)
        )
    if 0.0 < whole < 1.0 and abs(whole - lumped) > 5e-4:
        handles.append(
            Line2D(
                [], [], markersize=11, markerfacecolor="none", label=f"every component: {100 * whole:.1f} %", **plain
            )
        )
    axes.legend(handles=handles, loc="upper left", bbox_to_anchor=(-0.02, 1.0), fontsize="small", frameon=False)
