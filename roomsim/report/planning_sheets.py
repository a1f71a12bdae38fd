"""The tables of a search, as text: what can be had, what the next money buys, what matters, and why."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from ..planning.results import BlameRecord, Known, LeftOutRecord, PlanResults, ValueTable
from .planning_words import (
    amount,
    blame_columns,
    blame_rows,
    head_of,
    input_part,
    near_miss,
    set_text,
    short_names,
    shown_figures,
)
from .rows import Figure
from .tables import NONE, clean, money, with_error


@dataclass(frozen=True)
class Sheet:
    """One table: head, columns, rows of text, and what to say below it."""

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
    if results.reaches:
        yield reach_sheet(results)
    for table in _value_tables(results):
        yield value_sheet(results, table)
    if results.plan.elements:
        yield left_out_sheet(results)
    if results.robustness is not None:
        yield robustness_sheet(results)
    yield retraced_sheet(results)
    for record in results.blame:
        yield blame_sheet(results, record)
    if results.new_lines:
        yield new_lines_sheet(results)


def options_sheet(results: PlanResults) -> Sheet:
    """The finalists, by cost."""
    # More do not fit beside each other; the file holds them all.
    figures = shown_figures(results)[:5]
    first = figures[0]
    order = sorted(results.finalists, key=lambda i: results.options[i].cost)
    rows, strong = [], set()
    for place, i in enumerate(order):
        option = results.options[i]
        marks = [
            word
            for word, number_ in (("proposed", results.proposed), ("highest", results.highest))
            if i == number_
        ]
        if i == results.proposed:
            strong.add(place)
        rows.append(
            (
                ": ".join([*([", ".join(marks)] if marks else []), set_text(option, results)])
                + "".join(f" (over: {words})" for words in option.broken),
                money(option.cost),
                f"{option.rigging_hours:g}, {option.roof_points}",
                *(
                    amount(option.figures[figure.name], figure).replace(
                        f" {figure.unit}" if figure.unit == "s" else "\0", ""
                    )
                    for figure in figures
                ),
                amount(option.gains[first.name], first, sign=True),
                input_part(option.gains[first.name], first),
            )
        )
    heads = (
        "set", f"cost,\n{clean(results.currency)}", "rigging h,\nroof points",
        *(head_of(figure) for figure in figures), f"gain,\n{first.words.split(' with')[0]}", "±\ninput",
    )  # fmt: skip
    note = (
        "Traced anew for these sets alone. ±: 95 %, chance of the rays; input: 95 % from absorption not being "
        "known better, of the gain."
    )
    return Sheet("What can be had", heads, tuple(rows), 1, note, frozenset(strong))


def money_sheet(results: PlanResults) -> Sheet:
    """What the next amount of money buys."""
    figures = [results.figure(goal.figure) for goal in results.goals]
    short = short_names(results)
    rows = []
    for place, step in enumerate(results.steps[1:], start=1):
        option = results.options[step.option]
        swap = [f"+ {short[name]}" for name in step.came] + [f"− {short[name]}" for name in step.went]
        within = results.budget is None or option.cost <= results.budget * (1.0 + 1e-9)
        rows.append(
            (
                f"{place}. {set_text(option, results)}",
                f"{step.against}." if step.against else "start",
                " ".join(swap),
                step.verdict,
                money(step.money) + ("" if within else " *"),
                money(option.cost),
                *(
                    cell
                    for figure in figures
                    for cell in (
                        amount(step.figures[figure.name], figure, error=False),
                        amount(step.more[figure.name], figure, sign=True),
                    )
                ),
            )
        )
    heads = [
        "best set for it",
        "against",
        "change",
        "verdict",
        f"money,\n{clean(results.currency)}",
        "it\ncosts",
    ]
    for figure in figures:
        heads += [head_of(figure), "more"]
    over = " *: over the budget." if any("*" in row[4] for row in rows) else ""
    note = (
        f"Steps of {money(results.money_step)} {clean(results.currency)}; amounts that buy nothing new are left "
        f"out.{over} Each set is held against the last one above it that was worth taking. Verdict: of the first goal "
        "that is sure to gain and was not reached before. JND: just noticeable difference. All figures come from the "
        "paths of the search; the highest of many sets looks better than it is by about its error."
    )
    return Sheet("What the next money buys", tuple(heads), tuple(rows), 4, note)


def reach_sheet(results: PlanResults) -> Sheet:
    """The least that reaches each target."""
    rows = []
    for reach in results.reaches:
        figure = results.figure(reach.figure)
        target = amount(Known(reach.target, 0.0), figure)
        cells = []
        for number_ in (reach.likely, reach.sure):
            if number_ is None:
                cells += ["none does", NONE]
            else:
                option = results.options[number_]
                cells += [set_text(option, results), money(option.cost)]
        rows.append((figure.words, cells[0], cells[2], near_miss(reach, results), target, cells[1], cells[3]))
    heads = ("target", "likely reached by", "surely reached by", "cheaper, and missed by less than its error",
             "wanted", "for", "for ")  # fmt: skip
    note = (
        f"In {clean(results.currency)}, whatever the budget. Likely: the value reaches it. Surely: the worse end of "
        "its 95 % interval does, chance of the rays only."
    )
    return Sheet("The least that reaches a target", heads, tuple(rows), 4, note)


def _value_tables(results: PlanResults) -> list[ValueTable]:
    """Of the first goal that something moves, for all candidates and for the plan."""
    chosen = []
    for of_plan in (False, True):
        tables = {table.figure: table for table in results.values if table.of_plan == of_plan}
        wanted = [goal.figure for goal in results.goals if goal.figure in tables]
        moving = [name for name in wanted if tables[name].together.is_sure]
        chosen += [tables[name] for name in (moving or wanted)[:2]]
    return chosen


def value_sheet(results: PlanResults, table: ValueTable) -> Sheet:
    """What each element is worth."""
    figure = results.figure(table.figure)
    better = figure.better or 1
    rows = []
    for row in sorted(table.rows, key=lambda row: -better * _number(row.average.value)):
        per_1000 = Known(
            1000.0 * row.average.value / row.cost if row.cost else math.nan,
            1000.0 * row.average.half_width / row.cost if row.cost else math.nan,
        )
        rows.append(
            (
                row.element,
                money(row.cost),
                amount(row.alone, figure, sign=True),
                amount(row.average, figure, sign=True),
                amount(row.last, figure, sign=True),
                amount(per_1000, figure, sign=True),
            )
        )
    rows.append(("all together", "", "", amount(table.together, figure, sign=True), "", ""))
    whose = "of the proposed plan" if table.of_plan else "of all candidates"
    orders = "all orders" if table.n_orders is None else f"{table.n_orders} orders"
    heads = ("element", "costs", "alone", "on average", "as the last", "average\nper 1000")
    note = (
        f"Gain in {figure.words}. Alone: with nothing else hung. As the last: when all the others hang. On "
        f"average over {orders} in which they may be hung (Shapley); these add up to the whole."
        + ("" if table.of_plan else " Limits are left aside here.")
        + " Without the fixed sum."
    )
    title = f"What each element {whose} is worth: {figure.words}"
    return Sheet(title, heads, tuple(rows), 1, note)


def _number(value: float) -> float:
    return value if math.isfinite(value) else -math.inf


def left_out_sheet(results: PlanResults) -> Sheet:
    """What the plan loses if something stays at home."""
    figures = [results.figure(goal.figure) for goal in results.goals]

    def row(what: str, out: LeftOutRecord) -> tuple[str, ...]:
        return (
            what,
            " + ".join(out.elements),
            money(out.saves),
            f"{out.saves_hours:g}",
            str(out.saves_points),
            *(amount(out.more[figure.name], figure, sign=True) for figure in figures),
        )

    in_turn = [row(f"{place}.", out) for place, out in enumerate(results.left_out_in_turn, start=1)]
    rows = [*(row("by itself", out) for out in results.left_out), *in_turn]
    heads = (
        "",
        "left out",
        f"saves,\n{clean(results.currency)}",
        "hours",
        "points",
        *(head_of(figure) for figure in figures),
    )
    note = (
        "By itself: the plan without this. Numbered: what to leave out first, second, ... when the truck is short; "
        "each against the row before."
    )
    return Sheet("What can be left out", heads, tuple(rows), 2, note)


def robustness_sheet(results: PlanResults) -> Sheet:
    """Whether the choice stands with other absorption."""
    found = results.robustness
    assert found is not None
    figure = results.figure(found.figure)
    short = short_names(results)
    rows = [
        (
            case.case,
            "the same" if case.is_plan else " + ".join(short[name] for name in case.choice) or "nothing",
            amount(Known(case.value, 0.0), figure),
            amount(Known(case.behind, 0.0), figure),
        )
        for case in found.cases
    ]
    note = f"Choice among {found.n_sets} sets within the budget."
    if found.n_draws:
        note += (
            f" With every material drawn within its stated uncertainty ({found.n_draws} draws) the same set is "
            f"proposed in {100.0 * found.stays_proposed:.0f} %; in {100.0 * found.stays_as_good:.0f} % no goal tells "
            f"it from the best; in 95 % of the draws it is at most "
            f"{amount(Known(found.behind, 0.0), figure)} behind the best."
        )
    heads = ("if", "would be proposed", f"plan's\n{figure.words}", "behind\nthe best")
    return Sheet("If absorption is not what the tables say", heads, tuple(rows), 2, note)


def retraced_sheet(results: PlanResults) -> Sheet:
    """The finalists as the search saw them and as traced anew."""
    figures = [results.figure(goal.figure) for goal in results.goals]
    rows = []
    for record in results.retraced:
        option = results.options[record.option]
        cells = []
        for figure in figures:
            ratio = record.ratio[figure.name]
            cells += [
                amount(record.searched[figure.name], figure),
                amount(option.figures[figure.name], figure),
                f"{ratio:+.1f}".replace("-", "−") if math.isfinite(ratio) else NONE,
            ]
        rows.append((set_text(option, results), *cells))
    heads = ["set"]
    for figure in figures:
        heads += [head_of(figure) + ",\nsearched", "traced\nanew", "apart by"]
    note = (
        "Apart by: difference over its standard error; beyond some 3 it is no chance. The second paths were drawn for "
        "these sets alone, with other random numbers and surfaces divided further."
    )
    return Sheet("Traced anew", tuple(heads), tuple(rows), 1, note)


def blame_sheet(results: PlanResults, record: BlameRecord) -> Sheet:
    """Which surfaces the late energy comes off."""
    option = results.options[record.option]
    whole = sum(record.square_metres)

    def percent(share: float, half: float) -> str:
        return with_error(Figure(100.0 * share, 100.0 * half if math.isfinite(half) else 0.0), 0)

    rows = [
        (
            name,
            f"{metres:,.0f}",
            f"{100.0 * metres / whole:.0f}",
            *(percent(*cell) for area in shares for cell in area),
        )
        for name, metres, shares in blame_rows(record)
    ]
    heads = ["surface met last", "m2", "% of\nall"]
    heads += [f"{area},\n{words}" for area in record.area_names for words, _ in blame_columns(record)]
    note = (
        f"Per cent of the energy that comes later than {1000.0 * record.after:.0f} ms after the first sound, by the "
        "surface that it came off last. A surface with more of it than of the area is where cloth counts most; where "
        "the sound had been before is not asked."
    )
    return Sheet(
        f"Where late sound comes from: {set_text(option, results)}", tuple(heads), tuple(rows), 1, note
    )


def new_lines_sheet(results: PlanResults) -> Sheet:
    """New lines at the worst places."""
    figures = [results.figure(goal.figure) for goal in results.goals]
    rows = [
        (
            f"({line.run[0][0]:.2f}, {line.run[0][1]:.2f}) to ({line.run[1][0]:.2f}, {line.run[1][1]:.2f})",
            f"{line.drop:g} m drop, top {line.top:g} m, {line.fabric}",
            f"{line.square_metres:.0f}",
            f"{100.0 * line.late_share:.1f}",
            money(line.cost),
            *(amount(line.gains[figure.name], figure, sign=True) for figure in figures),
        )
        for line in results.new_lines
    ]
    heads = (
        "along the wall from", "as", "m2", "% of\nlate sound", f"about,\n{clean(results.currency)}",
        *(f"more,\n{head_of(figure)}" for figure in figures),
    )  # fmt: skip
    note = (
        "Places off which most late sound comes for each square metre, where no candidate hangs and no zone of the "
        "study is in the way. Added to the proposed plan, priced like the study's own cloth; limits are not looked at. "
        "To try one, write it into the elements file."
    )
    return Sheet("Where another line would go", heads, tuple(rows), 2, note)
