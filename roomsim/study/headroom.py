"""How far the boxes are from their limits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..physics.levels import level
from ..scene.scene import Scene
from ..system.elements import band_energy
from ..venue.document import Source, Study
from ..venue.loudspeakers import find_loudspeaker


@dataclass(frozen=True)
class Headroom:
    """How much louder a source may get before a box reaches its limit."""

    name: str
    level: float
    """dB at 1 m, all bands together, of the box driven hardest, with the programme running."""
    peak: float
    """dB at 1 m, with the programme's crest factor."""
    limit: float | None
    """dB, peak, what the box can do; None where nobody says."""

    @property
    def headroom(self) -> float | None:
        """dB left."""
        return None if self.limit is None else self.limit - self.peak


def headroom_of(study: Study, scene: Scene, on: np.ndarray) -> list[Headroom]:
    """Of each programme source that is on."""
    found = []
    described = {source.name: source for source in study.sources.all()}
    for i in np.flatnonzero(on).tolist():
        source = described[scene.sources.names[i]]
        if isinstance(source, Source):
            at_1_m = float(level((10.0 ** (np.array(source.level) / 10.0)).sum()))
            limit = source.maximum_level
        else:
            elements = scene.sources.elements[i]
            each = band_energy(elements.response, elements.per_band).sum(axis=1)
            at_1_m = float(level(each.max()))
            limit = find_loudspeaker(study.sources.loudspeaker, source.loudspeaker).maximum_level
        found.append(Headroom(source.name, at_1_m, at_1_m + study.sources.crest_factor, limit))
    return found
