"""Decays with two slopes: coupled rooms, and halls where part of the sound rarely reaches the absorbing surfaces."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from ..physics.reverberation import DECAY_CONSTANT
from .response import EnergyResponse
from .tail import tail_energy, tail_rate, tail_window
from .time_zero import time_zero

LEAST_RANGE = 25.0
"""dB that a decay must fall for two slopes to be distinguished."""
FLOOR = -40.0
"""dB at which the fit ends: the traced energy is less certain below it."""
DIFFUSE_AFTER = 0.05
"""s after the direct sound of the last seat at which the fit begins; earlier reflections are discrete."""


@dataclass(frozen=True)
class TwoSlopes:
    """A decay as the sum of two exponentials."""

    early_time: float
    """Reverberation time of the faster one, s."""
    late_time: float
    """Reverberation time of the slower one, s."""
    late_share: float
    """Share of the slower one in the decay curve at time zero."""
    misfit: float
    """Root mean square of what the two leave unexplained, dB."""

    @property
    def bend_time(self) -> float:
        """Time from which the slower one is stronger, s."""
        rates = DECAY_CONSTANT / self.early_time - DECAY_CONSTANT / self.late_time
        return float(np.log((1.0 - self.late_share) / self.late_share) / rates)


def two_slopes(time: np.ndarray, curve: np.ndarray) -> TwoSlopes | None:
    """Fit two exponentials to a decay curve, by least squares of levels, evenly in time.

    Model: Xiang and Goggans, JASA 110 (2001) 1415 (from memory), without a noise term, because nothing here
    is measured. A straight decay gives two nearly equal times, or a share near 0 or 1; whether a decay
    is bent at all is decided by `metrics.room_parameters.is_bent`.

    Parameters
    ----------
    time : (n,) float, s, from 0
    curve : (n,) float, dB
        Backward-integrated decay of one seat or of the mean of many, 0 at the start.

    Returns
    -------
    None where the curve does not fall by `LEAST_RANGE`
    """
    lowest = float(np.nanmin(curve))
    if not lowest <= -LEAST_RANGE:
        return None
    end = np.interp(-max(FLOOR, lowest), -curve, time)
    evenly = np.linspace(0.0, end, 400)
    level = np.interp(evenly, time, curve)

    def model(parameters: np.ndarray) -> np.ndarray:
        early, late = np.exp(-np.exp(parameters[:2, None]) * evenly)
        share = 1.0 / (1.0 + np.exp(-parameters[2]))
        return 10.0 * np.log10((1.0 - share) * early + share * late)

    # First guess: the slopes of the first 10 dB and of the last, the second one extrapolated back to time zero.
    parts = (level >= -10.0, level <= level[-1] + 10.0)
    first, last = (float(np.polyfit(evenly[part], level[part], 1)[0]) for part in parts)
    share = np.clip(10.0 ** ((level[-1] - last * end) / 10.0), 0.001, 0.5)
    per_second = -np.log(10.0) / 10.0
    guess = [np.log(1.1 * first * per_second), np.log(last * per_second), np.log(share / (1.0 - share))]
    fit = least_squares(lambda parameters: model(parameters) - level, guess, x_scale=[1.0, 1.0, 3.0])
    rates = np.exp(fit.x[:2])
    share = 1.0 / (1.0 + np.exp(-fit.x[2]))
    if rates[0] < rates[1]:
        rates, share = rates[::-1], 1.0 - share
    misfit = float(np.sqrt(np.mean(fit.fun**2)))
    return TwoSlopes(float(DECAY_CONSTANT / rates[0]), float(DECAY_CONSTANT / rates[1]), float(share), misfit)


def two_slopes_of_all_seats(response: EnergyResponse, band: int) -> TwoSlopes | None:
    """`two_slopes` of the energy of all seats together, for the first scenario of a response.

    Time zero of the fit is `DIFFUSE_AFTER` after the direct sound of the last seat. The slopes of coupled rooms are
    common to all seats; only their shares differ (Cremer and Mueller, Principles and Applications of Room Acoustics,
    vol. 1, ch. II.3; from memory).
    """
    edges, arrivals = response.bin_edges, response.arrivals
    traced = response.late.mean(axis=0, dtype=np.float64).sum(axis=0)
    window = tail_window(edges, traced)
    tail = tail_energy(edges, traced[None], tail_rate(edges, traced, window), window)[0, 0, band]
    known, _ = np.histogram(arrivals.time[:, band], edges, weights=arrivals.energy[:, 0, band])
    to_come = np.cumsum(np.append(traced[:, 0, band] + known, tail)[::-1])[::-1]
    begin = int(np.searchsorted(edges, time_zero(response)[:, 0, band].max() + DIFFUSE_AFTER))
    # Where the tail is negligible it is 0, and so is the remaining energy at the last edge.
    part = slice(begin, int(np.count_nonzero(to_come > 0.0)))
    if not np.isfinite(tail) or part.stop - part.start < 2:
        return None
    return two_slopes(edges[part] - edges[begin], 10.0 * np.log10(to_come[part] / to_come[begin]))
