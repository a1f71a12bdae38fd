"""The sources that play in a scenario: system changes among its elements switch them on and off."""

from __future__ import annotations

from collections.abc import Iterable

from roomsim.venue.document import ElementsDocument, SourcesDocument


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
