"""What is doubtful or not known of the loads in the roof; sums beyond a limit are told with the scenarios."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Sequence

from ..elements.roof import REACH, Load
from ..venue.document import Study
from ..venue.switching import playing
from .findings import Finding, list_text
from .loudspeaker_checks import unexplained
from .rigging import Rig

NOT_CHECKED = ("load_unknown", "loads_unchecked")
"""Codes of what every report on loads must say, warning or note."""
APPROVAL = "A competent person approves every point and load, by the rules that hold where you are."


def rigging_findings(study: Study, rig: Rig) -> Iterator[Finding]:
    """Points that are assumed, points that cannot carry what they are said to, and all that is not checked."""
    scenarios = study.document.scenarios_in_order()
    used = {name for scenario in scenarios for name in scenario.elements}
    for scenario in scenarios:
        used.update(playing(study.sources, study.elements, scenario.elements))
    loads = [load for load in (*rig.sources.values(), *rig.elements.values()) if load.name in used]
    for load in loads:
        # Only loudspeakers have a place that is known well enough to doubt their points.
        for doubt in load.doubts:
            cure = f"Name other points, or correct their positions. {APPROVAL}"
            place = f"source {load.name!r}"
            yield Finding("points_do_not_fit", "warning", place, doubt, cure, sources=(load.name,))
    assumed = [load for load in loads if load.is_assumed]
    if assumed:
        yield Finding(
            "points_assumed",
            "note",
            "rigging",
            f"The points nearest to it, within {REACH:g} m in plan, are taken to carry "
            + "; ".join(f"{load.name!r}: {list_text(load.named)}" for load in assumed)
            + ".",
            "Name the points under hang_from where that is not meant.",
        )
    yield from _unweighed(study, rig, loads, used)
    yield from _unchecked(rig, loads, [name for name in unexplained(study) if name in used])


def _unweighed(study: Study, rig: Rig, loads: Iterable[Load], used: Container[str]) -> Iterator[Finding]:
    """What hangs and whose load is not stated."""
    unknown = [load.name for load in loads if load.mass is None and load.heaviest is None]
    unknown += [
        element.name
        for element in study.elements.all()
        if element.is_overhead
        and element.name in used
        and element.name not in rig.elements
    ]
    if unknown:
        is_limited = rig.limit is not None or bool(rig.points or rig.trusses)
        yield Finding(
            "load_unknown",
            "warning" if is_limited else "note",
            "rigging",
            f"The load of {list_text(unknown)} on a roof point is not stated, and so is not checked.",
            "Give mass to boxes and sources, and weight and roof_points or point_load to elements. "
            + APPROVAL,
        )


def _unchecked(rig: Rig, loads: Iterable[Load], unexplained: Sequence[str]) -> Iterator[Finding]:
    """Limits that are not given, and loads whose points or truss are not known."""
    known = [load for load in loads if load.heaviest is not None]
    said = []
    if unexplained:
        said.append(
            f"How {list_text(unexplained)} {'are' if len(unexplained) > 1 else 'is'} held up, and with what load, is "
            "not stated."
        )
    unlimited = [load.name for load in known if load.unnamed and rig.limit is None]
    if unlimited:
        said.append(f"No limit is given for the points of {list_text(unlimited)}.")
    points = {name for load in known for name in load.named}
    trusses = {truss for load in known for truss in load.trusses}
    bare = [
        name for name in rig.points if name in points and rig.points[name].limit is None and rig.limit is None
    ]
    bare += [name for name in rig.trusses if name in trusses and rig.trusses[name].limit is None]
    if bare:
        said.append(f"No limit is given for {list_text(bare)}.")
    unplaced = [load.name for load in known if load.unnamed]
    if unplaced:
        said.append(
            f"It is not known from which points {list_text(unplaced)} {'hang' if len(unplaced) > 1 else 'hangs'}: what "
            "several things bring on one point is not added up."
        )
    adrift = [load.name for load in known if load.points and not load.trusses]
    if adrift:
        said.append(f"It is not known which truss carries {list_text(adrift)}: no sum is checked.")
    if said:
        yield Finding(
            "loads_unchecked",
            "note",
            "rigging",
            " ".join(said),
            "Name the roof points and trusses in the venue file, with their limits, and under hang_from what hangs "
            "from which; give mass and points to what hangs, and mounting to what does not. " + APPROVAL,
        )
