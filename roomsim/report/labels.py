"""Text in pictures, placed so that it hides neither marks nor other text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patheffects import withStroke

from . import style

HALO = [withStroke(linewidth=1.8, foreground="white")]
"""Makes text and lines legible on any colour."""
_SIDES = ((1, 0), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1), (0, 1), (0, -1))
_GAPS = (0.0, 6.0, 14.0, 24.0, 36.0, 52.0)
"""Distances between a mark and its name, points, in order of preference."""
_FAR = 12.0
"""Distance between a name and its mark, points, beyond which a line joins them."""
_MARK = (7.0, 9.0)
"""Width and height that are kept free for a mark, points."""
_LINE = (2.0, 2.0)
"""Width and height that are kept free for each point of a line, points."""
_OUTSIDE = 4.0
"""Weight of the area of text outside the frame, relative to the area of text over other text."""


@dataclass(frozen=True)
class Place:
    """A possible place for a text."""

    at: np.ndarray
    """(2,) data coordinates."""
    offset: tuple[float, float] = (0.0, 0.0)
    """From `at` to the middle of the text, points."""
    rotation: float = 0.0
    """Degrees anticlockwise."""


@dataclass(frozen=True)
class Label:
    """A text and its possible places in order of preference."""

    text: str
    places: Sequence[Place]
    size: float = 6.5
    """Points."""
    colour: str = style.INK
    weight: Literal["normal", "bold"] = "normal"
    belongs_to: np.ndarray | None = None
    """(2,) data coordinates of the mark of this text; a line leads to it if the text is far away."""
    on_ground: bool = False
    """Whether the text has a pale background, so that it is legible over hatching."""


def beside(text: str, at: np.ndarray, axes: Axes, *, size: float = 6.5, above: bool = False) -> Label:
    """A label beside, above or below a mark at `at`, preferably above it if `above`."""
    width, height = style.text_size(axes.figure, text, size)  # type: ignore[arg-type]
    sides = ((0, 1), (0, -1), *_SIDES[:6]) if above else _SIDES
    places = [
        Place(at, (x * (0.5 * width + 4.0 + gap), y * (0.5 * height + 3.0 + gap)))
        for gap, (x, y) in product(_GAPS, sides)
    ]
    return Label(text, places, size, style.INK, belongs_to=at)


def write_labels(
    axes: Axes,
    labels: Iterable[Label],
    avoid: np.ndarray | None = None,
    lines: Sequence[np.ndarray] = (),
    zorder: float = 10.0,
) -> None:
    """Write the labels one after another, each at the first of its places that is free.

    The line between a distant label and its mark should cross no other text and no other mark. Where no place is free,
    the place that hides least is used. The limits of `axes` and its position on the page must be set before, and must
    not change afterwards.

    Parameters
    ----------
    avoid : (n, 2) data coordinates of marks that must remain visible
    lines : each (m, 2) data coordinates of a polyline that must remain visible
    """
    figure: Any = axes.figure
    axes.apply_aspect()
    per_point = 72.0 / float(figure.dpi)

    def on_paper(points: np.ndarray) -> np.ndarray:
        return np.asarray(axes.transData.transform(points)) * per_point

    frame = axes.get_window_extent()
    bounds = np.array([frame.x0, frame.y0, frame.x1, frame.y1]) * per_point
    marks = np.empty((0, 2)) if avoid is None else on_paper(np.asarray(avoid, dtype=float).reshape(-1, 2))
    drawn = np.concatenate([np.empty((0, 2)), *(_along(on_paper(line)) for line in lines)])
    taken = np.concatenate([_boxes(marks, _MARK), _boxes(drawn, _LINE)])
    # The line from a name to its mark must not cross these.
    crossed = _boxes(marks, _MARK)
    for label in labels:
        size = np.array(style.text_size(figure, label.text, label.size, label.weight))
        starts = on_paper(np.array([place.at for place in label.places]))
        middles = starts + np.array([place.offset for place in label.places])
        turns = np.radians([place.rotation for place in label.places])
        cos, sin = np.abs(np.cos(turns)), np.abs(np.sin(turns))
        sizes = np.column_stack([size[0] * cos + size[1] * sin, size[0] * sin + size[1] * cos])
        boxes = _boxes(middles, sizes)
        hidden = _overlap(boxes, taken).sum(axis=1) + _OUTSIDE * (
            np.prod(sizes, axis=1) - _overlap(boxes, bounds[None])[:, 0]
        )
        leaders: dict[int, np.ndarray] = {}
        crossing = np.zeros(len(boxes))
        if label.belongs_to is not None:
            point = on_paper(label.belongs_to[None])[0]
            gaps = np.hypot(*np.maximum(np.maximum(boxes[:, :2] - point, point - boxes[:, 2:]), 0.0).T)
            for i in np.flatnonzero(gaps > _FAR).tolist():
                leader = _along(np.array([point, middles[i]]))
                away = leader[np.hypot(*(leader - point).T) > _MARK[1]]
                leaders[i] = _boxes(away, _LINE)
                crossing[i] = _overlap(leaders[i], crossed).sum()
        free = np.flatnonzero(hidden < 0.5)
        chosen = int(free[np.argmin(crossing[free])]) if len(free) else int(np.argmin(hidden))
        crossed = np.concatenate([crossed, boxes[[chosen]]])
        taken = np.concatenate([taken, boxes[[chosen]], leaders.get(chosen, np.empty((0, 4)))])
        place = label.places[chosen]
        mark = place.at if label.belongs_to is None else label.belongs_to
        offset = middles[chosen] - on_paper(mark[None])[0]
        look: dict[str, Any] = {"color": label.colour, "weight": label.weight, "ha": "center", "va": "center"}
        look |= {"bbox": _GROUND} if label.on_ground else {"path_effects": HALO}
        look |= {"arrowprops": _LEADER} if chosen in leaders else {}
        look |= {"rotation": place.rotation, "annotation_clip": False, "zorder": zorder}
        style.write(axes, label.text, mark, (offset[0], offset[1]), label.size, **look)


_GROUND = {"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85}
_LEADER = {"arrowstyle": "-", "linewidth": 0.5, "color": style.QUIET, "shrinkA": 1.0, "shrinkB": 3.0}


def write_names(
    axes: Axes, x: np.ndarray, y: np.ndarray, names: Sequence[str], lines: Sequence[np.ndarray] = ()
) -> None:
    """Write a name at the nearest free place beside each point of a chart; a line joins distant names to their points.

    The limits of `axes` must be set before and must not change afterwards. Points whose name is empty are not covered
    either.

    Parameters
    ----------
    lines : each (m, 2) data coordinates of a polyline that must remain visible
    """
    points = np.column_stack([x, y])
    named = [k for k in np.argsort(-points[:, 1], kind="stable") if names[k]]
    write_labels(axes, [beside(names[k], points[k], axes) for k in named], points, lines, zorder=6.0)


def _along(line: np.ndarray) -> np.ndarray:
    """(n, 2) points along a polyline (m, 2), at most one unit apart."""
    pieces = [line[:1]]
    for start, end, length in zip(line[:-1], line[1:], np.hypot(*np.diff(line, axis=0).T)):
        share = np.linspace(0.0, 1.0, 1 + max(1, int(np.ceil(min(length, 2000.0)))))[1:, None]
        pieces.append(start + share * (end - start))
    return np.concatenate(pieces)


def _boxes(middles: np.ndarray, size: np.ndarray | tuple[float, float]) -> np.ndarray:
    """(n, 4) left, bottom, right, top of boxes about their middles (n, 2), of one common size or one size each."""
    half = 0.5 * np.asarray(size, dtype=float)
    return np.column_stack([middles - half, middles + half])


def _overlap(boxes: np.ndarray, others: np.ndarray) -> np.ndarray:
    """(n, m) areas of overlap between boxes (n, 4) and others (m, 4)."""
    low = np.maximum(boxes[:, None, :2], others[None, :, :2])
    high = np.minimum(boxes[:, None, 2:], others[None, :, 2:])
    return np.prod(np.maximum(high - low, 0.0), axis=2)
