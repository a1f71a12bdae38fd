"""Charts of a search: gain against cost, and the contribution of each element."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..planning.plan_file import load_plan
from ..planning.results import ContributionTable, Goal, Measure, PlanResults
from ..results.interval import Interval
from ..words import shortened
from . import style
from .labels import write_names
from .late_energy_figure import late_energy_figure
from .pictures import Picture, write_pictures
from .planning_words import candidate_short_names, column_head, display_factor

MOST_NAMES = 5
"""Number of points of a front that are named in addition to the start and the proposed set: the largest rises."""
_NAME_LENGTH = 20
"""Letters of an element's name that fit in a chart."""
PROPOSED, BEST = style.SERIES[5], style.SERIES[0]


def front_figure(results: PlanResults) -> Figure:
    """Every set that was evaluated, and the trade-off front of sets that no cheaper set equals, one panel per goal."""
    goals = results.goals[:3]
    with style.page((style.A4_LANDSCAPE[0], 5.6), results, "What the money buys") as figure:
        margins = {"left": 0.06, "right": 0.98, "bottom": 0.2, "top": 0.82, "wspace": 0.22}
        panels = style.panels(figure, len(goals), len(goals), margins, sharex=False, sharey=False)
        for axes, goal in zip(panels, goals):
            _front_panel(axes, results, goal)
        # Names can only be placed once the panels have their final size.
        for axes, goal in zip(panels, goals):
            _name_front(axes, results, goal)
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="lower left", bbox_to_anchor=(0.05, 0.075), ncols=6)
        style.write_footnote(
            figure,
            "Dark bars: 95 % intervals of the Monte Carlo error. Pale bars: with the uncertainty of absorption, where "
            "it was evaluated. Points without bars were evaluated by the search alone; their errors are like those of "
            "the front near them. Open symbols break a limit other than the budget.",
        )
        return figure


def _known_front(results: PlanResults, measure: Measure) -> list[int]:
    """The sets on the trade-off front whose value is known: a reverberation time may be missing."""
    return [i for i in results.front[measure.name] if np.isfinite(results.option(i).values[measure.name].value)]


def _points(results: PlanResults, masks: Sequence[int], measure: Measure) -> np.ndarray:
    """(n, 2) cost and displayed value of some options."""
    factor, options = display_factor(measure), [results.option(mask) for mask in masks]
    points = [(option.cost, factor * option.values[measure.name].value) for option in options]
    return np.array(points).reshape(-1, 2)


def _front_panel(axes: Axes, results: PlanResults, goal: Goal) -> None:
    measure = goal.measure
    factor, masks = display_factor(measure), _known_front(results, measure)
    dearest = max(results.option(i).cost for i in [*masks, results.proposed])
    if not masks:
        axes.text(
            0.5, 0.5, textwrap.fill("Not known for any set: too few seats have a reverberation time.", 34),
            transform=axes.transAxes, ha="center", va="center", color=style.QUIET,
        )  # fmt: skip
    shown_up_to = 1.1 * max(dearest, results.budget or 0.0)
    for is_allowed, face, label in ((True, style.FAINT, "allowed"), (False, "none", "breaks a limit")):
        shown = [one for one in results.evaluated if one.is_allowed == is_allowed and one.cost <= shown_up_to]
        values = [factor * one.values[measure.name] for one in shown]
        dots = style.marks("o", 3.0, color=style.FAINT, markerfacecolor=face, label=label, zorder=1)
        axes.plot([one.cost for one in shown], values, **dots)
    front = _points(results, masks, measure).T
    axes.plot(*front, drawstyle="steps-post", color=style.INK, linewidth=0.9, label="trade-off front", zorder=2)
    for i in dict.fromkeys([*masks, results.proposed, results.highest, 0]):
        colour = {results.proposed: PROPOSED, results.highest: BEST}.get(i, style.INK)
        _draw_interval(axes, results.option(i).cost, results.option(i).values[measure.name], factor, colour)
    for i, colour, label in ((results.highest, BEST, "best values"), (results.proposed, PROPOSED, "proposed")):
        point = _points(results, [i], measure).T
        axes.plot(*point, **style.marks("D", 6.0, color=colour, label=label, zorder=5))
    if goal.target is not None:
        axes.axhline(factor * goal.target, color=style.INK, linewidth=0.8, linestyle="--", zorder=1)
    if results.budget is not None:
        axes.axvline(results.budget, color=style.QUIET, linewidth=0.8, linestyle=":", label="budget", zorder=1)
    axes.set_title(textwrap.fill(measure.label, 40), loc="left")
    axes.set_xlabel(f"cost, {results.currency}")
    axes.set_ylabel(measure.unit or "STI")
    axes.margins(x=0.08, y=0.1)
    if measure.name == "sti_share_of_seats":
        # Intervals may extend below 0 % and above 100 %; the chart need not.
        low, high = axes.get_ylim()
        axes.set_ylim(max(low, -4.0), min(high, 104.0))
    style.tidy(axes)


def _draw_interval(axes: Axes, cost: float, interval: Interval, factor: float, colour: str) -> None:
    value, half = factor * interval.value, factor * interval.half_width
    if interval.input_half_width is not None:
        whole = float(np.hypot(factor * interval.input_half_width, np.nan_to_num(half)))
        axes.errorbar(cost, value, whole, color=colour, alpha=0.3, linewidth=3.0, zorder=3)
    axes.errorbar(cost, value, half, color=colour, marker="o", markersize=4.0, capsize=2.0, linewidth=1.0, zorder=4)


