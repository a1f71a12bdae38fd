"""Texts and numbers about the result of a search, for tables and pictures."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

from ..planning.results import Measure, Option, PlanResults, TargetCost
from ..results.interval import Interval
from ..words import short_names
from .cautions import caution_texts
from .values import NONE, decimal, money, number, with_error


def display_factor(measure: Measure) -> float:
    """Factor by which values are multiplied for display: 100 for shares in per cent."""
    return 100.0 if measure.unit == "%" else 1.0


def _decimals(measure: Measure) -> int:
    return measure.decimals - 2 if measure.unit == "%" else measure.decimals


def amount(interval: Interval, measure: Measure, sign: bool = False, error: bool = True, unit: bool = True) -> str:
    """ "0.52 ± 0.01", "+12 ± 2 %", "−0.3 ± 0.1 s"."""
    if not math.isfinite(interval.value):
        return NONE
    text = (with_error if error else number)(interval.scaled(display_factor(measure)), _decimals(measure), sign)
    return f"{text} {measure.unit}".rstrip() if unit else text


def exact_amount(value: float, measure: Measure) -> str:
    """A value without an error."""
    return amount(Interval(value, 0.0), measure)


def input_part(interval: Interval, measure: Measure) -> str:
    """Half the 95 % interval that is due to the uncertainty of absorption."""
    if interval.input_half_width is None:
        return NONE
    return decimal(display_factor(measure) * interval.input_half_width, _decimals(measure))


def set_text(option: Option, results: PlanResults) -> str:
    """The elements of a set, by their short names."""
    return elements_text(option.elements, results) or f"{results.start}, nothing added"


def elements_text(names: Iterable[str], results: PlanResults) -> str:
    """Some candidates, by their short names."""
    short = candidate_short_names(results)
    return " + ".join(short[name] for name in names)


def candidate_short_names(results: PlanResults) -> dict[str, str]:
    """Candidate -> its short name."""
    return short_names(candidate.name for candidate in results.candidates)


def goal_measures(results: PlanResults) -> list[Measure]:
    """The measures of the goals, in the order of the goals."""
    return [goal.measure for goal in results.goals]


def shown_measures(results: PlanResults) -> list[Measure]:
    """The measures of the goals, followed by the other measures that are often needed."""
    names = [measure.name for measure in goal_measures(results)]
    names += ["sti_worst_tenth", "sti_median", "t20_mid", "t20_bass"]
    return [results.measure(name) for name in dict.fromkeys(names)]


_HEADS = {
    "sti_share_of_seats": "seats\nserved",
    "sti_worst_tenth": "STI, worst\ntenth",
    "sti_median": "STI, median\nseat",
    "level_spread": "level\nspread",
    "t20_mid": "T20, s\n500–1k",
    "t20_bass": "T20, s\n63–125",
    "reverberation_mid": "off curve\n500–1k",
    "reverberation_bass": "off curve\n63–125",
}


def column_head(measure: Measure) -> str:
    """Head of the column of a measure."""
    return _HEADS[measure.name]


def summary(results: PlanResults) -> list[str]:
    """The result in a few sentences."""
    plan, highest = results.plan, results.option(results.highest)
    limit = "" if results.budget is None else f" of {money(results.budget)}"

    def goal_values(option: Option) -> str:
        return "; ".join(
            f"{measure.label} {amount(option.values[measure.name], measure)} "
            f"({amount(option.gains[measure.name], measure, sign=True)})"
            for measure in goal_measures(results)
        )

    cost = f"{money(plan.cost)}{limit} {results.currency}"
    lines = [f"Proposed, within all limits: {set_text(plan, results)}, {cost}.", f"  {goal_values(plan)}."]
    if results.highest != results.proposed:
        lines += [
            f"Best values within the budget: {set_text(highest, results)}, {money(highest.cost)} {results.currency}.",
            f"  {goal_values(highest)}.",
            "  Its advantage over the proposed set is within the tolerance of every goal or within the error, so the "
            "set that demands less is proposed.",
        ]
    lines += _targets(results)
    lines.append(
        f"In brackets: gain over '{results.start}'. ±: 95 % interval of the Monte Carlo error only. The sets were "
        "traced again with random numbers that differ from those of the search."
    )
    return lines


def near_miss(one: TargetCost, results: PlanResults) -> str:
    """The cheapest set that misses a target by less than its error, and the amount by which it misses it."""
    if one.near is None:
        return NONE
    option = results.option(one.near)
    value = option.searched[one.measure]
    missed = Interval(abs(value.value - one.target), value.half_width)
    by = amount(missed, results.measure(one.measure))
    return f"{set_text(option, results)} for {money(option.cost)}, by {by}"


def _targets(results: PlanResults) -> Iterator[str]:
    """The cheapest set that reaches each target, and whether the proposed set misses it by less than its error."""
    for one in results.target_costs:
        measure = results.measure(one.measure)
        target = f"{measure.label}, target {exact_amount(one.target, measure)}"
        if one.likely is None:
            near = "" if one.near is None else f" Within the error it is reached by {near_miss(one, results)}."
            yield f"No set that keeps the limits reaches the target ({target}).{near}"
        else:
            likely = results.option(one.likely)
            name = "the proposed one" if one.likely == results.proposed else set_text(likely, results)
            over = "" if results.is_within_budget(likely.cost) else ", which is over the budget"
            certain = "." if one.certain == one.likely else _certainly_reached(one, results)
            cost = f"{money(likely.cost)} {results.currency}"
            yield f"The cheapest set that reaches the target ({target}): {name}, {cost}{over}{certain}"
        value = results.plan.values[one.measure]
        gap = (measure.better or 1) * (one.target - value.value)
        if 0.0 < gap <= value.half_width:
            missed = amount(Interval(gap, value.half_width), measure)
            yield f"  The proposed set misses this target by {missed}, less than the error: it may reach it."


def _certainly_reached(one: TargetCost, results: PlanResults) -> str:
    """The cheapest set that reaches a target with its whole interval."""
    if one.certain is None:
        return "; no set reaches it with its whole 95 % interval."
    certain = results.option(one.certain)
    return f"; with its whole 95 % interval: {set_text(certain, results)}, {money(certain.cost)}."


def search_notes(results: PlanResults) -> list[str]:
    """How close the proposed set is known to be to the best possible set."""
    search = results.search
    if search.is_exhaustive:
        return [
            f"All {search.n_possible:,} sets that keep the limits (the budget apart) were evaluated, so there is no "
            "better one. The order of sets that are equal within their error is random."
        ]
    measure = search.goal.measure
    of = f" of {search.n_possible:,} that keep the limits (the budget apart)" if search.n_possible else ""
    notes = [
        f"{search.n_evaluated:,} sets were evaluated{of}, chosen by a fitted model and by exchanging elements. A "
        "better one may have been missed."
    ]
    if search.is_local_best:
        notes.append("No addition, removal or exchange of a single element within the limits is better.")
    notes.append(
        f"At sets to which it was not fitted, the model is wrong by {_points(search.surrogate_error, measure)} in "
        f"{measure.label} (root mean square)."
    )
    if math.isfinite(search.bound):
        share = search.diminishing
        observed = "" if math.isnan(share) else f" (true in {100.0 * share:.0f} % of the observed cases)"
        notes.append(
            f"If no element adds more to a larger set than to a smaller one{observed}, no allowed set is better than "
            f"the best found by more than {_points(search.bound, measure)} in {measure.label}."
        )
    return notes


def _points(value: float, measure: Measure) -> str:
    if measure.unit == "%":
        return f"{100.0 * value:.1f} percentage points"
    return f"{value:.{measure.decimals}f} {measure.unit}".rstrip()


def plan_cautions(results: PlanResults) -> list[str]:
    """The cautions that accompany every treatment plan."""
    return [
        "The search considers only the limits and zones that are stated in the study. Those responsible for the "
        "building must approve every line that it proposes.",
        "Prices, hours and loads are taken from the study.",
        *caution_texts(any(candidate.hangs for candidate in results.candidates)),
    ]
