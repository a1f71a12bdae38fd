"""Faults of elements: where they hang, what they cross, what they block, what they take."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import combinations

import numpy as np
import shapely

from ..elements.element import Element
from ..elements.sheets import Sheet
from ..elements.surfaces import LEAST_SHARE, Fit, Footprint
from ..venue.document import Study, Zone
from ..venue.mesh import VenueMesh
from .boundary import IN_SOLID, OUTSIDE, Boundary
from .findings import Finding, as_position, list_text, point_text
from .footprints import PARALLEL, project
from .limits import Limits
from .rigging import Rig
from .surfaces import FLATNESS, SAME_DIRECTION, Regions
from .topology import normals_and_areas

SLACK = 0.05
"""m at the edges of cloth that nobody minds: it may touch walls, floor and roof."""
THICKNESS = 0.1
"""m on either side of its line that pleated cloth takes."""
KEPT_CLEAR = ("exit", "escape_route", "safety_equipment", "plant")
"""Kinds of zone in which nothing may hang or stand, whatever it brings."""
NEAR_WALL = 1.0
"""m within which a surface behind free cloth changes what the cloth absorbs."""


def fit_findings(fits: Iterable[Fit], elements: Mapping[str, Element]) -> Iterator[Finding]:
    """Elements that miss the surface that they are meant for, or find it where they do not say it is."""
    for fit in fits:
        element = elements[fit.element]
        misfit = element.misfit(fit)
        if misfit is not None:
            code, severity, text, cure = misfit
            yield Finding(code, severity, f"{element.label}, {fit.piece}", text, cure, elements=(element.name,))


def zone_findings(element: Element, zones: Iterable[Zone]) -> Iterator[Finding]:
    """Cloth in a place that must stay clear."""
    for zone in zones:
        outline = shapely.Polygon(zone.polygon)
        for sheet in element.hung_sheets():
            conflict = _level_conflict(sheet, zone, outline) or _upright_conflict(sheet, zone, outline)
            if conflict is None:
                continue
            where, cure, position = conflict
            safety = zone.kind in KEPT_CLEAR
            yield Finding(
                "zone_conflict",
                "error" if safety else "warning",
                f"{element.label}, {sheet.piece}",
                f"It hangs in the {zone.kind.replace('_', ' ')} {zone.name!r}, {where}.",
                cure
                + (" Whoever is responsible for the venue's safety must agree to what hangs there." * safety),
                position,
                (element.name,),
            )


Conflict = tuple[str, str, tuple[float, float, float]]


def _is_level(sheet: Sheet) -> bool:
    return bool(abs(sheet.plane.normal[2]) > 0.5)


def _level_conflict(sheet: Sheet, zone: Zone, outline: shapely.Polygon) -> Conflict | None:
    corners = sheet.corners
    height = float(corners[0, 2])
    if not _is_level(sheet) or not zone.bottom < height < zone.top:
        return None
    common = shapely.Polygon(corners[:, :2]).intersection(outline)
    if common.area < 1e-3:
        return None
    low_x, low_y, high_x, high_y = common.bounds
    where = (
        f"over {common.area:.2f} m2 between x {low_x:.2f} and {high_x:.2f}, y {low_y:.2f} and {high_y:.2f}, "
        f"{height:.2f} m up"
    )
    point = common.representative_point()
    return where, "Move it away from there.", as_position((point.x, point.y, height))


def _upright_conflict(sheet: Sheet, zone: Zone, outline: shapely.Polygon) -> Conflict | None:
    corners = sheet.corners
    bottom, top = float(corners[:, 2].min()), float(corners[:, 2].max())
    low, high = max(bottom, zone.bottom), min(top, zone.top)
    if _is_level(sheet) or high - low < 0.01:
        return None
    line = shapely.LineString(corners[:2, :2])
    common = line.buffer(THICKNESS, cap_style="flat").intersection(outline)
    # A line that ends where the zone begins leaves it clear.
    if common.area < 2.0 * THICKNESS * 0.01:
        return None
    along = [line.project(shapely.Point(point)) for point in shapely.get_coordinates(common)]
    start, end = line.interpolate(min(along)), line.interpolate(max(along))
    span = f"{point_text(start.coords[0])} to {point_text(end.coords[0])}"
    where = f"from {span}, {low:.2f} m to {high:.2f} m up"
    cure = f"Leave the run open from {span}"
    if high < top - 0.01:
        cure += f", or keep the cloth above {high:.2f} m there"
    middle = line.interpolate(0.5 * (min(along) + max(along)))
    return where, cure + ".", as_position((middle.x, middle.y, 0.5 * (low + high)))


def place_findings(element: Element, mesh: VenueMesh, boundary: Boundary) -> Iterator[Finding]:
    """Cloth that runs through a surface, or out of the room."""
    on_wall = not element.free_sheets()
    for sheet in element.hung_sheets():
        place = f"{element.label}, {sheet.piece}"
        crossed = _crossed(sheet, boundary, on_wall)
        if crossed:
            total = sum(length for _, length, _ in crossed)
            groups = dict.fromkeys(mesh.group_names[mesh.group[face]] for face, _, _ in crossed)
            crossed.sort(key=lambda cut: -cut[1])
            where = " and ".join(point_text(point) for _, _, point in crossed[:2])
            yield Finding(
                "cloth_crosses_surface",
                "warning",
                place,
                f"It runs through {list_text(groups)} over {total:.2f} m, at {where}.",
                "End it there, or cut it in two.",
                as_position(crossed[0][2]),
                (element.name,),
            )
        points = _samples(sheet)
        states = np.minimum(
            boundary.locate(points + THICKNESS * sheet.plane.normal),
            boundary.locate(points - THICKNESS * sheet.plane.normal),
        )
        for state, code, what in (
            (OUTSIDE, "element_outside", "outside the room"),
            (IN_SOLID, "element_in_solid", "inside a solid"),
        ):
            share = float((states == state).mean())
            if share > 0.02:
                point = points[np.argmax(states == state)]
                yield Finding(
                    code,
                    "warning",
                    place,
                    f"About {share:.0%} of it lies {what}, where it does nothing, as at {point_text(point)}.",
                    "Check its line, top and drop against the mesh, and the mesh's unit and axes.",
                    as_position(point),
                    (element.name,),
                )


def _samples(sheet: Sheet) -> np.ndarray:
    """(n, 3) points spread over a sheet, off its edges."""
    inner = sheet.polygon.buffer(-SLACK)
    shape = sheet.polygon if inner.is_empty else inner
    low_u, low_v, high_u, high_v = shape.bounds
    n_u, n_v = (int(np.clip((high - low) / 0.5, 3, 24)) for low, high in ((low_u, high_u), (low_v, high_v)))
    flat = np.stack(np.meshgrid(np.linspace(low_u, high_u, n_u), np.linspace(low_v, high_v, n_v)), -1)
    flat = flat.reshape(-1, 2)
    inside = shapely.dwithin(shapely.points(flat), shape, 1e-6)
    return sheet.plane.lift(flat[inside])


def _crossed(sheet: Sheet, boundary: Boundary, on_wall: bool) -> list[tuple[int, float, np.ndarray]]:
    """Faces of the mesh that pass through a sheet: face, length of the cut, its middle (3,).

    Cloth on a wall may cut surfaces that run along it: a line drawn askew still means the wall.
    """
    inner = sheet.polygon.buffer(-SLACK)
    if inner.is_empty:
        return []
    plane, corners = sheet.plane, boundary.corners
    side = plane.distance(corners.reshape(-1, 3)).reshape(-1, 3)
    passes = (side.min(axis=1) < -0.4 * SLACK) & (side.max(axis=1) > 0.4 * SLACK)
    if on_wall:
        passes &= np.abs(normals_and_areas(corners)[0] @ plane.normal) < PARALLEL
    found: list[tuple[int, float, np.ndarray]] = []
    for face in np.flatnonzero(passes):
        ends = []
        for a, b in ((0, 1), (1, 2), (2, 0)):
            if (side[face, a] < 0.0) != (side[face, b] < 0.0):
                share = side[face, a] / (side[face, a] - side[face, b])
                ends.append(corners[face, a] + share * (corners[face, b] - corners[face, a]))
        cut = shapely.LineString(plane.flatten(np.array(ends))).intersection(inner)
        if cut.length > SLACK:
            middle = plane.lift(shapely.get_coordinates(cut.interpolate(0.5, normalized=True)))[0]
            found.append((int(boundary.face[face]), float(cut.length), middle))
    return found


def near_surface_findings(element: Element, regions: Regions) -> Iterator[Finding]:
    """Free cloth so near to a surface along it that the two work as one absorber, which is not computed."""
    if element.near_surface_cure is None:
        return
    for sheet in element.free_sheets():
        fit = project(sheet, regions, -NEAR_WALL, NEAR_WALL).fit
        if fit and fit.share > LEAST_SHARE and fit.distance < NEAR_WALL:
            yield Finding(
                "near_surface",
                "warning" if fit.distance < FLATNESS else "note",
                f"{element.label}, {sheet.piece}",
                f"It hangs free, {fit.distance:.2f} m from a surface along it. Within 1 m the gap decides "
                "what cloth absorbs; free cloth is computed without it.",
                element.near_surface_cure,
                elements=(element.name,),
            )


def overlap_findings(
    study: Study, regions: Regions, prints: Sequence[Footprint], elements: Mapping[str, Element]
) -> Iterator[Finding]:
    """Elements of one scenario in one place, of which only the uppermost counts."""
    together = {
        frozenset(pair)
        for scenario in study.document.scenario
        for pair in combinations([name for name in scenario.elements if name in elements], 2)
    }
    area: dict[tuple[str, str], float] = {}
    point: dict[tuple[str, str], np.ndarray] = {}
    by_region: dict[int, list[Footprint]] = {}
    for footprint in prints:
        by_region.setdefault(footprint.region, []).append(footprint)
    for number, on_it in by_region.items():
        region = regions[number]
        for one, other in combinations(on_it, 2):
            pair = (one.element, other.element)
            if frozenset(pair) not in together or not elements[pair[0]].competes_with(elements[pair[1]]):
                continue
            common = region.polygon
            for shape in (one.shape, other.shape):
                common = common if shape is None else common.intersection(shape)
            if common.area > 0.0:
                area[pair] = area.get(pair, 0.0) + common.area
                inner = shapely.get_coordinates(common.representative_point())
                point.setdefault(pair, region.plane.lift(inner)[0])
    for one_name, other_name in combinations(elements, 2):
        if frozenset((one_name, other_name)) in together:
            common_area, where = _common_cloth(elements[one_name], elements[other_name])
            if common_area > 0.0:
                area[one_name, other_name], point[one_name, other_name] = common_area, where
    for pair, common in area.items():
        if common > 0.01:
            yield Finding(
                "elements_overlap",
                "note",
                f"{elements[pair[0]].label} and {elements[pair[1]].label}",
                f"In some scenario both are in one place over {common:.2f} m2, at {point_text(point[pair])}; "
                f"there {pair[1]!r} counts.",
                "If that is not meant, move one of them.",
                as_position(point[pair]),
                pair,
            )


def _common_cloth(one: Element, other: Element) -> tuple[float, np.ndarray]:
    """Area that free cloth of two elements has in common in one plane, m2, and a point of it (3,)."""
    area, where = 0.0, np.zeros(3)
    for first in one.free_sheets():
        for second in other.free_sheets():
            parallel = abs(first.plane.normal @ second.plane.normal) > SAME_DIRECTION
            if parallel and np.abs(first.plane.distance(second.corners)).max() < FLATNESS:
                flat = shapely.Polygon(first.plane.flatten(second.corners))
                common = first.polygon.intersection(flat)
                if common.area > 0.0:
                    area += common.area
                    where = first.plane.lift(shapely.get_coordinates(common.representative_point()))[0]
    return area, where


LIMITS = {
    "budget": ("budget_exceeded", "Leave something out or raise the budget."),
    "hours": ("hours_exceeded", "Leave something out, or get more hours or hands."),
    "roof_points": ("points_exceeded", "Leave something out or find more points."),
    "point_load": (
        "point_load_exceeded",
        "Spread the load over more points; a competent person must approve.",
    ),
    "roof_point": (
        "roof_point_overloaded",
        "Hang less there or elsewhere, or spread it over more points; a competent person must approve.",
    ),
    "truss": (
        "truss_overloaded",
        "Hang less from it; a competent person must approve what a truss carries, and where along it.",
    ),
    "power": ("power_exceeded", "Leave something out, or order a larger supply."),
    "stock": ("stock_exceeded", "Leave something out or hire more."),
}


def limit_findings(study: Study, rig: Rig) -> Iterator[Finding]:
    """Scenarios that take more than there is, or hang more than the roof may carry; the same once for all."""
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
