"""Where the boxes of a hang or stack are, where they look, and how each is driven."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..physics.radiation import frame
from ..venue.loudspeakers import Loudspeaker, find_loudspeaker
from ..venue.systems import Crossover, Drive, EndFire, GradientPair, Hang, Row, Stack, SubStack

ANY_SPEED = 343.0
"""m/s, for `layout_of` where only places are asked for: the speed of sound sets delays alone."""


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
    """m, height of the hard floor that raises what it radiates; None where there is none."""

    @property
    def n_boxes(self) -> int:
        return len(self.position)

    @property
    def reference(self) -> np.ndarray:
        """(3,) m, middle of the boxes: where the source is for rays and image sources."""
        return self.position.mean(axis=0)

    @property
    def frame(self) -> np.ndarray:
        """(3, 3) rows up, ahead, left: upright, ahead along the mean of the boxes that look to the front."""
        ahead = self.frames[:, 1].sum(axis=0)
        if np.hypot(ahead[0], ahead[1]) < 1e-6 * self.n_boxes:
            ahead = self.frames[0, 1]
        azimuth = float(np.degrees(np.arctan2(ahead[1], ahead[0])))
        return _turned(azimuth, 0.0)


def layout_of(system: Hang | SubStack, own: Mapping[str, Loudspeaker], speed_of_sound: float) -> Layout:
    """The boxes of a hang or stack.

    Parameters
    ----------
    own : the user's boxes, which count before the built-in ones
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
    given = (("high", drive.high_pass), ("low", drive.low_pass))
    return [(side, crossover) for side, crossover in given if crossover is not None]


def _turned(azimuth: float, elevation: float) -> np.ndarray:
    """(3, 3) rows up, ahead, left."""
    ahead, left, up = frame(azimuth, elevation)
    return np.stack([up, ahead, left])


def _hung(hang: Hang, box: Loudspeaker) -> tuple[np.ndarray, np.ndarray]:
    """Fronts touch: each begins where the one above ends."""
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
    arranged, n = stack.arrangement, stack.n_boxes()
    foot = np.array(stack.position) + 0.5 * box.height * up
    steps = np.arange(n)[:, None]
    frames = np.repeat(front[None], n, axis=0)
    factor: np.ndarray = np.ones(n)
    delay: np.ndarray = np.zeros(n)
    if isinstance(arranged, Stack):
        position = foot + steps * box.height * up
        turned = np.array(arranged.reversed, dtype=int) - 1
        own = arranged.reversed_delay
        position[turned] -= box.depth * ahead
        frames[turned] = back
        factor[turned] = -(10.0 ** (arranged.reversed_gain / 20.0))
        delay[turned] = box.depth / speed_of_sound if own is None else own / 1000.0
    elif isinstance(arranged, GradientPair):
        position = foot + (steps - 1) * arranged.spacing * ahead
        factor[0] = -(10.0 ** (arranged.rear_gain / 20.0))
        delay[0] = arranged.spacing / speed_of_sound
    elif isinstance(arranged, EndFire):
        position = foot + (steps - (n - 1)) * arranged.spacing * ahead
        delay = steps[:, 0] * arranged.spacing / speed_of_sound
    else:
        position, delay = _row(arranged, foot, left, speed_of_sound)
    return position, frames, factor, delay


def _row(
    row: Row, foot: np.ndarray, left: np.ndarray, speed_of_sound: float
) -> tuple[np.ndarray, np.ndarray]:
    """The delays put each box onto an arc through the middle of the row, the outer ones back."""
    aside = (np.arange(row.count) - 0.5 * (row.count - 1)) * row.spacing
    delay = np.zeros(row.count)
    if row.arc > 0.0 and row.count > 1:
        # With the curvature rather than the radius, an arc that is all but straight loses no digits.
        bent = aside / aside.max() * np.sin(np.radians(row.arc) / 2.0)
        delay = aside * bent / (1.0 + np.sqrt(1.0 - bent**2)) / speed_of_sound
    return foot + aside[:, None] * left, delay
