"""The distance fan: carriers by RED, grouped by the parameter that differs most from the oil."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import hansen
from hspkit.miscibility import carrier_substances, interaction_radius
from hspkit.oils import Oil, covered
from hspkit.plotting.canvas import axes_for, fitted, literal, state
from hspkit.plotting.outcomes import (
    INK,
    PALE,
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

__all__ = ["distance_fan"]

#: Sectors from left to right: axis of Hansen space, sign of carrier minus oil.
_SECTORS = ((2, -1), (1, -1), (0, -1), (0, 1), (1, 1), (2, 1))
_SYMBOLS = ("$\\delta_d$", "$\\delta_p$", "$\\delta_h$")
_WORDS = ("dispersion", "polarity", "hydrogen bonding")
#: Carriers further away than this stand at the rim, with their figure [-].
_FURTHEST = 2.5
_RIM, _BAND = 1.0, 0.055
#: Radius at which RED is 0: room around the hub keeps the nearest carriers apart.
_HUB = 0.1


def distance_fan(
    oil_or_name: Oil | str,
    carriers: Sequence[Carrier | Blend | str] | None = None,
    ax: Axes | None = None,
    *,
    ranking: Ranking | None = None,
) -> Axes:
    """Draw carriers as a fan around the oil: the length is RED, the sector the parameter that differs most.

    What to read: the oil is the hub; a carrier on a short ray is near. RED is Ra over the R0 of that pair by their
    molar volumes: below the arc at 1 the carrier mixes, by the theory, in every proportion with a single liquid that
    has the mean parameters of the oil. The outcome in the mark is computed with every component of the oil, so a mark
    below 1 need not be clear. The sector is the largest of the three mismatches (that of delta_d counted double, as in
    Ra): "+" means the carrier has more of it than the oil. Behind each name stands that mismatch. Within a sector
    carriers are in the order of RED; the angle has no other meaning.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carriers : sequence of Carrier, Blend or str, optional
        Carriers to place; default those of the ranking, or all that ship. [-]
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.
    ranking : Ranking, optional
        Gives outcomes and permissions.

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    TypeError
        When ax is not an Axes.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> axes = distance_fan("limonene", ["triacetin", "glycerol"], ax=Figure().add_subplot())
    >>> sorted(text.get_text().split("  ")[0] for text in axes.texts if "glyc" in text.get_text())
    ['glycerol']
    """
    from matplotlib.font_manager import FontProperties

    subject = covered(oil_or_name)
    shown = shown_carriers(carriers, ranking)
    axes = axes_for(ax, size=(10.6, 6.9))
    mismatch = np.array([liquid.hsp.array for liquid in shown]) - subject.hsp.array
    radii = np.array([interaction_radius(subject.volume, _molar_volume(liquid)) for liquid in shown])
    red = np.array([hansen.distance(subject.hsp, liquid.hsp) for liquid in shown]) / radii
    sector = _sector_of(mismatch)
    order = np.lexsort((np.where(sector < 3, -red, red), sector))
    angles = np.empty(len(shown))
    # Half a place is left free between sectors, so that the rule between them has room.
    steps = np.arange(len(shown)) + 0.5 * np.cumsum(np.append(0, np.diff(sector[order]) != 0))
    angles[order] = np.pi - np.pi * (steps + 0.5) / (steps[-1] + 1.0)
    scale = float(np.clip(1.06 * red.max(), 1.25, _FURTHEST))
    _scale(axes, scale)
    rows = rows_of(shown, ranking)
    names = []
    for liquid, row, angle, distance, parts, kind in zip(shown, rows, angles, red, mismatch, sector, strict=True):
        miss = float(parts[_SECTORS[kind][0]])
        label = f"{literal(liquid.name)}  {'−' if miss < 0 else '+'}{abs(miss):.1f}"
        if distance > scale:
            label += f"  (RED {distance:.1f})"
        names.append(_ray(axes, row, angle, _radius(distance, scale), label, marker_size(liquid.volume) * 0.9))
    _sectors(axes, angles, sector)
    axes.plot(0, 0, marker="*", markersize=17, color=INK, linestyle="none", zorder=6, clip_on=False)
    axes.set_aspect("equal")
    axes.set_xlim(-1.08, 1.08)
    axes.set_ylim(-0.02, 1.08)
    axes.axis("off")
    handles, labels = keys(
        [row.get("verdict") for row in rows], any_struck=any(refused(row) for row in rows), meaning=struck_word(rows)
    )
    axes.legend(
        handles, labels, loc="upper center", bbox_to_anchor=(0.5, -0.15), ncols=4, frameon=False, fontsize="small",
        borderaxespad=0.0,
    )  # fmt: skip
    words = (
        "Length: RED = Ra / R0 of oil and carrier by their molar volumes. Sector: the largest mismatch, + when the"
        " carrier has more of it than the oil; its size behind the name [MPa$^{0.5}$]. Within a sector in the"
        " order of RED."
    )
    caption = "\n".join(fitted(axes, words, size="x-small"))
    axes.text(0.5, -0.075, caption, transform=axes.transAxes, ha="center", va="top", fontsize="x-small", color=QUIET)
    points = FontProperties(size="small").get_size_in_points()
    longest = max(len(text.get_text()) * np.sin(np.deg2rad(abs(text.get_rotation()))) for text in names)
    state(axes, *_finding(subject, shown, red, sector, rows), pad=8 + 0.6 * points * longest)
    return axes


def _molar_volume(liquid: Carrier | Blend) -> float:
    """Return the volume with which a carrier mixes; that of water and alcohols, which associate, is the larger one."""
    members = carrier_substances(liquid)
    return float(members[0].volume if len(members) == 1 else liquid.volume)


def _sector_of(mismatch: Array) -> Any:
    """Return for each mismatch (n, 3) the sector to which it belongs."""
    weighted = mismatch * np.array([2.0, 1.0, 1.0])
    axis = np.argmax(np.abs(weighted), axis=1)
    sign = np.where(weighted[np.arange(len(axis)), axis] < 0, -1, 1)
    return np.array([_SECTORS.index((int(a), int(s))) for a, s in zip(axis, sign, strict=True)])


def _toward(angle: float, radius: float) -> Array:
    return radius * np.array([np.cos(angle), np.sin(angle)])


def _radius(distance: float, scale: float) -> float:
    return _HUB + (_RIM - _HUB) * distance / scale


def _scale(axes: Any, scale: float) -> None:
    """Draw arcs of equal RED and the figures under the base line."""
    around = np.linspace(0, np.pi, 181)
    step = 0.25 if scale < 1.6 else 0.5
    for level in np.arange(step, scale + 1e-9, step):
        at_one, radius = abs(level - 1.0) < 1e-9, _radius(level, scale)
        axes.plot(
            radius * np.cos(around), radius * np.sin(around), color=INK if at_one else PALE,
            linewidth=1.7 if at_one else 0.7, linestyle="-" if at_one else ":", zorder=1, clip_on=False,
        )  # fmt: skip
        for side in (-1, 1):
            axes.text(
                side * radius, -0.02, f"{level:g}", ha="center", va="top", fontsize="small",
                weight="bold" if at_one else "normal", color=INK,
            )  # fmt: skip
    axes.text(0, -0.045, "RED [-]", ha="center", va="top", fontsize="small", color=INK)
    axes.plot([-_RIM, _RIM], [0, 0], color=INK, linewidth=0.8, zorder=1, clip_on=False)
    for radius in (_RIM, _RIM + _BAND):
        axes.plot(radius * np.cos(around), radius * np.sin(around), color=INK, linewidth=0.8, zorder=1, clip_on=False)


def _ray(axes: Any, row: dict[str, Any], angle: float, radius: float, label: str, size: float) -> Any:
    """Draw one carrier and return its name at the rim."""
    struck, spot, rim = refused(row), _toward(angle, min(radius, 0.985)), _toward(angle, _RIM)
    axes.plot([0, spot[0]], [0, spot[1]], color=QUIET, linewidth=1.1, zorder=2)
    axes.plot([spot[0], rim[0]], [spot[1], rim[1]], color=PALE, linewidth=0.6, zorder=1)
    mark(axes, spot.tolist(), row.get("verdict"), struck=struck, size=size)
    left = angle > np.pi / 2
    return axes.text(
        *_toward(angle, _RIM + _BAND + 0.02), label, rotation=np.rad2deg(angle) - (180.0 if left else 0.0),
        rotation_mode="anchor", va="center", ha="right" if left else "left", fontsize="small",
        color=QUIET if struck else INK,
    )  # fmt: skip


def _sectors(axes: Any, angles: Array, sector: Any) -> None:
    """Rule off the sectors in the band at the rim and name them there."""
    present = sorted(set(sector.tolist()))
    edges = [np.pi, *((angles[sector == a].min() + angles[sector == b].max()) / 2 for a, b in pairwise(present)), 0.0]
    for edge in edges[1:-1]:
        axes.plot(*np.stack([_toward(edge, 0.08), _toward(edge, _RIM + _BAND)]).T, color=INK, linewidth=0.8, zorder=1)
    for kind, start, end in zip(present, edges[:-1], edges[1:], strict=True):
        axis, sign = _SECTORS[kind]
        wide = (start - end) * (_RIM + _BAND) > 0.75
        words = f"{'more' if sign > 0 else 'less'} {_WORDS[axis]}, {_SYMBOLS[axis]}" if wide else _SYMBOLS[axis]
        middle = (start + end) / 2
        axes.text(
            *_toward(middle, _RIM + _BAND / 2), words + (" +" if sign > 0 else " −"), ha="center", va="center",
            rotation=np.rad2deg(middle) - 90.0, fontsize="x-small", color=INK,
        )  # fmt: skip


def _finding(
    subject: Oil, shown: Sequence[Any], red: Array, sector: Any, rows: Sequence[dict[str, Any]]
) -> tuple[str, str]:
    near = int(np.argmin(np.where([refused(row) for row in rows], np.inf, red)))
    first = f"{subject.label}: {shown[near].name} is nearest (RED {red[near]:.2f})"
    if all(refused(row) for row in rows):
        first = f"{subject.label}: none of these may be used"
    beyond = red > 1.0
    if not beyond.any():
        return first, f"all {len(shown)} carriers lie below RED 1"
    kinds, counts = np.unique(sector[beyond], return_counts=True)
    axis, sign = _SECTORS[kinds[np.argmax(counts)]]
    many = "all" if counts.max() == beyond.sum() else f"{counts.max()}"
    reason = f"too {'much' if sign > 0 else 'little'} {_WORDS[axis]}"
    return first, f"{int(beyond.sum())} of {len(shown)} lie beyond RED 1, {many} of them for {reason}"
