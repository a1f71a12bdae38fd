"""Walls that are modelled as solids: only their inner skin, which faces the room, is used.

Drawing programs export walls with their thickness. A ray from the room then crosses two faces of each wall, so that
the parity of crossings does not identify the room, and areas and volume include parts that no sound reaches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import compress

import numpy as np
import shapely

from ..venue.document import Study
from ..venue.mesh import VenueMesh
from .boundary import IN_ROOM, Boundary, boundary_of
from .findings import Finding, list_text
from .patches import is_sliver
from .receivers import compile_receivers
from .sources import source_places
from .surfaces import Region, Regions, flat_regions
from .tessellation import triangles_of
from .topology import TOUCHING, normals_and_areas

MOST_FACES = 10_000
"""Largest mesh in which an outer skin is sought: the work grows with the square of the number of faces."""
MOST_STARTS = 50
"""Seats used as test points; more would add no information."""
N_SAMPLES = 8
"""Test points on each flat surface."""
BESIDE = 2e-3
"""m from a surface to its test points: off the surface, and well within any wall."""
ALL_ROUND = 0.85
"""Share of directions in which a face must be visible from a point in the room; some doorways may be open."""
SAME_SIZE = 0.7
"""Least length and width of the inner skin relative to the whole mesh; solids in the room are smaller."""


def room_mesh(study: Study) -> VenueMesh:
    """The mesh without its outer skin if it has one, otherwise the mesh itself.

    Raises
    ------
    MeshError, SceneError
        As `compile_receivers`.
    """
    sources = source_places(study)
    seats = compile_receivers(study).position
    return without_outer_skin(study, starts_of(np.array([p.mean(axis=0) for _, p in sources]), seats))


def starts_of(sources: np.ndarray, seats: np.ndarray) -> np.ndarray:
    """(n, 3) test points in the room: the sources and some of the seats."""
    return np.concatenate([sources.reshape(-1, 3), seats[:: max(1, len(seats) // MOST_STARTS)]])


def without_outer_skin(study: Study, starts: np.ndarray) -> VenueMesh:
    """The mesh without the faces that no sound from the points (n, 3) reaches, if walls are modelled as solids.

    The mesh is returned unchanged if most of the points are in its room.
    """
    whole = boundary_of(study.mesh, study.venue)
    if (whole.locate(starts) == IN_ROOM).mean() > 0.5 or len(study.mesh.faces) > MOST_FACES:
        return study.mesh
    regions = flat_regions(study.mesh)
    hit = np.isin(np.arange(len(study.mesh.faces)), whole.reflected_rays(starts)[3])
    seen = _air_before(regions, whole)
    pieces: list[tuple[np.ndarray | int, np.ndarray]] = []
    for region, share in zip(regions, seen):
        if share == 0.0 and not hit[region.faces].any():
            continue
        parts = _cut_to_air(region, regions, whole)
        pieces.append((int(region.faces[0]), np.concatenate(parts)) if parts else (region.faces, region.corners))
    inner = _mesh_of(study.mesh, pieces)
    if inner is None:
        return study.mesh
    sides, inner_sides = (np.ptp(m.vertices[m.faces].reshape(-1, 3), axis=0)[:2] for m in (study.mesh, inner))
    is_room = (boundary_of(inner, study.venue).locate(starts) == IN_ROOM).mean() > 0.9
    return inner if is_room and (inner_sides >= SAME_SIZE * sides).all() else study.mesh


def _air_before(regions: Regions, whole: Boundary) -> np.ndarray:
    """(n_regions,) share of each flat surface that faces air between solids.

    From such air a ray crosses an even number of faces; unlike outdoors, it meets one in nearly every direction.
    """
    random = np.random.default_rng(7)
    points = []
    for region in regions:
        areas = normals_and_areas(region.corners)[1]
        chosen = region.corners[random.choice(len(areas), N_SAMPLES, p=areas / areas.sum())]
        weights = random.dirichlet((1.0, 1.0, 1.0), N_SAMPLES)
        points.append(np.einsum("ij,ijk->ik", weights, chosen))
    return _is_air(np.stack(points), regions.normals, whole).mean(axis=1)


def _is_air(points: np.ndarray, normals: np.ndarray, whole: Boundary) -> np.ndarray:
    """(n, k) bool: whether there is air on either side at the points (n, k, 3) of surfaces with normals (n, 3)."""
    beside = np.stack([points + BESIDE * normals[:, None], points - BESIDE * normals[:, None]])
    is_air = whole.is_between(beside.reshape(-1, 3), ALL_ROUND).reshape(beside.shape[:-1])
    return np.asarray(is_air.any(axis=0))


def _cut_to_air(region: Region, regions: Regions, whole: Boundary) -> list[np.ndarray]:
    """Triangles (n, 3, 3) of the parts of a flat surface that face air: a floor may extend under the walls.

    Empty if that is all of the surface, or undecided.
    """
    near = (regions.boxes[:, 0] < region.bounds[1] + TOUCHING) & (regions.boxes[:, 1] > region.bounds[0] - TOUCHING)
    lines = [region.polygon.boundary]
    for other in (regions[i] for i in np.flatnonzero(near.all(axis=1))):
        on_it = np.abs(region.plane.distance(other.corners)) < TOUCHING
        flat = region.plane.flatten(other.corners)
        for a, b in ((0, 1), (1, 2), (2, 0)):
            both = on_it[:, a] & on_it[:, b]
            lines += list(shapely.linestrings(flat[both][:, [a, b]]))
    cells = shapely.polygonize([shapely.union_all(lines, grid_size=1e-6)])
    inside = [
        cell
        for cell in cells.geoms
        if not is_sliver(cell) and region.polygon.covers(cell.representative_point())
    ]
    if len(inside) < 2:
        return []
    middles = region.plane.lift(shapely.get_coordinates([cell.representative_point() for cell in inside]))
    is_air = _is_air(middles[:, None], np.tile(region.plane.normal, (len(inside), 1)), whole)[:, 0]
    if is_air.all():
        return []
    flat_parts = [triangles_of(cell) for cell in compress(inside, is_air)]
    return [region.plane.lift(part) for part in flat_parts]


def _mesh_of(mesh: VenueMesh, pieces: Sequence[tuple[np.ndarray | int, np.ndarray]]) -> VenueMesh | None:
    """A mesh of some faces of another mesh, or of pieces cut from them, with the same groups.

    Parameters
    ----------
    pieces : (k,) uncut faces, or the one face from which pieces are cut; and corners (k, 3, 3), m

    Returns
    -------
    None if all faces are used, or none
    """
    if not pieces:
        return None
    origin = np.concatenate([np.broadcast_to(face, len(corners)) for face, corners in pieces])
    if len(origin) == len(mesh.faces) and len(np.unique(origin)) == len(origin):
        return None
    corners = np.concatenate([corners for _, corners in pieces])
    order = np.argsort(origin, kind="stable")
    # Pieces end at the edges of other faces: equal corners are merged, apart from rounding.
    _, first, number = np.unique(
        corners[order].reshape(-1, 3).round(9), axis=0, return_index=True, return_inverse=True
    )
    vertices, faces = corners[order].reshape(-1, 3)[first], number.reshape(-1)
    origin = origin[order]
    return replace(
        mesh,
        vertices=vertices,
        faces=faces.reshape(-1, 3),
        group=mesh.group[origin],
        polygon=mesh.polygon[origin],
        place=mesh.place[origin],
    )


def skin_finding(mesh: VenueMesh, inner: VenueMesh) -> Finding:
    """The note on a mesh whose walls are modelled as solids."""
    area, inner_area = (_group_areas(m) for m in (mesh, inner))
    outer = [name for name, a, k in zip(mesh.group_names, area, inner_area) if a > 0.0 and k == 0.0]
    both = [name for name, a, k in zip(mesh.group_names, area, inner_area) if 0.0 < k < (1.0 - 1e-6) * a]
    if outer and not both:
        cure = f"To simplify the mesh, delete the group{'s' * (len(outer) > 1)} {list_text(outer)}."
    else:
        cure = f"To simplify the mesh, delete the outer faces of {list_text([*outer, *both])}."
    text = (
        f"The walls are modelled as solids. Only their inner skin is used; {area.sum() - inner_area.sum():,.0f} of "
        f"{area.sum():,.0f} m2, which no sound in the room reaches, are left out."
    )
    return Finding("solid_walls", "note", mesh.file, text, cure)


def _group_areas(mesh: VenueMesh) -> np.ndarray:
    """(n_groups,) m2."""
    areas = normals_and_areas(mesh.vertices[mesh.faces])[1]
    return np.bincount(mesh.group, areas, minlength=len(mesh.group_names))
