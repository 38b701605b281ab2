"""The map: polar against hydrogen-bonding part, with rings of equal distance from the oil."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from hspkit.miscibility import check_parts
from hspkit.oils import Oil, covered
from hspkit.plotting.canvas import axes_for, axis_end, literal, state
from hspkit.plotting.labels import Labels
from hspkit.plotting.outcomes import (
    INK,
    QUIET,
    keys,
    mark,
    marker_size,
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

__all__ = ["map"]

#: Rings of equal Ra: about the R0 of liquids of the size of carriers, half of it and half as much again. [MPa^0.5]
_RINGS = (4.0, 8.0, 12.0)
#: Components of the oil below this share have a mark but no name. [-]
_NAMED_SHARE = 0.08
#: Half axes of the ellipse that holds 95 % of a normal distribution in two dimensions, in standard deviations:
#: sqrt(-2 ln 0.05).
_ELLIPSE_95 = float(np.sqrt(-2.0 * np.log(0.05)))
_UNIT = "MPa$^{0.5}$"


def map(
    oil_or_name: Oil | str,
    carriers: Sequence[Carrier | Blend | str] | None = None,
    ax: Axes | None = None,
    *,
    ranking: Ranking | None = None,
    oil_parts: float = 1,
    carrier_parts: float = 2,
) -> Axes:
    """Draw the polar against the hydrogen-bonding part, with rings of equal Ra around the oil.

    What to read: the nearer to the oil (star), the more alike in Hansen parameters; the rings are those of a carrier
    with the delta_d of the oil. Whether a carrier is clear does not follow from its place, for the size of its
    molecules and the hydrogen bonds count too: it is computed for each carrier and stands in its mark. Hollow and
    struck through: not allowed, or not for ingestion. Small grey crosses are the components of the oil, named from 8 %
    by volume on. The ellipse holds 95 % of what is uncertain about the mean parameters of the oil. An arrow at the
    frame is a carrier far beyond it.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carriers : sequence of Carrier, Blend or str, optional
        Carriers to place; default those of the ranking, or all that ship. [-]
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.
    ranking : Ranking, optional
        Gives outcomes, permissions and the parts; without it carriers are drawn without an outcome.
    oil_parts, carrier_parts : float
        Parts by volume, when there is no ranking. [-]

    Returns
    -------
    matplotlib Axes
        `get_legend` is the key beside it.

    Raises
    ------
    TypeError
        When ax is not an Axes.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> axes = map("limonene", ["triacetin", "glycerol"], ax=Figure().add_subplot())
    >>> axes.get_xlabel().startswith("hydrogen-bonding part")
    True
    """
    subject = covered(oil_or_name)
    liquids = shown_carriers(carriers, ranking)
    parts = check_parts(oil_parts, carrier_parts)
    if ranking is not None:
        parts = ranking.oil_parts, ranking.carrier_parts
    axes = axes_for(ax, size=(9.6, 6.0))
    spots = np.array([liquid.hsp.array[[2, 1]] for liquid in liquids])
    centre = subject.hsp.array[[2, 1]]
    ends = (axis_end(np.append(spots[:, 0], centre[0]), 22.0), axis_end(np.append(spots[:, 1], centre[1]), 14.0))
    rings = _rings(axes, centre, ends)
    rows = rows_of(liquids, ranking)
    labels = [*_carriers(axes, liquids, rows, ends), *_components(axes, subject, ends)]
    _oil(axes, subject, centre)
    anchors = np.array([label.anchor for label in labels])
    small = np.vstack([subject.component_hsp[:, [2, 1]], np.repeat(centre[None], 3, axis=0)])
    Labels(
        axes,
        lambda: axes.transData.transform(anchors),
        [label.text for label in labels],
        widths=[label.width for label in labels],
        styles=[label.style for label in labels],
        on_lines=rings,
        extra_marks=lambda: axes.transData.transform(small),
    )
    axes.set_xlim(0, ends[0])
    axes.set_ylim(0, ends[1])
    axes.set_xlabel(f"hydrogen-bonding part $\\delta_h$ [{_UNIT}]")
    axes.set_ylabel(f"polar part $\\delta_p$ [{_UNIT}]")
    axes.spines[["top", "right"]].set_visible(False)
    _key(axes, rows, subject)
    ratio = f"{parts[0]:g}:{parts[1]:g}"
    state(axes, _finding(subject, rows), f"{subject.label}, {ratio} by volume" if ranking else "")
    return axes


def _rings(axes: Any, centre: Array, ends: tuple[float, float]) -> list[tuple[Any, Any]]:
    """Draw the rings of equal Ra around the oil; return their labels with their paths."""
    from matplotlib.text import Text
    from matplotlib.transforms import IdentityTransform

    turn = np.linspace(0.0, 2.0 * np.pi, 181)
    labels = []
    for radius in _RINGS:
        path = centre + radius * np.column_stack([np.cos(turn), np.sin(turn)])
        axes.plot(*path.T, color=QUIET, linewidth=0.8, linestyle=":", zorder=1)
        seen = path[(path > 0).all(axis=1) & (path < ends).all(axis=1)]
        if len(seen) < 2:
            continue
        text = axes.add_artist(
            Text(
                0, 0, f"Ra {radius:g}", transform=IdentityTransform(), ha="center", va="center", fontsize="small",
                color=QUIET, zorder=2,
                bbox={"boxstyle": "round,pad=0.15", "facecolor": "white", "edgecolor": "none", "alpha": 0.85},
            )
        )  # fmt: skip
        labels.append((text, lambda path=seen: axes.transData.transform(path)))
    return labels


class _Label(NamedTuple):
    """A label, the mark it belongs to, and the width of that mark. [pt]"""

    text: str
    anchor: Array
    width: float
    style: dict[str, Any]


def _carriers(
    axes: Any, liquids: Sequence[Carrier | Blend], rows: Sequence[dict[str, Any]], ends: tuple[float, float]
) -> list[_Label]:
    """Draw the marks of the carriers; return their labels."""
    labels = []
    largest = max(liquid.volume for liquid in liquids)
    for liquid, row in zip(liquids, rows, strict=True):
        struck, spot = refused(row), liquid.hsp.array[[2, 1]]
        inside = np.minimum(spot, [0.985 * ends[0], 0.97 * ends[1]])
        text, width = literal(liquid.name), marker_size(liquid.volume)
        if np.array_equal(inside, spot):
            # what may be used lies on top of what may not, small marks on top of large ones
            depth = 5.0 - 0.5 * struck - 0.4 * liquid.volume / largest
            mark(axes, spot.tolist(), row.get("verdict"), struck=struck, size=width, zorder=depth)
        else:
            symbol, value, arrow = ("δh", spot[0], ">") if spot[0] > ends[0] else ("δp", spot[1], "^")
            outcome = struck_word([row]) or row.get("verdict")
            text += f": {symbol} {value:.0f}" + (f", {outcome}" if outcome else "")
            width = 9.0
            axes.plot(*inside, linestyle="none", color=INK, markersize=width, marker=arrow, clip_on=False, zorder=5)
        labels.append(_Label(text, inside, width, {"fontsize": "small", "color": QUIET if struck else INK}))
    return labels


def _components(axes: Any, subject: Oil, ends: tuple[float, float]) -> list[_Label]:
    """Draw the components of the oil; return the labels of the large ones, with their shares."""
    spots = subject.component_hsp[:, [2, 1]]
    axes.scatter(
        *spots.T, marker="+", s=10 + 60 * subject.fractions, color=QUIET, linewidths=0.9, zorder=3, clip_on=True
    )
    if len(spots) == 1:
        return []
    style = {"fontsize": "x-small", "color": QUIET, "style": "italic"}
    return [
        _Label(f"{label} {100 * share:.0f} %", spot, 6.0, style)
        for label, share, spot in zip(subject.labels, subject.fractions, spots, strict=True)
        if share >= _NAMED_SHARE and spot[0] < ends[0] and spot[1] < ends[1]
    ]


def _oil(axes: Any, subject: Oil, centre: Array) -> None:
    """Draw the star of the oil and the ellipse of its uncertainty."""
    from matplotlib.patches import Ellipse

    values, vectors = np.linalg.eigh(subject.covariance[np.ix_([2, 1], [2, 1])])
    half = _ELLIPSE_95 * np.sqrt(np.clip(values, 0.0, None))
    turn = np.rad2deg(np.arctan2(vectors[1, 1], vectors[0, 1]))
    ellipse = Ellipse(
        (float(centre[0]), float(centre[1])), 2 * half[1], 2 * half[0], angle=float(turn), facecolor="none",
        edgecolor=INK, linewidth=1.0, zorder=4,
    )  # fmt: skip
    axes.add_patch(ellipse)
    axes.plot(
        *centre, marker="*", markersize=15, color=INK, markeredgecolor="white", markeredgewidth=0.8,
        linestyle="none", zorder=6,
    )  # fmt: skip


def _key(axes: Any, rows: Sequence[dict[str, Any]], subject: Oil) -> None:
    from matplotlib.lines import Line2D

    verdicts, any_struck = [row.get("verdict") for row in rows], any(refused(row) for row in rows)
    handles, labels = keys(verdicts, any_struck=any_struck, meaning=struck_word(rows))

    def add(label: str, handle: Any) -> None:
        handles.append(handle)
        labels.append(label)

    def dots(width: float, **look: Any) -> Any:
        return Line2D([], [], linestyle="none", markersize=width, markeredgecolor=INK, **look)

    for volume in (75, 300):
        add(f"size: {volume} cm³/mol", dots(marker_size(volume), marker="o", markerfacecolor="none"))
    add(textwrap.fill(literal(subject.name), 24, break_on_hyphens=False), dots(13, marker="*", markerfacecolor=INK))
    add("95 % of its uncertainty", dots(13, marker="o", markerfacecolor="none", markeredgewidth=1.0))
    if len(subject.labels) > 1:
        add("its components,\nshares by volume", Line2D([], [], linestyle="none", marker="+", color=QUIET))
    add("equal Ra, for a carrier of\nthe oil's $\\delta_d$", Line2D([], [], linestyle=":", linewidth=0.8, color=QUIET))
    axes.legend(
        handles, labels, loc="upper left", bbox_to_anchor=(1.01, 1.0), borderaxespad=0.0, frameon=False,
        fontsize="small", labelspacing=0.75,
    )  # fmt: skip


def _finding(subject: Oil, rows: Sequence[dict[str, Any]]) -> str:
    ranked = [row for row in rows if "verdict" in row]
    if not ranked:
        return f"{subject.label} among carriers"
    usable = [row for row in ranked if not refused(row)]
    carriers = "allowed carriers" if any(row["allowed"] is not None for row in usable) else "carriers"
    clear, unknown = (sum(row["verdict"] == verdict for row in usable) for verdict in ("clear", "unknown"))
    return f"{clear} of {len(usable)} {carriers} hold the oil clear" + (f"; {unknown} not known" if unknown else "")
