"""The plan under a map: walls, what hangs, what must stay clear, sources, length and direction."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.patches import FancyArrowPatch, PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.patheffects import withStroke

from ..results.records import Results
from ..scene.plan_lines import PlanDrawing
from ..words import counted, shortened, span
from . import style
from .labels import HALO, Label, Place, beside, write_labels

_CASING = [withStroke(linewidth=3.6, foreground="white")]
_STRIP = 0.10
"""Height of the strip for scale bar and direction, share of the width of the plan."""
_MARGIN = 0.03
_NAME = 28
"""Letters of an element's name that have room in a plan."""
_GAPS = (7.0, 14.0, 22.0)
"""Points between an element and its name, nearest first."""
SOURCE, NOISE = "^", "X"
"""Marks of what the audience shall hear, and of what it hears besides."""


def extent(results: Results, *, strip: bool) -> tuple[np.ndarray, np.ndarray]:
    """Lower left and upper right corner, (2,) each, m, of a map with margins, and with the strip if asked.

    The same for all tiers, so that their plans lie alike.
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


def tier_words(plan: PlanDrawing, tier: int, area_names: Sequence[str], area: np.ndarray, position: np.ndarray) -> str:
    """What a plan shows where there are several: "gallery (120 seats, ears at 5.2 to 7.1 m)".

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

    Elements switched in are drawn thick, lines that are not used faint. `names` writes beside everything what
    it is, and adds scale bar and direction; small maps share those of their sheet.
    """
    plan = results.plan
    low, high = extent(results, strip=names)
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")
    axes.axis("off")
    walls = LineCollection(list(plan.tiers[tier].walls), colors="#3c3c3c", linewidths=0.9, zorder=6)
    axes.add_collection(walls)
    _draw_zones(axes, plan)
    present = plan.elements_on(tier)
    used = [name for name in present if name in results.scenarios[scenario].elements]
    for name, lines in present.items():
        _draw_element(axes, lines, name in used)
    sounding = {name: at for name, at in plan.sources.items() if name in results.scenarios[scenario].sources}
    draw_sources(axes, sounding, plan.noise, size=1.0 if names else 0.7)
    if names:
        width = float(high[0] - low[0])
        y = float(low[1]) + 0.4 * _STRIP * width
        draw_scale_bar(axes, (low[0] + _MARGIN * width, y), 0.2 * width)
        draw_direction(axes, results, (low[0] + 0.45 * width, y), 0.05 * width, (0.25 * width, 0.0))
        middle = results.positions[:, :2].mean(axis=0)
        short = short_names(present)
        labels = [
            *([] if plan.stage is None else [_stage_label(axes, np.array(plan.stage))]),
            *source_labels(axes, sounding),
            *(_element_label(present[name], short[name], middle) for name in used),
            *(_zone_label(corners, name) for name, corners in plan.zones.items()),
        ]
        write_labels(axes, labels, np.array(list(sounding.values())).reshape(-1, 2))


def _stage_label(axes: Axes, at: np.ndarray) -> Label:
    places = [Place(at), *beside("STAGE", at, axes).places]
    return Label("STAGE", places, belongs_to=at, on_ground=True)


def _draw_zones(axes: Axes, plan: PlanDrawing) -> None:
    if not plan.zones:
        return
    # One shape: the pattern of a hatch is made anew for each shape, which takes longer than to draw the zone.
    outlines = [Path(_turned_left(corners), closed=True) for corners in plan.zones.values()]
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
    steps = [(0.0, 0.0), *((x * k, y * k) for k in (10.0, 20.0, 32.0) for x, y in ((0, 1), (0, -1), (1, 0), (-1, 0)))]
    places = [Place(middle, step) for step in steps]
    colour = style.KEPT_CLEAR
    return Label(shortened(name, _NAME), places, 5.5, colour, belongs_to=middle, on_ground=True)


def _turned_left(corners: np.ndarray) -> np.ndarray:
    """A closed outline (n, 2), anticlockwise: zones that overlap must not cancel each other."""
    x, y = corners.T
    return corners if np.dot(x[:-1], y[1:]) >= np.dot(x[1:], y[:-1]) else corners[::-1]


def is_area(lines: Sequence[np.ndarray]) -> bool:
    """Whether an element lies over an area, and is no line."""
    return all(len(line) > 3 and np.allclose(line[0], line[-1]) for line in lines)


def _draw_element(axes: Axes, lines: tuple[np.ndarray, ...], is_used: bool) -> None:
    over_area = is_area(lines)
    if not is_used:
        if not over_area:
            faint = {"colors": style.FAINT, "linewidths": 0.7, "linestyles": (0, (3, 2))}
            axes.add_collection(LineCollection(list(lines), zorder=6, **faint))
        return
    drawn = LineCollection(
        list(lines),
        colors=style.HUNG,
        linewidths=1.0 if over_area else 2.2,
        linestyles=(0, (6, 1.5)) if over_area else "solid",
        zorder=8,
    )
    drawn.set(path_effects=HALO if over_area else _CASING)
    axes.add_collection(drawn)


def _element_label(lines: tuple[np.ndarray, ...], name: str, middle: np.ndarray) -> Label:
    """Beside the longest piece, on the side away from the audience (of an area, inside it), or the next free place."""
    places = list(_places_beside(lines, middle, is_area(lines)))
    return Label(name, places, 6.5, style.HUNG, "bold")


def _places_beside(lines: tuple[np.ndarray, ...], middle: np.ndarray, inside: bool) -> Iterator[Place]:
    starts = np.concatenate([line[:-1] for line in lines])
    ends = np.concatenate([line[1:] for line in lines])
    longest = np.argsort(-np.hypot(*(ends - starts).T), kind="stable")[:4]
    for gap in _GAPS:
        for share in (0.5, 0.25, 0.75):
            for turned in (1.0, -1.0):
                for i in longest:
                    step = ends[i] - starts[i]
                    at = starts[i] + share * step
                    across = np.array([-step[1], step[0]]) / max(float(np.hypot(*step)), 1e-9)
                    if (np.dot(across, at - middle) < 0.0) != inside:
                        across = -across
                    # Along the line, and never upside down.
                    angle = 90.0 - (90.0 - float(np.degrees(np.arctan2(step[1], step[0])))) % 180.0
                    across *= gap * turned
                    yield Place(at, (float(across[0]), float(across[1])), angle)


def short_names(names: Iterable[str]) -> dict[str, str]:
    """The first word of each name where that word is a code such as D1 and no two names share it."""
    first = {name: name.split()[0].rstrip(":,") for name in names}
    heads = list(first.values())
    return {
        name: head if heads.count(head) == 1 and any(c.isdigit() for c in head) else shortened(name, _NAME)
        for name, head in first.items()
    }


def draw_sources(axes: Axes, sources: dict[str, np.ndarray], noise: Sequence[str], *, size: float = 1.0) -> None:
    """A mark at each source, another one at what is noise."""
    for marker, chosen in (
        (SOURCE, [at for name, at in sources.items() if name not in noise]),
        (NOISE, [at for name, at in sources.items() if name in noise]),
    ):
        axes.plot(
            *np.array(chosen).reshape(-1, 2).T,
            linestyle="none",
            marker=marker,
            markersize=(5.0 if marker == SOURCE else 5.5) * size,
            color=style.INK,
            mec="white",
            mew=0.6,
            zorder=9,
        )


def source_labels(axes: Axes, sources: dict[str, np.ndarray]) -> list[Label]:
    """The names of sources above their marks, or beside them; those at one place share a label."""
    groups: dict[tuple[float, ...], list[str]] = {}
    for name, at in sources.items():
        groups.setdefault(tuple(np.round(at, 2)), []).append(name)
    return [
        beside("\n".join(shortened(name, _NAME) for name in names), np.array(at), axes, size=5.5, above=True)
        for at, names in groups.items()
    ]


def draw_scale_bar(axes: Axes, at: tuple[float, float], wanted: float) -> None:
    """Bar of a round length near `wanted` m from `at` to the right."""
    round_lengths = np.array([0.5, 1, 2, 5, 10, 20, 50, 100, 200])
    length = float(round_lengths[np.argmin(np.abs(np.log(round_lengths / wanted)))])
    x, y = at
    for i in range(4):
        piece = Rectangle(
            (x + i * length / 4, y),
            length / 4,
            0.05 * wanted,
            facecolor=style.INK if i % 2 == 0 else "white",
            edgecolor=style.INK,
            linewidth=0.6,
            zorder=9,
        )
        axes.add_patch(piece)
    for fraction, text in ((0.0, "0"), (0.5, f"{length / 2:g}"), (1.0, f"{length:g} m")):
        axes.annotate(
            text,
            (x + fraction * length, y),
            xytext=(0, -1.5),
            textcoords="offset points",
            fontsize=6.0,
            ha="center",
            va="top",
        )


def draw_direction(
    axes: Axes, results: Results, at: tuple[float, float], size: float, step: tuple[float, float]
) -> None:
    """Arrows of `size` m, `step` m apart: to the stage from the audience, and north if it is known."""
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
    unit = toward / max(float(np.hypot(*toward)), 1e-9)
    arrow = FancyArrowPatch(
        tuple(middle - 0.5 * size * unit),
        tuple(middle + 0.5 * size * unit),
        arrowstyle="-|>",
        mutation_scale=7.0,
        color=style.INK,
        linewidth=0.9,
        shrinkA=0.0,
        shrinkB=0.0,
        zorder=9,
    )
    axes.add_patch(arrow)
    axes.annotate(
        text,
        (middle[0] + 0.5 * size, middle[1]),
        xytext=(4, 0),
        textcoords="offset points",
        fontsize=6.0,
        va="center",
        ha="left",
    )
