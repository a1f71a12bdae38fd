"""Decays with two slopes: coupled rooms, and absorption that hangs where some of the sound never goes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from ..errors import DecayRangeError
from ..physics.reverberation import DECAY_CONSTANT


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
        """When the slower one takes over, s."""
        rates = DECAY_CONSTANT / self.early_time - DECAY_CONSTANT / self.late_time
        return float(np.log((1.0 - self.late_share) / self.late_share) / rates)

    @property
    def bend_level(self) -> float:
        """Level of the decay curve at the bend, dB re its start."""
        return float(10.0 * np.log10(2.0 * self.late_share) - 60.0 * self.bend_time / self.late_time)


def two_slopes(bin_edges: np.ndarray, curve: np.ndarray, floor: float = -40.0) -> TwoSlopes:
    """Fit two exponentials to a decay curve, by least squares of levels, evenly in time.

    Model: Xiang and Goggans, JASA 110 (2001) 1415 (from memory), without a noise term, because nothing here
    is measured. A straight decay gives two times that hardly differ, or a share near 0 or 1; whether a decay
    is bent at all is for `metrics.room.is_bent` to say.

    Parameters
    ----------
    bin_edges : (n_bins + 1,) float, s
    curve : (n_bins + 1,) float, dB
        Backward-integrated decay of one seat or of the mean of many, 0 at the start.
    floor : float, dB
        The fit ends where the curve falls below.

    Raises
    ------
    DecayRangeError : the curve does not fall to -25 dB.
    """
    if not np.nanmin(curve) <= -25.0:
        raise DecayRangeError(
            f"the decay falls by {-np.nanmin(curve):.0f} dB; two slopes need 25 dB",
            cure="Trace the response for longer.",
        )
    end = np.interp(-max(floor, float(np.nanmin(curve))), -curve, bin_edges)
    time = np.linspace(0.0, end, 400)
    level = np.interp(time, bin_edges, curve)

    def model(parameters: np.ndarray) -> np.ndarray:
        early, late = np.exp(-np.exp(parameters[:2, None]) * time)
        share = 1.0 / (1.0 + np.exp(-parameters[2]))
        return 10.0 * np.log10((1.0 - share) * early + share * late)

    # First guess: the slopes of the first 10 dB and of the last, the second one drawn back to time zero.
    first, last = (_slope(time, level, part) for part in (level >= -10.0, level <= level[-1] + 10.0))
    start_level = level[-1] - last * end
    share = np.clip(10.0 ** (start_level / 10.0), 0.001, 0.5)
    per_second = -np.log(10.0) / 10.0
    guess = [np.log(1.1 * first * per_second), np.log(last * per_second), np.log(share / (1.0 - share))]
    fit = least_squares(lambda parameters: model(parameters) - level, guess, x_scale=[1.0, 1.0, 3.0])
    rates = np.exp(fit.x[:2])
    share = 1.0 / (1.0 + np.exp(-fit.x[2]))
    if rates[0] < rates[1]:
        rates, share = rates[::-1], 1.0 - share
    misfit = float(np.sqrt(np.mean(fit.fun**2)))
    return TwoSlopes(float(DECAY_CONSTANT / rates[0]), float(DECAY_CONSTANT / rates[1]), float(share), misfit)


def _slope(time: np.ndarray, level: np.ndarray, part: np.ndarray) -> float:
    return float(np.polyfit(time[part], level[part], 1)[0])
