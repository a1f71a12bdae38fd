"""The base class of all kinds of treatment element, with defaults for kinds to override."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from typing import Annotated, ClassVar, NamedTuple, Protocol

import numpy as np
import shapely
from pydantic import Field, model_validator

from ..fields import Name, NotNegative
from .finishes import Cloth, Finish, MaterialTable
from .roof import Hanging, Load, Roof
from .sheets import Sheet
from .surfaces import FULL_SHARE, LEAST_SHARE, Covering, Fit, Misfit, Surfaces

Lines = tuple[np.ndarray, ...]
"""Polylines or closed polygons in plan, (n, 2) m each."""


class Switching(NamedTuple):
    """Changes of the sound system by an element."""

    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    power: float = 0.0
    """Electric power that it draws, kW."""


class PlanView(Protocol):
    """A venue in plan, for elements to draw themselves on: the tiers of its audience, and its surfaces."""

    def tier_at(self, floor: float) -> int:
        """The tier whose floor is nearest to a height, m."""

    def area_outlines(self, areas: Collection[str]) -> dict[int | None, Lines]:
        """Tier -> outlines of the named audience areas that belong to it."""

    def group_edges(self, groups: Sequence[str], who: str) -> Lines:
        """Edges of the faces of surface groups, given by name or wildcard."""


class Element(Hanging):
    """A treatment element: its name, and its cost, labour and load."""

    kind: ClassVar[str]
    """The name of the kind, such as "ceiling drape", after which its table in the elements file is called."""
    is_searched: ClassVar[bool] = False
    """Whether the search for a plan may choose it although it is not named as a candidate."""
    near_surface_cure: ClassVar[str | None] = None
    """Remedy if it hangs so near a parallel surface that its absorption is wrong; None if that does not matter."""

    name: Name
    description: str = ""
    hire: NotNegative = 0.0
    """Hire, pipe and points together, in the study's currency."""
    rigging_hours: NotNegative = 0.0
    """Hours of work of one person, hanging and taking down together."""
    weight: NotNegative = 0.0
    """kg, all of it."""
    roof_points: Annotated[int, Field(ge=0, le=100_000)] = 0
    """Number of roof points from which it hangs; by default, the number of points in `hang_from`."""
    point_load: NotNegative = 0.0
    """Largest load on one roof point, kg; at least the equal share of its weight is assumed."""
    stock: dict[Name, NotNegative] = Field(default_factory=dict)
    """Its use of the stock: item -> quantity (m2 covered)."""

    @model_validator(mode="after")
    def _points_named(self) -> Element:
        self._count_named_points("roof_points")
        return self

    @classmethod
    def table(cls) -> str:
        """Its table in the elements file."""
        return cls.kind.replace(" ", "_")

    @property
    def label(self) -> str:
        """Its kind and name: "drape 'D1'"."""
        return f"{self.kind} {self.name!r}"

    # --- acoustics ----------------------------------------------------------------------------------------

    @property
    def switching(self) -> Switching:
        """Its changes of the sound system."""
        return Switching()

    def free_sheets(self) -> list[Sheet]:
        """The sheets that hang free in the room, and reflect and transmit sound."""
        return []

    def coverings(self, surfaces: Surfaces) -> Iterator[Covering]:
        """The parts of the venue's surfaces that it covers.

        Raises
        ------
        MeshError : a surface group that the mesh does not have
        """
        yield from ()

    def finish(self, materials: MaterialTable) -> Finish | Cloth | None:
        """Its acoustic properties; None if sound does not meet it."""
        return None

    # --- checks -----------------------------------------------------------------------------------------

    def unknown_names(self, areas: Sequence[str]) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Names that the venue does not have: key path within the element, and message."""
        yield from ()

    def misfit(self, fit: Fit) -> Misfit | None:
        """The fault, if any, in the fit of a piece to its surface, which is a floor by default."""
        if fit.share < LEAST_SHARE:
            text = f"Only {fit.share:.0%} of it lies on a floor."
            cure = "Give the height of the floor under it (floor) to within 0.1 m, and a polygon in the room."
            return Misfit("floor_not_found", "error", text, cure)
        if fit.share < FULL_SHARE:
            text = f"{1.0 - fit.share:.0%} of it has no floor under it and has no effect."
            return Misfit("floor_partly", "warning", text, "End the polygon at the edge of the floor.")
        return None

    def competes_with(self, upper: Element) -> bool:
        """Whether overlap with an element above it is a mistake; a carpet under a crowd is not."""
        return type(self) is type(upper)

    def hung_sheets(self) -> list[Sheet]:
        """All sheets that hang, on a wall or free, and occupy space in the room."""
        return self.free_sheets()

    # --- load -------------------------------------------------------------------------------------------

    @property
    def is_overhead(self) -> bool:
        """Whether it hangs over people."""
        return bool(self.hung_sheets())

    def place_in_plan(self) -> tuple[shapely.Geometry, float]:
        """Its shape in plan, and the height of its top, m."""
        return shapely.Point(), 0.0

    def load(self, roof: Roof) -> Load | None:
        """Its load on the roof; None if there is none."""
        n, mass = self.roof_points, self.weight or None
        if not n and not self.point_load:
            return None
        shape, top = self.place_in_plan()
        named = roof.carriers(shape, top, n, self.hang_from) if n else ()
        even = mass / n if mass is not None and n else 0.0
        one = max(self.point_load, even) or None
        # Without a stated weight, the sum is at most the largest point load on every point.
        whole = mass if mass is not None else (self.point_load * n or None)
        return Load(
            name=self.name,
            what=self.description,
            mass=mass,
            points=n,
            named=dict.fromkeys(named, one),
            is_assumed=bool(named) and not self.hang_from,
            unnamed=n - len(named),
            on_unnamed=one if len(named) < max(n, 1) else None,
            trusses=roof.on_trusses(named, dict.fromkeys(named, 1.0 / max(n, 1)), whole, n, shape),
        )

    # --- drawing ----------------------------------------------------------------------------------------

    def plan_lines(self, view: PlanView) -> dict[int | None, Lines]:
        """Tier on whose plan it is drawn, or None for all tiers -> its lines."""
        return {}


class Surfacing(Element):
    """An element that changes the material of a surface."""

    material: Name
    """New material of the surface."""

    def finish(self, materials: MaterialTable) -> Finish:
        """Its material."""
        return materials.surfaces[self.material]
