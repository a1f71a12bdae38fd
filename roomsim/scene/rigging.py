"""What hangs from which point and truss of the roof: loudspeakers and cloth, and their sums.

Statics at rest. Two points whose places are known share a load by the lever rule, any other number shares it
evenly. The sum of a truss is that of what hangs from it, wherever along it. What a structure does with a load
that moves, is pulled aside, or hangs from more points than statics alone can part is for an engineer.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import shapely

from ..loudspeakers.layout import ANY_SPEED, layout_of
from ..venue.document import Banner, CeilingDrape, Drape, Element, Scenario, Source, Study, SystemChange
from ..venue.loudspeakers import find_loudspeaker
from ..venue.rigging import RoofPoint, Truss
from ..venue.switching import playing
from ..venue.systems import Hang, SubStack

REACH = 1.0
"""m in plan within which something is taken to hang from a point or a truss unless it names its points."""
ON_TRUSS = 0.5
"""m in plan within which a point is taken to be on a truss unless it names one."""


@dataclass(frozen=True)
class Load:
    """What hangs from a number of points."""

    name: str
    what: str
    mass: float | None
    """kg, all of it; None where it is not stated."""
    points: int
    named: dict[str, float | None]
    """Points of the venue that carry it -> kg on them; None where the mass is not known."""
    is_assumed: bool
    """The points are not named but the nearest."""
    unnamed: int
    """Number of other points, of which the venue knows nothing."""
    on_unnamed: float | None
    """kg on the heaviest of the other points; None where it is not known."""
    trusses: dict[str, float | None] = field(default_factory=dict)
    """Truss -> kg on it."""
    doubts: tuple[str, ...] = ()
    """What is wrong with the points that it names, sentences."""

    @property
    def heaviest(self) -> float | None:
        """kg on one point; None where it is not known."""
        known = [kilograms for kilograms in (*self.named.values(), self.on_unnamed) if kilograms is not None]
        return max(known, default=None)


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


class Rig:
    """The loads of a study: each source and each element by itself, and what a scenario makes of them."""

    def __init__(self, study: Study) -> None:
        self.study = study
        self.limit = study.document.costs.point_load_limit
        """kg, of a point without one of its own."""
        self.points: dict[str, RoofPoint] = {point.name: point for point in study.venue.roof_point}
        self.trusses: dict[str, Truss] = {truss.name: truss for truss in study.venue.truss}
        self._lines = {
            name: shapely.LineString(np.array(truss.line)[:, :2]) for name, truss in self.trusses.items()
        }
        self.truss_of = {name: self._truss_of(point) for name, point in self.points.items()}
        changes = study.elements.system_change
        self.weighed_with = {
            name: change.name
            for change in changes
            for name in change.switch_on
            if all(other.weight for other in changes if name in other.switch_on)
        }
        """Source -> system change that states its weight, if all do that bring it."""
        self.sources: dict[str, Load] = {
            source.name: self._source_load(source) for source in study.sources.all() if is_hung(source)
        }
        """What hangs of what sounds."""
        self.elements: dict[str, Load] = {}
        """What the elements hang; of system changes what is not the boxes'."""
        for element in study.elements.all():
            load = (
                self._change_load(element) if isinstance(element, SystemChange) else self._cloth_load(element)
            )
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

    def _truss_of(self, point: RoofPoint) -> str | None:
        if point.truss is not None:
            return point.truss
        return self._nearest_truss(shapely.Point(point.position[:2]), ON_TRUSS)

    def _nearest_truss(self, shape: shapely.Geometry, reach: float) -> str | None:
        """The truss that a shape in plan lies along, all of it within reach."""
        near = {
            name: line.distance(shape)
            for name, line in self._lines.items()
            if line.buffer(reach).covers(shape)
        }
        return min(near, key=lambda name: near[name], default=None)

    def _carriers(self, shape: shapely.Geometry, top: float, n: int, named: Sequence[str]) -> tuple[str, ...]:
        """Points that carry what lies at a shape in plan: those named, or the nearest above it."""
        if named:
            return tuple(named)
        distance = {
            name: shape.distance(shapely.Point(point.position[:2]))
            for name, point in self.points.items()
            if point.position[2] >= top - 0.01
        }
        near = sorted((metres, name) for name, metres in distance.items() if metres <= REACH)
        return tuple(name for _, name in near[:n])

    def _on_trusses(
        self,
        named: Collection[str],
        shares: dict[str, float],
        mass: float | None,
        n: int,
        shape: shapely.Geometry,
    ) -> dict[str, float | None]:
        """kg on trusses: of named points by their shares, of the others where the shape says."""
        found: dict[str, float | None] = {}

        def add(truss: str | None, share: float) -> None:
            if truss is not None and share > 0.0:
                found[truss] = None if mass is None else (found.get(truss) or 0.0) + share * mass

        for name in named:
            add(self.truss_of[name], shares[name])
        if n > len(named):
            add(self._nearest_truss(shape, REACH), (n - len(named)) / n)
        return found

    def _source_load(self, source: Source | Hang | SubStack) -> Load:
        what, mass, n, centre, top = self._described(source)
        if mass is None and source.name in self.weighed_with:
            what, mass = f"weighed with {self.weighed_with[source.name]!r}", 0.0
        place = shapely.Point(centre[:2])
        named = self._carriers(place, top, n, source.hang_from)
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
            trusses=self._on_trusses(
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

    def _cloth_load(self, element: Element) -> Load | None:
        n, mass = element.roof_points, element.weight or None
        if not n and not element.point_load:
            return None
        shape, top = _in_plan(element)
        named = self._carriers(shape, top, n, element.hang_from) if n else ()
        even = mass / n if mass is not None and n else 0.0
        one = max(element.point_load, even) or None
        # Without a weight the sum is not above that of as many points as there are, each at its heaviest.
        whole = mass if mass is not None else (element.point_load * n or None)
        return Load(
            name=element.name,
            what=element.description,
            mass=mass,
            points=n,
            named=dict.fromkeys(named, one),
            is_assumed=bool(named) and not element.hang_from,
            unnamed=n - len(named),
            on_unnamed=one if len(named) < max(n, 1) else None,
            trusses=self._on_trusses(named, dict.fromkeys(named, 1.0 / max(n, 1)), whole, n, shape),
        )

    def _change_load(self, change: SystemChange) -> Load | None:
        """What a system change hangs besides the boxes that it switches on: it states weight and points of
        both together."""
        if not change.roof_points and not change.weight and not change.point_load:
            return None
        boxes = [self.sources[name] for name in change.switch_on if name in self.sources]
        known = sum(load.mass or 0.0 for load in boxes)
        rest = max(change.weight - known, 0.0)
        others = max(change.roof_points - sum(load.points for load in boxes), 0)
        points = others + sum(load.points for load in boxes)
        named = change.hang_from or tuple(dict.fromkeys(name for load in boxes for name in load.named))
        boxes_on = {name: sum(load.named.get(name) or 0.0 for load in boxes) for name in named}
        share, even = (weight / max(points, 1) for weight in (rest, change.weight))
        trusses: dict[str, float | None] = {}
        # What is not the boxes' is on their trusses as they are, or on those of the points that are named.
        parts = [(truss, share) for name in change.hang_from if (truss := self.truss_of[name]) is not None]
        if not change.hang_from:
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
            name=change.name,
            what=f"{change.description}; beyond its boxes".strip("; ") if known else change.description,
            mass=rest,
            points=others,
            named={name: max(share, change.point_load - boxes_on[name]) for name in named},
            is_assumed=not change.hang_from and any(load.is_assumed for load in boxes),
            unnamed=max(others - len(change.hang_from), 0),
            on_unnamed=(max(change.point_load, even) or None) if len(named) < max(points, 1) else None,
            trusses=trusses,
        )


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


def _in_plan(element: Element) -> tuple[shapely.Geometry, float]:
    """Where an element lies in plan, and the height of its top, m."""
    if isinstance(element, Drape):
        return shapely.MultiLineString([list(run) for run in element.runs]), element.top
    if isinstance(element, Banner):
        drop = 0.5 * element.size[1] if element.orientation == "upright" else 0.0
        centres = np.array(element.centres)
        return shapely.MultiPoint(centres[:, :2]), float(centres[:, 2].max()) + drop
    if isinstance(element, CeilingDrape):
        return shapely.Polygon(element.polygon), element.height
    return shapely.Point(), 0.0
