"""Suggested new lines of drape along the walls, wherever the zones of the venue permit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, compress, pairwise

import numpy as np
import shapely

from ..elements.drape import Drape
from ..elements.sheets import Plane
from ..venue.document import Study
from .boundary import IN_ROOM, Boundary, boundary_of
from .element_checks import place_findings, zone_findings
from .surfaces import FLATNESS, Regions, flat_regions

UPRIGHT = 0.05
"""Largest vertical component of the normal of a wall."""
LEAST_WALL = 8.0
"""m2 in one plane; smaller surfaces are taken for furniture."""
COLUMN = 0.5
"""m, step along a wall in which space for cloth is sought."""
SHORTEST, LONGEST = 2.0, 8.0
"""m, length of a suggested line."""
OFF_FLOOR = 0.1
"""m between floor and cloth, and between cloth and the upper edge of the wall."""
TALLEST = 6.0
"""m of drop where the study has no line to model new ones on."""
BESIDE = 1.5
"""m from an existing line within which no other one is suggested."""


@dataclass(frozen=True)
class _Wall:
    """Upright surfaces in one plane, of any material."""

    plane: Plane
    inward: np.ndarray
    """(3,) unit normal into the room."""
    shape: shapely.Geometry


def suggested_lines(study: Study, hung: Sequence[Drape]) -> tuple[Drape, ...]:
    """All lines of 2 to 8 m that could hang along a wall, as new elements.

    They have the fabric, stand-off and cost per square metre of `model_line`. None is suggested near a line of `hung`,
    in a zone, through a surface, or beyond the wall."""
    model = model_line(study)
    regions = flat_regions(study.mesh)
    boundary = boundary_of(study.mesh, study.venue)
    suggested: list[Drape] = []
    for wall in _walls(regions, boundary):
        for start, end, bottom, top in _free_runs(study, wall, model, hung):
            name = f"new line {len(suggested) + 1}"
            line = _line(name, model, wall, (start, end), bottom, top)
            faults = chain(place_findings(line, study.mesh, boundary), zone_findings(line, study.venue.zone))
            if next(faults, None) is None:
                suggested.append(line)
    return tuple(suggested)


def model_line(study: Study) -> Drape:
    """The drape that new ones are modelled on: the largest one of the study on a wall, or a default one."""
    own = [drape for drape in study.elements.of(Drape) if drape.stand_off is not None]
    if own:
        return max(own, key=lambda drape: drape.covered_area)
    fabric = max(study.materials.fabric.items(), key=lambda row: row[1].surface_mass)[0]
    return Drape(
        name="model", runs=(((0.0, 0.0), (1.0, 0.0)),), top=TALLEST, drop=TALLEST, fabric=fabric,
        fullness=2.0, stand_off=0.15,
    )  # fmt: skip


def _line(
    name: str, model: Drape, wall: _Wall, ends: tuple[float, float], bottom: float, top: float
) -> Drape:
    off = model.stand_off or 0.15
    points = wall.plane.lift(np.array([[u, 0.0] for u in ends])) + off * wall.inward
    area = (ends[1] - ends[0]) * (top - bottom)
    share = area / max(model.covered_area, 1e-6)
    run = tuple((round(float(x), 2), round(float(y), 2)) for x, y, _ in points)
    return model.model_copy(
        update={
            "name": name,
            "description": "suggested",
            "runs": (run,),
            "top": round(top, 2),
            "drop": round(top - bottom, 2),
            "hire": round(share * model.hire),
            "rigging_hours": round(share * model.rigging_hours, 1),
            "weight": round(share * model.weight),
            "stock": {item: round(share * quantity, 1) for item, quantity in model.stock.items()},
        }
    )


def _walls(regions: Regions, boundary: Boundary) -> Iterator[_Wall]:
    upright = [region for region in regions if abs(region.plane.normal[2]) < UPRIGHT]
    while upright:
        plane = upright[0].plane
        in_plane = [plane.contains(region.corners, FLATNESS) for region in upright]
        corners = np.concatenate([region.corners for region in compress(upright, in_plane)])
        upright = [region for region, is_in in zip(upright, in_plane) if not is_in]
        shape = shapely.union_all(shapely.polygons(plane.flatten(corners)), grid_size=1e-4)
        for part in shapely.get_parts(shape):
            inward = _inward(plane, part, boundary) if part.area >= LEAST_WALL else None
            if inward is not None:
                yield _Wall(plane, inward, part)


def _inward(plane: Plane, part: shapely.Polygon, boundary: Boundary) -> np.ndarray | None:
    middle = plane.lift(np.asarray(part.representative_point().coords))[0]
    sides = np.array([plane.normal, -plane.normal])
    inside = boundary.locate(middle + 0.2 * sides) == IN_ROOM
    # A wall with the room on both sides is a screen, on which no line is suggested.
    return sides[int(np.argmax(inside))] if inside.sum() == 1 else None


def _free_runs(
    study: Study, wall: _Wall, model: Drape, hung: Sequence[Drape]
) -> Iterator[tuple[float, float, float, float]]:
    """Ends along the first axis of the wall, bottom and top of each stretch where cloth may hang."""
    low_u, low_v, high_u, high_v = wall.shape.bounds
    base = float(wall.plane.lift(np.array([[0.0, low_v]]))[0, 2])
    bottom = base + OFF_FLOOR
    n = int((high_u - low_u) // COLUMN)
    runs: list[tuple[int, int, float]] = []
    for column in range(n):
        ends = (low_u + column * COLUMN, low_u + (column + 1) * COLUMN)
        top = _top(wall, ends, low_v, high_v, base, min(model.drop, TALLEST) + bottom)
        if top - bottom < 1.0 or not _is_free(study, wall, model, ends, bottom, top, hung):
            continue
        if runs and runs[-1][1] == column and abs(runs[-1][2] - top) < 0.05:
            runs[-1] = (runs[-1][0], column + 1, runs[-1][2])
        else:
            runs.append((column, column + 1, top))
    for first, last, top in runs:
        length = (last - first) * COLUMN
        if length < SHORTEST:
            continue
        n_lines = int(np.ceil(length / LONGEST))
        cuts = low_u + COLUMN * first + np.linspace(0.0, length, n_lines + 1)
        for start, end in pairwise(cuts):
            yield float(start), float(end), bottom, top


def _top(
    wall: _Wall, ends: tuple[float, float], low_v: float, high_v: float, base: float, most: float
) -> float:
    """Height up to which the wall has no gap over the width of a column."""
    middle = 0.5 * (ends[0] + ends[1])
    tops = []
    for u in (ends[0] + 0.01, middle, ends[1] - 0.01):
        line = shapely.LineString([(u, low_v), (u, high_v)]).intersection(wall.shape)
        pieces = [part.bounds for part in shapely.get_parts(line) if part.length > 0.0]
        foot = [bounds for bounds in pieces if bounds[1] < low_v + 0.02]
        tops.append(base + (foot[0][3] - low_v) - OFF_FLOOR if foot else base)
    return min(*tops, most)


def _is_free(
    study: Study, wall: _Wall, model: Drape, ends: tuple[float, float], bottom: float, top: float,
    hung: Sequence[Drape],
) -> bool:  # fmt: skip
    piece = _line("piece", model, wall, ends, bottom, top)
    if next(zone_findings(piece, study.venue.zone), None) is not None:
        return False
    line = shapely.LineString(piece.runs[0])
    for near in (shapely.LineString(run) for drape in hung for run in drape.runs):
        # Cloth on the adjacent wall around a corner is no obstacle.
        common = line.intersection(near.buffer(BESIDE, cap_style="flat"))
        if common.length > 0.05 and _along(line, near):
            return False
    return True


def _along(line: shapely.LineString, other: shapely.LineString) -> bool:
    """Whether a piece of the other line is parallel to it within about 25 degrees."""
    a = np.diff(np.asarray(line.coords), axis=0)[0]
    pieces = np.diff(np.asarray(other.coords), axis=0)
    cosine = np.abs(pieces @ a) / (np.linalg.norm(pieces, axis=1) * np.linalg.norm(a))
    return bool((cosine > 0.9).any())
