"""Figures at the seats and over them, with the differences between scenarios."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate import Estimate
from ..metrics.common_seats import TIMES, seats_of_means
from ..metrics.replicated import (
    Replicated,
    SeatFunction,
    mean_of_seats,
    median_of_seats,
    quantile_of_seats,
    share_above,
)
from .pooled_errors import with_pooled_errors

STI = "speech_transmission_index"


@dataclass(frozen=True)
class Comparison:
    """Figures at the seats and over them, and their differences from the scenario that each is compared with."""

    seats: dict[str, Estimate]
    gains: dict[str, Estimate]
    room: dict[str, Estimate]
    room_gains: dict[str, Estimate]


def compare(
    figures: Mapping[str, Replicated], compare_with: Sequence[int] | np.ndarray, sti_target: float
) -> Comparison:
    """Estimates and differences, as the results of a study hold them, from replicated figures.

    All differences are formed in each replicate: Monte Carlo error that two scenarios share cancels in them.

    Parameters
    ----------
    figures : registry name -> (n_receivers, n_scenarios) or (n_receivers, n_scenarios, 8)
        With the speech transmission index among them.
    compare_with : (n_scenarios,)
        Index of the scenario that each is compared with.
    sti_target : float
        The lowest speech transmission index at which a seat meets the target.
    """
    references = list(compare_with)
    seats, gains, room, room_gains = {}, {}, {}, {}
    common = seats_of_means(figures)
    for name, replicated in figures.items():
        figure = in_double_precision(replicated)
        seats[name] = figure.estimate()
        gains[name] = figure.difference(figure.scenarios(references)).estimate()
        if name in TIMES:
            seats[name] = with_pooled_errors(seats[name])
        figure = figure.at(common.get(name))
        room[name] = figure.over_seats(mean_of_seats).estimate()
        # The mean of the differences, not the difference of the means: a seat for which one of the two scenarios has
        # no figure carries no information about their difference.
        room_gains[name] = figure.difference(figure.scenarios(references)).over_seats(mean_of_seats).estimate()
    for name, function in sti_statistics(sti_target).items():
        statistic = figures[STI].over_seats(function)
        room[name] = statistic.estimate()
        room_gains[name] = statistic.difference(statistic.scenarios(references))
    share = room["sti_share_of_seats"]
    # Removing the bias may carry a share slightly beyond 0 or 1.
    room["sti_share_of_seats"] = replace(share, value=np.clip(share.value, 0.0, 1.0))
    return Comparison(seats, gains, room, room_gains)


def in_double_precision(figure: Replicated) -> Replicated:
    """The figure with replicates in double precision. They are stored in single precision, which does not suffice for
    the jackknife: it multiplies differences between replicates by nineteen."""
    return Replicated(figure.full, figure.left_out.astype(np.float64, copy=False))


def sti_statistics(target: float) -> dict[str, SeatFunction]:
    """Statistics of the speech transmission index over the seats, by name."""
    return {
        "sti_median": median_of_seats,
        "sti_worst_tenth": quantile_of_seats(0.1),
        "sti_share_of_seats": share_above(target),
    }
