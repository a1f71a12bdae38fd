"""A line of cloth, in front of a wall, to whose absorption it adds, or free in the room."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated

import numpy as np
import shapely
from pydantic import Field

from ..fields import Coordinate, Length, Path2
from .cloth import HungCloth
from .element import Lines, PlanView
from .sheets import Sheet, upright
from .surfaces import FULL_SHARE, LEAST_SHARE, Covering, Fit, Misfit, Surfaces

WALL_REACH = 1.5
"""m within which the wall behind a drape with a stand-off must be."""


class Drape(HungCloth):
    """A line of cloth hanging from a pipe."""

    kind = "drape"
    near_surface_cure = "Give stand_off if it hangs before this wall."

    runs: Annotated[tuple[Path2, ...], Field(min_length=1)]
    """Polylines in plan; more than one if the line has gaps."""
    top: Coordinate
    """Height of the top edge, m."""
    drop: Length
    """Height of the cloth as hung, m."""
    fullness: Annotated[float, Field(ge=1.0, le=4.0)] = 1.0
    """Width of cloth over width hung: 2.0 is "100 % fullness"."""
    stand_off: Annotated[float, Field(ge=1e-6, le=1.5)] | None = None
    """Gap to the wall behind, m. Without it the line hangs free in the room."""

    def segments(self) -> Iterator[tuple[str, np.ndarray, np.ndarray]]:
        """Each straight piece of the line: its name and its ends in plan, (2,) each, m."""
        for i, run in enumerate(self.runs, start=1):
            points = np.array(run)
            for k, (start, end) in enumerate(pairwise(points), start=1):
                if np.hypot(*(end - start)) > 0.0:
                    yield f"run {i}, segment {k}" if len(points) > 2 else f"run {i}", start, end

    def hung_sheets(self) -> list[Sheet]:
        """The rectangles of the line, on a wall or free."""
        return [
            upright(self.name, piece, start, end, self.top - self.drop, self.top)
            for piece, start, end in self.segments()
        ]

    def free_sheets(self) -> list[Sheet]:
        """The rectangles of a line that does not hang in front of a wall."""
        return self.hung_sheets() if self.stand_off is None else []

    @property
    def covered_area(self) -> float:
        """m2 that the line covers."""
        return sum(float(sheet.polygon.area) for sheet in self.hung_sheets())

    def coverings(self, surfaces: Surfaces) -> Iterator[Covering]:
        """The wall behind each piece."""
        for sheet in self.hung_sheets() if self.stand_off is not None else ():
            # The wall is on one side; surfaces on the other side are not covered.
            sides = [surfaces.project(sheet, *reach) for reach in ((-WALL_REACH, 0.01), (-0.01, WALL_REACH))]
            yield max(sides, key=_share_and_nearness)

    @property
    def fullness_and_stand_off(self) -> tuple[float, float | None]:
        """Fullness and stand-off of the cloth."""
        return self.fullness, self.stand_off

    def misfit(self, fit: Fit) -> Misfit | None:
        """The fault, if any, in the fit of a piece to the wall behind it."""
        assert self.stand_off is not None
        if fit.share < LEAST_SHARE:
            text = f"Only {fit.share:.0%} of it has a wall behind it."
            cure = "Move the line to within 1.5 m of a wall and parallel to it, or leave stand_off out to hang it free."
            return Misfit("wall_not_found", "error", text, cure)
        # A line drawn on the wall itself does not define the distance.
        if fit.distance - self.stand_off > 0.3 or fit.distance > 2.0 * self.stand_off + 0.05:
            text = (
                f"The wall is {fit.distance:.2f} m behind the line, but stand_off is {self.stand_off:.2f} m; "
                "stand_off is used."
            )
            cure = "Correct stand_off or the line: the absorption at low frequencies depends on the gap."
            return Misfit("wall_distance", "warning", text, cure)
        if fit.share < FULL_SHARE:
            text = f"{1.0 - fit.share:.0%} of it has no wall behind it and is left out."
            return Misfit("wall_partly", "note", text, "End the run at the edge of the wall, or check top and drop.")
        return None

    def place_in_plan(self) -> tuple[shapely.Geometry, float]:
        """The line, and its top edge."""
        return shapely.MultiLineString([list(run) for run in self.runs]), self.top

    def plan_lines(self, view: PlanView) -> dict[int | None, Lines]:
        """The runs."""
        return {None: tuple(np.array(run) for run in self.runs)}


def _share_and_nearness(side: Covering) -> tuple[float, float]:
    assert side.fit is not None
    return round(side.fit.share, 3), -abs(side.fit.distance)
