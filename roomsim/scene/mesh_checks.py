"""Faults of the mesh: scale, holes, faces that are turned, empty, double or in one place."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import shapely
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from ..bands import NOMINAL
from ..elements.finishes import finish_of
from ..physics.air import Air
from ..physics.reverberation import Enclosure, sabine
from ..venue.document import Study
from ..venue.mesh import VenueMesh, match_surfaces, matching_groups
from .boundary import IN_ROOM, N_BOUNCES, Boundary
from .findings import Finding, as_position, list_text, point_text
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
)

LOW_ABSORPTION = 0.01
LONGEST_DECAY = 60.0
"""s, reverberation time up to which a decay is followed: in the 15 s that rays are followed at most it falls by 15 dB,
just enough to tell its rate in two halves."""
MOST = 10
"""Findings of one kind, before they are summed up."""


def size_findings(study: Study, boundary: Boundary) -> Iterator[Finding]:
    """Extent, volume, area of each material; suspicions about unit and materials."""
    size = np.ptp(study.mesh.vertices[study.mesh.faces].reshape(-1, 3), axis=0)
    volume, is_exact = boundary.volume()
    areas = normals_and_areas(study.mesh.vertices[study.mesh.faces])[1]
    total = float(areas.sum())
    reference = study.venue.mesh
    yield Finding(
        "size",
        "note",
        reference.file,
        f"Read in {reference.unit}, {reference.up} up: {size[0]:.2f} x {size[1]:.2f} x {size[2]:.2f} m, "
        f"volume {volume:,.0f} m3, floor plan {boundary.plan_area():,.1f} m2, surface {total:,.1f} m2, "
        f"{len(study.mesh.faces):,} faces.",
        "",
    )
    if not is_exact:
        yield Finding(
            "volume",
            "warning",
            reference.file,
            "The mesh is not closed, or its faces are not all turned the same way: the volume is an "
            "estimate, and so are the statistical reverberation times.",
            "Close the mesh and make its normals consistent; the other findings say where.",
        )
    yield from _areas(study, areas, volume)


def _areas(study: Study, areas: np.ndarray, volume: float) -> Iterator[Finding]:
    material_of = match_surfaces(study.mesh, study.venue)
    area_of = np.bincount(study.mesh.group, areas, minlength=len(study.mesh.group_names))
    groups: dict[str, list[int]] = {}
    for i in range(len(study.mesh.group_names)):
        groups.setdefault(material_of[i], []).append(i)
    absorbed = np.zeros(8)
    for material, members in sorted(groups.items(), key=lambda entry: -area_of[entry[1]].sum()):
        area = float(area_of[members].sum())
        absorbed += area * finish_of(study.materials.material[material]).absorption
        yield Finding(
            "area",
            "note",
            material,
            f"{area:,.1f} m2, {area / areas.sum():.1%} of the surface: "
            f"{list_text(study.mesh.group_names[i] for i in members)}.",
            "",
        )
    mean = absorbed / areas.sum()
    air = Air(**study.venue.air.model_dump())
    times = sabine(Enclosure(np.array([areas.sum()]), mean[None], volume, air.attenuation, air.speed_of_sound))
    if mean.min() < LOW_ABSORPTION and times.max() > LONGEST_DECAY:
        band = int(times.argmax())
        yield Finding(
            "absorption",
            "error",
            "materials",
            f"The bare venue absorbs so little (a mean of {mean[band]:.4f} at {NOMINAL[band]:g} Hz) that sound takes "
            + (f"{times[band]:,.0f} s" if times[band] < 1e5 else "for ever")
            + f" to die away; what takes more than {LONGEST_DECAY:g} s cannot be followed to its end.",
            "Give the largest surfaces the absorption of real ones: steel, glass and concrete have 0.01 to 0.05.",
        )
    elif mean.min() < LOW_ABSORPTION:
        yield Finding(
            "absorption",
            "warning",
            "materials",
            f"The mean absorption of the bare venue falls to {mean.min():.4f}; real rooms reach 0.01.",
            "Check the materials of the largest surfaces.",
        )


def face_findings(study: Study, regions: Regions) -> Iterator[Finding]:
    """Faces without area, repeated faces, faces that overlap in one plane, faces turned over."""
    faces = study.mesh.faces
    corners = study.mesh.vertices[faces]
    edges = np.linalg.norm(corners - np.roll(corners, -1, axis=1), axis=2).max(axis=1)
    empty = 2.0 * normals_and_areas(corners)[1] <= FLAT * edges
    yield from _faces_found(
        study.mesh,
        np.flatnonzero(empty),
        "degenerate_face",
        "note",
        "without area",
        "They do no harm; delete them to tidy up.",
    )
    repeated = repeated_faces(faces)
    yield from _faces_found(
        study.mesh,
        repeated[~empty[repeated]],
        "duplicate_face",
        "warning",
        "repeating another face",
        "Delete one of each pair. The first counts, with its material; the others are left out.",
    )
    yield from _overlaps(study.mesh, regions)
    turned = turned_edges(faces)
    if len(turned):
        middle = study.mesh.vertices[turned].mean(axis=1)
        yield Finding(
            "winding",
            "note",
            study.venue.mesh.file,
            f"Faces on the two sides of {len(turned):,} edges are turned against each other, first at "
            f"{point_text(middle[0])}. Surfaces reflect on both sides, so only the volume suffers.",
            "Make the normals consistent in the program that drew the mesh.",
            as_position(middle[0]),
        )


def _faces_found(
    mesh: VenueMesh, found: np.ndarray, code: str, severity: str, what: str, cure: str
) -> Iterator[Finding]:
    if not len(found):
        return
    middle = mesh.vertices[mesh.faces[found]].mean(axis=1)
    groups = dict.fromkeys(mesh.group_names[g] for g in mesh.group[found])
    where = "; ".join(f"{mesh.where(face)} {point_text(m)}" for face, m in zip(found[:3], middle))
    yield Finding(
        code,
        severity,  # type: ignore[arg-type]
        list_text(groups),
        f"{len(found):,} face{'s' * (len(found) > 1)} {what}: {where}{' ...' if len(found) > 3 else ''}.",
        cure,
        as_position(middle[0]),
    )


def _overlaps(mesh: VenueMesh, regions: Regions) -> Iterator[Finding]:
    found: list[tuple[float, str, str, np.ndarray]] = []
    for region in (region for region in regions if len(region.faces) > 1):
        excess = normals_and_areas(region.corners)[1].sum() - region.polygon.area
        edges = np.linalg.norm(region.corners - np.roll(region.corners, -1, axis=1), axis=2).sum()
        # Corners that miss each other by a fraction of a millimetre make strips along the edges, which do no harm.
        if excess > max(SLIVER_AREA, 0.5 * SLIVER_WIDTH * edges):
            name = mesh.group_names[region.group]
            found.append((excess, name, name, region.plane.lift(_inner_point(region.polygon))[0]))
    grown = regions.boxes + FLATNESS * np.array([[-1.0], [1.0]])
    flat_boxes = shapely.box(grown[:, 0, 0], grown[:, 0, 1], grown[:, 1, 0], grown[:, 1, 1])
    first, second = shapely.STRtree(flat_boxes).query(flat_boxes)
    level = (grown[first, 0, 2] < grown[second, 1, 2]) & (grown[second, 0, 2] < grown[first, 1, 2])
    normals = regions.normals
    origins = np.array([region.plane.origin for region in regions])
    parallel = np.abs(np.einsum("ij,ij->i", normals[first], normals[second])) > SAME_DIRECTION
    off = np.abs(np.einsum("ij,ij->i", origins[second] - origins[first], normals[first]))
    # The exact distance is looked at below; two origins a hall apart may differ by a little more.
    chosen = (first < second) & level & parallel & (off < 50.0 * FLATNESS)
    for i, k in zip(first[chosen], second[chosen]):
        common = _common_area(regions[i], regions[k])
        if common is not None:
            area, point = common
            names = (mesh.group_names[regions[i].group], mesh.group_names[regions[k].group])
            found.append((area, *names, point))
    for area, one, other, point in sorted(found, key=lambda entry: -entry[0])[:MOST]:
        pair = repr(one) if one == other else f"{one!r} and {other!r}"
        yield Finding(
            "overlapping_faces",
            "warning",
            pair,
            f"Faces of {pair} lie in one place over {area:,.2f} m2, at {point_text(point)}.",
            "Cut the one out of the other, or move them 10 mm apart: which of them a ray meets is chance.",
            as_position(point),
        )


def _common_area(one: Region, other: Region) -> tuple[float, np.ndarray] | None:
    flat = one.plane.flatten(other.corners.reshape(-1, 3)).reshape(-1, 3, 2)
    shape = shapely.union_all(shapely.polygons(flat))
    common = shapely.union_all(
        [part for part in polygon_parts(one.polygon.intersection(shape)) if not is_sliver(part)]
    )
    if common.is_empty:
        return None
    point = _inner_point(common)
    # How far apart the two planes are where they overlap.
    apart = abs(other.plane.distance(one.plane.lift(point))[0])
    return (common.area, one.plane.lift(point)[0]) if apart < FLATNESS else None


def _inner_point(shape: shapely.geometry.base.BaseGeometry) -> np.ndarray:
    return shapely.get_coordinates(shape.representative_point())


def holes(study: Study) -> list[np.ndarray]:
    """Chains of open edges that touch no other face, each (n, 2, 3) m; longest first.

    Edges of two-sided groups count for none. Where an edge ends in the middle of another, or stands on a face
    that goes on under it, nothing leaks and nothing is reported.
    """
    faces = study.mesh.faces
    kept = np.setdiff1d(
        np.flatnonzero(normals_and_areas(study.mesh.vertices[faces])[1] > 0.0), repeated_faces(faces)
    )
    faces, group = faces[kept], study.mesh.group[kept]
    edges, owner = open_edges(faces)
    closed = ~matching_groups(study.mesh, study.venue.two_sided, "two_sided")[group[owner]]
    edges, owner = edges[closed], owner[closed]
    if not len(edges):
        return []
    ends = study.mesh.vertices[edges]
    # Sampled inside the edge only: at its ends other faces touch it round any hole.
    share = np.array([0.03, 0.15, 0.3, 0.45, 0.6, 0.75, 0.9, 0.97])
    points = ends[:, None, 0] + share[:, None] * (ends[:, 1] - ends[:, 0])[:, None]
    touching = touching_faces(
        points.reshape(-1, 3), np.repeat(owner, len(share)), study.mesh.vertices[faces], TOUCHING
    ).reshape(len(edges), -1)
    edges = edges[~touching.all(axis=1)]
    if not len(edges):
        return []
    n = len(study.mesh.vertices)
    label = connected_components(coo_array((np.ones(len(edges)), edges.T), shape=(n, n)), directed=False)[1]
    chains = [study.mesh.vertices[edges[label[edges[:, 0]] == chain]] for chain in np.unique(label[edges[:, 0]])]
    return sorted(chains, key=lambda chain: -_length(chain))


def _length(chain: np.ndarray) -> float:
    return float(np.linalg.norm(chain[:, 1] - chain[:, 0], axis=1).sum())


def hole_findings(mesh: VenueMesh, chains: Sequence[np.ndarray]) -> Iterator[Finding]:
    """Where the mesh is open."""
    for chain in chains[:MOST]:
        size = np.ptp(chain.reshape(-1, 3), axis=0)
        middle = chain.reshape(-1, 3).mean(axis=0)
        groups = list_text(groups_at(mesh, chain))
        yield Finding(
            "hole",
            "warning",
            groups,
            f"{len(chain)} open edges, {_length(chain):.2f} m together, round {size[0]:.2f} x "
            f"{size[1]:.2f} x {size[2]:.2f} m at {point_text(middle)}, at the edge of {groups}.",
            "Close the gap with a face (an opening is a face of the material 'open'); if the surface is "
            "meant to hang free as a sheet, list its group under two_sided.",
            as_position(middle),
        )
    if len(chains) > MOST:
        rest = sum(_length(chain) for chain in chains[MOST:])
        yield Finding(
            "hole",
            "warning",
            "mesh",
            f"{len(chains) - MOST} further gaps with {rest:.2f} m of open edges.",
            "Close the largest first; each may be a vertex that misses its neighbour.",
        )


def groups_at(mesh: VenueMesh, chain: np.ndarray) -> list[str]:
    """Names of the surface groups that have one of the edges (n, 2, 3)."""
    ends = {tuple(point) for point in chain.reshape(-1, 3)}
    corners = mesh.vertices[mesh.faces]
    on_it = np.array([[tuple(corner) in ends for corner in face] for face in corners]).sum(axis=1) >= 2
    return list(dict.fromkeys(mesh.group_names[g] for g in mesh.group[on_it]))


def leak_findings(
    mesh: VenueMesh, boundary: Boundary, starts: np.ndarray, chains: Sequence[np.ndarray]
) -> Iterator[Finding]:
    """Share of rays that leave the room, and through which gap.

    Rays start from the points (n, 3) that lie in the room.
    """
    starts = starts[boundary.locate(starts) == IN_ROOM] if len(starts) else starts
    if not len(starts):
        return
    n_rays, lost_from, lost_along, _ = boundary.reflected_rays(starts)
    if not len(lost_from):
        return
    share = len(lost_from) / n_rays
    yield Finding(
        "leak",
        "error" if share > 0.5 else "warning",
        "mesh",
        f"{share:.2%} of {n_rays:,} test rays leave the room within {N_BOUNCES} reflections. "
        + _ways_out(mesh, lost_from, lost_along, chains),
        "Close these gaps; until then a run loses this energy and says how much.",
        as_position(lost_from[0]),
    )


def _ways_out(mesh: VenueMesh, start: np.ndarray, along: np.ndarray, chains: Sequence[np.ndarray]) -> str:
    if not chains:
        return f"No open edge explains it; the first leaves {point_text(start[0])}."
    nearest = np.full(len(start), np.inf)
    way = np.zeros(len(start), int)
    for i, chain in enumerate(chains[:50]):
        points = (
            chain[:, None, 0] + np.linspace(0, 1, 5)[:, None] * (chain[:, 1] - chain[:, 0])[:, None]
        ).reshape(-1, 3)
        for point in points:
            to_point = point - start
            ahead = np.maximum((to_point * along).sum(axis=1), 0.0)
            miss = np.linalg.norm(to_point - ahead[:, None] * along, axis=1)
            way = np.where(miss < nearest, i, way)
            nearest = np.minimum(miss, nearest)
    counts = np.bincount(way, minlength=len(chains))
    told = [
        f"{counts[i] / len(start):.0%} near {point_text(chains[i].reshape(-1, 3).mean(axis=0))} "
        f"({list_text(groups_at(mesh, chains[i]), 2)})"
        for i in np.argsort(-counts, kind="stable")[:3]
        if counts[i]
    ]
    return "Of these pass " + ", ".join(told) + "."
