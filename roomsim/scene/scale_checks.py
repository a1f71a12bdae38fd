"""Checks of unit and axes: a mesh in another unit or with another axis up, outlines in another unit.

They come first, because most other findings would be consequences of them: seats outside, missing floors, volumes of
cubic kilometres.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely

from ..fields import UNITS
from ..venue.document import AudienceArea, MeshReference, Study
from ..venue.mesh import METRES, matching_groups, upright
from .boundary import Boundary
from .findings import Finding, Severity
from .receivers import STEEPEST_FLOOR, area_outline, seat_faults, within
from .topology import normals_and_areas

SMALL, LARGE = 2.0, 500.0
"""m; a venue whose longest side is outside this range probably has another unit than the file states."""
SMALLEST, LARGEST = 0.5, 2000.0
"""m; a mesh whose longest side is outside this range cannot be a room."""
USUAL = (5.0, 300.0)
"""m, longest side that a venue must have for a unit to be suggested."""
FLOOR_TOLERANCE = 0.3
"""m by which the height of a floor may differ from the stated one."""
MOST_POINTS = 100
"""Points of each audience area that are tested."""
POOR_FIT, GOOD_FIT = 0.5, 0.9
"""Shares of the points that fit: below the first, other units and axes are tried; from the second, suggested."""


def scale_findings(study: Study, sources: np.ndarray) -> list[Finding]:
    """Faults of unit, axes and sizes. If one of them is an error, nothing else need be checked.

    Parameters
    ----------
    sources : (n, 3) m, positions of the sources; none for a venue without sources

    Raises
    ------
    MeshError, SceneError
        A surface group or an audience floor that does not exist.
    """
    findings = [*_unit_findings(study, sources)]
    for more in (_outline_findings(study), _axis_findings(study, sources)):
        findings += [] if findings else more
    if not any(finding.severity == "error" for finding in findings):
        outlines = [area_outline(audience, study.mesh)[0] for audience in study.venue.audience]
        findings += [
            Finding("seats", "error", fault.place or "", fault.fault, fault.cure or "")
            for fault in seat_faults(study, outlines)
        ]
    return findings


def _unit_findings(study: Study, sources: np.ndarray) -> Iterator[Finding]:
    """A mesh that is far too small or far too large."""
    reference = study.venue.mesh
    longest = float(np.ptp(study.mesh.vertices, axis=0).max())
    if SMALL <= longest <= LARGE:
        return
    usual = [
        reading
        for reading in _readings(study)
        if USUAL[0] <= longest * METRES[reading.unit] / METRES[reference.unit] <= USUAL[1]
    ]
    # Of those with the size of a hall, the one in which most seats stand on a floor.
    usual.sort(key=lambda reading: (-reading.fit(sources), reading.up != reference.up, METRES[reading.unit]))
    fits = _Reading(study, reference.unit, reference.up).fit(sources) >= POOR_FIT
    cure = "export the mesh again."
    if usual:
        size = _size_text(usual[0].size)
        cure = f"{_correction(reference, usual[0])}: the mesh then measures {size} m, as probably intended."
    severity: Severity = "warning" if SMALLEST <= longest <= LARGEST and fits else "error"
    text = f"Read in {reference.unit}, its longest side is {_length_text(longest)} m."
    yield Finding("unit", severity, reference.file, text, f"If the venue is not that size, {cure}")


def _correction(reference: MeshReference, reading: _Reading) -> str:
    """What to write in the venue file."""
    if reference.file.lower().endswith((".glb", ".gltf")):
        return "export it again in metres with y up, as glTF requires"
    changes = [
        f"mesh.{key} = {getattr(reading, key)!r} (now {getattr(reference, key)!r})"
        for key in ("unit", "up")
        if getattr(reading, key) != getattr(reference, key)
    ]
    return f"write {' and '.join(changes)} in the venue file"


def _outline_findings(study: Study) -> Iterator[Finding]:
    """Audience areas larger than the venue."""
    low, high = study.mesh.vertices.min(axis=0)[:2], study.mesh.vertices.max(axis=0)[:2]
    longest = float((high - low).max())
    for audience in study.venue.audience:
        if audience.polygon is None:
            continue
        corners = np.array(audience.polygon)
        sides = np.ptp(corners, axis=0)
        ratio = float(sides.max() / longest)
        if ratio < 2.0:
            continue
        likely = [
            name
            for name, metres in UNITS.values()
            if (corners * metres > low - 1.0).all() and (corners * metres < high + 1.0).all()
        ]
        # Units are listed in ascending order: the largest in which the outline lies in the venue.
        unit = f"; it is probably in {likely[-1]}" if likely else ""
        text = (
            f"The outline measures {_size_text(sides)} m, {_length_text(ratio)} times the size of the mesh "
            f"({_size_text(high - low)} m in plan){unit}."
        )
        cure = "Write the polygon in metres, along the axes of the mesh."
        yield Finding("outline_scale", "error", f"audience {audience.name!r}", text, cure)


def _axis_findings(study: Study, sources: np.ndarray) -> Iterator[Finding]:
    """A mesh that lies on its side, or whose unit does not match the positions of seats and sources."""
    reference = study.venue.mesh
    stated = _Reading(study, reference.unit, reference.up)
    if stated.fit(sources) >= POOR_FIT:
        return
    # The fewest changes first.
    readings = _readings(study)
    readings.sort(key=lambda reading: (reading.unit != reference.unit) + (reading.up != reference.up))
    for reading in readings:
        if SMALL <= reading.size.max() <= LARGE and reading.fit(sources) >= GOOD_FIT:
            correction = _correction(reference, reading)
            text = (
                f"Read in {reference.unit} with {reference.up} up, the mesh measures {_size_text(stated.size)} m and "
                "does not match the seats and sources: there is no floor at the height of the seats. Read in "
                f"{reading.unit} with {reading.up} up it measures {_size_text(reading.size)} m and matches them."
            )
            cure = f"{correction[0].upper()}{correction[1:]}."
            yield Finding("up" if reading.up != reference.up else "unit", "error", reference.file, text, cure)
            return


def _length_text(length: float) -> str:
    """A length of any size, with powers of ten only for extreme ones."""
    return f"{length:,.0f}" if 100.0 <= length < 1e7 else f"{length:.3g}"


def _size_text(size: np.ndarray) -> str:
    return " x ".join(_length_text(length) for length in size)


@dataclass(frozen=True)
class _Reading:
    """The mesh of a study, read in a unit and with an axis up that may differ from the stated ones."""

    study: Study
    unit: str
    up: str

    @cached_property
    def vertices(self) -> np.ndarray:
        """(n, 3) m."""
        reference = self.study.venue.mesh
        vertices = self.study.mesh.vertices * (METRES[self.unit] / METRES[reference.unit])
        return vertices if self.up == reference.up else upright(vertices, back=self.up != "y")

    @property
    def size(self) -> np.ndarray:
        """(3,) m."""
        return np.ptp(self.vertices, axis=0)

    def fit(self, sources: np.ndarray) -> float:
        """How well the mesh matches seats and sources: 1 where all seats are on a floor and all sources in the mesh.

        Seats have three times the weight of sources, because they need a floor.
        """
        mesh = self.study.mesh
        low, high = self.vertices.min(axis=0) - FLOOR_TOLERANCE, self.vertices.max(axis=0) + FLOOR_TOLERANCE
        corners = self.vertices[mesh.faces]
        normals, areas = normals_and_areas(corners)
        is_level = (np.abs(normals[:, 2]) > STEEPEST_FLOOR) & (areas > 0.0)
        floors = Boundary(corners[is_level], np.flatnonzero(is_level))
        shares = []
        for audience in self.study.venue.audience:
            if audience.polygon is not None:
                shares.append(_on_floor(audience, floors, high[2]))
                continue
            groups = matching_groups(mesh, [audience.group or ""], f"audience {audience.name!r}")
            own = groups[mesh.group]
            shares.append(float(areas[own & is_level].sum() / max(areas[own].sum(), 1e-300)))
        seated = np.mean(shares)
        if not len(sources):
            return float(seated)
        inside = ((sources > low) & (sources < high)).all(axis=1).mean()
        return float(0.75 * seated + 0.25 * inside)


def _readings(study: Study) -> list[_Reading]:
    return [_Reading(study, unit, up) for unit in METRES for up in ("z", "y")]


def _on_floor(audience: AudienceArea, floors: Boundary, top: float) -> float:
    """Share of points spread over an audience area that have a floor below them at the stated height.

    `top` : m, highest point of the room.
    """
    outline = shapely.Polygon(audience.polygon)
    n = int(np.sqrt(MOST_POINTS))
    share = (np.arange(n) + 0.5) / n
    low, high = np.split(np.array(outline.bounds), 2)
    grid = low + np.stack(np.meshgrid(share, share), axis=-1).reshape(-1, 2) * (high - low)
    inside = grid[within(outline, grid)]
    plan = inside if len(inside) else shapely.get_coordinates(outline.representative_point())
    ears = np.column_stack([plan, np.full(len(plan), audience.floor + audience.ear_height)])
    if not len(floors.face) or audience.floor + audience.ear_height > top:
        return 0.0
    distance = floors.closest(ears, np.tile([0.0, 0.0, -1.0], (len(ears), 1)))[1]
    return float((np.abs(distance - audience.ear_height) < FLOOR_TOLERANCE).mean())
