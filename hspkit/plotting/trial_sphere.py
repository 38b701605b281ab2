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

#: Reddish purple of the palette of Okabe and Ito.
_TINT = "#CC79A7"
#: The coordinates that are drawn: delta_h across, delta_p up.
_SHOWN = [2, 1]


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
    low, high = checks.kind(fit, "fit", SphereFit, "a SphereFit after its fit").interval(0.9)[3]
    rng = np.random.default_rng(checks.random_state(random_state))
    axes = axes_for(ax, size=(7.6, 6.6))
    _sphere(axes, fit, (low, high), rng)
    places = _places(fit)
    struck = {row: _not_ingestible(fit.names_[row]) for row in fit.trials_}
    wrong = {trial.row for trial in fit.misplaced_}
    misplaced = [row for row in fit.trials_ if row in wrong]
    for row, (point, verdict) in fit.trials_.items():
        axes.plot(*zip(point[_SHOWN], places[row], strict=True), color=PALE, linewidth=0.7, zorder=2)
        mark(axes, places[row].tolist(), verdict, struck=struck[row], size=7, zorder=4)
    for row in misplaced:
        axes.plot(*places[row], marker="o", markersize=14, fillstyle="none", color=INK, markeredgewidth=0.9, zorder=4)
    handles, words = keys(fit.classes_, any_struck=any(struck.values()), meaning=NOT_FOR_INGESTION)
    allowed, label = axes.get_legend_handles_labels()
    axes.legend(
        [*allowed, *handles], [*label, *words], loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False,
        fontsize="small", markerscale=1.2,
    )  # fmt: skip
    ringed = np.array([places[row] for row in misplaced]).reshape(-1, 2)
    spots = np.array([*places.values()]).reshape(-1, 2)
    Labels(
        axes,
        lambda: axes.transData.transform(ringed) if len(ringed) else ringed,
        [literal(fit.names_[row]) for row in misplaced],
        widths=[14.0] * len(ringed),
        styles=[{"fontsize": "small", "color": INK}] * len(ringed),
        extra_marks=lambda: axes.transData.transform(spots),
    )
    centre, radius = fit.center_, fit.radius_
    outermost = max(high, radius)
    bottom = np.vstack([spots, centre[_SHOWN] - outermost]).min(axis=0) - 1.0
    top = np.vstack([spots, centre[_SHOWN] + outermost]).max(axis=0) + 1.0
    axes.set_xlim(bottom[0], top[0])
    axes.set_ylim(bottom[1], top[1])
    axes.set_aspect("equal")
    axes.set_xlabel("toward $\\delta_h$, distance from the star is Ra [MPa$^{0.5}$]")
    axes.set_ylabel("toward $\\delta_p$ [MPa$^{0.5}$]")
    quality = f"desirability {fit.desirability_:.3f}, {len(fit.misplaced_)} of {len(fit.trials_)} misplaced"
    place = f"centre {centre[0]:.1f} / {centre[1]:.1f} / {centre[2]:.1f}, R0 {radius:.1f} ({low:.1f} to {high:.1f})"
    state(axes, place, quality)
    return axes


def _sphere(axes: Any, fit: SphereFit, interval: tuple[float, float], rng: np.random.Generator) -> None:
    """Draw the sphere, the interval of its radius, its centre and other centres that the trials allow."""
    from matplotlib.patches import Circle

    centre, radius = fit.center_[_SHOWN], fit.radius_
    axes.add_patch(Circle(tuple(centre), radius, facecolor=_TINT, alpha=0.16, linewidth=0, zorder=0))
    for edge, style, width in ((radius, "-", 1.2), *((end, ":", 0.9) for end in interval)):
        axes.add_patch(
            Circle(tuple(centre), edge, fill=False, edgecolor=INK, linestyle=style, linewidth=width, zorder=1)
        )
    drawn = fit.spheres()
    some = drawn[rng.choice(len(drawn), min(200, len(drawn)), replace=False)]
    axes.scatter(some[:, 2], some[:, 1], s=5, color=_TINT, alpha=0.55, linewidths=0, zorder=2, label="centres allowed")
    axes.plot(*centre, marker="*", color=INK, markersize=14, zorder=5)


def _places(fit: SphereFit) -> dict[Any, Any]:
    """Return where each trial is drawn: in its direction of delta_h and delta_p, as far from the centre as its Ra."""
    centre, places = fit.center_, {}
    for row, (point, _) in fit.trials_.items():
        offset = point[_SHOWN] - centre[_SHOWN]
        flat = float(np.hypot(*offset))
        distance = float(np.sqrt(4.0 * (point[0] - centre[0]) ** 2 + flat**2))
        places[row] = centre[_SHOWN] + distance * (offset / flat if flat > 0 else np.array([1.0, 0.0]))
    return places


def _not_ingestible(name: str) -> bool:
    """Return whether a name is that of a liquid that is not for ingestion."""
    for read in (carrier, Carrier.of):
        try:
            return read(name).not_for_ingestion
        except HspkitError:
            continue
    return False
