"""Charts of a study: intelligibility with cost, gain against cost, and the distribution over seats."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator, NullLocator

from ..metrics.registry import METRICS
from ..results.records import COVERAGE_FACTOR, Results
from ..results.results_file import load_results
from ..words import counted, shortened
from . import style
from .band_figures import reverberation_figure
from .labels import write_names
from .pictures import Picture, on_sheets, write_pictures
from .quantities import STI

_ROWS_PER_SHEET = 21
_CURVES_PER_PANEL = 7
"""Besides the curve of the bare venue."""
_SEAT_PANELS_PER_SHEET = 4
_PANELS_PER_SHEET = 12
_DASHED = (0, (4, 2))
MOST_NAMES = 16
"""Largest number of points of a chart that are all named; of more points, only the front is named and the others are
numbered."""


def intelligibility_figure(results: Results, chosen: Sequence[int] | None = None, sheet: str = "") -> Figure:
    """A row per scenario: STI of the median seat and of the worst tenth, share of seats served, cost.

    Parameters
    ----------
    chosen : indices into `results.scenarios`; all by default
    sheet : number of this sheet among several, for the title
    """
    rows = np.arange(len(results.scenarios)) if chosen is None else np.asarray(chosen)
    height = max(3.2, 1.75 + 0.30 * len(rows))
    title = f"Intelligibility and cost of each scenario{sheet}"
    with style.page((style.A4_LANDSCAPE[0], height), results, title) as figure:
        margins = {"left": 0.27, "right": 0.98, "bottom": 0.78 / height, "top": 1.0 - 0.98 / height}
        grid = {**margins, "width_ratios": (2.2, 1.2, 1.2), "wspace": 0.06}
        panels = style.panels(figure, 3, 3, grid, sharex=False)
        _index_panel(panels[0], results, rows)
        _share_panel(panels[1], results, rows)
        _cost_panel(panels[2], results, rows)
        names = [f"{shortened(results.scenarios[i].name, 44)}  {i + 1}" for i in rows]
        panels[0].set_yticks(rows, names)
        panels[0].set_ylim(rows[-1] + 0.6, rows[0] - 0.6)
        for axes in panels:
            style.tidy(axes, "x", ("top", "right", "left"))
            axes.tick_params(axis="y", length=0)
        style.write_footnote(
            figure,
            "Numbered as in the comparison. Bars: 95 % intervals, Monte Carlo error only; bars shorter than their "
            f"marker are hidden by it. {_about_input(results)}Dashed line: target share of seats.",
        )
        return figure


def _index_panel(axes: Axes, results: Results, rows: np.ndarray) -> None:
    series = (("sti_median", "median seat", "o", style.SERIES[0]), ("sti_worst_tenth", "worst tenth", "D", "white"))
    for name, label, marker, face in series:
        value = results.room[name].value[rows]
        if results.input_uncertainty is not None:
            half = COVERAGE_FACTOR * results.input_uncertainty.room[name][rows]
            axes.hlines(rows, value - half, value + half, color=style.INPUT_UNCERTAINTY, linewidth=5.0, zorder=1)
        mark = style.marks(marker, 5.0, markerfacecolor=face, label=label)
        axes.errorbar(value, rows, xerr=results.room[name].half_width()[rows], **style.BARS, **mark)
    target = f"target {results.sti_target:.2f}"
    axes.axvline(results.sti_target, color=style.INK, linewidth=1.2, label=target, zorder=1)
    axes.set_xlabel("STI")
    axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=3, borderaxespad=0.2)


def _share_panel(axes: Axes, results: Results, rows: np.ndarray) -> None:
    share = results.room["sti_share_of_seats"]
    bars = {**style.BARS, **style.marks("s", 5.0, color=style.SERIES[2])}
    axes.errorbar(100.0 * share.value[rows], rows, xerr=100.0 * share.half_width()[rows], **bars)
    axes.axvline(100.0 * results.share_target, color=style.INK, linewidth=1.2, linestyle=_DASHED, zorder=1)
    axes.set_xlim(-3.0, 103.0)
    axes.set_xlabel(f"% of seats ≥ {results.sti_target:.2f}")


def _cost_panel(axes: Axes, results: Results, rows: np.ndarray) -> None:
    costs = np.array([scenario.cost for scenario in results.scenarios])
    axes.barh(rows, costs[rows], height=0.45, color="#c9c9c9")
    for row in rows:
        scenario = results.scenarios[row]
        text = f"{scenario.cost:,.0f}" + (" (breaks a limit)" if scenario.limits_broken else "")
        style.write(axes, text, (scenario.cost, row), (3, 0), 6.5, va="center")
    axes.set_xlim(0.0, 1.9 * max(float(costs.max()), 1.0))
    axes.xaxis.set_major_locator(MaxNLocator(4))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    axes.set_xlabel(f"cost, {results.currency}")


def value_figure(results: Results) -> Figure:
    """Gain in the median STI against extra cost, with one panel for each reference scenario."""
    baselines = sorted({s.compare_with for i, s in enumerate(results.scenarios) if s.compare_with != i})
    with style.page((style.A4_LANDSCAPE[0], 5.2), results, "What the money buys") as figure:
        if not baselines:
            figure.text(0.04, 0.6, "No scenario is compared with another one.")
            return figure
        counts = [len(_compared_with(results, baseline)[0]) for baseline in baselines]
        margins = {"left": 0.07, "right": 0.97, "bottom": 0.17, "top": 0.82, "wspace": 0.08}
        grid = {**margins, "width_ratios": np.sqrt(counts) + 1.0}
        panels = style.panels(figure, len(baselines), len(baselines), grid, sharex=False)
        for axes, baseline in zip(panels, baselines):
            _value_panel(axes, results, baseline)
        # The panels share their scale, so names can only be placed once all points are drawn.
        for axes, baseline in zip(panels, baselines):
            _name_points(axes, results, baseline)
        numbered = " Numbers refer to rows of the comparison." if max(counts) > MOST_NAMES else ""
        panels[0].set_ylabel("gain in STI of the median seat")
        noticeable = METRICS[STI].just_noticeable_difference
        style.write_footnote(
            figure,
            "Bars: 95 % intervals of the difference; bars shorter than their marker are hidden by it. "
            f"{_about_input(results)}Grey: less than one just noticeable difference ({noticeable:g}). Line: scenarios "
            f"within the limits that no cheaper one matches. Open markers break a limit.{numbered}",
        )
        return figure


def _compared_with(results: Results, baseline: int) -> tuple[list[int], np.ndarray]:
    """Scenarios that are compared with the baseline, and the extra cost of each."""
    chosen = [i for i, s in enumerate(results.scenarios) if s.compare_with == baseline and i != baseline]
    extra = [results.scenarios[i].cost - results.scenarios[baseline].cost for i in chosen]
    return chosen, np.array(extra)


def _front(results: Results, chosen: Sequence[int], value: np.ndarray, extra: np.ndarray) -> list[int]:
    """Positions in `chosen` of the scenarios with a positive gain that exceeds the gain of every cheaper scenario,
    the cheapest first.

    A scenario that breaks a limit cannot be chosen, so it is not an alternative to any other.
    """
    order = [k for k in np.lexsort((-value, extra)) if not results.scenarios[chosen[k]].limits_broken]
    return [int(k) for n, k in enumerate(order) if value[k] > max([0.0, *(value[j] for j in order[:n])])]


def _name_points(axes: Axes, results: Results, baseline: int) -> None:
    chosen, extra = _compared_with(results, baseline)
    value = results.room_gains["sti_median"].value[chosen]
    best = _front(results, chosen, value, extra)
    names = [
        shortened(results.scenarios[i].name, 30) if len(chosen) <= MOST_NAMES or k in best else f"{i + 1}"
        for k, i in enumerate(chosen)
    ]
    line = np.array([[0.0, 0.0], *([extra[k], value[k]] for k in best)])
    zero = np.array([[axes.get_xlim()[0], 0.0], [axes.get_xlim()[1], 0.0]])
    write_names(axes, extra, value, names, [line, zero])


def _value_panel(axes: Axes, results: Results, baseline: int) -> None:
    gain = results.room_gains["sti_median"]
    chosen, extra = _compared_with(results, baseline)
    value, half = gain.value[chosen], gain.half_width()[chosen]
    noticeable = METRICS[STI].just_noticeable_difference or 0.0
    axes.axhspan(-noticeable, noticeable, color="#ececec", zorder=0)
    axes.axhline(0.0, color=style.QUIET, linewidth=0.7)
    best = _front(results, chosen, value, extra)
    if best and extra[best].max() > 0.0:
        axes.plot([0.0, *extra[best]], [0.0, *value[best]], color=style.SERIES[4], linewidth=1.4, zorder=1)
    if results.input_uncertainty is not None:
        of_input = COVERAGE_FACTOR * results.input_uncertainty.room_gains["sti_median"][chosen]
        axes.vlines(extra, value - of_input, value + of_input, color=style.INPUT_UNCERTAINTY, linewidth=5.0, zorder=1)
    for k, scenario in enumerate(chosen):
        face = "white" if results.scenarios[scenario].limits_broken else style.SERIES[0]
        bars = {**style.BARS, "marker": "o", "markersize": 5.0, "markerfacecolor": face}
        axes.errorbar(extra[k], value[k], half[k], **bars, zorder=3)
    name = shortened(results.scenarios[baseline].name, 36)
    axes.set_xlabel(f"cost above “{name}”, {results.currency}")
    axes.xaxis.set_major_formatter(FuncFormatter(lambda x, _: f"{x:,.0f}"))
    axes.set_title(f"against “{name}”", loc="left")
    style.tidy(axes)
    axes.margins(x=0.18, y=0.12)
    if extra.min() >= 0.0 and extra.max() > 0.0:
        axes.set_xlim(-0.05 * extra.max(), 1.2 * extra.max())
    if np.ptp([0.0, *extra]) == 0.0:
        axes.set_xlim(-1.0, 3.0)
        axes.set_xticks([0.0])


def seats_figure(results: Results, chosen: Sequence[int] | None = None, sheet: str = "") -> Figure:
    """Share of the seats that reach an STI, as a function of the STI; at most eight curves per panel.

    Parameters
    ----------
    chosen : numbers of the panels, below `n_seat_panels`; all by default
    sheet : number of this sheet among several, for the title
    """
    n = len(results.scenarios)
    numbers = list(range(n_seat_panels(results)) if chosen is None else chosen)
    n_rows, n_columns = -(-len(numbers) // 2), min(len(numbers), 2)
    height = 1.5 + (5.0 if n_rows == 1 else 3.3 * n_rows)
    with style.page((style.A4_LANDSCAPE[0], height), results, f"How many seats reach which STI{sheet}") as figure:
        margins = {"left": 0.07, "right": 0.97, "bottom": 0.85 / height, "top": 1.0 - 0.9 / height, "wspace": 0.08}
        panels = style.panels(figure, len(numbers), n_columns, margins)
        for i, (number, axes) in enumerate(zip(numbers, panels)):
            first = 1 + _CURVES_PER_PANEL * number
            for k, scenario in enumerate([0, *range(first, min(n, first + _CURVES_PER_PANEL))]):
                _seats_curve(axes, results, scenario, k)
            axes.axvline(results.sti_target, color=style.INK, linewidth=1.0)
            axes.axhline(100.0 * results.share_target, color=style.INK, linewidth=1.0, linestyle=_DASHED)
            style.tidy(axes)
            axes.set_ylim(0.0, 102.0)
            axes.yaxis.set_minor_locator(NullLocator())
            # Few seats are far above the others, so the upper right corner is nearly empty.
            axes.legend(loc="upper right", bbox_to_anchor=(1.0, 0.94))
            if i + n_columns >= len(numbers):
                axes.set_xlabel("STI")
        panels[0].set_ylabel("% of seats with at least this STI")
        style.write_footnote(
            figure,
            f"{counted(len(results.positions), 'seat')}. Numbered as in the comparison. Lines: target STI, and, "
            "dashed, target share of seats.",
        )
        return figure


def _seats_curve(axes: Axes, results: Results, scenario: int, k: int) -> None:
    values = np.sort(results.seats[STI].value[:, scenario])
    values = values[np.isfinite(values)]
    share = 100.0 * (1.0 - np.arange(len(values)) / max(len(values), 1))
    colour = style.INK if scenario == 0 else style.SERIES[k % 8]
    marks: dict[str, Any] = {"marker": style.MARKERS[k % 8], "markersize": 4.0, "markevery": (0.02 + 0.01 * k, 0.17)}
    label = f"{scenario + 1}  {shortened(results.scenarios[scenario].name, 40)}"
    axes.plot(values, share, drawstyle="steps-pre", color=colour, linewidth=1.3, label=label, **marks)


def n_seat_panels(results: Results) -> int:
    """Number of panels needed for the curves of all scenarios."""
    return max(1, -(-(len(results.scenarios) - 1) // _CURVES_PER_PANEL))


def chart_pictures(results: Results) -> list[Picture]:
    """All charts of a study. A chart of many scenarios is divided among several sheets."""
    scenarios = range(len(results.scenarios))

    def sheets(name: str, draw: Callable[..., Figure], parts: Sequence[int], at_most: int) -> list[Picture]:
        return on_sheets(name, f"{name}, {results.title}, {results.venue}", draw, parts, at_most)

    return [
        *sheets("reverberation", reverberation_figure, scenarios, _PANELS_PER_SHEET),
        *sheets("intelligibility", intelligibility_figure, scenarios, _ROWS_PER_SHEET),
        Picture("value", f"value, {results.title}, {results.venue}", value_figure),
        *sheets("seats", seats_figure, range(n_seat_panels(results)), _SEAT_PANELS_PER_SHEET),
    ]


def _about_input(results: Results) -> str:
    if results.input_uncertainty is None:
        return ""
    return "Pale bars: 95 % intervals from the uncertainty of absorption. "


def charts(
    results: Results | str | Path, folder: str | Path, *, formats: Sequence[str] = ("png", "svg")
) -> list[Path]:
    """Draw reverberation per band, intelligibility with cost, gain against cost, and the distribution over seats.

    Parameters
    ----------
    results : a finished study, the folder of its run, or the results.h5 in it
    folder : created if it is missing
    formats : "png", "svg", "pdf"

    Raises
    ------
    StoreError : there are no results at that path, or the folder cannot be written
    """
    finished = load_results(results)
    return write_pictures(finished, chart_pictures(finished), Path(folder), formats)
