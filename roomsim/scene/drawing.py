"""What a map needs to be read: the lines of walls, elements, zones and sources in plan."""

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
"""m over the lowest audience floor: what is higher shows in the plan."""


def plan_drawing(study: Study, receivers: ReceiverArrays) -> PlanDrawing:
    """The plan of a study; where it cannot be drawn, one without lines, and a `PictureWarning`.

    It is drawn beside results, which must not be lost with it.
    """
    try:
        return _whole_plan(study, receivers)
    except Exception as fault:
        warnings.warn(
            f"the plan of the venue could not be drawn ({type(fault).__name__}: {fault}): maps show the seats only.",
            PictureWarning,
            stacklevel=2,
        )
        areas = tuple(range(len(receivers.area_names)))
        return PlanDrawing((Tier(areas, (), {}),), {}, {}, {}, (), None, None)


def _whole_plan(study: Study, receivers: ReceiverArrays) -> PlanDrawing:
    """The plan with all its lines.

    Walls are the mesh cut level at the lowest ear height of a tier and a little over its floor, which shows stages
    and counters, and the outline of the whole mesh seen from above.
    """
    floors, ears = [], []
    for area in study.venue.audience:
        shape, height = area_outline(area, study.mesh)
        floors.append(float(height(shapely.get_coordinates(shape)).min()))
        ears.append(floors[-1] + area.ear_height)
    edge, by_tier = outline(study.mesh), seat_tiers(receivers)
    view = _PlanView(study, study.mesh, floors, by_tier)
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
        sources={
            name: points[:, :2].mean(axis=0)
            for name, points in source_places(study)
        },
        noise=tuple(source.name for source in study.sources.all() if source.role == "noise"),
        stage=marks.stage,
        north=marks.north,
    )


def level_section(mesh: VenueMesh, heights: Iterable[float]) -> tuple[np.ndarray, ...]:
    """Lines (n, 2) in which level planes cut the mesh, m; what is cut alike at several heights comes once.

    Each plane is moved up by 0.1 mm: a face just at its height would be cut in no line.
    """
    corners = mesh.vertices[mesh.faces]
    cuts = [cut_by_plane(corners, corners[:, :, 2] - (height + 1e-4))[..., :2] for height in heights]
    return _polylines(shapely.linestrings(np.concatenate(cuts)))


def outline(mesh: VenueMesh) -> tuple[np.ndarray, ...]:
    """Edge (n, 2) of the mesh seen from above, holes left out, m."""
    flat = shapely.polygons(mesh.vertices[mesh.faces][:, :, :2])
    # Upright faces have no area from above. On a grid of 0.1 mm neighbours join without hairline gaps.
    seen = shapely.union_all(flat[shapely.area(flat) > 1e-8], grid_size=1e-4)
    return tuple(np.asarray(part.exterior.coords) for part in polygon_parts(seen))


def _polylines(lines: np.ndarray) -> tuple[np.ndarray, ...]:
    """Separate lines joined end to end where they meet."""
    joined = shapely.line_merge(shapely.union_all(shapely.set_precision(lines, 1e-4)))
    parts = shapely.get_parts(joined)
    return tuple(
        np.asarray(line.coords) for line in parts if shapely.get_type_id(line) == 1 and line.length > 0.0
    )


@dataclass(frozen=True)
class _PlanView:
    """The venue as elements are drawn on it."""

    study: Study
    mesh: VenueMesh
    floors: list[float]
    """Lowest height of each audience area, m."""
    tiers: tuple[tuple[int, ...], ...]

    def tier_at(self, floor: float) -> int:
        """The tier whose floor is nearest to a height, m."""
        return int(np.argmin([min(abs(self.floors[i] - floor) for i in areas) for areas in self.tiers]))

    def area_outlines(self, areas: Collection[str]) -> dict[int | None, Lines]:
        """Tier -> outlines of those of the audience areas that are on it."""
        found: dict[int | None, Lines] = {}
        for tier, members in enumerate(self.tiers):
            chosen = [self.study.venue.audience[i] for i in members if self.study.venue.audience[i].name in areas]
            shapes = [area_outline(area, self.mesh)[0] for area in chosen]
            found[tier] = tuple(
                np.asarray(part.exterior.coords) for shape in shapes for part in polygon_parts(shape)
            )
        return found

    def group_edges(self, groups: Sequence[str], who: str) -> Lines:
        """Edges of the faces of surface groups, by name or wildcard."""
        fits = matching_groups(self.mesh, groups, who)
        corners = self.mesh.vertices[self.mesh.faces[fits[self.mesh.group]]][:, :, :2]
        edges = corners[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2, 2)
        longer = np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1) > 1e-4
        return _polylines(shapely.linestrings(edges[longer]))
