"""The bass of a system: levels at the seats and on stage at 31.5, 63 and 125 Hz, and the rejection to the rear."""

from __future__ import annotations

import fnmatch
from dataclasses import dataclass

import numpy as np

from ..errors import DocumentError
from ..loudspeakers.elements import element_arrays
from ..loudspeakers.layout import layout_of
from ..loudspeakers.subs import LOW_BANDS, front_to_back, level_map
from ..physics.levels import energy, level
from ..scene.receivers import area_outline, seat_grid
from ..scene.scene import Scene
from ..venue.document import AudienceArea, Study
from .direct_sound import playing_names

LABELS = ("31.5", "63", "125")
STAGE_EAR = 1.6
"""m above the stage."""


@dataclass(frozen=True)
class BassField:
    """Coherent direct sound of all bass stacks with their images in the floor. Axis order (point, band)."""

    labels: tuple[str, ...]
    """Octaves, Hz."""
    seats: np.ndarray
    """(n_seats, n_bands) dB."""
    stage: np.ndarray
    """(n_stage, n_bands) dB, 1.6 m above the stage; no rows where the venue names no stage."""
    stage_cells: np.ndarray
    """(n_stage, 4, 2) m, corners in plan of the cells around these points."""
    rejection: dict[str, np.ndarray]
    """Name of a stack -> (n_bands,) dB, level ahead minus level behind, in the far field."""

    @property
    def spread(self) -> np.ndarray:
        """(n_bands,) dB between the levels below which 5 % and 95 % of the seats lie."""
        low, high = np.quantile(self.seats, (0.05, 0.95), axis=0)
        return high - low

    @property
    def stage_below_seats(self) -> np.ndarray:
        """(n_bands,) mean energy level on stage minus that at the seats, dB; NaN without a stage."""
        if not len(self.stage):
            return np.full(len(self.labels), np.nan)
        return level(energy(self.stage).mean(axis=0)) - level(energy(self.seats).mean(axis=0))


def bass_field(study: Study, scene: Scene, on: np.ndarray) -> BassField | None:
    """The field of the stacks that are on and have the role sub; None without any.

    31.5 Hz is left out if a box has no level stated for it.
    """
    playing = playing_names(scene, on)
    stacks = [stack for stack in study.sources.sub_stack if stack.role == "sub" and stack.name in playing]
    if not stacks:
        return None
    speed, folder = scene.speed_of_sound, study.sources_folder
    layouts = [layout_of(stack, study.sources.loudspeaker, speed) for stack in stacks]
    bands = LOW_BANDS
    try:
        arrays = [element_arrays(layout, speed, folder, bands) for layout in layouts]
    except DocumentError:
        bands = LOW_BANDS[1:]
        arrays = [element_arrays(layout, speed, folder, bands) for layout in layouts]
    floors = [stack.floor for stack in stacks if stack.floor is not None]
    planes = np.array([[0.0, 0.0, 1.0, -min(floors)]]) if floors else None
    points, cells = stage_points(study)
    return BassField(
        labels=LABELS[-len(bands) :],
        seats=level_map(arrays, scene.receivers.position, speed, planes),
        stage=level_map(arrays, points, speed, planes) if len(points) else np.empty((0, len(bands))),
        stage_cells=cells,
        rejection={s.name: front_to_back(array, s.azimuth, speed) for s, array in zip(stacks, arrays)},
    )


def stage_points(study: Study) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) on a grid of 1 m over the stage, at ear height, and corners (n, 4, 2) of their cells in plan."""
    points, cells = [np.empty((0, 3))], [np.empty((0, 4, 2))]
    for pattern in study.venue.parts.stage:
        if not any(fnmatch.fnmatchcase(name, pattern) for name in study.mesh.group_names):
            continue
        outline, height = area_outline(AudienceArea(name="stage", group=pattern), study.mesh)
        places, _, _, squares = seat_grid(outline, (1.0, 1.0), 0.0)
        points.append(np.column_stack([places, height(places) + STAGE_EAR]))
        cells.append(squares)
    return np.concatenate(points), np.concatenate(cells)
