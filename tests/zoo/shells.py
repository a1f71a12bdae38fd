"""Meshes of the halls as code: flat polygons in metres with z up, and the file formats in which they are written.

This module does not import the package, so that tests of its readers do not depend on it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import trimesh

Point = Sequence[float]
METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "ft": 0.3048}


class Shell:
    """Convex polygons, each of a named group, that run anticlockwise seen from the room's air."""

    def __init__(self) -> None:
        self.polygons: list[tuple[str, np.ndarray]] = []

    def add(self, group: str, corners: Iterable[Point], seen_from: Point) -> None:
        """A polygon; it is turned so that its front faces the point `seen_from`."""
        points = np.array([[float(c) for c in corner] for corner in corners])
        if _area_vector(points) @ (np.asarray(seen_from, float) - points[0]) < 0.0:
            points = points[::-1]
        self.polygons.append((group, points))

    def add_grid(
        self, groups: Sequence[Sequence[str | None]], origin: Point, along: Point, up: Point,
        steps: tuple[Sequence[float], Sequence[float]], seen_from: Point,
    ) -> None:  # fmt: skip
        """A flat surface cut into rectangles: `steps` are where it is cut along and up, ends included.

        `groups[i][j]` is the group of the rectangle i along and j up; None leaves it open.
        """
        start, across, upward = (np.asarray(v, float) for v in (origin, along, up))
        for i, (a, b) in enumerate(pairwise(steps[0])):
            for j, (c, d) in enumerate(pairwise(steps[1])):
                group = groups[i][j]
                if group is not None:
                    corners = [(a, c), (b, c), (b, d), (a, d)]
                    self.add(group, [start + u * across + v * upward for u, v in corners], seen_from)

    def add_box(self, groups: dict[str, str], low: Point, high: Point, sides: str = "wensbt") -> None:
        """A solid box in the room: its sides west, east, north, south, bottom, top by `sides`, seen from outside.

        `groups` maps a side's letter to its group; "" is for those not named.
        """
        (x0, y0, z0), (x1, y1, z1) = low, high
        faces = {
            "w": [(x0, y0, z0), (x0, y1, z0), (x0, y1, z1), (x0, y0, z1)],
            "e": [(x1, y0, z0), (x1, y1, z0), (x1, y1, z1), (x1, y0, z1)],
            "s": [(x0, y0, z0), (x1, y0, z0), (x1, y0, z1), (x0, y0, z1)],
            "n": [(x0, y1, z0), (x1, y1, z0), (x1, y1, z1), (x0, y1, z1)],
            "b": [(x0, y0, z0), (x1, y0, z0), (x1, y1, z0), (x0, y1, z0)],
            "t": [(x0, y0, z1), (x1, y0, z1), (x1, y1, z1), (x0, y1, z1)],
        }
        middle = 0.5 * (np.asarray(low, float) + high)
        for side in sides:
            corners = np.array(faces[side], float)
            self.add(groups.get(side, groups.get("", "")), corners, 2.0 * corners.mean(axis=0) - middle)

    def welded(self) -> tuple[np.ndarray, list[tuple[str, list[int]]]]:
        """Vertices (n, 3), and each polygon's group and corners; corners that lie on an edge of another polygon are
        put into that edge too, so that no gap opens between the two."""
        keys: dict[tuple[float, ...], int] = {}
        rings = []
        for group, points in self.polygons:
            ring = [keys.setdefault(tuple(np.round(p, 6) + 0.0), len(keys)) for p in points]
            rings.append((group, ring))
        vertices = np.array(list(keys))
        return vertices, [(group, _with_corners_between(vertices, ring)) for group, ring in rings]


def _area_vector(points: np.ndarray) -> np.ndarray:
    return 0.5 * np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)


def _with_corners_between(vertices: np.ndarray, ring: list[int]) -> list[int]:
    full = []
    for a, b in zip(ring, ring[1:] + ring[:1]):
        edge = vertices[b] - vertices[a]
        length = np.linalg.norm(edge)
        along = (vertices - vertices[a]) @ edge / length
        off = np.linalg.norm(vertices - vertices[a] - along[:, None] * edge / length, axis=1)
        between = np.flatnonzero((off < 1e-6) & (along > 1e-6) & (along < length - 1e-6))
        full += [a, *(int(i) for i in between[np.argsort(along[between])])]
    return full


# --- files ----------------------------------------------------------------------------------------------


def write_mesh(shell: Shell, path: Path, unit: str = "m", up: str = "z", label: str = "g") -> None:
    """Write a shell in the format of the path's ending.

    `label` is the OBJ word that carries the groups: "g", "usemtl" or "o". STL and PLY carry none.
    """
    vertices, rings = shell.welded()
    points = vertices / METRES[unit]
    if up == "y":
        points = points[:, [0, 2, 1]] * (1.0, 1.0, -1.0)
    kind = path.suffix
    if kind == ".obj":
        _write_obj(path, points, rings, label)
    elif kind == ".ply":
        _write_ply(path, points, rings)
    elif kind == ".stl":
        trimesh.Trimesh(*_triangles(points, rings), process=False).export(path)
    else:
        _write_gltf(path, points, rings)


def _write_obj(path: Path, points: np.ndarray, rings: list[tuple[str, list[int]]], label: str) -> None:
    lines = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in points]
    for group in dict.fromkeys(group for group, _ in rings):
        lines.append(f"{label} {group}")
        lines += ["f " + " ".join(str(i + 1) for i in ring) for name, ring in rings if name == group]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _write_ply(path: Path, points: np.ndarray, rings: list[tuple[str, list[int]]]) -> None:
    head = [
        *("ply", "format ascii 1.0", f"element vertex {len(points)}"),
        *("property double x", "property double y", "property double z"),
        *(f"element face {len(rings)}", "property list uchar int vertex_indices", "end_header"),
    ]
    body = [f"{x:.9g} {y:.9g} {z:.9g}" for x, y, z in points]
    body += [" ".join(str(i) for i in (len(ring), *ring)) for _, ring in rings]
    path.write_text("\n".join([*head, *body]) + "\n", encoding="utf-8")


def _write_gltf(path: Path, points: np.ndarray, rings: list[tuple[str, list[int]]]) -> None:
    scene = trimesh.Scene()
    for group in dict.fromkeys(group for group, _ in rings):
        part = trimesh.Trimesh(*_triangles(points, [r for r in rings if r[0] == group]), process=False)
        scene.add_geometry(part, node_name=group, geom_name=group)
    if path.suffix == ".glb":
        path.write_bytes(scene.export(file_type="glb"))
        return
    files = trimesh.exchange.gltf.export_gltf(scene)
    for name, content in files.items():
        path.with_name(path.name if name == "model.gltf" else name).write_bytes(content)


def _triangles(points: np.ndarray, rings: list[tuple[str, list[int]]]) -> tuple[np.ndarray, np.ndarray]:
    """Vertices and triangles: each polygon as a fan about its middle, since it may have corners on its edges."""
    places, faces = list(points), []
    for _, ring in rings:
        if len(ring) == 3:
            faces.append(ring)
            continue
        middle = len(places)
        places.append(points[ring].mean(axis=0))
        faces += [[a, b, middle] for a, b in zip(ring, ring[1:] + ring[:1])]
    return np.array(places), np.array(faces)
