"""Where the mains do not reach: rows for front fills, and where delays begin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..physics.arrival import fill_spacing
from ..scene.scene import Scene
from ..system.coverage import coverage_angles
from ..venue.document import Source, Study
from ..venue.loudspeakers import find_loudspeaker
from ..venue.systems import Row, SubStack
from .direct import DirectSound
from .timing import speech_level

FALL = 6.0
"""dB by which the mains may fall below their median over the seats before something must help (common
practice)."""
NEAREST_ROW = 0.3
"""m ahead of a fill from which on seats count as before it."""
WIDEST = 170.0
"""Degrees: wider boxes have no edges to meet."""


@dataclass(frozen=True)
class FillAdvice:
    """One line of front fills and the first row before it."""

    name: str
    coverage: float
    """Degrees, horizontal, 2 and 4 kHz."""
    row_distance: float
    """m, to the nearest seats ahead."""
    spacing: float | None
    """m, as it is; None for a single box."""
    proposed: float
    """m, at which the -6 dB edges of neighbours meet in that row."""


@dataclass(frozen=True)
class DelayAdvice:
    """Seats that the mains do not serve well enough."""

    near: np.ndarray
    """(n_seats,) bool: `FALL` below the mains' median or below the target of the STI, and in the nearer half of the
    room, for fills."""
    far: np.ndarray
    """(n_seats,) bool: the others, for delays."""
    first_far: float | None
    """m from the nearest main, of the first of the far ones: delays hang before it. None without any."""


def delay_advice(
    scene: Scene, direct: DirectSound, on: np.ndarray, mains_sti: np.ndarray, target: float
) -> DelayAdvice | None:
    """Where the mains alone are too weak or, by the diffuse estimate, not understood; None without mains."""
    mains = np.flatnonzero(on & (np.array(direct.roles) == "main"))
    if not len(mains):
        return None
    with np.errstate(divide="ignore"):
        heard = 10.0 * np.log10((10.0 ** (speech_level(direct)[mains] / 10.0)).sum(axis=0))
    short = heard < np.median(heard[np.isfinite(heard)]) - FALL
    weak = short | (mains_sti < target)
    seats = scene.receivers.position
    distance = np.linalg.norm(seats[:, None] - scene.sources.position[mains], axis=2).min(axis=1)
    near = weak & (distance < np.median(distance))
    far = weak & ~near
    first = float(distance[far].min()) if far.any() else None
    return DelayAdvice(near, far, first)


def fill_advice(study: Study, scene: Scene, direct: DirectSound, on: np.ndarray) -> list[FillAdvice]:
    """Spacing of the fills that are on, from their coverage and the first row."""
    found = []
    described = {source.name: source for source in study.sources.all()}
    fills = [i for i in np.flatnonzero(on).tolist() if direct.roles[i] == "fill"]
    singles = [i for i in fills if i not in scene.sources.elements]
    for i in fills:
        source = described[scene.sources.names[i]]
        if isinstance(source, Source):
            ahead, places, kind = scene.sources.axes[i][0], scene.sources.position[[i]], source.directivity
            others = [j for j in singles if j != i]
            gaps = np.linalg.norm(scene.sources.position[others] - places, axis=1)
            spacing = float(gaps.min()) if len(gaps) else None
        else:
            ahead, places = scene.sources.axes[i][1], scene.sources.elements[i].position
            kind = find_loudspeaker(study.sources.loudspeaker, source.loudspeaker).directivity
            row = source.arrangement if isinstance(source, SubStack) else None
            spacing = row.spacing if isinstance(row, Row) else None
        angles = coverage_angles(kind, scene.speed_of_sound, study.sources_folder)
        coverage = float(angles[0, 5:7].mean())
        away = (scene.receivers.position[:, None] - places) @ ahead
        before = away > NEAREST_ROW
        distance = float(away[before].min()) if before.any() else float("nan")
        largest = float(fill_spacing(distance, min(coverage, WIDEST)))
        found.append(FillAdvice(source.name, coverage, distance, spacing, largest))
    return found
