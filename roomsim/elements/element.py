"""What every kind of treatment element is asked for, with the answer of a kind that has none of it."""

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
    """What an element changes in the sound system."""

    on: tuple[str, ...] = ()
    off: tuple[str, ...] = ()
    power: float = 0.0
    """Electric power that it takes, kW."""


class PlanView(Protocol):
    """A venue in plan: the tiers of its audience, which do not lie above each other, and its surfaces."""

    def tier_at(self, floor: float) -> int:
        """The tier whose floor is nearest to a height, m."""

    def area_outlines(self, areas: Collection[str]) -> dict[int | None, Lines]:
        """Tier -> outlines of those of the audience areas that are on it."""

    def group_edges(self, groups: Sequence[str], who: str) -> Lines:
        """Edges of the faces of surface groups, by name or wildcard."""


class Element(Hanging):
    """What every treatment element has: a name, and what it takes to have it."""

    kind: ClassVar[str]
    """What the user calls it, such as "ceiling drape"; its table in the elements file is called the same."""
    is_searched: ClassVar[bool] = False
    """Whether the search for a plan may choose it without being asked to by name."""
    near_surface_cure: ClassVar[str | None] = None
    """What to do where it hangs so near to a surface along it that its figures do not hold; None where they do."""

    name: Name
    description: str = ""
    hire: NotNegative = 0.0
    """Hire, pipe and points together, in the study's currency."""
    rigging_hours: NotNegative = 0.0
    """Hours of work of one person, hanging and taking down together."""
    weight: NotNegative = 0.0
    """kg, all of it."""
    roof_points: Annotated[int, Field(ge=0, le=100_000)] = 0
    """Number of points in the roof that it hangs from; as many as `hang_from` names unless given."""
    point_load: NotNegative = 0.0
    """Largest load on one roof point, kg; never taken as less than the even share of its weight."""
    stock: dict[Name, NotNegative] = Field(default_factory=dict)
    """What it takes from stock: item -> quantity (m2 covered)."""

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
        """What the user calls it: "drape 'D1'"."""
        return f"{self.kind} {self.name!r}"

    # --- what it does to the sound ----------------------------------------------------------------------

    @property
    def switching(self) -> Switching:
        """What it changes in the sound system."""
        return Switching()

    def free_sheets(self) -> list[Sheet]:
        """What hangs free in the room, and reflects and transmits."""
        return []

    def coverings(self, surfaces: Surfaces) -> Iterator[Covering]:
        """What it covers of the surfaces of the venue.

        Raises
        ------
        MeshError : a surface group that the mesh does not have
        """
        yield from ()

    def finish(self, materials: MaterialTable) -> Finish | Cloth | None:
        """What it makes of the sound that meets it; None for what no sound meets."""
        return None

    # --- what can be wrong with it ----------------------------------------------------------------------

    def unknown_names(self, areas: Sequence[str]) -> Iterator[tuple[tuple[str | int, ...], str]]:
        """Names that the venue does not have: key path below the element, and the fault."""
        yield from ()

    def misfit(self, fit: Fit) -> Misfit | None:
        """What is wrong with how a piece found its surface, which is a floor unless a kind says otherwise."""
        if fit.share < LEAST_SHARE:
            text = f"Only {fit.share:.0%} of it lies on a floor."
            cure = "Give the height of the floor under it (floor), to 0.1 m, and a polygon in the room."
            return Misfit("floor_not_found", "error", text, cure)
        if fit.share < FULL_SHARE:
            text = f"{1.0 - fit.share:.0%} of it has no floor under it and does nothing."
            return Misfit("floor_partly", "warning", text, "Let the polygon end where its floor ends.")
        return None

    def competes_with(self, upper: Element) -> bool:
        """Whether it is not meant to lie under an element above it: a carpet under a crowd is."""
        return type(self) is type(upper)

    def hung_sheets(self) -> list[Sheet]:
        """All that hangs, on a wall or free: what needs its place in the room kept clear."""
        return self.free_sheets()

    # --- what it takes ----------------------------------------------------------------------------------

    @property
    def is_overhead(self) -> bool:
        """Whether it hangs over people."""
        return False

    def place_in_plan(self) -> tuple[shapely.Geometry, float]:
        """Where it lies in plan, and the height of its top, m."""
        return shapely.Point(), 0.0

    def load(self, roof: Roof) -> Load | None:
        """What hangs from the roof; None where nothing does."""
        n, mass = self.roof_points, self.weight or None
        if not n and not self.point_load:
            return None
        shape, top = self.place_in_plan()
        named = roof.carriers(shape, top, n, self.hang_from) if n else ()
        even = mass / n if mass is not None and n else 0.0
        one = max(self.point_load, even) or None
        # Without a weight the sum is not above that of as many points as there are, each at its heaviest.
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

    # --- how it is drawn --------------------------------------------------------------------------------

    def plan_lines(self, view: PlanView) -> dict[int | None, Lines]:
        """Tier on whose plan it shows, or None for all of them -> its lines there."""
        return {}


class Surfacing(Element):
    """An element that makes a surface another material."""

    material: Name
    """What the surface becomes."""

    def finish(self, materials: MaterialTable) -> Finish:
        """Its material."""
        return materials.surfaces[self.material]
