"""Where the mains do not reach: rows for front fills, and where delays begin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..physics.arrival import fill_spacing
from ..scene.scene import Scene, SourceArrays
from ..venue.document import Source, Study
from ..venue.systems import Row, SubStack
from .direct import DirectSound
from .timing import speech_level

FALL = 6.0
"""dB by which the mains may fall below their median over the seats before something must help (common
practice)."""


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

    weak: np.ndarray
    """(n_seats,) bool: `FALL` below the mains' median, or below the target of the STI."""
    near: np.ndarray
    """(n_seats,) bool: those of them in the nearer half of the room, for fills."""
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
    return DelayAdvice(weak, near, far, first)


def fill_advice(study: Study, scene: Scene, direct: DirectSound, on: np.ndarray) -> list[FillAdvice]:
    """Spacing of the fills that are on, from their coverage and the first row."""
    found = []
    described = {source.name: source for source in study.sources.all()}
    fills = [i for i in np.flatnonzero(on).tolist() if direct.roles[i] == "fill"]
    singles = [i for i in fills if isinstance(described[scene.sources.names[i]], Source)]
    for i in fills:
        source = described[scene.sources.names[i]]
        axes = scene.sources.axes[i]
        if isinstance(source, Source):
            ahead, places = axes[0], scene.sources.position[[i]]
            others = [j for j in singles if j != i]
            gaps = np.linalg.norm(scene.sources.position[others] - places, axis=1)
            spacing = float(gaps.min()) if len(gaps) else None
            coverage = _horizontal(scene.sources, i)
        else:
            ahead, places = axes[1], scene.sources.elements[i].position
            row = isinstance(source, SubStack) and isinstance(source.arrangement, Row)
            spacing = source.arrangement.spacing if row else None  # type: ignore[union-attr]
            coverage = _box_coverage(scene, i)
        away = (scene.receivers.position[:, None] - places) @ ahead
        before = away > 0.3
        distance = float(away[before].min()) if before.any() else float("nan")
        found.append(
            FillAdvice(
                scene.sources.names[i],
                coverage,
                distance,
                spacing,
                float(fill_spacing(distance, min(coverage, 170))),
            )
        )
    return found


def _horizontal(sources: SourceArrays, i: int) -> float:
    """Full angle between the -6 dB directions to the left and the right, degrees, mean of 2 and 4 kHz."""
    balloon = sources.balloon[i][..., 5:7]
    n_polar, n_azimuth, _ = balloon.shape
    angles = np.linspace(0.0, 180.0, n_polar)
    return float(
        np.mean(
            [
                _edge(angles, side[:, b])
                for side in (balloon[:, 0], balloon[:, n_azimuth // 2])
                for b in (0, 1)
            ]
        )
        * 2
    )


def _box_coverage(scene: Scene, i: int) -> float:
    """The same for one box of a system: its table turns about up, from ahead towards left."""
    elements = scene.sources.elements[i]
    n_zenith, n_around, _ = elements.table.shape
    octave = np.round(np.log10(elements.frequency / 1000.0) / 0.3).astype(int)
    level_ring = elements.table[n_zenith // 2]
    angles = np.arange(n_around // 2 + 1) * 360.0 / n_around
    edges = []
    for band in (1, 2):
        ring = np.square(np.abs(level_ring[:, octave == band])).mean(axis=1)
        ring = ring / ring[0]
        edges += [
            _edge(angles, ring[: n_around // 2 + 1]),
            _edge(angles, np.append(ring[:1], ring[: n_around // 2 - 1 : -1])),
        ]
    return float(np.mean(edges) * 2)


def _edge(angles: np.ndarray, gain: np.ndarray) -> float:
    """First angle at which the energy is a quarter of that ahead; 180 where it never is."""
    below = np.flatnonzero(gain < 10.0**-0.6)
    return float(angles[below[0]]) if len(below) else 180.0
