"""Hangs aimed at the seats on their side, away from roof and walls."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..loudspeakers.aiming import Aim, aim
from ..scene.scene import Scene
from ..tracing.geometry import Geometry
from ..venue.document import Study
from ..venue.systems import Hang
from .energy_deposition import ROOF, WALLS, VenueParts

MOST_SEATS = 64
"""Seats at which a hang is aimed: enough for the spread, few enough to evaluate thousands of angles."""
WIDEST = 35.0
"""Degrees from the axis of a hang, in plan, within which it covers seats."""


def aim_hang(
    hang: Hang,
    study: Study,
    scene: Scene,
    geometry: Geometry,
    parts: VenueParts,
    splays: Sequence[float],
    spread: float,
) -> Aim:
    """Better angles for a hang; for `splays` and `spread` see `aim`."""
    place = scene.sources.position[scene.sources.names.index(hang.name)]
    return aim(
        hang,
        study.sources.loudspeaker,
        seats_of_hang(hang, study, scene.receivers.position),
        scene.speed_of_sound,
        study.sources_folder,
        air_attenuation=scene.air_attenuation,
        unwanted=lambda directions: np.isin(parts.towards(geometry, place, directions), (ROOF, WALLS)),
        splays=splays,
        spread=spread,
        seed=study.document.seed,
    )


def seats_of_hang(hang: Hang, study: Study, seats: np.ndarray) -> np.ndarray:
    """(n, 3) seats that are no farther from this hang than from others of its role, and within `WIDEST` of its axis;
    all seats where there are none.

    If they are too many, `MOST_SEATS` of them at evenly spaced ranks of distance.
    """
    top = np.array(hang.top)
    tops = np.unique([other.top for other in study.sources.hang if other.role == hang.role], axis=0)
    nearest = np.linalg.norm(seats[:, None] - tops, axis=2).min(axis=1)
    distance = np.linalg.norm(seats - top, axis=1)
    away = seats[:, :2] - top[:2]
    angle = np.degrees(np.arctan2(away[:, 1], away[:, 0])) - hang.azimuth
    own = (distance <= nearest + 1e-6) & (np.abs((angle + 180.0) % 360.0 - 180.0) < WIDEST)
    chosen = np.flatnonzero(own) if own.any() else np.arange(len(seats))
    chosen = chosen[np.argsort(distance[chosen], kind="stable")]
    even = np.linspace(0, len(chosen) - 1, min(len(chosen), MOST_SEATS)).astype(int)
    return seats[chosen[even]]
