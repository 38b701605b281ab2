"""The solubility sphere of an oil in Hansen space."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import checks, hansen
from hspkit.miscibility import interaction_radius
from hspkit.oils import Oil, covered
from hspkit.plotting.canvas import axes_for, axis_end, literal, state
from hspkit.plotting.labels import Labels
from hspkit.plotting.outcomes import (
    INK,
    OUTCOMES,
    PALE,
    QUIET,
    keys,
    mark,
    refused,
    rows_of,
    shown_carriers,
    struck_word,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hspkit.carriers import Blend, Carrier
    from hspkit.plotting.labels import Array
    from hspkit.ranking import Ranking

__all__ = ["sphere"]

_UNIT = "MPa$^{0.5}$"
#: Reddish purple of the palette of Okabe and Ito, thinned.
_SHELL, _THIN = "#CC79A7", 0.13
_MARK = 7.0


def sphere(
    oil_or_name: Oil | str,
    carriers: Sequence[Carrier | Blend | str] | None = None,
    ax: Axes | None = None,
    *,
    ranking: Ranking | None = None,
    radius: float | None = None,
    elevation: float = 20.0,
    azimuth: float = -58.0,
) -> Axes:
    """Draw an oil's solubility sphere in Hansen space with carriers around it.

    What to read: the axis of delta_d is stretched two to one, so the sphere is round and lengths in space are Ra. Each
    carrier stands on a stem whose foot, on the floor, shows how deep in the picture it is; its number is explained in
    the key. The sphere is cut off where parameters would be negative. Its radius is for a carrier of middling molar
    volume: the outcomes of large and small molecules may disagree with it. For paper, `distance_fan` shows the same
    distances and is easier to read.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carriers : sequence of Carrier, Blend or str, optional
        Carriers to place; default those of the ranking, or all that ship. [-]
    ax : matplotlib Axes, optional
        Three-dimensional Axes to draw on.
    ranking : Ranking, optional
        Gives outcomes and permissions.
    radius : float, optional
        R0; default `interaction_radius` for a carrier of median molar volume, the R0 of the plain Hansen
        distance. [MPa^0.5]
    elevation, azimuth : float
        From where to look. [degree]

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    TypeError
        When ax is not an Axes.
    InputError
        When ax is flat.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> axes = sphere("limonene", ["triacetin"], ax=Figure().add_subplot(projection="3d"), radius=8)
    >>> "R0 8.0" in axes.get_title(loc="left")
    True
    """
    subject = covered(oil_or_name)
    liquids = shown_carriers(carriers, ranking)
    elevation = checks.number(elevation, "elevation", "degrees", low=-360, high=360)
    azimuth = checks.number(azimuth, "azimuth", "degrees", low=-360, high=360)
    axes = axes_for(ax, size=(10.2, 6.2), projection="3d")
    points = np.array([liquid.hsp.array for liquid in liquids])
    middle = float(np.median([liquid.volume for liquid in liquids]))
    reading = "R0 as given"
    if radius is None:
        reading = f"R0 of the plain distance for a carrier of {middle:.0f} cm³/mol"
        radius = float(interaction_radius(subject.volume, middle))
    radius = checks.positive(radius, "radius", "in MPa^0.5", most=checks.MOST_HSP)
    centre = subject.hsp.array
    _shell(axes, centre, radius)
    _stem(axes, _spot(centre), color=INK)
    axes.plot(*[[value] for value in _spot(centre)], marker="*", color=INK, markersize=14, linestyle="none")
    rows = rows_of(liquids, ranking)
    struck = np.array([refused(row) for row in rows])
    ends = tuple(axis_end(np.append(points[:, part], centre[part] + radius), 10.0) for part in (2, 1))
    seen = (points[:, 2] <= ends[0]) & (points[:, 1] <= ends[1])
    for k in np.flatnonzero(seen):
        _stem(axes, _spot(points[k]), color=PALE)
        mark(axes, _spot(points[k]), rows[k].get("verdict"), struck=bool(struck[k]), size=_MARK)
    _frame(axes, points[seen], centre, radius, ends, (elevation, azimuth))
    Labels(
        axes,
        lambda: _on_page(axes, points[seen]),
        [str(number) for number in np.flatnonzero(seen) + 1],
        widths=[_MARK] * int(seen.sum()),
        styles=[{"fontsize": "small", "color": QUIET if hidden else INK} for hidden in struck[seen]],
        extra_marks=lambda: _on_page(axes, centre[None]),
    )
    _key(axes, subject, liquids, rows, radius, seen)
    if ax is None:  # the layout has yet to make room for the key: a first pass, before that of drawing
        axes.figure.get_layout_engine().execute(axes.figure)
    inner = int(np.sum(~struck & (hansen.distance(centre, points) < radius)))
    finding = f"{subject.label}: {inner} of {np.sum(~struck)} carriers are nearer than R0 {radius:.1f} {_UNIT}"
    state(axes, finding, reading)
    return axes


def _spot(point: Array) -> tuple[float, float, float]:
    """Return a point as it stands on the axes: delta_d across, delta_h into the page, delta_p up."""
    return float(point[0]), float(point[2]), float(point[1])


def _on_page(axes: Any, points: Array) -> Array:
    """Return points (n, 3) of Hansen space in pixels (n, 2), as seen now."""
    from mpl_toolkits.mplot3d import proj3d

    x, y, _ = proj3d.proj_transform(points[:, 0], points[:, 2], points[:, 1], axes.get_proj())
    return np.asarray(axes.transData.transform(np.column_stack([x, y])))


def _stem(axes: Any, spot: tuple[float, float, float], *, color: str) -> None:
    axes.plot([spot[0]] * 2, [spot[1]] * 2, [0, spot[2]], color=color, linewidth=0.8)
    axes.plot([spot[0]], [spot[1]], [0], marker="o", color=color, markersize=2.5)


def _shell(axes: Any, centre: Array, radius: float) -> None:
    """Draw the sphere, cut off where parameters would be negative, and its shadow on the floor."""
    longitude, latitude = np.meshgrid(np.linspace(0, 2 * np.pi, 97), np.linspace(0, np.pi, 49))
    shell_d = centre[0] + 0.5 * radius * np.cos(longitude) * np.sin(latitude)
    shell_h = centre[2] + radius * np.sin(longitude) * np.sin(latitude)
    shell_p = centre[1] + radius * np.cos(latitude)
    exists = (shell_h >= 0) & (shell_p >= 0)
    shell = [np.where(exists, part, np.nan) for part in (shell_d, shell_h, shell_p)]
    axes.plot_surface(
        *shell, color=_SHELL, alpha=_THIN, linewidth=0, antialiased=True, shade=False, rstride=1, cstride=1
    )
    angle = np.linspace(0, 2 * np.pi, 181)
    for plane, across in ((1, 2), (2, 1)):  # where the sphere meets the floor, then the wall
        width = np.sqrt(max(radius**2 - centre[plane] ** 2, 0.0))
        section = np.zeros((3, angle.size))
        section[0] = centre[0] + 0.5 * width * np.cos(angle)
        section[across] = centre[across] + width * np.sin(angle)
        section[across, section[across] < 0] = np.nan
        axes.plot(section[0], section[2], section[1], color=_SHELL, linewidth=1.3)


def _frame(axes: Any, points: Array, centre: Array, radius: float, ends: Any, view: Any) -> None:
    delta_d = [*points[:, 0], centre[0] - radius / 2, centre[0] + radius / 2]
    low, high = min(delta_d) - 0.3, max(delta_d) + 0.3
    axes.set_xlim(low, high)
    axes.set_ylim(0, ends[0])
    axes.set_zlim(0, ends[1])
    axes.set_box_aspect((2 * (high - low), *ends), zoom=1.2)
    axes.set_xlabel(f"$\\delta_d$ [{_UNIT}]")
    axes.set_ylabel(f"$\\delta_h$ [{_UNIT}]")
    axes.set_zlabel(f"$\\delta_p$ [{_UNIT}]")
    axes.view_init(elev=view[0], azim=view[1])
    for axis in (axes.xaxis, axes.yaxis, axes.zaxis):
        axis.set_pane_color((1, 1, 1, 0))
    axes.grid(True)


def _key(
    axes: Any, subject: Oil, liquids: Sequence[Any], rows: Sequence[dict[str, Any]], radius: float, seen: Any
) -> None:
    """Explain the numbers, gathered by outcome; the key is a legend, so a layout engine keeps room for it."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    blank = Line2D([], [], linestyle="none")
    handles: list[Any] = [
        Line2D([], [], linestyle="none", marker="*", color=INK, markersize=12),
        Patch(facecolor=_SHELL, alpha=0.35),
    ]
    labels = [literal(subject.name), f"Ra < R0 = {radius:.1f} {_UNIT}"]
    heads = []
    for name in (*OUTCOMES, None):
        for struck in (False, True):
            here = [k for k, row in enumerate(rows) if row.get("verdict") == name and refused(row) == struck]
            if not here:
                continue
            (sign, *_), (word, *_) = keys([name], any_struck=False)
            if struck:
                look: dict[str, Any] = {"linestyle": "none", "markerfacecolor": "white"}
                hollow = Line2D(
                    [], [], marker=sign.get_marker(), markersize=8, color=sign.get_markeredgecolor(), **look
                )
                sign = (hollow, Line2D([], [], marker=(2, 0, 45), markersize=15, color=INK, **look))
            heads.append(len(handles))
            handles.append(sign)
            labels.append(f"{word}, {struck_word([rows[k] for k in here])}" if struck else word)
            handles.extend([blank] * len(here))
            labels.extend(
                f"{k + 1:>2}  {literal(liquids[k].name)}" + ("" if seen[k] else " (beyond the picture)") for k in here
            )
    columns = 1 if len(labels) <= 34 else 2
    legend = axes.legend(
        handles, labels, loc="center left", bbox_to_anchor=(1.2, 0.5), frameon=False, fontsize="small",
        labelspacing=0.22, handletextpad=0.4, handlelength=1.6, borderaxespad=0.0, ncols=columns,
    )  # fmt: skip
    for k, text in enumerate(legend.get_texts()):
        text.set_color(INK)
        if k in heads or k == 0:
            text.set_weight("bold")
