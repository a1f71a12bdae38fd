"""The floor plan under a map: walls, elements, zones to be kept clear, sources, scale bar and directions."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import FancyArrowPatch, PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.patheffects import withStroke

from ..results.records import Results
from ..scene.plan_lines import PlanDrawing
from ..words import counted, short_names, shortened, span
from . import style
from .labels import HALO, Label, Place, beside, write_labels

_CASING = [withStroke(linewidth=3.6, foreground="white")]
_STRIP = 0.10
"""Height of the strip for scale bar and directions, as a share of the width of the plan."""
_MARGIN = 0.03
_NAME_LENGTH = 28
"""Letters of a name that fit in a plan."""
_GAPS = (7.0, 14.0, 22.0)
"""Distances between an element and its name, points, in order of preference."""
SOURCE, NOISE = "^", "X"
"""Marks of programme sources and of noise sources."""


def extent(results: Results, *, strip: bool) -> tuple[np.ndarray, np.ndarray]:
    """Lower left and upper right corner, (2,) each, m, of a map with margins.

    They are the same for all tiers, so that the plans of all tiers are aligned.

    Parameters
    ----------
    strip : include the strip for scale bar and directions
    """
    plan = results.plan
    parts = [results.cells.reshape(-1, 2), *plan.zones.values()]
    parts += [line for tier in plan.tiers for line in tier.walls]
    parts += [line for lines in plan.elements_on(*range(len(plan.tiers))).values() for line in lines]
    points = np.concatenate(parts)
    low, high = points.min(axis=0), points.max(axis=0)
    margin = _MARGIN * float((high - low).max())
    below = _STRIP * float(high[0] - low[0]) if strip else 0.0
    return low - (margin, margin + below), high + margin


def tier_description(
    plan: PlanDrawing, tier: int, area_names: Sequence[str], area: np.ndarray, position: np.ndarray
) -> str:
    """Description of one of several plans: "gallery (120 seats, ears at 5.2 to 7.1 m)".

    Parameters
    ----------
    area : (n_receivers,) int, index of the audience area
    position : (n_receivers, 3) float, m
    """
    areas = plan.tiers[tier].areas
    heights = position[np.isin(area, areas), 2]
    names = shortened(", ".join(area_names[i] for i in areas), 44)
    return f"{names} ({counted(len(heights), 'seat')}, ears at {span(heights.min(), heights.max(), '.1f')} m)"


def draw_plan(axes: Axes, results: Results, scenario: int, *, tier: int = 0, names: bool) -> None:
    """Draw the plan of one scenario over the seats of a tier and set the limits of `axes`.

    Elements of the scenario are drawn with thick lines, other elements with faint lines.

    Parameters
    ----------
    names : write names, and draw a scale bar and directions; small maps share those of their sheet
    """
    plan = results.plan
    low, high = extent(results, strip=names)
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")
    axes.axis("off")
    style.draw_lines(axes, plan.tiers[tier].walls, style.WALLS, 0.9, zorder=6)
    _draw_zones(axes, plan)
    present = plan.elements_on(tier)
    used = [name for name in present if name in results.scenarios[scenario].elements]
    for name, lines in present.items():
        _draw_element(axes, lines, name in used)
    sources = {name: at for name, at in plan.sources.items() if name in results.scenarios[scenario].sources}
    draw_sources(axes, sources, plan.noise, size=1.0 if names else 0.7)
    if names:
        width = float(high[0] - low[0])
        y = float(low[1]) + 0.4 * _STRIP * width
        draw_scale_bar(axes, (low[0] + _MARGIN * width, y), 0.2 * width)
        draw_directions(axes, results, (low[0] + 0.45 * width, y), 0.05 * width, (0.25 * width, 0.0))
        middle = results.positions[:, :2].mean(axis=0)
        short = {name: shortened(text, _NAME_LENGTH) for name, text in short_names(present).items()}
        labels = [
            *([] if plan.stage is None else [_stage_label(axes, np.array(plan.stage))]),
            *source_labels(axes, sources),
            *(_element_label(present[name], short[name], middle) for name in used),
            *(_zone_label(corners, name) for name, corners in plan.zones.items()),
        ]
        write_labels(axes, labels, np.array(list(sources.values())).reshape(-1, 2))


def _stage_label(axes: Axes, at: np.ndarray) -> Label:
    places = [Place(at), *beside("STAGE", at, axes).places]
    return Label("STAGE", places, belongs_to=at, on_ground=True)


def _draw_zones(axes: Axes, plan: PlanDrawing) -> None:
    if not plan.zones:
        return
    # All zones form one shape, because creating the hatch pattern again for each shape takes longer than drawing it.
    outlines = [Path(_anticlockwise(corners), closed=True) for corners in plan.zones.values()]
    zones = PathPatch(
        Path.make_compound_path(*outlines),
        facecolor="none",
        edgecolor=style.KEPT_CLEAR,
        hatch="....",
        linewidth=0.7,
        zorder=6,
    )
    axes.add_patch(zones)


def _zone_label(corners: np.ndarray, name: str) -> Label:
    middle = corners[:-1].mean(axis=0)
    sides = ((0, 1), (0, -1), (1, 0), (-1, 0))
    places = [Place(middle), *(Place(middle, (x * gap, y * gap)) for gap in (10.0, 20.0, 32.0) for x, y in sides)]
    text = shortened(name, _NAME_LENGTH)
    return Label(text, places, 5.5, style.KEPT_CLEAR, belongs_to=middle, on_ground=True)


def _anticlockwise(corners: np.ndarray) -> np.ndarray:
    """A closed outline (n, 2) in anticlockwise order, so that overlapping zones do not cancel each other."""
    x, y = corners.T
    return corners if np.dot(x[:-1], y[1:]) >= np.dot(x[1:], y[:-1]) else corners[::-1]


def is_area(lines: Sequence[np.ndarray]) -> bool:
    """Whether an element covers an area and is not a line."""
    return all(len(line) > 3 and np.allclose(line[0], line[-1]) for line in lines)


def _draw_element(axes: Axes, lines: tuple[np.ndarray, ...], is_used: bool) -> None:
    over_area = is_area(lines)
    if is_used and over_area:
        style.draw_lines(axes, lines, style.HUNG, 1.0, linestyles=(0, (6, 1.5)), zorder=8, path_effects=HALO)
    elif is_used:
        style.draw_lines(axes, lines, style.HUNG, 2.2, zorder=8, path_effects=_CASING)
    elif not over_area:
        style.draw_lines(axes, lines, style.FAINT, 0.7, linestyles=(0, (3, 2)), zorder=6)


def _element_label(lines: tuple[np.ndarray, ...], name: str, middle: np.ndarray) -> Label:
    """A label beside the longest segment, preferably on the side away from the audience, or inside an area."""
    return Label(name, list(_places_beside(lines, middle)), 6.5, style.HUNG, "bold")


def _places_beside(lines: tuple[np.ndarray, ...], middle: np.ndarray) -> Iterator[Place]:
    inside = is_area(lines)
    starts = np.concatenate([line[:-1] for line in lines])
    ends = np.concatenate([line[1:] for line in lines])
    longest = np.argsort(-np.hypot(*(ends - starts).T), kind="stable")[:4]
    for gap in _GAPS:
        for share in (0.5, 0.25, 0.75):
            for turned in (1.0, -1.0):
                for i in longest:
                    along = ends[i] - starts[i]
                    at = starts[i] + share * along
                    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
                    if (np.dot(across, at - middle) < 0.0) != inside:
                        across = -across
                    # The text runs along the line and is never upside down.
                    angle = 90.0 - (90.0 - float(np.degrees(np.arctan2(along[1], along[0])))) % 180.0
                    across *= gap * turned
                    yield Place(at, (float(across[0]), float(across[1])), angle)


def draw_sources(axes: Axes, sources: dict[str, np.ndarray], noise: Sequence[str], *, size: float = 1.0) -> None:
    """Draw a mark at each source, and a different one at noise sources."""
    for marker, points, is_noise in ((SOURCE, 5.0, False), (NOISE, 5.5, True)):
        chosen = [at for name, at in sources.items() if (name in noise) == is_noise]
        mark = style.marks(marker, points * size, color=style.INK, mec="white", mew=0.6, zorder=9)
        axes.plot(*np.array(chosen).reshape(-1, 2).T, **mark)


def source_labels(axes: Axes, sources: dict[str, np.ndarray]) -> list[Label]:
    """The names of sources, above or beside their marks. Sources at the same place share a label."""
    groups: dict[tuple[float, ...], list[str]] = {}
    for name, at in sources.items():
        groups.setdefault(tuple(np.round(at, 2)), []).append(name)
    return [
        beside("\n".join(shortened(name, _NAME_LENGTH) for name in names), np.array(at), axes, size=5.5, above=True)
        for at, names in groups.items()
    ]


def draw_scale_bar(axes: Axes, at: tuple[float, float], about: float) -> None:
    """Draw a bar of a round length close to `about`, m, to the right of `at`."""
    round_lengths = np.array([0.5, 1, 2, 5, 10, 20, 50, 100, 200])
    length = float(round_lengths[np.argmin(np.abs(np.log(round_lengths / about)))])
    x, y = at
    for i in range(4):
        left, face = (x + i * length / 4, y), style.INK if i % 2 == 0 else "white"
        look: dict[str, Any] = {"facecolor": face, "edgecolor": style.INK, "linewidth": 0.6, "zorder": 9}
        axes.add_patch(Rectangle(left, length / 4, 0.05 * about, **look))
    for fraction, text in ((0.0, "0"), (0.5, f"{length / 2:g}"), (1.0, f"{length:g} m")):
        style.write(axes, text, (x + fraction * length, y), (0, -1.5), 6.0, ha="center", va="top")


def draw_directions(
    axes: Axes, results: Results, at: tuple[float, float], size: float, step: tuple[float, float]
) -> None:
    """Draw arrows of length `size`, m, `step` apart: from the audience to the stage, and to the north if known."""
    plan = results.plan
    x, y = at
    if plan.stage is not None:
        toward = np.array(plan.stage) - results.positions[:, :2].mean(axis=0)
        _arrow(axes, np.array([x, y]), toward, size, "to stage")
        x, y = x + step[0], y + step[1]
    if plan.north is not None:
        angle = np.radians(plan.north)
        _arrow(axes, np.array([x, y]), np.array([np.cos(angle), np.sin(angle)]), size, "north")


def _arrow(axes: Axes, middle: np.ndarray, toward: np.ndarray, size: float, text: str) -> None:
    half = 0.5 * size * toward / max(float(np.hypot(*toward)), 1e-9)
    look: dict[str, Any] = {"arrowstyle": "-|>", "mutation_scale": 7.0, "shrinkA": 0.0, "shrinkB": 0.0}
    ends = tuple(middle - half), tuple(middle + half)
    axes.add_patch(FancyArrowPatch(*ends, color=style.INK, linewidth=0.9, zorder=9, **look))
    style.write(axes, text, (middle[0] + 0.5 * size, middle[1]), (4, 0), 6.0, va="center", ha="left")
