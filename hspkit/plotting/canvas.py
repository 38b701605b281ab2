"""The Axes to draw on, how far they go, titles that fit, files to write to."""

from __future__ import annotations

import io
import re
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hspkit import checks, files
from hspkit.errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["axes_for", "axis_end", "figure_of", "fitted", "literal", "save", "state"]

#: Size of text for which the sizes of the figures were chosen [pt]; a larger font makes a larger figure.
_DESIGN_FONT = 10.0
#: Mean width of a letter of running text, as a share of the size of the font [-].
_LETTER = 0.56
#: Below these nothing is seen, above them a picture fills the memory; judgement [1/inch].
_DPI = (10.0, 2400.0)
#: A carrier further out than this multiple of the reach of all others is left beyond the frame [-].
_FAR = 1.35
#: A dollar sign; or what the library itself sets as a formula.
_DOLLAR = re.compile(r"(?P<own>\$\\delta_[dph]\$|(?<=MPa)\$\^\{0\.5\}\$)|\$")


def axes_for(ax: Axes | None, *, size: tuple[float, float], projection: str | None = None) -> Any:
    """Return the Axes to draw on: those given, after a check, or those of a new figure.

    Parameters
    ----------
    ax : matplotlib Axes or None
        What the caller gave.
    size : tuple of float
        Width and height of a new figure at a font of 10 points; it grows with the font. [inch]
    projection : str, optional
        "3d" where depth is drawn. [-]

    Returns
    -------
    matplotlib Axes

    Raises
    ------
    TypeError
        When ax is not an Axes.
    InputError
        When ax is flat and depth is to be drawn, or the other way round.
    """
    if ax is not None:
        _checked(ax, "ax")
        deep = hasattr(ax, "get_zlim")
        if projection == "3d" and not deep:
            message = "ax is flat; make it with fig.add_subplot(projection='3d')"
            raise InputError(message)
        if projection is None and deep:
            message = "ax has three dimensions and this figure has two; make it with fig.add_subplot()"
            raise InputError(message)
        return ax
    import matplotlib.pyplot as plt

    scale = plt.rcParams["font.size"] / _DESIGN_FONT
    figure = plt.figure(figsize=(size[0] * scale, size[1] * scale), layout="constrained")
    if projection == "3d":  # labels of its axes stand out further than the layout engine believes
        figure.set_layout_engine("constrained", w_pad=0.15)
    return figure.add_subplot(projection=projection)


def axis_end(values: NDArray[np.float64], least: float) -> float:
    """Return the upper end of an axis: past every carrier but those that stand far beyond the others.

    Parameters
    ----------
    values : ndarray of shape (n,)
        What is to be drawn. [any]
    least : float
        The end when nothing is larger. [any]

    Returns
    -------
    float
        The end, in the unit of the values.

    Examples
    --------
    Water, at 42, is left out:

    >>> round(axis_end(np.array([4.0, 9.0, 21.0, 27.0, 42.0]), 20.0), 1)
    30.0
    """
    ordered = np.sort(values)
    while len(ordered) > 3 and ordered[-1] > _FAR * max(ordered[-2], least):
        ordered = ordered[:-1]
    return max(least, float(ordered[-1]) * 1.08 + 0.8)


def _checked(axes: Any, name: str) -> Any:
    from matplotlib.axes import Axes as AxesType

    if not isinstance(axes, AxesType):
        message = f"{name} is a {type(axes).__name__}; expected a matplotlib Axes"
        raise TypeError(message)
    return axes


def state(axes: Axes, finding: str, question: str = "", *, pad: float | None = None) -> None:
    """Write a title: the finding, and below it the question, in lines that fit the figure.

    Parameters
    ----------
    axes : matplotlib Axes
        Where.
    finding, question : str
        The two sentences. [-]
    pad : float, optional
        Distance from the Axes. [pt]
    """
    lines = [line for text in (finding, question) if text for line in fitted(axes, literal(text), size="medium")]
    axes.set_title("\n".join(lines), loc="left", fontsize="medium", linespacing=1.3, pad=pad)


def literal(text: str) -> str:
    """Return a text of which matplotlib draws every dollar sign, but for the library's own symbols and units.

    Parameters
    ----------
    text : str
        May hold names that somebody typed. [-]

    Examples
    --------
    >>> print(literal("5 $ oil, $x$: $\\\\delta_d$ in MPa$^{0.5}$"))
    5 \\$ oil, \\$x\\$: $\\delta_d$ in MPa$^{0.5}$
    """
    return _DOLLAR.sub(lambda match: match["own"] or r"\$", text)


def fitted(axes: Axes, text: str, *, size: str) -> list[str]:
    """Break a text into lines that fit the Axes, or the figure where a layout engine may still widen the Axes.

    Parameters
    ----------
    axes : matplotlib Axes
        Where.
    text : str
        What to break. [-]
    size : str
        Size of the font in the words of matplotlib, as "small". [-]
    """
    from matplotlib.font_manager import FontProperties

    figure = figure_of(axes)
    share = 0.86
    if figure.get_layout_engine() is None:  # then the Axes keep the place they have
        share = 0.98 - axes.get_position().x0
    points = FontProperties(size=size).get_size_in_points()
    return textwrap.wrap(text, max(24, int(share * figure.get_figwidth() * 72 / (points * _LETTER))))


def figure_of(axes: Axes) -> Figure:
    """Return the whole figure that some Axes stand in, also when they stand in a part of it.

    `get_figure` says which of the two it means from matplotlib 3.10 on only.

    Parameters
    ----------
    axes : matplotlib Axes
        Where.
    """
    return axes.figure.figure


def save(axes: Axes, path: str | Path, *, dpi: float = 150) -> None:
    """Write the figure of some Axes to a file.

    Parameters
    ----------
    axes : matplotlib Axes
        From one of the functions of `hspkit.plotting`.
    path : str or Path
        File to write; its ending chooses the format (png, svg, pdf). [-]
    dpi : float
        Resolution of a png. [1/inch]

    Raises
    ------
    TypeError
        When axes is not an Axes.
    InputError
        When the name has no ending, or one whose format is not known; when no file can stand there.
    FileAccessError
        When the file cannot be written; what stood there before still does.
    """
    figure = figure_of(_checked(axes, "axes"))
    files.check_target(path)
    resolution = checks.number(dpi, "dpi", "dots per inch", low=_DPI[0], high=_DPI[1])
    drawn = io.BytesIO()  # drawn whole before a byte is written: a full disk then cannot leave half a figure
    ending = Path(checks.path(path)).suffix.removeprefix(".").lower()
    if not ending:
        message = f"cannot draw to {str(path)!r}: the name has no ending; give .png, .svg or .pdf"
        raise InputError(message)
    try:
        figure.savefig(drawn, format=ending, dpi=resolution, bbox_inches="tight")
    except ValueError as error:
        message = f"cannot draw to {str(path)!r}: {error}"
        raise InputError(message) from None
    files.write_bytes(path, drawn.getvalue())
