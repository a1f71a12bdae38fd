"""Pictures of a sound system: energy deposition, side views, level maps, order of arrivals, directivity."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path as FilePath
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import PolyCollection
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Polygon

from .. import bands
from ..sound_system.directivity import box_kinds
from ..sound_system.energy_deposition import PARTS
from ..sound_system.hang_section import HangSection, hang_section
from ..sound_system.system_report import SystemReport
from ..sound_system.timing import ECHO, TAKEN_OVER, VERDICTS, ArrivalOrder
from ..venue.systems import Hang
from ..words import counted, shortened
from . import style
from .directivity_figures import directivity_figure
from .labels import HALO, write_labels
from .pictures import Picture, write_pictures
from .plan import draw_scale_bar, draw_sources, source_labels, tier_description
from .system_object import angle_text

PART_COLOURS = ("#1b7837", "#c7a76c", "#9e9ac8", "#6baed6", "#c2185b", "#d9d9d9")
"""In the order of `PARTS`; the audience is dark, so that it stands out in grey too."""
LINE_STYLES = ("-", "--", "-.", ":")
STATED_COLOURS = ("#08306b", "#2171b5", "#4292c6", "#6baed6")
PROPOSED_COLOURS = ("#7f2704", "#a63603", "#d94801", "#f16913")
"""In the order of the speech bands, for a hang as stated in the study and as proposed."""
LEVEL_COLOURS = ListedColormap(
    ["#2d004b", "#5e4fa2", "#8073ac", "#b2abd2", "#f0f0f0", "#fdb863", "#e08214", "#b35806", "#7f3b08"]
)
EDGES = np.array([-12.0, -9.0, -6.0, -3.0, 3.0, 6.0, 9.0, 12.0])
"""dB re the median seat: all levels within ±3 dB share one step."""
HATCHES = {
    TAKEN_OVER: ("....", "other source first, or too loud after the first"),
    ECHO: ("xxxx", "echo: more than 30 ms late and too loud"),
}


def write_system_figures(
    report: SystemReport, folder: str | FilePath, formats: Sequence[str] = ("png", "svg")
) -> list[FilePath]:
    """Draw all pictures of a system into a folder and return their paths; pictures that cannot be drawn are omitted.

    Raises
    ------
    StoreError : the folder cannot be written
    """
    draws: dict[str, Callable[[SystemReport], Figure]] = {"energy_deposition": deposition_figure}
    for i, hang in enumerate(report.distinct_hangs):
        draws[f"side_view_{i + 1}"] = partial(side_view, hang=hang)
    tiers = range(len(report.plan.tiers))
    for tier in tiers:
        suffix = f"_{tier + 1}" if len(tiers) > 1 else ""
        draws[f"level_maps{suffix}"] = partial(level_figure, tier=tier)
        if report.bass is not None:
            draws[f"bass_maps{suffix}"] = partial(bass_figure, tier=tier)
        draws[f"arrival_order{suffix}"] = partial(arrival_figure, tier=tier)
    kinds = list(box_kinds(report.study, report.playing).items())
    for i in range(0, len(kinds), 3):
        draws[f"directivity_{i // 3 + 1}"] = partial(directivity_figure, kinds=kinds[i : i + 3])
    pictures = [
        Picture(name, f"{report.title}, {report.venue}, scenario {report.name}: {name.replace('_', ' ')}", draw)
        for name, draw in draws.items()
    ]
    return write_pictures(report, pictures, FilePath(folder), formats, processes=1)


# --- where the energy goes ------------------------------------------------------------------------------


def deposition_figure(report: SystemReport) -> Figure:
    """Bars of the energy by the part of the venue that it reaches first: for the whole system by octave band, and for
    each source in the speech bands."""
    deposition = report.deposition
    rank = ("main", "fill", "delay", "sub")
    order = sorted(enumerate(report.sources_on), key=lambda entry: rank.index(report.direct.roles[entry[1]]))
    below = "Share of the radiated energy by the part of the venue that it reaches first."
    with style.page(style.A4_LANDSCAPE, report, f"Where the energy goes: {report.name}", below) as figure:
        left = figure.add_axes((0.075, 0.2, 0.4, 0.62))
        _stacked(left, deposition.whole_system.T, bands.NAMES)
        left.set_title("Whole system, by octave band", loc="left")
        right = figure.add_axes((0.62, 0.2, 0.34, 0.62))
        speech = deposition.share[[row for row, _ in order]][..., bands.SPEECH_MID].mean(axis=-1)
        _stacked(right, speech, [report.scene.sources.names[source] for _, source in order])
        right.set_title("Each source, mean of 500 Hz to 4 kHz", loc="left")
        shares = deposition.share.sum(axis=(0, 2))
        handles = [
            Patch(facecolor=colour, edgecolor="white", label=part)
            for part, colour, share in zip(PARTS, PART_COLOURS, shares)
            if share > 0.0
        ]
        corner = (0.07, 0.155)
        figure.legend(handles=handles, loc="upper left", bbox_to_anchor=corner, ncols=len(PARTS), fontsize=8.0)
        style.write_footnote(
            figure,
            "Energy leaves the middle of each source with its far-field pattern and travels straight to the first "
            "surface; bass below about 100 Hz does not. Audience is the floor of the audience areas. “Other” is open "
            "floor, furniture and gaps. The standard error of a share is at most "
            f"{max(deposition.standard_error.max(), 0.001):.1%}.",
        )
        return figure


def _stacked(axes: Axes, shares: np.ndarray, labels: Sequence[str]) -> None:
    """Draw stacked bars of shares (n_bars, n_parts)."""
    place = np.arange(len(shares))[::-1]
    start = np.zeros(len(shares))
    for part, colour in enumerate(PART_COLOURS):
        width = shares[:, part]
        axes.barh(place, width, left=start, color=colour, height=0.74, edgecolor="white", linewidth=0.5)
        ink = "white" if part in (0, 4) else style.INK
        for y, x, w in zip(place, start, width):
            if w > 0.045:
                axes.text(x + w / 2, y, f"{100 * w:.0f}", ha="center", va="center", fontsize=7.5, color=ink)
        start = start + width
    axes.set_yticks(place, [textwrap.fill(shortened(label, 46), 24) for label in labels], fontsize=8.0)
    axes.set(xlim=(0.0, 1.0), ylim=(-0.6, len(shares) - 0.4))
    axes.set_xticks(np.linspace(0.0, 1.0, 6), [f"{x:.0f} %" for x in np.linspace(0, 100, 6)])
    axes.spines[["top", "right"]].set_visible(False)


# --- side view ------------------------------------------------------------------------------------------


def side_view(report: SystemReport, hang: Hang) -> Figure:
    """A section of the venue along a hang's azimuth with its boxes and their axes, and the level along the audience."""
    section, aimed = hang_section(report.study, report.scene, hang), None
    below = f"{counted(hang.count, 'box', 'boxes')}, top at {hang.top[2]:g} m: {angle_text(hang)}"
    if hang.name in report.aims:
        proposed = report.aims[hang.name].hang
        aimed = hang_section(report.study, report.scene, proposed)
        below += f"\nProposed (orange): {angle_text(proposed)}"
    with style.page((style.A4_LANDSCAPE[0], 6.6), report, f"Side view: {hang.name}", below) as figure:
        upper = figure.add_axes((0.06, 0.46, 0.9, 0.38))
        lower = figure.add_axes((0.06, 0.14, 0.9, 0.3))
        style.draw_lines(upper, section.lines, style.WALLS, 1.0, zorder=3)
        _draw_boxes(upper, section, style.SERIES[0], face="#404040", zorder=6)
        if aimed is not None:
            _draw_boxes(upper, aimed, style.SERIES[5], face="none", zorder=5)
        _draw_ears(upper, section.ears)
        low, high = section.lines.min(axis=(0, 1)), section.lines.max(axis=(0, 1))
        margin = 0.02 * (high - low).max()
        (left, bottom), (right, top) = low - margin, high + margin
        upper.set(xlim=(left, right), ylim=(bottom, top), ylabel="height, m")
        upper.set_aspect("equal", anchor="S")
        upper.tick_params(labelbottom=False)
        upper.spines[["top", "right"]].set_visible(False)
        _levels_along(lower, section, aimed, (left, right))
        style.write_footnote(
            figure,
            "Boxes are to scale; dashed lines are their axes up to the first surface. Levels are the direct sound of "
            "this hang as the complex sum of its boxes, with the loss in the air, re the median along the line.",
        )
        return figure


