"""Labels that keep clear of one another, of marks and of the frame.

`place` is the geometry: boxes in, centres out, all in pixels. `Labels` is the artist that calls it whenever a figure
is drawn, so that labels still fit after a change of size, resolution, font or limits.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib import patheffects, transforms
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.lines import Line2D
from matplotlib.text import Text
from numpy.typing import NDArray

from hspkit.plotting.canvas import figure_of
from hspkit.plotting.outcomes import PALE

__all__ = ["Labels", "place"]

Array = NDArray[np.float64]

#: Directions in which a label may stand from its mark, and what each costs: right is cheaper than left, left than above
#: and below.
_DIRECTIONS = np.deg2rad([0, 180, 90, 270, 30, -30, 150, 210, 60, -60, 120, 240, 15, -15, 165, 195])
_DIRECTION_COST = np.array([0, 1, 2, 2, 2, 2, 3, 3, 3, 3, 4, 4, 2, 2, 3, 3], dtype=float)
#: Distances from the edge of the mark, in heights of a label.
_STEPS = np.array([0.25, 0.6, 1.1, 1.7, 2.5, 3.5, 4.8, 6.5, 8.5])
#: What it costs when a label lies on another, a leader on a label, a leader on a leader, a label on a mark, on a small
#: mark, out of the frame.
_ON_LABEL, _LEADER_ON_LABEL, _CROSSING, _ON_MARK, _ON_SMALL_MARK, _OUTSIDE = 400.0, 120.0, 60.0, 90.0, 12.0, 2000.0
_SWEEPS = 25
_STARTS = 5
#: Room kept between labels, as a share of their height [-].
_GAP = 0.12


def _overlap(a: Array, b: Array) -> Array:
    """Return the area two sets of boxes (..., 4: left, bottom, right, top) share."""
    width = np.minimum(a[..., 2], b[..., 2]) - np.maximum(a[..., 0], b[..., 0])
    height = np.minimum(a[..., 3], b[..., 3]) - np.maximum(a[..., 1], b[..., 1])
    return np.clip(width, 0.0, None) * np.clip(height, 0.0, None)


def _covered(a: Array, b: Array, area: Any) -> Array:
    """Return how many boxes b each box of a, of that area, lies on, plus the shares of its area that it shares."""
    shared = _overlap(a, b)
    return np.asarray(((shared > 0) + shared / area).sum(-1))


def _meets(start: Array, end: Array, boxes: Array) -> NDArray[np.bool_]:
    """Return whether segments meet boxes (Liang and Barsky 1984: the window of the parameter of the line)."""
    first: Any = 0.0
    last: Any = 1.0
    for k in (0, 1):  # a coordinate at a time: reductions over an axis of two are slow
        run = end[..., k] - start[..., k]
        run = np.where(run == 0, 1e-12, run)
        low, high = (boxes[..., k] - start[..., k]) / run, (boxes[..., k + 2] - start[..., k]) / run
        first, last = np.maximum(first, np.minimum(low, high)), np.minimum(last, np.maximum(low, high))
    return np.asarray(first < last)


def _cross(a: Array, b: Array, c: Array, d: Array) -> NDArray[np.bool_]:
    """Return whether segments ab and cd cross."""

    def side(p: Array, q: Array, r: Array) -> Array:
        return (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])

    return (side(a, b, c) * side(a, b, d) < 0) & (side(c, d, a) * side(c, d, b) < 0)


def _boxes(centres: Array, sizes: Array) -> Array:
    return np.concatenate([centres - sizes / 2, centres + sizes / 2], axis=-1)


def _leader_ends(anchors: Array, boxes: Array) -> Array:
    """Return the point of each box that is nearest to its anchor: where its leader ends."""
    return np.clip(anchors, boxes[..., :2], boxes[..., 2:])


class _Places:
    """Where n labels may stand, k places each, and what that costs; lengths in pixels, see `place`."""

    def __init__(self, anchors: Array, radii: Array, sizes: Array) -> None:
        height = float(np.median(sizes[:, 1]))
        sizes = sizes + _GAP * height
        toward = np.stack([np.cos(_DIRECTIONS), np.sin(_DIRECTIONS)], axis=-1)
        lean = np.clip(1.5 * toward, -1.0, 1.0)
        distance = radii[:, None, None] + _STEPS[None, :, None] * height
        centres = anchors[:, None, None, :] + distance[..., None] * toward + 0.5 * sizes[:, None, None, :] * lean
        self.anchors, self.radii, self.area = anchors, radii, sizes.prod(axis=-1)[:, None, None]
        self.centres = centres.reshape(len(anchors), -1, 2)
        self.boxes = _boxes(self.centres, sizes[:, None, :])
        self.ends = _leader_ends(anchors[:, None, :], self.boxes)
        self.starts = np.broadcast_to(anchors[:, None, :], self.ends.shape)
        self.rows = range(len(anchors))

    def cost(self, taken: Array, small: Array, frame: Array) -> Array:
        """Return what each place (n, k) costs by itself."""
        boxes, starts, ends = self.boxes[:, :, None], self.starts[:, :, None], self.ends[:, :, None]
        anchors, radii = self.anchors, self.radii[:, None]
        marks = np.concatenate([anchors - radii, anchors + radii], axis=-1)
        distance_cost = (3.0 * _STEPS[:, None] + _DIRECTION_COST).ravel()
        cost = np.broadcast_to(distance_cost, self.boxes.shape[:2]).copy()
        cost += _ON_MARK * _covered(boxes, marks, self.area)
        cores = np.concatenate([marks[:, :2] + 0.3 * radii, marks[:, 2:] - 0.3 * radii], axis=-1)
        touching = np.abs(anchors[:, None] - anchors[None]).max(axis=-1) < radii + self.radii
        apart = ~np.eye(len(anchors), dtype=bool) & ~touching
        cost += 0.6 * _LEADER_ON_LABEL * (_meets(starts, ends, cores) & apart[:, None, :]).sum(-1)
        if len(taken):
            cost += _ON_LABEL * _covered(boxes, taken, self.area)
            cost += 0.5 * _LEADER_ON_LABEL * _meets(starts, ends, taken).sum(-1)
        if len(small):
            cost += _ON_SMALL_MARK * (_overlap(boxes, small) > 0).sum(-1)
        beyond = np.clip(frame[:2] - self.boxes[..., :2], 0, None) + np.clip(self.boxes[..., 2:] - frame[2:], 0, None)
        spill = beyond.sum(-1)
        return np.asarray(cost + (_OUTSIDE * (spill > 0) + spill))

    def against(self, i: int, now: NDArray[np.intp], places: slice = slice(None)) -> Array:
        """Return what places of label i cost against the other labels where they stand now."""
        rest = [row for row in self.rows if row != i]
        boxes, ends, starts = self.boxes[rest, now[rest]], self.ends[rest, now[rest]], self.anchors[rest]
        own_boxes, own_ends = self.boxes[i][places, None], self.ends[i][places, None]
        own_starts = self.starts[i][places, None]
        on_leaders = _meets(own_starts, own_ends, boxes).sum(-1) + _meets(starts, ends, own_boxes).sum(-1)
        return np.asarray(
            _ON_LABEL * _covered(own_boxes, boxes, self.area[i, 0, 0])
            + _LEADER_ON_LABEL * on_leaders
            + _CROSSING * _cross(own_starts, own_ends, starts, ends).sum(-1)
        )

    def settle(self, cost: Array, now: NDArray[np.intp]) -> tuple[float, NDArray[np.intp]]:
        """Move labels in turn, the worst first, until none moves; return the total cost and the places."""

        def standing(i: int, weight: float) -> float:
            return float(cost[i, now[i]] + weight * self.against(i, now, slice(now[i], now[i] + 1))[0])

        for _ in range(_SWEEPS):
            before = now.copy()
            for i in np.argsort([-standing(i, 1.0) for i in self.rows], kind="stable"):
                now[i] = int(np.argmin(cost[i] + self.against(int(i), now)))
            if np.array_equal(before, now):
                break
        return sum(standing(i, 0.5) for i in self.rows), now


def place(anchors: Array, radii: Array, sizes: Array, *, taken: Array, soft: Array, frame: Array) -> Array:
    """Choose places for labels.

    Each label tries 16 directions at 9 distances from its mark and takes the cheapest: near, right rather than left
    rather than above or below, off other labels, marks and leaders, within the frame. Labels are moved in turn, the
    worst first, until nothing changes.

    Parameters
    ----------
    anchors : ndarray of shape (n, 2)
        Centres of the marks. [pixel]
    radii : ndarray of shape (n,)
        Half widths of the marks. [pixel]
    sizes : ndarray of shape (n, 2)
        Widths and heights of the labels. [pixel]
    taken : ndarray of shape (m, 4)
        Other boxes to keep off: left, bottom, right, top. [pixel]
    soft : ndarray of shape (k, 4)
        Boxes to keep off where that costs little, such as small marks without a label. [pixel]
    frame : ndarray of shape (4,)
        Box to stay in. [pixel]

    Returns
    -------
    ndarray of shape (n, 2)
        Centres of the labels. [pixel]

    Examples
    --------
    Two marks on one spot: the labels stand apart.

    >>> spot, size = np.array([[50.0, 50], [50, 50]]), np.array([[20.0, 10], [20, 10]])
    >>> frame, nothing = np.array([0.0, 0, 100, 100]), np.empty((0, 4))
    >>> found = place(spot, np.ones(2), size, taken=nothing, soft=nothing, frame=frame)
    >>> bool(np.abs(found[0] - found[1])[0] >= 20 or np.abs(found[0] - found[1])[1] >= 10)
    True
    """
    if not len(anchors):
        return np.empty((0, 2))
    places = _Places(anchors, radii, sizes)
    cost = places.cost(taken, soft, frame)
    # Several starts, since labels settle in the first arrangement that no move of a single label improves.
    rng = np.random.default_rng(0)
    best = places.settle(cost, np.argmin(cost, axis=1))
    for _ in range(_STARTS - 1 if len(anchors) > 1 else 0):
        noisy = cost + rng.uniform(0.0, _ON_MARK, cost.shape)
        best = min(best, places.settle(cost, np.argmin(noisy, axis=1)), key=lambda settled: settled[0])
    return np.asarray(places.centres[places.rows, best[1]])


class Labels(Artist):
    """Text beside marks, put into place each time the figure is drawn.

    Parameters
    ----------
    axes : matplotlib Axes
        Where; the artist adds itself and its texts.
    points : callable
        Returns the anchors in pixels, shape (n, 2); called at each drawing.
    texts : sequence of str, length n
        What to write. [-]
    widths : sequence of float, length n
        Widths of the marks. [pt]
    obstacles : sequence of Artist
        What to keep off besides the marks: their extents are asked for at each drawing.
    styles : sequence of dict, length n
        Keywords of each text.
    on_lines : sequence of (Text, callable)
        Labels of lines: the callable returns the vertices in pixels; the label sits where nothing else is.
    extra_marks : callable, optional
        Returns the places of small marks without a label, in pixels, shape (k, 2).
    """

    def __init__(
        self,
        axes: Axes,
        points: Callable[[], Array],
        texts: Sequence[str],
        *,
        widths: Sequence[float],
        styles: Sequence[dict[str, Any]],
        obstacles: Sequence[Artist] = (),
        on_lines: Sequence[tuple[Text, Callable[[], Array]]] = (),
        extra_marks: Callable[[], Array] | None = None,
    ) -> None:
        super().__init__()
        self._points, self._widths = points, np.asarray(widths, dtype=float)
        self._obstacles, self._on_lines, self._extra = tuple(obstacles), tuple(on_lines), extra_marks
        self._last: tuple[list[Array], Array] | None = None
        self.set_zorder(-1e6)  # drawn before everything else, so that the texts are in place when their turn comes
        self.set_in_layout(False)
        axes.add_artist(self)
        pixels = transforms.IdentityTransform()
        halo = [patheffects.withStroke(linewidth=2.2, foreground="white", alpha=0.75)]  # lines pass behind
        self.texts = [
            axes.add_artist(
                Text(
                    0, 0, words, transform=pixels, ha="center", va="center", zorder=9, clip_on=False,
                    path_effects=halo, **style,
                )
            )
            for words, style in zip(texts, styles, strict=True)
        ]  # fmt: skip
        self.leaders = [
            axes.add_artist(Line2D([], [], color=PALE, linewidth=0.8, transform=pixels, zorder=4, clip_on=False))
            for _ in texts
        ]
        for artist in (*self.texts, *self.leaders, *(text for text, _ in on_lines)):
            artist.set_in_layout(False)

    def draw(self, renderer: RendererBase) -> None:
        """Put the texts and leaders into place; draws nothing itself."""
        axes = self.axes
        if not isinstance(axes, Axes) or not self.get_visible():
            return
        dot = figure_of(axes).dpi / 72.0
        anchors = np.asarray(self._points(), dtype=float).reshape(-1, 2)
        radii = 0.5 * self._widths * dot
        frame = np.array(axes.get_window_extent(renderer).extents) + np.array([3, 3, -3, -3]) * dot
        taken: list[Any] = [
            artist.get_window_extent(renderer).extents for artist in self._obstacles if artist.get_visible()
        ]
        marks = np.concatenate([anchors - radii[:, None], anchors + radii[:, None]], axis=-1)
        spots = np.empty((0, 2)) if self._extra is None else self._extra()
        small = np.concatenate([spots - 2.0 * dot, spots + 2.0 * dot], axis=-1)
        for text, path in self._on_lines:
            taken.append(_put_on_line(text, path(), np.array([*taken, *marks]).reshape(-1, 4), frame, renderer))
        sizes = np.array([[box.width, box.height] for box in (t.get_window_extent(renderer) for t in self.texts)])
        sizes = sizes.reshape(-1, 2)
        boxes = np.array([box for box in taken if box is not None and np.all(np.isfinite(box))]).reshape(-1, 4)
        # In points from the corner of the frame, one figure at two resolutions has one layout, found once.
        origin = frame[:2].copy()
        shift = np.tile(origin, 2)
        layout = [(anchors - origin) / dot, radii / dot, sizes / dot]
        layout += [(corners - shift) / dot for corners in (boxes, small, frame)]
        if self._last is None or not _same_layout(self._last[0], layout):
            self._last = layout, place(*layout[:3], taken=layout[3], soft=layout[4], frame=layout[5])
        centres = self._last[1] * dot + origin
        ends = _leader_ends(anchors, _boxes(centres, sizes))
        for text, leader, centre, anchor, end, radius in zip(
            self.texts, self.leaders, centres, anchors, ends, radii, strict=True
        ):
            text.set_position((float(centre[0]), float(centre[1])))
            run = end - anchor
            length = float(np.sqrt(run @ run))
            far = length > radius + 7.0 * dot
            start = anchor + run * (radius / length) if far else anchor
            leader.set_data(*(([start[0], end[0]], [start[1], end[1]]) if far else ([], [])))


def _same_layout(before: list[Array], now: list[Array]) -> bool:
    """Return whether two layouts ask the same, to less than the gap between labels. [pt]"""
    return all(a.shape == b.shape and bool(np.all(np.abs(a - b) < 0.5)) for a, b in zip(before, now, strict=True))


def _put_on_line(text: Text, path: Array, taken: Array, frame: Array, renderer: RendererBase) -> Array | None:
    """Put a label on a line where it keeps furthest from what is taken; return its box, None when the line is out."""
    box = text.get_window_extent(renderer)
    half = np.array([box.width, box.height]) / 2
    inside = np.all((path - half > frame[:2]) & (path + half < frame[2:]), axis=-1)
    text.set_visible(bool(inside.any()))
    if not inside.any():
        return None
    path = path[inside]
    boxes = np.concatenate([path - half, path + half], axis=-1)
    if len(taken):
        gap = np.maximum(taken[:, :2] - boxes[:, None, 2:], boxes[:, None, :2] - taken[:, 2:]).max(axis=-1)
        free = np.minimum(gap.min(axis=-1), 3 * half[0])  # beyond that the middle of the line counts
    else:
        free = np.zeros(len(path))
    middle = np.abs(np.arange(len(path)) - len(path) / 2) / max(len(path), 1)
    best = int(np.argmax(free - 0.5 * half[1] * middle))
    text.set_position((float(path[best, 0]), float(path[best, 1])))
    return boxes[best]
