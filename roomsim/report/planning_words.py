"""How the answer of a search is put into words and figures: for tables and pictures alike."""

from __future__ import annotations

import math
from collections.abc import Iterator

from .. import bands
from ..planning.results import BlameRecord, FigureRecord, Known, Option, PlanResults, ReachRecord
from .cautions import cautions_where
from .rows import Figure
from .tables import NONE, money, number, with_error

BLAME_COLUMNS = (("125 Hz", (1,)), ("500 Hz, 1 kHz", bands.MID), ("4 kHz", (6,)))
"""Octave bands of which the blame table shows shares."""
LEAST_BLAME = 0.02
"""Surfaces that send less than this share in every column are summed up in one row."""


def amount(known: Known, figure: FigureRecord, sign: bool = False, error: bool = True) -> str:
    """ "0.52 ± 0.01", "+12 ± 2 %", "−0.3 ± 0.1 s"."""
    scaled, most, unit = _scaled(known, figure)
    if not math.isfinite(scaled.value):
        return NONE
    text = with_error(scaled, most) if error else number(scaled, most)
    if sign and not text.startswith(("−", NONE)):
        text = "+" + text
    return f"{text} {unit}".rstrip()


def _scaled(known: Known, figure: FigureRecord) -> tuple[Figure, int, str]:
    factor = 100.0 if figure.unit == "%" else 1.0
    most = figure.decimals - 2 if figure.unit == "%" else figure.decimals
    return Figure(factor * known.value, factor * known.half_width), most, figure.unit


def input_part(known: Known, figure: FigureRecord) -> str:
    """Half the 95 % interval from absorption not being known better."""
    if known.input_half_width is None:
        return NONE
    factor = 100.0 if figure.unit == "%" else 1.0
    most = figure.decimals - 2 if figure.unit == "%" else figure.decimals
    return f"{factor * known.input_half_width:.{most}f}"


def set_text(option: Option, results: PlanResults) -> str:
    """The elements of a set, by their short names where these are codes."""
    short = short_names(results)
    return " + ".join(short[name] for name in option.elements) or f"{results.start}, nothing added"


def short_names(results: PlanResults) -> dict[str, str]:
    """Candidate -> the first word of its name where that is a code that no other has."""
    names = [candidate.name for candidate in results.candidates]
    first = [name.split()[0].rstrip(":,") for name in names]
    return {
        name: head if first.count(head) == 1 and any(c.isdigit() for c in head) else name
        for name, head in zip(names, first)
    }


def shown_figures(results: PlanResults) -> list[FigureRecord]:
    """Goals in their order, then the other figures that people ask for."""
    wanted = [goal.figure for goal in results.goals]
    wanted += [
        name for name in ("sti_worst_tenth", "sti_median", "t20_mid", "t20_bass") if name not in wanted
    ]
    return [results.figure(name) for name in wanted]


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


def head_of(figure: FigureRecord) -> str:
    """Head of a column."""
    return _HEADS[figure.name]


def summary(results: PlanResults) -> list[str]:
    """The answer in a few sentences."""
    plan, highest = results.plan, results.options[results.highest]
    limit = "" if results.budget is None else f" of {money(results.budget)}"
    goals = [results.figure(goal.figure) for goal in results.goals]

    def said(option: Option) -> str:
        return "; ".join(
            f"{figure.words} {amount(option.figures[figure.name], figure)} "
            f"({amount(option.gains[figure.name], figure, sign=True)})"
            for figure in goals
        )

    cost = f"{money(plan.cost)}{limit} {results.currency}"
    lines = [f"Proposed, within all limits: {set_text(plan, results)}, {cost}.", f"  {said(plan)}."]
    if results.highest != results.proposed:
        lines += [
            f"Highest within the budget: {set_text(highest, results)}, {money(highest.cost)} {results.currency}.",
            f"  {said(highest)}.",
            "  What it has over the proposed one is less than the tolerance of every goal: the ear or the error "
            "does not tell them apart, the money does.",
        ]
    lines += _targets(results)
    lines.append(
        f"In brackets: gain over '{results.start}'. ±: 95 %, chance of the rays only; both sets were traced anew, "
        "with other random numbers than the search."
    )
    return lines


