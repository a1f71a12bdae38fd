"""The sources that play in a scenario: system changes among its elements switch them on and off."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from roomsim.errors import unknown_name
from roomsim.venue.document import ElementsDocument, SourcesDocument, StudyDocument
from roomsim.venue.line_numbers import KeyPath


def playing(
    sources: SourcesDocument, elements: ElementsDocument, switched_in: Iterable[str]
) -> tuple[str, ...]:
    """Names of the sources that play in a scenario with these elements, in the order of the source axis.

    A source that some system change switches on is silent in every scenario without such a change; a source that a
    change of this scenario switches off is silent too.
    """
    chosen = elements.named(set(switched_in))
    silent = {name for element in elements.all() for name in element.switching.on}
    silent -= {name for element in chosen for name in element.switching.on}
    silent |= {name for element in chosen for name in element.switching.off}
    return tuple(source.name for source in sources.all() if source.name not in silent)


def switching_faults(
    study: StudyDocument | None, elements: ElementsDocument, sources: SourcesDocument
) -> Iterator[tuple[str, KeyPath, str]]:
    """System changes that name no source or contradict each other, and scenarios in which nothing plays.

    Yields role of the file, key path, what is wrong.
    """
    names = [source.name for source in sources.all()]
    noise = {source.name for source in sources.source if source.role == "noise"}
    for place, element in elements.entries():
        for key, switched in (("switch_on", element.switching.on), ("switch_off", element.switching.off)):
            for j, name in enumerate(switched):
                path: KeyPath = (*place, key, j)
                if name not in names:
                    yield "elements", path, unknown_name("source, hang or stack", name, names)
                elif key == "switch_off" and name in element.switching.on:
                    yield "elements", path, f'"{name}" is switched on by this element as well'
    if not study:
        return
    index = {scenario.name: i for i, scenario in enumerate(study.scenario)}
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
