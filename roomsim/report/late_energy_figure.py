"""The venue unfolded like a paper box, coloured by the late energy that each part of its surfaces reflects."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure

from .. import bands
from ..planning.results import LateEnergyOrigin, PlanResults
from ..words import shortened
from . import style
from .labels import Label, Place, write_labels
from .plan import draw_scale_bar
from .planning_words import candidate_short_names, set_text

HORIZONTAL = 0.5
"""Vertical component of the normal above which a surface belongs to the floor or the ceiling."""
ON_SHELL = 0.5
"""Distance from the bounding box of the venue within which an upright surface is part of its walls, m."""
TALL = 2.0
"""Height above which other upright surfaces are shown with the wall behind them, m."""
COLOUR_EDGES = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0)
"""Steps of the colours, relative to the average of all surfaces."""
AXES = (0.03, 0.14, 0.94, 0.73)
"""Position of the unfolded venue on the page."""


def late_energy_figure(results: PlanResults, late_energy: LateEnergyOrigin) -> Figure:
    """Where the late energy of one set of elements comes from; all such pictures share one scale."""
    option = results.option(late_energy.option)
    mid = late_energy.overall[:, list(bands.MID)].mean(axis=1)
    largest = sorted(zip(mid, late_energy.surfaces), reverse=True)[:6]
    title = f"Where late energy comes from: {set_text(option, results)}"
    below = (
        f"Energy later than {1000.0 * late_energy.after:.0f} ms by the surface that reflected it last, all seats. At "
        f"500 Hz and 1 kHz:\n{', '.join(f'{name} {100.0 * share:.0f} %' for share, name in largest)}."
    )
    with style.page(style.A4_LANDSCAPE, results, title, below) as figure:
        axes = figure.add_axes(AXES)
        faces, ceiling = _draw_surfaces(axes, results, late_energy)
        labels = list(_draw_elements(axes, results, option.elements))
        for number, line in enumerate(results.new_lines if late_energy.option == results.proposed else (), start=1):
            ends = np.array(line.run)
            axes.plot(*ends.T, color=style.SERIES[0], linewidth=2.0, linestyle=(0, (2, 1)), zorder=7)
            labels.append(_label(ends, f"new {number}", style.SERIES[0], 6.0))
        axes.set_aspect("equal")
        axes.axis("off")
        (left, right), bottom = axes.get_xlim(), axes.get_ylim()[0]
        draw_scale_bar(axes, (left, bottom), 0.12 * (right - left))
        write_labels(axes, [*labels, ceiling])
        bar_axes = figure.add_axes((0.30, 0.105, 0.40, 0.018))
        bar = figure.colorbar(faces, cax=bar_axes, orientation="horizontal", extend="both", spacing="uniform")
        bar.set_ticks(COLOUR_EDGES, labels=[f"{edge:g}" for edge in COLOUR_EDGES])
        label = "late energy reflected per square metre, 500 Hz to 4 kHz; average of all surfaces = 1"
        bar.set_label(label, fontsize=7.0)
        style.write_footnote(
            figure,
            "Walls are folded outwards from the floor plan, with their lower edges towards it; the ceiling is seen "
            "from above. Pink: elements of this set; free-hanging lines are coloured by energy too. Columns, trusses "
            "and other bodies away from the walls are omitted. Blue: places where a new line could hang.",
        )
        return figure


def _draw_elements(axes: Axes, results: PlanResults, elements: tuple[str, ...]) -> Iterator[Label]:
    """Draw the elements in the floor plan and return their names."""
    short = candidate_short_names(results)
    drawing = results.drawing
    drawn = drawing.elements_on(*range(len(drawing.tiers)))
    for name in elements:
        lines = drawn.get(name, ())
        style.draw_lines(axes, lines, style.HUNG, 1.4, zorder=6)
        if lines:
            longest = max(lines, key=len)
            yield _label(longest, shortened(short[name], 28), style.HUNG, 7.0)


def _label(line: np.ndarray, text: str, colour: str, size: float) -> Label:
    """A name on its line, or above or below it, or farther along."""
    start, end = line[0], line[-1]
    shares = (0.5, 0.3, 0.7, 0.15, 0.85)
    # The outline of an area ends where it begins, and its name is in the middle.
    on = [line.mean(axis=0) if np.allclose(start, end) else start + share * (end - start) for share in shares]
    offsets = ((0.0, 0.0), (0.0, 10.0), (0.0, -10.0), (0.0, 20.0), (0.0, -20.0))
    places = [Place(at, offset) for offset in offsets for at in on]
    return Label(text, places, size, colour, on_ground=True)


def _draw_surfaces(axes: Axes, results: PlanResults, late_energy: LateEnergyOrigin) -> tuple[PolyCollection, Label]:
    """Draw the unfolded venue, with free-hanging cloth as lines in the floor plan.

    Colours show late energy per square metre, relative to the average of all surfaces.

    Returns
    -------
    The coloured surfaces, and a label for the ceiling
    """
    corners, is_sheet = results.outlines, np.array(results.outline_is_sheet)
    density = late_energy.density[list(results.outline_patch)] * late_energy.square_metres.sum()
    low, high = corners.reshape(-1, 3).min(axis=0), corners.reshape(-1, 3).max(axis=0)
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    middle = corners.mean(axis=1)
    gap = 0.02 * float((high - low)[:2].max())
    is_horizontal = np.abs(normal[:, 2]) > HORIZONTAL
    polygons: list[np.ndarray] = []
    shades: list[float] = []

    def add(chosen: np.ndarray, flat: np.ndarray, depth: np.ndarray) -> None:
        # The nearest surface is drawn last, because an object in front of a wall hides the wall.
        order = np.flatnonzero(chosen)
        order = order[np.argsort(-depth[order], kind="stable")]
        polygons.extend(flat[order])
        shades.extend(density[order])

    plan = corners[..., :2]
    upper = middle[:, 2] > 0.5 * (low[2] + high[2])
    add(is_horizontal & ~upper & ~is_sheet, plan, -middle[:, 2])
    away = _beside_or_above(high - low, gap)
    add(is_horizontal & upper & ~is_sheet, plan + away, middle[:, 2])
    centre = 0.5 * (low + high)[:2]
    extent = np.ptp(corners, axis=1)
    for axis, side in ((0, -1), (0, 1), (1, -1), (1, 1)):
        edge = high[axis] if side > 0 else low[axis]
        flat = plan.copy()
        flat[..., axis] = edge + side * gap + side * (corners[..., 2] - low[2])
        # A surface is assigned to a wall by the larger component of its normal and its side of the centre.
        is_along = np.abs(normal[:, axis]) >= np.abs(normal[:, 1 - axis])
        belongs = ~is_horizontal & ~is_sheet & is_along & (side * (middle[:, axis] - centre[axis]) > 0.0)
        is_tall = (extent[:, 2] > TALL) & (extent[:, 1 - axis] > 0.5 * TALL)
        is_shell = np.abs(middle[:, axis] - edge) < ON_SHELL
        add(belongs & (is_shell | is_tall), flat, side * middle[:, axis])
    free = is_sheet & ~is_horizontal & (density > 0.0)
    n_colours = len(COLOUR_EDGES) + 1
    colours: dict[str, Any] = {"cmap": matplotlib.colormaps["YlOrBr"].resampled(n_colours)}
    colours["norm"] = BoundaryNorm(COLOUR_EDGES, n_colours, extend="both")
    faces = PolyCollection(polygons, array=np.array(shades), edgecolors="#8a8a8a", linewidths=0.25, **colours)
    axes.add_collection(faces)
    lines = [_ends_in_plan(corners[i]) for i in np.flatnonzero(free)]
    if lines:
        axes.add_collection(LineCollection(lines, array=density[free], linewidths=4.0, zorder=5, **colours))
    points = np.concatenate(polygons)
    axes.set_xlim(points[:, 0].min() - gap, points[:, 0].max() + gap)
    axes.set_ylim(points[:, 1].min() - gap, points[:, 1].max() + gap)
    place = Place(np.array([centre[0], high[1] + 0.6 * gap]) + away)
    return faces, Label("roof or ceiling, seen from above", [place], 7.0)


def _beside_or_above(size: np.ndarray, gap: float) -> np.ndarray:
    """(2,) m by which the ceiling is moved away from the floor, so that the drawing is as large as possible."""
    depth = size[2] + gap
    beside, above = np.array([size[0] + depth + gap, 0.0]), np.array([0.0, size[1] + depth + gap])
    page = np.array([AXES[2] * style.A4_LANDSCAPE[0], AXES[3] * style.A4_LANDSCAPE[1]])
    whole = size[:2] + 2.0 * depth
    # Beside the east wall the ceiling adds its width; above the north wall it adds its height.
    scales = [
        float((page / (whole + np.maximum(shift - [depth, depth] + gap, 0.0))).min()) for shift in (beside, above)
    ]
    return beside if scales[0] >= scales[1] else above


def _ends_in_plan(face: np.ndarray) -> np.ndarray:
    """(2, 2) ends of an upright face (4, 3) in plan."""
    gaps = np.linalg.norm(face[:, None, :2] - face[None, :, :2], axis=2)
    i, k = np.unravel_index(int(gaps.argmax()), gaps.shape)
    return face[[i, k], :2]
