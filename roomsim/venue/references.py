"""References between the files of a study: every name used must be defined, and only once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from roomsim.elements.roof import Hanging
from roomsim.errors import RoomsimError, suggestion, unknown_name
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
from roomsim.venue.loudspeakers import built_in_loudspeakers
from roomsim.venue.materials import unknown
from roomsim.venue.planning import plan_faults
from roomsim.venue.switching import switching_faults
from roomsim.venue.systems import Hang, SubStack


@dataclass(frozen=True)
class Documents:
    """The files of a study that are valid; one that is not is None, and is not examined."""

    study: StudyDocument | None = None
    venue: VenueDocument | None = None
    elements: ElementsDocument | None = None
    sources: SourcesDocument | None = None
    materials: MaterialsDocument | None = None


Finding = tuple[str, KeyPath, str]
"""Role of the file ("study", "venue", "elements", "sources"), key path, what is wrong."""

Use = tuple[str, KeyPath, str, str, Iterable[str]]
"""Role of the file, key path, kind of thing, its name there, names that are defined."""


def reference_faults(documents: Documents) -> Iterator[Finding]:
    """All names that are used twice or not defined, and what the files contradict each other in."""
    yield from _repeated(documents)
    for role, path, kind, name, known in _uses(documents):
        if name not in known:
            yield role, path, unknown_name(kind, name, known)
    yield from _rows(documents)
    study, elements = documents.study, documents.elements
    if study:
        yield from _scenarios(study)
        yield from _noises(study)
    if study and elements:
        scenarios = [scenario.name for scenario in study.scenarios_in_order()]
        known_elements = [element.name for element in elements.all()]
        yield from (("study", *fault) for fault in plan_faults(study.plan, scenarios, known_elements))
    if documents.sources and elements:
        yield from switching_faults(study, elements, documents.sources)
    if documents.venue and elements:
        areas = [area.name for area in documents.venue.audience]
        for path, element in elements.entries():
            for key, text in element.unknown_names(areas):
                yield "elements", (*path, *key), text


def _uses(documents: Documents) -> Iterator[Use]:
    """Places in which a name is used that must be defined, where the files are valid that could define it."""
    study, venue, elements, sources = documents.study, documents.venue, documents.elements, documents.sources
    if study:
        scenarios = [study.bare, *(scenario.name for scenario in study.scenario)]
        for i, scenario in enumerate(study.scenario):
            if scenario.compare_with is not None:
                yield "study", ("scenario", i, "compare_with"), "scenario", scenario.compare_with, scenarios
            known = [element.name for element in elements.all()] if elements else scenario.elements
            for j, name in enumerate(scenario.elements):
                yield "study", ("scenario", i, "elements", j), "element", name, known
    if venue:
        points, trusses = [point.name for point in venue.roof_point], [truss.name for truss in venue.truss]
        for i, point in enumerate(venue.roof_point):
            if point.truss is not None:
                yield "venue", ("roof_point", i, "truss"), "truss", point.truss, trusses
        entries: list[tuple[str, KeyPath, Hanging]] = []
        entries += [("elements", *entry) for entry in (elements.entries() if elements else ())]
        entries += [("sources", *entry) for entry in (_sounding(sources) if sources else ())]
        for role, path, hanging in entries:
            for j, name in enumerate(hanging.hang_from):
                yield role, (*path, "hang_from", j), "roof point of the venue", name, points
    if sources:
        boxes = {**built_in_loudspeakers(), **sources.loudspeaker}
        for path, system in _sounding(sources):
            if not isinstance(system, Source):
                yield "sources", (*path, "loudspeaker"), "loudspeaker", system.loudspeaker, boxes


def doubtful(documents: Documents) -> Iterator[Finding]:
    """What is allowed but probably a mistake."""
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
        # An element that no scenario uses is not a fault: several studies may share one file of elements.
        for path, element in elements.entries():
            for item in element.stock:
                if study.costs.stock and item not in study.costs.stock:
                    text = f'"{item}" is not in the stock of the study. {suggestion(item, study.costs.stock)}'
                    yield "elements", (*path, "stock", item), text


def _repeated(documents: Documents) -> Iterator[Finding]:
    study, venue = documents.study, documents.venue
    named: list[tuple[str, Iterable[tuple[KeyPath, Any]]]] = []
    if study:
        named.append(("study", _entries(study, "scenario")))
    if venue:
        named += [("venue", _entries(venue, key)) for key in ("audience", "zone", "roof_point", "truss")]
    if documents.elements:
        named.append(("elements", documents.elements.entries()))
    if documents.sources:
        named.append(("sources", _sounding(documents.sources)))
    for role, entries in named:
        first: dict[str, KeyPath] = {}
        for path, entry in entries:
            if entry.name in first:
                also = path_text(first[entry.name])
                text = f'"{entry.name}" is the name of {also} too; every name here must be different'
                yield role, (*path, "name"), text
            first.setdefault(entry.name, path)


def _scenarios(study: StudyDocument) -> Iterator[Finding]:
    for i, scenario in enumerate(study.scenario):
        path: KeyPath = ("scenario", i)
        if scenario.name == study.bare and scenario.elements:
            text = f'"{study.bare}" is the bare venue and has no elements; give this scenario another name'
            yield "study", (*path, "elements"), text
        for j, name in enumerate(scenario.elements):
            if name in scenario.elements[:j]:
                yield "study", (*path, "elements", j), f'"{name}" is listed twice in this scenario'
        if scenario.compare_with == scenario.name:
            yield "study", (*path, "compare_with"), "a scenario cannot be compared with itself"


def _noises(study: StudyDocument) -> Iterator[Finding]:
    """Names of noise that are neither curves nor spectra of the study."""
    own = [(("scenario", i), scenario) for i, scenario in enumerate(study.scenario) if scenario.noise is not None]
    for path, scenario in [((), Scenario(name=study.bare)), *own]:
        try:
            study.noise_of(scenario)
        except RoomsimError as error:
            yield "study", (*path, "noise"), str(error).replace("\n       ", ". ")


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


def _entries(document: BaseModel, key: str) -> Iterator[tuple[KeyPath, Any]]:
    """Entries of a list of tables, with their paths."""
    for i, entry in enumerate(getattr(document, key)):
        yield (key, i), entry


def _sounding(document: SourcesDocument) -> Iterator[tuple[KeyPath, Source | Hang | SubStack]]:
    for kind in ("source", "hang", "sub_stack"):
        yield from _entries(document, kind)
