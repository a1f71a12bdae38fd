"""The input of the statistical formulas for a scene: areas, absorption, volume, air."""

from __future__ import annotations

import numpy as np

from ..physics.reverberation import Enclosure
from ..scene.scene import Scene


def enclosure_of(scene: Scene) -> Enclosure:
    """Areas (n_patches, n_scenarios, 1), absorption (n_patches, n_scenarios, 8) and directions of a scene.

    A free-hanging sheet counts with both faces and with the energy that it neither reflects nor transmits; in a
    scenario without it its area is zero.
    """
    area = np.array([patch.area * patch.sides for patch in scene.patches])
    absorption = scene.absorption
    is_sheet = np.array([patch.is_sheet for patch in scene.patches])
    hung = ~(is_sheet[:, None] & (scene.factors[:, 2] >= 1.0 - 1e-9).all(axis=2))
    surfaces = scene.surfaces
    weighted = np.cross(surfaces.edge_u, surfaces.edge_v)
    size = np.linalg.norm(weighted, axis=1)
    squares = weighted**2 / size[:, None]
    facing = np.zeros((len(scene.patches), 3))
    np.add.at(facing, surfaces.patch, squares)
    facing /= np.maximum(facing.sum(axis=1, keepdims=True), 1e-12)
    return Enclosure(
        areas=area[:, None, None] * hung[..., None],
        absorption=absorption,
        volume=scene.volume,
        air_attenuation=scene.air_attenuation,
        speed_of_sound=scene.speed_of_sound,
        facing=facing,
    )
