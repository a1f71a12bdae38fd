"""Division of surfaces along the edges of elements: each patch is uniform in every scenario."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from ..elements.sheets import Plane, Sheet
from ..elements.surfaces import Footprint
from ..errors import SceneError
from ..venue.mesh import VenueMesh
from .scene import Patch
from .surfaces import FLAT, FLATNESS, Region
from .tessellation import pair_to_parallelograms, parallelogram_corners, pieces, polygon_parts
from .topology import normals_and_areas

SLIVER_AREA = 1e-4
"""m2; a smaller piece is merged with its neighbour."""
SLIVER_WIDTH = 1e-3
"""m; so is a narrower one."""
MAX_PATCHES = 65534 // 3
"""A path log stores the event and patch in 16 bits."""


@dataclass(frozen=True)
class Primitives:
    """Triangles and parallelograms and the patch of each."""

    corners: np.ndarray
    """(n, 3, 3) m: a corner, and its two neighbours."""
    is_triangle: np.ndarray
    """(n,) bool."""
    patch: np.ndarray
    """(n,) int32."""


@dataclass(frozen=True)
class _Cell:
    """A piece of a plane with the elements that cover it, lowest first; not yet cut into primitives."""

    base: str
    covers: tuple[str, ...]
    is_sheet: bool
    shape: BaseGeometry | None
    """None where the faces of the mesh are not cut."""
    plane: Plane
    region: Region | None


def cut_patches(
    mesh: VenueMesh,
    regions: Sequence[Region],
    prints: Iterable[Footprint],
    sheets: Sequence[Sheet],
    two_sided: np.ndarray | None = None,
) -> tuple[Primitives, tuple[Patch, ...]]:
    """Divide the surfaces of a venue and all free-hanging cloth into patches and primitives.

    Parameters
    ----------
    prints : Footprint
        In the order in which elements cover each other, lowest first.
    sheets : Sheet
        In the same order.
    two_sided : (n_groups,) bool
        Surface groups with both sides in the room; none by default.

    Raises
    ------
    SceneError
        More patches than a path log can number.
    """
    cells = [*_surface_cells(mesh, regions, prints), *_sheet_cells(sheets)]
    keys = list(dict.fromkeys((cell.is_sheet, cell.base, cell.covers) for cell in cells))
    if len(keys) > MAX_PATCHES:
        raise SceneError(
            f"The elements cut the surfaces into {len(keys):,} patches; {MAX_PATCHES:,} is the limit.",
            cure="Combine elements that are always used together, or divide the study.",
        )
    number = {key: i for i, key in enumerate(keys)}
    primitives = _primitives(mesh, cells, [number[cell.is_sheet, cell.base, cell.covers] for cell in cells])
    area = np.bincount(primitives.patch, primitive_areas(primitives), minlength=len(keys))
    double = set() if two_sided is None else {mesh.group_names[i] for i in np.flatnonzero(two_sided)}
    patches = tuple(
        Patch(
            name=" + ".join(covers if is_sheet else (base, *covers)),
            group=base,
            covers=covers,
            area=float(area[i]),
            is_sheet=is_sheet,
            two_sided=not is_sheet and base in double,
        )
        for i, (is_sheet, base, covers) in enumerate(keys)
    )
    return primitives, patches


def primitive_areas(primitives: Primitives) -> np.ndarray:
    """(n,) m2."""
    return normals_and_areas(primitives.corners)[1] * np.where(primitives.is_triangle, 1.0, 2.0)


def overlay(
    base: BaseGeometry, layers: Iterable[tuple[str, BaseGeometry | None]]
) -> dict[tuple[str, ...], BaseGeometry]:
    """Cut a polygon along the edges of layers: names of the layers on a piece, lowest first -> the piece.

    The pieces are disjoint and together make `base`; a layer without a shape covers all of it. Pieces smaller
    than `SLIVER_AREA` or narrower than `SLIVER_WIDTH` go to the neighbour with which they share most edge.
    """
    cells: dict[tuple[str, ...], BaseGeometry] = {(): base}
    for name, shape in layers:
        cut: dict[tuple[str, ...], BaseGeometry] = {}
        for covers, cell in cells.items():
            inside = cell if shape is None else _area_of(cell.intersection(shape))
            outside = None if shape is None else _area_of(cell.difference(shape))
            if inside is not None:
                # A second piece of the same element adds no second cover.
                key = covers if name in covers else (*covers, name)
                cut[key] = inside if key not in cut else cut[key].union(inside)
            if outside is not None:
                cut[covers] = outside if covers not in cut else cut[covers].union(outside)
        cells = cut
    return _without_slivers(cells)


def _area_of(shape: BaseGeometry) -> BaseGeometry | None:
    parts = polygon_parts(shape)
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def is_sliver(part: shapely.Polygon) -> bool:
    """Whether a polygon is smaller than `SLIVER_AREA` or narrower than `SLIVER_WIDTH`."""
    return part.area < SLIVER_AREA or 2.0 * part.area < SLIVER_WIDTH * part.length


def _without_slivers(cells: dict[tuple[str, ...], BaseGeometry]) -> dict[tuple[str, ...], BaseGeometry]:
    parts = [(covers, part) for covers, cell in cells.items() for part in polygon_parts(cell)]
    large = [(covers, part) for covers, part in parts if not is_sliver(part)]
    small = [(covers, part) for covers, part in parts if is_sliver(part)]
    if not small or not large:
        return cells
    merged = [[part] for _, part in large]
    for sliver in (part for _, part in small):
        rim = sliver.buffer(FLAT)
        shared = [rim.intersection(part.boundary).length for _, part in large]
        if max(shared) > 0.0:
            best = int(np.argmax(shared))
        else:
            # A sliver among slivers is merged with the nearest large piece.
            best = int(np.argmin([part.distance(sliver) for _, part in large]))
        merged[best].append(sliver)
    by_covers: dict[tuple[str, ...], list[BaseGeometry]] = {}
    for (covers, _), shapes in zip(large, merged):
        by_covers.setdefault(covers, []).append(shapely.union_all(shapes))
    return {covers: shapely.union_all(shapes) for covers, shapes in by_covers.items()}


def _surface_cells(mesh: VenueMesh, regions: Sequence[Region], prints: Iterable[Footprint]) -> list[_Cell]:
    layers: dict[int, list[tuple[str, BaseGeometry | None]]] = {}
    for footprint in prints:
        layers.setdefault(footprint.region, []).append((footprint.element, footprint.shape))
    cells: list[_Cell] = []
    for i, region in enumerate(regions):
        name = mesh.group_names[region.group]
        on_it = layers.get(i, [])
        parts: Mapping[tuple[str, ...], BaseGeometry | None] = (
            overlay(region.polygon, on_it)
            if any(shape is not None for _, shape in on_it)
            else {tuple(dict.fromkeys(element for element, _ in on_it)): None}
        )
        if len(parts) == 1:
            # Covered completely, or touched by no more than a sliver: the faces are not cut.
            parts = dict.fromkeys(parts)
        cells += [_Cell(name, covers, False, shape, region.plane, region) for covers, shape in parts.items()]
    return sorted(cells, key=lambda cell: mesh.group_names.index(cell.base))


def _sheet_cells(sheets: Sequence[Sheet]) -> list[_Cell]:
    """Coplanar sheets are divided like a surface, so that no two of them overlap."""
    planes: list[tuple[Plane, list[tuple[str, BaseGeometry]]]] = []
    for sheet in sheets:
        for plane, members in planes:
            if plane.contains(sheet.corners, FLATNESS):
                members.append((sheet.element, shapely.Polygon(plane.flatten(sheet.corners))))
                break
        else:
            planes.append((sheet.plane, [(sheet.element, sheet.polygon)]))
    cells: list[_Cell] = []
    for plane, members in planes:
        found = overlay(shapely.union_all([shape for _, shape in members]), members)
        cells += [_Cell(covers[0], covers, True, shape, plane, None) for covers, shape in found.items()]
    return cells


def _primitives(mesh: VenueMesh, cells: Sequence[_Cell], patch_of: Sequence[int]) -> Primitives:
    parts: list[tuple[np.ndarray, np.ndarray, int]] = []
    uncut: dict[int, list[Region]] = {}
    for cell, number in zip(cells, patch_of):
        if cell.shape is None:
            assert cell.region is not None
            uncut.setdefault(number, []).append(cell.region)
        else:
            flat, triangles = pieces(cell.shape)
            parts.append((cell.plane.lift(flat), triangles, number))
    # Faces of the mesh; two triangles that form a parallelogram are joined, first those of one polygon.
    for number, members in uncut.items():
        faces = np.concatenate([region.triangles for region in members])
        polygon = mesh.polygon[np.concatenate([region.faces for region in members])]
        chosen, partner = pair_to_parallelograms(mesh.vertices, faces, polygon, FLAT)
        parts.append((*parallelogram_corners(mesh.vertices, faces, chosen, partner), number))
    corners, is_triangle, numbers = zip(*parts)
    patch = np.repeat(np.array(numbers, np.int32), [len(part) for part in corners])
    return Primitives(np.concatenate(corners), np.concatenate(is_triangle), patch)
