"""Delays for fills and delay loudspeakers from geometry and temperature, and the source whose sound arrives first."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..bands import SPEECH_MID
from ..physics.arrival import OFFSET, precedence_limit
from ..physics.levels import energy, level
from .direct_sound import DirectSound

REACH = 6.0
"""dB; a fill or delay covers the seats at which it is at most this much below the mains (common practice)."""
AUDIBLE_WITHIN = 15.0
"""dB below the loudest source within which a source is considered in the order of arrivals."""
TIMED = ("fill", "delay")
OK, TAKEN_OVER, ECHO = 0, 1, 2
VERDICTS = ("mains first", "other first or too loud", "echo")
LATEST = 0.030
"""s after the first sound; sound that arrives later and is too loud is perceived as an echo (Haas; from memory)."""


@dataclass(frozen=True)
class DelayProposal:
    """The delay of one fill or delay loudspeaker relative to the mains, at the seats that it covers."""

    source: int
    delay: float
    """ms, as stated in the study."""
    proposed: float
    """ms, rounded up to a tenth."""
    seat: int
    """The seat that determines the delay: where the mains arrive latest relative to this source."""
    main_arrival: float
    """ms, first arrival of the mains at that seat."""
    travel: float
    """ms from this source to that seat."""
    served: np.ndarray
    """(n,) int, the seats covered."""
    lag: tuple[float, float]
    """ms, smallest and largest lag behind the mains at these seats, as proposed."""
    louder: tuple[float, float]
    """dB, smallest and largest level relative to the mains at these seats."""


@dataclass(frozen=True)
class ArrivalOrder:
    """The source whose sound arrives first at each seat."""

    first: np.ndarray
    """(n_seats,) int, source; -1 where no source is visible."""
    verdict: np.ndarray
    """(n_seats,) int, index of `VERDICTS`."""


def speech_level(direct: DirectSound) -> np.ndarray:
    """(n_sources, n_seats) dB, 500 Hz to 4 kHz together."""
    return level(direct.energy[..., list(SPEECH_MID)].sum(axis=-1))


def propose_delays(direct: DirectSound, on: np.ndarray, offset: float = OFFSET) -> list[DelayProposal]:
    """Delays for the fills and delays that are on.

    A source covers the seats at which it is the loudest of all fills and delays and at most `REACH` below the mains; if
    there are none, the seat at which its level relative to the mains is highest. With the proposed delay the mains
    arrive `offset` before it at the seat where they arrive latest relative to it, and so at least `offset` before it at
    all seats covered.

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
    proposals = []
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
        proposals.append(
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
    return proposals


def with_delays(direct: DirectSound, proposals: list[DelayProposal]) -> DirectSound:
    """The direct sound with the proposed delays in place of those stated in the study."""
    arrival, delay = direct.arrival.copy(), direct.delay.copy()
    for proposal in proposals:
        arrival[proposal.source] += proposal.proposed / 1000.0 - delay[proposal.source]
        delay[proposal.source] = proposal.proposed / 1000.0
    return replace(direct, arrival=arrival, delay=delay)


def arrival_order(direct: DirectSound, on: np.ndarray) -> ArrivalOrder:
    """The source that arrives first at each seat, and whether later sound remains below the limit of the precedence
    effect.

    Bass stacks, noise sources, and sources more than `AUDIBLE_WITHIN` below the loudest are left out.
    """
    chosen = direct.playing(on, "main", *TIMED)
    levels = speech_level(direct)[chosen]
    counts = levels > levels.max(axis=0, initial=-np.inf) - AUDIBLE_WITHIN
    arrival = np.where(counts, direct.arrival[chosen], np.inf)
    seats = np.arange(arrival.shape[1])
    first = arrival.argmin(axis=0)
    is_main = np.array(direct.roles)[chosen] == "main"
    with np.errstate(invalid="ignore"):
        lag = arrival - arrival.min(axis=0)
        limit = precedence_limit(np.where(counts, lag, 0.0))
        # Two mains form one image between them; neither takes precedence over the other.
        limit = np.where(is_main[:, None] & is_main[first] & (lag <= LATEST), AUDIBLE_WITHIN, limit)
        # The amount by which a later source exceeds the limit of the precedence effect.
        excess = np.where(counts, levels - levels[first, seats] - limit, -np.inf)
    excess[first, seats] = -np.inf
    late = (np.where(counts, lag, 0.0) > LATEST) & (excess > 0.0)
    verdict = np.where(is_main[first] & ~(excess > 0.0).any(axis=0), OK, TAKEN_OVER)
    verdict = np.where(late.any(axis=0), ECHO, verdict)
    is_audible = np.isfinite(arrival).any(axis=0)
    return ArrivalOrder(np.where(is_audible, chosen[first], -1), np.where(is_audible, verdict, TAKEN_OVER))
