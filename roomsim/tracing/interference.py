"""How sources with one signal add up at low frequencies: direct sound and image sources in phase.

Everything downstream deals in energy over time. So the complex sum is carried as a factor: what the paths
of a group bring together, over the sum of what each brings alone. Each path's energy is multiplied by it,
which keeps the energy of the sum and the times of its parts. The traced, reverberant part adds up in
energy.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..bands import LINES_PER_BAND, N_BANDS
from ..scene.scene import Scene
from .launch import COHERENT_BANDS
from .replay import source_gain

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
    table = np.sqrt(scene.factors[..., :COHERENT_BANDS].transpose(2, 0, 1, 3)).reshape(
        scene.n_scenarios, -1, COHERENT_BANDS
    )
    low = slice(0, COHERENT_BANDS)
    for group in scene.sources.coherent:
        members = [p for p in paths if p.source in group and p.pressure is not None]
        for k, scenario in enumerate(chosen):
            together = np.zeros((len(seats), COHERENT_BANDS * LINES_PER_BAND), complex)
            apart = np.zeros(together.shape)
            for p in members:
                here = (p.receiver >= seats.start) & (p.receiver < seats.stop)
                arriving = _arriving(scene, p, here, table[scenario], scenario)
                at, first = np.unique(p.receiver[here] - seats.start, return_index=True)
                if len(at):
                    # Paths come seat by seat: sums of runs, many times faster than adding path by path.
                    together[at] += np.add.reduceat(arriving, first)
                    apart[at] += np.add.reduceat(np.abs(arriving) ** 2, first)
            shape = (len(seats), COHERENT_BANDS, LINES_PER_BAND)
            sum_of_energies = apart.reshape(shape).sum(axis=2)
            energy_of_sum = (np.abs(together) ** 2).reshape(shape).sum(axis=2)
            ratio = np.divide(
                energy_of_sum, sum_of_energies, out=np.ones_like(energy_of_sum), where=sum_of_energies > 0.0
            )
            for source in group:
                factor[source, :, k, low] = ratio
    return factor


def _arriving(
    scene: Scene, paths: ImagePaths, here: np.ndarray, table: np.ndarray, scenario: int
) -> np.ndarray:
    """(n_paths here, n_lines) complex pressure at the receivers; table (3 * n_patches, COHERENT_BANDS)."""
    assert paths.pressure is not None
    length = paths.length[here]
    gain = np.sqrt(source_gain(scene.sources, paths.source)[scenario, :COHERENT_BANDS])
    factor = gain * np.exp(-0.5 * scene.air_attenuation[:COHERENT_BANDS] * length[:, None]) / length[:, None]
    events, n_events = paths.events[here], paths.n_events[here]
    for i in range(int(n_events.max(initial=0))):
        met = n_events > i
        factor[met] *= table[events[met, i]]
    return paths.pressure[here] * np.repeat(factor, LINES_PER_BAND, axis=1)
