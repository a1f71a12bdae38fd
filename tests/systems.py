"""Boxes, hangs and stacks made directly, for tests of systems that need no files."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from roomsim.bands import LINES_PER_BAND
from roomsim.loudspeakers.elements import N_AROUND, N_ZENITH, ElementArrays, element_arrays
from roomsim.loudspeakers.layout import layout_of
from roomsim.venue.loudspeakers import Loudspeaker
from roomsim.venue.systems import Hang, SubStack

C = 343.2
"""m/s, air of 20 degrees."""


def box(directivity=None, **keys):
    """An omnidirectional box, by default of 90 dB in every band."""
    kind = directivity or {"kind": "omnidirectional"}
    given = {
        "height": 0.5,
        "depth": 0.9,
        "level": (90.0,) * 8,
        "level_at_31": 90.0,
        "source": "invented for tests",
    }
    return Loudspeaker.model_validate({**given, "directivity": kind, **keys})


def hang(**keys):
    given = {"name": "hang", "loudspeaker": "box", "top": (0.0, 0.0, 8.0), "count": 1}
    return Hang.model_validate({**given, **keys})


def stack(arrangement, **keys):
    given = {"name": "stack", "loudspeaker": "box", "position": (0.0, 0.0, 0.0)}
    return SubStack.model_validate({**given, "arrangement": arrangement, **keys})


def arrays(system, loudspeaker=None, **keys):
    own = {"box": loudspeaker or box()}
    return element_arrays(layout_of(system, own, C), C, Path("."), **keys)


def octaves(frequency):
    """Lines in each octave; none where there are fewer than those of an octave."""
    return np.full(len(frequency) // LINES_PER_BAND, LINES_PER_BAND)


def at_frequencies(system, frequencies, loudspeaker=None, speed=C):
    """The boxes of an omnidirectional system at single frequencies, 1 at 1 m each before gain and delay."""
    layout = layout_of(system, {"box": loudspeaker or box()}, speed)
    frequency = np.asarray(frequencies, dtype=float)
    response = layout.gain[:, None] * np.exp(-2j * np.pi * frequency * layout.delay[:, None])
    table = np.ones((N_ZENITH, N_AROUND, len(frequency)), np.complex64)
    return ElementArrays(layout.position, layout.frames, response, table, frequency, octaves(frequency))


def points_as_elements(position, frequencies, amplitude=1.0):
    """Omnidirectional points of equal strength."""
    position = np.atleast_2d(np.asarray(position, dtype=float))
    frequency = np.asarray(frequencies, dtype=float)
    up_ahead_left = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    return ElementArrays(
        position,
        np.tile(up_ahead_left, (len(position), 1, 1)),
        np.full((len(position), len(frequency)), amplitude, complex),
        np.ones((N_ZENITH, N_AROUND, len(frequency)), np.complex64),
        frequency,
        octaves(frequency),
    )
