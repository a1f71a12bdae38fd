"""Charts of a search: gain against cost, and what each element is worth."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from functools import partial
from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from ..planning.results import FigureRecord, Known, PlanResults, ValueTable
from ..words import shortened
from . import style
from .blame_figure import blame_figure, blamed
from .labels import write_names
from .pictures import Picture, write_pictures
from .planning_words import head_of, short_names

MOST_NAMES = 5
"""Points of a front that are named besides the start and what is proposed: the largest rises."""
_LETTERS = 20
"""Of an element's name that have room in a chart."""
PROPOSED, HIGHEST = style.SERIES[5], style.SERIES[0]


def front_figure(results: PlanResults) -> Figure:
    """Every set that was worked out, and the line of those that nothing cheaper equals, one panel a
    goal."""
    goals = [results.figure(goal.figure) for goal in results.goals][:3]
    with style.rules():
        figure = style.new_figure((style.A4_LEVEL[0], 5.6))
        style.write_head(figure, results, "What the money buys")  # type: ignore[arg-type]
        panels = figure.subplots(
            1,
            len(goals),
            squeeze=False,
            gridspec_kw={"left": 0.06, "right": 0.98, "bottom": 0.2, "top": 0.82, "wspace": 0.22},
        )[0]
        for axes, goal in zip(panels, goals):
            _front_panel(axes, results, goal)
        # Names find their places once the panels have their size.
        for axes, goal in zip(panels, goals):
            _name_front(axes, results, goal)
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="lower left", bbox_to_anchor=(0.05, 0.075), ncols=6)
        style.write_foot(
            figure,
            "Dark bars: 95 % intervals, chance of the rays. Pale bars: what absorption not being known better adds, "
            "95 %, where it was looked at. Points without bars are the search's own; their errors are those of the "
            "line near them. Open signs break a limit other than the budget.",
        )
        return figure


def _factor(figure: FigureRecord) -> float:
    return 100.0 if figure.unit == "%" else 1.0


def _front(results: PlanResults, goal: FigureRecord) -> list[int]:
    """The line of the best sets, as far as their figure is known: a reverberation time may be missing."""
    return [i for i in results.front[goal.name] if np.isfinite(results.options[i].figures[goal.name].value)]


