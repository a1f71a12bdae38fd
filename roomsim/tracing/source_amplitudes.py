"""Amplitude of a source along a path, near or far: from its balloon, or as the complex sum of its boxes."""

from __future__ import annotations

import numpy as np

from ..bands import EXACT, LINES_PER_BAND, band_lines
from ..loudspeakers.elements import band_energy
from ..loudspeakers.field import pressure_at
from ..scene.scene import SourceArrays
from .emission import directivity_towards

COHERENT_BANDS = 2
"""Octaves from 63 Hz up in which sources with one signal, and their reflections, add up in phase: 63 and
125 Hz. The wavelengths are 2 m and more, larger than the differences in position of seats and heads and the
irregularities of the air. At higher frequencies the interference within an octave averages out between neighbouring
seats (common practice, no source)."""


def source_amplitudes(
    sources: SourceArrays, source: int, directions: np.ndarray, length: np.ndarray, speed_of_sound: float
) -> tuple[np.ndarray, np.ndarray | None]:
    """Emission of paths, evaluated at the image of the receiver.

    The receiver's image lies `length` from the source in the direction in which the path leaves: the free field of the
    source there is the contribution of the path, including the near field of a hang.

    Parameters
    ----------
    directions : (n_paths, 3) float, unit vectors in which the paths leave
    length : (n_paths,) float, m

    Returns
    -------
    emission : (n_paths, 8) float64
        Squared pressure re `SourceArrays.level`, times the squared length.
    pressure : (n_paths, COHERENT_BANDS * LINES_PER_BAND) complex128, or None
        The same as complex pressure on the lines of the coherent bands, with the phase of distance and
        delay; None for a source that is not coherent with any other.
    """
    elements = sources.elements.get(source)
    is_coherent = any(source in group for group in sources.coherent)
    n_lines = COHERENT_BANDS * LINES_PER_BAND
    if elements is None:
        emission = directivity_towards(sources, source, directions)
        if not is_coherent:
            return emission, None
        frequency = band_lines(EXACT[:COHERENT_BANDS])
        time = length / speed_of_sound + sources.delay[source]
        magnitude = np.sqrt(np.repeat(emission[:, :COHERENT_BANDS], LINES_PER_BAND, axis=1))
        return emission, magnitude * np.exp(-2j * np.pi * frequency * time[:, None])
    ends = sources.position[source] + directions * length[:, None]
    pressure = pressure_at(elements, ends, speed_of_sound) * length[:, None]
    emission = band_energy(pressure, elements.per_band) / 10.0 ** (sources.level[source] / 10.0)
    if not is_coherent:
        return emission, None
    unit = np.repeat(10.0 ** (sources.level[source, :COHERENT_BANDS] / 20.0), LINES_PER_BAND)
    return emission, pressure[:, :n_lines] / unit
