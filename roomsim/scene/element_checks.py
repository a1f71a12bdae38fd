"""Checks of elements: their fit to surfaces, zones to keep clear, crossed surfaces, overlaps and limits."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..elements.element import Element
from ..elements.sheets import Plane, Sheet
from ..elements.surfaces import LEAST_SHARE, Fit, Footprint
from ..venue.document import Study, Zone
from ..venue.mesh import VenueMesh
from .boundary import IN_SOLID, OUTSIDE, WRONG_PLACES, Boundary
from .findings import Finding, Severity, as_position, list_text, point_text
from .footprints import PARALLEL, project
from .limits import Limits
from .rigging import Rig
from .surfaces import FLATNESS, Regions
from .topology import cut_by_plane, normals_and_areas

EDGE_MARGIN = 0.05
"""m along the edges of cloth that the checks ignore: cloth may touch walls, floor and roof."""
THICKNESS = 0.1
"""m that pleated cloth takes up on either side of its line."""
SAFETY_ZONES = ("exit", "escape_route", "safety_equipment", "plant")
"""Kinds of zone in which nothing may hang or stand."""
NEAR_WALL = 1.0
"""m within which a surface behind free-hanging cloth changes the absorption of the cloth."""


def _sheet_finding(
    element: Element, piece: str, code: str, severity: Severity, text: str, cure: str,
    position: Iterable[float] | None = None,
) -> Finding:  # fmt: skip
    point = None if position is None else as_position(position)
    return Finding(code, severity, f"{element.label}, {piece}", text, cure, point, (element.name,))


def fit_findings(fits: Iterable[Fit], elements: Mapping[str, Element]) -> Iterator[Finding]:
    """Elements that do not lie on the surface they are meant for, or not at the stated distance from it."""
    for fit in fits:
        misfit = elements[fit.element].misfit(fit)
        if misfit is not None:
            yield _sheet_finding(elements[fit.element], fit.piece, *misfit)


def zone_conflict(
    zone: Zone, place: str, text: str, cure: str, position: Iterable[float],
    elements: tuple[str, ...] = (), sources: tuple[str, ...] = (),
) -> Finding:  # fmt: skip
    """The finding for an object in a zone: an error in zones that are kept clear for safety."""
    is_safety = zone.kind in SAFETY_ZONES
    cure += " The person responsible for the safety of the venue must approve anything in this zone." * is_safety
    severity: Severity = "error" if is_safety else "warning"
    return Finding("zone_conflict", severity, place, text, cure, as_position(position), elements, sources)


def zone_text(zone: Zone) -> str:
    """The name of a zone in a sentence: "the escape route 'north'"."""
    return f"the {zone.kind.replace('_', ' ')} {zone.name!r}"


def extent_text(shape: BaseGeometry) -> str:
    """Area and bounds of a shape in plan, in a sentence."""
    low_x, low_y, high_x, high_y = shape.bounds
    return f"over {shape.area:.2f} m2 between x {low_x:.2f} and {high_x:.2f}, y {low_y:.2f} and {high_y:.2f}"


def zone_findings(element: Element, zones: Iterable[Zone]) -> Iterator[Finding]:
    """Cloth in a zone that must stay clear."""
    for zone in zones:
        outline = shapely.Polygon(zone.polygon)
        for sheet in element.hung_sheets():
            is_level = abs(sheet.plane.normal[2]) > 0.5
            conflict = (_level_conflict if is_level else _upright_conflict)(sheet, zone, outline)
            if conflict is not None:
                extent, cure, position = conflict
                text = f"It hangs in {zone_text(zone)}, {extent}."
                yield zone_conflict(
                    zone, f"{element.label}, {sheet.piece}", text, cure, position, elements=(element.name,)
                )


Conflict = tuple[str, str, tuple[float, float, float]]
"""Extent in words, remedy, and a point, m."""


def _level_conflict(sheet: Sheet, zone: Zone, outline: shapely.Polygon) -> Conflict | None:
    height = float(sheet.corners[0, 2])
    common = shapely.Polygon(sheet.corners[:, :2]).intersection(outline)
    if not zone.bottom < height < zone.top or common.area < 1e-3:
        return None
    point = common.representative_point()
    return f"{extent_text(common)}, at a height of {height:.2f} m", "Move it away.", (point.x, point.y, height)


def _upright_conflict(sheet: Sheet, zone: Zone, outline: shapely.Polygon) -> Conflict | None:
    corners = sheet.corners
    top = float(corners[:, 2].max())
    low, high = max(float(corners[:, 2].min()), zone.bottom), min(top, zone.top)
    line = shapely.LineString(corners[:2, :2])
    common = line.buffer(THICKNESS, cap_style="flat").intersection(outline)
    # A line that ends at the edge of the zone is no conflict.
    if high - low < 0.01 or common.area < 2.0 * THICKNESS * 0.01:
        return None
    along = [line.project(shapely.Point(point)) for point in shapely.get_coordinates(common)]
    start, end = line.interpolate(min(along)), line.interpolate(max(along))
    span = f"{point_text(start.coords[0])} to {point_text(end.coords[0])}"
    cure = f"Leave a gap in the run from {span}"
    if high < top - 0.01:
        cure += f", or keep the cloth above {high:.2f} m there"
    middle = line.interpolate(0.5 * (min(along) + max(along)))
    extent = f"from {span}, at heights from {low:.2f} m to {high:.2f} m"
    return extent, cure + ".", (middle.x, middle.y, 0.5 * (low + high))


def place_findings(element: Element, mesh: VenueMesh, boundary: Boundary) -> Iterator[Finding]:
    """Cloth that passes through a surface or lies outside the room."""
    on_wall = not element.free_sheets()
    for sheet in element.hung_sheets():
        cuts = _cuts(sheet, boundary, on_wall)
        if cuts:
            total = sum(length for _, length, _ in cuts)
            groups = list_text(dict.fromkeys(mesh.group_names[mesh.group[face]] for face, _, _ in cuts))
            middles = [point for _, _, point in sorted(cuts, key=lambda cut: -cut[1])]
            where = " and ".join(point_text(point) for point in middles[:2])
            text = f"It passes through {groups} over {total:.2f} m, at {where}."
            cure = "End it there, or divide it into two."
            yield _sheet_finding(element, sheet.piece, "cloth_crosses_surface", "warning", text, cure, middles[0])
        points = _samples(sheet)
        offset = THICKNESS * sheet.plane.normal
        states = np.minimum(boundary.locate(points + offset), boundary.locate(points - offset))
        for state in (OUTSIDE, IN_SOLID):
            share = float((states == state).mean())
            if share > 0.02:
                suffix, where = WRONG_PLACES[state]
                point = points[np.argmax(states == state)]
                text = f"About {share:.0%} of it lies {where} and has no effect, for example at {point_text(point)}."
                cure = "Check its line, top and drop against the mesh, and the unit and axes of the mesh."
                yield _sheet_finding(element, sheet.piece, f"element_{suffix}", "warning", text, cure, point)


def _samples(sheet: Sheet) -> np.ndarray:
    """(n, 3) points spread over a sheet, away from its edges."""
    inner = sheet.polygon.buffer(-EDGE_MARGIN)
    shape = sheet.polygon if inner.is_empty else inner
    low, high = np.split(np.array(shape.bounds), 2)
    u, v = (np.linspace(a, b, int(np.clip((b - a) / 0.5, 3, 24))) for a, b in zip(low, high))
    flat = np.stack(np.meshgrid(u, v), -1).reshape(-1, 2)
    return sheet.plane.lift(flat[shapely.dwithin(shapely.points(flat), shape, 1e-6)])


def _cuts(sheet: Sheet, boundary: Boundary, on_wall: bool) -> list[tuple[int, float, np.ndarray]]:
    """Faces of the mesh that pass through a sheet: face, length of the cut, its middle (3,).

    Cloth on a wall may cut surfaces that are nearly parallel to it, because its line may be drawn slightly askew.
    """
    inner = sheet.polygon.buffer(-EDGE_MARGIN)
    if inner.is_empty:
        return []
    plane, corners = sheet.plane, boundary.corners
    side = plane.distance(corners)
    passes = (side.min(axis=1) < -0.4 * EDGE_MARGIN) & (side.max(axis=1) > 0.4 * EDGE_MARGIN)
    if on_wall:
        passes &= np.abs(normals_and_areas(corners)[0] @ plane.normal) < PARALLEL
    cuts: list[tuple[int, float, np.ndarray]] = []
    for face, ends in zip(boundary.face[passes], cut_by_plane(corners[passes], side[passes])):
        cut = shapely.LineString(plane.flatten(ends)).intersection(inner)
        if cut.length > EDGE_MARGIN:
            middle = plane.lift(shapely.get_coordinates(cut.interpolate(0.5, normalized=True)))[0]
            cuts.append((int(face), float(cut.length), middle))
    return cuts


def near_surface_findings(element: Element, regions: Regions) -> Iterator[Finding]:
    """Free-hanging cloth so near a parallel surface that the two act as one absorber, which is not modelled."""
    if element.near_surface_cure is None:
        return
    for sheet in element.free_sheets():
        fit = project(sheet, regions, -NEAR_WALL, NEAR_WALL).fit
        if fit and fit.share > LEAST_SHARE and fit.distance < NEAR_WALL:
            severity: Severity = "warning" if fit.distance < FLATNESS else "note"
            text = (
                f"It hangs free, {fit.distance:.2f} m from a parallel surface. Within {NEAR_WALL:g} m its absorption "
                "depends on this gap, which the model of free-hanging cloth neglects."
            )
            yield _sheet_finding(element, sheet.piece, "near_surface", severity, text, element.near_surface_cure)


def overlap_findings(
    study: Study, regions: Regions, prints: Sequence[Footprint], elements: Mapping[str, Element]
) -> Iterator[Finding]:
    """Elements that overlap in at least one scenario; only the uppermost has an effect there."""
    area: dict[tuple[str, str], float] = {}
    points: dict[tuple[str, str], np.ndarray] = {}
    for pair, plane, shape in _overlaps(study, regions, prints, elements):
        if shape.area > 0.0:
            area[pair] = area.get(pair, 0.0) + shape.area
            points.setdefault(pair, plane.lift(shapely.get_coordinates(shape.representative_point()))[0])
    for pair, point in points.items():
        if area[pair] > 0.01:
            place = f"{elements[pair[0]].label} and {elements[pair[1]].label}"
            text = (
                f"In at least one scenario they overlap over {area[pair]:.2f} m2, at {point_text(point)}; "
                f"only {pair[1]!r} has an effect there."
            )
            cure = "If this is not intended, move one of them."
            yield Finding("elements_overlap", "note", place, text, cure, as_position(point), pair)


def _overlaps(
    study: Study, regions: Regions, prints: Sequence[Footprint], elements: Mapping[str, Element]
) -> Iterator[tuple[tuple[str, str], Plane, BaseGeometry]]:
    """What two elements of one scenario both cover: their names, and a shape in a plane."""
    together = {
        frozenset(pair)
        for scenario in study.document.scenario
        for pair in combinations([name for name in scenario.elements if name in elements], 2)
    }
    by_region: dict[int, list[Footprint]] = {}
    for footprint in prints:
        by_region.setdefault(footprint.region, []).append(footprint)
    for number, on_it in by_region.items():
        region = regions[number]
        for one, other in combinations(on_it, 2):
            pair = (one.element, other.element)
            if frozenset(pair) in together and elements[pair[0]].competes_with(elements[pair[1]]):
                shapes = [shape for shape in (one.shape, other.shape) if shape is not None]
                yield pair, region.plane, shapely.intersection_all([region.polygon, *shapes])
    sheets = [sheet for element in elements.values() for sheet in element.free_sheets()]
    for first, second in combinations(sheets, 2):
        pair = (first.element, second.element)
        if frozenset(pair) in together and first.plane.contains(second.corners, FLATNESS):
            flat = shapely.Polygon(first.plane.flatten(second.corners))
            yield pair, first.plane, first.polygon.intersection(flat)


LIMITS = {
    "budget": ("budget_exceeded", "Leave something out or raise the budget."),
    "hours": ("hours_exceeded", "Leave something out, or plan more hours or more people."),
    "roof_points": ("points_exceeded", "Leave something out or find more points."),
    "point_load": (
        "point_load_exceeded",
        "Spread the load over more points; a competent person must approve it.",
    ),
    "roof_point": (
        "roof_point_overloaded",
        "Hang less from it or spread the load over more points; a competent person must approve it.",
    ),
    "truss": (
        "truss_overloaded",
        "Hang less from it; a competent person must approve what a truss carries, and where along it.",
    ),
    "power": ("power_exceeded", "Leave something out, or order a larger supply."),
    "stock": ("stock_exceeded", "Leave something out or hire more."),
}
"""First word of a limit's key -> code of the finding, and remedy."""


def limit_findings(study: Study, rig: Rig) -> Iterator[Finding]:
    """Limits that scenarios exceed; one finding for all scenarios that exceed a limit by the same amount."""
    broken: dict[tuple[str, str], list[str]] = {}
    limits = Limits(study, rig)
    for scenario in study.document.scenarios_in_order():
        for key, phrase in limits.broken(scenario.elements).items():
            broken.setdefault((key, phrase), []).append(scenario.name)
    for (key, phrase), names in broken.items():
        code, cure = LIMITS[key.split(":")[0]]
        place = f"scenario{'s' * (len(names) > 1)} {list_text(names)}"
        exceeds = "They exceed" if len(names) > 1 else "It exceeds"
        yield Finding(code, "warning", place, f"{exceeds} a limit: {phrase}.", cure)
