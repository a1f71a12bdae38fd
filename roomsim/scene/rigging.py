"""What hangs from which point and truss of the roof: loudspeakers and cloth, and their sums.

Statics at rest. Two points whose places are known share a load by the lever rule, any other number shares it
evenly. The sum of a truss is that of what hangs from it, wherever along it. What a structure does with a load
that moves, is pulled aside, or hangs from more points than statics alone can part is for an engineer.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from ..elements.roof import REACH, Load, Roof
from ..loudspeakers.layout import ANY_SPEED, layout_of
from ..venue.document import Scenario, Source, Study
from ..venue.loudspeakers import find_loudspeaker
from ..venue.switching import playing
from ..venue.systems import Hang, SubStack


@dataclass(frozen=True)
class Held:
    """All that a point or a truss of the venue holds in a scenario."""

    name: str
    is_truss: bool
    load: float
    """kg, what hung there before included; of what is known."""
    limit: float | None
    """kg; None where none is given."""
    by: tuple[str, ...]
    """What hangs there."""
    unknown: tuple[str, ...]
    """What hangs there and whose weight is not stated."""


class Rig(Roof):
    """The loads of a study: each source and each element by itself, and what a scenario makes of them."""

    def __init__(self, study: Study) -> None:
        super().__init__(study.venue.roof_point, study.venue.truss)
        self.study = study
        self.limit = study.document.costs.point_load_limit
        """kg, of a point without one of its own."""
        elements = study.elements.all()
        self.weighed_with = {
            name: element.name
            for element in elements
            for name in element.switching.on
            if all(other.weight for other in elements if name in other.switching.on)
        }
        """Source -> element that states its weight, if all do that switch it on."""
        self.sources = {
            source.name: self._source_load(source) for source in study.sources.all() if is_hung(source)
        }
        self.elements: dict[str, Load] = {}
        """What the elements hang; of system changes what is not the boxes'."""
        for element in elements:
            load = element.load(self)
            if load is not None:
                self.elements[element.name] = load

    # --- in a scenario ----------------------------------------------------------------------------------

    def loads(self, scenario: Scenario) -> list[Load]:
        """What hangs in a scenario: sources that play in it, and its elements."""
        there = playing(self.study.sources, self.study.elements, scenario.elements)
        return [
            *(self.sources[name] for name in there if name in self.sources),
            *(load for name, load in self.elements.items() if name in scenario.elements),
        ]

    def held(self, loads: Sequence[Load]) -> list[Held]:
        """What each point and truss holds from which something hangs."""
        found = []
        for name, point in self.points.items():
            limit = self.limit if point.limit is None else point.limit
            found += _held(name, False, point.existing_load, limit, [(l.name, l.named) for l in loads])
        for name, truss in self.trusses.items():
            found += _held(name, True, truss.existing_load, truss.limit, [(l.name, l.trusses) for l in loads])
        return found

    # --- single loads -----------------------------------------------------------------------------------

    def _source_load(self, source: Source | Hang | SubStack) -> Load:
        what, mass, n, centre, top = self._described(source)
        if mass is None and source.name in self.weighed_with:
            what, mass = f"weighed with {self.weighed_with[source.name]!r}", 0.0
        place = shapely.Point(centre[:2])
        named = self.carriers(place, top, n, source.hang_from)
        shares, doubts = dict.fromkeys(named, 1.0 / n), []
        if len(named) == n == 2:
            a, b = (np.array(self.points[name].position)[:2] for name in named)
            shares = dict(zip(named, lever_rule(a, b, centre[:2])))
            if min(shares.values()) < -1e-9:
                doubts.append(
                    f"Its weight is not between its points {named[0]!r} and {named[1]!r}: one carries more than "
                    "all of it, and the other is lifted."
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
        """What it is, kg, points, centre of gravity (3,) m, and height of its top, m."""
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

    def _out_of_reach(self, named: Iterable[str], centre: np.ndarray, top: float) -> list[str]:
        """Points from which nothing can hang straight enough: a leg flatter than 45 degrees pulls aside by more
        than the weight that it carries."""
        said = []
        for name in named:
            x, y, z = self.points[name].position
            aside, above = float(np.hypot(x - centre[0], y - centre[1])), z - top
            if above < -0.01:
                said.append(f"Point {name!r} lies {-above:.2f} m below its top.")
            elif aside > REACH and aside > above:
                said.append(
                    f"Point {name!r} lies {aside:.2f} m aside and {above:.2f} m above it: so flat a leg pulls "
                    "aside, and more than is computed here."
                )
        return said


def is_hung(source: Source | Hang | SubStack) -> bool:
    """Whether what sounds hangs in the roof."""
    if isinstance(source, Source):
        return source.is_hung
    return isinstance(source, Hang) or source.points > 0


def lever_rule(a: np.ndarray, b: np.ndarray, load: np.ndarray) -> tuple[float, float]:
    """Shares of a load that two points carry: moments about either point vanish.

    Parameters
    ----------
    a, b, load : (2,) places in plan, m; a load beside the line of the points counts where it is nearest to it

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


def _held(
    name: str,
    is_truss: bool,
    existing: float,
    limit: float | None,
    on_it: Iterable[tuple[str, dict[str, float | None]]],
) -> list[Held]:
    by = {what: on[name] for what, on in on_it if name in on}
    if not by:
        return []
    load = existing + sum(kilograms or 0.0 for kilograms in by.values())
    unknown = tuple(what for what, kilograms in by.items() if kilograms is None)
    return [Held(name, is_truss, load, limit, tuple(by), unknown)]
