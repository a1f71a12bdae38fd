"""The directivity of the boxes of a system, for polar plots, balloons and coverage angles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..bands import band_lines
from ..system.elements import band_energy
from ..system.patterns import pattern
from ..venue.document import Source, Study
from ..venue.loudspeakers import Directivity, find_loudspeaker

ANGLES = np.arange(0.0, 360.0, 2.0)
"""Degrees round about in polar plots."""


@dataclass(frozen=True)
class BoxPattern:
    """One kind of box. Levels in dB re the axis, band last."""

    name: str
    horizontal: np.ndarray
    """(180, 8), from ahead towards left and on."""
    vertical: np.ndarray
    """(180, 8), from ahead upwards and over the back."""
    sphere: np.ndarray
    """(n_elevation, n_azimuth, 8); elevation from -90 to 90 and azimuth from 0 to 360 degrees, ends included."""
    elevation: np.ndarray
    """(n_elevation,) degrees."""
    azimuth: np.ndarray
    """(n_azimuth,) degrees."""

    def coverage(self) -> tuple[np.ndarray, np.ndarray]:
        """(8,) horizontal and vertical full angle between the first -6 dB directions, degrees; 360 where there
        are none."""
        return _full_angle(self.horizontal), _full_angle(self.vertical)


def box_patterns(study: Study, playing: set[str], speed_of_sound: float) -> list[BoxPattern]:
    """Each kind of directivity of the sources that play, with the name of its box or of the first such source."""
    kinds: dict[Directivity, str] = {}
    for source in study.sources.all():
        if source.name in playing:
            if isinstance(source, Source):
                kinds.setdefault(source.directivity, source.name)
            else:
                box = find_loudspeaker(study.sources.loudspeaker, source.loudspeaker)
                kinds.setdefault(box.directivity, source.loudspeaker)
    found = []
    for kind, name in kinds.items():

        def level(ahead: np.ndarray, left: np.ndarray, up: np.ndarray, kind=kind) -> np.ndarray:  # type: ignore[no-untyped-def]
            directions = np.stack(np.broadcast_arrays(ahead, left, up), axis=-1)
            pressure = pattern(
                kind, directions.reshape(-1, 3), band_lines(), speed_of_sound, study.sources_folder
            )
            energy = band_energy(pressure).reshape(*directions.shape[:-1], 8)
            return 10.0 * np.log10(np.maximum(energy, 1e-8))

        turn = np.radians(ANGLES)
        zero = np.zeros(1)
        elevation, azimuth = np.linspace(-90.0, 90.0, 61), np.linspace(0.0, 360.0, 121)
        e, a = np.radians(elevation)[:, None], np.radians(azimuth)
        found.append(
            BoxPattern(
                name=name,
                horizontal=level(np.cos(turn), np.sin(turn), zero),
                vertical=level(np.cos(turn), zero, np.sin(turn)),
                sphere=level(np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e) + 0.0 * a),
                elevation=elevation,
                azimuth=azimuth,
            )
        )
    return found


def _full_angle(polar: np.ndarray) -> np.ndarray:
    """(8,) degrees, from both sides, between the steps of the polar."""
    angles = np.empty(polar.shape[1])
    for band, levels in enumerate(polar.T):
        sides = []
        for side in (
            levels[: len(levels) // 2 + 1],
            np.concatenate([levels[:1], levels[: len(levels) // 2 - 1 : -1]]),
        ):
            relative = side - side[0]
            below = np.flatnonzero(relative < -6.0)
            if not len(below):
                sides.append(180.0)
                continue
            i = below[0]
            share = (relative[i - 1] + 6.0) / (relative[i - 1] - relative[i])
            sides.append(float((i - 1 + share) * (ANGLES[1] - ANGLES[0])))
        angles[band] = sum(sides)
    return angles
