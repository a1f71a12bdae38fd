"""What the files of a study say of each other: every name used must be defined, and only once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from roomsim.errors import RoomsimError, suggestion
from roomsim.venue.document import (
    ElementsDocument,
    MaterialsDocument,
    Scenario,
    Source,
    SourcesDocument,
    StudyDocument,
    VenueDocument,
)
from roomsim.venue.lines import KeyPath, path_text
from roomsim.venue.loudspeakers import built_in_loudspeakers, unknown_loudspeaker
from roomsim.venue.materials import unknown
from roomsim.venue.planning import plan_faults
from roomsim.venue.switching import switching_faults
from roomsim.venue.systems import Hang, SubStack


@dataclass(frozen=True)
class Documents:
    """The files of a study as far as they are valid; what is not valid is none and not looked at."""

    study: StudyDocument | None = None
    venue: VenueDocument | None = None
    elements: ElementsDocument | None = None
    sources: SourcesDocument | None = None
    materials: MaterialsDocument | None = None


Finding = tuple[str, KeyPath, str]
"""Role of the file ("study", "venue", "elements", "sources"), key path, what is wrong."""


def reference_faults(documents: Documents) -> Iterator[Finding]:
    """All names that are used twice or not defined."""
    yield from _repeated(documents)
    yield from _scenarios(documents)
    yield from _noises(documents.study)
    yield from _plan(documents)
    yield from _rows(documents)
    if documents.sources:
        yield from _boxes(documents.sources)
        if documents.elements:
            yield from switching_faults(documents.study, documents.elements, documents.sources)
    if documents.venue:
        yield from _roof(documents, documents.venue)
    if documents.venue and documents.elements:
        areas = [area.name for area in documents.venue.audience]
        for path, element in documents.elements.entries():
            for key, text in element.unknown_names(areas):
                yield "elements", (*path, *key), text


def doubtful(documents: Documents) -> Iterator[Finding]:
    """What is allowed but probably not meant."""
    study, elements = documents.study, documents.elements
    if study:
        first: dict[object, str] = {(frozenset(), None): study.bare}
        repeats: dict[str, list[str]] = {}
        places = []
        for i, scenario in enumerate(study.scenario):
            original = first.setdefault((frozenset(scenario.elements), scenario.noise), scenario.name)
            if scenario.name not in (original, study.bare):
                repeats.setdefault(original, []).append(f'"{scenario.name}"')
                places.append(i)
        if repeats:
            same = (
                f'{", ".join(names)} {"is" if len(names) == 1 else "are"} the same as "{original}"'
                for original, names in repeats.items()
            )
            yield "study", ("scenario", places[0]), "; ".join(same)
    if study and elements:
        # An element that no scenario uses is no fault: several studies may share one file of elements.
        for path, element in elements.entries():
            for item in element.stock:
                if study.costs.stock and item not in study.costs.stock:
                    text = f'"{item}" is not in the stock of the study. {suggestion(item, study.costs.stock)}'
                    yield "elements", (*path, "stock", item), text


def _repeated(documents: Documents) -> Iterator[Finding]:
    def twice(role: str, named: Iterable[tuple[KeyPath, str]]) -> Iterator[Finding]:
        first: dict[str, KeyPath] = {}
        for path, name in named:
            if name in first:
                text = (
                    f'"{name}" is the name of {path_text(first[name])} too; every name here must be different'
                )
                yield role, (*path, "name"), text
            first.setdefault(name, path)

    if documents.study:
        yield from twice("study", ((("scenario", i), s.name) for i, s in enumerate(documents.study.scenario)))
    if documents.venue:
        yield from twice("venue", ((("audience", i), a.name) for i, a in enumerate(documents.venue.audience)))
        yield from twice("venue", ((("zone", i), z.name) for i, z in enumerate(documents.venue.zone)))
        points, trusses = documents.venue.roof_point, documents.venue.truss
        yield from twice("venue", ((("roof_point", i), p.name) for i, p in enumerate(points)))
        yield from twice("venue", ((("truss", i), t.name) for i, t in enumerate(trusses)))
    if documents.elements:
        yield from twice("elements", ((path, e.name) for path, e in documents.elements.entries()))
    if documents.sources:
        yield from twice("sources", ((path, s.name) for path, s in _sounding(documents.sources)))


def _scenarios(documents: Documents) -> Iterator[Finding]:
    study = documents.study
    if not study:
        return
    names = [study.bare, *(scenario.name for scenario in study.scenario)]
    known = [element.name for element in documents.elements.all()] if documents.elements else None
    for i, scenario in enumerate(study.scenario):
        path: KeyPath = ("scenario", i)
        if scenario.name == study.bare and scenario.elements:
            text = f'"{study.bare}" is the bare venue and has no elements; call this scenario otherwise'
            yield "study", (*path, "elements"), text
        for j, name in enumerate(scenario.elements):
            if name in scenario.elements[:j]:
                yield "study", (*path, "elements", j), f'"{name}" is listed twice in this scenario'
            elif known is not None and name not in known:
                text = f'no element is called "{name}". {suggestion(name, known)}'
                yield "study", (*path, "elements", j), text
        if scenario.compare_with == scenario.name:
            yield "study", (*path, "compare_with"), "a scenario cannot be compared with itself"
        elif scenario.compare_with is not None and scenario.compare_with not in names:
            text = (
                f'no scenario is called "{scenario.compare_with}". {suggestion(scenario.compare_with, names)}'
            )
            yield "study", (*path, "compare_with"), text


def _noises(study: StudyDocument | None) -> Iterator[Finding]:
    """Noise by names that stand for nothing."""
    if study is None:
        return
    yield from _noise(study, Scenario(name=study.bare), ())
    for i, scenario in enumerate(study.scenario):
        if scenario.noise is not None:
            yield from _noise(study, scenario, ("scenario", i))


def _noise(study: StudyDocument, scenario: Scenario, path: KeyPath) -> Iterator[Finding]:
    try:
        study.noise_of(scenario)
    except RoomsimError as error:
        yield "study", (*path, "noise"), str(error).replace("\n       ", ". ")


def _plan(documents: Documents) -> Iterator[Finding]:
    study, elements = documents.study, documents.elements
    if study and elements:
        scenarios = [scenario.name for scenario in study.scenarios_in_order()]
        known = [element.name for element in elements.all()]
        for path, text in plan_faults(study.plan, scenarios, known):
            yield "study", path, text


def _rows(documents: Documents) -> Iterator[Finding]:
    """Names of materials and fabrics."""
    rows = documents.materials
    if not rows:
        return
    used: list[tuple[str, KeyPath, str, str]] = []
    if documents.venue:
        for group, name in documents.venue.surfaces.items():
            used.append(("venue", ("surfaces", group), "material", name))
    if documents.elements:
        for path, element in documents.elements.entries():
            for kind in ("material", "fabric"):
                if hasattr(element, kind):
                    used.append(("elements", (*path, kind), kind, getattr(element, kind)))
    for role, path, kind, name in used:
        known, others = (rows.material, rows.fabric) if kind == "material" else (rows.fabric, rows.material)
        if name not in known:
            yield role, path, unknown(name, kind, known, others)


def _roof(documents: Documents, venue: VenueDocument) -> Iterator[Finding]:
    """Names of roof points and trusses."""
    points, trusses = [point.name for point in venue.roof_point], [truss.name for truss in venue.truss]
    for i, point in enumerate(venue.roof_point):
        if point.truss is not None and point.truss not in trusses:
            text = f'no truss is called "{point.truss}". {suggestion(point.truss, trusses)}'
            yield "venue", ("roof_point", i, "truss"), text
    hanging: list[tuple[str, KeyPath, tuple[str, ...]]] = []
    if documents.elements:
        hanging += [("elements", path, entry.hang_from) for path, entry in documents.elements.entries()]
    if documents.sources:
        hanging += [("sources", path, entry.hang_from) for path, entry in _sounding(documents.sources)]
    for role, path, names in hanging:
        for j, name in enumerate(names):
            if name not in points:
                text = f'no roof point of the venue is called "{name}". {suggestion(name, points)}'
                yield role, (*path, "hang_from", j), text


def _boxes(sources: SourcesDocument) -> Iterator[Finding]:
    """Names of loudspeakers."""
    known = {**built_in_loudspeakers(), **sources.loudspeaker}
    for path, system in _sounding(sources):
        if not isinstance(system, Source) and system.loudspeaker not in known:
            yield "sources", (*path, "loudspeaker"), unknown_loudspeaker(system.loudspeaker, known)


def _sounding(document: SourcesDocument) -> Iterator[tuple[KeyPath, Source | Hang | SubStack]]:
    for kind in ("source", "hang", "sub_stack"):
        for i, source in enumerate(getattr(document, kind)):
            yield (kind, i), source
