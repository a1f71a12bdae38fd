"""The direct sound of every source at given points: arrival time, level, and whether the source is visible."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..loudspeakers.elements import band_energy
from ..loudspeakers.field import pressure_at
from ..loudspeakers.layout import layout_of
from ..physics.levels import energy as energy_of
from ..physics.radiation import gain_towards
from ..scene.scene import Scene
from ..tracing.geometry import Geometry
from ..tracing.visibility import visible_from
from ..venue.document import Source, Study
from ..venue.loudspeakers import Loudspeaker, find_loudspeaker
from ..venue.systems import Hang, SubStack


@dataclass(frozen=True)
class DirectSound:
    """Axis order (source, point, band); sources as in `Scene.sources`."""

    roles: tuple[str, ...]
    arrival: np.ndarray
    """(n_sources, n_points) float64, s, of the box whose sound arrives first, with the delay."""
    energy: np.ndarray
    """(n_sources, n_points, 8) float64, (re 20 uPa)^2, with the loss in the air; 0 where the source is hidden."""
    delay: np.ndarray
    """(n_sources,) float64, s, as stated in the study; included in `arrival`."""
    visible: np.ndarray
    """(n_sources, n_points) bool: no surface is in between; free-hanging cloth hides no source."""

    def playing(self, on: np.ndarray, *roles: str) -> np.ndarray:
        """(n,) indices of the sources that are on, (n_sources,) bool, and have one of these roles."""
        return np.flatnonzero(on & np.isin(self.roles, roles))


def described_sources(study: Study, scene: Scene) -> list[Source | Hang | SubStack]:
    """Sources as described in the study, in the order of the scene."""
    described = {source.name: source for source in study.sources.all()}
    return [described[name] for name in scene.sources.names]


def playing_names(scene: Scene, on: np.ndarray) -> set[str]:
    """Names of the sources that are on, (n_sources,) bool; the scene omits sources that play in no scenario."""
    return {scene.sources.names[i] for i in np.flatnonzero(on)}


def box_of(study: Study, source: Source | Hang | SubStack) -> Source | Loudspeaker:
    """The box of a hang or stack; a single source describes its box itself."""
    return source if isinstance(source, Source) else find_loudspeaker(study.sources.loudspeaker, source.loudspeaker)


def direct_sound(study: Study, scene: Scene, geometry: Geometry, points: np.ndarray) -> DirectSound:
    """Direct sound at points (n, 3), m.

    Hangs and stacks are the complex sum of their boxes, in the near and the far field. The image source of the floor is
    not included.
    """
    points = np.asarray(points, dtype=float)
    sources, speed = scene.sources, scene.speed_of_sound
    described = described_sources(study, scene)
    arrival = np.empty((len(described), len(points)))
    energy = np.empty((*arrival.shape, 8))
    visible = np.empty(arrival.shape, bool)
    for i, source in enumerate(described):
        away = points - sources.position[i]
        distance = np.linalg.norm(away, axis=1)
        if isinstance(source, Source):
            arrival[i] = distance / speed + sources.delay[i]
            gain = gain_towards(sources.balloon[i], sources.axes[i], away)
            energy[i] = energy_of(sources.level[i]) * gain / np.maximum(distance, 0.1)[:, None] ** 2
        else:
            layout = layout_of(source, study.sources.loudspeaker, speed)
            each = np.linalg.norm(points[:, None] - layout.position, axis=2) / speed + layout.delay
            arrival[i] = each[:, np.abs(layout.gain) > 0.1 * np.abs(layout.gain).max()].min(axis=1)
            energy[i] = band_energy(pressure_at(sources.elements[i], points, speed), sources.elements[i].per_band)
        energy[i] *= np.exp(-scene.air_attenuation * distance[:, None])
        visible[i] = visible_from(scene, geometry, sources.position[i], points)
    energy *= visible[..., None]
    return DirectSound(
        roles=tuple(source.role for source in described),
        arrival=arrival,
        energy=energy,
        delay=np.array([source.delay for source in described]) / 1000.0,
        visible=visible,
    )
