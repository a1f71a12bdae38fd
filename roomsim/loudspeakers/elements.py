"""The boxes of a system as arrays: their positions and the radiation of each at each frequency line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..bands import EXACT, LINES_PER_BAND, N_BANDS, band_lines
from ..errors import DocumentError
from ..venue.loudspeakers import Directivity, Loudspeaker
from .filters import linkwitz_riley
from .layout import Layout
from .patterns import pattern

N_ZENITH, N_AROUND = 181, 180
"""Grid of a box's pattern: 1 degree in elevation, as fine as the slot of a line element requires at 10
kHz, and 2 degrees in azimuth."""


SHARED_LINES = EXACT[1]
"""Hz; octaves up to this one have `LINES_PER_BAND` lines for every system, since their pressures add up with those of
other sources, line by line."""
_LINES_AT_ONCE = N_BANDS * LINES_PER_BAND
"""Of a pattern, 50 MB in double precision."""
FEW_TURNS = 4.0
"""Turns over an octave up to which `LINES_PER_BAND` lines are enough."""
MOST_LINES = 300
"""In an octave: enough for 12 m at 8 kHz. Boxes farther apart, or later, are echoes of each other rather than one
system: their interference is then accurate to about 1 / sqrt(300) of the sum of their energies."""
FAINT = 1e-5
"""Energy of an octave relative to the strongest below which it has only `LINES_PER_BAND` lines: the high frequencies
of subs."""


@dataclass(frozen=True)
class ElementArrays:
    """The boxes of one system, all of one kind.

    The pressure at a point, re 20 uPa, is the sum over boxes of response x table / r x exp(-j k r); its
    square, averaged over the lines of an octave, is the octave's energy.
    """

    position: np.ndarray
    """(n_elements, 3) float64, m, acoustic centres."""
    frames: np.ndarray
    """(n_elements, 3, 3) float64, rows up, ahead, left."""
    response: np.ndarray
    """(n_elements, n_lines) complex128, pressure at 1 m on axis re 20 uPa, without the phase of that
    metre: level, gain, polarity, filters and delay. Time dependence exp(+j w t)."""
    table: np.ndarray
    """(n_zenith, n_azimuth, n_lines) complex64, pressure re the axis. Angle 0 to 180 degrees from up,
    both ends included; azimuth from ahead towards left, equal steps, 360 excluded: a balloon whose polar
    axis is up."""
    frequency: np.ndarray
    """(n_lines,) float64, Hz, octave by octave."""
    per_band: np.ndarray
    """(n_bands,) int, lines in each octave."""


def lines_of(layout: Layout, speed_of_sound: float, mid_bands: np.ndarray = EXACT) -> np.ndarray:
    """Number of frequency lines that a system needs in each octave.

    The square of the sum over boxes holds a term cos(2 pi f t) for every pair, t the difference of their arrivals.
    Nowhere is t larger than T, the largest distance between two boxes over the speed of sound and the difference of
    their delays. From one line to the next, evenly spaced in the logarithm, this phase turns by 0.3 ln(10) f t / N.
    The mean over N lines equals the mean over the octave, except for its ends, as long as this is less than one turn;
    with a turn or more between lines a cosine would appear constant. So N must exceed the number of turns at the upper
    edge, 0.3 ln(10) f2 T, and `LINES_PER_BAND` more limit the error at the ends: the octave is then within 0.1 dB of
    the sum over 2000 lines, near and far, on axis and between lobes (tested on hangs of 12 to 24 boxes).

    Returns
    -------
    (n_bands,) int, multiples of `LINES_PER_BAND`, `MOST_LINES` at most
    """
    mid_bands = np.asarray(mid_bands, dtype=float)
    is_active = layout.gain != 0.0
    position, delay = layout.position[is_active], layout.delay[is_active]
    apart = np.linalg.norm(position[:, None] - position, axis=2) / speed_of_sound
    largest = (apart + np.abs(delay[:, None] - delay)).max(initial=0.0)
    turns = 0.3 * np.log(10.0) * mid_bands * 10.0**0.15 * largest
    more = np.where(turns > FEW_TURNS, np.ceil(turns / LINES_PER_BAND), 0.0)
    energy = band_energy(_responses(layout, band_lines(mid_bands))).max(axis=0)
    more[(mid_bands <= SHARED_LINES * 1.01) | (energy < FAINT * energy.max())] = 0.0
    return np.minimum(LINES_PER_BAND * (1 + more), MOST_LINES).astype(int)


def element_arrays(
    layout: Layout,
    speed_of_sound: float,
    folder: Path,
    mid_bands: np.ndarray = EXACT,
    table: np.ndarray | None = None,
    per_band: np.ndarray | None = None,
) -> ElementArrays:
    """A system on the frequency lines of some octaves.

    Parameters
    ----------
    folder : to which the names of directivity files are relative
    mid_bands : (n,) float, Hz, exact mid-bands of octaves from 31.5 Hz to 8 kHz
    table : the pattern of this box on these lines, if already computed
    per_band : (n,) int, lines in each octave; from `lines_of` by default

    Raises
    ------
    DocumentError : a directivity file that cannot be used, or no level at 31.5 Hz where that octave is included
    """
    if per_band is None:
        per_band = lines_of(layout, speed_of_sound, mid_bands)
    frequency = band_lines(mid_bands, per_band)
    if table is None:
        table = pattern_table(layout.loudspeaker.directivity, speed_of_sound, folder, frequency)
    return ElementArrays(
        layout.position, layout.frames, _responses(layout, frequency), table, frequency, per_band
    )


def _responses(layout: Layout, frequency: np.ndarray) -> np.ndarray:
    """`ElementArrays.response` on lines (n_lines,), Hz."""
    response = np.repeat(_line_pressure(layout, frequency)[None], layout.n_boxes, axis=0).astype(complex)
    response *= layout.gain[:, None] * np.exp(-2j * np.pi * frequency * layout.delay[:, None])
    for i, filters in enumerate(layout.filters):
        for side, crossover in filters:
            response[i] *= linkwitz_riley(frequency, crossover.frequency, crossover.order, side)
    return response


def pattern_table(
    directivity: Directivity, speed_of_sound: float, folder: Path, frequency: np.ndarray
) -> np.ndarray:
    """The pattern of a box, as in `ElementArrays.table`, on lines (n_lines,), Hz."""
    zenith = np.linspace(0.0, np.pi, N_ZENITH)[:, None]
    azimuth = 2.0 * np.pi * np.arange(N_AROUND) / N_AROUND
    directions = np.stack(
        [
            np.sin(zenith) * np.cos(azimuth),
            np.sin(zenith) * np.sin(azimuth),
            np.broadcast_to(np.cos(zenith), (N_ZENITH, N_AROUND)),
        ],
        axis=-1,
    )
    table = np.empty((N_ZENITH, N_AROUND, len(frequency)), np.complex64)
    for start in range(0, len(frequency), _LINES_AT_ONCE):
        lines = slice(start, start + _LINES_AT_ONCE)
        pressure = pattern(directivity, directions.reshape(-1, 3), frequency[lines], speed_of_sound, folder)
        table[..., lines] = pressure.reshape(N_ZENITH, N_AROUND, -1)
    # Straight up and straight down are a single direction each.
    table[[0, -1]] = table[[0, -1]].mean(axis=1, keepdims=True)
    return table


def _line_pressure(layout: Layout, frequency: np.ndarray) -> np.ndarray:
    """(n_lines,) pressure of a box at 1 m re 20 uPa, such that the mean square over an octave is its
    energy."""
    box: Loudspeaker = layout.loudspeaker
    level = np.array(box.level, dtype=float)
    # Lines lie within their octave, never on its edge.
    place = np.log10(frequency / EXACT[0]) / 0.3 + 0.5
    octave = np.floor(place).astype(int)
    if len(level) == N_BANDS:
        energy = 10.0 ** (level[np.maximum(octave, 0)] / 10.0)
    else:
        third = np.floor(place * 3.0 + 1e-9).astype(int)
        # An octave's energy is the sum of its thirds and the mean over its lines.
        energy = 3.0 * 10.0 ** (level[np.maximum(third, 0)] / 10.0)
    if (octave < 0).any():
        if box.level_at_31 is None:
            raise DocumentError(
                f"the box of {layout.name!r} has no level_at_31, which is required for the 31.5 Hz octave"
            )
        energy = np.where(octave < 0, 10.0 ** (box.level_at_31 / 10.0), energy)
    return np.sqrt(energy)


def band_energy(pressure: np.ndarray, per_band: np.ndarray | None = None) -> np.ndarray:
    """Energy per octave of complex pressures on lines: (..., n_lines) -> (..., n_bands), (re 20 uPa)^2.

    Parameters
    ----------
    per_band : (n_bands,) int, lines in each octave; `LINES_PER_BAND` by default
    """
    lines = np.square(pressure.real) + np.square(pressure.imag)
    if per_band is None:
        return lines.reshape(*lines.shape[:-1], -1, LINES_PER_BAND).mean(axis=-1)
    return np.add.reduceat(lines, np.cumsum(per_band) - per_band, axis=-1) / per_band
