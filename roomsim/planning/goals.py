"""The measures of sets of elements, and the goals of a study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .. import bands
from ..metrics.common_seats import TIMES, seats_of_means
from ..metrics.registry import METRICS
from ..metrics.replicated import Replicated, SeatFunction, SeatStatistic, mean_of_seats, quantile_of_seats
from ..study.compare import STI, in_double_precision, sti_statistics
from ..venue.document import Study
from .results import Goal, Measure

T20, LEVEL = "reverberation_time_t20", "a_weighted_level"
JND_TIME = 0.05
"""Of reverberation time, relative (ISO 3382-1:2009, Table A.1, given for the early decay time; from
memory)."""
JND_LEVEL = 1.0
"""dB (ISO 3382-1:2009, Table A.1, given for the sound strength; from memory)."""


@dataclass(frozen=True)
class SeatMeasure:
    """A measure of a set of elements, and how it is computed from a metric at the seats."""

    measure: Measure
    metric: str
    """Name in the registry of metrics."""
    statistic: SeatFunction
    """(n_receivers, n_sets) or (n_receivers, n_sets, 8) -> (n_sets,)."""
    low: float = -np.inf
    high: float = np.inf
    """The range of possible values; removing a bias may carry an estimate slightly beyond it."""


def measures_of(study: Study) -> dict[str, SeatMeasure]:
    """All measures of a set; those of the target curve only where the study has one."""
    targets, plan = study.document.targets, study.document.plan
    of_sti = sti_statistics(targets.sti)
    jnd = METRICS[STI].just_noticeable_difference
    share = Measure("sti_share_of_seats", f"seats with STI {targets.sti:.2f} or more", "%", 1, None, 2)
    worst = Measure("sti_worst_tenth", "STI of the worst tenth", "", 1, jnd, 3)
    median = Measure("sti_median", "STI of the median seat", "", 1, jnd, 3)
    spread = Measure("level_spread", "level spread over the seats", "dB", -1, JND_LEVEL, 1)
    rows = [
        SeatMeasure(share, STI, of_sti[share.name], 0.0, 1.0),
        SeatMeasure(worst, STI, of_sti[worst.name]),
        SeatMeasure(median, STI, of_sti[median.name]),
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
    """The level below which nine seats in ten lie, minus the level below which one in ten lies, dB."""
    return quantile_of_seats(0.9)(seats) - quantile_of_seats(0.1)(seats)


def _mean_time(chosen: Sequence[int]) -> SeatFunction:
    return lambda seats: mean_of_seats(seats)[..., list(chosen)].mean(axis=-1)


def _outside_curve(
    chosen: Sequence[int], most: Sequence[float], least: Sequence[float] | None
) -> SeatFunction:
    """Mean over some bands of the relative amount by which the mean time over the seats is outside the curve; 0 within
    it."""
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
    """Every measure from the metrics at the seats; decay times are averaged over the seats that have all of them."""
    common = seats_of_means(seats)
    exact = {name: in_double_precision(figure).at(common.get(name)) for name, figure in seats.items()}
    return {name: exact[row.metric].over_seats(row.statistic) for name, row in measures.items()}


def metrics_of(measures: Mapping[str, SeatMeasure]) -> list[str]:
    """Registry names that `statistics` needs: with all decay times, which determine the seats that are averaged."""
    return list(dict.fromkeys([*(row.metric for row in measures.values()), *TIMES]))


def goals_of(study: Study, measures: Mapping[str, SeatMeasure]) -> tuple[Goal, ...]:
    """The goals of a study, the most important first."""
    goals = []
    for goal in study.document.plan.goal:
        measure, target = measures[goal.figure].measure, goal.target
        if target is None and goal.figure == "sti_share_of_seats":
            target = study.document.targets.share_of_seats
        tolerance = (measure.noticeable or 0.0) if goal.tolerance is None else goal.tolerance
        goals.append(Goal(measure, target, tolerance))
    return tuple(goals)
