"""The bass of a system: levels at seats and on stage at 31.5, 63 and 125 Hz, rejection behind."""

from __future__ import annotations

import fnmatch
from dataclasses import dataclass

import numpy as np

from ..errors import DocumentError
from ..scene.receivers import area_outline, seat_grid
from ..scene.scene import Scene
from ..system.elements import element_arrays
from ..system.layout import layout_of
from ..system.subs import LOW_BANDS, front_to_back, level_map
from ..venue.document import AudienceArea, Study
from ..venue.mesh import VenueMesh

LABELS = ("31.5", "63", "125")
STAGE_EAR = 1.6
"""m above the stage."""


@dataclass(frozen=True)
class BassField:
    """Coherent direct sound of all bass stacks with the floor's image. Axis order (point, band)."""

    labels: tuple[str, ...]
    """Octaves, Hz."""
    seats: np.ndarray
    """(n_seats, n_bands) dB."""
    stage: np.ndarray
    """(n_stage, n_bands) dB, 1.6 m over the stage; no rows where no stage is known."""
    stage_cells: np.ndarray
    """(n_stage, 4, 2) m, plan corners of each point's cell."""
    rejection: dict[str, np.ndarray]
    """Name of a stack -> (n_bands,) dB, level straight ahead over that behind, far away."""

    @property
    def spread(self) -> np.ndarray:
        """(n_bands,) between the seats that 5 and 95 % stay below, dB."""
        low, high = np.quantile(self.seats, (0.05, 0.95), axis=0)
        return high - low

    @property
    def stage_below_seats(self) -> np.ndarray:
        """(n_bands,) mean energy level on stage minus that at the seats, dB; NaN without a stage."""
        if not len(self.stage):
            return np.full(len(self.labels), np.nan)
        mean = [10.0 * np.log10((10.0 ** (part / 10.0)).mean(axis=0)) for part in (self.stage, self.seats)]
        return mean[0] - mean[1]


def bass_field(study: Study, scene: Scene, mesh: VenueMesh, on: np.ndarray) -> BassField | None:
    """Of the stacks that are on and whose role is sub; None where there are none.

    31.5 Hz is left out where a box has no level there.
    """
    playing = {scene.sources.names[i] for i in np.flatnonzero(on)}
    stacks = [stack for stack in study.sources.sub_stack if stack.role == "sub" and stack.name in playing]
    if not stacks:
        return None
    own, speed = study.sources.loudspeaker, scene.speed_of_sound
    layouts = [layout_of(stack, own, speed) for stack in stacks]
    try:
        bands = LOW_BANDS
        arrays = [element_arrays(layout, speed, study.sources_folder, bands) for layout in layouts]
    except DocumentError:
        bands = LOW_BANDS[1:]
        arrays = [element_arrays(layout, speed, study.sources_folder, bands) for layout in layouts]
    floors = [stack.floor for stack in stacks if stack.floor is not None]
    planes = np.array([[0.0, 0.0, 1.0, -min(floors)]]) if floors else None
    points, cells = stage_points(study, mesh)
    return BassField(
        labels=LABELS[-len(bands) :],
        seats=level_map(arrays, scene.receivers.position, speed, planes),
        stage=level_map(arrays, points, speed, planes) if len(points) else np.empty((0, len(bands))),
        stage_cells=cells,
        rejection={
            stack.name: front_to_back(array, stack.azimuth, speed)
            for stack, array in zip(stacks, arrays, strict=True)
        },
    )


def stage_points(study: Study, mesh: VenueMesh) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, 3) a metre apart over the stage, at ear height, and plan corners (n, 4, 2) of each cell."""
    points, cells = [np.empty((0, 3))], [np.empty((0, 4, 2))]
    for pattern in study.venue.parts.stage:
        if not any(fnmatch.fnmatchcase(name, pattern) for name in mesh.group_names):
            continue
        outline, height = area_outline(AudienceArea(name="stage", group=pattern), mesh)
        places, _, _, squares = seat_grid(outline, (1.0, 1.0), 0.0)
        points.append(np.column_stack([places, height(places) + STAGE_EAR]))
        cells.append(squares)
    return np.concatenate(points), np.concatenate(cells)
