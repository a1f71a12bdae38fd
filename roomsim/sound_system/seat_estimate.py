"""Levels and intelligibility at the seats from direct sound and a diffuse field, estimated without tracing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..decay.enclosure import enclosure_of
from ..decay.statistical import diffuse_energy, statistical_response
from ..metrics.evaluate import evaluate_whole
from ..physics.levels import a_weighted_level, level
from ..physics.reverberation import eyring
from ..scene.scene import Scene
from ..tracing.emission import source_power
from ..tracing.replay import time_bins
from .direct_sound import DirectSound


@dataclass(frozen=True)
class SeatEstimate:
    """Levels and intelligibility from direct sound and a diffuse field (Eyring's time, Barron's decay with distance).

    The position of absorption and the delays of the sources are not taken into account.
    """

    level: np.ndarray
    """(n_seats, 8) dB, all sources that are on."""
    a_level: np.ndarray
    """(n_seats,) dB(A)."""
    sti: np.ndarray
    """(n_seats,) of all sources together."""
    mains_sti: np.ndarray
    """(n_seats,) with the mains only; NaN without mains."""


def seat_estimate(scene: Scene, direct: DirectSound, on: np.ndarray, scenario: int) -> SeatEstimate:
    """Levels and intelligibility from direct sound and a diffuse field."""
    levels, sti = _level_and_sti(scene, direct, np.flatnonzero(on), scenario)
    mains = direct.playing(on, "main")
    mains_sti = _level_and_sti(scene, direct, mains, scenario)[1] if len(mains) else np.full(len(sti), np.nan)
    return SeatEstimate(levels, a_weighted_level(levels), sti, mains_sti)


def _level_and_sti(
    scene: Scene, direct: DirectSound, sources: np.ndarray, scenario: int
) -> tuple[np.ndarray, np.ndarray]:
    """(n_seats, 8) dB and (n_seats,) of some sources together."""
    time = np.broadcast_to(eyring(enclosure_of(scene)), (scene.n_scenarios, 8))[[scenario]]
    power = level(source_power(scene.sources))
    seats = scene.receivers.position
    reverberant = np.zeros((len(seats), 1, 8))
    for i in sources:
        distance = np.linalg.norm(seats - scene.sources.position[i], axis=1)
        reverberant += diffuse_energy(power[i][None], time, scene.volume, distance, scene.speed_of_sound)
    edges = time_bins(float(np.clip(1.2 * time.max(), 0.5, 15.0)))
    response = statistical_response(edges, time, reverberant, direct.energy[sources].sum(axis=0)[:, None])
    names = ["sound_pressure_level", "speech_transmission_index"]
    figures = evaluate_whole(response, scene.noise[[scenario]], metrics=names)
    return figures[names[0]][:, 0], figures[names[1]][:, 0]
