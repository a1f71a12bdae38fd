"""Seats that the mains do not cover: spacing of front fills, and position of delay loudspeakers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..loudspeakers.coverage import coverage_angles
from ..physics.arrival import fill_spacing
from ..physics.levels import level_sum
from ..scene.scene import Scene
from ..venue.document import Source, Study
from ..venue.systems import Row, SubStack
from .direct_sound import DirectSound, box_of, described_sources
from .timing import speech_level

FALL = 6.0
"""dB below their median over the seats at which the mains need support (common practice)."""
NEAREST_ROW = 0.3
"""m ahead of a fill beyond which seats count as in front of it."""
WIDEST = 170.0
"""Degrees; the coverage of wider boxes has no edges that could meet."""


@dataclass(frozen=True)
class FillAdvice:
    """One line of front fills and the first row of seats in front of it."""

    name: str
    coverage: float
    """Degrees, horizontal, 2 and 4 kHz."""
    row_distance: float | None
    """m, to the nearest seats ahead; None where there are none."""
    spacing: float | None
    """m, as stated in the study; None for a single box."""
    largest_spacing: float | None
    """m, at which the -6 dB edges of adjacent boxes meet in that row; None where there is no row."""


@dataclass(frozen=True)
class DelayAdvice:
    """Seats that the mains do not cover sufficiently."""

    near: np.ndarray
    """(n_seats,) bool: those in the nearer half of the seats, for fills."""
    far: np.ndarray
    """(n_seats,) bool: the others, for delays."""
    first_far: float | None
    """m from the nearest main to the nearest of the far seats, before which delays hang; None without far seats."""


def delay_advice(
    scene: Scene, direct: DirectSound, on: np.ndarray, mains_sti: np.ndarray, target: float
) -> DelayAdvice | None:
    """Seats at which the mains without other sources are `FALL` below their median level, or below the target of the
    STI according to the diffuse-field estimate; None without mains."""
    mains = direct.playing(on, "main")
    if not len(mains):
        return None
    level = level_sum(speech_level(direct)[mains], axis=0)
    weak = (level < np.median(level[np.isfinite(level)]) - FALL) | (mains_sti < target)
    seats = scene.receivers.position
    distance = np.linalg.norm(seats[:, None] - scene.sources.position[mains], axis=2).min(axis=1)
    near = weak & (distance < np.median(distance))
    far = weak & ~near
    return DelayAdvice(near, far, float(distance[far].min()) if far.any() else None)


def fill_advice(study: Study, scene: Scene, direct: DirectSound, on: np.ndarray) -> list[FillAdvice]:
    """Spacing of the fills that are on, from their coverage and the distance of the first row."""
    advice = []
    described, sources = described_sources(study, scene), scene.sources
    fills = direct.playing(on, "fill").tolist()
    singles = [i for i in fills if i not in sources.elements]
    for i in fills:
        source, spacing = described[i], None
        if isinstance(source, Source):
            ahead, places = sources.axes[i][0], sources.position[[i]]
            gaps = np.linalg.norm(sources.position[[j for j in singles if j != i]] - places, axis=1)
            spacing = float(gaps.min()) if len(gaps) else None
        else:
            ahead, places = sources.axes[i][1], sources.elements[i].position
            if isinstance(source, SubStack) and isinstance(source.arrangement, Row):
                spacing = source.arrangement.spacing
        kind = box_of(study, source).directivity
        coverage = float(coverage_angles(kind, scene.speed_of_sound, study.sources_folder)[0, 5:7].mean())
        away = (scene.receivers.position[:, None] - places) @ ahead
        ahead_of = away[away > NEAREST_ROW]
        distance = float(ahead_of.min()) if len(ahead_of) else None
        largest = None if distance is None else float(fill_spacing(distance, min(coverage, WIDEST)))
        advice.append(FillAdvice(source.name, coverage, distance, spacing, largest))
    return advice
