"""Seats: a grid over each audience area, at ear height."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..elements.sheets import axes_in_plan
from ..errors import SceneError
from ..venue.document import AudienceArea, Study
from ..venue.mesh import VenueMesh, matching_groups
from .scene import ReceiverArrays
from .topology import normals_and_areas

STEEPEST_FLOOR = np.cos(np.radians(45.0))
"""Cosine of the slope beyond which a face of an audience group is a riser or a side and not a floor."""

MOST_SEATS = 50_000
"""Of a study. The largest arenas have about 20,000; far more indicate an error in the spacing and would exhaust the
memory before tracing begins."""
MOST_CELLS = 20 * MOST_SEATS
"""Of the seat grids: an outline may fill only a small part of its bounding box."""


def compile_receivers(study: Study) -> ReceiverArrays:
    """The seats of all audience areas, area by area, row by row.

    Raises
    ------
    SceneError, MeshError
        An area without a floor, or too small for one seat; more than `MOST_SEATS`.
    """
    areas = [area_outline(audience, study.mesh) for audience in study.venue.audience]
    for fault in seat_faults(study, [outline for outline, _ in areas]):
        raise fault
    grids = []
    for i, (audience, (outline, height)) in enumerate(zip(study.venue.audience, areas)):
        seats, rows, columns, cells = seat_grid(outline, audience.seat_spacing, audience.rotation)
        if not len(seats):
            raise SceneError(
                f"Audience area {audience.name!r} is too small for one seat.",
                place=f"audience {audience.name!r}",
                cure="Enlarge the area or make seat_spacing smaller.",
            )
        ears = np.column_stack([seats, height(seats) + audience.ear_height])
        grids.append((ears, np.full(len(seats), i), rows, columns, cells))
    position, area, row, column, cell = (np.concatenate(parts) for parts in zip(*grids))
    return ReceiverArrays(
        position=position,
        radius=study.document.receiver_radius,
        area=area.astype(np.int32),
        area_names=tuple(audience.name for audience in study.venue.audience),
        row=row.astype(np.int32),
        column=column.astype(np.int32),
        cell=cell,
    )


def seat_faults(study: Study, outlines: list[BaseGeometry]) -> Iterator[SceneError]:
    """Audience areas that hold no seat or too many, estimated from their sizes without allocating a grid.

    Parameters
    ----------
    outlines : plan outline of each audience area, m
    """
    total = 0.0
    for audience, outline in zip(study.venue.audience, outlines):
        place = f"audience {audience.name!r}"
        x, y = audience.seat_spacing
        sides = np.ptp(shapely.get_coordinates(outline) @ axes_in_plan(audience.rotation).T, axis=0)
        n_seats, n_cells = outline.area / (x * y), float(np.prod(np.maximum(sides / (x, y), 1.0)))
        total += n_seats
        size = f"{sides[0]:,.4g} x {sides[1]:,.4g} m"
        if x > sides[0] * (1.0 + 1e-6) and y > sides[1] * (1.0 + 1e-6):
            yield SceneError(
                f"The seats are {x:g} x {y:g} m apart, more than the whole area, which measures {size}.",
                place=place,
                cure=f"Correct polygon or seat_spacing (both in metres); for one seat write a spacing of at most "
                f"{sides[0]:.3g} x {sides[1]:.3g} m.",
            )
        elif n_seats > MOST_SEATS or n_cells > MOST_CELLS:
            yield SceneError(
                f"{x:g} x {y:g} m between seats gives about {n_seats:,.0f} seats on {outline.area:,.0f} m2 ({size}); "
                f"a study can have at most {MOST_SEATS:,}.",
                place=place,
                cure="Correct polygon or seat_spacing (both in metres); in a large audience every second or third "
                "seat is enough.",
            )
            return
    if total > MOST_SEATS:
        yield SceneError(
            f"All areas together have about {total:,.0f} seats; a study can have at most {MOST_SEATS:,}.",
            place="audience",
            cure="Increase seat_spacing: every second or third seat is enough.",
        )


def area_outline(
    audience: AudienceArea, mesh: VenueMesh
) -> tuple[BaseGeometry, Callable[[np.ndarray], np.ndarray]]:
    """Plan outline of an audience area, and a function that gives its floor height, m, at plan points (n, 2).

    Raises
    ------
    SceneError, MeshError
        The area names a surface group without level faces, or one that the mesh does not have.
    """
    if audience.polygon is not None:
        return shapely.Polygon(audience.polygon), lambda points: np.full(len(points), audience.floor)
    groups = matching_groups(mesh, [audience.group or ""], f"audience {audience.name!r}")
    corners = mesh.vertices[mesh.faces[groups[mesh.group]]]
    normals, areas = normals_and_areas(corners)
    corners = corners[(np.abs(normals[:, 2]) > STEEPEST_FLOOR) & (areas > 0.0)]
    if not len(corners):
        raise SceneError(
            f"The surface group {audience.group!r} has no face that is level enough to be a floor.",
            place=f"audience {audience.name!r}, group",
            cure="Name the group of the floor that people sit on.",
        )
    outline = shapely.union_all(shapely.polygons(corners[:, :, :2]), grid_size=1e-6)
    return outline, lambda points: _floor_height(corners, points)


def within(outline: BaseGeometry, points: np.ndarray) -> np.ndarray:
    """(n,) bool: plan points (n, 2) that lie in an outline."""
    return shapely.contains_xy(outline, points[:, 0], points[:, 1])


def _floor_height(corners: np.ndarray, points: np.ndarray) -> np.ndarray:
    """Height of the uppermost of the triangles (m, 3, 3) at each plan point (n, 2)."""
    tree = shapely.STRtree(shapely.polygons(corners[:, :, :2]))
    seat, face = tree.query(shapely.points(points), predicate="dwithin", distance=1e-5)
    a, b, c = np.moveaxis(corners[face], 1, 0)
    normal = np.cross(b - a, c - a)
    across = ((points[seat] - a[:, :2]) * normal[:, :2]).sum(axis=1)
    height = np.full(len(points), -np.inf)
    np.maximum.at(height, seat, a[:, 2] - across / normal[:, 2])
    return height


def seat_grid(
    outline: BaseGeometry, spacing: tuple[float, float], rotation: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Seats on a grid rotated by `rotation` degrees and centred in the bounding box of the outline.

    A seat counts if its centre lies in the outline.

    Returns
    -------
    seats : (n, 2) float, m
    row, column : (n,) int
        Along the area's own y and x.
    cells : (n, 4, 2) float, m
        Plan corners of each seat's rectangle.
    """
    own_axes = axes_in_plan(rotation)
    corners = shapely.get_coordinates(outline) @ own_axes.T
    low, size = corners.min(axis=0), np.ptp(corners, axis=0)
    step = np.array(spacing)
    # A length that is a whole number of spacings holds that number regardless of rounding.
    count = np.maximum(np.floor(size / step + 1e-6), 1).astype(int)
    start = low + 0.5 * (size - count * step)
    row, column = (index.ravel() for index in np.mgrid[: count[1], : count[0]])
    middles = (start + (np.stack([column, row], axis=1) + 0.5) * step) @ own_axes
    inside = within(outline, middles)
    half = 0.5 * step * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    cells = middles[:, None] + half @ own_axes
    return middles[inside], row[inside], column[inside], cells[inside]
