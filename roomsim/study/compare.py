"""Figures at the seats and over them, with the differences between scenarios."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate import Estimate
from ..metrics.common_seats import TIMES, seats_of_means
from ..metrics.replicated import (
    Replicated,
    SeatStatistic,
    mean_of_seats,
    median_of_seats,
    quantile_of_seats,
    share_above,
)
from .pooled_errors import with_pooled_errors

STI = "speech_transmission_index"


@dataclass(frozen=True)
class Comparison:
    """Figures at the seats and over them, with the differences that each scenario is judged by."""

    seats: dict[str, Estimate]
    gains: dict[str, Estimate]
    room: dict[str, Estimate]
    room_gains: dict[str, Estimate]


def compare(
    figures: Mapping[str, Replicated], compare_with: Sequence[int] | np.ndarray, sti_target: float
) -> Comparison:
    """From replicated figures to the estimates and differences that a finished study keeps.

    All differences are formed in each replicate: Monte Carlo error that two scenarios share drops out of their
    errors.

    Parameters
    ----------
    figures : registry name -> (n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8)
        With the speech transmission index among them.
    compare_with : (n_scenarios,)
        Index of the scenario that each is measured against.
    sti_target : float
        A seat counts as served from this speech transmission index on.
    """
    references = list(compare_with)
    seats, gains, room, room_gains = {}, {}, {}, {}
    counted = seats_of_means(figures)
    for name, given in figures.items():
        # The engine keeps replicates in single precision; nineteen times a difference of them needs more.
        figure = Replicated(given.full, given.left_out.astype(np.float64, copy=False))
        seats[name] = figure.estimate()
        gains[name] = figure.difference(figure.scenarios(references)).estimate()
        if name in TIMES:
            seats[name] = with_pooled_errors(seats[name])
        figure = figure.at(counted.get(name))
        room[name] = figure.over_seats(mean_of_seats).estimate()
        # The mean of the differences, not the difference of the means: a seat that one of the two scenarios
        # leaves without a figure says nothing about their difference.
        room_gains[name] = figure.difference(figure.scenarios(references)).over_seats(mean_of_seats).estimate()
    for name, statistic in _over_seats(figures[STI], sti_target).items():
        room[name] = statistic.estimate()
        room_gains[name] = statistic.difference(statistic.scenarios(references))
    share = room["sti_share_of_seats"]
    # Taking the bias off may carry a share a little over the edge.
    room["sti_share_of_seats"] = replace(share, value=np.clip(share.value, 0.0, 1.0))
    return Comparison(seats, gains, room, room_gains)


def _over_seats(sti: Replicated, target: float) -> dict[str, SeatStatistic]:
    return {
        "sti_median": sti.over_seats(median_of_seats),
        "sti_worst_tenth": sti.over_seats(quantile_of_seats(0.1)),
        "sti_share_of_seats": sti.over_seats(share_above(target)),
    }
