"""What a map needs to be read: the lines of walls, elements, zones and sources in plan."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

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
from .receivers import area_outline
from .sources import source_places
from .tessellation import polygon_parts

LOW = 0.3
"""m over the lowest audience floor: what is higher shows in the plan."""


@dataclass(frozen=True)
class PlanDrawing:
    """Lines for maps, plan view, m."""

    walls: tuple[np.ndarray, ...]
    """(n, 2) polylines of the mesh cut over the floor and at ear height, and its outline."""
    elements: dict[str, tuple[np.ndarray, ...]]
    """Element name -> (n, 2) polylines (lines) or closed polygons (areas)."""
    zones: dict[str, np.ndarray]
    """Name -> (n, 2) closed polygon."""
    sources: dict[str, np.ndarray]
    """Name -> (2,) position."""
    stage: tuple[float, float] | None
    north: float | None
    """Degrees anticlockwise from x."""


def plan_drawing(study: Study, mesh: VenueMesh) -> PlanDrawing:
    """The plan of a study.

    Walls are the mesh cut level at the lowest ear height and a little over the floor, which shows stages and
    counters, and the outline of the whole mesh seen from above.
    """
    floors, ears = [], []
    for area in study.venue.audience:
        shape, height = area_outline(area, mesh)
        floors.append(float(height(shapely.get_coordinates(shape)).min()))
        ears.append(floors[-1] + area.ear_height)
    marks = study.venue.plan
    return PlanDrawing(
        walls=(*level_section(mesh, (min(floors) + LOW, min(ears))), *outline(mesh)),
        elements={element.name: _element_lines(element, study, mesh) for element in study.elements.all()},
        zones={zone.name: _closed(zone.polygon) for zone in study.venue.zone},
        sources={
            name: points[:, :2].mean(axis=0)
            for name, points in source_places(study, Air(**study.venue.air.model_dump()).speed_of_sound)
        },
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


def _element_lines(element: Element, study: Study, mesh: VenueMesh) -> tuple[np.ndarray, ...]:
    if isinstance(element, Drape):
        return tuple(np.array(run) for run in element.runs)
    if isinstance(element, Banner):
        return tuple(_seen_from_above(sheet.corners) for sheet in free_sheets(element))
    if isinstance(element, CeilingDrape | FloorCovering):
        return (_closed(element.polygon),)
    if isinstance(element, Crowd):
        areas = {area.name: area for area in study.venue.audience}
        shapes = [area_outline(areas[name], mesh)[0] for name in element.areas]
        return tuple(np.asarray(part.exterior.coords) for shape in shapes for part in polygon_parts(shape))
    if isinstance(element, SystemChange):
        return ()
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
