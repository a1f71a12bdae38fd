"""Charts per octave band: reverberation times, and the absorption of materials."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from .. import bands
from ..metrics.registry import METRICS
from ..results.records import Results
from ..words import shortened
from . import style
from .quantities import T20

_ESTIMATES = {"sabine": "x", "eyring": "+", "kuttruff": "1", "arau_puchades": "d"}
"""Statistical estimates that are shown, with their marks; tables list all estimates."""


def reverberation_figure(results: Results, chosen: Sequence[int] | None = None, sheet: str = "") -> Figure:
    """Reverberation time per octave band, with one panel per scenario: traced values and statistical estimates.

    The traced values have their 95 % intervals. The bare venue is repeated in grey in every panel.

    Parameters
    ----------
    chosen : indices into `results.scenarios`; all by default
    sheet : number of this sheet among several, for the title
    """
    chosen = range(len(results.scenarios)) if chosen is None else chosen
    with style.page(style.A4_LANDSCAPE, results, f"Reverberation time per octave band{sheet}") as figure:
        n_columns = min(len(chosen), 4 if len(chosen) > 6 else 3)
        margins = {"left": 0.06, "right": 0.97, "bottom": 0.16, "top": 0.87, "hspace": 0.24, "wspace": 0.07}
        panels = style.panels(figure, len(chosen), n_columns, margins)
        for i, (axes, scenario) in enumerate(zip(panels, chosen)):
            _reverberation_panel(axes, results, scenario)
            if i + n_columns >= len(chosen):
                axes.set_xlabel("octave band, Hz")
            if i % n_columns == 0:
                axes.set_ylabel(f"{METRICS[T20].symbol}, s")
        handles, labels = panels[0].get_legend_handles_labels()
        handles, labels = [*handles[-2:], *handles[:-2]], [*labels[-2:], *labels[:-2]]
        figure.legend(handles, labels, loc="lower left", bbox_to_anchor=(0.05, 0.055), ncols=8)
        style.write_footnote(
            figure,
            "Bars: 95 % intervals of the mean over seats, Monte Carlo error only. The statistical estimates assume a "
            "diffuse field; where they differ from the traced values, the field is not diffuse.",
        )
        return figure


def _reverberation_panel(axes: Axes, results: Results, scenario: int) -> None:
    time, places = results.room[T20], np.arange(bands.N_BANDS)
    if scenario != 0:
        axes.plot(places, time.value[0], color=style.FAINT, linewidth=1.4, zorder=1)
    bars: dict[str, Any] = {**style.BARS, "marker": "o", "markersize": 3.5, "linewidth": 1.3}
    value, half_width = time.value[scenario], time.half_width()[scenario]
    axes.errorbar(places, value, half_width, label="traced, mean over seats", **bars, zorder=3)
    for name in [name for name in _ESTIMATES if name in results.statistical]:
        label = "-".join(part.capitalize() for part in name.split("_"))
        mark = style.marks(_ESTIMATES[name], 4.5, color=style.INK, mew=0.8, label=label)
        axes.plot(places, results.statistical[name][scenario], **mark, zorder=2)
    if scenario == 0:
        # An empty line adds the grey line of the other panels to the legend of the first.
        label = f"{shortened(results.scenarios[0].name, 40)}, for comparison"
        axes.plot([], [], color=style.FAINT, linewidth=1.4, label=label)
    title = f"{scenario + 1}  {shortened(results.scenarios[scenario].name, 40)}"
    axes.set_title(title, loc="left", y=1.0, weight="bold")
    axes.set_xticks(places, bands.LABELS)
    axes.set_ylim(bottom=0.0)
    style.tidy(axes, "y")


def absorption_figure(title: str, curves: Mapping[str, Sequence[float]]) -> Figure:
    """Curves between 0 and 1 over the octave bands, such as the absorption of materials.

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
        style.tidy(axes)
        axes.legend(loc="upper left", bbox_to_anchor=(1.02, 1.0), borderaxespad=0.0)
        return figure
