"""Changes of the sound system: loudspeakers that play only with the element, or not with it."""

from __future__ import annotations

from pydantic import model_validator

from ..fields import Name, NotNegative
from .element import Element, Switching
from .roof import Load, Roof


class SystemChange(Element):
    """Sources, hangs or stacks that play only with it, or not with it.

    Its weight and points include those of the boxes that it switches on.
    """

    kind = "system change"

    switch_on: tuple[Name, ...] = ()
    """Names from the sources file. They are silent in all scenarios without an element that switches them
    on."""
    switch_off: tuple[Name, ...] = ()
    """Names from the sources file that are silent with it."""
    power: NotNegative = 0.0
    """Electric power that it draws, kW."""

    @model_validator(mode="after")
    def _changes_something(self) -> SystemChange:
        if not self.switch_on and not self.switch_off:
            raise ValueError("changes nothing; name sources under switch_on or switch_off")
        return self

    @property
    def switching(self) -> Switching:
        """The sources that it switches, and the power it draws."""
        return Switching(self.switch_on, self.switch_off, self.power)

    @property
    def is_overhead(self) -> bool:
        """Whether it uses roof points."""
        return self.roof_points > 0

    def load(self, roof: Roof) -> Load | None:
        """Its load in addition to the boxes that it switches on: it states weight and points of both together."""
        if not self.roof_points and not self.weight and not self.point_load:
            return None
        boxes = [roof.sources[name] for name in self.switch_on if name in roof.sources]
        known = sum(load.mass or 0.0 for load in boxes)
        rest = max(self.weight - known, 0.0)
        others = max(self.roof_points - sum(load.points for load in boxes), 0)
        points = others + sum(load.points for load in boxes)
        named = self.hang_from or tuple(dict.fromkeys(name for load in boxes for name in load.named))
        boxes_on = {name: sum(load.named.get(name) or 0.0 for load in boxes) for name in named}
        share, even = (weight / max(points, 1) for weight in (rest, self.weight))
        trusses: dict[str, float | None] = {}
        # The additional load is on the trusses of the boxes, or on those of the named points.
        parts = [(truss, share) for name in self.hang_from if (truss := roof.truss_of[name]) is not None]
        if not self.hang_from:
            parts = [
                (
                    truss,
                    share * load.points * (on / load.mass if on and load.mass else 1.0 / len(load.trusses)),
                )
                for load in boxes
                for truss, on in load.trusses.items()
            ]
        for truss, kilograms in parts:
            trusses[truss] = (trusses.get(truss) or 0.0) + kilograms
        return Load(
            name=self.name,
            what=f"{self.description}; in addition to its boxes".strip("; ") if known else self.description,
            mass=rest,
            points=others,
            named={name: max(share, self.point_load - boxes_on[name]) for name in named},
            is_assumed=not self.hang_from and any(load.is_assumed for load in boxes),
            unnamed=max(others - len(self.hang_from), 0),
            on_unnamed=(max(self.point_load, even) or None) if len(named) < max(points, 1) else None,
            trusses=trusses,
        )
