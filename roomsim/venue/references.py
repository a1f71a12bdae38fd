"""References between the files of a study: every name used must be defined, and only once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel

from roomsim.elements.registry import KINDS
from roomsim.errors import RoomsimError, suggestion, unknown_name
from roomsim.venue.document import (
    ElementsDocument,
    MaterialsDocument,
    Scenario,
    SourcesDocument,
    StudyDocument,
    VenueDocument,
)
from roomsim.venue.line_numbers import KeyPath, path_text
from roomsim.venue.loudspeakers import built_in_loudspeakers
from roomsim.venue.materials import unknown_row
from roomsim.venue.switching import playing
from roomsim.venue.systems import System

_ELEMENTS = tuple(kind.table() for kind in KINDS)
_SOURCES = ("source", "hang", "sub_stack")
_DISTINCT = (
    ("study", ("scenario",)),
    *(("venue", (table,)) for table in ("audience", "zone", "roof_point", "truss")),
    ("elements", _ELEMENTS),
    ("sources", _SOURCES),
)
"""Role of a file and its tables among which every name must be different."""


@dataclass(frozen=True)
class Documents:
    """The valid files of a study; a file that is not valid is None, and is not examined."""

    study: StudyDocument | None = None
    venue: VenueDocument | None = None
    elements: ElementsDocument | None = None
    sources: SourcesDocument | None = None
    materials: MaterialsDocument | None = None


RoleFault = tuple[str, KeyPath, str]
"""Role of the file ("study", "venue", "elements", "sources"), key path, what is wrong."""

Use = tuple[str, KeyPath, str, str, Iterable[str]]
"""Role of the file, key path, kind of thing, its name there, names that are defined."""


def reference_faults(documents: Documents) -> Iterator[RoleFault]:
    """Names that are used twice or not defined, and contradictions between the files."""
    yield from _repeated(documents)
    for role, path, kind, name, known in _uses(documents):
        if name not in known:
            yield role, path, unknown_name(kind, name, known)
    yield from _unknown_rows(documents)
    if documents.study:
        yield from _scenarios(documents.study)
        yield from _noises(documents.study)
        for i, goal in enumerate(documents.study.plan.goal):
            if goal.figure.startswith("reverberation") and documents.study.plan.reverberation_at_most is None:
                text = f'"{goal.figure}" needs a target curve: give reverberation_at_most under [plan]'
                yield "study", ("plan", "goal", i, "figure"), text
    if documents.sources and documents.elements:
        yield from _switching(documents.study, documents.elements, documents.sources)
    if documents.venue:
        areas = [area.name for area in documents.venue.audience]
        for path, element in _entries(documents.elements, *_ELEMENTS):
            for key, text in element.unknown_names(areas):
                yield "elements", (*path, *key), text


def _repeated(documents: Documents) -> Iterator[RoleFault]:
    for role, tables in _DISTINCT:
        first: dict[str, KeyPath] = {}
        for path, entry in _entries(getattr(documents, role), *tables):
            also = first.setdefault(entry.name, path)
            if also != path:
                text = f'"{entry.name}" is the name of {path_text(also)} too; every name here must be different'
                yield role, (*path, "name"), text


def _uses(documents: Documents) -> Iterator[Use]:
    """Places in which a name is used that must be defined, if the file that defines it is valid."""
    if documents.study:
        scenarios = [scenario.name for scenario in documents.study.scenarios_in_order()]
        for path, scenario in _entries(documents.study, "scenario"):
            if scenario.compare_with is not None:
                yield "study", (*path, "compare_with"), "scenario", scenario.compare_with, scenarios
        if documents.study.plan.start_from is not None:
            yield "study", ("plan", "start_from"), "scenario", documents.study.plan.start_from, scenarios
        if documents.elements:
            elements = [element.name for element in documents.elements.all()]
            for path, name in _names_of_elements(documents.study):
                yield "study", path, "element", name, elements
    if documents.venue:
        trusses = [truss.name for truss in documents.venue.truss]
        for path, point in _entries(documents.venue, "roof_point"):
            if point.truss is not None:
                yield "venue", (*path, "truss"), "truss", point.truss, trusses
        points = [point.name for point in documents.venue.roof_point]
        for role, tables in (("elements", _ELEMENTS), ("sources", _SOURCES)):
            for path, hanging in _entries(getattr(documents, role), *tables):
                for j, name in enumerate(hanging.hang_from):
                    yield role, (*path, "hang_from", j), "roof point of the venue", name, points
    if documents.sources:
        boxes = {**built_in_loudspeakers(), **documents.sources.loudspeaker}
        for path, system in _entries(documents.sources, *_SOURCES):
            if isinstance(system, System):
                yield "sources", (*path, "loudspeaker"), "loudspeaker", system.loudspeaker, boxes
        sources = [source.name for source in documents.sources.all()]
        for path, element in _entries(documents.elements, *_ELEMENTS):
            for key, names in (("switch_on", element.switching.on), ("switch_off", element.switching.off)):
                for j, name in enumerate(names):
                    yield "elements", (*path, key, j), "source, hang or stack", name, sources


def _names_of_elements(study: StudyDocument) -> Iterator[tuple[KeyPath, str]]:
    """Names of elements in a study file, with the path of each."""
    lists: list[tuple[KeyPath, tuple[str, ...]]] = [
        *(((*path, "elements"), scenario.elements) for path, scenario in _entries(study, "scenario")),
        (("plan", "candidates"), study.plan.candidates),
        *((("plan", *path), group) for path, group in _entries(study.plan, "together", "only_one_of")),
        *((("plan", "requires", name), needed) for name, needed in study.plan.requires.items()),
    ]
    for path, names in lists:
        yield from (((*path, j), name) for j, name in enumerate(names))
    yield from ((("plan", "requires", name), name) for name in study.plan.requires)


def probable_mistakes(documents: Documents) -> Iterator[RoleFault]:
    """Entries that are allowed but probably mistakes."""
    study = documents.study
    if not study:
        return
    first: dict[object, str] = {(frozenset(), None): study.bare}
    repeats: dict[str, list[str]] = {}
    places: list[KeyPath] = []
    for path, scenario in _entries(study, "scenario"):
        original = first.setdefault((frozenset(scenario.elements), scenario.noise), scenario.name)
        if scenario.name not in (original, study.bare):
            repeats.setdefault(original, []).append(f'"{scenario.name}"')
            places.append(path)
    if repeats:
        same = (
            f'{", ".join(names)} {"is" if len(names) == 1 else "are"} the same as "{original}"'
            for original, names in repeats.items()
        )
        yield "study", places[0], "; ".join(same)
    # An element that no scenario uses is not a fault: several studies may share one file of elements.
    for path, element in _entries(documents.elements, *_ELEMENTS) if study.costs.stock else ():
        for item in element.stock:
            if item not in study.costs.stock:
                text = f'"{item}" is not in the stock of the study. {suggestion(item, study.costs.stock)}'
                yield "elements", (*path, "stock", item), text


def _scenarios(study: StudyDocument) -> Iterator[RoleFault]:
    for path, scenario in _entries(study, "scenario"):
        if scenario.name == study.bare and scenario.elements:
            text = f'"{study.bare}" is the bare venue and has no elements; give this scenario another name'
            yield "study", (*path, "elements"), text
        for j, name in enumerate(scenario.elements):
            if name in scenario.elements[:j]:
                yield "study", (*path, "elements", j), f'"{name}" is listed twice in this scenario'
        if scenario.compare_with == scenario.name:
            yield "study", (*path, "compare_with"), "a scenario cannot be compared with itself"


def _switching(
    study: StudyDocument | None, elements: ElementsDocument, sources: SourcesDocument
) -> Iterator[RoleFault]:
    """System changes that contradict each other, and scenarios in which no source plays."""
    for path, element in elements.entries():
        for j, name in enumerate(element.switching.off):
            if name in element.switching.on:
                yield "elements", (*path, "switch_off", j), f'"{name}" is switched on by this element as well'
    if not study:
        return
    index = {scenario.name: i for i, scenario in enumerate(study.scenario)}
    noise = {source.name for source in sources.source if source.role == "noise"}
    for scenario in study.scenarios_in_order():
        path = ("scenario", index[scenario.name]) if scenario.name in index else ("scenario",)
        changes = [element.switching for element in elements.named(scenario.elements)]
        off = {name for change in changes for name in change.off}
        both = {name for change in changes for name in change.on if name in off}
        if both:
            text = f'"{min(both)}" is switched on by one element of this scenario and off by another'
            yield "study", (*path, "elements"), text
        elif not set(playing(sources, elements, scenario.elements)) - noise:
            yield (
                "study",
                path,
                f'nothing plays in scenario "{scenario.name}": every source is noise or must be switched on by a '
                "system change",
            )


def _noises(study: StudyDocument) -> Iterator[RoleFault]:
    """Names of noise that are neither curves nor spectra of the study."""
    for path, scenario in [((), Scenario(name=study.bare)), *_entries(study, "scenario")]:
        if path and scenario.noise is None:
            continue
        try:
            study.noise_of(scenario)
        except RoomsimError as error:
            yield "study", (*path, "noise"), str(error).replace("\n       ", ". ")


def _unknown_rows(documents: Documents) -> Iterator[RoleFault]:
    """Names that are not in the tables of materials and fabrics."""
    materials = documents.materials
    if not materials:
        return
    used: list[tuple[str, KeyPath, str, str]] = []
    if documents.venue:
        used += [("venue", ("surfaces", group), "material", name) for group, name in documents.venue.surfaces.items()]
    for path, element in _entries(documents.elements, *_ELEMENTS):
        kinds = [kind for kind in ("material", "fabric") if hasattr(element, kind)]
        used += [("elements", (*path, kind), kind, getattr(element, kind)) for kind in kinds]
    for role, path, kind, name in used:
        if name not in getattr(materials, kind):
            yield role, path, unknown_row(materials, kind, name)


def _entries(document: BaseModel | None, *tables: str) -> Iterator[tuple[KeyPath, Any]]:
    """Entries of lists of a document with their paths; none of a document that is not valid."""
    if document is not None:
        for table in tables:
            for i, entry in enumerate(getattr(document, table)):
                yield (table, i), entry