def _draw_boxes(axes: Axes, section: HangSection, colour: str, face: str, zorder: int) -> None:
    style.draw_lines(axes, section.axes, colour, 0.7, linestyles=(0, (6, 3)), zorder=2)
    boxes = PolyCollection(list(section.boxes), facecolors=face, edgecolors=colour, linewidths=0.7, zorder=zorder)
    axes.add_collection(boxes)


def _draw_ears(axes: Axes, ears: np.ndarray) -> None:
    axes.plot(*ears.T, color=style.HUNG, linewidth=2.0, solid_capstyle="butt", zorder=4)
    known = ears[np.isfinite(ears[:, 0])]
    if len(known):
        middle = known[len(known) // 2]
        style.write(axes, "ears", middle, (0, 5), 7, color=style.HUNG, path_effects=HALO)


def _levels_along(axes: Axes, section: HangSection, aimed: HangSection | None, limits: tuple[float, float]) -> None:
    for shown, colours, suffix in ((section, STATED_COLOURS, ""), (aimed, PROPOSED_COLOURS, ", proposed")):
        if shown is None:
            continue
        for band, line, colour in zip(bands.SPEECH_MID, LINE_STYLES, colours):
            relative = shown.level[:, band] - np.nanmedian(shown.level[:, band])
            label = bands.NAMES[band] + suffix
            axes.plot(shown.ears[:, 0], relative, line, color=colour, linewidth=1.2, label=label)
    axes.axhspan(-3.0, 3.0, color="#e8f0e4", zorder=0)
    axes.text(limits[0] + 0.3, 0.0, "±3 dB", fontsize=7, va="center", color=style.QUIET)
    axes.set(xlim=limits, ylim=(-18.0, 9.0), xlabel="distance ahead of the hang, m", ylabel="level, dB")
    axes.set_yticks([-12, -6, 0, 6], ["−12", "−6", "0", "+6"])
    axes.grid(axis="y", color="#e4e4e4", linewidth=0.5)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(ncols=4, loc="lower right", fontsize=7.0)


# --- maps -----------------------------------------------------------------------------------------------


def level_figure(report: SystemReport, tier: int = 0) -> Figure:
    """Direct level of all sources at the seats of a tier, re the median of all seats, per octave band."""
    panels = [(name, report.direct_level[:, b]) for b, name in enumerate(bands.NAMES)]
    title = f"Direct level over the seats: {report.name}"
    below = "Direct sound of all programme sources, energies added, with the loss in the air."
    foot = "Seats from which a source is not visible receive nothing from it."
    return _map_sheet(report, title, below, panels, tier, foot)


def bass_figure(report: SystemReport, tier: int = 0) -> Figure:
    """Coherent bass at the seats of a tier, re the median of all seats. The plan of the lowest tier also shows the
    stage."""
    bass = report.bass
    assert bass is not None
    panels = [(f"{label} Hz", bass.seats[:, i]) for i, label in enumerate(bass.labels)]
    behind = "; ".join(
        f"{name}: {', '.join(f'{x:.0f}' for x in values)} dB" for name, values in bass.rejection.items()
    )
    stage = bass.stage if tier == 0 and len(bass.stage) else None
    places = "at the seats" if stage is None else "at the seats and on stage"
    below = (
        f"Complex sum of all bass stacks and their floor images, {places}; without walls and reverberation.\n"
        f"Rejection behind at {', '.join(bass.labels)} Hz: {behind}"
    )
    foot = "Nothing between stacks and seats is taken into account."
    return _map_sheet(report, f"Bass: {report.name}", below, panels, tier, foot, stage)


def _map_sheet(
    report: SystemReport,
    title: str,
    below: str,
    panels: list[tuple[str, np.ndarray]],
    tier: int,
    foot: str,
    stage: np.ndarray | None = None,
) -> Figure:
    """A page of maps.

    Parameters
    ----------
    panels : name and level (n_seats,) of each map
    stage : (n_points, n_panels) level on stage
    """
    shown = _on_tier(report, tier)
    below = "\n".join(textwrap.fill(line, 118) for line in f"{_tier_line(report, tier)}{below}".split("\n"))
    columns = 2 if len(panels) > 3 else 1
    rows = -(-len(panels) // columns)
    norm = BoundaryNorm(EDGES, LEVEL_COLOURS.N, extend="both")
    top, bottom, right = 0.9 - 0.018 * below.count("\n"), 0.06, 0.9
    width, height = (right - 0.03) / columns, (top - bottom) / rows
    with style.page(style.A4_PORTRAIT, report, title, below) as figure:
        for i, (label, values) in enumerate(panels):
            corner = (0.03 + i % columns * width, top - (i // columns + 1) * height)
            axes = figure.add_axes((*corner, width - 0.02, height - 0.04))
            seats, median = values[shown], float(np.median(values))
            cells, drawn = report.scene.receivers.cell[shown], seats
            if stage is not None and report.bass is not None:
                cells = np.concatenate([cells, report.bass.stage_cells])
                drawn = np.concatenate([seats, stage[:, i]])
            look: dict[str, Any] = {"cmap": LEVEL_COLOURS, "norm": norm, "edgecolors": "face", "linewidths": 0.3}
            axes.add_collection(PolyCollection(list(cells), array=drawn - median, **look))
            _draw_plan(axes, report, tier, i == len(panels) - 1)
            axes.apply_aspect()
            low, high = np.quantile(seats, (0.05, 0.95))
            axes.set_title(
                f"{label}: median {np.median(seats):.0f} dB; 90 % of the seats within\n{high - low:.1f} dB, "
                f"{100 * (np.abs(seats - median) <= 3.0).mean():.0f} % within ±3 dB"
                f"{' of the median of all seats' if len(seats) < len(values) else ''}",
                loc="left",
                fontsize=7.5,
            )
        edge = max(axes.get_position().x1 for axes in figure.axes)
        bar = figure.add_axes((edge + 0.03, 0.32, 0.018, 0.3))
        scale = figure.colorbar(ScalarMappable(norm, LEVEL_COLOURS), cax=bar, ticks=EDGES, spacing="uniform")
        scale.ax.set_yticklabels([f"{step:+.0f}".replace("-", "−") for step in EDGES])
        scale.set_label("dB re the median seat", fontsize=7.5)
        colours = "Purple is below the median level, orange above it. Triangles are the sources."
        style.write_footnote(figure, f"{foot} {colours}")
        return figure


def _on_tier(report: SystemReport, tier: int) -> np.ndarray:
    """(n_seats,) bool."""
    return np.isin(report.scene.receivers.area, report.plan.tiers[tier].areas)


def _tier_line(report: SystemReport, tier: int) -> str:
    """A line for the header of a page that describes its plan; empty if there is only one plan."""
    if len(report.plan.tiers) == 1:
        return ""
    seats = report.scene.receivers
    description = tier_description(report.plan, tier, seats.area_names, seats.area, seats.position)
    return f"Plan {tier + 1} of {len(report.plan.tiers)}: {description}.\n"


def _draw_plan(axes: Axes, report: SystemReport, tier: int, with_bar: bool, names: bool = False) -> None:
    """Draw walls and sources, and the names of the sources on large maps."""
    plan = report.plan
    walls = [line for each in plan.tiers for line in each.walls]
    points = np.concatenate([*walls, report.scene.receivers.cell.reshape(-1, 2)])
    low, high = points.min(axis=0), points.max(axis=0)
    margin, across = 0.02 * float((high - low).max()), float(high[0] - low[0])
    style.draw_lines(axes, plan.tiers[tier].walls, style.WALLS, 0.8, zorder=6)
    sources = {report.scene.sources.names[i]: report.scene.sources.position[i, :2] for i in report.sources_on}
    draw_sources(axes, sources, (), size=0.8)
    (left, bottom), (right, top) = low - margin, high + margin
    axes.set(xlim=(left, right), ylim=(bottom - 0.055 * across, top))
    axes.set_aspect("equal", anchor="NW")
    axes.axis("off")
    if with_bar:
        draw_scale_bar(axes, (float(low[0]), float(low[1]) - 0.035 * across), 0.2 * across)
    if names:
        write_labels(axes, source_labels(axes, sources), np.array(list(sources.values())))


def arrival_figure(report: SystemReport, tier: int = 0) -> Figure:
    """The source that arrives first at each seat of a tier, with the delays as stated and as proposed."""
    sources = report.scene.sources.names
    changes = [f"{sources[p.source]}: {p.delay:.1f} → {p.proposed:.1f} ms" for p in report.proposals]
    below = "Proposed delays: " + "; ".join(changes) if changes else "There are no fills and no delays to be timed."
    shown = [("With the stated delays", report.order)]
    if report.proposals:
        shown.append(("With the proposed delays", report.order_proposed))
    seats = _on_tier(report, tier)
    below = f"{_tier_line(report, tier)}{textwrap.fill(below, 110)}"
    with style.page(style.A4_PORTRAIT, report, f"Order of arrivals: {report.name}", below) as figure:
        for i, (label, order) in enumerate(shown):
            axes = figure.add_axes((0.04, 0.5 - 0.375 * i + 0.03, 0.92, 0.345))
            _draw_first_arrivals(axes, report, order, seats)
            _draw_plan(axes, report, tier, i == len(shown) - 1, names=True)
            verdicts = order.verdict[seats]
            shares = ", ".join(f"{name} {float((verdicts == v).mean()):.0%}" for v, name in enumerate(VERDICTS))
            axes.set_title(f"{label}: {shares} of the seats", loc="left", fontsize=8.5)
        first = {int(i) for _, order in shown for i in order.first[seats] if i >= 0}
        handles = [
            Patch(facecolor=_source_colour(report, i), label=f"{shortened(sources[i], 30)} first")
            for i in sorted(first)
        ]
        look: dict[str, Any] = {"facecolor": "white", "edgecolor": style.INK}
        handles += [Patch(hatch=hatch, label=label, **look) for hatch, label in HATCHES.values()]
        figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.035, 0.055), ncols=3, fontsize=7.5)
        style.write_footnote(
            figure,
            "First direct sound of mains, fills and delays within 15 dB of the loudest. The limit on how much louder a "
            "later sound may be follows Haas (1951, from memory) from 5 to 30 ms, and common practice beyond.",
        )
        return figure


def _draw_first_arrivals(axes: Axes, report: SystemReport, order: ArrivalOrder, shown: np.ndarray) -> None:
    cells = report.scene.receivers.cell[shown]
    first, verdicts = order.first[shown], order.verdict[shown]
    for source in np.unique(first):
        colour = "white" if source < 0 else _source_colour(report, int(source))
        filled = PolyCollection(list(cells[first == source]), facecolors=colour, edgecolors="white", linewidths=0.2)
        axes.add_collection(filled)
    for verdict, (hatch, _) in HATCHES.items():
        for cell in cells[verdicts == verdict]:
            look: dict[str, Any] = {"facecolor": "none", "edgecolor": style.INK, "hatch": hatch, "zorder": 3}
            axes.add_patch(Polygon(cell, linewidth=0.0, **look))


def _source_colour(report: SystemReport, source: int) -> str:
    place = int(np.searchsorted(report.sources_on, source))
    return style.SERIES[place % len(style.SERIES)]
