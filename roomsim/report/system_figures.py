"""Figures of a sound system: what goes where, side view, level maps, arrival order, directivity."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path as FilePath

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Polygon

from .. import bands
from ..study.landing import PARTS
from ..study.section import Section
from ..study.system import SystemReport
from ..study.timing import ECHO, OK, VERDICTS, ArrivalOrder
from ..words import counted, shortened
from . import style
from .directivity_figures import pattern_figure
from .labels import HALO, write_labels
from .pictures import Picture, write_pictures
from .plan import draw_scale_bar, draw_sources, source_labels, tier_words
from .system_object import angle_words

PART_COLOURS = ("#1b7837", "#c7a76c", "#9e9ac8", "#6baed6", "#c2185b", "#d9d9d9")
"""In the order of `PARTS`: audience dark, so that it stands out in grey too."""
BAND_STYLES = {3: "-", 4: "--", 5: "-.", 6: ":"}
EDGES = np.array([-12.0, -9.0, -6.0, -3.0, 3.0, 6.0, 9.0, 12.0])
"""dB re the median seat: one step holds all that lies within +-3 dB."""


def write_system_figures(
    report: SystemReport, folder: FilePath, formats: Sequence[str] = ("png", "svg")
) -> list[FilePath]:
    """Draw all figures of a system into a folder and return their paths; one that cannot be drawn is left out.

    Raises
    ------
    StoreError : the folder cannot be written
    """
    draws: dict[str, Callable[[SystemReport], Figure]] = {"what_goes_where": goes_figure}
    for i, section in enumerate(report.sections):
        draws[f"side_view_{i + 1}"] = partial(side_view, section=section)
    tiers = range(len(report.plan.tiers))
    for tier in tiers:
        of_tier = f"_{tier + 1}" if len(tiers) > 1 else ""
        draws[f"level_maps{of_tier}"] = partial(level_figure, tier=tier)
        if report.bass is not None:
            draws[f"bass_maps{of_tier}"] = partial(bass_figure, tier=tier)
        draws[f"arrival_order{of_tier}"] = partial(arrival_figure, tier=tier)
    for i in range(0, len(report.patterns), 3):
        draws[f"directivity_{i // 3 + 1}"] = partial(pattern_figure, first=i)
    pictures = [
        Picture(name, f"{report.title}, {report.venue}, scenario {report.name}: {name.replace('_', ' ')}", draw)
        for name, draw in draws.items()
    ]
    return write_pictures(report, pictures, folder, formats, processes=1)


def _wrapped(text: str, width: int = 118) -> str:
    return "\n".join(textwrap.fill(line, width) for line in text.split("\n"))


# --- what goes where ------------------------------------------------------------------------------------


def goes_figure(report: SystemReport) -> Figure:
    """Bars of the energy by the part of the room where it first lands: whole system by band, sources in speech."""
    with style.rules():
        rank = {"main": 0, "fill": 1, "delay": 2, "sub": 3}
        order = sorted(
            range(len(report.sources_on)), key=lambda k: rank[report.direct.roles[report.sources_on[k]]]
        )
        names = [report.scene.sources.names[report.sources_on[k]] for k in order]
        figure = style.new_figure(style.A4_LEVEL)
        style.write_head(
            figure,
            report,
            f"What goes where: {report.name}",
            "Share of the radiated energy by the part of the room where it first lands.",
        )
        left = figure.add_axes((0.075, 0.2, 0.4, 0.62))
        _stacked(left, report.goes_whole.T, bands.NAMES)
        left.set_title("Whole system, by octave band", loc="left")
        right = figure.add_axes((0.62, 0.2, 0.34, 0.62))
        speech = report.goes.share[order][..., 3:7].mean(axis=-1)
        _stacked(right, speech, names)
        right.set_title("Each source, mean of 500 Hz to 4 kHz", loc="left")
        handles = [
            Patch(facecolor=c, edgecolor="white", label=p)
            for p, c, s in zip(PARTS, PART_COLOURS, report.goes.share.sum(axis=(0, 2)))
            if s > 0.0
        ]
        figure.legend(
            handles=handles, loc="upper left", bbox_to_anchor=(0.07, 0.155), ncols=len(PARTS), fontsize=8.0
        )
        error = report.goes.standard_error.max()
        style.write_foot(
            figure,
            "From the middle of each source with its pattern from far away, straight to the first surface; bass below "
            "some 100 Hz does not go straight. Audience is the floor of the audience areas. “Other” is open floor, "
            f"furniture and gaps. Standard error of a share at most {max(error, 0.001):.1%}.",
        )
        return figure


def _stacked(axes: Axes, shares: np.ndarray, labels: Sequence[str]) -> None:
    """shares (n_bars, n_parts)."""
    place = np.arange(len(shares))[::-1]
    start = np.zeros(len(shares))
    for part, colour in enumerate(PART_COLOURS):
        width = shares[:, part]
        axes.barh(place, width, left=start, color=colour, height=0.74, edgecolor="white", linewidth=0.5)
        for y, x, w in zip(place, start, width):
            if w > 0.045:
                ink = "white" if part in (0, 4) else style.INK
                axes.text(x + w / 2, y, f"{100 * w:.0f}", ha="center", va="center", fontsize=7.5, color=ink)
        start = start + width
    axes.set_yticks(place, [textwrap.fill(shortened(label, 46), 24) for label in labels], fontsize=8.0)
    axes.set_xlim(0.0, 1.0)
    axes.set_ylim(-0.6, len(shares) - 0.4)
    axes.set_xticks(np.linspace(0.0, 1.0, 6), [f"{x:.0f} %" for x in np.linspace(0, 100, 6)])
    axes.spines[["top", "right"]].set_visible(False)


# --- side view ------------------------------------------------------------------------------------------


def side_view(report: SystemReport, section: Section) -> Figure:
    """The room cut along a hang's azimuth, its boxes and where each looks; below, the level along the audience."""
    with style.rules():
        figure = style.new_figure((style.A4_LEVEL[0], 6.6))
        hang = next(hang for hang in report.study.sources.hang if hang.name == section.name)
        aimed = report.aimed_sections.get(section.name)
        below = f"{counted(hang.count, 'box', 'boxes')}, top at {hang.top[2]:g} m: {angle_words(hang)}"
        if aimed is not None:
            below += f"\nProposed (orange): {angle_words(report.aims[section.name].hang)}"
        style.write_head(figure, report, f"Side view: {section.name}", below)
        upper = figure.add_axes((0.06, 0.46, 0.9, 0.38))
        lower = figure.add_axes((0.06, 0.14, 0.9, 0.3))
        low, high = section.lines.min(axis=(0, 1)), section.lines.max(axis=(0, 1))
        upper.add_collection(LineCollection(list(section.lines), colors="#3c3c3c", linewidths=1.0, zorder=3))
        for shown, colour in ((section, style.SERIES[0]), (aimed, style.SERIES[5])):
            if shown is not None:
                upper.add_collection(
                    LineCollection(
                        list(shown.axes), colors=colour, linewidths=0.7, linestyles=(0, (6, 3)), zorder=2
                    )
                )
                filled = shown is section
                face = "#404040" if filled else "none"
                boxes = PolyCollection(
                    list(shown.boxes),
                    facecolors=face,
                    edgecolors=colour,
                    linewidths=0.7,
                    zorder=6 if filled else 5,
                )
                upper.add_collection(boxes)
        upper.plot(*section.ears.T, color=style.HUNG, linewidth=2.0, solid_capstyle="butt", zorder=4)
        known = np.isfinite(section.ears[:, 0])
        if known.any():
            middle = section.ears[known][known.sum() // 2]
            upper.annotate(
                "ears",
                middle,
                xytext=(0, 5),
                textcoords="offset points",
                fontsize=7,
                color=style.HUNG,
                path_effects=HALO,
            )
        _frame(upper, low, high)
        _levels_along(lower, section, aimed, (upper.get_xlim()[0], upper.get_xlim()[1]))
        style.write_foot(
            figure,
            "Boxes to scale; dashed lines are their axes up to the first surface. Levels are the direct sound of this "
            "hang alone as the complex sum of its boxes, with the loss in the air, re the median along the line.",
        )
        return figure


def _frame(axes: Axes, low: np.ndarray, high: np.ndarray) -> None:
    margin = 0.02 * (high - low).max()
    axes.set_xlim(low[0] - margin, high[0] + margin)
    axes.set_ylim(low[1] - margin, high[1] + margin)
    axes.set_aspect("equal", anchor="S")
    axes.set_ylabel("height, m")
    axes.tick_params(labelbottom=False)
    axes.spines[["top", "right"]].set_visible(False)


def _levels_along(axes: Axes, section: Section, aimed: Section | None, limits: tuple[float, float]) -> None:
    for shown, colours in (
        (section, ("#08306b", "#2171b5", "#4292c6", "#6baed6")),
        (aimed, ("#7f2704", "#a63603", "#d94801", "#f16913")),
    ):
        if shown is None:
            continue
        for (band, line), colour in zip(BAND_STYLES.items(), colours):
            relative = shown.level[:, band] - np.nanmedian(shown.level[:, band])
            label = bands.NAMES[band] + ("" if shown is section else ", proposed")
            axes.plot(shown.ears[:, 0], relative, line, color=colour, linewidth=1.2, label=label)
    axes.axhspan(-3.0, 3.0, color="#e8f0e4", zorder=0)
    axes.text(limits[0] + 0.3, 0.0, "±3 dB", fontsize=7, va="center", color=style.QUIET)
    axes.set_xlim(limits)
    axes.set_ylim(-18.0, 9.0)
    axes.set_yticks([-12, -6, 0, 6], ["−12", "−6", "0", "+6"])
    axes.set_xlabel("distance ahead of the hang, m")
    axes.set_ylabel("level, dB")
    axes.grid(axis="y", color="#e4e4e4", linewidth=0.5)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(ncols=4, loc="lower right", fontsize=7.0)


# --- maps -----------------------------------------------------------------------------------------------


def level_figure(report: SystemReport, tier: int = 0) -> Figure:
    """Direct level of all sources at the seats of a tier, re the median of all seats, octave by octave."""
    with style.rules():
        levels = report.direct_level
        panels = [(name, levels[:, b]) for b, name in enumerate(bands.NAMES)]
        title = f"Direct level over the seats: {report.name}"
        below = "Direct sound of all programme sources, energies added, with the loss in the air."
        return _map_sheet(report, title, below, panels, tier)


def bass_figure(report: SystemReport, tier: int = 0) -> Figure:
    """Coherent bass at the seats of a tier, re the median of all seats; on stage too, on the lowest tier's plan."""
    with style.rules():
        bass = report.bass
        assert bass is not None
        panels = [(f"{label} Hz", bass.seats[:, i]) for i, label in enumerate(bass.labels)]
        behind = "; ".join(
            f"{name}: {', '.join(f'{x:.0f}' for x in values)} dB" for name, values in bass.rejection.items()
        )
        on_stage = " and on stage" if tier == 0 and len(bass.stage) else ""
        below = (
            f"Complex sum of all bass stacks with the floor's image, at the seats{on_stage}; no walls, no "
            f"reverberation.\nRejection behind at {', '.join(bass.labels)} Hz: {behind}"
        )
        stage = bass.stage if tier == 0 else None
        return _map_sheet(report, f"Bass: {report.name}", below, panels, tier, stage)


def _map_sheet(
    report: SystemReport,
    title: str,
    below: str,
    panels: list[tuple[str, np.ndarray]],
    tier: int,
    stage: np.ndarray | None = None,
) -> Figure:
    """panels: name and level (n_seats,) of each map; stage: (n_points, n_panels) level on it."""
    shown = _on_tier(report, tier)
    below = f"{_tier_line(report, tier)}{below}"
    columns = 2 if len(panels) > 3 else 1
    rows = -(-len(panels) // columns)
    figure = style.new_figure(style.A4_UPRIGHT)
    style.write_head(figure, report, title, _wrapped(below))
    colours = ListedColormap(
        ["#2d004b", "#5e4fa2", "#8073ac", "#b2abd2", "#f0f0f0", "#fdb863", "#e08214", "#b35806", "#7f3b08"]
    )
    norm = BoundaryNorm(EDGES, colours.N, extend="both")
    top, bottom, right = 0.9 - 0.018 * _wrapped(below).count("\n"), 0.06, 0.9
    width, height = (right - 0.03) / columns, (top - bottom) / rows
    for i, (label, values) in enumerate(panels):
        column, row = i % columns, i // columns
        axes = figure.add_axes((0.03 + column * width, top - (row + 1) * height, width - 0.02, height - 0.04))
        seats, median = values[shown], float(np.median(values))
        low, high = np.quantile(seats, (0.05, 0.95))
        cells, drawn = report.scene.receivers.cell[shown], seats
        if stage is not None and report.bass is not None:
            cells = np.concatenate([cells, report.bass.stage_cells])
            drawn = np.concatenate([seats, stage[:, i]])
        shade = PolyCollection(
            list(cells), array=drawn - median, cmap=colours, norm=norm, edgecolors="face", linewidths=0.3
        )
        axes.add_collection(shade)
        _plan(axes, report, tier, i == len(panels) - 1)
        axes.apply_aspect()
        within = float((np.abs(seats - median) <= 3.0).mean())
        axes.set_title(
            f"{label}: median {np.median(seats):.0f} dB; nine of ten seats within\n"
            f"{high - low:.1f} dB, {100 * within:.0f} % within ±3 dB"
            f"{' of the median of all seats' if len(seats) < len(values) else ''}",
            loc="left",
            fontsize=7.5,
        )
    edge = max(axes.get_position().x1 for axes in figure.axes)
    bar = figure.add_axes((edge + 0.03, 0.32, 0.018, 0.3))
    scale = figure.colorbar(ScalarMappable(norm, colours), cax=bar, ticks=EDGES, spacing="uniform")
    scale.ax.set_yticklabels([f"{step:+.0f}".replace("-", "−") for step in EDGES])
    scale.set_label("dB re the median seat", fontsize=7.5)
    style.write_foot(
        figure,
        "Seats that a source cannot see get nothing from it. Purple is quieter than the median, orange louder. "
        "Triangles are the sources.",
    )
    return figure


def _on_tier(report: SystemReport, tier: int) -> np.ndarray:
    """(n_seats,) bool."""
    return np.isin(report.scene.receivers.area, report.plan.tiers[tier].areas)


def _tier_line(report: SystemReport, tier: int) -> str:
    """What a page shows where there are several: a line for its head."""
    if len(report.plan.tiers) == 1:
        return ""
    seats = report.scene.receivers
    return f"Plan {tier + 1} of {len(report.plan.tiers)}: " + (
        f"{tier_words(report.plan, tier, seats.area_names, seats.area, seats.position)}.\n"
    )


def _plan(axes: Axes, report: SystemReport, tier: int, with_bar: bool, names: bool = False) -> None:
    """Walls and sources, and on large maps their names."""
    plan = report.plan
    walls = [line for each in plan.tiers for line in each.walls]
    points = np.concatenate([*walls, report.scene.receivers.cell.reshape(-1, 2)])
    low, high = points.min(axis=0), points.max(axis=0)
    margin = 0.02 * float((high - low).max())
    shown = LineCollection(list(plan.tiers[tier].walls), colors="#3c3c3c", linewidths=0.8, zorder=6)
    axes.add_collection(shown)
    sources = {report.scene.sources.names[i]: report.scene.sources.position[i, :2] for i in report.sources_on}
    draw_sources(axes, sources, (), size=0.8)
    axes.set_xlim(low[0] - margin, high[0] + margin)
    axes.set_ylim(low[1] - margin - 0.055 * (high - low)[0], high[1] + margin)
    axes.set_aspect("equal", anchor="NW")
    axes.axis("off")
    if with_bar:
        draw_scale_bar(
            axes,
            (float(low[0]), float(low[1]) - 0.035 * float((high - low)[0])),
            0.2 * float((high - low)[0]),
        )
    if names:
        write_labels(axes, source_labels(axes, sources), np.array(list(sources.values())))


def arrival_figure(report: SystemReport, tier: int = 0) -> Figure:
    """Which source each seat of a tier hears first, as the delays are and as proposed."""
    with style.rules():
        figure = style.new_figure(style.A4_UPRIGHT)
        changes = [
            f"{report.scene.sources.names[p.source]}: {p.delay:.1f} → {p.proposed:.1f} ms"
            for p in report.proposals
        ]
        below = textwrap.fill(
            "Proposed delays: " + "; ".join(changes)
            if changes
            else "Nothing to be timed: no fills and no delays.",
            110,
        )
        style.write_head(
            figure, report, f"Order of arrivals: {report.name}", f"{_tier_line(report, tier)}{below}"
        )
        seats = _on_tier(report, tier)
        shown = [("As written down", report.order)]
        if report.proposals:
            shown.append(("With the proposed delays", report.order_proposed))
        for i, (label, order) in enumerate(shown):
            axes = figure.add_axes((0.04, 0.5 - 0.375 * i + 0.03, 0.92, 0.345))
            _first_heard(axes, report, order, seats)
            _plan(axes, report, tier, i == len(shown) - 1, names=True)
            shares = [float((order.verdict[seats] == v).mean()) for v in range(len(VERDICTS))]
            said = ", ".join(f"{name} {share:.0%}" for name, share in zip(VERDICTS, shares))
            axes.set_title(f"{label}: {said} of the seats", loc="left", fontsize=8.5)
        names = {int(i) for _, order in shown for i in np.unique(order.first[seats]) if i >= 0}
        handles = [
            Patch(
                facecolor=_source_colour(report, i),
                label=f"{shortened(report.scene.sources.names[i], 30)} first",
            )
            for i in sorted(names)
        ]
        handles.append(
            Patch(
                facecolor="white",
                edgecolor=style.INK,
                hatch="....",
                label="other first, or too loud after the first",
            )
        )
        handles.append(
            Patch(
                facecolor="white",
                edgecolor=style.INK,
                hatch="xxxx",
                label="echo: more than 30 ms late and too loud",
            )
        )
        figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.035, 0.055), ncols=3, fontsize=7.5)
        style.write_foot(
            figure,
            "First direct sound of mains, fills and delays within 15 dB of the loudest. How much louder a later "
            "sound may be follows Haas (1951, from memory) from 5 to 30 ms, common practice beyond.",
        )
        return figure


def _first_heard(axes: Axes, report: SystemReport, order: ArrivalOrder, shown: np.ndarray) -> None:
    cells = report.scene.receivers.cell[shown]
    first, verdicts = order.first[shown], order.verdict[shown]
    for source in np.unique(first):
        chosen = cells[first == source]
        colour = "white" if source < 0 else _source_colour(report, int(source))
        axes.add_collection(
            PolyCollection(list(chosen), facecolors=colour, edgecolors="white", linewidths=0.2)
        )
    for verdict, hatch in ((OK + 1, "...."), (ECHO, "xxxx")):
        for cell in cells[verdicts == verdict]:
            axes.add_patch(
                Polygon(cell, facecolor="none", edgecolor=style.INK, hatch=hatch, linewidth=0.0, zorder=3)
            )


def _source_colour(report: SystemReport, source: int) -> str:
    place = int(np.searchsorted(report.sources_on, source))
    return style.SERIES[place % len(style.SERIES)]
