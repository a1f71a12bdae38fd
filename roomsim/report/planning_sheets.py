"""The tables of a search, as text."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from ..planning.results import ContributionTable, LateEnergyOrigin, LeftOut, PlanResults
from ..results.interval import Interval
from .planning_words import (
    amount,
    exact_amount,
    goal_measures,
    head_of,
    input_part,
    late_energy_columns,
    late_energy_rows,
    members_text,
    near_miss,
    set_text,
    short_names,
    shown_measures,
)
from .printing import clean
from .values import NONE, money, with_error


@dataclass(frozen=True)
class Sheet:
    """One table: head, columns, rows of text, and a note below it."""

    title: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    n_left: int = 1
    """Columns from the left that hold words."""
    note: str = ""
    strong: frozenset[int] = frozenset()
    """Rows that stand out."""


def plan_sheets(results: PlanResults) -> Iterator[Sheet]:
    """All tables, in the order in which they are read."""
    yield options_sheet(results)
    yield money_sheet(results)
    if results.target_costs:
        yield target_sheet(results)
    for table in _shown_contributions(results):
        yield contribution_sheet(results, table)
    if results.plan.elements:
        yield left_out_sheet(results)
    yield robustness_sheet(results)
    yield retraced_sheet(results)
    for origin in results.late_energy:
        yield late_energy_sheet(results, origin)
    if results.new_lines:
        yield new_lines_sheet(results)


def _changes(changes: dict[str, Interval], results: PlanResults) -> Iterator[str]:
    """Cells with the change of each goal."""
    return (amount(changes[measure.name], measure, sign=True) for measure in goal_measures(results))


def options_sheet(results: PlanResults) -> Sheet:
    """The finalists, by cost."""
    # More do not fit beside each other; the file holds them all.
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
        *(head_of(measure) for measure in measures), f"gain,\n{first.label.split(' with')[0]}", "±\ninput",
    )  # fmt: skip
    note = (
        "Traced again for these sets alone. ±: 95 % interval of the Monte Carlo error; input: 95 % interval of the "
        "gain from the uncertainty of absorption."
    )
    strong = frozenset(place for place, mask in enumerate(order) if mask == results.proposed)
    return Sheet("The finalists", heads, tuple(row(mask) for mask in order), 1, note, strong)


def money_sheet(results: PlanResults) -> Sheet:
    """What the next amount of money buys."""
    short = short_names(results)

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

    rows = tuple(row(place) for place in range(1, len(results.steps)))
    heads = ["best set", "compared\nwith", "exchange", "verdict", f"money,\n{clean(results.currency)}", "it\ncosts"]
    for measure in goal_measures(results):
        heads += [head_of(measure), "change"]
    over = " *: over the budget." if any("*" in row[4] for row in rows) else ""
    note = (
        f"Steps of {money(results.money_step)} {clean(results.currency)}; amounts that buy nothing new are omitted."
        f"{over} Each set is compared with the last one above it that was worth taking. Verdict: on the first goal "
        "that gains significantly and was not reached before. JND: just noticeable difference. All values come from "
        "the paths of the search; the best of many sets looks better than it is by about its error."
    )
    return Sheet("What more money buys", tuple(heads), rows, 4, note)


def target_sheet(results: PlanResults) -> Sheet:
    """The lowest cost that reaches each target."""
    rows = []
    for one in results.target_costs:
        measure = results.measure(one.measure)
        found = [None if mask is None else results.option(mask) for mask in (one.likely, one.certain)]
        sets = ["no set" if option is None else set_text(option, results) for option in found]
        prices = [NONE if option is None else money(option.cost) for option in found]
        rows.append((measure.label, *sets, near_miss(one, results), exact_amount(one.target, measure), *prices))
    heads = ("measure", "likely reached by", "certainly reached by", "cheaper, and misses it by less than its error",
             "target", "for", "for ")  # fmt: skip
    note = (
        f"In {clean(results.currency)}, whatever the budget. Likely: the value reaches the target. Certainly: the "
        "worse end of its 95 % interval does, Monte Carlo error alone."
    )
    return Sheet("The lowest cost that reaches each target", heads, tuple(rows), 4, note)


def _shown_contributions(results: PlanResults) -> list[ContributionTable]:
    """Of the first goals that change at all, for all candidates and for the plan."""
    chosen = []
    for of_plan in (False, True):
        tables = {table.measure: table for table in results.contributions if table.of_plan == of_plan}
        of_goals = [tables[one.name] for one in goal_measures(results) if one.name in tables]
        changing = [table for table in of_goals if table.together.is_significant]
        chosen += (changing or of_goals)[:2]
    return chosen


def contribution_sheet(results: PlanResults, table: ContributionTable) -> Sheet:
    """What each element contributes."""
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
        + ("" if table.of_plan else " Limits are ignored here.")
        + " Costs are without the fixed sum."
    )
    return Sheet(f"Contribution of each element {whose}: {measure.label}", heads, tuple(rows), 1, note)


def left_out_sheet(results: PlanResults) -> Sheet:
    """What the plan loses if something is left out."""

    def row(what: str, out: LeftOut) -> tuple[str, ...]:
        gone = " + ".join(results.members(out.before & ~out.after))
        before, after = results.option(out.before), results.option(out.after)
        hours, points = before.rigging_hours - after.rigging_hours, before.roof_points - after.roof_points
        saved = (money(before.cost - after.cost), f"{hours:g}", str(points))
        return (what, gone, *saved, *_changes(out.changes, results))

    rows = [row("by itself", out) for out in results.left_out]
    rows += [row(f"{place}.", out) for place, out in enumerate(results.left_out_in_turn, start=1)]
    heads = ("", "left out", f"saves,\n{clean(results.currency)}", "hours", "points",
             *(head_of(measure) for measure in goal_measures(results)))  # fmt: skip
    note = (
        "By itself: the plan without this element. Numbered: what to leave out first, second and so on if not all of "
        "it can be brought; each row is compared with the one before."
    )
    return Sheet("What can be left out", heads, tuple(rows), 2, note)


def robustness_sheet(results: PlanResults) -> Sheet:
    """Whether the choice remains with other absorption."""
    found = results.robustness
    measure = results.measure(found.measure)
    rows = [
        (
            case.case,
            "the same" if case.choice == results.proposed else members_text(case.choice, results) or "nothing",
            exact_amount(case.value, measure),
            exact_amount(case.behind, measure),
        )
        for case in found.cases
    ]
    note = f"Chosen among {found.n_sets} sets within the budget."
    if found.n_draws:
        note += (
            f" With every material drawn within its stated uncertainty ({found.n_draws} draws), the same set is "
            f"proposed in {100.0 * found.stays_proposed:.0f} % of the draws; in {100.0 * found.stays_as_good:.0f} % no "
            f"goal distinguishes it from the best set; in 95 % it is at most {exact_amount(found.behind, measure)} "
            "behind the best."
        )
    heads = ("if", "would be proposed", f"plan's\n{measure.label}", "behind\nthe best")
    return Sheet("If absorption differs from the tables", heads, tuple(rows), 2, note)


def retraced_sheet(results: PlanResults) -> Sheet:
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
        rows.append(tuple(cells))
    heads = ["set"]
    for measure in goal_measures(results):
        heads += [head_of(measure) + ",\nsearch", "traced\nagain", "differ by"]
    note = (
        "Differ by: the difference over its standard error; beyond about 3 it is hardly chance. The second paths were "
        "drawn for these sets alone, with other random numbers and surfaces divided more finely."
    )
    return Sheet("Traced again", tuple(heads), tuple(rows), 1, note)


def late_energy_sheet(results: PlanResults, origin: LateEnergyOrigin) -> Sheet:
    """From which surfaces the late energy comes."""
    whole = origin.square_metres.sum()

    def percent(share: float, half: float) -> str:
        return with_error(Interval(100.0 * share, 100.0 * half if math.isfinite(half) else 0.0), 0)

    rows = tuple(
        (
            row.surface,
            f"{row.square_metres:,.0f}",
            f"{100.0 * row.square_metres / whole:.0f}",
            *(percent(*cell) for cell in zip(row.share.ravel(), row.half_width.ravel())),
        )
        for row in late_energy_rows(origin)
    )
    heads = ["last surface", "m2", "% of\nall"]
    heads += [f"{area},\n{octaves}" for area in origin.area_names for octaves, _ in late_energy_columns(origin)]
    note = (
        f"Per cent of the energy that arrives more than {1000.0 * origin.after:.0f} ms after the first sound, by the "
        "surface that reflected it last. Cloth has most effect on surfaces with a larger share of this energy than of "
        "the area. Earlier reflections on the way are not considered."
    )
    title = f"Where late energy comes from: {set_text(results.option(origin.option), results)}"
    return Sheet(title, tuple(heads), rows, 1, note)


def new_lines_sheet(results: PlanResults) -> Sheet:
    """New lines where they would help most."""
    rows = []
    for line in results.new_lines:
        start, end = (f"({x:.2f}, {y:.2f})" for x, y in line.run)
        rows.append(
            (
                f"{start} to {end}",
                f"{line.drop:g} m drop, top {line.top:g} m, {line.fabric}",
                f"{line.square_metres:.0f}",
                f"{100.0 * line.late_share:.1f}",
                money(line.cost),
                *_changes(line.gains, results),
            )
        )
    heads = (
        "along the wall from", "as", "m2", "% of late\nenergy", f"about,\n{clean(results.currency)}",
        *(f"gain,\n{head_of(measure)}" for measure in goal_measures(results)),
    )  # fmt: skip
    note = (
        "Places from which most late energy comes per square metre, where no candidate hangs and no zone of the study "
        "is in the way. The gain is that of adding the line to the proposed plan; the price per square metre is that "
        "of the study's own cloth; limits are not checked. To evaluate one in full, write it into the elements file."
    )
    return Sheet("Where another line could hang", heads, tuple(rows), 2, note)
