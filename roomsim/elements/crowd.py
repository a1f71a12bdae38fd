"""People in audience areas."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated

from pydantic import Field

from ..errors import suggestion
from ..fields import Name
from .element import Lines, PlanView, Surfacing
from .surfaces import Covering, Surfaces


class Crowd(Surfacing):
    """People in audience areas; without it they are empty."""

    kind = "crowd"

    areas: Annotated[tuple[Name, ...], Field(min_length=1)]
    """Names of audience areas of the venue."""

    def coverings(self, surfaces: Surfaces) -> Iterator[Covering]:
        """The floors of its areas."""
        for area in self.areas:
            yield surfaces.audience(self.name, area)

    def unknown_names(self, areas: Sequence[str]) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Audience areas that the venue does not have."""
        for j, name in enumerate(self.areas):
            if name not in areas:
                yield ("areas", j), f'no audience area is called "{name}". {suggestion(name, areas)}'

    def plan_lines(self, view: PlanView) -> dict[int | None, Lines]:
        """The outlines of its areas, each on its tier."""
        return view.area_outlines(self.areas)
