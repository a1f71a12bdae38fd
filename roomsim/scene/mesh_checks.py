"""Checks of the mesh: size, materials, faulty faces, holes and the energy that leaks through them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from shapely.geometry.base import BaseGeometry

from ..bands import NOMINAL
from ..elements.finishes import finish_of
from ..physics.air import Air
from ..physics.reverberation import Enclosure, sabine
from ..venue.document import Study
from ..venue.mesh import VenueMesh, match_surfaces, matching_groups
from .boundary import IN_ROOM, N_BOUNCES, Boundary
from .findings import Finding, Severity, as_position, list_text, point_text
from .patches import SLIVER_AREA, SLIVER_WIDTH, is_sliver
from .surfaces import FLAT, FLATNESS, SAME_DIRECTION, Region, Regions
from .tessellation import polygon_parts
from .topology import (
    TOUCHING,
    normals_and_areas,
    open_edges,
    repeated_faces,
    touching_faces,
    turned_edges,
    usable_faces,
)

LOW_ABSORPTION = 0.01
LONGEST_DECAY = 60.0
"""s, longest reverberation time that can be computed: within the 15 s for which rays are traced at most, the level
falls by 15 dB, just enough to evaluate the decay rate in two halves."""
MOST = 10
"""Findings of one kind that are listed; the rest is summarized."""


def size_findings(study: Study, boundary: Boundary) -> Iterator[Finding]:
    """Dimensions, volume and area of each material; suspicious units and materials."""
    corners = study.mesh.vertices[study.mesh.faces]
    size = np.ptp(corners.reshape(-1, 3), axis=0)
    volume, is_exact = boundary.volume()
    areas = normals_and_areas(corners)[1]
    reference = study.venue.mesh
    text = (
        f"Read in {reference.unit} with {reference.up} up: {size[0]:.2f} x {size[1]:.2f} x {size[2]:.2f} m, "
        f"volume {volume:,.0f} m3, floor plan {boundary.plan_area():,.1f} m2, surface {areas.sum():,.1f} m2, "
        f"{len(corners):,} faces."
    )
    yield Finding("size", "note", reference.file, text, "")
    if not is_exact:
        text = (
            "The mesh is not closed, or its normals are not consistent: the volume is an estimate, and so are the "
            "statistical reverberation times."
        )
        cure = "Close the mesh and make its normals consistent; the other findings show where."
        yield Finding("volume", "warning", reference.file, text, cure)
    yield from _material_findings(study, areas, volume)


def _material_findings(study: Study, areas: np.ndarray, volume: float) -> Iterator[Finding]:
    material_of = match_surfaces(study.mesh, study.venue)
    area_of = np.bincount(study.mesh.group, areas, minlength=len(study.mesh.group_names))
    groups: dict[str, list[int]] = {}
    for i, material in enumerate(material_of):
        groups.setdefault(material, []).append(i)
    total = areas.sum()
    absorbed = np.zeros(8)
    for material, members in sorted(groups.items(), key=lambda entry: -area_of[entry[1]].sum()):
        area = float(area_of[members].sum())
        absorbed += area * finish_of(study.materials.material[material]).absorption
        names = list_text(study.mesh.group_names[i] for i in members)
        text = f"{area:,.1f} m2, {area / total:.1%} of the surface: {names}."
        yield Finding("area", "note", material, text, "")
    mean = absorbed / total
    if mean.min() >= LOW_ABSORPTION:
        return
    air = Air(**study.venue.air.model_dump())
    times = sabine(Enclosure(np.array([total]), mean[None], volume, air.attenuation, air.speed_of_sound))
    if times.max() > LONGEST_DECAY:
        band = int(times.argmax())
        time = f"{times[band]:,.0f} s" if times[band] < 1e5 else "infinite"
        text = (
            f"The mean absorption of the bare venue is only {mean[band]:.4f} at {NOMINAL[band]:g} Hz, which gives a "
            f"reverberation time of {time}; decays longer than {LONGEST_DECAY:g} s cannot be computed."
        )
        cure = "Give the largest surfaces realistic absorption: steel, glass and concrete have 0.01 to 0.05."
        yield Finding("absorption", "error", "materials", text, cure)
    else:
        text = f"The mean absorption of the bare venue falls to {mean.min():.4f}; real rooms have at least 0.01."
        yield Finding("absorption", "warning", "materials", text, "Check the materials of the largest surfaces.")


def face_findings(study: Study, regions: Regions) -> Iterator[Finding]:
    """Faces without area, repeated faces, coplanar faces that overlap, and inconsistent normals."""
    mesh = study.mesh
    corners = mesh.vertices[mesh.faces]
    edges = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max(axis=1)
    empty = 2.0 * normals_and_areas(corners)[1] <= FLAT * edges
    repeated = repeated_faces(mesh.faces)
    duplicate = repeated[~empty[repeated]]
    cure = "They have no effect and can be deleted."
    yield from _listed_faces(mesh, np.flatnonzero(empty), "degenerate_face", "note", "without area", cure)
    cure = "Delete one of each pair. The first one is used, with its material; the others are ignored."
    yield from _listed_faces(mesh, duplicate, "duplicate_face", "warning", "repeating another face", cure)
    yield from _overlap_findings(mesh, regions)
    turned = turned_edges(mesh.faces)
    if len(turned):
        middle = mesh.vertices[turned[0]].mean(axis=0)
        text = (
            f"The faces on the two sides of {len(turned):,} edges have opposite orientation, first at "
            f"{point_text(middle)}. Surfaces reflect on both sides, so this affects only the volume."
        )
        cure = "Make the normals consistent in the program that created the mesh."
        yield Finding("winding", "note", study.venue.mesh.file, text, cure, as_position(middle))


def _listed_faces(
    mesh: VenueMesh, faces: np.ndarray, code: str, severity: Severity, fault: str, cure: str
) -> Iterator[Finding]:
    if len(faces):
        middle = mesh.vertices[mesh.faces[faces]].mean(axis=1)
        groups = list_text(dict.fromkeys(mesh.group_names[g] for g in mesh.group[faces]))
        where = "; ".join(f"{mesh.where(face)} {point_text(m)}" for face, m in zip(faces[:3], middle))
        more = " ..." if len(faces) > 3 else ""
        text = f"{len(faces):,} face{'s' * (len(faces) > 1)} {fault}: {where}{more}."
        yield Finding(code, severity, groups, text, cure, as_position(middle[0]))


def _overlap_findings(mesh: VenueMesh, regions: Regions) -> Iterator[Finding]:
    overlaps: list[tuple[float, int, int, np.ndarray]] = []
    for region in (region for region in regions if len(region.faces) > 1):
        excess = normals_and_areas(region.corners)[1].sum() - region.polygon.area
        edges = np.linalg.norm(region.corners - np.roll(region.corners, -1, axis=1), axis=2).sum()
        # Corners that miss each other by a fraction of a millimetre make strips along the edges, which are harmless.
        if excess > max(SLIVER_AREA, 0.5 * SLIVER_WIDTH * edges):
            point = region.plane.lift(_inner_point(region.polygon))[0]
            overlaps.append((excess, region.group, region.group, point))
    grown = regions.boxes + FLATNESS * np.array([[-1.0], [1.0]])
    flat_boxes = shapely.box(grown[:, 0, 0], grown[:, 0, 1], grown[:, 1, 0], grown[:, 1, 1])
    first, second = shapely.STRtree(flat_boxes).query(flat_boxes)
    level = (grown[first, 0, 2] < grown[second, 1, 2]) & (grown[second, 0, 2] < grown[first, 1, 2])
    normals = regions.normals
    origins = np.array([region.plane.origin for region in regions])
    parallel = np.abs(np.einsum("ij,ij->i", normals[first], normals[second])) > SAME_DIRECTION
    off = np.abs(np.einsum("ij,ij->i", origins[second] - origins[first], normals[first]))
    # `_common_area` computes the exact distance; two origins far apart in the hall may differ by a little more.
    chosen = (first < second) & level & parallel & (off < 50.0 * FLATNESS)
    for i, k in zip(first[chosen], second[chosen]):
        common = _common_area(regions[i], regions[k])
        if common is not None:
            overlaps.append((common[0], regions[i].group, regions[k].group, common[1]))
    for area, one, other, point in sorted(overlaps, key=lambda entry: -entry[0])[:MOST]:
        pair = " and ".join(repr(mesh.group_names[group]) for group in dict.fromkeys((one, other)))
        text = f"Faces of {pair} coincide over {area:,.2f} m2, at {point_text(point)}."
        cure = "Cut one out of the other, or move them 10 mm apart: it is undefined which of them a ray meets."
        yield Finding("overlapping_faces", "warning", pair, text, cure, as_position(point))


def _common_area(one: Region, other: Region) -> tuple[float, np.ndarray] | None:
    shape = shapely.union_all(shapely.polygons(one.plane.flatten(other.corners)))
    common = shapely.union_all(
        [part for part in polygon_parts(one.polygon.intersection(shape)) if not is_sliver(part)]
    )
    if common.is_empty:
        return None
    point = one.plane.lift(_inner_point(common))
    # The distance between the two planes where the faces overlap.
    return (common.area, point[0]) if other.plane.contains(point, FLATNESS) else None


def _inner_point(shape: BaseGeometry) -> np.ndarray:
    return shapely.get_coordinates(shape.representative_point())


def holes(study: Study) -> list[np.ndarray]:
    """Chains of open edges that touch no other face, each (n, 2, 3) m; longest first.

    Edges of two-sided groups are ignored. Where an edge ends in the middle of another edge, or stands on a face
    that extends beyond it, nothing leaks and nothing is reported.
    """
    mesh = study.mesh
    usable = usable_faces(mesh.vertices, mesh.faces)
    faces = mesh.faces[usable]
    edges, owner = open_edges(faces)
    one_sided = ~matching_groups(mesh, study.venue.two_sided, "two_sided")[mesh.group[usable][owner]]
    edges, owner = edges[one_sided], owner[one_sided]
    if not len(edges):
        return []
    # Points near the ends are left out: other faces touch the ends around any hole.
    points = _points_along(mesh.vertices[edges], np.array([0.03, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 0.97]))
    touching = touching_faces(
        points.reshape(-1, 3), np.repeat(owner, points.shape[1]), mesh.vertices[faces], TOUCHING
    ).reshape(len(edges), -1)
    edges = edges[~touching.all(axis=1)]
    if not len(edges):
        return []
    n = len(mesh.vertices)
    label = connected_components(coo_array((np.ones(len(edges)), edges.T), shape=(n, n)), directed=False)[1]
    chains = [mesh.vertices[edges[label[edges[:, 0]] == chain]] for chain in np.unique(label[edges[:, 0]])]
    return sorted(chains, key=lambda chain: -_length(chain))


def _points_along(edges: np.ndarray, share: np.ndarray) -> np.ndarray:
    """(n, k, 3) points at shares (k,) of the length of edges (n, 2, 3)."""
    return edges[:, None, 0] + share[:, None] * (edges[:, 1] - edges[:, 0])[:, None]


def _length(chain: np.ndarray) -> float:
    return float(np.linalg.norm(chain[:, 1] - chain[:, 0], axis=1).sum())


def hole_findings(mesh: VenueMesh, chains: Sequence[np.ndarray]) -> Iterator[Finding]:
    """The holes of the mesh, from their chains of edges, longest first."""
    for chain in chains[:MOST]:
        size = np.ptp(chain.reshape(-1, 3), axis=0)
        middle = chain.reshape(-1, 3).mean(axis=0)
        groups = list_text(groups_at(mesh, chain))
        text = (
            f"{len(chain)} open edges, {_length(chain):.2f} m together, around a gap of {size[0]:.2f} x "
            f"{size[1]:.2f} x {size[2]:.2f} m at {point_text(middle)}, at the edge of {groups}."
        )
        cure = (
            "Close the gap with a face (an opening is a face of the material 'open'); if the surface is a "
            "free-hanging sheet, list its group under two_sided."
        )
        yield Finding("hole", "warning", groups, text, cure, as_position(middle))
    if len(chains) > MOST:
        rest = sum(_length(chain) for chain in chains[MOST:])
        text = f"{len(chains) - MOST} further gaps with {rest:.2f} m of open edges."
        cure = "Close the largest first; each may be a vertex that does not meet its neighbour."
        yield Finding("hole", "warning", "mesh", text, cure)


def groups_at(mesh: VenueMesh, chain: np.ndarray) -> list[str]:
    """Names of the surface groups that have one of the edges (n, 2, 3)."""
    ends = {tuple(point) for point in chain.reshape(-1, 3)}
    corners = mesh.vertices[mesh.faces]
    on_it = np.array([[tuple(corner) in ends for corner in face] for face in corners]).sum(axis=1) >= 2
    return list(dict.fromkeys(mesh.group_names[g] for g in mesh.group[on_it]))


def leak_findings(
    mesh: VenueMesh, boundary: Boundary, starts: np.ndarray, chains: Sequence[np.ndarray]
) -> Iterator[Finding]:
    """Share of test rays that leave the room, and the gaps through which they leave.

    Rays start from those of the points (n, 3) that lie in the room.
    """
    starts = starts[boundary.locate(starts) == IN_ROOM] if len(starts) else starts
    if not len(starts):
        return
    n_rays, origins, directions, _ = boundary.reflected_rays(starts)
    if not len(origins):
        return
    share = len(origins) / n_rays
    text = f"{share:.2%} of {n_rays:,} test rays leave the room within {N_BOUNCES} reflections. "
    text += _exits(mesh, origins, directions, chains)
    cure = "Close these gaps; until then a run loses this energy and reports how much."
    severity: Severity = "error" if share > 0.5 else "warning"
    yield Finding("leak", severity, "mesh", text, cure, as_position(origins[0]))


def _exits(mesh: VenueMesh, origins: np.ndarray, directions: np.ndarray, chains: Sequence[np.ndarray]) -> str:
    """The gaps nearest to which most of the rays leave, as a sentence."""
    if not chains:
        return f"There is no open edge near their paths; the first one starts from {point_text(origins[0])}."
    nearest = np.full(len(origins), np.inf)
    gap = np.zeros(len(origins), int)
    for i, chain in enumerate(chains[:50]):
        for point in _points_along(chain, np.linspace(0, 1, 5)).reshape(-1, 3):
            to_point = point - origins
            ahead = np.maximum((to_point * directions).sum(axis=1), 0.0)
            miss = np.linalg.norm(to_point - ahead[:, None] * directions, axis=1)
            gap = np.where(miss < nearest, i, gap)
            nearest = np.minimum(miss, nearest)
    counts = np.bincount(gap, minlength=len(chains))
    shares = [
        f"{counts[i] / len(origins):.0%} near {point_text(chains[i].reshape(-1, 3).mean(axis=0))} "
        f"({list_text(groups_at(mesh, chains[i]), 2)})"
        for i in np.argsort(-counts, kind="stable")[:3]
        if counts[i]
    ]
    return f"They leave the room as follows: {', '.join(shares)}."
