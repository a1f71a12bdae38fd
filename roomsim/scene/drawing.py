"""What a map needs to be read: the lines of walls, elements, zones and sources in plan."""

from __future__ import annotations

import warnings
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import shapely

from ..errors import PictureWarning
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
from .scene import ReceiverArrays
from .sources import source_places
from .tessellation import polygon_parts
from .tiers import seat_tiers

LOW = 0.3
"""m over the lowest audience floor: what is higher shows in the plan."""


@dataclass(frozen=True)
class Tier:
    """Audience areas of which none lies above another: they share a plan."""

    areas: tuple[int, ...]
    """Indices of the audience areas."""
    walls: tuple[np.ndarray, ...]
    """(n, 2) polylines of the mesh cut over its floor and at ear height, and its outline."""
    laid: dict[str, tuple[np.ndarray, ...]]
    """What is laid on its floor or sits there: element name -> (n, 2) closed polygons."""


@dataclass(frozen=True)
class PlanDrawing:
    """Lines for maps, plan view, m."""

    tiers: tuple[Tier, ...]
    """Lowest first; more than one where seats lie above each other."""
    elements: dict[str, tuple[np.ndarray, ...]]
    """What is seen from all tiers: element name -> (n, 2) polylines (lines) or closed polygons (areas)."""
    zones: dict[str, np.ndarray]
    """Name -> (n, 2) closed polygon."""
    sources: dict[str, np.ndarray]
    """Name -> (2,) position."""
    noise: tuple[str, ...]
    """Names of those sources that are noise."""
    stage: tuple[float, float] | None
    north: float | None
    """Degrees anticlockwise from x."""

    def elements_on(self, *tiers: int) -> dict[str, tuple[np.ndarray, ...]]:
        """Element name -> lines of what the plan of these tiers shows; what has no lines there is left out."""
        found = dict(self.elements)
        for tier in tiers:
            for name, lines in self.tiers[tier].laid.items():
                found[name] = (*found.get(name, ()), *lines)
        return {name: lines for name, lines in found.items() if lines}


def plan_drawing(study: Study, mesh: VenueMesh, receivers: ReceiverArrays) -> PlanDrawing:
    """The plan of a study; where it cannot be drawn, one without lines, and a `PictureWarning`.

    It is drawn beside results, which must not be lost with it.
    """
    try:
        return _whole_plan(study, mesh, receivers)
    except Exception as fault:
        warnings.warn(
            f"the plan of the venue could not be drawn ({type(fault).__name__}: {fault}): maps show the seats only.",
            PictureWarning,
            stacklevel=2,
        )
        areas = tuple(range(len(receivers.area_names)))
        return PlanDrawing((Tier(areas, (), {}),), {}, {}, {}, (), None, None)


def _whole_plan(study: Study, mesh: VenueMesh, receivers: ReceiverArrays) -> PlanDrawing:
    """The plan with all its lines.

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
            for name, points in source_places(study)
        },
        noise=tuple(source.name for source in study.sources.all() if source.role == "noise"),
        stage=marks.stage,
        north=marks.north,
    )


def level_section(mesh: VenueMesh, heights: Iterable[float]) -> tuple[np.ndarray, ...]:
    """Lines (n, 2) in which level planes cut the mesh, m; what is cut alike at several heights comes once.

    Each plane is moved up by 0.1 mm: a face just at its height would be cut in no line.
    """
    corners = mesh.vertices[mesh.faces]
    cuts = [cut_by_plane(corners, corners[:, :, 2] - (height + 1e-4))[..., :2] for height in heights]
    return _polylines(shapely.linestrings(np.concatenate(cuts)))


def cut_by_plane(corners: np.ndarray, above: np.ndarray) -> np.ndarray:
    """(n, 2, 3) ends of the lines in which a plane cuts triangles (m, 3, 3); `above` (m, 3), m, is the signed distance
    of each corner from the plane."""
    corners, above = (a[(above.min(axis=1) < 0.0) & (above.max(axis=1) > 0.0)] for a in (corners, above))
    ends = []
    for i, k in ((0, 1), (1, 2), (2, 0)):
        cut = (above[:, i] < 0.0) != (above[:, k] < 0.0)
        share = np.where(cut, above[:, i] / np.where(cut, above[:, i] - above[:, k], 1.0), np.nan)
        ends.append(corners[:, i] + share[:, None] * (corners[:, k] - corners[:, i]))
    # Each triangle is cut in two of its three edges; NaN stands for the third.
    points = np.stack(ends, axis=1)
    order = np.argsort(np.isnan(points[..., 0]), axis=1, kind="stable")[:, :2]
    return np.take_along_axis(points, order[..., None], axis=1)


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
