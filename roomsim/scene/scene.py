"""The compiled scene: flat arrays.

`Scene.factors`, the activity of sources and the noise depend on the scenario; all else is common to all scenarios.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..loudspeakers.elements import ElementArrays

SPECULAR, DIFFUSE, TRANSMITTED = 0, 1, 2
"""Events at a surface: the middle index of `Scene.factors`."""


@dataclass(frozen=True)
class SurfaceArrays:
    """Planar primitives: triangles and parallelograms, hit from either side.

    A point p of the plane has coordinates u, v: p = origin + u edge_u + v edge_v. A triangle is
    u, v >= 0, u + v <= 1; a parallelogram 0 <= u, v <= 1.
    """

    origin: np.ndarray
    """(n_primitives, 3) float64, m."""
    edge_u: np.ndarray
    """(n_primitives, 3) float64, m."""
    edge_v: np.ndarray
    """(n_primitives, 3) float64, m."""
    is_triangle: np.ndarray
    """(n_primitives,) bool."""
    patch: np.ndarray
    """(n_primitives,) int32, index of the surface patch: row of `Scene.factors`."""
    mirror: np.ndarray
    """(n_primitives,) int32, index of the mirror plane for image sources, -1 where the primitive is too small
    to count as a mirror (its specular reflections are then traced)."""


@dataclass(frozen=True)
class Patch:
    """A part of a surface that is uniform in every scenario."""

    name: str
    """Surface group, with the elements that can cover it: "brick_east + D1"."""
    group: str
    """Surface group of the mesh, or the element's name for a free-hanging sheet."""
    covers: tuple[str, ...]
    """Elements that cover or replace it when they are present, lowest first."""
    area: float
    """m2, one side."""
    is_sheet: bool
    """True for free-hanging cloth, which transmits and has both sides in the room."""
    two_sided: bool = False
    """True for a surface of the mesh with both sides in the room."""

    @property
    def sides(self) -> int:
        """Number of sides that count in sums over the surface of the room."""
        return 2 if self.is_sheet or self.two_sided else 1


@dataclass(frozen=True)
class SourceArrays:
    """All sources, with their level and directivity on a grid over the sphere.

    A hang or a stack is one source here: for rays its balloon from far away, for direct sound and image
    sources the complex sum of its boxes, which holds near it too.
    """

    names: tuple[str, ...]
    position: np.ndarray
    """(n_sources, 3) float64, m; of hangs and stacks the middle of their boxes."""
    axes: np.ndarray
    """(n_sources, 3, 3) float64, frame of the balloon, rows: polar axis, azimuth 0, azimuth 90 deg;
    right-handed and orthonormal. Axis, left, up of simple sources; up, ahead, left of hangs and stacks,
    whose beams are flat."""
    balloon: np.ndarray
    """(n_sources, n_polar, n_azimuth, 8) float64, squared pressure re `level`. Polar angle 0..180 deg off
    the polar axis in equal steps, both ends included; azimuth 0..360 deg about it, equal steps, end
    excluded. Of a stack near a floor it holds the power that the floor's image adds."""
    level: np.ndarray
    """(n_sources, 8) float64, dB at 1 m in the free field: on axis; of hangs and stacks in their loudest
    direction, brought to 1 m from far away."""
    delay: np.ndarray
    """(n_sources,) float64, s; of hangs and stacks until the first sound ahead leaves their middle."""
    active: np.ndarray
    """(n_sources, n_scenarios) float64, gain as a factor on energy; 0 where a source is off in a scenario,
    and for sources whose sound counts as noise."""
    elements: Mapping[int, ElementArrays] = field(default_factory=dict)
    """Boxes of the sources that are hangs or stacks, by index."""
    coherent: tuple[tuple[int, ...], ...] = ()
    """Groups of sources with one signal: at low frequencies their direct and image-source sound adds up
    in phase. A source in no group adds up in energy, its own reflections included."""
    noise_active: np.ndarray | None = None
    """(n_sources, n_scenarios) float64, as `active`, of the sources whose sound counts as noise; None where
    there are none."""


@dataclass(frozen=True)
class ReceiverArrays:
    """Seats: spheres at ear height."""

    position: np.ndarray
    """(n_receivers, 3) float64, m."""
    radius: float
    area: np.ndarray
    """(n_receivers,) int32, index of the audience area."""
    area_names: tuple[str, ...]
    row: np.ndarray
    """(n_receivers,) int32, position of the seat in its area's seat grid."""
    column: np.ndarray
    """(n_receivers,) int32."""
    cell: np.ndarray
    """(n_receivers, 4, 2) float64, plan corners of the seat's cell, for maps."""

    @property
    def n_receivers(self) -> int:
        return len(self.position)


@dataclass(frozen=True)
class Scene:
    """A venue with all elements of a study, and its properties in each scenario."""

    surfaces: SurfaceArrays
    patches: tuple[Patch, ...]
    mirror_planes: np.ndarray
    """(n_mirrors, 4) float64, unit normal and offset: n . x + d = 0."""
    factors: np.ndarray
    """(n_patches, 3, n_scenarios, 8) float64: share of the incident energy that is reflected specularly,
    reflected diffusely (Lambert), transmitted straight on. The remainder is absorbed."""
    sources: SourceArrays
    receivers: ReceiverArrays
    scenarios: tuple[str, ...]
    """Names; the bare venue is the first."""
    compare_with: np.ndarray
    """(n_scenarios,) int, index of the scenario that each is measured against; its own index for the bare
    one."""
    noise: np.ndarray
    """(n_scenarios, 8) float64, dB."""
    speed_of_sound: float
    """m/s."""
    air_attenuation: np.ndarray
    """(8,) float64, 1/m, energy attenuation m: I = I0 exp(-m x)."""
    volume: float
    """m3."""

    @property
    def n_scenarios(self) -> int:
        return len(self.scenarios)

    @property
    def absorption(self) -> np.ndarray:
        """(n_patches, n_scenarios, 8): 1 - reflected - transmitted."""
        return 1.0 - self.factors.sum(axis=1)