def _name_front(axes: Axes, results: PlanResults, goal: Goal) -> None:
    """Write the names of the start, the proposed and the best set, and the sets at the largest rises of the front."""
    measure = goal.measure
    masks = _known_front(results, measure)
    front = _points(results, masks, measure)
    steepest = [masks[k + 1] for k in np.argsort(-measure.better * np.diff(front[:, 1]), kind="stable")[:MOST_NAMES]]
    named = list(dict.fromkeys([0, results.proposed, results.highest, *steepest]))
    named = [i for i in named if np.isfinite(results.option(i).values[measure.name].value)]
    short = {name: shortened(text, _NAME_LENGTH) for name, text in candidate_short_names(results).items()}
    names = [" + ".join(short[name] for name in results.option(i).elements) or results.start for i in named]
    names = [textwrap.fill(shortened(name, 3 * _NAME_LENGTH), 2 * _NAME_LENGTH) for name in names]
    x, y = _points(results, named, measure).T
    write_names(axes, x, y, names, _lines_to_avoid(axes, results, goal, front))


def _lines_to_avoid(axes: Axes, results: PlanResults, goal: Goal, front: np.ndarray) -> list[np.ndarray]:
    """Lines that names must not hide: target, budget, and the front, which rises at the cost of each dearer set."""
    corners = np.repeat(front, 2, axis=0)[:-1]
    corners[1::2, 0] = front[1:, 0]
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    lines = [corners]
    if goal.target is not None:
        target = display_factor(goal.measure) * goal.target
        lines.append(np.array([(left, target), (right, target)]))
    if results.budget is not None:
        lines.append(np.array([(results.budget, low), (results.budget, high)]))
    return lines


def contributions_figure(results: PlanResults) -> Figure:
    """Gain of each candidate added first, on average over the orders, and added last; one panel per goal."""
    tables = {table.measure: table for table in results.contributions if not table.of_plan}
    shown = [tables[goal.measure.name] for goal in results.goals if goal.measure.name in tables][:3]
    height = max(3.6, 2.0 + 0.34 * len(results.candidates))
    with style.page((style.A4_LANDSCAPE[0], height), results, "What each element contributes") as figure:
        if not shown:
            figure.text(0.04, 0.5, "There is only one candidate.")
            return figure
        margins = {"left": 0.16, "right": 0.98, "bottom": 1.15 / height, "top": 1.0 - 0.95 / height, "wspace": 0.08}
        panels = style.panels(figure, len(shown), len(shown), margins, sharex=False)
        better = results.goals[0].measure.better or 1
        by_value = sorted(shown[0].rows, key=lambda row: -better * row.average.value)
        order = [row.element for row in by_value]
        for axes, table in zip(panels, shown):
            _contributions_panel(axes, results, table, order)
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="lower left", bbox_to_anchor=(0.15, 0.42 / height), ncols=3)
        style.write_footnote(
            figure,
            "Gain with this element added first, on average over the orders of adding the candidates (Shapley value), "
            "and added last; limits are ignored. Bars: 95 % intervals of the Monte Carlo error. Where the symbols are "
            "far apart, the elements reduce each other's effect.",
        )
        return figure


def _contributions_panel(axes: Axes, results: PlanResults, table: ContributionTable, order: Sequence[str]) -> None:
    measure = results.measure(table.measure)
    factor, rows = display_factor(measure), {row.element: row for row in table.rows}
    places = np.arange(len(order))
    kinds = (
        ("first", "added first", "^", 0.22),
        ("average", "on average", "o", 0.0),
        ("last", "added last", "v", -0.22),
    )
    for (name, label, marker, shift), colour in zip(kinds, style.SERIES[:3]):
        intervals = [getattr(rows[element], name) for element in order]
        values = np.array([(one.value, one.half_width) for one in intervals]).T
        bars = style.marks(marker, 4.5, color=colour, capsize=2.0, linewidth=1.0, label=label)
        axes.errorbar(factor * values[0], places - shift, xerr=factor * values[1], **bars)
    axes.axvline(0.0, color=style.INK, linewidth=0.8)
    short = candidate_short_names(results)
    axes.set_yticks(places, [textwrap.fill(shortened(short[element], 44), 24) for element in order])
    axes.set_ylim(len(order) - 0.5, -0.5)
    axes.set_title(textwrap.fill(measure.label, 38), loc="left")
    axes.set_xlabel(f"gain, {measure.unit}" if measure.unit else f"gain in {column_head(measure).split(',')[0]}")
    style.tidy(axes, "x", ("top", "right", "left"))
    axes.tick_params(axis="y", length=0)


def write_plan_figures(
    results: PlanResults | str | Path, folder: str | Path, formats: Sequence[str] = ("png", "svg")
) -> list[Path]:
    """Write all pictures of a search into a folder and return their paths; pictures that cannot be drawn are omitted.

    Raises
    ------
    StoreError : there is no plan at that path, or the folder cannot be made or written
    """
    results = load_plan(results)
    draws: dict[str, Callable[[PlanResults], Figure]]
    draws = {"plan_front": front_figure, "plan_contributions": contributions_figure}
    for late_energy in results.late_energy:
        name = "plan_late_plan" if late_energy.option else "plan_late_start"
        draws[name] = partial(late_energy_figure, late_energy=late_energy)
    pictures = [
        Picture(name, f"{name.replace('_', ' ')}, {results.title}, {results.venue}", draw)
        for name, draw in draws.items()
    ]
    return write_pictures(results, pictures, Path(folder), formats, processes=1)
