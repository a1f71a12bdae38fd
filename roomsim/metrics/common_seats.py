"""Decay times over the same seats, so that their means can be compared with each other."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .replicated import Replicated

TIMES = ("early_decay_time", "reverberation_time_t20", "reverberation_time_t30")
"""Names in the registry, from the range that can be evaluated at most seats to that evaluated at the fewest."""

MADE_OF = {"curvature": TIMES[1:], "non_linearity": TIMES[2:]}
"""Figures that can be evaluated where these times can."""

LEAST_SHARE = 0.5
"""Smallest share of the seats at which any of the times can be evaluated."""


def common_seats(evaluable: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The seats over which each decay time is averaged: the same for all times of a scenario and band.

    These are the seats at which all times can be evaluated. Where they are fewer than half of the seats with any time,
    the mean of the time that is missing at most seats is not reported, and so on.

    Parameters
    ----------
    evaluable : some of `TIMES` -> (n_receivers, ...) bool, True where it can be evaluated

    Returns
    -------
    same names -> (n_receivers, ...) bool; False at all seats where the mean of a time is not reported
    """
    names = [name for name in TIMES if name in evaluable]
    present = np.stack([evaluable[name] for name in names])
    enough = LEAST_SHARE * present.any(axis=0).sum(axis=0)
    n_seats = present.sum(axis=1)
    is_reported = n_seats > 0
    for _ in names[1:]:
        common = (present | ~is_reported[:, None]).all(axis=0)
        too_few = (common.sum(axis=0) < enough) & (is_reported.sum(axis=0) > 1)
        # Of equals, the later part of the decay is omitted.
        fewest = len(names) - 1 - np.where(is_reported, n_seats, np.inf)[::-1].argmin(axis=0)
        is_reported &= ~(too_few & (np.arange(len(names)).reshape(-1, *[1] * fewest.ndim) == fewest))
    common = (present | ~is_reported[:, None]).all(axis=0)
    return {name: common & is_reported[i] for i, name in enumerate(names)}


def seats_of_means(figures: Mapping[str, Replicated]) -> dict[str, np.ndarray]:
    """`common_seats` of the decay times among some figures and of the figures derived from them: (n_receivers, ...)
    bool.

    Other figures are averaged over all seats at which they can be evaluated.
    """
    evaluable = {
        name: np.isfinite(figures[name].full) & np.isfinite(figures[name].left_out).all(axis=0)
        for name in TIMES
        if name in figures
    }
    seats = common_seats(evaluable) if evaluable else {}
    for name, parts in MADE_OF.items():
        if name in figures and all(part in seats for part in parts):
            seats[name] = np.all([seats[part] for part in parts], axis=0)
    return seats
