"""What plans are judged by, and which of two is preferred: by priorities, never by weights."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .. import bands
from ..metrics.common_seats import TIMES, seats_of_means
from ..metrics.registry import METRICS
from ..metrics.replicated import (
    Replicated,
    SeatFunction,
    SeatStatistic,
    mean_of_seats,
    median_of_seats,
    quantile_of_seats,
    share_above,
)
from ..venue.document import Study
from .results import Goal, Measure

STI, T20, LEVEL = "speech_transmission_index", "reverberation_time_t20", "a_weighted_level"
JND_TIME = 0.05
"""Of reverberation time, relative (ISO 3382-1:2009, Table A.1, given for the early decay time; from
memory)."""
JND_LEVEL = 1.0
"""dB (ISO 3382-1:2009, Table A.1, given for the sound strength; from memory)."""


@dataclass(frozen=True)
class SeatMeasure:
    """How a measure of a whole set of elements follows from a metric at the seats."""

    measure: Measure
    metric: str
    """Name in the registry of metrics."""
    statistic: SeatFunction
    """(n_receivers, n_sets) or (n_receivers, n_sets, 8) -> (n_sets,)."""
    low: float = -np.inf
    high: float = np.inf
    """Ends that no value can pass; removing a bias may carry an estimate slightly beyond."""


def measures_of(study: Study) -> dict[str, SeatMeasure]:
    """All measures of a set; those of the target curve only where the study has one."""
    targets, plan = study.document.targets, study.document.plan
    jnd = METRICS[STI].just_noticeable_difference
    share = Measure("sti_share_of_seats", f"seats with STI {targets.sti:.2f} or more", "%", 1, None, 2)
    worst = Measure("sti_worst_tenth", "STI of the worst tenth", "", 1, jnd, 3)
    median = Measure("sti_median", "STI of the median seat", "", 1, jnd, 3)
    spread = Measure("level_spread", "level spread over the seats", "dB", -1, JND_LEVEL, 1)
    rows = [
        SeatMeasure(share, STI, share_above(targets.sti), 0.0, 1.0),
        SeatMeasure(worst, STI, quantile_of_seats(0.1)),
        SeatMeasure(median, STI, median_of_seats),
        SeatMeasure(spread, LEVEL, level_spread),
    ]
    for name, octaves, chosen in (("mid", "500 Hz and 1 kHz", bands.MID), ("bass", "63 and 125 Hz", bands.BASS)):
        time = Measure(f"t20_{name}", f"T20 at {octaves}", "s", 0, None, 2)
        rows.append(SeatMeasure(time, T20, _mean_time(chosen)))
        if plan.reverberation_at_most is not None:
            label = f"reverberation outside the target curve, {octaves}"
            outside = _outside_curve(chosen, plan.reverberation_at_most, plan.reverberation_at_least)
            measure = Measure(f"reverberation_{name}", label, "%", -1, JND_TIME, 2)
            rows.append(SeatMeasure(measure, T20, outside, 0.0))
    return {row.measure.name: row for row in rows}


def level_spread(seats: np.ndarray) -> np.ndarray:
    """Level below which nine seats in ten lie, minus that below which one in ten lies, dB."""
    return quantile_of_seats(0.9)(seats) - quantile_of_seats(0.1)(seats)


def _mean_time(chosen: Sequence[int]) -> SeatFunction:
    return lambda seats: mean_of_seats(seats)[..., list(chosen)].mean(axis=-1)


def _outside_curve(
    chosen: Sequence[int], most: Sequence[float], least: Sequence[float] | None
) -> SeatFunction:
    """Mean over some bands of the share by which the mean time over the seats leaves the curve; 0
    within."""
    upper = np.array(most)[list(chosen)]
    lower = np.zeros(len(upper)) if least is None else np.array(least)[list(chosen)]

    def outside(seats: np.ndarray) -> np.ndarray:
        time = mean_of_seats(seats)[..., list(chosen)]
        over = np.maximum(time / upper - 1.0, 0.0)
        under = np.where(lower > 0.0, np.maximum(1.0 - time / np.where(lower > 0.0, lower, 1.0), 0.0), 0.0)
        return np.maximum(over, under).mean(axis=-1)

    return outside


def statistics(
    measures: Mapping[str, SeatMeasure], seats: Mapping[str, Replicated]
) -> dict[str, SeatStatistic]:
    """Every measure from the metrics at the seats, with decay times over the seats that they have in common."""
    counted = seats_of_means(seats)
    exact = {
        name: Replicated(given.full, given.left_out.astype(np.float64, copy=False)).at(counted.get(name))
        for name, given in seats.items()
    }
    return {name: exact[row.metric].over_seats(row.statistic) for name, row in measures.items()}


def metrics_of(measures: Mapping[str, SeatMeasure]) -> list[str]:
    """Registry names that `statistics` needs: all decay times, so that means are over the seats of the comparison."""
    return list(dict.fromkeys([*(row.metric for row in measures.values()), *TIMES]))


# --- preference -----------------------------------------------------------------------------------------


def goals_of(study: Study, measures: Mapping[str, SeatMeasure]) -> tuple[Goal, ...]:
    """The goals of a study, the first counting most."""
    found = []
    for goal in study.document.plan.goal:
        measure, target = measures[goal.figure].measure, goal.target
        if target is None and goal.figure == "sti_share_of_seats":
            target = study.document.targets.share_of_seats
        tolerance = (measure.noticeable or 0.0) if goal.tolerance is None else goal.tolerance
        found.append(Goal(measure, target, tolerance))
    return tuple(found)


HalfWidths = Callable[[str, int, Sequence[int]], np.ndarray]
"""Measure, a set, other sets -> half the 95 % interval of their differences to it."""


def equals(
    goals: Sequence[Goal], sets: Sequence[int], values: Mapping[str, np.ndarray], half_widths: HalfWidths
) -> list[int]:
    """The sets that no goal distinguishes from the best, as places in `sets`.

    Goal after goal, sets that are worse than the best of those left by more than the goal's tolerance, and
    by more than the Monte Carlo error explains, drop out.

    Parameters
    ----------
    values : measure -> (n_sets,)
    half_widths : see `HalfWidths`
    """
    left = list(range(len(sets)))
    for i, goal in enumerate(goals):
        worth = goal.worth(values[goal.measure.name])
        best = max(left, key=lambda k: tuple(g.worth(values[g.measure.name])[k] for g in goals[i:]))
        half = half_widths(goal.measure.name, sets[best], [sets[k] for k in left])
        within = np.maximum(goal.tolerance, np.nan_to_num(half, nan=0.0))
        # If nothing can be evaluated, nothing is behind.
        behind = worth[best] - worth[left] if np.isfinite(worth[best]) else np.zeros(len(left))
        left = [k for k, gap, room in zip(left, behind, within) if gap <= room or k == best]
    return left


def proposed(
    goals: Sequence[Goal],
    sets: Sequence[int],
    values: Mapping[str, np.ndarray],
    half_widths: HalfWidths,
    burden: Sequence[tuple[float, ...]],
) -> int:
    """The least demanding of the sets that no goal distinguishes from the best; see `equals`.

    Parameters
    ----------
    burden : (n_sets,) by which these are compared: cost, hours, number of elements
    """
    left = equals(goals, sets, values, half_widths)
    return sets[min(left, key=lambda k: (burden[k], sets[k]))]


def ranking(goals: Sequence[Goal], values: Mapping[str, np.ndarray], cost: np.ndarray) -> np.ndarray:
    """(n_sets,) indices, the highest first: by the first goal, where that is equal by the next; then by
    cost."""
    keys = [np.round(cost, 6)]
    keys += [-goal.worth(values[goal.measure.name]) for goal in reversed(goals)]
    return np.lexsort(keys)
