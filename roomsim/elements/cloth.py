"""The base class of all kinds of hanging cloth."""

from __future__ import annotations

from typing import ClassVar, Literal

from ..fields import Name
from ..physics.air import Air
from .element import Element, Lines, PlanView
from .finishes import Cloth, MaterialTable, cloth_as_hung
from .materials import Fabric
from .sheets import seen_from_above


class HungCloth(Element):
    """Cloth that hangs overhead."""

    is_searched = True
    near_surface_cure: ClassVar[str | None] = ""

    fabric: Name
    """Name of a fabric."""
    layers: Literal[1, 2] = 1
    """Cloths hung against each other."""

    @property
    def fullness_and_stand_off(self) -> tuple[float, float | None]:
        """Fullness and stand-off of the cloth; by default it hangs flat and free."""
        return 1.0, None

    def cloth(self, fabric: Fabric, air: Air) -> Cloth:
        """The cloth of the element as it hangs."""
        return cloth_as_hung(fabric, air, self.layers, *self.fullness_and_stand_off)

    def plan_lines(self, view: PlanView) -> dict[int | None, Lines]:
        """Its sheets: level ones as outlines, upright ones as lines."""
        return {None: tuple(seen_from_above(sheet) for sheet in self.hung_sheets())}

    def finish(self, materials: MaterialTable) -> Cloth:
        """The cloth as it hangs."""
        cloth = self.cloth(materials.fabrics[self.fabric], materials.air)
        return materials.varied_cloth(cloth, self.fabric)
