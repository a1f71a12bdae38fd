"""Where the elements of a study lie on the surfaces of its venue, and what hangs free in the room."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely.affinity import affine_transform
from shapely.geometry.base import BaseGeometry

from ..venue.document import Banner, CeilingDrape, Crowd, Drape, Element, FloorCovering, Opening, Study
from ..venue.mesh import VenueMesh, matching_groups
from .surfaces import Plane, Regions, plane_through

WALL_REACH = 1.5
"""m within which a drape with a stand-off looks for its wall."""
FLOOR_REACH = 0.1
"""m above or below the height given within which an area looks for its floor."""
SPECK = 1e-6
"""m2; two shapes that have less in common only touch."""
PARALLEL = np.cos(np.radians(10.0))
"""Cosine of the largest angle between cloth and the surface that it hangs before."""


@dataclass(frozen=True)
class Footprint:
    """The part of a flat region that an element covers."""

    element: str
    region: int
    shape: BaseGeometry | None
    """In the region's plane, reaching beyond its edges where the element does; None for all of it."""


@dataclass(frozen=True)
class Fit:
    """How well a piece of an element found the surface that it is meant for."""

    element: str
    piece: str
    """Which piece: "run 1, segment 2", or the audience area."""
    share: float
    """Share of its area with a surface behind or under it."""
    distance: float
    """Mean distance of that surface, m; NaN if there is none."""


@dataclass(frozen=True)
class Sheet:
    """A flat piece of cloth that hangs free."""

    element: str
    piece: str
    plane: Plane
    polygon: shapely.Polygon
    """In the plane's coordinates."""

    @property
    def corners(self) -> np.ndarray:
        """(n, 3) m, the outline, not closed."""
        return self.plane.lift(np.asarray(self.polygon.exterior.coords)[:-1])


def used_elements(study: Study) -> tuple[Element, ...]:
    """The elements that some scenario switches in, lowest first where they cover each other."""
    wanted = {name for scenario in study.document.scenario for name in scenario.elements}
    return tuple(element for element in study.elements.all() if element.name in wanted)


def drape_segments(drape: Drape) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
    """Each straight piece of a drape line: its name and its ends in plan, (2,) each, m."""
    for i, run in enumerate(drape.runs, start=1):
        points = np.array(run)
        for k, (start, end) in enumerate(pairwise(points), start=1):
            if np.hypot(*(end - start)) > 0.0:
                yield f"run {i}, segment {k}" if len(points) > 2 else f"run {i}", start, end


def upright(element: str, piece: str, start: np.ndarray, end: np.ndarray, bottom: float, top: float) -> Sheet:
    """An upright rectangle over a plan line from `start` to `end`, (2,) each."""
    along = end - start
    plane = plane_through(np.array([*start, bottom]), np.array([-along[1], along[0], 0.0]))
    corners = [[*start, bottom], [*end, bottom], [*end, top], [*start, top]]
    return Sheet(element, piece, plane, shapely.Polygon(plane.flatten(np.array(corners))))


def level(element: str, piece: str, outline: np.ndarray, height: float) -> Sheet:
    """A level polygon over a plan outline (n, 2)."""
    plane = plane_through(np.array([0.0, 0.0, height]), np.array([0.0, 0.0, 1.0]))
    return Sheet(element, piece, plane, shapely.Polygon(outline))


def free_sheets(element: Element) -> list[Sheet]:
    """The pieces of cloth of a free-hanging element; none for any other."""
    if isinstance(element, Drape) and element.stand_off is None:
        return cloth(element)
    if isinstance(element, Banner):
        return [_banner(element, i) for i in range(len(element.centres))]
    if isinstance(element, CeilingDrape):
        return [level(element.name, "cloth", np.array(element.polygon), element.height)]
    return []


def cloth(drape: Drape) -> list[Sheet]:
    """The rectangles of a drape line, on a wall or not."""
    return [
        upright(drape.name, piece, start, end, drape.top - drape.drop, drape.top)
        for piece, start, end in drape_segments(drape)
    ]


def _banner(banner: Banner, i: int) -> Sheet:
    centre = np.array(banner.centres[i])
    angle = np.radians(banner.direction)
    along = 0.5 * banner.size[0] * np.array([np.cos(angle), np.sin(angle)])
    piece = f"centre {i + 1}"
    if banner.orientation == "upright":
        half = 0.5 * banner.size[1]
        return upright(
            banner.name, piece, centre[:2] - along, centre[:2] + along, centre[2] - half, centre[2] + half
        )
    across = 0.5 * banner.size[1] * np.array([-np.sin(angle), np.cos(angle)])
    outline = centre[:2] + np.array([-along - across, along - across, along + across, -along + across])
    return level(banner.name, piece, outline, float(centre[2]))


