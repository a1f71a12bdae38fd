"""The direct sound of every source at any points: when it comes, how loud, whether anything is in the way."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..physics.radiation import gain_towards
from ..scene.scene import Scene
from ..system.elements import band_energy
from ..system.field import pressure_at
from ..system.layout import layout_of
from ..tracing.geometry import Geometry
from ..tracing.visibility import visible_from
from ..venue.document import Source, Study


@dataclass(frozen=True)
class DirectSound:
    """Axis order (source, point, band); sources as in `Scene.sources`."""

    names: tuple[str, ...]
    roles: tuple[str, ...]
    arrival: np.ndarray
    """(n_sources, n_points) float64, s, delays included: of the box that is heard first."""
    energy: np.ndarray
    """(n_sources, n_points, 8) float64, (re 20 uPa)^2, air included; 0 where the source is hidden."""
    delay: np.ndarray
    """(n_sources,) float64, s, as written down; part of `arrival`."""
    seen: np.ndarray
    """(n_sources, n_points) bool: no surface in the way; cloth that hangs free hides nothing."""


def direct_sound(study: Study, scene: Scene, geometry: Geometry, points: np.ndarray) -> DirectSound:
    """Direct sound at points (n, 3), m.

    Hangs and stacks are the complex sum of their boxes, near or far. The floor's image is left out.
    """
    points = np.asarray(points, dtype=float)
    sources, speed = scene.sources, scene.speed_of_sound
    described = {source.name: source for source in study.sources.all()}
    arrival = np.empty((len(sources.names), len(points)))
    energy = np.empty((len(sources.names), len(points), 8))
    seen = np.empty(arrival.shape, bool)
    for i, name in enumerate(sources.names):
        source = described[name]
        away = points - sources.position[i]
        distance = np.linalg.norm(away, axis=1)
        if isinstance(source, Source):
            arrival[i] = distance / speed + sources.delay[i]
            gain = gain_towards(sources.balloon[i], sources.axes[i], away)
            energy[i] = 10.0 ** (sources.level[i] / 10.0) * gain / np.maximum(distance, 0.1)[:, None] ** 2
        else:
            layout = layout_of(source, study.sources.loudspeaker, speed)
            each = np.linalg.norm(points[:, None] - layout.position, axis=2) / speed + layout.delay
            arrival[i] = each[:, np.abs(layout.gain) > 0.1 * np.abs(layout.gain).max()].min(axis=1)
            energy[i] = band_energy(pressure_at(sources.elements[i], points, speed), sources.elements[i].per_band)
        energy[i] *= np.exp(-scene.air_attenuation * distance[:, None])
        seen[i] = visible_from(scene, geometry, sources.position[i], points)
    energy *= seen[..., None]
    chosen = [described[name] for name in sources.names]
    return DirectSound(
        names=sources.names,
        roles=tuple(source.role for source in chosen),
        arrival=arrival,
        energy=energy,
        delay=np.array([source.delay for source in chosen]) / 1000.0,
        seen=seen,
    )
