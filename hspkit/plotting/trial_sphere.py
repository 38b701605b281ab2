"""A sphere that was fitted to trials, with the trials."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit import checks
from hspkit.carriers import NOT_FOR_INGESTION, Carrier, carrier
from hspkit.errors import HspkitError
from hspkit.plotting.canvas import axes_for, literal, state
from hspkit.plotting.labels import Labels
from hspkit.plotting.outcomes import INK, PALE, keys, mark
from hspkit.sphere import SphereFit

if TYPE_CHECKING:
    from matplotlib.axes import Axes


__all__ = ["sphere_fit"]


def sphere_fit(fit: SphereFit, ax: Axes | None = None, *, random_state: int = 0) -> Axes:
    """Draw a sphere that was fitted to trials, with the trials at their true distance.

    Read it as a map around the centre: every trial lies in its direction of delta_h and delta_p, as far from the star
    as its Ra is, so it is on the side of the line on which the sphere has it. The thin line leads to where its delta_h
    and delta_p are; a long one means that delta_d makes much of the distance. The dotted lines are the 90 % interval of
    the radius, the small dots are centres of spheres that the trials allow too. Misplaced trials are ringed and named.
    Hollow and struck through: a liquid whose name says that it is not for ingestion.

    Parameters
    ----------
    fit : SphereFit
        After `SphereFit.fit`.
    ax : matplotlib Axes, optional
        Where to draw.
    random_state : int
        Seed of the choice of 200 centres that are drawn. [-]

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    TypeError
        When ax is not an Axes.
    """
    from matplotlib.patches import Circle

    low, high = checks.kind(fit, "fit", SphereFit, "a SphereFit after its fit").interval(0.9)[3]
    rng = np.random.default_rng(checks.random_state(random_state))
    axes = axes_for(ax, size=(7.6, 6.6))
    centre, reach = fit.center_, fit.radius_
    here = centre[[2, 1]]
    axes.add_patch(Circle(tuple(here), reach, facecolor="#CC79A7", alpha=0.16, linewidth=0, zorder=0))
    axes.add_patch(Circle(tuple(here), reach, fill=False, edgecolor=INK, linewidth=1.2, zorder=1))
    for edge in (low, high):
        axes.add_patch(Circle(tuple(here), edge, fill=False, edgecolor=INK, linestyle=":", linewidth=0.9, zorder=1))
    drawn = fit.spheres()
    some = drawn[rng.choice(len(drawn), min(200, len(drawn)), replace=False)]
    axes.scatter(
        some[:, 2], some[:, 1], s=5, color="#CC79A7", alpha=0.55, linewidths=0, zorder=2, label="centres allowed"
    )
    axes.plot(*here, marker="*", color=INK, markersize=14, zorder=5)
    named: list[tuple[str, Any]] = []
    struck: dict[int, bool] = {}
    wrong = {one.row: one for one in fit.misplaced_}
    shown = [here + edge * np.array(way) for edge in (high, reach) for way in ((1, 0), (-1, 0), (0, 1), (0, -1))]
    for row, (point, verdict) in fit.trials_.items():
        offset = point[[2, 1]] - here
        flat = float(np.hypot(*offset))
        apart = float(np.sqrt(4.0 * (point[0] - centre[0]) ** 2 + flat**2))
        way = offset / flat if flat > 0 else np.array([1.0, 0.0])
        where = here + apart * way
        shown.append(where)
        axes.plot(*zip(here + offset, where, strict=True), color=PALE, linewidth=0.7, zorder=2)
        struck[row] = _barred(fit.names_[row])
        mark(axes, where.tolist(), verdict, struck=struck[row], size=7, zorder=4)
        if row in wrong:
            axes.plot(*where, marker="o", markersize=14, fillstyle="none", color=INK, markeredgewidth=0.9, zorder=4)
            named.append((literal(str(wrong[row].name)), where))
    handles, words = keys(fit.classes_, any_struck=any(struck.values()), meaning=NOT_FOR_INGESTION)
    allowed, label = axes.get_legend_handles_labels()
    axes.legend(
        [*allowed, *handles], [*label, *words], loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False,
        fontsize="small", markerscale=1.2,
    )  # fmt: skip
    spots = np.array([spot for _, spot in named]).reshape(-1, 2)
    Labels(
        axes,
        lambda: axes.transData.transform(spots) if len(spots) else spots,
        [name for name, _ in named],
        widths=[14.0] * len(named),
        styles=[{"fontsize": "small", "color": INK}] * len(named),
        extra_marks=lambda: axes.transData.transform(np.array(shown[8:]).reshape(-1, 2)),
    )
    everything = np.array(shown)
    bottom, top = everything.min(axis=0) - 1.0, everything.max(axis=0) + 1.0
    axes.set_xlim(bottom[0], top[0])
    axes.set_ylim(bottom[1], top[1])
    axes.set_aspect("equal")
    axes.set_xlabel("toward $\\delta_h$, distance from the star is Ra [MPa$^{0.5}$]")
    axes.set_ylabel("toward $\\delta_p$ [MPa$^{0.5}$]")
    worth = f"desirability {fit.desirability_:.3f}, {len(fit.misplaced_)} of {len(fit.trials_)} misplaced"
    place = f"centre {centre[0]:.1f} / {centre[1]:.1f} / {centre[2]:.1f}, R0 {reach:.1f} ({low:.1f} to {high:.1f})"
    state(axes, place, worth)
    return axes


def _barred(name: str) -> bool:
    """Whether a name is that of a liquid that is not for ingestion."""
    for read in (carrier, Carrier.of):
        try:
            return read(name).not_for_ingestion
        except HspkitError:
            continue
    return False
