"""The result of a search as tables, for a terminal or a text file."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from rich.console import RenderableType
from rich.padding import Padding
from rich.text import Text

from .. import bands
from ..planning.plan_file import load_plan
from ..planning.results import ContributionTable, LateEnergyOrigin, LeftOut, PlanResults
from ..results.interval import Interval
from .caveat_messages import caveat_messages
from .planning_words import (
    amount,
    candidate_short_names,
    column_head,
    elements_text,
    exact_amount,
    goal_measures,
    input_part,
    near_miss,
    plan_cautions,
    search_notes,
    set_text,
    shown_measures,
    summary,
)
from .printing import PrintedTable, TitledTable, bullets, clean
from .values import NONE, money, with_error


class PlanTables(PrintedTable):
    """The result of a search. Printed with rich it fits the available width; `text` returns plain text."""

    def __init__(self, results: PlanResults):
        self.results = results
        self.tables = tuple(_tables(results))

    def text(self, width: int = 120) -> str:
        """Plain text, at most `width` columns wide."""
        return super().text(width)

    def parts(self, width: int) -> Iterator[RenderableType]:
        results = self.results
        yield Text(f"{clean(results.title)} · {clean(results.venue)}", "bold")
        yield Padding(Text("\n".join(summary(results))), (1, 0))
        yield from self.tables
        yield bullets("How near this is to the best possible set", search_notes(results))
        yield bullets("Warnings", [clean(text) for text in caveat_messages(results.caveats, 0)])
        yield bullets("Before you act on this", plan_cautions(results))


def plan_tables(results: PlanResults | str | Path) -> PlanTables:
    """The result of a search as tables: print them, or use their `tables`.

    Parameters
    ----------
    results : the result of a search, the folder of a run, or the plan.h5 in it

    Raises
    ------
    StoreError : there is no plan at that path
    """
    return PlanTables(load_plan(results))


def _tables(results: PlanResults) -> Iterator[TitledTable]:
    """All tables, in the order in which they are printed."""
    yield options_table(results)
    yield money_table(results)
    if results.target_costs:
        yield target_table(results)
    for table in _shown_contributions(results):
        yield contribution_table(results, table)
    if results.plan.elements:
        yield left_out_table(results)
    yield robustness_table(results)
    yield retraced_table(results)
    for late_energy in results.late_energy:
        yield late_energy_table(results, late_energy)
    if results.new_lines:
        yield new_lines_table(results)


def _changes(changes: dict[str, Interval], results: PlanResults) -> Iterator[str]:
    """The change in each goal, as texts of cells."""
    return (amount(changes[measure.name], measure, sign=True) for measure in goal_measures(results))


def options_table(results: PlanResults) -> TitledTable:
    """The finalists, by cost."""
    # More columns do not fit; the file holds all measures.
    measures = shown_measures(results)[:5]
    first = measures[0]
    order = sorted(results.finalists, key=lambda mask: results.option(mask).cost)

    def row(mask: int) -> tuple[str, ...]:
        option = results.option(mask)
        marks = [word for word, of in (("proposed", results.proposed), ("best", results.highest)) if of == mask]
        return (
            f"{', '.join(marks)}: " * bool(marks)
            + set_text(option, results)
            + "".join(f" (over: {phrase})" for phrase in option.broken),
            money(option.cost),
            f"{option.rigging_hours:g}, {option.roof_points}",
            *(amount(option.values[one.name], one, unit=one.unit != "s") for one in measures),
            amount(option.gains[first.name], first, sign=True),
            input_part(option.gains[first.name], first),
        )

    heads = (
        "set", f"cost,\n{clean(results.currency)}", "rigging h,\nroof points",
        *(column_head(measure) for measure in measures), f"gain,\n{first.label.split(' with')[0]}", "±\ninput",
    )  # fmt: skip
    note = (
        "Traced again for these sets only. ±: 95 % interval of the Monte Carlo error; input: 95 % interval of the "
        "gain from the uncertainty of absorption."
    )
    return TitledTable("The finalists", heads, [row(mask) for mask in order], 1, note, [order.index(results.proposed)])


def money_table(results: PlanResults) -> TitledTable:
    """The best set for each amount of money, compared with the previous one."""
    short = candidate_short_names(results)

    def row(place: int) -> tuple[str, ...]:
        step = results.steps[place]
        option, before = results.option(step.option), results.steps[step.against].option
        exchanged = [f"+ {short[name]}" for name in results.members(step.option & ~before)]
        exchanged += [f"− {short[name]}" for name in results.members(before & ~step.option)]
        return (
            f"{place}. {set_text(option, results)}",
            f"{step.against}." if step.against else "start",
            " ".join(exchanged),
            step.verdict,
            money(step.money) + " *" * (not results.is_within_budget(option.cost)),
            money(option.cost),
            *(
                cell
                for measure, change in zip(goal_measures(results), _changes(step.changes, results))
                for cell in (amount(option.searched[measure.name], measure, error=False), change)
            ),
        )

    rows = [row(place) for place in range(1, len(results.steps))]
    heads = ["best set", "compared\nwith", "exchange", "verdict", f"money,\n{clean(results.currency)}", "it\ncosts"]
    for measure in goal_measures(results):
        heads += [column_head(measure), "change"]
    over = " *: over the budget." if any("*" in row[4] for row in rows) else ""
    note = (
        f"Steps of {money(results.money_step)} {clean(results.currency)}; amounts that buy nothing new are omitted."
        f"{over} Each set is compared with the last one above it that was worth its cost. The verdict refers to the "
        "first goal that improves significantly and was not reached before. JND: just noticeable difference. All "
        "values come from the paths of the search; the value of the best of many sets is too good by about its error."
    )
    return TitledTable("What more money buys", heads, rows, 4, note)


def target_table(results: PlanResults) -> TitledTable:
    """The lowest cost that reaches each target."""
    rows = []
    for one in results.target_costs:
        measure = results.measure(one.measure)
        options = [None if mask is None else results.option(mask) for mask in (one.likely, one.certain)]
        sets = ["no set" if option is None else set_text(option, results) for option in options]
        prices = [NONE if option is None else money(option.cost) for option in options]
        rows.append((measure.label, *sets, near_miss(one, results), exact_amount(one.target, measure), *prices))
    heads = ("measure", "likely reached by", "certainly reached by", "cheaper, and misses it by less than its error",
             "target", "for", "for ")  # fmt: skip
    note = (
        f"In {clean(results.currency)}, whatever the budget. Likely: the value reaches the target. Certainly: the "
        "worse end of its 95 % interval reaches it, Monte Carlo error only."
    )
    return TitledTable("The lowest cost that reaches each target", heads, rows, 4, note)


def _shown_contributions(results: PlanResults) -> list[ContributionTable]:
    """Tables of the first two goals with a significant change, for all candidates and for the proposed plan."""
    chosen = []
    for of_plan in (False, True):
        tables = {table.measure: table for table in results.contributions if table.of_plan == of_plan}
        of_goals = [tables[one.name] for one in goal_measures(results) if one.name in tables]
        changing = [table for table in of_goals if table.together.is_significant]
        chosen += (changing or of_goals)[:2]
    return chosen


def contribution_table(results: PlanResults, table: ContributionTable) -> TitledTable:
    """The contribution of each element to a measure."""
    measure = results.measure(table.measure)
    better = measure.better or 1

    def worth(value: float) -> float:
        return better * value if math.isfinite(value) else -math.inf

    costs = {candidate.name: candidate.cost for candidate in results.candidates}
    rows = []
    for row in sorted(table.rows, key=lambda row: -worth(row.average.value)):
        cost = costs[row.element]
        per_1000 = 1000.0 / cost if cost else math.nan
        scaled = Interval(per_1000 * row.average.value, per_1000 * row.average.half_width)
        intervals = (row.first, row.average, row.last, scaled)
        cells = (amount(interval, measure, sign=True) for interval in intervals)
        rows.append((row.element, money(cost), *cells))
    rows.append(("all together", "", "", amount(table.together, measure, sign=True), "", ""))
    whose = "of the proposed plan" if table.of_plan else "of all candidates"
    orders = "all orders" if table.n_orders is None else f"{table.n_orders} orders"
    heads = ("element", "cost", "added first", "on average", "added last", "average\nper 1000")
    note = (
        f"Gain in {measure.label}. Added first: with none of the others. Added last: with all of them. On average: "
        f"over {orders} in which they may be added (Shapley value); these add up to the total."
        f"{'' if table.of_plan else ' Limits are ignored here.'} Costs exclude the fixed sum."
    )
    return TitledTable(f"Contribution of each element {whose}: {measure.label}", heads, rows, 1, note)


def left_out_table(results: PlanResults) -> TitledTable:
    """The losses and savings if elements of the plan are left out."""

    def row(order: str, out: LeftOut) -> tuple[str, ...]:
        omitted = " + ".join(results.members(out.before & ~out.after))
        before, after = results.option(out.before), results.option(out.after)
        hours, points = before.rigging_hours - after.rigging_hours, before.roof_points - after.roof_points
        saved = (money(before.cost - after.cost), f"{hours:g}", str(points))
        return (order, omitted, *saved, *_changes(out.changes, results))

    rows = [row("by itself", out) for out in results.left_out]
    rows += [row(f"{place}.", out) for place, out in enumerate(results.left_out_in_turn, start=1)]
    heads = ("", "left out", f"saves,\n{clean(results.currency)}", "hours", "points",
             *(column_head(measure) for measure in goal_measures(results)))  # fmt: skip
    note = (
        "By itself: the plan without this element. Numbered rows: the order in which to leave elements out if not all "
        "of them can be provided; each row is compared with the one before."
    )
    return TitledTable("What can be left out", heads, rows, 2, note)


def robustness_table(results: PlanResults) -> TitledTable:
    """Whether the same set would be proposed if absorption differed."""
    robustness = results.robustness
    measure = results.measure(robustness.measure)
    rows = []
    for case in robustness.cases:
        elements = elements_text(results.members(case.choice), results) or "nothing"
        choice = "the same" if case.choice == results.proposed else elements
        rows.append((case.case, choice, exact_amount(case.value, measure), exact_amount(case.behind, measure)))
    note = f"Chosen among {robustness.n_sets} sets within the budget."
    if robustness.n_draws:
        note += (
            f" With the absorption of every material drawn within its stated uncertainty ({robustness.n_draws} draws), "
            f"the same set is proposed in {100.0 * robustness.stays_proposed:.0f} % of the draws; in "
            f"{100.0 * robustness.stays_as_good:.0f} % no goal distinguishes it from the best set; in 95 % it is at "
            f"most {exact_amount(robustness.behind, measure)} behind the best."
        )
    heads = ("if", "would be proposed", f"plan's\n{measure.label}", "behind\nthe best")
    return TitledTable("If absorption differs from the tables", heads, rows, 2, note)


def retraced_table(results: PlanResults) -> TitledTable:
    """The finalists as the search evaluated them and as traced again."""
    rows = []
    for option in (results.option(mask) for mask in results.finalists):
        cells = [set_text(option, results)]
        for measure in goal_measures(results):
            ratio = option.retraced_apart(measure.name, results.n_replicates)
            cells += [
                amount(option.searched[measure.name], measure),
                amount(option.values[measure.name], measure),
                f"{ratio:+.1f}".replace("-", "−") if math.isfinite(ratio) else NONE,
            ]
        rows.append(cells)
    heads = ["set"]
    for measure in goal_measures(results):
        heads += [column_head(measure) + ",\nsearch", "traced\nagain", "differ by"]
    note = (
        "Differ by: the difference divided by its standard error; a value beyond about 3 is unlikely to be due to "
        "chance. The second set of paths was traced for these sets only, with other random numbers and with surfaces "
        "divided more finely."
    )
    return TitledTable("Traced again", heads, rows, 1, note)


_LATE_COLUMNS = (("125 Hz", (1,)), ("500 Hz, 1 kHz", bands.MID), ("4 kHz", (6,)))
"""Octave bands whose shares of late energy are tabulated."""
_LEAST_SHARE = 0.02
"""Surfaces with less than this share in every column are added up in one row."""


def late_energy_table(results: PlanResults, late_energy: LateEnergyOrigin) -> TitledTable:
    """The surfaces from which the late energy comes, the largest share first."""
    n_areas, square_metres = len(late_energy.area_names), late_energy.square_metres
    # Fewer columns fit if there are many audience areas.
    columns = _LATE_COLUMNS if n_areas <= 2 else _LATE_COLUMNS[:2] if n_areas == 3 else _LATE_COLUMNS[1:2]
    # Bands share their paths, so their errors are correlated: the mean of the errors is conservative.
    share, half = (
        np.stack([100.0 * shares[..., list(octaves)].mean(axis=-1) for _, octaves in columns], axis=-1)
        for shares in (late_energy.share, late_energy.half_width)
    )
    is_small = share.max(axis=(0, 2)) < 100.0 * _LEAST_SHARE

    def row(surface: str, metres: float, share: np.ndarray, half: np.ndarray) -> tuple[str, ...]:
        intervals = (Interval(*cell) for cell in zip(share.ravel(), half.ravel()))
        of_all = 100.0 * metres / square_metres.sum()
        return (surface, f"{metres:,.0f}", f"{of_all:.0f}", *(with_error(interval, 0) for interval in intervals))

    half = np.where(np.isfinite(half), half, 0.0)
    rows = [
        row(late_energy.surfaces[k], square_metres[k], share[:, k], half[:, k]) for k in np.flatnonzero(~is_small)
    ]
    others = share[:, is_small].sum(axis=1)
    if is_small.any():
        rows.append(row("all others", square_metres[is_small].sum(), others, np.zeros_like(others)))
    heads = ["last surface", "m2", "% of\nall"]
    heads += [f"{area},\n{octaves}" for area in late_energy.area_names for octaves, _ in columns]
    note = (
        f"Percentage of the energy that arrives more than {1000.0 * late_energy.after:.0f} ms after the first sound, "
        "by the surface that reflected it last. Cloth has the greatest effect on surfaces whose share of this energy "
        "exceeds their share of the area. Earlier reflections along the paths are not considered."
    )
    title = f"Where late energy comes from: {set_text(results.option(late_energy.option), results)}"
    return TitledTable(title, heads, rows, 1, note)


def new_lines_table(results: PlanResults) -> TitledTable:
    """New lines at the places where they would be most effective."""
    rows = []
    for line in results.new_lines:
        start, end = (f"({x:.2f}, {y:.2f})" for x, y in line.run)
        cloth = f"{line.drop:g} m drop, top {line.top:g} m, {line.fabric}"
        numbers = (f"{line.square_metres:.0f}", f"{100.0 * line.late_share:.1f}", money(line.cost))
        rows.append((f"{start} to {end}", cloth, *numbers, *_changes(line.gains, results)))
    heads = (
        "along the wall from", "as", "m2", "% of late\nenergy", f"about,\n{clean(results.currency)}",
        *(f"gain,\n{column_head(measure)}" for measure in goal_measures(results)),
    )  # fmt: skip
    note = (
        "Places from which most late energy per square metre comes, and at which no candidate hangs and no zone of the "
        "study prevents it. The gain is the gain from adding the line to the proposed plan; the price per square metre "
        "is that of the study's own cloth; limits are not checked. To evaluate a line in full, add it to the elements "
        "file."
    )
    return TitledTable("Where another line could hang", heads, rows, 2, note)
