"""Polar plots, balloons and coverage angles of the boxes of a system."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from .. import bands
from ..sound_system.directivity import AZIMUTH, ELEVATION, box_directivity
from ..sound_system.system_report import SystemReport
from ..venue.loudspeakers import Directivity
from . import style


def directivity_figure(report: SystemReport, kinds: Sequence[tuple[Directivity, str]]) -> Figure:
    """Polar plots, balloons and coverage angles of up to three kinds of boxes, each with its name."""
    speed, folder = report.scene.speed_of_sound, report.study.sources_folder
    below = "Levels relative to the axis, in octave bands; 6 dB per ring."
    with style.page(style.A4_LANDSCAPE, report, "Directivity of the boxes", below) as figure:
        height = 0.77 / 3
        for row, (kind, name) in enumerate(kinds):
            box = box_directivity(kind, name, speed, folder)
            base = 0.865 - (row + 1) * height
            figure.text(0.04, base + height - 0.03, box.name, fontsize=10.0, weight="bold")
            for column, (label, polar) in enumerate((("horizontal", box.horizontal), ("vertical", box.vertical))):
                place = (0.04 + 0.2 * column, base + 0.01, 0.19, height - 0.075)
                axes = figure.add_axes(place, projection="polar")
                _draw_polar(axes, box.angle, polar)
                axes.set_title(label, fontsize=7.5, pad=3)
            for column, band in enumerate((3, 6)):
                place = (0.42 + 0.18 * column, base - 0.03, 0.21, height + 0.03)
                axes = figure.add_axes(place, projection="3d")
                _draw_balloon(axes, box.sphere[..., band])
                axes.set_title(bands.NAMES[band], fontsize=7.5, y=0.86)
            _draw_coverage(figure.add_axes((0.82, base + 0.05, 0.15, height - 0.11)), *box.coverage)
        handles = [Line2D([], [], color=colour, label=bands.NAMES[band]) for band, colour in POLAR_BANDS.items()]
        figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.04, 0.015), ncols=4)
        return figure


FLOOR = -30.0
"""Level at the centre of polar plots and balloons, dB."""
POLAR_BANDS = {1: style.SERIES[0], 3: style.SERIES[2], 5: style.SERIES[5], 6: style.SERIES[3]}
"""Octave bands of the polar plots, with their colours."""


def _draw_polar(axes: Axes, angle: np.ndarray, polar: np.ndarray) -> None:
    for band, colour in POLAR_BANDS.items():
        axes.plot(np.radians(angle), np.maximum(polar[:, band], FLOOR), color=colour, linewidth=1.0)
    axes.set_ylim(FLOOR, 0.0)
    axes.set_yticks(np.arange(FLOOR + 6.0, 1.0, 6.0), [])
    axes.set_xticks(np.radians([0, 90, 180, 270]), ["0°", "90°", "180°", "−90°"], fontsize=6.0)
    axes.tick_params(pad=-2)
    axes.grid(color="#d8d8d8", linewidth=0.4)
    axes.spines["polar"].set_linewidth(0.5)


def _draw_balloon(axes: Any, level: np.ndarray) -> None:
    radius = (np.maximum(level, FLOOR) - FLOOR) / -FLOOR
    e, a = np.radians(ELEVATION)[:, None], np.radians(AZIMUTH)
    x, y, z = radius * np.cos(e) * np.cos(a), radius * np.cos(e) * np.sin(a), radius * np.sin(e)
    shade = matplotlib.colormaps["cividis"](np.clip((level - FLOOR) / -FLOOR, 0.0, 1.0))
    axes.plot_surface(x, y, z, facecolors=shade, rstride=1, cstride=1, linewidth=0.0, antialiased=False, shade=True)
    axes.set(xlim=(-1.0, 1.0), ylim=(-1.0, 1.0), zlim=(-1.0, 1.0))
    axes.set_box_aspect((1, 1, 1), zoom=1.45)
    axes.view_init(elev=18.0, azim=-50.0)
    axes.set_axis_off()
    axes.patch.set_alpha(0.0)
    axes.plot([0.0, 1.2], [0.0, 0.0], [0.0, 0.0], color=style.INK, linewidth=0.8)


def _draw_coverage(axes: Axes, horizontal: np.ndarray, vertical: np.ndarray) -> None:
    place = np.arange(8)
    axes.plot(place, horizontal, "o-", color=style.SERIES[0], markersize=3, linewidth=1.0, label="horizontal")
    axes.plot(place, vertical, "s--", color=style.SERIES[5], markersize=3, linewidth=1.0, label="vertical")
    axes.set_yscale("log")
    axes.set_ylim(5.0, 400.0)
    axes.set_yticks([10, 30, 90, 180, 360], ["10", "30", "90", "180", "360"])
    axes.minorticks_off()
    axes.set_xticks(place, bands.LABELS, fontsize=6.0)
    axes.set_title("coverage at −6 dB, degrees", fontsize=7.5)
    axes.grid(color="#e4e4e4", linewidth=0.5)
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(fontsize=6.0, loc="lower left")