def _front_panel(axes: Axes, results: PlanResults, goal: FigureRecord) -> None:
    factor = _factor(goal)
    numbers = _front(results, goal)
    dearest = max(results.options[i].cost for i in [*numbers, results.proposed])
    if not numbers:
        axes.text(
            0.5, 0.5, textwrap.fill("Not known for any set: too few seats have a reverberation time.", 34),
            transform=axes.transAxes, ha="center", va="center", color=style.QUIET,
        )  # fmt: skip
    shown_up_to = 1.1 * max(dearest, results.budget or 0.0)
    for is_allowed, face, label in ((True, style.FAINT, "allowed"), (False, "none", "breaks a limit")):
        chosen = [
            one for one in results.worked_out if one.is_allowed == is_allowed and one.cost <= shown_up_to
        ]
        axes.plot(
            [one.cost for one in chosen],
            [factor * one.values[goal.name] for one in chosen],
            linestyle="none",
            marker="o",
            markersize=3.0,
            color=style.FAINT,
            markerfacecolor=face,
            label=label,
            zorder=1,
        )
    options = [results.options[i] for i in numbers]
    cost = np.array([option.cost for option in options])
    value = factor * np.array([option.figures[goal.name].value for option in options])
    axes.plot(
        cost,
        value,
        drawstyle="steps-post",
        color=style.INK,
        linewidth=0.9,
        label="best for its money",
        zorder=2,
    )
    shown = dict.fromkeys([*numbers, results.proposed, results.highest, results.start_option])
    for i in shown:
        colour = {results.proposed: PROPOSED, results.highest: HIGHEST}.get(i, style.INK)
        _draw_known(axes, results.options[i].cost, results.options[i].figures[goal.name], factor, colour)
    for i, colour, label in ((results.highest, HIGHEST, "highest"), (results.proposed, PROPOSED, "proposed")):
        option = results.options[i]
        axes.plot(
            option.cost, factor * option.figures[goal.name].value, "D", color=colour, markersize=6.0, label=label,
            linestyle="none", zorder=5,
        )  # fmt: skip
    target = next(record.target for record in results.goals if record.figure == goal.name)
    if target is not None:
        axes.axhline(factor * target, color=style.INK, linewidth=0.8, linestyle="--", zorder=1)
    if results.budget is not None:
        axes.axvline(
            results.budget, color=style.QUIET, linewidth=0.8, linestyle=":", label="budget", zorder=1
        )
    axes.set_title(textwrap.fill(goal.words, 40), loc="left")
    axes.set_xlabel(f"cost, {results.currency}")
    axes.set_ylabel(goal.unit or "STI")
    axes.margins(x=0.08, y=0.1)
    if goal.name == "sti_share_of_seats":
        # Intervals may reach beyond what a share can be; the picture need not.
        low, high = axes.get_ylim()
        axes.set_ylim(max(low, -4.0), min(high, 104.0))
    axes.grid(color="#e4e4e4", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[["top", "right"]].set_visible(False)


def _draw_known(axes: Axes, cost: float, known: Known, factor: float, colour: str) -> None:
    if known.input_half_width is not None:
        whole = float(np.hypot(known.input_half_width, np.nan_to_num(known.half_width)))
        axes.errorbar(
            cost, factor * known.value, factor * whole, color=colour, alpha=0.3, linewidth=3.0, zorder=3
        )
    axes.errorbar(
        cost, factor * known.value, factor * known.half_width, color=colour, marker="o", markersize=4.0, capsize=2.0,
        linewidth=1.0, zorder=4,
    )  # fmt: skip


def _name_front(axes: Axes, results: PlanResults, goal: FigureRecord) -> None:
    """Name the start, the proposed and the highest set, and the largest rises of the line."""
    line = _front(results, goal)
    values = [goal.better * results.options[i].figures[goal.name].value for i in line]
    rises = np.diff(values)
    steepest = [line[k + 1] for k in np.argsort(-rises, kind="stable")[:MOST_NAMES]]
    numbers = list(dict.fromkeys([results.start_option, results.proposed, results.highest, *steepest]))
    numbers = [i for i in numbers if np.isfinite(results.options[i].figures[goal.name].value)]
    options = [results.options[i] for i in numbers]
    x = np.array([option.cost for option in options])
    y = _factor(goal) * np.array([option.figures[goal.name].value for option in options])
    short = {name: shortened(text, _LETTERS) for name, text in short_names(results).items()}
    names = [" + ".join(short[name] for name in option.elements) or results.start for option in options]
    names = [textwrap.fill(shortened(name, 3 * _LETTERS), 2 * _LETTERS) for name in names]
    write_names(axes, x, y, names, _lines(axes, results, goal))


def _lines(axes: Axes, results: PlanResults, goal: FigureRecord) -> list[np.ndarray]:
    """What names must not hide: the line of the best sets, which rises where the dearer set begins, target, budget."""
    best = [results.options[i] for i in _front(results, goal)]
    corners = [(option.cost, _factor(goal) * option.figures[goal.name].value) for option in best]
    steps = corners[:1]
    for (_, before), (cost, value) in pairwise(corners):
        steps += [(cost, before), (cost, value)]
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    lines = [np.array(steps).reshape(-1, 2)]
    target = next(record.target for record in results.goals if record.figure == goal.name)
    if target is not None:
        lines.append(np.array([(left, _factor(goal) * target), (right, _factor(goal) * target)]))
    if results.budget is not None:
        lines.append(np.array([(results.budget, low), (results.budget, high)]))
    return lines


def values_figure(results: PlanResults) -> Figure:
    """Each candidate alone, on average over orders, and as the last; one panel a goal."""
    tables = [
        table
        for goal in results.goals
        for table in results.values
        if table.figure == goal.figure and not table.of_plan
    ][:3]
    with style.rules():
        n = len(results.candidates)
        figure = style.new_figure((style.A4_LEVEL[0], max(3.6, 2.0 + 0.34 * n)))
        style.write_head(figure, results, "What each element is worth")  # type: ignore[arg-type]
        if not tables:
            figure.text(0.04, 0.5, "There is one candidate only.")
            return figure
        height = float(figure.get_size_inches()[1])
        panels = figure.subplots(
            1,
            len(tables),
            sharey=True,
            squeeze=False,
            gridspec_kw={
                "left": 0.16,
                "right": 0.98,
                "bottom": 1.15 / height,
                "top": 1.0 - 0.95 / height,
                "wspace": 0.08,
            },
        )[0]
        better = results.figure(tables[0].figure).better or 1
        by_value = sorted(tables[0].rows, key=lambda row: -better * row.average.value)
        order = [row.element for row in by_value]
        for axes, table in zip(panels, tables):
            _values_panel(axes, results, table, order)
        handles, labels = panels[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="lower left", bbox_to_anchor=(0.15, 0.42 / height), ncols=3)
        style.write_foot(
            figure,
            "Gain over the start with this element alone, on average over the orders of adding the candidates "
            "(Shapley), and as the last of them, limits left aside. Bars: 95 % intervals, chance of the rays. "
            "Far apart: the elements take from each other.",
        )
        return figure


def _values_panel(axes: Axes, results: PlanResults, table: ValueTable, order: Sequence[str]) -> None:
    figure = results.figure(table.figure)
    factor, rows = _factor(figure), {row.element: row for row in table.rows}
    places = np.arange(len(order))
    kinds = (
        ("alone", "alone", "^", 0.22),
        ("average", "on average", "o", 0.0),
        ("last", "as the last", "v", -0.22),
    )
    for (name, label, marker, shift), colour in zip(kinds, style.SERIES[:3]):
        known = [getattr(rows[element], name) for element in order]
        axes.errorbar(
            [factor * one.value for one in known],
            places - shift,
            xerr=[factor * one.half_width for one in known],
            linestyle="none",
            marker=marker,
            markersize=4.5,
            color=colour,
            capsize=2.0,
            linewidth=1.0,
            label=label,
        )
    axes.axvline(0.0, color=style.INK, linewidth=0.8)
    short = short_names(results)
    axes.set_yticks(places, [textwrap.fill(shortened(short[element], 44), 24) for element in order])
    axes.set_ylim(len(order) - 0.5, -0.5)
    axes.set_title(textwrap.fill(figure.words, 38), loc="left")
    axes.set_xlabel(f"gain, {figure.unit}" if figure.unit else f"gain in {head_of(figure).split(',')[0]}")
    axes.grid(axis="x", color="#e4e4e4", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.tick_params(axis="y", length=0)


def write_plan_figures(
    results: PlanResults, folder: Path, formats: Sequence[str] = ("png", "svg")
) -> list[Path]:
    """Write all pictures of a search into a folder and return their paths; one that cannot be drawn is left out.

    Raises
    ------
    StoreError : the folder cannot be made or written
    """
    draws: dict[str, Callable[[PlanResults], Figure]] = {"plan_front": front_figure, "plan_values": values_figure}
    draws |= {f"plan_late_{name}": partial(blame_figure, record=record) for name, record in blamed(results).items()}
    pictures = [
        Picture(name, f"{name.replace('_', ' ')}, {results.title}, {results.venue}", draw)
        for name, draw in draws.items()
    ]
    return write_pictures(results, pictures, folder, formats, processes=1)