def near_miss(reach: ReachRecord, results: PlanResults) -> str:
    """The cheapest set that misses a target by less than its error, and by how much."""
    if reach.near is None or reach.near_value is None:
        return NONE
    figure, option = results.figure(reach.figure), results.options[reach.near]
    missed = Known(abs(reach.near_value.value - reach.target), reach.near_value.half_width)
    return f"{set_text(option, results)} for {money(option.cost)}, by {amount(missed, figure)}"


def _targets(results: PlanResults) -> Iterator[str]:
    """What it takes to reach each target, and whether the proposed set misses it by less than its error."""
    for reach in results.reaches:
        figure = results.figure(reach.figure)
        target = f"{figure.words}, target {amount(Known(reach.target, 0.0), figure)}"
        likely = None if reach.likely is None else results.options[reach.likely]
        if likely is None:
            text = f"No set that keeps the limits reaches it ({target})"
            text += "." if reach.near is None else f"; nearest within the error: {near_miss(reach, results)}."
        else:
            is_proposed = reach.likely == results.proposed
            over = results.budget is not None and likely.cost > results.budget * (1.0 + 1e-9)
            text = (
                f"The cheapest set that reaches it ({target}): "
                + ("the proposed one" if is_proposed else set_text(likely, results))
                + f", {money(likely.cost)} {results.currency}"
                + (", which is over the budget" if over else "")
                + ("." if reach.sure == reach.likely else _certain(reach, results))
            )
        yield text
        found = results.plan.figures[reach.figure]
        gap = (figure.better or 1) * (reach.target - found.value)
        if 0.0 < gap <= found.half_width:
            missed = amount(Known(gap, found.half_width), figure)
            yield f"  The proposed set misses this target by {missed}: less than the error, so it may as well reach it."


def _certain(reach: ReachRecord, results: PlanResults) -> str:
    """What reaches a target with its whole interval."""
    if reach.sure is None:
        return "; none does so with its whole 95 % interval."
    sure = results.options[reach.sure]
    return f"; with its whole 95 % interval: {set_text(sure, results)}, {money(sure.cost)}."


def plan_cautions(results: PlanResults) -> list[str]:
    """What must be said wherever a plan is shown."""
    hung = any(candidate.hangs for candidate in results.candidates)
    return [
        "The search knows the limits and zones that the study names, and no others. A line that it proposes is a "
        "question to those who are responsible for the building, not an answer.",
        "Prices, hours and loads are the study's own.",
        *cautions_where(hung),
    ]


def blame_columns(record: BlameRecord) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Bands shown for each audience area: fewer where there are many areas."""
    n_areas = len(record.area_names)
    return BLAME_COLUMNS if n_areas <= 2 else BLAME_COLUMNS[:2] if n_areas == 3 else BLAME_COLUMNS[1:2]


def blame_rows(record: BlameRecord) -> list[tuple[str, float, list[list[tuple[float, float]]]]]:
    """Surface, m2, and for each audience area and column the share and half its interval; small ones in one
    row."""
    rows: list[tuple[str, float, list[list[tuple[float, float]]]]] = []
    columns = blame_columns(record)
    rest = [[[0.0, 0.0] for _ in columns] for _ in record.area_names]
    rest_metres = 0.0
    for k, name in enumerate(record.surfaces):
        shares = [
            [
                (
                    sum(record.share[a][k][b] for b in chosen) / len(chosen),
                    # Bands share their paths: their errors go together, and the mean of them is on the safe side.
                    sum(record.half_width[a][k][b] for b in chosen) / len(chosen),
                )
                for _, chosen in columns
            ]
            for a in range(len(record.area_names))
        ]
        if max(share for area in shares for share, _ in area) >= LEAST_BLAME:
            rows.append((name, record.square_metres[k], shares))
        else:
            rest_metres += record.square_metres[k]
            for a, area in enumerate(shares):
                for c, (share, _) in enumerate(area):
                    rest[a][c][0] += share
    if rest_metres:
        rows.append(("all others", rest_metres, [[(share, math.nan) for share, _ in area] for area in rest]))
    return rows
