"""Level and intelligibility as functions of distance in a diffuse field."""

from __future__ import annotations

from typing import Any

import numpy as np

from .reverberation import SPEED_OF_SOUND


def critical_distance(absorption_area: Any, directivity_factor: Any = 1.0) -> np.ndarray:
    """Distance at which direct and reverberant sound are equally strong, m: sqrt(Q A / 16 pi).

    Kuttruff, Room Acoustics, ch. 5.1 (from memory). A in m2, shapes broadcast.
    """
    return np.sqrt(np.asarray(directivity_factor) * absorption_area / (16.0 * np.pi))


def revised_theory(
    distance: Any,
    reverberation_time: Any,
    volume: float,
    *,
    speed_of_sound: float = SPEED_OF_SOUND,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Direct, early and late energy at a distance, re the direct sound at 10 m (strength G).

    Barron and Lee, J. Acoust. Soc. Am. 84 (1988) 618 (from memory): no reverberation can arrive before the
    direct sound, so it starts at r / c and is weaker at greater distances. With exact constants in place of
    their 31 200, 0.04 and 1.11.

    Omnidirectional source; early energy arrives within 80 ms of the direct sound.
    G = 10 lg(direct + early + late), clarity = 10 lg((direct + early) / late).

    Parameters
    ----------
    distance, reverberation_time : (...) float, m, s, broadcast
    volume : float, m3
    speed_of_sound : float, m/s

    Returns
    -------
    direct, early, late : each (...) float
    """
    t = np.asarray(reverberation_time, dtype=float)
    r = np.asarray(distance, dtype=float)
    rate = 6.0 * np.log(10.0) / t
    # 16 pi / A re 1 / r^2 at 10 m, A by Sabine.
    whole = 100.0 * 16.0 * np.pi * t * speed_of_sound / (24.0 * np.log(10.0) * volume)
    reverberant = whole * np.exp(-rate * r / speed_of_sound)
    late = reverberant * np.exp(-rate * 0.08)
    direct = 100.0 / r**2
    direct, early, late = np.broadcast_arrays(direct, reverberant - late, late)
    return direct, early, late


def articulation_loss_peutz(
    distance: Any,
    reverberation_time: Any,
    volume: float,
    directivity_factor: Any = 1.0,
    other_sources: int = 0,
) -> np.ndarray:
    """Articulation loss of consonants, percent, from room and source only.

    Peutz, J. Audio Eng. Soc. 19 (1971) 915 (from memory): 200 r^2 T^2 (n + 1) / (V Q) up to the limiting
    distance 0.21 sqrt(V Q / (T (n + 1))), 9 T beyond it; at most 100. The listener's own errors are neglected.

    Parameters
    ----------
    distance, reverberation_time, directivity_factor : (...) float, m, s, 1, broadcast
    volume : float, m3
    other_sources : int
        Sources of the same power that only add to the reverberation.

    Returns
    -------
    (...) float, percent
    """
    t = np.asarray(reverberation_time, dtype=float)
    share = volume * np.asarray(directivity_factor) / (other_sources + 1.0)
    with np.errstate(divide="ignore"):  # without reverberation every seat is within the limiting distance
        near = np.asarray(distance) <= 0.21 * np.sqrt(share / t)
    return np.minimum(np.where(near, 200.0 * np.square(distance) * t**2 / share, 9.0 * t), 100.0)


def articulation_loss_from_sti(sti: Any) -> np.ndarray:
    """Articulation loss of consonants, percent: 170.5405 exp(-5.419 STI) (Farrel Becker's fit; from
    memory)."""
    return 170.5405 * np.exp(-5.419 * np.asarray(sti, dtype=float))