def footprints(
    study: Study, mesh: VenueMesh, regions: Regions, elements: Iterable[Element]
) -> tuple[list[Footprint], list[Fit]]:
    """Where elements lie on the venue's surfaces, in the order given, and how well each piece fits.

    Free-hanging cloth has no footprint.

    Raises
    ------
    MeshError
        A surface group that the mesh does not have.
    """
    found: list[Footprint] = []
    fits: list[Fit] = []
    areas = {area.name: area for area in study.venue.audience}
    for element in elements:
        if isinstance(element, Opening):
            chosen = matching_groups(mesh, element.groups, f"opening {element.name!r}", "elements file")
            found += _whole(element.name, regions, chosen)
        elif isinstance(element, FloorCovering):
            sheet = level(element.name, "polygon", np.array(element.polygon), element.floor)
            _lay(sheet, regions, found, fits)
        elif isinstance(element, Crowd):
            for area in (areas[name] for name in element.areas):
                if area.group is not None:
                    chosen = matching_groups(mesh, [area.group], f"audience {area.name!r}")
                    found += _whole(element.name, regions, chosen)
                else:
                    sheet = level(element.name, f"area {area.name!r}", np.array(area.polygon), area.floor)
                    _lay(sheet, regions, found, fits)
        elif isinstance(element, Drape) and element.stand_off is not None:
            for sheet in cloth(element):
                # The wall is on one side; what stands before the cloth on the other is not covered by it.
                sides = [
                    _project(sheet, regions, *reach) for reach in ((-WALL_REACH, 0.01), (-0.01, WALL_REACH))
                ]
                prints, fit = max(sides, key=lambda side: (round(side[1].share, 3), -abs(side[1].distance)))
                found += prints
                fits.append(fit)
    return found, fits


def _whole(element: str, regions: Regions, groups: np.ndarray) -> list[Footprint]:
    """All regions of the groups for which (n_groups,) is true."""
    return [Footprint(element, i, None) for i, region in enumerate(regions) if groups[region.group]]


def _lay(sheet: Sheet, regions: Regions, found: list[Footprint], fits: list[Fit]) -> None:
    prints, fit = _project(sheet, regions, -FLOOR_REACH, FLOOR_REACH)
    found += prints
    fits.append(fit)


def nearest_parallel(sheet: Sheet, regions: Regions, reach: float) -> Fit:
    """How much of a sheet has a surface along it within `reach`, m, on either side, and how far away."""
    return _project(sheet, regions, -reach, reach)[1]


def _project(sheet: Sheet, regions: Regions, low: float, high: float) -> tuple[list[Footprint], Fit]:
    """Carry a sheet along its normal onto the regions whose distance lies between `low` and `high`.

    The nearest region takes what it can of the sheet, the next what is left.
    """
    near: list[tuple[float, int, BaseGeometry, np.ndarray, np.ndarray]] = []
    for i in _within_reach(sheet, regions, low, high):
        region = regions[i]
        # Coordinates a in the region's plane, f in the sheet's, along its normal: f = a turn + shift.
        turn = region.plane.axes @ sheet.plane.axes.T
        shift = sheet.plane.flatten(region.plane.origin)
        shape = _mapped(region.polygon, turn, shift)
        common = shape.intersection(sheet.polygon)
        if common.area < SPECK:
            continue
        middle = (np.array(common.centroid.coords) - shift) @ np.linalg.inv(turn)
        distance = float(sheet.plane.distance(region.plane.lift(middle))[0])
        if low <= distance <= high:
            near.append((distance, i, shape, turn, shift))
    near.sort(key=lambda entry: abs(entry[0]))
    tree = shapely.STRtree([shape for _, _, shape, _, _ in near])
    prints: list[Footprint] = []
    taken, moment = 0.0, 0.0
    for order, (distance, i, shape, turn, shift) in enumerate(near):
        # What lies nearer takes its part first; neighbours that only touch leave the sheet as it is.
        nearer = [near[k][2] for k in tree.query(shape) if k < order]
        hiding = [other for other in nearer if other.intersection(shape).area > SPECK]
        visible = sheet.polygon.difference(shapely.union_all(hiding)) if hiding else sheet.polygon
        area = visible.intersection(shape).area
        if area > SPECK:
            back = np.linalg.inv(turn)
            prints.append(Footprint(sheet.element, int(i), _mapped(visible, back, -shift @ back)))
            taken += area
            moment += area * abs(distance)
    share = min(taken / sheet.polygon.area, 1.0) if sheet.polygon.area else 0.0
    return prints, Fit(sheet.element, sheet.piece, share, moment / taken if taken else float("nan"))


def _within_reach(sheet: Sheet, regions: Regions, low: float, high: float) -> np.ndarray:
    outline = sheet.corners
    swept = np.concatenate([outline + low * sheet.plane.normal, outline + high * sheet.plane.normal])
    near = np.abs(regions.normals @ sheet.plane.normal) > PARALLEL
    near &= (regions.boxes[:, 1] > swept.min(axis=0) - 1e-6).all(axis=1)
    near &= (regions.boxes[:, 0] < swept.max(axis=0) + 1e-6).all(axis=1)
    return np.flatnonzero(near)


def _mapped(shape: BaseGeometry, turn: np.ndarray, shift: np.ndarray) -> BaseGeometry:
    """The shape with every point a moved to a turn + shift; turn (2, 2), shift (2,)."""
    return affine_transform(shape, [*turn.T.ravel(), *shift])
