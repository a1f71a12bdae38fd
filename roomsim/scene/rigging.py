"""Loads of loudspeakers and cloth on the points and trusses of the roof, and their sums.

Static loads. Two points with known positions share a load by the lever rule, any other number of points shares it
evenly. The load of a truss is the sum of all that hangs from it, wherever along it. Moving loads, horizontal forces
and statically indeterminate suspensions are for an engineer to assess.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from ..elements.roof import REACH, Load, Roof, RoofPoint, Truss
from ..loudspeakers.layout import ANY_SPEED, layout_of
from ..venue.document import Scenario, Source, Study
from ..venue.loudspeakers import find_loudspeaker
from ..venue.switching import playing
from ..venue.systems import Hang, SubStack


@dataclass(frozen=True)
class CarriedLoad:
    """The total load on a point or a truss of the venue in a scenario."""

    name: str
    is_truss: bool
    load: float
    """kg, existing load included, as far as it is known."""
    limit: float | None
    """kg; None where none is given."""
    by: tuple[str, ...]
    """Names of what hangs there."""
    unknown: tuple[str, ...]
    """Names of what hangs there without a stated weight."""


class Rig(Roof):
    """The loads of the sources and elements of a study, and their sums in a scenario."""

    def __init__(self, study: Study) -> None:
        super().__init__(study.venue.roof_point, study.venue.truss)
        self.study = study
        self.limit = study.document.costs.point_load_limit
        """kg, of points without a limit of their own."""
        elements = study.elements.all()
        self.weighed_with = {
            name: element.name
            for element in elements
            for name in element.switching.on
            if all(other.weight for other in elements if name in other.switching.on)
        }
        """Source -> element that states its weight, if all elements that switch it on state theirs."""
        self.sources = {
            source.name: self._source_load(source) for source in study.sources.all() if is_hung(source)
        }
        self.elements: dict[str, Load] = {}
        """Element -> its load; of system changes the load beyond that of the boxes."""
        for element in elements:
            load = element.load(self)
            if load is not None:
                self.elements[element.name] = load

    # --- in a scenario ----------------------------------------------------------------------------------

    def loads(self, scenario: Scenario) -> list[Load]:
        """The loads in a scenario: of the sources that play in it, and of its elements."""
        active = playing(self.study.sources, self.study.elements, scenario.elements)
        return [
            *(self.sources[name] for name in active if name in self.sources),
            *(load for name, load in self.elements.items() if name in scenario.elements),
        ]

    def carried(self, loads: Sequence[Load]) -> list[CarriedLoad]:
        """The total on each point and truss from which something hangs."""
        carriers: list[tuple[RoofPoint | Truss, bool, float | None]] = [
            *((point, False, self.limit if point.limit is None else point.limit) for point in self.points.values()),
            *((truss, True, truss.limit) for truss in self.trusses.values()),
        ]
        totals = []
        for carrier, is_truss, limit in carriers:
            carried = {load.name: load.trusses if is_truss else load.named for load in loads}
            by = {name: kilograms[carrier.name] for name, kilograms in carried.items() if carrier.name in kilograms}
            if by:
                total = carrier.existing_load + sum(kilograms or 0.0 for kilograms in by.values())
                unknown = tuple(name for name, kilograms in by.items() if kilograms is None)
                totals.append(CarriedLoad(carrier.name, is_truss, total, limit, tuple(by), unknown))
        return totals

    # --- single loads -----------------------------------------------------------------------------------

    def _source_load(self, source: Source | Hang | SubStack) -> Load:
        what, mass, n, centre, top = self._described(source)
        if mass is None and source.name in self.weighed_with:
            what, mass = f"weight included in {self.weighed_with[source.name]!r}", 0.0
        place = shapely.Point(centre[:2])
        named = self.carriers(place, top, n, source.hang_from)
        shares, doubts = dict.fromkeys(named, 1.0 / n), []
        if len(named) == n == 2:
            a, b = (np.array(self.points[name].position)[:2] for name in named)
            shares = dict(zip(named, lever_rule(a, b, centre[:2])))
            if min(shares.values()) < -1e-9:
                doubts.append(
                    f"Its centre of gravity is not between its points {named[0]!r} and {named[1]!r}: one carries more "
                    "than the whole weight, and the other is lifted."
                )
        doubts += self._out_of_reach(named, centre, top)
        return Load(
            name=source.name,
            what=what,
            mass=mass,
            points=n,
            named={name: None if mass is None else max(shares[name], 0.0) * mass for name in named},
            is_assumed=bool(named) and not source.hang_from,
            unnamed=n - len(named),
            on_unnamed=mass / n if mass is not None and len(named) < n else None,
            trusses=self.on_trusses(
                named, {name: max(share, 0.0) for name, share in shares.items()}, mass, n, place
            ),
            doubts=tuple(doubts),
        )

    def _described(
        self, source: Source | Hang | SubStack
    ) -> tuple[str, float | None, int, np.ndarray, float]:
        """Description, kg, number of points, centre of gravity (3,) m, and height of the top, m."""
        if isinstance(source, Source):
            n = max(len(source.hang_from), 1)
            return "", source.mass, n, np.array(source.position), source.position[2]
        box = find_loudspeaker(self.study.sources.loudspeaker, source.loudspeaker)
        layout = layout_of(source, self.study.sources.loudspeaker, ANY_SPEED)
        boxes = (layout.position - 0.5 * box.depth * layout.frames[:, 1]).mean(axis=0)
        top = float((layout.position[:, 2] + 0.5 * box.height).max())
        n_boxes = len(layout.position)
        what = f"{n_boxes} boxes" + (" and frame" if source.frame_mass else "")
        if box.mass is None:
            return what, None, source.points, boxes, top
        mass = n_boxes * box.mass + source.frame_mass
        # The frame lies over the top box.
        frame = layout.position[np.argmax(layout.position[:, 2])] - 0.5 * box.depth * layout.frames[0, 1]
        weights = (n_boxes * box.mass, source.frame_mass) if mass else (1.0, 0.0)
        return what, mass, source.points, np.average([boxes, frame], axis=0, weights=weights), top

    def _out_of_reach(self, named: Iterable[str], centre: np.ndarray, top: float) -> Iterator[str]:
        """Messages on points that are unsuitable: the horizontal force of a leg flatter than 45 degrees exceeds the
        weight that it carries."""
        for name in named:
            x, y, z = self.points[name].position
            aside, above = float(np.hypot(x - centre[0], y - centre[1])), z - top
            if above < -0.01:
                yield f"Point {name!r} is {-above:.2f} m below its top."
            elif aside > REACH and aside > above:
                yield (
                    f"Point {name!r} is {aside:.2f} m to the side of it and {above:.2f} m above it: a leg this flat "
                    "exerts a horizontal force and carries more than is computed here."
                )


def is_hung(source: Source | Hang | SubStack) -> bool:
    """Whether a source hangs from the roof."""
    if isinstance(source, Source):
        return source.is_hung
    return isinstance(source, Hang) or source.points > 0


def lever_rule(a: np.ndarray, b: np.ndarray, load: np.ndarray) -> tuple[float, float]:
    """Shares of a load that two points carry, from the equilibrium of moments.

    Parameters
    ----------
    a, b, load : (2,) places in plan, m; a load beside the line of the points is projected onto it

    Returns
    -------
    Two shares that add up to 1. A load outside the two lifts the far one: its share is negative.
    """
    along = b - a
    length = float(along @ along)
    if length < 1e-12:
        return 0.5, 0.5
    share = float((load - a) @ along) / length
    return 1.0 - share, share
