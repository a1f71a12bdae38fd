"""Checks of roof loads that are doubtful or unknown; limits that are exceeded are reported with the scenarios."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from ..elements.roof import REACH, Load
from ..venue.document import Study
from ..venue.switching import playing
from .findings import Finding, Severity, list_text
from .loudspeaker_checks import unsupported
from .rigging import Rig

NOT_CHECKED = ("load_unknown", "loads_unchecked")
"""Codes that every report on loads must repeat, whether warning or note."""
APPROVAL = "A competent person must approve every point and load according to the local regulations."


def rigging_findings(study: Study, rig: Rig) -> Iterator[Finding]:
    """Assumed points, points that cannot carry the stated load, and everything that is not checked."""
    scenarios = study.document.scenarios_in_order()
    used = {name for scenario in scenarios for name in scenario.elements}
    for scenario in scenarios:
        used.update(playing(study.sources, study.elements, scenario.elements))
    loads = [load for load in (*rig.sources.values(), *rig.elements.values()) if load.name in used]
    for load in loads:
        # Only loudspeakers have positions that are known well enough to question their points.
        for doubt in load.doubts:
            cure = f"Name other points, or correct their positions. {APPROVAL}"
            place = f"source {load.name!r}"
            yield Finding("points_do_not_fit", "warning", place, doubt, cure, sources=(load.name,))
    assumed = [f"{load.name!r}: {list_text(load.named)}" for load in loads if load.is_assumed]
    if assumed:
        text = f"The nearest points within {REACH:g} m in plan are assumed to carry {'; '.join(assumed)}."
        cure = "Name the points under hang_from where this is not intended."
        yield Finding("points_assumed", "note", "rigging", text, cure)
    unknown = [load.name for load in loads if load.mass is None and load.heaviest is None]
    unknown += [
        element.name
        for element in study.elements.all()
        if element.is_overhead and element.name in used and element.name not in rig.elements
    ]
    if unknown:
        is_limited = rig.limit is not None or bool(rig.points or rig.trusses)
        severity: Severity = "warning" if is_limited else "note"
        text = f"The load of {list_text(unknown)} on a roof point is not stated and therefore not checked."
        cure = "Give mass to boxes and sources, and weight and roof_points or point_load to elements. " + APPROVAL
        yield Finding("load_unknown", severity, "rigging", text, cure)
    gaps = list(_unchecked(rig, loads, [name for name in unsupported(study) if name in used]))
    if gaps:
        cure = (
            "Name the roof points and trusses in the venue file, with their limits, and state under hang_from what "
            "hangs from which; give mass and points to what hangs, and mounting to what does not. " + APPROVAL
        )
        yield Finding("loads_unchecked", "note", "rigging", " ".join(gaps), cure)


def _unchecked(rig: Rig, loads: Iterable[Load], unsupported: Sequence[str]) -> Iterator[str]:
    """Sentences on limits that are not given and on loads whose point, truss or support is not known."""
    known = [load for load in loads if load.heaviest is not None]
    if unsupported:
        verb = "are" if len(unsupported) > 1 else "is"
        yield f"How {list_text(unsupported)} {verb} supported, and with what load, is not stated."
    unlimited = [load.name for load in known if load.unnamed and rig.limit is None]
    if unlimited:
        yield f"No limit is given for the points of {list_text(unlimited)}."
    points = {name for load in known for name in load.named}
    trusses = {truss for load in known for truss in load.trusses}
    without_limit = [
        name for name in rig.points if name in points and rig.points[name].limit is None and rig.limit is None
    ]
    without_limit += [name for name in rig.trusses if name in trusses and rig.trusses[name].limit is None]
    if without_limit:
        yield f"No limit is given for {list_text(without_limit)}."
    unplaced = [load.name for load in known if load.unnamed]
    if unplaced:
        verb = "hang" if len(unplaced) > 1 else "hangs"
        yield (
            f"The points from which {list_text(unplaced)} {verb} are not known: loads of several objects on one point "
            "are not added up."
        )
    no_truss = [load.name for load in known if load.points and not load.trusses]
    if no_truss:
        yield f"The truss that carries {list_text(no_truss)} is not known: no sum is checked."
