"""The check of a study against its venue, before anything is traced."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from scipy.spatial import cKDTree

from ..elements.surfaces import Fit, Footprint
from ..errors import RoomsimError, SceneError
from ..venue.document import Scenario, Study
from ..venue.switching import playing
from ..words import counted, span
from .boundary import IN_ROOM, IN_SOLID, OUTSIDE, WRONG_PLACES, Boundary, boundary_of
from .element_checks import (
    LIMITS,
    fit_findings,
    limit_findings,
    near_surface_findings,
    overlap_findings,
    place_findings,
    zone_findings,
)
from .findings import Finding, Severity, as_position, point_text
from .footprints import footprints
from .loudspeaker_checks import loudspeaker_findings
from .mesh_checks import face_findings, hole_findings, holes, leak_findings, size_findings
from .receivers import area_outline, compile_receivers
from .rigging import Rig
from .rigging_checks import NOT_CHECKED, rigging_findings
from .scale_checks import scale_findings
from .scene import ReceiverArrays
from .skins import skin_finding, starts_of, without_outer_skin
from .sources import source_axes, source_places
from .surfaces import Regions, flat_regions

AT_A_SEAT = 0.05
"""m; a source nearer than this to the ears would be inside the listener."""


def check_venue(study: Study) -> list[Finding]:
    """Find what would make a run fail or its results wrong.

    Errors come first, then warnings, then notes. An error with `elements` concerns only the scenarios that
    include these. The check is an aid and not an approval: exits, loads and fire safety remain the responsibility
    of those in charge of them.

    Raises
    ------
    MeshError, SceneError
        A surface group or an audience floor that does not exist.
    """
    places = source_places(study)
    sources = np.array([points.mean(axis=0) for _, points in places])
    scale = scale_findings(study, sources)
    if any(finding.severity == "error" for finding in scale):
        # All other findings would be consequences of these.
        return scale
    receivers = compile_receivers(study)
    starts = starts_of(sources, receivers.position)
    chains = holes(study)
    whole, study = study.mesh, study.with_mesh(without_outer_skin(study, starts))
    boundary = boundary_of(study.mesh, study.venue)
    regions = flat_regions(study.mesh)
    rig = Rig(study)
    findings = [
        *scale,
        *([skin_finding(whole, study.mesh)] if study.mesh is not whole else []),
        *size_findings(study, boundary),
        *_audience_findings(study, receivers),
        *face_findings(study, regions),
        *hole_findings(whole, chains),
        *leak_findings(study.mesh, boundary, starts, chains),
        *_aim_findings(study),
        *_source_findings(places, boundary),
        *_seat_findings(receivers, boundary),
        *_source_at_seat_findings(places, receivers),
        *_element_findings(study, regions, boundary),
        *loudspeaker_findings(study),
        *limit_findings(study, rig),
        *rigging_findings(study, rig),
        *(Finding("document", "warning", "study files", text, "") for text in study.warnings),
    ]
    rank = {"error": 0, "warning": 1, "note": 2}
    return sorted(findings, key=lambda finding: rank[finding.severity])


def refused_scenarios(study: Study, findings: list[Finding]) -> dict[str, list[Finding]]:
    """Scenarios that must not be run: name -> errors that concern them.

    An error without elements and sources concerns all scenarios.
    """
    errors = [finding for finding in findings if finding.severity == "error"]

    def concerning(scenario: Scenario) -> list[Finding]:
        active = {*playing(study.sources, study.elements, scenario.elements)}
        return [
            error
            for error in errors
            if not (error.elements or error.sources)
            or set(error.elements) & set(scenario.elements)
            or set(error.sources) & active
        ]

    by_scenario = {scenario.name: concerning(scenario) for scenario in study.document.scenarios_in_order()}
    return {name: reasons for name, reasons in by_scenario.items() if reasons}


def reported_findings(findings: Iterable[Finding], also: Iterable[str] = ()) -> list[Finding]:
    """Warnings, what was not checked of the loads, and findings with a code in `also`. Exceeded limits are left out:
    they are reported with each scenario."""
    limits = {code for code, _ in LIMITS.values()}
    return [
        finding
        for finding in findings
        if (finding.severity == "warning" and finding.code not in limits) or finding.code in (*NOT_CHECKED, *also)
    ]


def refuse_errors(study: Study, findings: list[Finding]) -> list[Finding]:
    """The findings, if every scenario can be run.

    Raises
    ------
    SceneError : a scenario must not be run
    """
    refused = refused_scenarios(study, findings)
    if not refused:
        return findings
    errors = list(dict.fromkeys(error for reasons in refused.values() for error in reasons))
    first = errors[0]
    more = f" `check` lists this and {counted(len(errors) - 1, 'more error')}." if len(errors) > 1 else ""
    names = ", ".join(f"'{name}'" for name in refused)
    raise SceneError(
        f"{first.text}{more}",
        place=first.place,
        cure=f"{first.cure} Until then these scenarios cannot be run: {names}.",
    )


def _audience_findings(study: Study, receivers: ReceiverArrays) -> Iterator[Finding]:
    """Number and extent of the seats of every audience area."""
    for i, audience in enumerate(study.venue.audience):
        area = float(area_outline(audience, study.mesh)[0].area)
        seats = receivers.position[receivers.area == i]
        spacing = " x ".join(f"{side:g}" for side in audience.seat_spacing)
        number = f"{len(seats):,} seats, {spacing} m apart," if len(seats) > 1 else "1 seat"
        x, y, z = (span(*ends) for ends in zip(seats.min(axis=0), seats.max(axis=0), (".1f", ".1f", ".2f")))
        text = f"{number} on {area:,.1f} m2, x {x}, y {y} m, ears at {z} m."
        yield Finding("seats", "note", f"audience {audience.name!r}", text, "")


def _aim_findings(study: Study) -> Iterator[Finding]:
    for source in study.sources.source:
        try:
            source_axes(source)
        except SceneError as fault:
            yield Finding("source_aim", "error", fault.place or "", fault.fault, fault.cure or "")


def _source_findings(places: list[tuple[str, np.ndarray]], boundary: Boundary) -> Iterator[Finding]:
    for name, points in places:
        states = boundary.locate(points)
        off = np.flatnonzero(states != IN_ROOM)
        if len(off):
            first = points[off[0]]
            suffix, where = WRONG_PLACES[states[off[0]]]
            subject = "It is" if len(points) == 1 else f"Box {off[0] + 1} of {len(points)} is"
            text = f"{subject} {where}, at {point_text(first)}."
            cure = "Correct its position, or the unit and axes of the mesh."
            place, position = f"source {name!r}", as_position(first)
            yield Finding(f"source_{suffix}", "error", place, text, cure, position, sources=(name,))


def _source_at_seat_findings(
    places: list[tuple[str, np.ndarray]], receivers: ReceiverArrays
) -> Iterator[Finding]:
    tree = cKDTree(receivers.position)
    for name, points in places:
        distances, nearest = tree.query(points)
        if distances.min() < AT_A_SEAT:
            seat = nearest[distances.argmin()]
            position = receivers.position[seat]
            text = (
                f"It is at a seat of the audience {receivers.area_names[receivers.area[seat]]!r}, at "
                f"{point_text(position)}: the level there would be infinite."
            )
            cure = "Move the source, or leave this place out of the area."
            yield Finding("source_at_seat", "error", f"source {name!r}", text, cure, as_position(position))


def _seat_findings(receivers: ReceiverArrays, boundary: Boundary) -> Iterator[Finding]:
    states = boundary.locate(receivers.position)
    for i, name in enumerate(receivers.area_names):
        seats = np.flatnonzero(receivers.area == i)
        off = seats[states[seats] != IN_ROOM]
        if not len(off):
            continue
        suffix, where = WRONG_PLACES[IN_SOLID if (states[off] == IN_SOLID).all() else OUTSIDE]
        first = receivers.position[off[0]]
        text = (
            f"{len(off)} of {counted(len(seats), 'seat')} {'are' if len(off) > 1 else 'is'} {where}, "
            f"the first at {point_text(first)}."
        )
        cure = "Limit the area to the free floor, and check floor and ear_height."
        severity: Severity = "error" if len(off) == len(seats) else "warning"
        yield Finding(f"seat_{suffix}", severity, f"audience {name!r}", text, cure, as_position(first))


def _element_findings(study: Study, regions: Regions, boundary: Boundary) -> Iterator[Finding]:
    """All elements, in a scenario or not."""
    elements = {element.name: element for element in study.elements.all()}
    prints: list[Footprint] = []
    fits: list[Fit] = []
    for name, element in elements.items():
        try:
            own_prints, own_fits = footprints(study, regions, [element])
        except RoomsimError as error:
            cure = error.cure or "Correct the name of the surface group."
            yield Finding("element_surface", "error", element.label, error.fault, cure, elements=(name,))
            continue
        prints += own_prints
        fits += own_fits
    yield from fit_findings(fits, elements)
    for element in elements.values():
        yield from zone_findings(element, study.venue.zone)
        yield from place_findings(element, study.mesh, boundary)
        yield from near_surface_findings(element, regions)
    yield from overlap_findings(study, regions, prints, elements)
