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

STI, T20, LEVEL = "speech_transmission_index", "reverberation_time_t20", "a_weighted_level"
JND_TIME = 0.05
"""Of reverberation time, relative (ISO 3382-1:2009, Table A.1, given for the early decay time; from
memory)."""
JND_LEVEL = 1.0
"""dB (ISO 3382-1:2009, Table A.1, given for the sound strength; from memory)."""


@dataclass(frozen=True)
class Figure:
    """A figure of a whole set of elements: a statistic over the seats."""

    name: str
    words: str
    unit: str
    """"%" for a share that tables show in per cent; empty for an index."""
    better: int
    """1 if more is better, -1 if less is, 0 if it depends."""
    noticeable: float | None
    """One just noticeable difference, in the figure's own measure; None where none is known."""
    decimals: int
    metric: str
    """Name in the registry of metrics."""
    statistic: SeatFunction
    """(n_receivers, n_sets) or (n_receivers, n_sets, 8) -> (n_sets,)."""
    low: float = -np.inf
    high: float = np.inf
    """Ends that no value can pass; taking a bias off may carry an estimate a little beyond."""


def figures_of(study: Study) -> dict[str, Figure]:
    """All figures of a set; those of the target curve only where the study has one."""
    targets, plan = study.document.targets, study.document.plan
    jnd = METRICS[STI].just_noticeable_difference

    def of_sti(name: str, words: str, statistic: SeatFunction) -> Figure:
        return Figure(name, words, "", 1, jnd, 3, STI, statistic)

    share = f"seats with STI {targets.sti:.2f} or more"
    rows = [
        Figure("sti_share_of_seats", share, "%", 1, None, 2, STI, share_above(targets.sti), 0.0, 1.0),
        of_sti("sti_worst_tenth", "STI of the worst tenth", quantile_of_seats(0.1)),
        of_sti("sti_median", "STI of the median seat", median_of_seats),
        Figure("level_spread", "level spread over the seats", "dB", -1, JND_LEVEL, 1, LEVEL, level_spread),
    ]
    for name, words, chosen in (
        ("mid", "500 Hz and 1 kHz", bands.MID),
        ("bass", "63 and 125 Hz", bands.BASS),
    ):
        time = Figure(f"t20_{name}", f"T20 at {words}", "s", 0, None, 2, T20, _mean_time(chosen))
        rows.append(time)
        if plan.reverberation_at_most is not None:
            outside = _outside_curve(chosen, plan.reverberation_at_most, plan.reverberation_at_least)
            text = f"reverberation outside the target curve, {words}"
            rows.append(Figure(f"reverberation_{name}", text, "%", -1, JND_TIME, 2, T20, outside, 0.0))
    return {row.name: row for row in rows}


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


def statistics(figures: Mapping[str, Figure], seats: Mapping[str, Replicated]) -> dict[str, SeatStatistic]:
    """Every figure from the metrics at the seats, with decay times over the seats that they have in common."""
    counted = seats_of_means(seats)
    exact = {
        name: Replicated(given.full, given.left_out.astype(np.float64, copy=False)).at(counted.get(name))
        for name, given in seats.items()
    }
    return {name: exact[figure.metric].over_seats(figure.statistic) for name, figure in figures.items()}


def metrics_of(figures: Mapping[str, Figure]) -> list[str]:
    """Registry names that `statistics` needs: all decay times, so that means are over the seats of the comparison."""
    return list(dict.fromkeys([*(figure.metric for figure in figures.values()), *TIMES]))


# --- preference -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Goal:
    """A figure that counts, with what is enough of it and which differences do not count."""

    figure: Figure
    target: float | None
    tolerance: float

    def worth(self, values: np.ndarray) -> np.ndarray:
        """More is better, and more than enough is no better; what cannot be evaluated is worst."""
        worth = self.figure.better * np.asarray(values, dtype=float)
        if self.target is not None:
            worth = np.minimum(worth, self.figure.better * self.target)
        return np.where(np.isfinite(worth), worth, -np.inf)

    def is_reached(self, value: float) -> bool:
        """Whether a value is enough; False without a target."""
        return self.target is not None and self.figure.better * (value - self.target) >= 0.0


def goals_of(study: Study, figures: Mapping[str, Figure]) -> tuple[Goal, ...]:
    """The goals of a study, the first counting most."""
    found = []
    for goal in study.document.plan.goal:
        figure, target = figures[goal.figure], goal.target
        if target is None and goal.figure == "sti_share_of_seats":
            target = study.document.targets.share_of_seats
        tolerance = (figure.noticeable or 0.0) if goal.tolerance is None else goal.tolerance
        found.append(Goal(figure, target, tolerance))
    return tuple(found)


HalfWidths = Callable[[str, int, Sequence[int]], np.ndarray]
"""Figure, a set, other sets -> half the 95 % interval of their differences to it."""


def equals(
    goals: Sequence[Goal], sets: Sequence[int], values: Mapping[str, np.ndarray], half_widths: HalfWidths
) -> list[int]:
    """The sets that no goal tells apart from the best, as places in `sets`.

    Goal after goal, sets that are worse than the best of those left by more than the goal's tolerance, and
    by more than chance explains, drop out.

    Parameters
    ----------
    values : figure -> (n_sets,)
    half_widths : see `HalfWidths`
    """
    left = list(range(len(sets)))
    for i, goal in enumerate(goals):
        worth = goal.worth(values[goal.figure.name])
        best = max(left, key=lambda k: tuple(g.worth(values[g.figure.name])[k] for g in goals[i:]))
        half = half_widths(goal.figure.name, sets[best], [sets[k] for k in left])
        within = np.maximum(goal.tolerance, np.nan_to_num(half, nan=0.0))
        behind = _behind(worth, best, left)
        left = [k for k, gap, room in zip(left, behind, within) if gap <= room or k == best]
    return left


def proposed(
    goals: Sequence[Goal],
    sets: Sequence[int],
    values: Mapping[str, np.ndarray],
    half_widths: HalfWidths,
    burden: Sequence[tuple[float, ...]],
) -> int:
    """The one of `sets` that asks least among those that no goal tells apart from the best; see `equals`.

    Parameters
    ----------
    burden : (n_sets,) what decides in the end, the least first: cost, hours, number of elements
    """
    left = equals(goals, sets, values, half_widths)
    return sets[min(left, key=lambda k: (burden[k], sets[k]))]


def _behind(worth: np.ndarray, best: int, left: Sequence[int]) -> np.ndarray:
    if not np.isfinite(worth[best]):
        return np.zeros(len(left))
    return worth[best] - worth[list(left)]


def ranking(goals: Sequence[Goal], values: Mapping[str, np.ndarray], cost: np.ndarray) -> np.ndarray:
    """(n_sets,) indices, the highest first: by the first goal, where that is equal by the next; then by
    cost."""
    keys = [np.round(cost, 6)]
    keys += [-goal.worth(values[goal.figure.name]) for goal in reversed(goals)]
    return np.lexsort(keys)
