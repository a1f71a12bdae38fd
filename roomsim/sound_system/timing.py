"""Delays for fills and delay loudspeakers from geometry and temperature, and which source is heard first."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..loudspeakers.aiming import SPEECH_MID
from ..physics.arrival import OFFSET, precedence_limit
from ..physics.levels import energy, level
from .direct_sound import DirectSound

REACH = 6.0
"""dB: a fill or delay serves the seats where it is at most this much below the mains (common practice)."""
HEARD = 15.0
"""dB below the loudest source from which on a source is left out of the order of arrivals."""
TIMED = ("fill", "delay")
OK, TAKEN_OVER, ECHO = 0, 1, 2
VERDICTS = ("mains first", "other first or too loud", "echo")
LATEST = 0.030
"""s after the first sound: what comes later and too loud is heard apart from it, as an echo (Haas;
from memory)."""


@dataclass(frozen=True)
class DelayProposal:
    """One fill or delay, timed to the mains at the seats that it serves."""

    source: int
    delay: float
    """ms, as the study states it."""
    proposed: float
    """ms, rounded up to a tenth."""
    seat: int
    """The seat that decides: where the mains come latest relative to this source."""
    main_arrival: float
    """ms, first arrival of the mains there."""
    travel: float
    """ms from this source to that seat."""
    served: np.ndarray
    """(n,) int, the seats served."""
    lag: tuple[float, float]
    """ms, least and most by which it follows the mains at these seats, as proposed."""
    louder: tuple[float, float]
    """dB, least and most by which it exceeds the mains there."""


@dataclass(frozen=True)
class ArrivalOrder:
    """What each seat hears first."""

    first: np.ndarray
    """(n_seats,) int, source; -1 where nothing is heard directly."""
    verdict: np.ndarray
    """(n_seats,) int, index of `VERDICTS`."""


def speech_level(direct: DirectSound) -> np.ndarray:
    """(n_sources, n_seats) dB, 500 Hz to 4 kHz together."""
    return level(direct.energy[..., list(SPEECH_MID)].sum(axis=-1))


def propose_delays(direct: DirectSound, on: np.ndarray, offset: float = OFFSET) -> list[DelayProposal]:
    """Delays for the fills and delays that are on.

    A source serves the seats where it is the loudest of all fills and delays and at most `REACH` below the
    mains; if there are none, the one where it comes nearest to them. The delay is such that the mains come
    first by `offset` at the seat where they come latest against it, and so by at least `offset` at every seat
    served.

    Parameters
    ----------
    on : (n_sources,) bool
    offset : s
    """
    mains, timed = direct.playing(on, "main"), direct.playing(on, *TIMED)
    if not len(mains) or not len(timed):
        return []
    levels = speech_level(direct)
    main_level = level(np.maximum(energy(levels[mains]).sum(axis=0), 1e-30))
    main_arrival = np.where(direct.visible[mains], direct.arrival[mains], np.inf).min(axis=0)
    main_arrival = np.where(np.isfinite(main_arrival), main_arrival, direct.arrival[mains].min(axis=0))
    loudest = timed[levels[timed].argmax(axis=0)]
    found = []
    for source in timed.tolist():
        above = levels[source] - main_level
        served = np.flatnonzero((loudest == source) & (above >= -REACH))
        if not len(served):
            served = np.array([int(np.argmax(above))])
        own = float(direct.delay[source])
        travel = direct.arrival[source] - own
        needed = main_arrival - travel + offset
        seat = int(served[np.argmax(needed[served])])
        proposed = max(0.0, float(np.ceil(np.round(needed[seat] * 1e4, 6)) / 10.0))
        lag = 1000.0 * (travel - main_arrival)[served] + proposed
        found.append(
            DelayProposal(
                source=source,
                delay=1000.0 * own,
                proposed=proposed,
                seat=seat,
                main_arrival=1000.0 * float(main_arrival[seat]),
                travel=1000.0 * float(travel[seat]),
                served=served,
                lag=(float(lag.min()), float(lag.max())),
                louder=(float(above[served].min()), float(above[served].max())),
            )
        )
    return found


def with_delays(direct: DirectSound, proposals: list[DelayProposal]) -> DirectSound:
    """The direct sound with the proposed delays in place of those that the study states."""
    arrival, delay = direct.arrival.copy(), direct.delay.copy()
    for proposal in proposals:
        arrival[proposal.source] += proposal.proposed / 1000.0 - delay[proposal.source]
        delay[proposal.source] = proposal.proposed / 1000.0
    return replace(direct, arrival=arrival, delay=delay)


def arrival_order(direct: DirectSound, on: np.ndarray) -> ArrivalOrder:
    """Which source each seat hears first, and whether what follows stays within the precedence of the first.

    Bass stacks and noise are left out, and sources more than `HEARD` below the loudest.
    """
    chosen = direct.playing(on, "main", *TIMED)
    levels = speech_level(direct)[chosen]
    counts = levels > levels.max(axis=0, initial=-np.inf) - HEARD
    arrival = np.where(counts, direct.arrival[chosen], np.inf)
    seats = np.arange(arrival.shape[1])
    first = arrival.argmin(axis=0)
    is_main = np.array(direct.roles)[chosen] == "main"
    with np.errstate(invalid="ignore"):
        lag = arrival - arrival.min(axis=0)
        limit = precedence_limit(np.where(counts, lag, 0.0))
        # Two mains together are one image between them, not one that takes over from the other.
        limit = np.where(is_main[:, None] & is_main[first] & (lag <= LATEST), HEARD, limit)
        # By how much a later source exceeds what the precedence of the first allows.
        excess = np.where(counts, levels - levels[first, seats] - limit, -np.inf)
    excess[first, seats] = -np.inf
    late = (np.where(counts, lag, 0.0) > LATEST) & (excess > 0.0)
    verdict = np.where(is_main[first] & ~(excess > 0.0).any(axis=0), OK, TAKEN_OVER)
    verdict = np.where(late.any(axis=0), ECHO, verdict)
    is_heard = np.isfinite(arrival).any(axis=0)
    return ArrivalOrder(np.where(is_heard, chosen[first], -1), np.where(is_heard, verdict, TAKEN_OVER))
