"""Build the mesh of Quillgate Depot, the invented venue of the demo: `python geometry/build_depot.py`.

Writes `depot/depot.obj` beside this file: metres, z up, one `g` group for each surface, polygons
anticlockwise seen from the room, so that all normals point into it. The shell (floor with stage and bar
counter standing on it, walls, gables, roof) is one closed surface: surfaces are declared as plain rectangles
and every corner that lies on a neighbour's edge is made a corner of the neighbour too. Trusses, columns and
heaters are closed boxes of their own, at least 20 mm clear of the shell and of each other, so that no two
faces overlap. Numpy only, no randomness: every run writes the same bytes.

x runs from the west gable (stage) to the east gable (tram shutters), y from the south wall to the north wall.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np

LENGTH, WIDTH, EAVES, RIDGE = 54.0, 28.0, 7.0, 10.5
BAY = 6.0
N_BAYS = 9
MIDDLE = WIDTH / 2
PITCH = (RIDGE - EAVES) / MIDDLE

DOOR_HEIGHT = 2.0
SOUTH_DOOR = (36.0, 38.0)
NORTH_DOOR = (19.0, 21.0)
WEST_DOOR = (2.0, 4.0)
GLAZED_BAYS = (1, 2, 4, 5, 7)
"""Bays, counted from 0, with a window in both long walls; the doors are in bays 3 and 6."""
WINDOW_WIDTH, WINDOW_SILL, WINDOW_HEAD = 4.5, 2.0, 6.0
SHUTTERS = ((1.1, 5.3), (6.5, 10.7), (11.9, 16.1), (17.3, 21.5), (22.7, 26.9))
SHUTTER_HEIGHT = 5.0
WICKETS = {2: (7.6, 9.6), 4: (18.4, 20.4)}
"""Doors in the shutters 2 and 4: the way out to the east."""
ROOFLIGHT_WIDTH = 1.2
"""One strip in each bay and slope, eaves to ridge: 20 % of the roof."""

STAGE = (2.0, 10.0, 8.0, 20.0)
STAGE_HEIGHT = 0.8
SEATS = (13.0, 37.0, 6.0, 22.0)
PITS = tuple((7.0, 37.0, south, south + 1.2) for south in (0.6, 2.6, 24.2, 26.2))
"""A working pit and a centre pit of the outermost road on each side."""
BAR_COUNTER = (46.0, 46.7, 7.0, 21.0)
BAR_COUNTER_HEIGHT = 1.1

COLUMN_ROWS = (2.2, 25.8)
"""Iron columns between the pits; the trusses bear on them, the wall behind stays clear."""
HEATERS = ((12.0, "south"), (30.0, "south"), (12.0, "north"), (30.0, "north"))

Box = tuple[float, float, float, float]
"""Lower and upper bound of the first coordinate, then of the second."""
Point = Sequence[float]


@dataclass
class Model:
    """Polygons by surface group, in the order in which they were declared."""

    polygons: dict[str, list[np.ndarray]] = field(default_factory=dict)

    def add(self, group: str, corners: Iterable[Point], facing: Point) -> None:
        """Add a planar polygon, turned so that its normal points the way of `facing`."""
        points = np.array([*corners], dtype=float).round(6)
        if area_vector(points) @ np.asarray(facing) < 0.0:
            points = points[::-1]
        self.polygons.setdefault(group, []).append(points)

    def add_box(self, group: str, centre: Point, axes: np.ndarray, half: Point) -> None:
        """Add a closed box: `axes` (3, 3) are orthonormal rows, `half` its half sizes along them."""
        edges = axes * np.asarray(half)[:, None]
        for i in range(3):
            a, b = edges[i - 2], edges[i - 1]
            for out in (edges[i], -edges[i]):
                middle = np.asarray(centre) + out
                self.add(group, [middle - a - b, middle + a - b, middle + a + b, middle - a + b], out)


def area_vector(points: np.ndarray) -> np.ndarray:
    """Normal of a polygon (n, 3), as long as its area."""
    return 0.5 * np.cross(points - points[0], np.roll(points, -1, axis=0) - points[0]).sum(axis=0)


# --- the shell ------------------------------------------------------------------------------------------


def add_cut(
    model: Model,
    group: str,
    outline: Box,
    openings: Sequence[tuple[str | None, Box]],
    place: Callable[[float, float], Point],
    facing: Point,
) -> None:
    """Add a rectangle with rectangles cut out of it.

    `openings` are (group that fills it, box); without a group the hole stays open. `place` puts the
    rectangle's coordinates into the room.
    """
    u0, u1, v0, v1 = outline
    levels = sorted({u0, u1, *(u for _, box in openings for u in box[:2])})
    for left, right in pairwise(levels):
        free_from = v0
        across = sorted(box[2:] for _, box in openings if box[0] < right and box[1] > left)
        for low, high in [*across, (v1, v1)]:
            if low > free_from:
                add_patch(model, group, (left, right, free_from, low), place, facing)
            free_from = high
    for name, box in openings:
        if name is not None:
            add_patch(model, name, box, place, facing)


def add_patch(
    model: Model, group: str, box: Box, place: Callable[[float, float], Point], facing: Point
) -> None:
    u0, u1, v0, v1 = box
    model.add(group, [place(u0, v0), place(u1, v0), place(u1, v1), place(u0, v1)], facing)


def add_floor(model: Model) -> None:
    openings: list[tuple[str | None, Box]] = [("floor_seating", SEATS), (None, STAGE), (None, BAR_COUNTER)]
    openings += [(f"pit_cover_{i + 1}", pit) for i, pit in enumerate(PITS)]
    add_cut(model, "floor_concrete", (0, LENGTH, 0, WIDTH), openings, lambda x, y: (x, y, 0.0), (0, 0, 1))
    add_platform(model, "stage", STAGE, STAGE_HEIGHT)
    add_platform(model, "bar_counter", BAR_COUNTER, BAR_COUNTER_HEIGHT)


def add_platform(model: Model, name: str, plan: Box, height: float) -> None:
    """A block on the floor, its underside left out: <name>_top and _east, _west, _south, _north."""
    x0, x1, y0, y1 = plan
    add_patch(model, f"{name}_top", plan, lambda x, y: (x, y, height), (0, 0, 1))
    for side, x in (("west", x0), ("east", x1)):
        add_patch(model, f"{name}_{side}", (y0, y1, 0, height), _at_x(x), (x - 0.5 * (x0 + x1), 0, 0))
    for side, y in (("south", y0), ("north", y1)):
        add_patch(model, f"{name}_{side}", (x0, x1, 0, height), _at_y(y), (0, y - 0.5 * (y0 + y1), 0))


def add_long_walls(model: Model) -> None:
    for side, y, door in (("south", 0.0, SOUTH_DOOR), ("north", WIDTH, NORTH_DOOR)):
        openings: list[tuple[str | None, Box]] = [(f"door_{side}", (*door, 0.0, DOOR_HEIGHT))]
        for bay in GLAZED_BAYS:
            middle = (bay + 0.5) * BAY
            edges = (middle - WINDOW_WIDTH / 2, middle + WINDOW_WIDTH / 2)
            openings.append((f"glazing_{side}_{bay + 1}", (*edges, WINDOW_SILL, WINDOW_HEAD)))
        facing = (0, MIDDLE - y, 0)
        add_cut(model, f"brick_{side}", (0, LENGTH, 0, EAVES), openings, _at_y(y), facing)


def add_gables(model: Model) -> None:
    west: list[tuple[str | None, Box]] = [("door_west", (*WEST_DOOR, 0.0, DOOR_HEIGHT))]
    east: list[tuple[str | None, Box]] = []
    for number, (y0, y1) in enumerate(SHUTTERS, 1):
        shutter = f"shutter_{number}"
        if number not in WICKETS:
            east.append((shutter, (y0, y1, 0.0, SHUTTER_HEIGHT)))
            continue
        w0, w1 = WICKETS[number]
        east.append((f"wicket_{number}", (w0, w1, 0.0, DOOR_HEIGHT)))
        east.append((shutter, (w0, w1, DOOR_HEIGHT, SHUTTER_HEIGHT)))
        east += [(shutter, (y0, w0, 0.0, SHUTTER_HEIGHT)), (shutter, (w1, y1, 0.0, SHUTTER_HEIGHT))]
    for side, x, openings in (("west", 0.0, west), ("east", LENGTH, east)):
        facing = (LENGTH / 2 - x, 0, 0)
        add_cut(model, f"brick_{side}", (0, WIDTH, 0, EAVES), openings, _at_x(x), facing)
        model.add(f"brick_{side}", [(x, 0, EAVES), (x, WIDTH, EAVES), (x, MIDDLE, RIDGE)], facing)


def add_roof(model: Model) -> None:
    for side, y0, y1 in (("south", 0.0, MIDDLE), ("north", MIDDLE, WIDTH)):
        lights: list[tuple[str | None, Box]] = []
        for bay in range(N_BAYS):
            middle = (bay + 0.5) * BAY
            edges = (middle - ROOFLIGHT_WIDTH / 2, middle + ROOFLIGHT_WIDTH / 2)
            lights.append((f"rooflight_{side}_{bay + 1}", (*edges, y0, y1)))
        add_cut(model, f"roof_{side}", (0, LENGTH, y0, y1), lights, _on_roof, (0, 0, -1))


def _on_roof(x: float, y: float) -> Point:
    return (x, y, roof_height(y))


def roof_height(y: float) -> float:
    return EAVES + PITCH * min(y, WIDTH - y)


def _at_x(x: float) -> Callable[[float, float], Point]:
    return lambda y, z: (x, y, z)


def _at_y(y: float) -> Callable[[float, float], Point]:
    return lambda x, z: (x, y, z)


# --- what stands and hangs in it ------------------------------------------------------------------------


def add_trusses(model: Model) -> None:
    """A W-truss at each bay line: bottom chord at 7.0 m, two top chords, four webs, each its own box.

    The members of a joint end a few centimetres short of each other: a joint modelled closed would need
    faces that overlap, and sound does not see the gap.
    """
    for number in range(1, N_BAYS):
        x, group = number * BAY, f"truss_{number}"
        _add_member(model, group, x, (0.6, EAVES), (WIDTH - 0.6, EAVES), (0.075, 0.075))
        for left in (True, False):
            # Top chord 0.28 m under the roof; webs from a third of the bottom chord to its middle and top.
            chord = ((2.1, _chord_height(2.1)), (13.94, _chord_height(13.94)))
            outer = _shortened((9.3, EAVES), (7.0, _chord_height(7.0)), 0.26, 0.22)
            inner = _shortened((9.3, EAVES), (13.9, _chord_height(13.9)), 0.26, 0.48)
            for (start, end), half in ((chord, (0.075, 0.1)), (outer, (0.05, 0.05)), (inner, (0.05, 0.05))):
                if not left:
                    start, end = (WIDTH - start[0], start[1]), (WIDTH - end[0], end[1])
                _add_member(model, group, x, start, end, half)


def _chord_height(y: float) -> float:
    return roof_height(y) - 0.28


def _shortened(start: Point, end: Point, first: float, last: float) -> tuple[Point, Point]:
    a, b = np.array(start), np.array(end)
    along = (b - a) / np.linalg.norm(b - a)
    return a + first * along, b - last * along


def _add_member(
    model: Model, group: str, x: float, start: Point, end: Point, half: tuple[float, float]
) -> None:
    """A bar in the plane of a truss from (y, z) to (y, z); half width along x and half depth."""
    a, b = np.array([x, *start]), np.array([x, *end])
    length = float(np.linalg.norm(b - a))
    along = (b - a) / length
    across = np.array([1.0, 0.0, 0.0])
    axes = np.array([along, across, np.cross(along, across)])
    model.add_box(group, 0.5 * (a + b), axes, (length / 2, *half))


def add_columns(model: Model) -> None:
    """Iron columns 0.2 m square under the trusses, from 20 mm over the floor to 25 mm under the chord."""
    low, high = 0.02, 6.9
    for row, y in zip("ab", COLUMN_ROWS):
        for number in range(1, N_BAYS):
            centre = (number * BAY, y, 0.5 * (low + high))
            model.add_box(f"column_{row}{number}", centre, np.eye(3), (0.1, 0.1, 0.5 * (high - low)))


def add_heaters(model: Model) -> None:
    """Warm-air heaters on the long walls, 1.2 x 0.7 x 0.9 m, 0.12 m off the wall, z 4.2 to 5.1."""
    for number, (x, side) in enumerate(HEATERS, 1):
        off = 0.12 + 0.35
        centre = (x, off if side == "south" else WIDTH - off, 4.65)
        model.add_box(f"heater_{number}", centre, np.eye(3), (0.6, 0.35, 0.45))


# --- joining and writing --------------------------------------------------------------------------------


def joined(polygons: dict[str, list[np.ndarray]]) -> tuple[np.ndarray, dict[str, list[tuple[int, ...]]]]:
    """Vertices (n, 3) and faces as vertex indices, each corner on an edge made part of the edge's polygon.

    Polygons that gain corners so are cut into triangles that use them all.
    """
    corners = np.concatenate([points for faces in polygons.values() for points in faces])
    vertices, index = np.unique(corners, axis=0, return_inverse=True)
    index = index.ravel()
    faces: dict[str, list[tuple[int, ...]]] = {}
    used = 0
    for group, members in polygons.items():
        for points in members:
            ring = [int(i) for i in index[used : used + len(points)]]
            used += len(points)
            full = [i for a, b in zip(ring, ring[1:] + ring[:1]) for i in (a, *_on_edge(vertices, a, b))]
            pieces = [tuple(ring)] if len(full) == len(ring) else _triangles(vertices, full)
            faces.setdefault(group, []).extend(pieces)
    return vertices, faces


def _on_edge(vertices: np.ndarray, a: int, b: int) -> list[int]:
    """Vertices inside the edge from a to b, in order."""
    edge = vertices[b] - vertices[a]
    along = (vertices - vertices[a]) @ edge / (edge @ edge)
    off = np.linalg.norm(vertices - vertices[a] - along[:, None] * edge, axis=1)
    inside = np.flatnonzero((off < 1e-5) & (along > 1e-9) & (along < 1 - 1e-9))
    return [int(i) for i in inside[np.argsort(along[inside])]]


def _triangles(vertices: np.ndarray, ring: list[int]) -> list[tuple[int, ...]]:
    """Cut a convex polygon with corners in its edges into triangles, the most slender as stout as can be."""

    @cache
    def best(first: int, last: int) -> tuple[float, tuple[tuple[int, ...], ...]]:
        """Stoutness and triangles of the part of the ring from `first` to `last`."""
        if last == first + 1:
            return np.inf, ()
        choices = []
        for apex in range(first + 1, last):
            triangle = (ring[first], ring[apex], ring[last])
            (one, left), (other, right) = best(first, apex), best(apex, last)
            stout = min(_stoutness(*vertices[list(triangle)]), one, other)
            choices.append((stout, (triangle, *left, *right)))
        return max(choices, key=lambda choice: choice[0])

    stoutness, triangles = best(0, len(ring) - 1)
    if stoutness < 1e-6:
        raise ValueError(f"no triangles without a flat one for {vertices[ring].tolist()}")
    return list(triangles)


def _stoutness(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> float:
    """Height over longest edge of a triangle: 0 if flat, 0.87 at most."""
    longest = max(np.linalg.norm(b - a), np.linalg.norm(c - b), np.linalg.norm(a - c))
    return float(np.linalg.norm(np.cross(b - a, c - a)) / longest**2)


def build() -> Model:
    """The whole depot as declared, before corners are joined."""
    model = Model()
    parts = (add_floor, add_long_walls, add_gables, add_roof, add_trusses, add_columns, add_heaters)
    for add in parts:
        add(model)
    return model


def write(path: Path) -> None:
    """Build the depot and write it as OBJ."""
    vertices, faces = joined(build().polygons)
    lines = ["# Quillgate Depot, an invented venue. Metres, z up. Written by build_depot.py: do not edit."]
    # Adding zero turns -0.0, a remainder of rounding, into 0.0.
    lines += ["v {:.10g} {:.10g} {:.10g}".format(*(vertex + 0.0)) for vertex in vertices]
    for group, members in faces.items():
        lines.append(f"g {group}")
        lines += ["f " + " ".join(str(i + 1) for i in face) for face in members]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    target = Path(__file__).parent / "depot" / "depot.obj"
    target.parent.mkdir(exist_ok=True)
    write(target)
    print(f"wrote {target}")
