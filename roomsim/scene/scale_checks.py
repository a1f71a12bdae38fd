"""Mistakes of scale and axes: a mesh in another unit or with another axis up, outlines in another unit.

They come first, because nearly everything else that a check could find follows from them: seats outside, floors
missing, volumes of cubic kilometres.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import shapely

from ..fields import UNITS
from ..venue.document import AudienceArea, MeshReference, Study
from ..venue.mesh import METRES, VenueMesh, matching_groups, upright
from .boundary import Boundary
from .findings import Finding
from .receivers import STEEPEST_FLOOR, area_outline, seat_faults
from .topology import normals_and_areas

SMALL, LARGE = 2.0, 500.0
"""m; a venue whose longest side lies outside is probably in another unit than the file says."""
SMALLEST, LARGEST = 0.5, 2000.0
"""m; a mesh whose longest side lies outside is none of a room."""
USUAL = (5.0, 300.0)
"""m, longest side of the venues that a unit is looked for among."""
STEP = 0.3
"""m by which a floor may miss the height that is given for it and still be meant."""
MOST_POINTS = 100
"""Of each audience area that are looked at."""
MISSED, MET = 0.5, 0.9
"""Share of the points that fit: of the mesh as it is said to be, below which another reading is looked for, and of
that reading at least."""


def scale_findings(study: Study, sources: np.ndarray) -> list[Finding]:
    """What is wrong with unit, axes and sizes, if anything; with an error among it nothing else need be checked.

    Parameters
    ----------
    sources : (n, 3) m, where sources are; none while there are no sources

    Raises
    ------
    MeshError, SceneError
        A surface group or an audience floor that is named and not there.
    """
    found = [*_unit_findings(study, sources)]
    for more in (_outline_findings(study), _axis_findings(study, sources)):
        found += [] if found else more
    if not any(finding.severity == "error" for finding in found):
        outlines = [area_outline(audience, study.mesh)[0] for audience in study.venue.audience]
        found += [
            Finding("seats", "error", fault.place or "", fault.fault, fault.cure or "")
            for fault in seat_faults(study, outlines)
        ]
    return found


def _unit_findings(study: Study, sources: np.ndarray) -> Iterator[Finding]:
    """A mesh of the size of a matchbox or of a town."""
    reference = study.venue.mesh
    longest = float(np.ptp(study.mesh.vertices, axis=0).max())
    if SMALL <= longest <= LARGE:
        return
    readings = [
        _Reading(study, unit, up)
        for unit in METRES
        for up in ("z", "y")
        if USUAL[0] <= longest * METRES[unit] / METRES[reference.unit] <= USUAL[1]
    ]
    # Of those that make it a hall, the one in which the seats stand on its floor, and fill it best.
    mesh = study.mesh
    readings.sort(key=lambda reading: (-reading.fit(mesh, sources), reading.up != reference.up, METRES[reading.unit]))
    fits = _Reading(study, reference.unit, reference.up).fit(study.mesh, sources) >= MISSED
    cure = "export the mesh anew."
    if readings:
        size = np.ptp(readings[0].of(study.mesh), axis=0)
        cure = f"{_corrected(reference, readings[0])}: the mesh is then {_size_text(size)} m, which is probably meant."
    yield Finding(
        "unit",
        "warning" if SMALLEST <= longest <= LARGEST and fits else "error",
        reference.file,
        f"Read in {reference.unit}, its longest side is {_length_text(longest)} m.",
        f"If the venue is not that size, {cure}",
    )


def _corrected(reference: MeshReference, reading: _Reading) -> str:
    """What to write in the venue file."""
    wrong = [
        f"mesh.{key} = {getattr(reading, key)!r} (now {getattr(reference, key)!r})"
        for key in ("unit", "up")
        if getattr(reading, key) != getattr(reference, key)
    ]
    if reference.file.lower().endswith((".glb", ".gltf")):
        return "export it again in metres with y up, as glTF always is"
    return f"write {' and '.join(wrong)} in the venue file"


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
        # The largest unit in which it lies in the venue.
        likely = [
            name
            for name, metres in UNITS.values()
            if (corners * metres > low - 1.0).all() and (corners * metres < high + 1.0).all()
        ]
        yield Finding(
            "outline_scale",
            "error",
            f"audience {audience.name!r}",
            f"The outline is {_size_text(sides)} m, {_length_text(ratio)} times the size of the mesh "
            f"({_size_text(high - low)} m in plan)"
            + (f": probably {likely[-1]}." if likely else "."),
            "Write the polygon in metres, along the axes of the mesh.",
        )


def _axis_findings(study: Study, sources: np.ndarray) -> Iterator[Finding]:
    """A mesh that lies on its side, or whose unit makes seats and sources miss it."""
    reference = study.venue.mesh
    as_said = _Reading(study, reference.unit, reference.up).fit(study.mesh, sources)
    if as_said >= MISSED:
        return
    readings = [_Reading(study, unit, up) for unit in METRES for up in ("z", "y")]
    # The fewest changes first.
    readings.sort(key=lambda reading: (reading.unit != reference.unit) + (reading.up != reference.up))
    for reading in readings:
        if reading.is_usual(study.mesh) and reading.fit(study.mesh, sources) >= MET:
            break
    else:
        return
    size = np.ptp(study.mesh.vertices, axis=0)
    turned = np.ptp(reading.of(study.mesh), axis=0)
    yield Finding(
        "up" if reading.up != reference.up else "unit",
        "error",
        reference.file,
        f"Read in {reference.unit} with {reference.up} up, the mesh is {_size_text(size)} m, and seats and sources do "
        f"not fit into it: no floor lies where the seats have theirs. Read in {reading.unit} with {reading.up} up it "
        f"is {_size_text(turned)} m, and they do.",
        _capital(_corrected(reference, reading)) + ".",
    )


def _length_text(length: float) -> str:
    """A length of any size, without powers of ten for those that people know."""
    return f"{length:,.0f}" if 100.0 <= length < 1e7 else f"{length:.3g}"


def _size_text(size: np.ndarray) -> str:
    return " x ".join(_length_text(length) for length in size)


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]


def _spread(audience: AudienceArea) -> np.ndarray:
    """(n, 2) points over the plan of an area, at most `MOST_POINTS`."""
    outline = shapely.Polygon(audience.polygon)
    n = int(np.sqrt(MOST_POINTS))
    share = (np.arange(n) + 0.5) / n
    low, high = np.split(np.array(outline.bounds), 2)
    grid = low + np.stack(np.meshgrid(share, share), axis=-1).reshape(-1, 2) * (high - low)
    inside = grid[shapely.contains_xy(outline, grid[:, 0], grid[:, 1])]
    return inside if len(inside) else shapely.get_coordinates(outline.representative_point())


@dataclass(frozen=True)
class _Reading:
    """A mesh as it would be with another unit or another axis up."""

    study: Study
    unit: str
    up: str

    def of(self, mesh: VenueMesh) -> np.ndarray:
        """(n, 3) vertices, m."""
        reference = self.study.venue.mesh
        vertices = mesh.vertices * (METRES[self.unit] / METRES[reference.unit])
        if self.up == reference.up:
            return vertices
        return upright(vertices) if self.up == "y" else upright(vertices, back=True)

    def is_usual(self, mesh: VenueMesh) -> bool:
        return bool(SMALL <= np.ptp(self.of(mesh), axis=0).max() <= LARGE)

    def fit(self, mesh: VenueMesh, sources: np.ndarray) -> float:
        """How well the mesh suits what stands in it: 1 where all seats stand on a floor and all sources are in it.

        Seats count three times as much as sources: they say more, because they need a floor.
        """
        vertices = self.of(mesh)
        low, high = vertices.min(axis=0) - STEP, vertices.max(axis=0) + STEP
        corners = vertices[mesh.faces]
        normals, areas = normals_and_areas(corners)
        is_level = (np.abs(normals[:, 2]) > STEEPEST_FLOOR) & (areas > 0.0)
        floors = Boundary(corners[is_level], np.flatnonzero(is_level))
        seated = np.mean(
            [
                _level_share(mesh, area, is_level, areas)
                if area.polygon is None
                else _on_floor(area, floors, high[2])
                for area in self.study.venue.audience
            ]
        )
        if not len(sources):
            return float(seated)
        within = ((sources > low) & (sources < high)).all(axis=1).mean()
        return float(0.75 * seated + 0.25 * within)


def _level_share(mesh: VenueMesh, audience: AudienceArea, is_level: np.ndarray, areas: np.ndarray) -> float:
    """Share of the surface of an audience's group that is level enough to be a floor."""
    groups = matching_groups(mesh, [audience.group or ""], f"audience {audience.name!r}")
    its_own = groups[mesh.group]
    return float(areas[its_own & is_level].sum() / max(areas[its_own].sum(), 1e-300))


def _on_floor(audience: AudienceArea, floors: Boundary, top: float) -> float:
    """Share of points spread over an audience area that have a floor under them where it should be.

    `top` : m, above which there is no room.
    """
    plan = _spread(audience)
    ears = np.column_stack([plan, np.full(len(plan), audience.floor + audience.ear_height)])
    if not len(floors.face) or audience.floor + audience.ear_height > top:
        return 0.0
    distance = floors.closest(ears, np.tile([0.0, 0.0, -1.0], (len(ears), 1)))[1]
    return float((np.abs(distance - audience.ear_height) < STEP).mean())
