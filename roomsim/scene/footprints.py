"""Where the elements of a study lie on the surfaces of its venue."""

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
"""m2; two shapes that have less in common only touch."""
PARALLEL = np.cos(np.radians(10.0))
"""Cosine of the largest angle between cloth and the surface that it hangs before."""


class VenueSurfaces:
    """The flat regions of a venue, as elements are laid on them."""

    def __init__(self, study: Study, regions: Regions) -> None:
        self._areas = {area.name: area for area in study.venue.audience}
        self._mesh, self._regions = study.mesh, regions

    def groups(self, element: str, patterns: Sequence[str], who: str, file: str = "venue file") -> Covering:
        """All regions of the surface groups with these names or wildcards.

        Raises
        ------
        MeshError : the mesh does not have them
        """
        chosen = matching_groups(self._mesh, patterns, who, file)
        return Covering(
            [Footprint(element, i, None) for i, region in enumerate(self._regions) if chosen[region.group]]
        )

    def audience(self, element: str, area: str) -> Covering:
        """The floor of an audience area."""
        described = self._areas[area]
        if described.group is not None:
            return self.groups(element, [described.group], f"audience {area!r}")
        sheet = level(element, f"area {area!r}", np.array(described.polygon), described.floor)
        return self.project(sheet, -FLOOR_REACH, FLOOR_REACH)

    def project(self, sheet: Sheet, low: float, high: float) -> Covering:
        """What lies at a distance between `low` and `high`, m, along the normal of a sheet."""
        return project(sheet, self._regions, low, high)


def footprints(
    study: Study, regions: Regions, elements: Iterable[Element]
) -> tuple[list[Footprint], list[Fit]]:
    """Where elements lie on the venue's surfaces, in the order given, and how well each piece fits.

    Raises
    ------
    MeshError
        A surface group that the mesh does not have.
    """
    surfaces = VenueSurfaces(study, regions)
    coverings = [covering for element in elements for covering in element.coverings(surfaces)]
    found = [footprint for covering in coverings for footprint in covering.prints]
    return found, [covering.fit for covering in coverings if covering.fit is not None]


def project(sheet: Sheet, regions: Regions, low: float, high: float) -> Covering:
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
    return Covering(prints, Fit(sheet.element, sheet.piece, share, moment / taken if taken else float("nan")))


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
