"""Decay times over the same seats, so that the means of one room can be read side by side."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .replicated import Replicated

TIMES = ("early_decay_time", "reverberation_time_t20", "reverberation_time_t30")
"""Names in the registry, from the part of the decay that most seats have to the one that fewest have."""

MADE_OF = {"curvature": TIMES[1:], "non_linearity": TIMES[2:]}
"""Figures that exist where these times do."""

LEAST_SHARE = 0.5
"""Of the seats that have any of the times."""


def common_seats(there: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The seats that a mean of each decay time is taken over: the same for all times of a scenario and band.

    Those seats at which all times can be evaluated. Where these are fewer than half of the seats that have any, the
    time that is missing at most seats is not given for the room, and so on.

    Parameters
    ----------
    there : some of `TIMES` -> (n_receivers, ...) bool, True where a seat has it

    Returns
    -------
    same names -> (n_receivers, ...) bool; False at all seats where a time is not given
    """
    names = [name for name in TIMES if name in there]
    present = np.stack([there[name] for name in names])
    enough = LEAST_SHARE * present.any(axis=0).sum(axis=0)
    n_seats = present.sum(axis=1)
    given = n_seats > 0
    for _ in names[1:]:
        common = (present | ~given[:, None]).all(axis=0)
        too_few = (common.sum(axis=0) < enough) & (given.sum(axis=0) > 1)
        # Of equals the later part of the decay goes.
        fewest = len(names) - 1 - np.where(given, n_seats, np.inf)[::-1].argmin(axis=0)
        given &= ~(too_few & (np.arange(len(names)).reshape(-1, *[1] * fewest.ndim) == fewest))
    common = (present | ~given[:, None]).all(axis=0)
    return {name: common & given[i] for i, name in enumerate(names)}


def seats_of_means(figures: Mapping[str, Replicated]) -> dict[str, np.ndarray]:
    """`common_seats` of the decay times among some figures, and of what is made of them: (n_receivers, ...) bool.

    Other figures are averaged over all seats that have them.
    """
    there = {
        name: np.isfinite(figures[name].full) & np.isfinite(figures[name].left_out).all(axis=0)
        for name in TIMES
        if name in figures
    }
    seats = common_seats(there) if there else {}
    for name, parts in MADE_OF.items():
        if name in figures and all(part in seats for part in parts):
            seats[name] = np.all([seats[part] for part in parts], axis=0)
    return seats
