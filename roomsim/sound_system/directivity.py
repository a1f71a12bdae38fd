"""The directivity of the boxes of a system, for polar plots, balloons and coverage angles."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..bands import band_lines
from ..loudspeakers.coverage import coverage_angles, polars
from ..loudspeakers.elements import band_energy
from ..loudspeakers.patterns import pattern
from ..venue.document import Source, Study
from ..venue.loudspeakers import Directivity
from .direct_sound import box_of

ELEVATION, AZIMUTH = np.linspace(-90.0, 90.0, 61), np.linspace(0.0, 360.0, 121)
"""Degrees, (n_elevation,) and (n_azimuth,), of the sphere."""


@dataclass(frozen=True)
class BoxDirectivity:
    """One kind of box. Levels in dB re the axis, band last."""

    name: str
    angle: np.ndarray
    """(n,) degrees of the polars, -180 to 180, left and up positive."""
    horizontal: np.ndarray
    """(n, 8)."""
    vertical: np.ndarray
    """(n, 8), over the top to the rear."""
    coverage: np.ndarray
    """(2, 8) degrees, horizontal and vertical, full angle between the -6 dB directions; 360 where there are none."""
    sphere: np.ndarray
    """(n_elevation, n_azimuth, 8) at `ELEVATION` and `AZIMUTH`."""


def box_kinds(study: Study, playing: set[str]) -> dict[Directivity, str]:
    """Each directivity of the sources that play -> the name of its box, or of the first source that has it."""
    kinds: dict[Directivity, str] = {}
    for source in study.sources.all():
        if source.name in playing:
            name = source.name if isinstance(source, Source) else source.loudspeaker
            kinds.setdefault(box_of(study, source).directivity, name)
    return kinds


def box_directivity(kind: Directivity, name: str, speed_of_sound: float, folder: Path) -> BoxDirectivity:
    """The directivity of one kind of box; names of directivity files are relative to `folder`."""
    e, a = np.radians(ELEVATION)[:, None], np.radians(AZIMUTH)
    parts = (np.cos(e) * np.cos(a), np.cos(e) * np.sin(a), np.sin(e) + 0.0 * a)
    directions = np.stack(parts, axis=-1).reshape(-1, 3)
    energy, axis = (
        band_energy(pattern(kind, towards, band_lines(), speed_of_sound, folder))
        for towards in (directions, np.array([[1.0, 0.0, 0.0]]))
    )
    sphere = 10.0 * np.log10(np.maximum(energy / axis, 1e-8)).reshape(len(ELEVATION), len(AZIMUTH), -1)
    coverage = coverage_angles(kind, speed_of_sound, folder)
    return BoxDirectivity(name, *polars(kind, speed_of_sound, folder), coverage, sphere)
