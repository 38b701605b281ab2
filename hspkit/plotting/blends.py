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
    from matplotlib.axes import Axes

    from hspkit.carriers import Blend, Carrier

__all__ = ["blend_path", "blend_triangle"]

#: Round figures for a logarithmic scale of viscosity. [mPa s]
_ROUND = tuple(factor * 10.0**power for power in range(-1, 5) for factor in (1, 2, 5))


def _subjects(seen: Survey) -> str:
    return " and ".join(getattr(one, "name", repr(one)) for one in seen.problem.subjects)


def _ratio(seen: Survey) -> str:
    return f"{seen.problem.parts[0]:g}:{seen.problem.parts[1]:g}"


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
    seen = survey(
        asked,
        [first, second],
        steps=50,
        oil_parts=oil_parts,
        carrier_parts=carrier_parts,
        price_per_L=price_per_L,
    )
    axes = axes_for(ax, size=(7.6, 4.8))
    share = 100.0 * seen.shares[:, 1]
    order = np.argsort(share)
    share = share[order]
    names = [literal(one.name) for one in seen.problem.chosen]
    look = OUTCOMES["clear"]
    axes.plot(share, seen.p_clear[order], color=look.color, linewidth=2.6, label="probability of clear")
    whole = axes.get_xaxis_transform()
    for bad, hatch, label in (
        (~seen.mixes[order], "xx", "the carriers may not mix"),
        (~seen.within[order], "///", "a limit is broken"),
    ):
        if bad.any():
            axes.fill_between(
                share, 0, 1, where=bad, transform=whole, facecolor="none", edgecolor=PALE, hatch=hatch, label=label,
                linewidth=0.0, step="mid",
            )  # fmt: skip
    axes.set_ylim(0.0, 1.02)
    axes.set_xlim(0.0, 100.0)
    axes.set_ylabel("probability of clear [-]", color=look.color)
    ends = [f"0\n100 % {names[0]}", "20", "40", "60", "80", f"100\n100 % {names[1]}"]
    axes.set_xticks([0, 20, 40, 60, 80, 100], ends)
    axes.set_xlabel(f"{names[1]} in the blend [% vol]")
    right = axes.twinx()
    viscosity = seen.viscosity[order]
    if np.isfinite(viscosity).any():
        right.semilogy(share, viscosity, color=INK, linestyle="--", linewidth=1.4, label="viscosity")
        low, high = np.nanmin(viscosity), np.nanmax(viscosity)
        right.set_ylim(low / 2.0, high * 2.0)
        ticks = [t for t in _ROUND if low / 2.0 <= t <= high * 2.0]
        right.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
        right.minorticks_off()
        right.set_ylabel("viscosity at 20 °C [mPa s]", color=INK)
    else:
        right.set_yticks([])
        right.set_ylabel("viscosity not on record", color=QUIET)
    cost = None if seen.cost is None else seen.cost[order]
    if cost is not None:
        top = axes.secondary_xaxis("top")
        places = np.linspace(0.0, 100.0, 6)
        top.set_xticks(places, [f"{value:.3g}" for value in np.interp(places, share, cost)])
        top.set_xlabel("cost of the blend [per L]", fontsize="small", labelpad=6)
    handles = [*axes.get_legend_handles_labels()[0], *right.get_legend_handles_labels()[0]]
    axes.legend(handles=handles, loc="best", fontsize="small", framealpha=0.9)
    state(
        axes, f"{_subjects(seen)}, {_ratio(seen)}: from {seen.problem.chosen[0].name} to {seen.problem.chosen[1].name}"
    )
    return axes


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
    seen = survey(asked, [first, second, third], steps=20, oil_parts=oil_parts, carrier_parts=carrier_parts)
    axes = axes_for(ax, size=(8.4, 7.4))
    x, y = on_page(seen.shares).T
    if np.isfinite(seen.p_clear).all():
        levels = [0.0, 0.1, 0.5, 0.9, 1.0]
        shades = ["#FFFFFF", *SHADES]
        axes.tricontourf(x, y, np.clip(seen.p_clear, 1e-9, 1 - 1e-9), levels=levels, colors=shades)
        if np.ptp(seen.p_clear) > 1e-6:
            inner = [level for level in levels[1:-1] if seen.p_clear.min() < level < seen.p_clear.max()]
            if inner:
                styles = {0.1: (0.8, ":"), 0.5: (1.6, "-"), 0.9: (0.8, "--")}
                lines = axes.tricontour(
                    x,
                    y,
                    seen.p_clear,
                    levels=inner,
                    colors=INK,
                    linewidths=[styles[level][0] for level in inner],
                    linestyles=[styles[level][1] for level in inner],
                )
                axes.clabel(lines, fmt={0.1: "10 % clear", 0.5: "50 %", 0.9: "90 %"}, fontsize="small")
    from matplotlib.patches import Patch

    keys = (
        [Patch(facecolor=SHADES[-1], edgecolor=PALE, label="clear: over 90 %")]
        if seen.p_clear.max(initial=0.0) > 0.9
        else []
    )
    for bad, hatch, label in (
        (~seen.within, "///", "a limit is broken"),
        (~seen.mixes, "xx", "the carriers may not mix"),
    ):
        if bad.any():
            field = axes.tricontourf(x, y, bad.astype(float), levels=[0.5, 1.5], colors="none", hatches=[hatch])
            field.set_edgecolor(QUIET)
            field.set_linewidth(0.0)
            keys.append(Patch(facecolor="none", edgecolor=QUIET, hatch=hatch, label=label))
    names = [one.name for one in seen.problem.chosen]
    corner_frame(axes, names)
    best = _best_in(asked, names)
    if best is not None:
        axes.plot(*on_page(best), marker="*", markersize=16, color=INK, linestyle="none", label="best blend")
        words = ", ".join(f"{100 * share:.3g} %" for share in best)
        spot = on_page(best)
        Labels(
            axes,
            lambda: axes.transData.transform(spot[None]),
            [words],
            widths=[16.0],
            styles=[{"fontsize": "small", "color": INK, "weight": "bold"}],
        )
        keys.extend(axes.get_legend_handles_labels()[0])
    if keys:
        axes.legend(handles=keys, loc="upper left", bbox_to_anchor=(-0.02, 1.0), fontsize="small", frameon=False)
    most = float(np.nanmax(seen.p_clear, initial=0.0))
    state(
        axes,
        f"{_subjects(seen)}, {_ratio(seen)}: probability of clear up to {most:.2f}",
        "shares of the blend [% vol]",
    )
    return axes


def _best_in(asked: BlendSearch | Oil | str, names: Sequence[str]) -> np.ndarray | None:
    """Return the shares of the best blend of a search when it is made of these carriers only."""
    if not isinstance(asked, BlendSearch):
        return None
    shares = {member.name: share for member, share in asked.best.shares.items()}
    if not set(shares) <= set(names):
        return None
    return np.array([shares.get(name, 0.0) for name in names])
