"""Flat surfaces of a venue: coplanar connected faces of one group, as polygons in their plane."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from ..elements.sheets import Plane, plane_through
from ..venue.mesh import VenueMesh
from .topology import normals_and_areas, shared_edges, usable_faces

FLAT = 1e-5
"""m by which the corners of a region may deviate from its plane. A region is flattened to be cut: with larger
deviations, the cuts would open gaps to the next surface."""
FLATNESS = 1e-3
"""m within which two surfaces count as coincident, or as coplanar mirrors."""
SAME_DIRECTION = np.cos(np.radians(0.1))
"""Cosine between the normals of faces of one plane."""


@dataclass(frozen=True)
class Region:
    """Coplanar connected faces of one surface group."""

    group: int
    faces: np.ndarray
    """(k,) int, faces of the mesh."""
    plane: Plane
    triangles: np.ndarray
    """(k, 3) int, their vertices in the mesh."""
    corners: np.ndarray
    """(k, 3, 3) m."""

    @cached_property
    def polygon(self) -> BaseGeometry:
        """The faces as one polygon in the plane's coordinates."""
        flat = self.plane.flatten(self.corners.reshape(-1, 3)).reshape(-1, 3, 2)
        return shapely.union_all(shapely.polygons(flat[np.abs(_doubled_areas(flat)) > 0.0]))

    @cached_property
    def bounds(self) -> np.ndarray:
        """(2, 3) m."""
        return np.array([self.corners.min(axis=(0, 1)), self.corners.max(axis=(0, 1))])


def _doubled_areas(flat: np.ndarray) -> np.ndarray:
    a, b = flat[:, 1] - flat[:, 0], flat[:, 2] - flat[:, 0]
    return a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]


class Regions(tuple[Region, ...]):
    """All flat regions of a venue."""

    @cached_property
    def normals(self) -> np.ndarray:
        """(n, 3)."""
        return np.array([region.plane.normal for region in self]).reshape(-1, 3)

    @cached_property
    def boxes(self) -> np.ndarray:
        """(n, 2, 3) lowest and highest coordinates, m."""
        return np.array([region.bounds for region in self]).reshape(-1, 2, 3)


def flat_regions(mesh: VenueMesh) -> Regions:
    """The faces of a venue grouped into flat regions, in the order of the first face of each.

    Neighbours are joined if they belong to one group and each lies within `FLAT` of the plane of the other. Where a
    gently curved surface would thereby leave its plane, its faces are not joined. Faces without area and
    repeated faces are left out.
    """
    faces = mesh.faces
    corners = mesh.vertices[faces]
    normals, areas = normals_and_areas(corners)
    usable = usable_faces(mesh.vertices, faces)

    pairs = shared_edges(faces)[0]
    a, b = pairs.T
    joined = (mesh.group[a] == mesh.group[b]) & usable[a] & usable[b]
    joined &= np.abs(np.einsum("ij,ij->i", normals[a], normals[b])) > SAME_DIRECTION
    for one, other in ((a, b), (b, a)):
        out = np.einsum("ikj,ij->ik", corners[other] - corners[one][:, :1], normals[one])
        joined &= np.abs(out).max(axis=1) < FLAT
    m = len(faces)
    links = coo_array((np.ones(joined.sum(), bool), (a[joined], b[joined])), shape=(m, m))
    label = connected_components(links, directed=False)[1]

    chosen = np.flatnonzero(usable)
    chosen = chosen[np.argsort(label[chosen], kind="stable")]
    parts = np.split(chosen, np.flatnonzero(np.diff(label[chosen])) + 1)
    regions: list[Region] = []
    for members in parts:
        largest = members[np.argmax(areas[members])]
        plane = plane_through(corners[largest, 0], normals[largest])
        if np.abs((corners[members] - plane.origin) @ plane.normal).max() < FLAT:
            regions.append(_region(mesh, members, plane))
            continue
        regions += [
            _region(mesh, i, plane_through(corners[i[0], 0], normals[i[0]])) for i in members[:, None]
        ]
    return Regions(sorted(regions, key=lambda region: region.faces[0]))


def _region(mesh: VenueMesh, members: np.ndarray, plane: Plane) -> Region:
    triangles = mesh.faces[members]
    return Region(int(mesh.group[members[0]]), members, plane, triangles, mesh.vertices[triangles])
