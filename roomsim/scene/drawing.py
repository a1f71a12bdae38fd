"""What a map needs to be read: the lines of walls, elements, zones and sources in plan."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely

from ..physics.air import Air
from ..venue.document import (
    Banner,
    CeilingDrape,
    Crowd,
    Drape,
    Element,
    FloorCovering,
    Opening,
    Study,
    SystemChange,
)
from ..venue.mesh import VenueMesh, matching_groups
from .footprints import free_sheets
from .plan_lines import PlanDrawing, Tier
from .receivers import area_outline
from .scene import ReceiverArrays
from .sources import source_places
from .tessellation import polygon_parts
from .tiers import seat_tiers

LOW = 0.3
"""m over the lowest audience floor: what is higher shows in the plan."""


def plan_drawing(study: Study, mesh: VenueMesh, receivers: ReceiverArrays) -> PlanDrawing:
    """The plan of a study.

    Walls are the mesh cut level at the lowest ear height of a tier and a little over its floor, which shows stages
    and counters, and the outline of the whole mesh seen from above.
    """
    floors, ears = [], []
    for area in study.venue.audience:
        shape, height = area_outline(area, mesh)
        floors.append(float(height(shapely.get_coordinates(shape)).min()))
        ears.append(floors[-1] + area.ear_height)
    edge, by_tier = outline(mesh), seat_tiers(receivers)
    laid = _laid(study, mesh, floors, by_tier)
    tiers = []
    for areas, on_its_floor in zip(by_tier, laid, strict=True):
        cuts = (min(floors[i] for i in areas) + LOW, min(ears[i] for i in areas))
        tiers.append(Tier(areas, (*level_section(mesh, cuts), *edge), on_its_floor))
    marks = study.venue.plan
    return PlanDrawing(
        tiers=tuple(tiers),
        elements={
            element.name: _element_lines(element, mesh)
            for element in study.elements.all()
            if not isinstance(element, Crowd | FloorCovering | SystemChange)
        },
        zones={zone.name: _closed(zone.polygon) for zone in study.venue.zone},
        sources={
            name: points[:, :2].mean(axis=0)
            for name, points in source_places(study, Air(**study.venue.air.model_dump()).speed_of_sound)
        },
        noise=tuple(source.name for source in study.sources.all() if source.role == "noise"),
        stage=marks.stage,
        north=marks.north,
    )


def level_section(mesh: VenueMesh, heights: Iterable[float]) -> tuple[np.ndarray, ...]:
    """Lines (n, 2) in which level planes cut the mesh, m; what is cut alike at several heights comes once.

    Each plane is moved up by 0.1 mm: a face just at its height would be cut in no line.
    """
    return _polylines(np.concatenate([_cut(mesh.vertices[mesh.faces], height + 1e-4) for height in heights]))


def _cut(corners: np.ndarray, height: float) -> np.ndarray:
    """Line of each triangle of (m, 3, 3) that a level plane cuts."""
    above = corners[:, :, 2] - height
    corners, above = (a[(above.min(axis=1) < 0.0) & (above.max(axis=1) > 0.0)] for a in (corners, above))
    ends = []
    for i, k in ((0, 1), (1, 2), (2, 0)):
        cut = (above[:, i] < 0.0) != (above[:, k] < 0.0)
        share = np.where(cut, above[:, i] / np.where(cut, above[:, i] - above[:, k], 1.0), np.nan)
        ends.append(corners[:, i, :2] + share[:, None] * (corners[:, k, :2] - corners[:, i, :2]))
    # Each triangle is cut in two of its three edges; NaN stands for the third.
    points = np.stack(ends, axis=1)
    order = np.argsort(np.isnan(points[..., 0]), axis=1, kind="stable")[:, :2]
    return shapely.linestrings(np.take_along_axis(points, order[..., None], axis=1))


def outline(mesh: VenueMesh) -> tuple[np.ndarray, ...]:
    """Edge (n, 2) of the mesh seen from above, holes left out, m."""
    flat = shapely.polygons(mesh.vertices[mesh.faces][:, :, :2])
    # Upright faces have no area from above. On a grid of 0.1 mm neighbours join without hairline gaps.
    seen = shapely.union_all(flat[shapely.area(flat) > 1e-8], grid_size=1e-4)
    return tuple(np.asarray(part.exterior.coords) for part in polygon_parts(seen))


def _polylines(lines: np.ndarray) -> tuple[np.ndarray, ...]:
    """Separate lines joined end to end where they meet."""
    joined = shapely.line_merge(shapely.union_all(shapely.set_precision(lines, 1e-4)))
    parts = shapely.get_parts(joined)
    return tuple(
        np.asarray(line.coords) for line in parts if shapely.get_type_id(line) == 1 and line.length > 0.0
    )


def _laid(
    study: Study, mesh: VenueMesh, floors: list[float], tiers: tuple[tuple[int, ...], ...]
) -> list[dict[str, tuple[np.ndarray, ...]]]:
    """For each tier what is laid on its floor, a covering on the floor nearest in height, and its audience."""
    found: list[dict[str, tuple[np.ndarray, ...]]] = [{} for _ in tiers]
    for covering in study.elements.floor_covering:
        gaps = [min(abs(floors[i] - covering.floor) for i in areas) for areas in tiers]
        found[int(np.argmin(gaps))][covering.name] = (_closed(covering.polygon),)
    for crowd in study.elements.crowd:
        for areas, laid in zip(tiers, found, strict=True):
            its_own = [study.venue.audience[i] for i in areas if study.venue.audience[i].name in crowd.areas]
            shapes = [area_outline(area, mesh)[0] for area in its_own]
            laid[crowd.name] = tuple(
                np.asarray(part.exterior.coords) for shape in shapes for part in polygon_parts(shape)
            )
    return found


def _element_lines(element: Element, mesh: VenueMesh) -> tuple[np.ndarray, ...]:
    if isinstance(element, Drape):
        return tuple(np.array(run) for run in element.runs)
    if isinstance(element, Banner):
        return tuple(_seen_from_above(sheet.corners) for sheet in free_sheets(element))
    if isinstance(element, CeilingDrape):
        return (_closed(element.polygon),)
    assert isinstance(element, Opening)
    fits = matching_groups(mesh, element.groups, f"opening {element.name!r}")
    corners = mesh.vertices[mesh.faces[fits[mesh.group]]][:, :, :2]
    edges = corners[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2, 2)
    longer = np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1) > 1e-4
    return _polylines(shapely.linestrings(edges[longer]))


def _seen_from_above(corners: np.ndarray) -> np.ndarray:
    """A level sheet as a closed outline, an upright one as a line."""
    if np.ptp(corners[:, 2]) < 1e-6:
        return _closed(corners[:, :2])
    return corners[:2, :2]


def _closed(polygon: object) -> np.ndarray:
    points = np.array(polygon, float)
    return np.concatenate([points, points[:1]])
