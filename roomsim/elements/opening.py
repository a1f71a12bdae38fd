"""Doors, shutters or vents that are opened or closed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from ..fields import Name
from .element import Element, Lines, PlanView, Surfacing
from .surfaces import Covering, Surfaces


class Opening(Surfacing):
    """Doors, shutters or vents, closed in the bare venue, that are opened (or vice versa)."""

    kind = "opening"

    groups: Annotated[tuple[str, ...], Field(min_length=1)]
    """Surface groups (or wildcards) that change."""
    material: Name = "open"
    """New material of the surfaces."""

    def coverings(self, surfaces: Surfaces) -> Iterator[Covering]:
        """All of the surface groups."""
        yield surfaces.groups(self.name, self.groups, self.label, "elements file")

    def competes_with(self, upper: Element) -> bool:
        """Cloth in front of an opening closes it again."""
        return super().competes_with(upper) or upper.is_overhead

    def plan_lines(self, view: PlanView) -> dict[int | None, Lines]:
        """The edges of its faces."""
        return {None: view.group_edges(self.groups, self.label)}
