"""How sources with one signal add up at low frequencies: direct sound and image sources in phase.

All later stages work with energy over time. The complex sum is therefore expressed as a factor: the energy of the sum
of a group's paths over the sum of their energies. Multiplying the energy of each path by it preserves the energy of the
sum and the arrival times of the paths. The traced, reverberant part adds up in energy.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..bands import LINES_PER_BAND, N_BANDS
from ..scene.scene import Scene
from ._image_paths import add_pressures
from .replay import source_gain
from .source_amplitudes import COHERENT_BANDS

if TYPE_CHECKING:
    from .images import ImagePaths
    from .replay import Selection


def interference(
    scene: Scene, paths: Sequence[ImagePaths], scenarios: Selection, receivers: slice
) -> np.ndarray:
    """Energy of the coherent sum over the sum of energies, source by source.

    Reflections keep their sign: surfaces count as hard, with the root of the reflected share as pressure
    factor.

    Returns
    -------
    (n_sources, n_receivers, n_scenarios, 8) float64; 1 where nothing adds up in phase
    """
    chosen = np.arange(scene.n_scenarios)[scenarios]
    seats = range(scene.receivers.n_receivers)[receivers]
    factor = np.ones((len(scene.sources.names), len(seats), len(chosen), N_BANDS))
    n_scenarios, low = len(chosen), slice(0, COHERENT_BANDS)
    table = np.sqrt(scene.factors[:, :, chosen, low]).reshape(-1, n_scenarios, COHERENT_BANDS)
    air = 0.5 * scene.air_attenuation[low]
    for group in scene.sources.coherent:
        together = np.zeros((len(seats), n_scenarios, COHERENT_BANDS, LINES_PER_BAND), complex)
        sum_of_energies = np.zeros((len(seats), n_scenarios, COHERENT_BANDS))
        for p in paths:
            if p.source in group and p.pressure is not None:
                gain = np.ascontiguousarray(np.sqrt(source_gain(scene.sources, p.source)[chosen, low]))
                add_pressures(
                    p.receiver, p.length, p.pressure, p.events, p.n_events, table, gain, air, seats.start,
                    together, sum_of_energies,
                )  # fmt: skip
        energy_of_sum = (np.abs(together) ** 2).sum(axis=3)
        ratio = np.divide(
            energy_of_sum, sum_of_energies, out=np.ones_like(energy_of_sum), where=sum_of_energies > 0.0
        )
        for source in group:
            factor[source, :, :, low] = ratio
    return factor
