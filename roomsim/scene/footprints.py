"""The parts of a venue's surfaces that elements cover."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import shapely
from shapely.affinity import affine_transform
from shapely.geometry.base import BaseGeometry

from ..elements.element import Element
from ..elements.sheets import Sheet, level
from ..elements.surfaces import FLOOR_REACH, Covering, Fit, Footprint
from ..venue.document import Study
from ..venue.mesh import matching_groups
from .surfaces import Regions

SPECK = 1e-6
"""m2; two shapes with a smaller overlap only touch."""
PARALLEL = np.cos(np.radians(10.0))
"""Cosine of the largest angle between cloth and the surface in front of which it hangs."""


class VenueSurfaces:
    """The flat regions of a venue, for elements to cover: `elements.surfaces.Surfaces`."""

    def __init__(self, study: Study, regions: Regions) -> None:
        self._study, self._regions = study, regions

    def groups(self, element: str, patterns: Sequence[str], who: str, file: str = "venue file") -> Covering:
        """All regions of the surface groups with these names or wildcards.

        Raises
        ------
        MeshError : the mesh has no such group
        """
        chosen = matching_groups(self._study.mesh, patterns, who, file)
        return Covering(
            [Footprint(element, i, None) for i, region in enumerate(self._regions) if chosen[region.group]]
        )

    def audience(self, element: str, area: str) -> Covering:
        """The floor of an audience area."""
        (audience,) = (audience for audience in self._study.venue.audience if audience.name == area)
        if audience.group is not None:
            return self.groups(element, [audience.group], f"audience {area!r}")
        sheet = level(element, f"area {area!r}", np.array(audience.polygon), audience.floor)
        return self.project(sheet, -FLOOR_REACH, FLOOR_REACH)

    def project(self, sheet: Sheet, low: float, high: float) -> Covering:
        """Surfaces at a distance between `low` and `high`, m, along the normal of a sheet."""
        return project(sheet, self._regions, low, high)


def footprints(
    study: Study, regions: Regions, elements: Iterable[Element]
) -> tuple[list[Footprint], list[Fit]]:
    """The parts of surfaces that elements cover, in the order of the elements, and the fit of each piece.

    Raises
    ------
    MeshError
        A surface group that the mesh does not have.
    """
    surfaces = VenueSurfaces(study, regions)
    coverings = [covering for element in elements for covering in element.coverings(surfaces)]
    prints = [footprint for covering in coverings for footprint in covering.prints]
    return prints, [covering.fit for covering in coverings if covering.fit is not None]


def project(sheet: Sheet, regions: Regions, low: float, high: float) -> Covering:
    """Project a sheet along its normal onto the regions whose distance is between `low` and `high`.

    The nearest region receives as much of the sheet as lies in front of it, the next one the remainder.
    """
    near: list[tuple[float, int, BaseGeometry, np.ndarray, np.ndarray]] = []
    for i in _within_reach(sheet, regions, low, high):
        region = regions[i]
        # A point with coordinates a in the plane of the region is projected to f = a turn + shift in that of the sheet.
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
        # Nearer regions hide the sheet, except for neighbours that only touch.
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
    return Covering(prints, Fit(sheet.element, sheet.piece, share, moment / taken if taken else float("nan")))


def _within_reach(sheet: Sheet, regions: Regions, low: float, high: float) -> np.ndarray:
    outline = sheet.corners
    swept = np.concatenate([outline + low * sheet.plane.normal, outline + high * sheet.plane.normal])
    near = np.abs(regions.normals @ sheet.plane.normal) > PARALLEL
    near &= (regions.boxes[:, 1] > swept.min(axis=0) - 1e-6).all(axis=1)
    near &= (regions.boxes[:, 0] < swept.max(axis=0) + 1e-6).all(axis=1)
    return np.flatnonzero(near)


def _mapped(shape: BaseGeometry, turn: np.ndarray, shift: np.ndarray) -> BaseGeometry:
    """The shape with every point a mapped to a turn + shift; turn (2, 2), shift (2,)."""
    return affine_transform(shape, [*turn.T.ravel(), *shift])
