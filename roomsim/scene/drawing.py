"""The lines of walls, elements, zones and sources on the plan of a study."""

from __future__ import annotations

import warnings
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from ..elements.element import Lines
from ..elements.sheets import closed
from ..errors import PictureWarning
from ..venue.document import Study
from ..venue.mesh import VenueMesh, matching_groups
from .plan_lines import PlanDrawing, Tier
from .receivers import area_outline
from .scene import ReceiverArrays
from .sources import source_places
from .tessellation import polygon_parts
from .tiers import seat_tiers
from .topology import cut_by_plane

LOW = 0.3
"""m above the lowest audience floor of a tier, height of the lower of two sections through the mesh."""


def plan_drawing(study: Study, receivers: ReceiverArrays) -> PlanDrawing:
    """The plan of a study; where it cannot be drawn, one without lines, and a `PictureWarning`.

    A failure of the drawing must not lose the results that it accompanies.
    """
    try:
        return _whole_plan(study, receivers)
    except Exception as fault:
        warnings.warn(
            f"the plan of the venue could not be drawn ({type(fault).__name__}: {fault}); maps show only the seats.",
            PictureWarning,
            stacklevel=2,
        )
        areas = tuple(range(len(receivers.area_names)))
        return PlanDrawing((Tier(areas, (), {}),), {}, {}, {}, (), None, None)


def _whole_plan(study: Study, receivers: ReceiverArrays) -> PlanDrawing:
    """The plan with all its lines.

    Walls are two horizontal sections through the mesh, at the lowest ear height of a tier and just above its floor,
    which shows stages and counters, and the outline of the whole mesh in plan.
    """
    floors, ears = [], []
    for area in study.venue.audience:
        shape, height = area_outline(area, study.mesh)
        floors.append(float(height(shapely.get_coordinates(shape)).min()))
        ears.append(floors[-1] + area.ear_height)
    edge, by_tier = outline(study.mesh), seat_tiers(receivers)
    view = _PlanView(study, floors, by_tier)
    elements = {element.name: element.plan_lines(view) for element in study.elements.all()}
    tiers = []
    for i, areas in enumerate(by_tier):
        on_its_floor = {name: shown[i] for name, shown in elements.items() if i in shown}
        cuts = (min(floors[k] for k in areas) + LOW, min(ears[k] for k in areas))
        tiers.append(Tier(areas, (*level_section(study.mesh, cuts), *edge), on_its_floor))
    marks = study.venue.plan
    return PlanDrawing(
        tiers=tuple(tiers),
        elements={name: shown[None] for name, shown in elements.items() if None in shown},
        zones={zone.name: closed(zone.polygon) for zone in study.venue.zone},
        sources={name: points[:, :2].mean(axis=0) for name, points in source_places(study)},
        noise=tuple(source.name for source in study.sources.all() if source.role == "noise"),
        stage=marks.stage,
        north=marks.north,
    )


def level_section(mesh: VenueMesh, heights: Iterable[float]) -> tuple[np.ndarray, ...]:
    """Lines (n, 2) along which horizontal planes cut the mesh, m; lines common to several heights are given once.

    Each plane is raised by 0.1 mm, because a face exactly at its height would not be cut.
    """
    corners = mesh.vertices[mesh.faces]
    cuts = [cut_by_plane(corners, corners[:, :, 2] - (height + 1e-4))[..., :2] for height in heights]
    return _polylines(shapely.linestrings(np.concatenate(cuts)))


def outline(mesh: VenueMesh) -> tuple[np.ndarray, ...]:
    """Outline (n, 2) of the mesh in plan without its holes, m."""
    flat = shapely.polygons(mesh.vertices[mesh.faces][:, :, :2])
    # Vertical faces have no area in plan. A grid of 0.1 mm joins neighbours without hairline gaps.
    joined = shapely.union_all(flat[shapely.area(flat) > 1e-8], grid_size=1e-4)
    return tuple(np.asarray(part.exterior.coords) for part in polygon_parts(joined))


def _polylines(lines: np.ndarray) -> tuple[np.ndarray, ...]:
    """Lines joined where their ends meet."""
    joined = shapely.line_merge(shapely.union_all(shapely.set_precision(lines, 1e-4)))
    parts = shapely.get_parts(joined)
    return tuple(
        np.asarray(line.coords) for line in parts if shapely.get_type_id(line) == 1 and line.length > 0.0
    )


@dataclass(frozen=True)
class _PlanView:
    """The venue in plan, for elements to draw themselves on: `elements.element.PlanView`."""

    study: Study
    floors: list[float]
    """Lowest height of each audience area, m."""
    tiers: tuple[tuple[int, ...], ...]

    def tier_at(self, floor: float) -> int:
        """The tier whose floor is nearest to a height, m."""
        return int(np.argmin([min(abs(self.floors[i] - floor) for i in areas) for areas in self.tiers]))

    def area_outlines(self, areas: Collection[str]) -> dict[int | None, Lines]:
        """Tier -> outlines of the named audience areas that belong to it."""
        outlines: dict[int | None, Lines] = {}
        for tier, members in enumerate(self.tiers):
            chosen = [area for area in (self.study.venue.audience[i] for i in members) if area.name in areas]
            shapes = [part for area in chosen for part in polygon_parts(area_outline(area, self.study.mesh)[0])]
            outlines[tier] = tuple(np.asarray(part.exterior.coords) for part in shapes)
        return outlines

    def group_edges(self, groups: Sequence[str], who: str) -> Lines:
        """Edges of the faces of surface groups, given by name or wildcard."""
        mesh = self.study.mesh
        chosen = matching_groups(mesh, groups, who)[mesh.group]
        corners = mesh.vertices[mesh.faces[chosen]][:, :, :2]
        edges = corners[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2, 2)
        longer = np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1) > 1e-4
        return _polylines(shapely.linestrings(edges[longer]))
