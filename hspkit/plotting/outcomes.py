"""How outcomes look: colour, marker and fill together, so that a figure can be read without any one of them.

Bluish green, orange and a dark grey of the palette of Okabe and Ito (2008, "Color Universal Design"), which readers
with any of the common colour deficiencies can tell apart. A liquid that is not allowed is hollow and struck through;
one that is not for ingestion always is, with or without a market.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from hspkit import checks
from hspkit.carriers import NOT_FOR_INGESTION
from hspkit.errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

    from hspkit.carriers import Blend, Carrier
    from hspkit.ranking import Ranking

__all__ = [
    "INK", "OUTCOMES", "PALE", "QUIET", "SHADES", "WARNING", "Look", "check_ranking", "keys", "mark", "marker_size",
    "refused", "rows_of", "shown_carriers", "struck_word",
]  # fmt: skip

INK = "#3A3A3A"
#: Names of carriers that are refused; still 4.5:1 against white (WCAG 2, contrast of text).
QUIET = "#757575"
PALE = "#BDBDBD"
#: Vermillion of the same palette, for limits that are broken.
WARNING = "#D55E00"
#: For probabilities of clear from 0.1 to 0.9: pale, so that the marks stand out.
SHADES = ("#F7F7F4", "#EFF1EB", "#E4E9E1")


#: A row of a ranking: column to value.
Row = dict[str, Any]
#: What `Axes.legend` takes: artists, and tuples of artists that are drawn over each other.
Handles = list[Any]


class Look(NamedTuple):
    """Colour, marker, fill and hatch of an outcome."""

    color: str
    marker: str
    fill: Any
    hatch: str


OUTCOMES = {
    "clear": Look("#009E73", "o", "full", ""),
    "hazy": Look("#E69F00", "D", "left", "////"),
    "splits": Look(INK, "v", "none", ""),
    "unknown": Look(QUIET, "s", "none", ""),
}
#: A carrier whose outcome was not computed.
_UNASKED = Look(INK, "s", "none", "")
_WORDS = {None: "carrier, outcome not asked", "unknown": "unknown: may crystallise"}
#: The line through the mark of a liquid that is not allowed.
_STRIKE: dict[str, Any] = {"marker": (2, 0, 45), "color": INK, "markeredgewidth": 1.3, "linestyle": "none"}


def marker_size(volume: float) -> float:
    """Return the size of the mark of a liquid: its diameter grows with the cube root of the molar volume. [pt]

    The cube root makes the mark the shadow of a sphere of that volume; 100 cm3/mol is 8 points wide.
    """
    return float(8.0 * (volume / 100.0) ** (1.0 / 3.0))


def refused(row: Row) -> bool:
    """Say whether a row of a ranking is not allowed or over its legal limit."""
    return row.get("allowed") is False or row.get("under_legal_limit") is False


def mark(
    axes: Axes, where: Sequence[float], verdict: str | None, *, struck: bool, size: float, zorder: float = 5
) -> Line2D:
    """Draw the mark of an outcome at a place of two or three coordinates; return the last artist.

    Parameters
    ----------
    axes : matplotlib Axes
        Where.
    where : sequence of float
        The place, in units of the axes; empty draws nothing and is for a legend. [-]
    verdict : str or None
        Outcome; None where it was not asked for. [-]
    struck : bool
        Not allowed: hollow and struck through. [-]
    size : float
        Width of the mark. [pt]
    """
    place = [[value] for value in where] or [[], []]
    look = OUTCOMES.get(verdict or "", _UNASKED)
    (artist,) = axes.plot(*place, markersize=size, zorder=zorder, **_style(look, struck=struck))
    if struck:
        axes.plot(*place, markersize=size + 7, zorder=zorder, **_STRIKE)
    return artist


def _style(look: Look, *, struck: bool = False) -> dict[str, Any]:
    """Return how a mark is drawn, in the words of matplotlib."""
    hollow = struck or look.fill == "none"
    return {
        "marker": look.marker, "fillstyle": "full" if hollow else look.fill, "markeredgewidth": 1.3,
        "markerfacecolor": "white" if hollow else look.color, "markerfacecoloralt": "white",
        "markeredgecolor": look.color, "linestyle": "none",
    }  # fmt: skip


def keys(
    verdicts: Iterable[str | None], *, any_struck: bool, meaning: str = "not allowed"
) -> tuple[Handles, list[str]]:
    """Return handles and labels for the outcomes that occur, in their fixed order.

    Parameters
    ----------
    verdicts : iterable of str or None
        Outcomes that are drawn. [-]
    any_struck : bool
        Whether something is struck through. [-]
    meaning : str
        What that means here. [-]
    """
    from matplotlib.lines import Line2D

    present = set(verdicts)
    names = [name for name in (*OUTCOMES, None) if name in present]
    handles: Handles = [Line2D([], [], markersize=8, **_style(OUTCOMES.get(name or "", _UNASKED))) for name in names]
    labels = [_WORDS.get(name, name or "") for name in names]
    if any_struck:
        hollow = Line2D([], [], markersize=8, **_style(Look(INK, "o", "full", ""), struck=True))
        handles.append((hollow, Line2D([], [], markersize=15, **_STRIKE)))
        labels.append(f"hollow, struck: {meaning}")
    return handles, labels


def struck_word(rows: Iterable[Row]) -> str:
    """Say what struck through means in a figure of these rows of a ranking."""
    reasons = {
        NOT_FOR_INGESTION if row.get(NOT_FOR_INGESTION)
        else "not allowed" if row.get("allowed") is False
        else "over the legal limit"
        for row in rows if row.get(NOT_FOR_INGESTION) or refused(row)
    }  # fmt: skip
    return " or ".join(sorted(reasons))


def check_ranking(ranking: Ranking) -> Ranking:
    """Return a ranking after checking that it is one."""
    from hspkit.ranking import Ranking as Kind

    return checks.kind(ranking, "ranking", Kind, "a Ranking, as hspkit.rank_carriers returns")


def shown_carriers(carriers: Sequence[Carrier | Blend | str] | None, ranking: Ranking | None) -> list[Carrier | Blend]:
    """Return the carriers to draw: those named, those of the ranking, or all that ship."""
    from hspkit.carriers import carrier
    from hspkit.ranking import candidates

    if ranking is not None:
        check_ranking(ranking)
    if carriers is not None:
        liquids = [carrier(name) for name in checks.several(carriers, "carriers", "['triacetin', 'MCT']")]
        if not liquids:
            message = "carriers is empty; give at least one name, or leave it out to draw all that ship"
            raise InputError(message)
        return liquids
    return candidates() if ranking is None else [outcome.carrier for outcome in ranking.outcomes]


def rows_of(shown: Sequence[Carrier | Blend], ranking: Ranking | None) -> list[Row]:
    """Return for each liquid its row of the ranking, or none; one that is not for ingestion is refused in either."""
    ranked: dict[Any, Row] = {}
    if ranking is not None:
        for row, outcome in zip(ranking.table.to_dict("records"), ranking.outcomes, strict=True):
            ranked[outcome.carrier.name, outcome.carrier.identity] = {str(k): v for k, v in row.items()}
    has_market = ranking is not None and ranking.application is not None  # which then refuses it
    poison = {"allowed": False, NOT_FOR_INGESTION: not has_market}
    return [
        ranked.get((liquid.name, liquid.identity), {}) | (poison if liquid.not_for_ingestion else {})
        for liquid in shown
    ]
