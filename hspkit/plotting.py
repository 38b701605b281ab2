"""Figures: thin functions over results, matplotlib only.

Every function takes ``ax=None`` and returns the Axes it drew on. Outcomes are told by marker and fill as well as by
colour (Okabe and Ito 2008, a palette that colour-blind readers can tell apart), so a figure survives greyscale.
Nothing calls ``plt.show()`` or touches rcParams.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from hspkit.blending.result import BlendSearch
from hspkit.blending.survey import Survey, survey
from hspkit.errors import InputError
from hspkit.miscibility import clear_probability, interaction_radius
from hspkit.oils import Oil, oil
from hspkit.ranking import candidates

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from hspkit.carriers import Blend, Carrier
    from hspkit.ranking import Ranking
    from hspkit.sphere import SphereFit

__all__ = ["blend_path", "blend_triangle", "dose", "map", "ranking", "save", "sphere", "sphere_fit"]

_INK = "#3A3A3A"
_PALE = "#BDBDBD"
#: Colour, marker, fill style and hatch of an outcome. Bluish green, orange and ink of the Okabe-Ito palette.
_OUTCOMES: dict[str, dict[str, Any]] = {
    "clear": {"color": "#009E73", "marker": "o", "fill": "full", "hatch": ""},
    "hazy": {"color": "#E69F00", "marker": "D", "fill": "left", "hatch": "///"},
    "splits": {"color": _INK, "marker": "v", "fill": "none", "hatch": "xx"},
}
_REASONS = (
    ("allowed", "allowed"),
    ("under_legal_limit", "law"),
    ("under_taste_limit", "taste"),
    ("pours", "pours"),
    ("drink_stays_clear", "drink"),
)


def _axes(ax: Axes | None, *, size: tuple[float, float], projection: str | None = None) -> Any:
    from matplotlib.axes import Axes as AxesType

    if ax is not None:
        if not isinstance(ax, AxesType):
            message = f"ax is a {type(ax).__name__}; expected a matplotlib Axes"
            raise TypeError(message)
        if projection == "3d" and not hasattr(ax, "get_zlim"):
            message = "ax is flat; make it with fig.add_subplot(projection='3d')"
            raise InputError(message)
        return ax
    import matplotlib.pyplot as plt

    figure = plt.figure(figsize=size, layout="constrained")
    return figure.add_subplot(projection=projection)


def save(axes: Any, path: str | Path, *, dpi: float = 150) -> None:
    """Write the figure of some Axes to a file.

    Parameters
    ----------
    axes : matplotlib Axes
        From one of the functions here.
    path : str or Path
        File to write; its ending chooses the format (png, svg, pdf). [-]
    dpi : float
        Resolution of a png. [1/inch]

    Raises
    ------
    InputError
        When the format is not known.
    OSError
        When the file cannot be written.
    """
    figure = axes.get_figure(root=True)
    try:
        figure.savefig(path, dpi=dpi, bbox_inches="tight")
    except ValueError as error:
        message = f"cannot draw to {str(path)!r}: {error}"
        raise InputError(message) from None


def _point(ax: Axes, where: Sequence[float], verdict: str, *, allowed: bool | None, size: float, **extra: Any) -> None:
    look = _OUTCOMES[verdict]
    hollow = allowed is False
    ax.plot(
        *[[value] for value in where],
        linestyle="none",
        marker=look["marker"],
        markersize=size,
        fillstyle="none" if hollow else look["fill"],
        color=look["color"],
        markeredgecolor=look["color"],
        markerfacecoloralt="white",
        **extra,
    )


def ranking(ranking: Ranking, ax: Axes | None = None) -> Axes:
    """Draw a ranking: bars of the probability of clear, and one column of marks for each reason.

    Read it from the top: a long bar is likely clear; the marks right of it say whether the carrier is allowed,
    within the law, below its taste limit, thin enough to pour, and whether the drink stays clear. A grey name is
    a carrier that is refused.

    Parameters
    ----------
    ranking : Ranking
        From `hspkit.rank_carriers`.
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    TypeError
        When ax is not an Axes.
    """
    rows = ranking.table.to_dict("records")
    axes = _axes(ax, size=(8.6, 1.7 + 0.32 * len(rows)))
    asked = [(key, label) for key, label in _REASONS if any(row[key] is not None for row in rows)]
    for place, row in enumerate(rows):
        look = _OUTCOMES[row["verdict"]]
        refused = row["allowed"] is False or row["under_legal_limit"] is False
        axes.barh(
            place,
            row["p_clear"],
            height=0.62,
            facecolor="white" if refused else look["color"],
            edgecolor=look["color"],
            hatch=look["hatch"],
            linewidth=1.0,
        )
        axes.text(
            min(row["p_clear"], 1.0) + 0.015,
            place,
            row["verdict"] + (" ?" if row["undecided"] else ""),
            va="center",
            fontsize="small",
            color=_INK,
        )
        for column, (key, _) in enumerate(asked):
            value = row[key]
            mark, colour = ("–", _PALE) if value is None else ("✓", _INK) if value else ("✗", "#D55E00")
            axes.text(1.27 + 0.13 * column, place, mark, ha="center", va="center", color=colour)
    for column, (_, label) in enumerate(asked):
        axes.text(1.27 + 0.13 * column, -0.75, label, ha="center", va="bottom", fontsize="small", color=_INK)
    axes.set_yticks(range(len(rows)), [str(row["carrier"]) for row in rows])
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        if row["allowed"] is False or row["under_legal_limit"] is False:
            tick.set_color("#8A8A8A")
    axes.set_ylim(len(rows) - 0.4, -1.3)
    axes.set_xlim(0.0, 1.2 + 0.13 * max(len(asked), 1))
    axes.set_xticks([0, 0.25, 0.5, 0.75, 1.0])
    axes.set_xlabel("probability of clear [-]", loc="left")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    best = f"{ranking.best} first" if ranking.best else "no carrier is allowed and clear"
    axes.set_title(f"{ranking.oil.name}, {ranking.oil_parts:g}:{ranking.carrier_parts:g}: {best}", loc="left")
    return axes


def _spread(places: np.ndarray, gap: float) -> np.ndarray:
    """Move label heights apart until neighbours keep the gap; order and mean stay."""
    order = np.argsort(places, kind="stable")
    moved = places[order].astype(float)
    for _ in range(200):
        closer = gap - np.diff(moved)
        if not np.any(closer > 1e-9):
            break
        push = np.clip(closer, 0.0, None) / 2
        moved[:-1] -= push
        moved[1:] += push
    result = np.empty_like(moved)
    result[order] = moved
    return result


def map(
    oil_or_name: Oil | str,
    carriers: Sequence[Carrier | Blend] | None = None,
    ax: Axes | None = None,
    *,
    ranking: Ranking | None = None,
    oil_parts: float = 1,
    carrier_parts: float = 2,
) -> Axes:
    """Draw delta_p against delta_h at the oil's delta_d, with lines of equal probability of clear.

    Read the lines for a carrier of middling molar volume: up the hill toward the oil it gets clearer. The size of a
    carrier's mark is its molar volume, so a big mark sits a little further down than the lines say and a small one
    a little further up. Hollow and struck through: not allowed. Small grey marks are the components of the oil.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carriers : sequence of Carrier or Blend, optional
        Carriers to place; default all that ship, or those of the ranking. [-]
    ax : matplotlib Axes, optional
        Where to draw.
    ranking : Ranking, optional
        Gives outcomes and permissions; without it carriers are drawn without an outcome.
    oil_parts, carrier_parts : float
        Parts by volume for the probability. [-]

    Returns
    -------
    matplotlib Axes
    """
    subject = oil_or_name if isinstance(oil_or_name, Oil) else oil(oil_or_name)
    shown = _shown(carriers, ranking)
    axes = _axes(ax, size=(9.0, 6.6))
    points = np.array([one.hsp.array for one in shown])
    sizes = np.array([one.volume for one in shown])
    reach_p, reach_h = max(points[:, 1].max(), 12.0) + 2.0, max(points[:, 2].max(), 16.0) + 2.0
    grid_p, grid_h = np.meshgrid(np.linspace(0, reach_p, 25), np.linspace(0, reach_h, 25))
    field = np.stack([np.full_like(grid_p, subject.hsp.delta_d), grid_p, grid_h], axis=-1)
    middle = float(np.median(sizes))
    chance = clear_probability(subject, field, middle, oil_parts=oil_parts, carrier_parts=carrier_parts)
    lines = axes.contour(
        grid_h,
        grid_p,
        chance,
        levels=[0.1, 0.5, 0.9],
        colors=_INK,
        linewidths=[0.8, 1.6, 0.8],
        linestyles=[":", "-", "--"],
    )
    axes.clabel(lines, fmt={0.1: "10 % clear", 0.5: "50 %", 0.9: "90 %"}, fontsize="small")
    parts = subject.component_hsp
    axes.scatter(
        parts[:, 2],
        parts[:, 1],
        s=8 + 160 * subject.fractions,
        color=_PALE,
        zorder=2,
        label="components of the oil",
    )
    heights = _spread(points[:, 1], reach_p / 34)
    known = {} if ranking is None else {row["carrier"]: row for row in ranking.table.to_dict("records")}
    for one, point, size, height in zip(shown, points, sizes, heights, strict=True):
        row = known.get(one.name, {})
        refused = row.get("allowed") is False
        mark = 3.5 + 0.35 * np.sqrt(size)
        if row:
            _point(axes, (point[2], point[1]), row["verdict"], allowed=row["allowed"], size=mark, zorder=3)
        else:
            axes.plot(point[2], point[1], "o", color="#56B4E9", markeredgecolor=_INK, markersize=mark, zorder=3)
        if refused:
            axes.plot(point[2], point[1], marker=(2, 0, 45), color=_INK, markersize=mark + 6, zorder=4)
        axes.annotate(
            one.name,
            (point[2], point[1]),
            (point[2] + 0.02 * reach_h, height),
            va="center",
            fontsize="small",
            color="#8A8A8A" if refused else _INK,
            arrowprops={"arrowstyle": "-", "color": _PALE, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 3},
        )
    axes.set_xlabel("hydrogen-bonding part $\\delta_h$ [MPa$^{0.5}$]")
    axes.set_ylabel("polar part $\\delta_p$ [MPa$^{0.5}$]")
    axes.set_xlim(0, reach_h)
    axes.set_ylim(0, reach_p)
    axes.set_title(
        f"{subject.name}: where a carrier of {middle:.0f} cm³/mol would be clear at {oil_parts:g}:{carrier_parts:g}",
        loc="left",
    )
    return axes


def _shown(carriers: Sequence[Carrier | Blend] | None, ranking: Ranking | None) -> list[Carrier | Blend]:
    if carriers is not None:
        return list(carriers)
    if ranking is not None:
        return [outcome.carrier for outcome in ranking.outcomes]
    return candidates()


def sphere(
    oil_or_name: Oil | str,
    carriers: Sequence[Carrier | Blend] | None = None,
    ax: Axes | None = None,
    *,
    ranking: Ranking | None = None,
    radius: float | None = None,
) -> Axes:
    """Draw an oil's solubility sphere in Hansen space with carriers around it.

    The axis of delta_d is stretched two to one, so that the sphere is round and distances on the page are Ra. Each
    carrier stands on a stem over the floor (delta_p = 0), which shows how deep it lies, and has a number that the key
    beside the figure explains. The sphere is cut off where parameters would be negative.

    Parameters
    ----------
    oil_or_name : Oil or str
        The oil. [-]
    carriers : sequence of Carrier or Blend, optional
        Carriers to place; default all that ship, or those of the ranking. [-]
    ax : matplotlib Axes, optional
        Three-dimensional Axes to draw on.
    ranking : Ranking, optional
        Gives outcomes and permissions.
    radius : float, optional
        R0; default `interaction_radius` for a carrier of median molar volume: inside it the theory lets oil
        and carrier mix in every proportion. [MPa^0.5]

    Returns
    -------
    matplotlib Axes
    """
    subject = oil_or_name if isinstance(oil_or_name, Oil) else oil(oil_or_name)
    shown = _shown(carriers, ranking)
    axes = _axes(ax, size=(9.6, 6.4), projection="3d")
    points = np.array([one.hsp.array for one in shown])
    middle = float(np.median([one.volume for one in shown]))
    size = subject.volume
    reach = float(interaction_radius(size, middle)) if radius is None else float(radius)
    centre = subject.hsp.array
    turn, tilt = np.meshgrid(np.linspace(0, 2 * np.pi, 121), np.linspace(0, np.pi, 61))
    shell_d = centre[0] + 0.5 * reach * np.cos(turn) * np.sin(tilt)
    shell_h = centre[2] + reach * np.sin(turn) * np.sin(tilt)
    shell_p = centre[1] + reach * np.cos(tilt)
    exists = (shell_h >= 0) & (shell_p >= 0)  # there are no liquids of negative parameters
    shell = [np.where(exists, part, np.nan) for part in (shell_d, shell_h, shell_p)]
    axes.plot_surface(
        *shell, color="#CC79A7", alpha=0.16, linewidth=0, antialiased=True, shade=False, rstride=1, cstride=1
    )
    axes.plot([centre[0]] * 2, [centre[2]] * 2, [0, centre[1]], color=_INK, linewidth=0.9)
    axes.plot([centre[0]], [centre[2]], [centre[1]], marker="*", color=_INK, markersize=14, linestyle="none")
    known = {} if ranking is None else {row["carrier"]: row for row in ranking.table.to_dict("records")}
    key = ["★ " + subject.name]
    for number, (one, point) in enumerate(zip(shown, points, strict=True), start=1):
        row = known.get(one.name, {})
        refused = row.get("allowed") is False
        where = (point[0], point[2], point[1])
        axes.plot([where[0]] * 2, [where[1]] * 2, [0, where[2]], color=_PALE, linewidth=0.7)
        axes.plot([where[0]], [where[1]], [0], marker=".", color=_PALE, markersize=4)
        if row:
            _point(axes, where, row["verdict"], allowed=row["allowed"], size=7)
        else:
            axes.plot(
                *[[v] for v in where],
                marker="o",
                color="#56B4E9",
                markeredgecolor=_INK,
                markersize=6,
                linestyle="none",
            )
        if refused:
            axes.plot(*[[v] for v in where], marker=(2, 0, 45), color=_INK, markersize=12, linestyle="none")
        axes.text(*where, f"  {number}", fontsize="small", color="#8A8A8A" if refused else _INK)
        word = f" {row['verdict']}" + (", not allowed" if refused else "") if row else ""
        key.append(f"{number:>2}  {one.name}{':' if word else ''}{word}")
    axes.text2D(1.04, 0.98, "\n".join(key), transform=axes.transAxes, fontsize="small", va="top", color=_INK)
    everything = np.vstack([points, centre + np.array([reach / 2, reach, reach]), centre - np.array([reach / 2, 0, 0])])
    low, high = everything.min(axis=0), everything.max(axis=0)
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(0, high[2])
    axes.set_zlim(0, high[1])
    axes.set_box_aspect((2 * (high[0] - low[0]), high[2], high[1]))
    axes.set_xlabel("$\\delta_d$ [MPa$^{0.5}$]")
    axes.set_ylabel("$\\delta_h$ [MPa$^{0.5}$]")
    axes.set_zlabel("$\\delta_p$ [MPa$^{0.5}$]")
    axes.view_init(elev=18, azim=-62)
    axes.set_title(f"{subject.name}: R0 {reach:.1f} MPa$^{{0.5}}$ for carriers of {middle:.0f} cm³/mol", loc="left")
    return axes


def dose(ranking: Ranking, ax: Axes | None = None) -> Axes:
    """Draw how much of each carrier a litre of product holds, against the legal and the taste limit.

    On each line the round or pointed mark is the dose of this use (its shape is the outcome of the stock), a square the
    taste limit and a bar the legal limit; a dose right of a limit breaks it. An arrow: no limit on record. Hollow and
    struck through: not allowed.

    Parameters
    ----------
    ranking : Ranking
        From `hspkit.rank_carriers` with an application.
    ax : matplotlib Axes, optional
        Where to draw; a new figure otherwise.

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    InputError
        When the ranking has no application, or no carrier of it has a dose.
    TypeError
        When ax is not an Axes.
    """
    rows = [row for row in ranking.table.to_dict("records") if np.isfinite(row["carrier_mg_per_L"])]
    if ranking.application is None or not rows:
        message = "this ranking has no doses; rank with application=Application(market, category, oil_mg_per_L=...)"
        raise InputError(message)
    axes = _axes(ax, size=(8.6, 1.9 + 0.32 * len(rows)))
    doses = [row["carrier_mg_per_L"] for row in rows]
    limits = [row[key] for row in rows for key in ("legal_limit_mg_per_L", "taste_limit_mg_per_L") if row[key] > 0]
    low = 10.0 ** np.floor(np.log10(min([*doses, *limits])) - 0.1)
    high = 10.0 ** np.ceil(np.log10(max([*doses, *limits])) + 0.1)
    for place, row in enumerate(rows):
        amount, refused = row["carrier_mg_per_L"], row["allowed"] is False
        known = {key: row[f"{key}_limit_mg_per_L"] for key in ("legal", "taste")}
        ends = [value for value in known.values() if np.isfinite(value) and value > 0]
        if not refused:
            end = min(ends) if ends else high * 0.93
            over = bool(ends) and amount > end
            axes.plot([amount, end], [place] * 2, color="#D55E00" if over else _PALE, linewidth=3 if over else 1.4)
            if not ends:
                axes.plot(end, place, marker=">", color=_PALE, markersize=6)
        for key, mark in (("taste", "s"), ("legal", "|")):
            if np.isfinite(known[key]) and known[key] > 0:
                axes.plot(known[key], place, marker=mark, color="#0072B2", markersize=14 if mark == "|" else 6,
                          markeredgewidth=3 if mark == "|" else 1, linestyle="none")  # fmt: skip
        _point(axes, (amount, place), row["verdict"], allowed=row["allowed"], size=8, zorder=3)
        if refused:
            axes.plot(amount, place, marker=(2, 0, 45), color=_INK, markersize=14, zorder=4)
    axes.set_xscale("log")
    axes.set_xlim(low, high)
    axes.set_yticks(range(len(rows)), [str(row["carrier"]) for row in rows])
    for tick, row in zip(axes.get_yticklabels(), rows, strict=True):
        if row["allowed"] is False or row["under_legal_limit"] is False:
            tick.set_color("#8A8A8A")
    axes.set_ylim(len(rows) - 0.4, -0.6)
    axes.set_xlabel("carrier in the finished product [mg/L]", loc="left")
    handles = [
        axes.plot(
            [], [], marker=look["marker"], fillstyle=look["fill"], color=look["color"], linestyle="none", label=name
        )[0]
        for name, look in _OUTCOMES.items()
        if any(row["verdict"] == name for row in rows)
    ]
    for mark, label, wide in (("s", "taste limit", 1), ("|", "legal limit", 3)):
        handles.append(
            axes.plot(
                [], [], marker=mark, color="#0072B2", markeredgewidth=wide, markersize=8, linestyle="none", label=label
            )[0]
        )
    axes.legend(
        handles=handles, ncols=len(handles), loc="lower left", bbox_to_anchor=(0, 1), frameon=False, fontsize="small"
    )
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    asked = ranking.application
    axes.set_title(f"{ranking.oil.name}: {asked.category}, {asked.market}, {asked.level()}", loc="left", pad=26)
    return axes


def sphere_fit(fit: SphereFit, ax: Axes | None = None, *, random_state: int = 0) -> Axes:
    """Draw a sphere that was fitted to trials, with the trials at their true distance.

    Read it as a map around the centre: every trial lies in its direction of delta_h and delta_p, as far from the star
    as its Ra is, so it is on the side of the line on which the sphere has it. The thin line leads to where its delta_h
    and delta_p are; a long one means that delta_d makes much of the distance. The dotted lines are the 90 % interval of
    the radius, the small dots are centres of spheres that the trials allow too. Misplaced trials are ringed and named.

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

    axes = _axes(ax, size=(7.6, 6.6))
    centre, reach = fit.center_, fit.radius_
    here = centre[[2, 1]]
    low, high = fit.interval(0.9)[3]
    axes.add_patch(Circle(tuple(here), reach, facecolor="#CC79A7", alpha=0.16, linewidth=0, zorder=0))
    axes.add_patch(Circle(tuple(here), reach, fill=False, edgecolor=_INK, linewidth=1.2, zorder=1))
    for edge in (low, high):
        axes.add_patch(Circle(tuple(here), edge, fill=False, edgecolor=_INK, linestyle=":", linewidth=0.9, zorder=1))
    drawn = fit.spheres()
    some = drawn[np.random.default_rng(random_state).choice(len(drawn), min(200, len(drawn)), replace=False)]
    axes.scatter(
        some[:, 2], some[:, 1], s=5, color="#CC79A7", alpha=0.55, linewidths=0, zorder=2, label="centres allowed"
    )
    axes.plot(*here, marker="*", color=_INK, markersize=14, zorder=5)
    wrong = {one.row: one for one in fit.misplaced_}
    shown = [here + edge * np.array(way) for edge in (high, reach) for way in ((1, 0), (-1, 0), (0, 1), (0, -1))]
    for row, (point, verdict) in fit.trials_.items():
        offset = point[[2, 1]] - here
        flat = float(np.hypot(*offset))
        apart = float(np.sqrt(4.0 * (point[0] - centre[0]) ** 2 + flat**2))
        way = offset / flat if flat > 0 else np.array([1.0, 0.0])
        where = here + apart * way
        shown.append(where)
        axes.plot(*zip(here + offset, where, strict=True), color=_PALE, linewidth=0.7, zorder=2)
        _point(axes, where.tolist(), verdict, allowed=None, size=7, zorder=4)
        if row in wrong:
            axes.plot(*where, marker="o", markersize=14, fillstyle="none", color=_INK, markeredgewidth=0.9, zorder=4)
            axes.annotate(
                wrong[row].name, where, (8, 6), textcoords="offset points", fontsize="small", color=_INK, zorder=6
            )
    for verdict in fit.classes_:
        look = _OUTCOMES[verdict]
        axes.plot(
            [],
            [],
            linestyle="none",
            marker=look["marker"],
            fillstyle=look["fill"],
            color=look["color"],
            markerfacecoloralt="white",
            label=verdict,
        )
    axes.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize="small", markerscale=1.2)
    everything = np.array(shown)
    bottom, top = everything.min(axis=0) - 1.0, everything.max(axis=0) + 1.0
    axes.set_xlim(bottom[0], top[0])
    axes.set_ylim(bottom[1], top[1])
    axes.set_aspect("equal")
    axes.set_xlabel("toward $\\delta_h$, distance from the star is Ra [MPa$^{0.5}$]")
    axes.set_ylabel("toward $\\delta_p$ [MPa$^{0.5}$]")
    worth = f"desirability {fit.desirability_:.3f}, {len(fit.misplaced_)} of {len(fit.trials_)} misplaced"
    place = f"centre {centre[0]:.1f} / {centre[1]:.1f} / {centre[2]:.1f}, R0 {reach:.1f} ({low:.1f} to {high:.1f})"
    axes.set_title(f"{place}\n{worth}", loc="left", fontsize="medium")
    return axes


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
    axes = _axes(ax, size=(7.6, 4.8))
    share = 100.0 * seen.shares[:, 1]
    order = np.argsort(share)
    share = share[order]
    names = [one.name for one in seen.problem.chosen]
    look = _OUTCOMES["clear"]
    axes.plot(share, seen.p_clear[order], color=look["color"], linewidth=2.6, label="probability of clear")
    whole = axes.get_xaxis_transform()
    for bad, hatch, label in (
        (~seen.mixes[order], "xx", "the carriers may not mix"),
        (~seen.within[order], "///", "a limit is broken"),
    ):
        if bad.any():
            axes.fill_between(
                share, 0, 1, where=bad, transform=whole, facecolor="none", edgecolor=_PALE, hatch=hatch, label=label,
                linewidth=0.0, step="mid",
            )  # fmt: skip
    axes.set_ylim(0.0, 1.02)
    axes.set_xlim(0.0, 100.0)
    axes.set_ylabel("probability of clear [-]", color=look["color"])
    ends = [f"0\n100 % {names[0]}", "20", "40", "60", "80", f"100\n100 % {names[1]}"]
    axes.set_xticks([0, 20, 40, 60, 80, 100], ends)
    axes.set_xlabel(f"{names[1]} in the blend [% vol]")
    right = axes.twinx()
    viscosity = seen.viscosity[order]
    if np.isfinite(viscosity).any():
        right.semilogy(share, viscosity, color=_INK, linestyle="--", linewidth=1.4, label="viscosity")
        low, high = np.nanmin(viscosity), np.nanmax(viscosity)
        right.set_ylim(low / 2.0, high * 2.0)
        ticks = [t for t in _ROUND if low / 2.0 <= t <= high * 2.0]
        right.set_yticks(ticks, [f"{tick:g}" for tick in ticks])
        right.minorticks_off()
        right.set_ylabel("viscosity at 20 °C [mPa s]", color=_INK)
    else:
        right.set_yticks([])
        right.set_ylabel("viscosity not on record", color="#8A8A8A")
    cost = None if seen.cost is None else seen.cost[order]
    if cost is not None:
        top = axes.secondary_xaxis("top")
        places = np.linspace(0.0, 100.0, 6)
        top.set_xticks(places, [f"{value:.3g}" for value in np.interp(places, share, cost)])
        top.set_xlabel("cost of the blend [per L]", fontsize="small", labelpad=6)
    handles = [*axes.get_legend_handles_labels()[0], *right.get_legend_handles_labels()[0]]
    axes.legend(handles=handles, loc="best", fontsize="small", framealpha=0.9)
    axes.set_title(f"{_subjects(seen)}, {_ratio(seen)}: from {names[0]} to {names[1]}", loc="left")
    return axes


