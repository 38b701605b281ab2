"""Blends: the way between two carriers, and the triangle of three."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from hspkit.blending.result import BlendSearch
from hspkit.blending.survey import Survey, survey
from hspkit.oils import Oil
from hspkit.plotting.canvas import axes_for, literal, state
from hspkit.plotting.labels import Labels
from hspkit.plotting.outcomes import INK, OUTCOMES, PALE, QUIET, SHADES
from hspkit.plotting.triangle import corner_frame, on_page

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

    from hspkit.carriers import Blend, Carrier

__all__ = ["blend_path", "blend_triangle"]

#: Round figures for a logarithmic scale of viscosity. [mPa s]
_ROUND = tuple(factor * 10.0**power for power in range(-1, 5) for factor in (1, 2, 5))
#: Lines of equal probability of clear in a triangle: width [pt], style and label.
_LINES = {0.1: (0.8, ":", "10 % clear"), 0.5: (1.6, "-", "50 %"), 0.9: (0.8, "--", "90 %")}


def _question(surveyed: Survey) -> str:
    problem = surveyed.problem
    subjects = " and ".join(getattr(subject, "name", repr(subject)) for subject in problem.subjects)
    return f"{subjects}, {problem.parts[0]:g}:{problem.parts[1]:g}"


def _warnings(surveyed: Survey) -> tuple[tuple[np.ndarray, str, str], ...]:
    """Return the blends that break a limit, and those whose carriers part: rows, hatch and label."""
    return (
        (~surveyed.within, "///", "a limit is broken"),
        (~surveyed.mixes, "xx", "the carriers may not mix"),
    )


def blend_path(
    asked: BlendSearch | Oil | str,
    first: str | Carrier | Blend,
    second: str | Carrier | Blend,
    ax: Axes | None = None,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
    price_per_L: Mapping[str, float] | None = None,
) -> Axes:
    """Draw what happens on the way from one carrier to another: probability of clear, viscosity, cost.

    The thick line is the probability of clear (left scale), the dashed one the viscosity (right scale, logarithmic);
    the upper scale is the cost, which is linear in the share. Crossed: the two carriers may not mix with each other.
    Hatched: a limit of the search is broken.

    Parameters
    ----------
    asked : BlendSearch, Oil or str
        A search brings its oils, limits and prices. [-]
    first, second : str, Carrier or Blend
        The carriers; the path runs from all of the first to all of the second. [-]
    ax : matplotlib Axes, optional
        Where to draw.
    oil_parts, carrier_parts : float
        Parts by volume, unless a search is given. [-]
    price_per_L : mapping of str to float, optional
        Prices, unless a search is given. [per L]

    Returns
    -------
    matplotlib Axes
        Of the probability; the other scales belong to the same figure.
    """
    surveyed = survey(
        asked,
        [first, second],
        steps=50,
        oil_parts=oil_parts,
        carrier_parts=carrier_parts,
        price_per_L=price_per_L,
    )
    axes = axes_for(ax, size=(7.6, 4.8))
    share = 100.0 * surveyed.shares[:, 1]
    order = np.argsort(share)
    share = share[order]
    names = [literal(carrier.name) for carrier in surveyed.problem.carriers]
    color = OUTCOMES["clear"].color
    axes.plot(share, surveyed.p_clear[order], color=color, linewidth=2.6, label="probability of clear")
    for rows, hatch, label in reversed(_warnings(surveyed)):
        if rows.any():
            axes.fill_between(
                share, 0, 1, where=rows[order], transform=axes.get_xaxis_transform(), facecolor="none",
                edgecolor=PALE, hatch=hatch, label=label, linewidth=0.0, step="mid",
            )  # fmt: skip
    axes.set_ylim(0.0, 1.02)
    axes.set_xlim(0.0, 100.0)
    axes.set_ylabel("probability of clear [-]", color=color)
    ends = [f"0\n100 % {names[0]}", "20", "40", "60", "80", f"100\n100 % {names[1]}"]
    axes.set_xticks([0, 20, 40, 60, 80, 100], ends)
    axes.set_xlabel(f"{names[1]} in the blend [% vol]")
    right = axes.twinx()
    _draw_viscosity(right, share, surveyed.viscosity[order])
    if surveyed.cost is not None:
        top = axes.secondary_xaxis("top")
        places = np.linspace(0.0, 100.0, 6)
        top.set_xticks(places, [f"{value:.3g}" for value in np.interp(places, share, surveyed.cost[order])])
        top.set_xlabel("cost of the blend [per L]", fontsize="small", labelpad=6)
    handles = [*axes.get_legend_handles_labels()[0], *right.get_legend_handles_labels()[0]]
    axes.legend(handles=handles, loc="best", fontsize="small", framealpha=0.9)
    ends = [carrier.name for carrier in surveyed.problem.carriers]
    state(axes, f"{_question(surveyed)}: from {ends[0]} to {ends[1]}")
    return axes


def _draw_viscosity(axes: Axes, share: np.ndarray, viscosity: np.ndarray) -> None:
    if not np.isfinite(viscosity).any():
        axes.set_yticks([])
        axes.set_ylabel("viscosity not on record", color=QUIET)
        return
    axes.semilogy(share, viscosity, color=INK, linestyle="--", linewidth=1.4, label="viscosity")
    low, high = np.nanmin(viscosity) / 2.0, np.nanmax(viscosity) * 2.0
    axes.set_ylim(low, high)
    ticks = [tick for tick in _ROUND if low <= tick <= high]
    axes.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
    axes.minorticks_off()
    axes.set_ylabel("viscosity at 20 °C [mPa s]", color=INK)


def blend_triangle(
    asked: BlendSearch | Oil | str,
    first: str | Carrier | Blend,
    second: str | Carrier | Blend,
    third: str | Carrier | Blend,
    ax: Axes | None = None,
    *,
    oil_parts: float = 1,
    carrier_parts: float = 2,
) -> Axes:
    """Draw the blends of three carriers as a triangle with lines of equal probability of clear.

    Each corner is one carrier alone, the opposite side has none of it; the ticks along a side count the carrier that is
    named there. The darker, the more surely clear. Hatched: a limit of the search is broken. Crossed: the carriers may
    not mix with one another. The star is the best blend of the search, when it lies in this triangle.

    Parameters
    ----------
    asked : BlendSearch, Oil or str
        A search brings its oils, limits and best blend. [-]
    first, second, third : str, Carrier or Blend
        Corners: lower left, lower right, top. [-]
    ax : matplotlib Axes, optional
        Where to draw.
    oil_parts, carrier_parts : float
        Parts by volume, unless a search is given. [-]

    Returns
    -------
    matplotlib Axes
    """
    from matplotlib.patches import Patch

    surveyed = survey(asked, [first, second, third], steps=20, oil_parts=oil_parts, carrier_parts=carrier_parts)
    axes = axes_for(ax, size=(8.4, 7.4))
    x, y = on_page(surveyed.shares).T
    most = float(np.nanmax(surveyed.p_clear, initial=0.0))
    if np.isfinite(surveyed.p_clear).all():
        _draw_contours(axes, x, y, surveyed.p_clear)
    keys: list[Artist] = []
    if surveyed.p_clear.max(initial=0.0) > 0.9:
        keys.append(Patch(facecolor=SHADES[-1], edgecolor=PALE, label="clear: over 90 %"))
    for rows, hatch, label in _warnings(surveyed):
        if rows.any():
            field = axes.tricontourf(x, y, rows.astype(float), levels=[0.5, 1.5], colors="none", hatches=[hatch])
            field.set_edgecolor(QUIET)
            field.set_linewidth(0.0)
            keys.append(Patch(facecolor="none", edgecolor=QUIET, hatch=hatch, label=label))
    names = [carrier.name for carrier in surveyed.problem.carriers]
    corner_frame(axes, names)
    best = _best_in(asked, names)
    if best is not None:
        keys.append(_draw_best(axes, best))
    if keys:
        axes.legend(handles=keys, loc="upper left", bbox_to_anchor=(-0.02, 1.0), fontsize="small", frameon=False)
    state(axes, f"{_question(surveyed)}: probability of clear up to {most:.2f}", "shares of the blend [% vol]")
    return axes


def _draw_contours(axes: Axes, x: np.ndarray, y: np.ndarray, p_clear: np.ndarray) -> None:
    """Shade the probability of clear and draw its lines."""
    levels = [0.0, *_LINES, 1.0]
    axes.tricontourf(x, y, np.clip(p_clear, 1e-9, 1 - 1e-9), levels=levels, colors=["#FFFFFF", *SHADES])
    inner = [level for level in _LINES if p_clear.min() < level < p_clear.max()]
    if inner and np.ptp(p_clear) > 1e-6:
        widths, styles, labels = zip(*(_LINES[level] for level in inner), strict=True)
        lines = axes.tricontour(x, y, p_clear, levels=inner, colors=INK, linewidths=widths, linestyles=styles)
        axes.clabel(lines, fmt=dict(zip(inner, labels, strict=True)), fontsize="small")


def _draw_best(axes: Axes, shares: np.ndarray) -> Artist:
    """Star the best blend, write its shares beside it, and return the star."""
    place = on_page(shares)
    (star,) = axes.plot(*place, marker="*", markersize=16, color=INK, linestyle="none", label="best blend")
    Labels(
        axes,
        lambda: axes.transData.transform(place[None]),
        [", ".join(f"{100 * share:.3g} %" for share in shares)],
        widths=[16.0],
        styles=[{"fontsize": "small", "color": INK, "weight": "bold"}],
    )
    return star


def _best_in(subject: BlendSearch | Oil | str, names: Sequence[str]) -> np.ndarray | None:
    """Return the shares of the best blend of a search when it is made of these carriers only."""
    if not isinstance(subject, BlendSearch):
        return None
    shares = {member.name: share for member, share in subject.best.shares.items()}
    return np.array([shares.get(name, 0.0) for name in names]) if set(shares) <= set(names) else None
