"""The plan under a map: walls, what hangs, what must stay clear, sources, length and direction."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.patches import FancyArrowPatch, PathPatch, Rectangle
from matplotlib.path import Path
from matplotlib.patheffects import withStroke

from ..study.results import PlanDrawing, Results
from . import style

HALO = [withStroke(linewidth=1.8, foreground="white")]
"""Keeps writing and lines legible on any colour."""
_CASING = [withStroke(linewidth=3.6, foreground="white")]
_STRIP = 0.10
"""Height of the strip for scale bar and direction, share of the width of the plan."""
_MARGIN = 0.03


def extent(results: Results, *, strip: bool) -> tuple[np.ndarray, np.ndarray]:
    """Lower left and upper right corner, (2,) each, m, of a map with margins, and with the strip if asked."""
    plan = results.plan
    parts = [results.cells.reshape(-1, 2), *plan.walls, *plan.zones.values()]
    parts += [line for lines in plan.elements.values() for line in lines]
    points = np.concatenate(parts)
    low, high = points.min(axis=0), points.max(axis=0)
    margin = _MARGIN * float((high - low).max())
    below = _STRIP * float(high[0] - low[0]) if strip else 0.0
    return low - (margin, margin + below), high + margin


def draw_plan(axes: Axes, results: Results, scenario: int, *, names: bool) -> None:
    """Draw the plan of one scenario over its seats and set the limits of `axes`.

    Elements switched in are drawn thick, lines that are not used faint. `names` writes beside everything what
    it is, and adds scale bar and direction; small maps share those of their sheet.
    """
    plan = results.plan
    low, high = extent(results, strip=names)
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal")
    axes.axis("off")
    axes.add_collection(LineCollection(list(plan.walls), colors="#3c3c3c", linewidths=0.9, zorder=6))
    _draw_zones(axes, plan, names)
    _draw_elements(axes, results, scenario, names)
    sounding = results.scenarios[scenario].sources
    _draw_sources(axes, {name: at for name, at in plan.sources.items() if name in sounding}, names)
    if plan.stage is not None and names:
        write(axes, np.array(plan.stage), "STAGE", size=6.5)
    if names:
        width = float(high[0] - low[0])
        y = float(low[1]) + 0.4 * _STRIP * width
        draw_scale_bar(axes, (low[0] + _MARGIN * width, y), 0.2 * width)
        draw_direction(axes, results, (low[0] + 0.45 * width, y), 0.05 * width, (0.25 * width, 0.0))


def _draw_zones(axes: Axes, plan: PlanDrawing, names: bool) -> None:
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
    if names:
        for name, corners in plan.zones.items():
            write(axes, corners[:-1].mean(axis=0), name, colour=style.KEPT_CLEAR, size=5.5)


def _turned_left(corners: np.ndarray) -> np.ndarray:
    """A closed outline (n, 2), anticlockwise: zones that overlap must not cancel each other."""
    x, y = corners.T
    return corners if np.dot(x[:-1], y[1:]) >= np.dot(x[1:], y[:-1]) else corners[::-1]


def _draw_elements(axes: Axes, results: Results, scenario: int, names: bool) -> None:
    present = results.scenarios[scenario].elements
    middle = results.positions[:, :2].mean(axis=0)
    short = short_names(results.plan.elements)
    for name, lines in results.plan.elements.items():
        is_area = all(len(line) > 3 and np.allclose(line[0], line[-1]) for line in lines)
        if name not in present:
            if is_area:
                continue
            faint = LineCollection(
                list(lines), colors=style.FAINT, linewidths=0.7, linestyles=(0, (3, 2)), zorder=6
            )
            axes.add_collection(faint)
            continue
        drawn = LineCollection(
            list(lines),
            colors=style.HUNG,
            linewidths=1.0 if is_area else 2.2,
            linestyles=(0, (6, 1.5)) if is_area else "solid",
            zorder=8,
        )
        drawn.set(path_effects=HALO if is_area else _CASING)
        axes.add_collection(drawn)
        if names:
            _name_beside(axes, lines, short[name], middle, is_area)


def _name_beside(
    axes: Axes, lines: tuple[np.ndarray, ...], name: str, middle: np.ndarray, is_area: bool
) -> None:
    """Write a name beside the longest piece, on the side away from the audience (of an area, inside it)."""
    starts = np.concatenate([line[:-1] for line in lines])
    ends = np.concatenate([line[1:] for line in lines])
    longest = int(np.argmax(np.hypot(*(ends - starts).T)))
    along = ends[longest] - starts[longest]
    at = 0.5 * (starts[longest] + ends[longest])
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-9)
    if (np.dot(across, at - middle) < 0.0) != is_area:
        across = -across
    # Along the line, and never upside down.
    angle = 90.0 - (90.0 - float(np.degrees(np.arctan2(along[1], along[0])))) % 180.0
    axes.annotate(
        name,
        (at[0], at[1]),
        xytext=(7.0 * across[0], 7.0 * across[1]),
        textcoords="offset points",
        rotation=angle,
        ha="center",
        va="center",
        fontsize=6.5,
        color=style.HUNG,
        weight="bold",
        path_effects=HALO,
        zorder=10,
        annotation_clip=False,
    )


def short_names(names: Iterable[str]) -> dict[str, str]:
    """The first word of each name where that word is a code such as D1 and no two names share it."""
    first = {name: name.split()[0].rstrip(":,") for name in names}
    heads = list(first.values())
    return {
        name: head if heads.count(head) == 1 and any(c.isdigit() for c in head) else name[:28]
        for name, head in first.items()
    }


def _draw_sources(axes: Axes, sources: dict[str, np.ndarray], names: bool) -> None:
    axes.plot(
        *np.array(list(sources.values())).reshape(-1, 2).T,
        linestyle="none",
        marker="^",
        markersize=5.0 if names else 3.4,
        color=style.INK,
        mec="white",
        mew=0.6,
        zorder=9,
    )
    if names:
        for name, at in sources.items():
            axes.annotate(
                name,
                (at[0], at[1]),
                xytext=(0.0, 5.5),
                textcoords="offset points",
                ha="center",
                fontsize=5.5,
                path_effects=HALO,
                zorder=10,
            )


def write(axes: Axes, at: np.ndarray, text: str, *, colour: str = style.INK, size: float = 6.0) -> None:
    """Write centred at a point, legible on any ground."""
    ground = {"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.85}
    axes.text(
        at[0], at[1], text, color=colour, fontsize=size, ha="center", va="center", bbox=ground, zorder=10
    )


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
