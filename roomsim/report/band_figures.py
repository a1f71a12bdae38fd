"""Charts over the octave bands: reverberation of a study, absorption of materials and cloth."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .. import bands
from ..metrics.registry import METRICS
from ..study.results import Results
from ..words import shortened
from . import style
from .quantities import T20

_PANELS_PER_SHEET = 12
_ESTIMATES = {"sabine": "x", "eyring": "+", "kuttruff": "1", "arau_puchades": "d"}
"""Statistical estimates that are shown, with their signs; tables have them all."""


def reverberation_draws(results: Results) -> list[Callable[[Results], Figure]]:
    """What draws each sheet with the reverberation time per octave: one panel a scenario, at most twelve to a sheet.

    The traced values have their 95 % intervals. Statistical estimates stand beside them, and the bare venue is repeated
    in grey in every panel.
    """
    n = len(results.scenarios)
    n_sheets = -(-n // _PANELS_PER_SHEET)
    per_sheet = -(-n // n_sheets)
    return [
        partial(
            _reverberation_sheet,
            chosen=range(i * per_sheet, min(n, (i + 1) * per_sheet)),
            number=i,
            n_sheets=n_sheets,
        )
        for i in range(n_sheets)
    ]


def _reverberation_sheet(results: Results, chosen: range, number: int, n_sheets: int) -> Figure:
    with style.rules():
        figure = style.new_figure(style.A4_LEVEL)
        count = f" (sheet {number + 1} of {n_sheets})" if n_sheets > 1 else ""
        style.write_head(figure, results, f"Reverberation time per octave band{count}")
        n_columns = min(len(chosen), 4 if len(chosen) > 6 else 3)
        n_rows = -(-len(chosen) // n_columns)
        panels = figure.subplots(
            n_rows,
            n_columns,
            sharex=True,
            sharey=True,
            squeeze=False,
            gridspec_kw={
                "left": 0.06,
                "right": 0.97,
                "bottom": 0.16,
                "top": 0.87,
                "hspace": 0.24,
                "wspace": 0.07,
            },
        )
        for axes in panels.ravel()[len(chosen) :]:
            axes.remove()
        for axes, scenario in zip(panels.ravel(), chosen):
            _reverberation_panel(axes, results, scenario)
        for i, axes in enumerate(panels.ravel()[: len(chosen)]):
            # Where a panel below is missing the labels of the band axis stand under this one.
            if i + n_columns >= len(chosen):
                axes.tick_params(labelbottom=True)
                axes.set_xlabel("octave band, Hz")
            if i % n_columns == 0:
                axes.set_ylabel(f"{METRICS[T20].symbol}, s")
        handles, labels = panels[0, 0].get_legend_handles_labels()
        handles, labels = [*handles[-2:], *handles[:-2]], [*labels[-2:], *labels[:-2]]
        figure.legend(handles, labels, loc="lower left", bbox_to_anchor=(0.05, 0.055), ncols=8)
        style.write_foot(
            figure,
            "Bars: 95 % intervals of the mean over seats, chance of the calculation only. The statistical "
            "estimates assume a diffuse field; where they part from the traced values, it is not diffuse.",
        )
        return figure


def _reverberation_panel(axes: Axes, results: Results, scenario: int) -> None:
    time = results.room[T20]
    half = time.half_width()
    places = np.arange(bands.N_BANDS)
    if scenario != 0:
        axes.plot(places, time.value[0], color=style.FAINT, linewidth=1.4, zorder=1)
    axes.errorbar(
        places,
        time.value[scenario],
        half[scenario],
        color=style.SERIES[0],
        marker="o",
        markersize=3.5,
        linewidth=1.3,
        capsize=2.5,
        label="traced, mean over seats",
        zorder=3,
    )
    for name in [name for name in _ESTIMATES if name in results.statistical]:
        label = "-".join(part.capitalize() for part in name.split("_"))
        axes.plot(
            places,
            results.statistical[name][scenario],
            linestyle="none",
            marker=_ESTIMATES[name],
            color=style.INK,
            ms=4.5,
            mew=0.8,
            label=label,
            zorder=2,
        )
    if scenario == 0:
        # An empty line in the first panel's legend stands for the grey line of the others.
        axes.plot(
            [],
            [],
            color=style.FAINT,
            linewidth=1.4,
            label=f"{shortened(results.scenarios[0].name, 40)}, for comparison",
        )
    axes.set_title(
        f"{scenario + 1}  {shortened(results.scenarios[scenario].name, 40)}",
        loc="left",
        y=1.0,
        weight="bold",
    )
    axes.set_xticks(places, bands.LABELS)
    axes.set_ylim(bottom=0.0)
    axes.grid(axis="y", color="#e4e4e4", linewidth=0.6)
    axes.spines[["top", "right"]].set_visible(False)


def absorption_figure(title: str, curves: Mapping[str, Sequence[float]]) -> Figure:
    """Curves over the octave bands, 0 to 1: absorption of materials, or what a cloth does.

    Parameters
    ----------
    curves : name -> (8,)
    """
    with style.rules():
        figure = style.new_figure((8.27, 3.2 + 0.17 * max(len(curves) - 4, 0)))
        height = float(figure.get_size_inches()[1])
        axes = figure.add_axes((0.08, 0.5 / height, 0.56, 1.0 - 0.85 / height))
        axes.set_title(title, loc="left", weight="bold")
        for k, (name, values) in enumerate(curves.items()):
            axes.plot(
                range(bands.N_BANDS),
                values,
                color=style.SERIES[k % len(style.SERIES)],
                marker=style.MARKERS[(k + k // len(style.SERIES)) % len(style.MARKERS)],
                markersize=4.0,
                linewidth=1.2,
                label=shortened(name, 44),
            )
        axes.set_xticks(range(bands.N_BANDS), bands.LABELS)
        axes.set_xlabel("octave band, Hz")
        axes.set_ylabel("share of the incident energy")
        axes.set_ylim(0.0, 1.02)
        axes.grid(color="#e4e4e4", linewidth=0.6)
        axes.set_axisbelow(True)
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(loc="upper left", bbox_to_anchor=(1.02, 1.0), borderaxespad=0.0)
        return figure
