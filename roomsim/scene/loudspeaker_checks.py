"""Checks of loudspeakers against zones that must stay clear: the space that stacks, stands and hangs occupy."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
import shapely

from ..errors import SceneError
from ..loudspeakers.layout import ANY_SPEED, layout_of
from ..venue.document import Source, Study, Zone
from ..venue.loudspeakers import find_loudspeaker
from ..venue.mesh import VenueMesh
from ..venue.systems import Hang, SubStack
from .element_checks import SAFETY_ZONES, extent_text, zone_conflict, zone_text
from .findings import Finding, as_position
from .rigging import is_hung
from .sources import source_axes

BOX_WIDTH = 1.0
"""m, of a box of a hang or stack that states none: line elements and bass boxes are 0.6 to 1.3 m wide (common
practice, no source)."""
SOURCE_SIZE = (0.6, 0.6, 0.6)
"""m, width, depth and height of a simple source that states none (common practice, no source)."""
STAND_SPREAD = 1.0
"""m that the legs of a stand take (common practice, no source)."""
STANDS_UP_TO = 2.5
"""m above the floor: a source up to this height stands, unless its mounting is stated."""
NEAR = 0.5
"""m from a zone within which an assumed size is reported."""
LEAST_OVERLAP = 1e-3
"""m2; an object that ends where a zone begins leaves it clear."""


@dataclass(frozen=True)
class Body:
    """The space that a source occupies: an upright prism for each of its boxes."""

    name: str
    verb: str
    """Whether it "hangs", "stands" or, of unknown mounting, "is" somewhere."""
    parts: tuple[tuple[shapely.Polygon, float, float], ...]
    """Plan outline, m, lowest and highest point, m, of each box."""
    assumed: str
    """What is assumed about its size; empty if all of it is stated."""


def loudspeaker_findings(study: Study) -> Iterator[Finding]:
    """Sources that stand or hang in a zone that must stay clear, or hang over it."""
    if not study.venue.zone:
        return
    outlines = [(zone, shapely.Polygon(zone.polygon)) for zone in study.venue.zone]
    for source in study.sources.all():
        body = body_of(source, study)
        if body is not None:
            for zone, outline in outlines:
                yield from _against(body, zone, outline)


def unsupported(study: Study) -> list[str]:
    """Sources and stacks too high to stand whose support is not stated."""
    candidates: list[Source | SubStack] = [source for source in study.sources.source if source.mounting is None]
    candidates += study.sources.sub_stack
    return [
        source.name
        for source in candidates
        if not is_hung(source)
        and source.position[2] - _floor_under(np.array(source.position), study.mesh) > STANDS_UP_TO
    ]


def body_of(source: Source | Hang | SubStack, study: Study) -> Body | None:
    """The space that a source occupies; None for one that aims at itself, which another check refuses."""
    if not isinstance(source, Source):
        box = find_loudspeaker(study.sources.loudspeaker, source.loudspeaker)
        layout = layout_of(source, study.sources.loudspeaker, ANY_SPEED)
        width = BOX_WIDTH if box.width is None else box.width
        parts = [
            _prism(at, axes, (0.0, -box.depth), box.height, width)
            for at, axes in zip(layout.position, layout.frames)
        ]
        assumed = "" if box.width else f"the boxes {source.loudspeaker!r} are assumed to be {BOX_WIDTH:g} m wide"
        return Body(source.name, "hangs" if is_hung(source) else "stands", tuple(parts), assumed)
    try:
        ahead, left, up = source_axes(source)
    except SceneError:
        return None
    width, depth, height = source.size or SOURCE_SIZE
    position = np.array(source.position)
    axes = np.stack([up, ahead, left])
    outline, low, high = _prism(position, axes, (0.5 * depth, -0.5 * depth), height, width)
    assumed = "" if source.size else "it is assumed to measure " + " x ".join(f"{x:g}" for x in SOURCE_SIZE) + " m"
    floor = _floor_under(position, study.mesh)
    is_low = source.mounting is None and not source.is_hung and source.position[2] - floor <= STANDS_UP_TO
    stands = is_low or source.mounting == "stand"
    if source.mounting == "stand":
        outline = outline.union(shapely.Point(position[:2]).buffer(0.5 * STAND_SPREAD))
    verb = "hangs" if source.is_hung else "stands" if stands else "is"
    return Body(source.name, verb, ((outline, min(floor, low) if stands else low, high),), assumed)


def _prism(
    front: np.ndarray, axes: np.ndarray, ahead: tuple[float, float], height: float, width: float
) -> tuple[shapely.Polygon, float, float]:
    """Plan outline and heights of a box with rows up, ahead, left, from the middle of its front."""
    ends = ((-0.5 * height, 0.5 * height), ahead, (-0.5 * width, 0.5 * width))
    corners = front + np.array(list(product(*ends))) @ axes
    outline = shapely.MultiPoint(corners[:, :2]).convex_hull
    return outline, float(corners[:, 2].min()), float(corners[:, 2].max())


def _floor_under(position: np.ndarray, mesh: VenueMesh) -> float:
    """Height of the first surface under a point, open sheets too, m; minus infinity where there is none."""
    a, b, c = np.moveaxis(mesh.vertices[mesh.faces], 1, 0)
    one, other, aside = b - a, c - a, position - a
    area = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    is_upright = np.abs(area) < 1e-12
    area = np.where(is_upright, 1.0, area)
    along = (aside[:, 0] * other[:, 1] - aside[:, 1] * other[:, 0]) / area
    across = (one[:, 0] * aside[:, 1] - one[:, 1] * aside[:, 0]) / area
    height = a[:, 2] + along * one[:, 2] + across * other[:, 2]
    over = ~is_upright & (np.minimum(along, across) >= -1e-9) & (along + across <= 1.0 + 1e-9)
    return float(height[over & (height <= position[2])].max(initial=-np.inf))


def _against(body: Body, zone: Zone, outline: shapely.Polygon) -> Iterator[Finding]:
    """The finding, if any, for a source and a zone whose outline in plan is given."""
    place, names = f"source {body.name!r}", (body.name,)
    over = shapely.union_all([part for part, _, _ in body.parts]).intersection(outline)
    inside = [part for part in body.parts if part[1] < zone.top - 0.01 and part[2] > zone.bottom + 0.01]
    common = shapely.union_all([part for part, _, _ in inside]).intersection(outline)
    if common.area > LEAST_OVERLAP:
        low = max(min(part[1] for part in inside), zone.bottom)
        high = min(max(part[2] for part in inside), zone.top)
        point = common.representative_point()
        text = (
            f"It {body.verb} in {zone_text(zone)}, {extent_text(common)}, at heights from {low:.2f} m to {high:.2f} m."
        )
        cure = "Move it away."
        if body.assumed:
            text += f" {body.assumed[0].upper()}{body.assumed[1:]}."
            cure = "Move it away, or state its size."
        yield zone_conflict(zone, place, text, cure, (point.x, point.y, 0.5 * (low + high)), sources=names)
        return
    bottom = min(low for _, low, _ in body.parts)
    is_above = body.verb == "hangs" and over.area > LEAST_OVERLAP and bottom >= zone.top - 0.01
    if zone.kind in SAFETY_ZONES and is_above:
        point = over.representative_point()
        position = as_position((point.x, point.y, bottom))
        text = f"It hangs over {zone_text(zone)}, {bottom - zone.top:.2f} m above the top of the zone."
        cure = (
            "Hang it beside the zone, or fit a secondary suspension that the person responsible for the safety of "
            "the venue approves."
        )
        yield Finding("hangs_over_zone", "note", place, text, cure, position, sources=names)
    if body.assumed and any(
        part[0].distance(outline) < NEAR and part[1] < zone.top and part[2] > zone.bottom
        for part in body.parts
    ):
        text = f"It is less than {NEAR:g} m from {zone_text(zone)}, and its size is not stated: {body.assumed}."
        cure = "Give the width of the box, or the size of the source."
        yield Finding("size_assumed", "note", place, text, cure, sources=names)
