"""The check of a study against its venue, before anything is traced."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
from scipy.spatial import cKDTree

from ..elements.surfaces import Fit, Footprint
from ..errors import RoomsimError, SceneError
from ..venue.document import Scenario, Study
from ..venue.switching import playing
from ..words import counted
from .boundary import IN_ROOM, IN_SOLID, Boundary, boundary_of
from .element_checks import (
    LIMITS,
    fit_findings,
    limit_findings,
    near_surface_findings,
    overlap_findings,
    place_findings,
    zone_findings,
)
from .findings import Finding, as_position, point_text
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
"""m; a loudspeaker nearer to a pair of ears is in the listener."""


def check_venue(study: Study) -> list[Finding]:
    """Look for whatever would make a run fail or its figures wrong.

    Errors come first, then warnings, then notes. An error with `elements` concerns only the scenarios that
    switch these in. The check is a help, no approval: exits, loads and fire safety stay with the people who
    are responsible for them.

    Raises
    ------
    MeshError, SceneError
        A surface group or an audience floor that is named and not there.
    """
    places = source_places(study)
    sources = np.array([points.mean(axis=0) for _, points in places])
    scale = scale_findings(study, sources)
    if any(finding.severity == "error" for finding in scale):
        # Whatever else there is to find follows from these.
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
    """Scenarios that must not be run, and why: name -> errors that concern them.

    An error without elements and sources concerns them all.
    """
    errors = [finding for finding in findings if finding.severity == "error"]
    if not errors:
        return {}

    def concerning(scenario: Scenario) -> list[Finding]:
        there = {*playing(study.sources, study.elements, scenario.elements)}
        return [
            error
            for error in errors
            if not (error.elements or error.sources)
            or set(error.elements) & set(scenario.elements)
            or set(error.sources) & there
        ]

    refused = {scenario.name: concerning(scenario) for scenario in study.document.scenarios_in_order()}
    return {name: why for name, why in refused.items() if why}


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
    """The findings that a study can live with.

    Raises
    ------
    SceneError : some scenario must not be computed
    """
    refused = refused_scenarios(study, findings)
    if not refused:
        return findings
    errors = list(dict.fromkeys(error for why in refused.values() for error in why))
    first = errors[0]
    more = f" {len(errors) - 1} more of this kind: `check` lists all." if len(errors) > 1 else ""
    names = ", ".join(f"'{name}'" for name in refused)
    raise SceneError(
        f"{first.text}{more}",
        place=first.place,
        cure=f"{first.cure} Until then these scenarios cannot be run: {names}.",
    )


def _audience_findings(study: Study, receivers: ReceiverArrays) -> Iterator[Finding]:
    """Seats and size of every audience area."""
    for i, audience in enumerate(study.venue.audience):
        area = float(area_outline(audience, study.mesh)[0].area)
        seats = receivers.position[receivers.area == i]
        low, high = seats.min(axis=0), seats.max(axis=0)
        apart = " x ".join(f"{spacing:g}" for spacing in audience.seat_spacing)
        number = f"{len(seats):,} seats, {apart} m apart," if len(seats) > 1 else "1 seat"
        x, y, z = (_span(*ends) for ends in zip(low, high, (1, 1, 2)))
        text = f"{number} on {area:,.1f} m2, x {x}, y {y} m, ears at {z} m."
        yield Finding("seats", "note", f"audience {audience.name!r}", text, "")


def _span(low: float, high: float, decimals: int) -> str:
    """Two numbers as one where they do not differ."""
    ends = dict.fromkeys(f"{value:.{decimals}f}" for value in (low, high))
    return " to ".join(ends)


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
            in_solid = states[off[0]] == IN_SOLID
            where = "inside a solid" if in_solid else "outside the room"
            what = "It stands" if len(points) == 1 else f"Box {off[0] + 1} of {len(points)} is"
            yield Finding(
                "source_in_solid" if in_solid else "source_outside",
                "error",
                f"source {name!r}",
                f"{what} {where}, at {point_text(points[off[0]])}.",
                "Correct its position, or the unit and axes of the mesh.",
                as_position(points[off[0]]),
                sources=(name,),
            )


def _source_at_seat_findings(
    places: list[tuple[str, np.ndarray]], receivers: ReceiverArrays
) -> Iterator[Finding]:
    tree = cKDTree(receivers.position)
    for name, points in places:
        distances, nearest = tree.query(points)
        if distances.min() < AT_A_SEAT:
            seat = nearest[distances.argmin()]
            position = receivers.position[seat]
            yield Finding(
                "source_at_seat",
                "error",
                f"source {name!r}",
                f"It stands at a seat of the audience {receivers.area_names[receivers.area[seat]]!r}, at "
                f"{point_text(position)}: the level there would be infinite.",
                "Move the source, or leave this place out of the area.",
                as_position(position),
            )


def _seat_findings(receivers: ReceiverArrays, boundary: Boundary) -> Iterator[Finding]:
    states = boundary.locate(receivers.position)
    for i, name in enumerate(receivers.area_names):
        seats = np.flatnonzero(receivers.area == i)
        off = seats[states[seats] != IN_ROOM]
        if not len(off):
            continue
        in_solid = (states[off] == IN_SOLID).all()
        yield Finding(
            "seat_in_solid" if in_solid else "seat_outside",
            "error" if len(off) == len(seats) else "warning",
            f"audience {name!r}",
            f"{len(off)} of {counted(len(seats), 'seat')} {'lie' if len(off) > 1 else 'lies'} "
            f"{'inside a solid' if in_solid else 'outside the room'}, "
            f"the first at {point_text(receivers.position[off[0]])}.",
            "Cut the area back to the free floor, and check floor and ear_height.",
            as_position(receivers.position[off[0]]),
        )


def _element_findings(
    study: Study, regions: Regions, boundary: Boundary
) -> Iterator[Finding]:
    """All elements, in a scenario or not."""
    everything = study.elements.all()
    by_name = {element.name: element for element in everything}
    prints: list[Footprint] = []
    fits: list[Fit] = []
    for element in everything:
        try:
            its_prints, its_fits = footprints(study, regions, [element])
        except RoomsimError as error:
            cure = error.cure or "Correct the name of the surface group."
            place = element.label
            yield Finding("element_surface", "error", place, error.fault, cure, elements=(element.name,))
            continue
        prints += its_prints
        fits += its_fits
    yield from fit_findings(fits, by_name)
    for element in everything:
        yield from zone_findings(element, study.venue.zone)
        yield from place_findings(element, study.mesh, boundary)
        yield from near_surface_findings(element, regions)
    yield from overlap_findings(study, regions, prints, by_name)
