"""How the answer of a search is worded and its values are written: for tables and pictures alike."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .. import bands
from ..planning.results import LateEnergyOrigin, Measure, Option, PlanResults, TargetCost
from ..results.interval import Interval
from .cautions import cautions_where
from .values import NONE, decimal, money, number, with_error

LATE_COLUMNS = (("125 Hz", (1,)), ("500 Hz, 1 kHz", bands.MID), ("4 kHz", (6,)))
"""Octave bands of which the table of late energy shows shares."""
LEAST_SHARE = 0.02
"""Surfaces that send less than this share in every column are summed up in one row."""


def factor_of(measure: Measure) -> float:
    """What values are multiplied by where they are shown."""
    return 100.0 if measure.unit == "%" else 1.0


def _decimals(measure: Measure) -> int:
    return measure.decimals - 2 if measure.unit == "%" else measure.decimals


def amount(
    interval: Interval, measure: Measure, sign: bool = False, error: bool = True, unit: bool = True
) -> str:
    """ "0.52 ± 0.01", "+12 ± 2 %", "−0.3 ± 0.1 s"."""
    if not math.isfinite(interval.value):
        return NONE
    factor = factor_of(measure)
    text = (with_error if error else number)(interval.scaled(factor), _decimals(measure), sign)
    return f"{text} {measure.unit}".rstrip() if unit else text


def exact_amount(value: float, measure: Measure) -> str:
    """A value without an error."""
    return amount(Interval(value, 0.0), measure)


def input_part(interval: Interval, measure: Measure) -> str:
    """Half the 95 % interval from the uncertainty of absorption."""
    if interval.input_half_width is None:
        return NONE
    return decimal(factor_of(measure) * interval.input_half_width, _decimals(measure))


def set_text(option: Option, results: PlanResults) -> str:
    """The elements of a set, by their short names where these are codes."""
    return " + ".join(_shortened(option.elements, results)) or f"{results.start}, nothing added"


def members_text(elements: int, results: PlanResults) -> str:
    """The candidates in a set, by their short names."""
    return " + ".join(_shortened(results.members(elements), results))


def _shortened(names: tuple[str, ...], results: PlanResults) -> list[str]:
    short = short_names(results)
    return [short[name] for name in names]


def short_names(results: PlanResults) -> dict[str, str]:
    """Candidate -> the first word of its name where that is a code that no other has."""
    names = [candidate.name for candidate in results.candidates]
    first = [name.split()[0].rstrip(":,") for name in names]
    return {
        name: head if first.count(head) == 1 and any(c.isdigit() for c in head) else name
        for name, head in zip(names, first)
    }


def goal_measures(results: PlanResults) -> list[Measure]:
    """The measures of the goals, in their order."""
    return [goal.measure for goal in results.goals]


def shown_measures(results: PlanResults) -> list[Measure]:
    """Those of the goals in their order, then the others that people ask for."""
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


def head_of(measure: Measure) -> str:
    """Head of a column."""
    return _HEADS[measure.name]


def summary(results: PlanResults) -> list[str]:
    """The answer in a few sentences."""
    plan, highest = results.plan, results.option(results.highest)
    limit = "" if results.budget is None else f" of {money(results.budget)}"

    def values(option: Option) -> str:
        return "; ".join(
            f"{measure.label} {amount(option.values[measure.name], measure)} "
            f"({amount(option.gains[measure.name], measure, sign=True)})"
            for measure in goal_measures(results)
        )

    cost = f"{money(plan.cost)}{limit} {results.currency}"
    lines = [f"Proposed, within all limits: {set_text(plan, results)}, {cost}.", f"  {values(plan)}."]
    if results.highest != results.proposed:
        lines += [
            f"Best values within the budget: {set_text(highest, results)}, {money(highest.cost)} {results.currency}.",
            f"  {values(highest)}.",
            "  Its advantage over the proposed set is within the tolerance of every goal or within the error, so the "
            "set that demands less is proposed.",
        ]
    lines += _targets(results)
    lines.append(
        f"In brackets: gain over '{results.start}'. ±: 95 % interval of the Monte Carlo error alone. The sets were "
        "traced again with other random numbers than those of the search."
    )
    return lines


def near_miss(one: TargetCost, results: PlanResults) -> str:
    """The cheapest set that misses a target by less than its error, and by how much."""
    if one.near is None:
        return NONE
    option = results.option(one.near)
    value = option.searched[one.measure]
    missed = Interval(abs(value.value - one.target), value.half_width)
    by = amount(missed, results.measure(one.measure))
    return f"{set_text(option, results)} for {money(option.cost)}, by {by}"


def _targets(results: PlanResults) -> Iterator[str]:
    """What it takes to reach each target, and whether the proposed set misses it by less than its error."""
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
            certain = "." if one.certain == one.likely else _certain(one, results)
            cost = f"{money(likely.cost)} {results.currency}"
            yield f"The cheapest set that reaches the target ({target}): {name}, {cost}{over}{certain}"
        value = results.plan.values[one.measure]
        gap = (measure.better or 1) * (one.target - value.value)
        if 0.0 < gap <= value.half_width:
            missed = amount(Interval(gap, value.half_width), measure)
            yield f"  The proposed set misses this target by {missed}, less than the error: it may well reach it."


def _certain(one: TargetCost, results: PlanResults) -> str:
    """What reaches a target with its whole interval."""
    if one.certain is None:
        return "; no set reaches it with its whole 95 % interval."
    certain = results.option(one.certain)
    return f"; with its whole 95 % interval: {set_text(certain, results)}, {money(certain.cost)}."


def search_notes(results: PlanResults) -> list[str]:
    """How near to the best possible set the answer is known to be."""
    search = results.search
    if search.is_exhaustive:
        return [
            f"All {search.n_possible:,} sets that keep the limits (the budget apart) were evaluated, so there is no "
            "better one. Which of several sets that are equal within their error comes first is chance."
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
        seen = "" if math.isnan(share) else f" (true in {100.0 * share:.0f} % of the cases seen)"
        notes.append(
            f"If no element adds more to a larger set than to a smaller one{seen}, no allowed set is better than the "
            f"best found by more than {_points(search.bound, measure)} in {measure.label}."
        )
    return notes


def _points(value: float, measure: Measure) -> str:
    if measure.unit == "%":
        return f"{100.0 * value:.1f} percentage points"
    return f"{value:.{measure.decimals}f} {measure.unit}".rstrip()


def plan_cautions(results: PlanResults) -> list[str]:
    """The cautions that go with every plan."""
    hung = any(candidate.hangs for candidate in results.candidates)
    return [
        "The search knows only the limits and zones that the study states. Those who are responsible for the building "
        "must approve every line that it proposes.",
        "Prices, hours and loads are taken from the study.",
        *cautions_where(hung),
    ]


@dataclass(frozen=True)
class LateEnergyRow:
    """Late energy reflected last from one surface, or from several small ones."""

    surface: str
    square_metres: float
    share: np.ndarray
    """(n_areas, n_columns)."""
    half_width: np.ndarray
    """Half the 95 % interval of `share`; NaN for several surfaces."""


def late_energy_columns(origin: LateEnergyOrigin) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Bands shown for each audience area: fewer where there are many areas."""
    n_areas = len(origin.area_names)
    return LATE_COLUMNS if n_areas <= 2 else LATE_COLUMNS[:2] if n_areas == 3 else LATE_COLUMNS[1:2]


def late_energy_rows(origin: LateEnergyOrigin) -> list[LateEnergyRow]:
    """A row for each surface, the largest share first; small ones in one row."""
    chosen = [list(octaves) for _, octaves in late_energy_columns(origin)]
    # Bands share their paths, so that their errors go together: the mean of the errors is on the safe side.
    share, half = (
        np.stack([of[..., octaves].mean(axis=-1) for octaves in chosen], axis=-1)
        for of in (origin.share, origin.half_width)
    )
    is_shown = share.max(axis=(0, 2)) >= LEAST_SHARE
    rows = [
        LateEnergyRow(origin.surfaces[k], float(origin.square_metres[k]), share[:, k], half[:, k])
        for k in np.flatnonzero(is_shown)
    ]
    metres = float(origin.square_metres[~is_shown].sum())
    if metres:
        rest = share[:, ~is_shown].sum(axis=1)
        rows.append(LateEnergyRow("all others", metres, rest, np.full_like(rest, np.nan)))
    return rows