#: Round figures for a logarithmic scale of viscosity. [mPa s]
_ROUND = tuple(factor * 10.0**power for power in range(-1, 5) for factor in (1, 2, 5))


def _subjects(seen: Survey) -> str:
    return " and ".join(getattr(one, "name", repr(one)) for one in seen.problem.subjects)


def _ratio(seen: Survey) -> str:
    return f"{seen.problem.parts[0]:g}:{seen.problem.parts[1]:g}"


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
    seen = survey(asked, [first, second, third], steps=30, oil_parts=oil_parts, carrier_parts=carrier_parts)
    axes = _axes(ax, size=(7.4, 6.4))
    corners = np.array([[0.0, 0.0], [1.0, 0.0], [0.5, np.sqrt(0.75)]])
    x, y = (seen.shares @ corners).T
    if np.isfinite(seen.p_clear).all():
        levels = [0.0, 0.1, 0.5, 0.9, 1.0]
        shades = ["#FFFFFF", "#D9EFE7", "#99D8C2", "#4DBB99"]
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
                    colors=_INK,
                    linewidths=[styles[level][0] for level in inner],
                    linestyles=[styles[level][1] for level in inner],
                )
                axes.clabel(lines, fmt={0.1: "10 % clear", 0.5: "50 %", 0.9: "90 %"}, fontsize="small")
    from matplotlib.patches import Patch

    keys = [Patch(facecolor="#4DBB99", label="clear: over 90 %")] if seen.p_clear.max(initial=0.0) > 0.9 else []
    for bad, hatch, label in (
        (~seen.within, "///", "a limit is broken"),
        (~seen.mixes, "xx", "the carriers may not mix"),
    ):
        if bad.any():
            field = axes.tricontourf(x, y, bad.astype(float), levels=[0.5, 1.5], colors="none", hatches=[hatch])
            field.set_edgecolor("#8A8A8A")
            field.set_linewidth(0.0)
            keys.append(Patch(facecolor="none", edgecolor="#8A8A8A", hatch=hatch, label=label))
    axes.plot(*corners[[0, 1, 2, 0]].T, color=_INK, linewidth=1.2)
    names = [one.name for one in seen.problem.chosen]
    for name, corner, align, down in zip(
        names, corners, ("right", "left", "center"), (-0.09, -0.09, 0.05), strict=True
    ):
        axes.text(
            corner[0], corner[1] + down, f"100 % {name}", ha=align if down > 0 else "center", va="center", color=_INK
        )
    _side_ticks(axes, corners, names)
    best = _best_in(asked, names)
    if best is not None:
        axes.plot(*(best @ corners), marker="*", markersize=16, color=_INK, linestyle="none", label="best blend")
        words = ", ".join(f"{100 * share:.3g} %" for share in best)
        axes.annotate(words, best @ corners, (8, 8), textcoords="offset points", fontsize="small", color=_INK)
        keys.extend(axes.get_legend_handles_labels()[0])
    if keys:
        axes.legend(handles=keys, loc="upper right", fontsize="small", framealpha=0.9)
    axes.set_aspect("equal")
    axes.set_xlim(-0.16, 1.16)
    axes.set_ylim(-0.14, 0.98)
    axes.axis("off")
    axes.set_title(f"{_subjects(seen)}, {_ratio(seen)}: shares of the blend [% vol]", loc="left")
    return axes


