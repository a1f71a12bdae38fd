"""Positions, directions and drive of the boxes of a hang or stack."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..physics.radiation import frame
from ..venue.loudspeakers import Loudspeaker, find_loudspeaker
from ..venue.systems import Crossover, Drive, EndFire, GradientPair, Hang, Row, Stack, SubStack

ANY_SPEED = 343.0
"""m/s, for `layout_of` where only positions are needed: the speed of sound affects only delays."""


@dataclass(frozen=True)
class Layout:
    """The boxes of one system."""

    name: str
    loudspeaker: Loudspeaker
    position: np.ndarray
    """(n, 3) float64, m, middle of each front. From the top of a hang, from the bottom of a stack, from
    the rear of an end-fire line, from the right of a row."""
    frames: np.ndarray
    """(n, 3, 3) float64, rows up, ahead, left of each box; right-handed and orthonormal."""
    gain: np.ndarray
    """(n,) float64, factor on pressure, negative where the polarity is inverted."""
    delay: np.ndarray
    """(n,) float64, s."""
    filters: tuple[tuple[tuple[str, Crossover], ...], ...]
    """(n,) of ("high" or "low", crossover), all in series."""
    signal: str
    floor: float | None
    """m, height of the hard floor that raises the radiated power; None without one."""

    @property
    def n_boxes(self) -> int:
        return len(self.position)

    @property
    def reference(self) -> np.ndarray:
        """(3,) m, middle of the boxes: the position of the source for rays and image sources."""
        return self.position.mean(axis=0)

    @property
    def frame(self) -> np.ndarray:
        """(3, 3) rows up, ahead, left: upright, ahead along the mean direction of the boxes that face forward."""
        ahead = self.frames[:, 1].sum(axis=0)
        if np.hypot(ahead[0], ahead[1]) < 1e-6 * self.n_boxes:
            ahead = self.frames[0, 1]
        azimuth = float(np.degrees(np.arctan2(ahead[1], ahead[0])))
        return _turned(azimuth, 0.0)


def layout_of(system: Hang | SubStack, own: Mapping[str, Loudspeaker], speed_of_sound: float) -> Layout:
    """The boxes of a hang or stack.

    Parameters
    ----------
    own : the user's boxes, which take precedence over the built-in ones
    speed_of_sound : m/s, for the delays that follow from distances

    Raises
    ------
    DocumentError : no such box
    """
    box = find_loudspeaker(own, system.loudspeaker)
    if isinstance(system, Hang):
        position, frames = _hung(system, box)
        drive, delay = np.ones(len(position)), np.zeros(len(position))
    else:
        position, frames, drive, delay = _stacked(system, box, speed_of_sound)
    single = {entry.number - 1: entry for entry in system.box}
    drives: list[tuple[Drive, ...]] = [
        (system, single[i]) if i in single else (system,) for i in range(len(position))
    ]
    return Layout(
        name=system.name,
        loudspeaker=box,
        position=position,
        frames=frames,
        gain=drive * [np.prod([_factor(entry) for entry in entries]) for entries in drives],
        delay=delay + [sum(entry.delay for entry in entries) / 1000.0 for entries in drives],
        filters=tuple(tuple(pair for entry in entries for pair in _filters(entry)) for entries in drives),
        signal=system.signal,
        floor=system.floor if isinstance(system, SubStack) else None,
    )


def _factor(drive: Drive) -> float:
    return (-1.0 if drive.polarity == "inverted" else 1.0) * 10.0 ** (drive.gain / 20.0)


def _filters(drive: Drive) -> list[tuple[str, Crossover]]:
    sides = (("high", drive.high_pass), ("low", drive.low_pass))
    return [(side, crossover) for side, crossover in sides if crossover is not None]


def _turned(azimuth: float, elevation: float) -> np.ndarray:
    """(3, 3) rows up, ahead, left."""
    ahead, left, up = frame(azimuth, elevation)
    return np.stack([up, ahead, left])


def _hung(hang: Hang, box: Loudspeaker) -> tuple[np.ndarray, np.ndarray]:
    """The fronts touch: each begins where the one above ends."""
    position, frames = [], []
    edge = np.array(hang.top)
    for elevation in hang.tilt - np.concatenate([[0.0], np.cumsum(hang.splay)]):
        turned = _turned(hang.azimuth, float(elevation))
        position.append(edge - 0.5 * box.height * turned[0])
        frames.append(turned)
        edge = edge - box.height * turned[0]
    return np.array(position), np.array(frames)


def _stacked(
    stack: SubStack, box: Loudspeaker, speed_of_sound: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Positions, frames, factors on pressure and delays, s."""
    up, ahead, left = front = _turned(stack.azimuth, 0.0)
    back = _turned(stack.azimuth + 180.0, 0.0)
    arrangement, n = stack.arrangement, stack.n_boxes()
    foot = np.array(stack.position) + 0.5 * box.height * up
    index = np.arange(n)[:, None]
    frames = np.repeat(front[None], n, axis=0)
    factor: np.ndarray = np.ones(n)
    delay: np.ndarray = np.zeros(n)
    if isinstance(arrangement, Stack):
        position = foot + index * box.height * up
        turned = np.array(arrangement.reversed, dtype=int) - 1
        own = arrangement.reversed_delay
        position[turned] -= box.depth * ahead
        frames[turned] = back
        factor[turned] = -(10.0 ** (arrangement.reversed_gain / 20.0))
        delay[turned] = box.depth / speed_of_sound if own is None else own / 1000.0
    elif isinstance(arrangement, GradientPair):
        position = foot + (index - 1) * arrangement.spacing * ahead
        factor[0] = -(10.0 ** (arrangement.rear_gain / 20.0))
        delay[0] = arrangement.spacing / speed_of_sound
    elif isinstance(arrangement, EndFire):
        position = foot + (index - (n - 1)) * arrangement.spacing * ahead
        delay = index[:, 0] * arrangement.spacing / speed_of_sound
    else:
        position, delay = _row(arrangement, foot, left, speed_of_sound)
    return position, frames, factor, delay


def _row(
    row: Row, foot: np.ndarray, left: np.ndarray, speed_of_sound: float
) -> tuple[np.ndarray, np.ndarray]:
    """The delays place the boxes virtually on an arc through the middle of the row, the outer ones farther back."""
    aside = (np.arange(row.count) - 0.5 * (row.count - 1)) * row.spacing
    delay = np.zeros(row.count)
    if row.arc > 0.0 and row.count > 1:
        # With the curvature in place of the radius, a nearly straight arc loses no precision.
        bent = aside / aside.max() * np.sin(np.radians(row.arc) / 2.0)
        delay = aside * bent / (1.0 + np.sqrt(1.0 - bent**2)) / speed_of_sound
    return foot + aside[:, None] * left, delay
