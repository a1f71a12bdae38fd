"""Whether a point is in the air of the room, and the volume of this air."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from ..venue.document import VenueDocument
from ..venue.mesh import VenueMesh, matching_groups
from ._kernels import closest, crossings
from .topology import normals_and_areas, usable_faces

IN_ROOM, IN_SOLID, OUTSIDE = 0, 1, 2
WRONG_PLACES = {OUTSIDE: ("outside", "outside the room"), IN_SOLID: ("in_solid", "inside a solid")}
"""Where a point is that is not in the room: last part of the code of a finding, and words for its message."""

N_COLUMNS = 64
"""Vertical sampling lines along either side of the plan."""
N_BOUNCES = 12
"""Diffuse reflections for which test rays are traced to find faces and gaps."""
AGREEMENT = 0.05
"""Relative difference up to which the sampled volume confirms the exact one."""
CLOSED = 1e-4
"""Sum of area vectors, relative to the sum of areas, up to which a surface counts as closed. Rounding leaves less
than 1e-9; gaps of a tenth of a millimetre between corners, as drawing programs write them, up to 1e-5 in a room of
10 m. Missing area is at most half a diagonal R away and adds 1e-4 S R / 3 to the volume V, with S the surface: 0.03 %
in a hall, where S R is about 10 V."""


@dataclass(frozen=True)
class Boundary:
    """The faces that enclose the air of the room: all except open sheets, each once."""

    corners: np.ndarray
    """(m, 3, 3) float64, m."""
    face: np.ndarray
    """(m,) int, face of the mesh."""

    def closest(
        self, origins: np.ndarray, directions: np.ndarray, leave_out: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """First face that each ray (n, 3) meets, as an index of this boundary, -1 for none, and distance.

        `leave_out` (n,) : face that each ray starts from.
        """
        if leave_out is None:
            leave_out = np.full(len(origins), -1)
        return closest(*_as_float(origins, directions), leave_out.astype(np.int64), self._triangles())

    def locate(self, points: np.ndarray) -> np.ndarray:
        """`IN_ROOM`, `IN_SOLID` or `OUTSIDE` for each point (n, 3).

        Odd-even rule: rays from the air of the room cross an odd number of faces. A few rays decide if they agree;
        otherwise, as near a gap, the majority of more rays does. A point that is not in the air but surrounded by
        faces is inside a solid.
        """
        result = np.full(len(points), IN_ROOM)
        undecided = np.arange(len(points))
        for directions in (_directions(5), _directions(45)):
            counts = self._counts(points[undecided], directions)
            votes = (counts % 2).mean(axis=1)
            result[undecided] = np.where(
                votes > 0.5, IN_ROOM, np.where((counts > 0).mean(axis=1) > 0.9, IN_SOLID, OUTSIDE)
            )
            undecided = undecided[votes < 1.0]
            if not len(undecided):
                break
        return result

    def is_between(self, points: np.ndarray, all_round: float) -> np.ndarray:
        """(n,) bool: whether each point (n, 3) lies between solids rather than in one or outdoors.

        Most rays from it cross an even number of faces, and at least the share `all_round` of them crosses any.
        """
        counts = self._counts(points, _directions(13))
        return ((counts % 2 == 0).mean(axis=1) > 0.5) & ((counts > 0).mean(axis=1) >= all_round)

    def reflected_rays(self, starts: np.ndarray) -> tuple[int, np.ndarray, np.ndarray, np.ndarray]:
        """Trace rays in all directions from the points (n, 3), with at most `N_BOUNCES` diffuse reflections.

        The seed of the random numbers is fixed.

        Returns
        -------
        number of rays; last origin and direction of the rays that meet no face, (k, 3) each; faces of the mesh that
        are met
        """
        n_rays = int(np.clip(5e8 / (N_BOUNCES * len(self.corners)), 200, 4000))
        origins = starts[np.arange(n_rays) % len(starts)]
        random = np.random.default_rng(20)
        directions = _unit(random.normal(size=origins.shape))
        start_face = np.full(len(origins), -1)
        normals = normals_and_areas(self.corners)[0]
        lost: list[tuple[np.ndarray, np.ndarray]] = []
        met = [np.empty(0, int)]
        for _ in range(N_BOUNCES + 1):
            face, distance = self.closest(origins, directions, start_face)
            away = face < 0
            lost.append((origins[away], directions[away]))
            origins = (origins + np.where(away, 0.0, distance)[:, None] * directions)[~away]
            start_face = face[~away]
            met.append(start_face)
            normal = normals[start_face]
            facing = -np.sign(np.einsum("ij,ij->i", normal, directions[~away]))[:, None] * normal
            # The normal plus a random unit vector follows the cosine law.
            directions = _unit(facing + _unit(random.normal(size=origins.shape)))
        starts, along = (np.concatenate(parts) for parts in zip(*lost))
        return n_rays, starts, along, self.face[np.unique(np.concatenate(met))]

    def _counts(self, points: np.ndarray, directions: np.ndarray) -> np.ndarray:
        """(n, k) number of faces that rays from the points (n, 3) in each of the directions (k, 3) cross."""
        n, k = len(points), len(directions)
        origins, along = np.repeat(points, k, axis=0), np.tile(directions, (n, 1))
        return crossings(*_as_float(origins, along), self._triangles(), 0)[0].reshape(n, k)

    def sampled_volume(self) -> float:
        """Volume of the air from crossings along vertical lines, m3; to about half a percent.

        Lines that cross an odd number of faces (a gap, a solid without a bottom) count as the mean of the others
        that cross any.
        """
        low, high = self.corners.min(axis=(0, 1)), self.corners.max(axis=(0, 1))
        # One line at a random place in each cell of a grid, so that none runs along a symmetric edge.
        cell = (high - low)[:2] / N_COLUMNS
        index = np.stack(np.meshgrid(np.arange(N_COLUMNS), np.arange(N_COLUMNS)), axis=-1).reshape(-1, 2)
        plan = low[:2] + (index + np.random.default_rng(1).random(index.shape)) * cell
        origins = np.column_stack([plan, np.full(len(plan), low[2] - 1.0)])
        upward = np.tile([0.0, 0.0, 1.0], (len(plan), 1))
        counts, heights = crossings(*_as_float(origins, upward), self._triangles(), 64)
        met = counts > 0
        even = (counts % 2 == 0) & (counts <= 64)
        if not (met & even).any():
            return 0.0
        heights = np.sort(heights[met & even], axis=1)
        heights[np.isinf(heights)] = 0.0
        length = (heights[:, 1::2] - heights[:, ::2]).sum(axis=1)
        return float(length.mean() * met.sum() * cell.prod())

    def plan_area(self) -> float:
        """Area of the room in plan, m2."""
        is_upright = np.abs(normals_and_areas(self.corners)[0][:, 2]) < 1e-3
        shadows = shapely.polygons(self.corners[~is_upright][:, :, :2])
        return float(shapely.union_all(shadows, grid_size=1e-5).area)

    def volume(self) -> tuple[float, bool]:
        """Volume of the air, m3, and whether it is exact.

        Exact if the mesh is closed and its normals are consistent; sampled otherwise. The area vectors of a closed
        surface sum to zero, and its volume follows from the divergence theorem; the sampled volume guards against
        faults that happen to cancel.
        """
        a, b, c = np.moveaxis(self.corners - self.corners.mean(axis=(0, 1)), 1, 0)
        doubled = np.cross(b - a, c - a)
        is_closed = np.linalg.norm(doubled.sum(axis=0)) < CLOSED * np.linalg.norm(doubled, axis=1).sum()
        signed = abs(float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0))
        sampled = self.sampled_volume()
        if is_closed and abs(signed - sampled) <= AGREEMENT * signed:
            return signed, True
        return sampled, False

    def _triangles(self) -> np.ndarray:
        """(9, m) corner and two edges, in the layout of the kernels."""
        a = self.corners[:, :1]
        return np.ascontiguousarray(np.concatenate([a, self.corners[:, 1:] - a], axis=1).reshape(-1, 9).T)


def boundary_of(mesh: VenueMesh, venue: VenueDocument) -> Boundary:
    """The faces of a venue without open sheets, repeated faces and faces without area.

    Raises
    ------
    MeshError
        A name under two_sided that matches no surface group.
    """
    one_sided = ~matching_groups(mesh, venue.two_sided, "two_sided")[mesh.group]
    chosen = np.flatnonzero(usable_faces(mesh.vertices, mesh.faces) & one_sided)
    return Boundary(mesh.vertices[mesh.faces[chosen]], chosen)


def _directions(n: int) -> np.ndarray:
    """(n, 3) directions spread over the sphere, none along an axis: a rotated golden-angle spiral."""
    height = 1.0 - (2.0 * np.arange(n) + 1.0) / n
    angle = np.arange(n) * np.pi * (3.0 - np.sqrt(5.0)) + 0.7341
    level = np.sqrt(1.0 - height**2)
    spiral = np.stack([level * np.cos(angle), level * np.sin(angle), height], axis=1)
    turn = np.linalg.qr(np.array([[0.61, 0.35, 0.71], [-0.22, 0.93, 0.11], [0.47, -0.13, 0.87]]))[0]
    return spiral @ turn


def _unit(vectors: np.ndarray) -> np.ndarray:
    return vectors / np.linalg.norm(vectors, axis=1)[:, None]


def _as_float(*arrays: np.ndarray) -> tuple[np.ndarray, ...]:
    return tuple(np.ascontiguousarray(array, dtype=np.float64) for array in arrays)
