"""Names beside points, where they hide neither points nor each other."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from matplotlib.axes import Axes

from .plan import HALO

_SIZE = 6.5
"""Of the writing, points."""
_LETTER = 0.56
"""Mean width of a letter, share of its size."""
_SIDES = ((1, 0), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1), (0, 1), (0, -1))


def write_names(axes: Axes, x: np.ndarray, y: np.ndarray, names: Sequence[str]) -> None:
    """Write a name beside each point, nearest free place first; far ones get a line to their point.

    The limits of `axes` must be set before and stay as they are.
    """
    per_point = 72.0 / axes.figure.dpi
    points = axes.transData.transform(np.column_stack([x, y])) * per_point
    frame = axes.get_window_extent()
    bounds = np.array([frame.x0, frame.y0, frame.x1, frame.y1]) * per_point
    taken = [_box(point, (7.0, 9.0)) for point in points]
    for k in np.argsort(-y):
        size = (_LETTER * _SIZE * len(names[k]), 1.25 * _SIZE)
        offset = _free_place(points[k], size, taken, bounds)
        taken.append(_box(points[k] + offset, size))
        is_far = float(np.hypot(*offset) - 0.5 * size[0]) > 14.0 or abs(offset[1]) > 14.0
        # The width is a guess: the end that looks at the point is what must stand right.
        side = int(np.sign(round(float(offset[0]), 6)))
        axes.annotate(
            names[k],
            (x[k], y[k]),
            xytext=(offset[0] - 0.5 * side * size[0], offset[1]),
            textcoords="offset points",
            fontsize=_SIZE,
            ha=("right", "center", "left")[side + 1],
            va="center",
            path_effects=HALO,
            arrowprops={
                "arrowstyle": "-",
                "linewidth": 0.5,
                "color": "#707070",
                "shrinkA": 1.0,
                "shrinkB": 3.0,
            }
            if is_far
            else None,
            zorder=4,
        )


def _free_place(
    point: np.ndarray, size: tuple[float, float], taken: Sequence[np.ndarray], bounds: np.ndarray
) -> np.ndarray:
    """Offset of the middle of the writing from its point, points."""
    offsets = [
        np.array([side[0] * (0.5 * size[0] + 4.0 + gap), side[1] * (0.5 * size[1] + 3.0 + gap)])
        for gap, side in product((0.0, 6.0, 14.0, 24.0, 36.0), _SIDES)
    ]
    for offset in offsets:
        box = _box(point + offset, size)
        inside = (box[:2] >= bounds[:2]).all() and (box[2:] <= bounds[2:]).all()
        if inside and not any(_overlap(box, other) for other in taken):
            return offset
    # Crowded beyond help: better a name over another one than none.
    return offsets[0]


def _box(middle: np.ndarray, size: tuple[float, float]) -> np.ndarray:
    half = 0.5 * np.array(size)
    return np.concatenate([middle - half, middle + half])


def _overlap(one: np.ndarray, other: np.ndarray) -> bool:
    return bool((one[:2] < other[2:]).all() and (other[:2] < one[2:]).all())