def _side_ticks(axes: Axes, corners: np.ndarray, names: Sequence[str]) -> None:
    """Ticks of 20 % along each side, outside, counting the carrier of the corner the side runs to."""
    centre = corners.mean(axis=0)
    for start in range(3):
        a, b = corners[start], corners[(start + 1) % 3]
        outward = (a + b) / 2 - centre
        outward = outward / np.sqrt(np.sum(outward**2))
        turn = (0.0, -60.0, 60.0)[start]
        words = f"← {names[0]}" if start == 2 else f"{names[start + 1]} →" if start == 0 else f"← {names[2]}"
        x, y = (a + b) / 2 + 0.1 * outward
        axes.text(x, y, words, rotation=turn, ha="center", va="center", fontsize="small", color=_INK)
        for share in (0.2, 0.4, 0.6, 0.8):
            foot = a + share * (b - a)
            axes.plot(*np.stack([foot, foot + 0.012 * outward]).T, color=_INK, linewidth=0.8)
            x, y = foot + 0.04 * outward
            axes.text(x, y, f"{100 * share:g}", ha="center", va="center", fontsize="x-small", color=_INK)


def _best_in(asked: BlendSearch | Oil | str, names: Sequence[str]) -> np.ndarray | None:
    """Return the shares of the best blend of a search when it is made of these carriers only."""
    if not isinstance(asked, BlendSearch):
        return None
    shares = {member.name: share for member, share in asked.best.shares.items()}
    if not set(shares) <= set(names):
        return None
    return np.array([shares.get(name, 0.0) for name in names])
