"""The headroom of the boxes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..loudspeakers.elements import band_energy
from ..physics.levels import level, level_sum
from ..scene.scene import Scene
from ..venue.document import Source, Study
from .direct_sound import box_of, described_sources


@dataclass(frozen=True)
class Headroom:
    """The amount by which the level of a source can be raised until a box reaches its limit."""

    name: str
    level: float
    """dB at 1 m, all bands together, of the box with the highest level, during the programme."""
    peak: float
    """dB at 1 m, with the crest factor of the programme."""
    limit: float | None
    """dB, peak, of the box; None where it is not stated."""

    @property
    def headroom(self) -> float | None:
        """dB; None where the limit is not stated."""
        return None if self.limit is None else self.limit - self.peak


def headroom_of(study: Study, scene: Scene, on: np.ndarray) -> list[Headroom]:
    """The headroom of each programme source that is on."""
    sources = []
    described = described_sources(study, scene)
    for i in np.flatnonzero(on).tolist():
        source = described[i]
        if isinstance(source, Source):
            at_1_m = float(level_sum(source.level))
        else:
            elements = scene.sources.elements[i]
            at_1_m = float(level(band_energy(elements.response, elements.per_band).sum(axis=1).max()))
        peak = at_1_m + study.sources.crest_factor
        sources.append(Headroom(source.name, at_1_m, peak, box_of(study, source).maximum_level))
    return sources
