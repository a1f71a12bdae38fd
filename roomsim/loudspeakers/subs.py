"""Bass: coherent level maps with floor and walls, rejection behind, and what tuning a gradient stack gains.

Below about 40 Hz rays mean little even in large halls; the direct field of the subs with its nearest images,
summed as complex pressure, is then the honest figure, and it is what these maps show: no reverberation, all
surfaces rigid, nothing in the way.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np

from ..bands import EXACT
from ..errors import PhysicalRangeError
from ..venue.loudspeakers import Loudspeaker
from ..venue.systems import GradientPair, Stack, SubStack
from .elements import ElementArrays, band_energy, element_arrays
from .field import pressure_at, pressure_towards
from .layout import layout_of

LOW_BANDS = np.array([EXACT[0] * 10.0**-0.3, EXACT[0], EXACT[1]])
"""(3,) Hz, exact mid-bands of the octaves 31.5, 63 and 125 Hz."""
REAR_SECTOR = 30.0
"""Degrees to either side of straight back over which the rejection is taken."""
_SQUARE = 0.01


def level_map(
    systems: Sequence[ElementArrays],
    points: np.ndarray,
    speed_of_sound: float,
    planes: np.ndarray | None = None,
) -> np.ndarray:
    """Level at points from systems that carry one signal, all in phase as it falls out.

    A rigid plane adds the field of the mirrored systems, which is the systems' own field at the mirrored
    point. Planes that meet at right angles add their common images too, as in a corner; images in planes
    at other angles, or opposite each other, stop at the first reflection.

    Parameters
    ----------
    systems : all on the same lines of frequency
    points : (n, 3) float, m, on the same side of every plane as the systems
    planes : (n_planes, 4) float, unit normal and offset, n . x + d = 0: the floor, walls near the stacks

    Returns
    -------
    (n, n_bands) float64, dB re 20 uPa; -inf where everything cancels
    """
    places = [points, *(_mirrored(points, chain) for chain in _image_chains(planes))]
    total = sum(pressure_at(system, place, speed_of_sound) for place in places for system in systems)
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(band_energy(np.asarray(total), systems[0].per_band))


def _image_chains(planes: np.ndarray | None) -> list[tuple[np.ndarray, ...]]:
    given = [] if planes is None else list(np.atleast_2d(np.asarray(planes, dtype=float)))
    chains = [chain for n in (1, 2, 3) for chain in combinations(given, n)]
    return [
        chain
        for chain in chains
        if all(abs(one[:3] @ other[:3]) < _SQUARE for one, other in combinations(chain, 2))
    ]


def _mirrored(points: np.ndarray, chain: tuple[np.ndarray, ...]) -> np.ndarray:
    for plane in chain:
        points = points - 2.0 * (points @ plane[:3] + plane[3])[:, None] * plane[:3]
    return points


def front_to_back(elements: ElementArrays, azimuth: float, speed_of_sound: float) -> np.ndarray:
    """Rear rejection: level straight ahead over the mean energy behind, far away and level with the stack.

    Behind is `REAR_SECTOR` to either side of straight back. A rigid floor under the stack changes both
    alike. In a room the rejection ends where the reverberant sound begins.

    Parameters
    ----------
    azimuth : float, degrees, where the stack looks

    Returns
    -------
    (n_bands,) float64, dB
    """
    around = _around(elements, azimuth, elements.position.mean(axis=0), speed_of_sound)
    return _rejection(around, elements.per_band)


def _around(
    elements: ElementArrays, azimuth: float, reference: np.ndarray, speed_of_sound: float
) -> np.ndarray:
    """(1 + n, n_lines) complex pressure far ahead, and over the rear sector."""
    behind = 180.0 + np.linspace(-REAR_SECTOR, REAR_SECTOR, 25)
    angle = np.radians(azimuth + np.concatenate([[0.0], behind]))
    directions = np.stack([np.cos(angle), np.sin(angle), np.zeros(len(angle))], axis=1)
    return pressure_towards(elements, directions, reference, speed_of_sound)


def _rejection(around: np.ndarray, per_band: np.ndarray | None) -> np.ndarray:
    energy = band_energy(around, per_band)
    floor = 1e-20 * energy.max()
    return 10.0 * np.log10(np.maximum(energy[0], floor) / np.maximum(energy[1:].mean(axis=0), floor))


@dataclass(frozen=True)
class Tuning:
    """The best drive found for the reversed or rear boxes."""

    gain: float
    """dB re the other boxes."""
    delay: float
    """ms after the other boxes."""
    rejection: np.ndarray
    """(n_bands,) dB, with this drive."""
    off_by_1_db: np.ndarray
    """(n_bands,) dB, the same where the boxes' gains are wrong by 1 dB to the worse side, as boxes do
    differ."""
    front_loss: np.ndarray
    """(n_bands,) dB by which the front is below all boxes in phase and at equal gain."""


def tune_gradient(
    stack: SubStack,
    own: Mapping[str, Loudspeaker],
    speed_of_sound: float,
    folder: Path,
    mid_bands: np.ndarray = LOW_BANDS[1:],
    largest_front_loss: float = 6.0,
) -> Tuning:
    """The gain and delay of the reversed boxes that reject most behind, in the worst of the bands.

    A search over all gains from -12 to 12 dB in steps of 0.5 and all delays to 15 ms in steps of 0.1.

    Parameters
    ----------
    own : the user's boxes
    folder : where the names of directivity files start from
    largest_front_loss : dB, in any of the bands

    Raises
    ------
    PhysicalRangeError : a stack without reversed or rear boxes, or none with so small a loss
    """
    arranged = stack.arrangement
    if isinstance(arranged, Stack):
        turned = np.isin(np.arange(arranged.count), np.array(arranged.reversed, dtype=int) - 1)
    else:
        turned = (
            np.array([True, False]) if isinstance(arranged, GradientPair) else np.zeros(stack.n_boxes(), bool)
        )
    if not turned.any() or turned.all():
        raise PhysicalRangeError(
            f"{stack.name!r} has no boxes that work against the others",
            cure="Reverse one, or use a gradient pair.",
        )
    layout = layout_of(stack, own, speed_of_sound)
    elements = element_arrays(layout, speed_of_sound, folder, mid_bands)
    # Taken back: what the arrangement itself does to the reversed boxes.
    first = layout.gain[turned][0] * np.exp(-2j * np.pi * elements.frequency * layout.delay[turned][0])
    parts = [_part(elements, chosen, stack.azimuth, speed_of_sound) for chosen in (~turned, turned)]
    against = -parts[1] / first
    most = np.abs(parts[0][0]) + np.abs(against[0])
    delays = np.arange(0.0, 15.05, 0.1)
    turns = np.exp(-2j * np.pi * elements.frequency * delays[:, None] / 1000.0)
    best: Tuning | None = None
    for gain in np.arange(-12.0, 12.25, 0.5):
        factor = 10.0 ** (gain / 20.0)
        both = parts[0] + factor * against * turns[:, None]
        for i, around in enumerate(both):
            ahead = band_energy(around[:1], elements.per_band)[0]
            loss = 10.0 * np.log10(band_energy(most[None], elements.per_band)[0] / np.maximum(ahead, 1e-30))
            found = _rejection(around, elements.per_band)
            if loss.max() <= largest_front_loss and (best is None or found.min() > best.rejection.min()):
                off = [
                    _rejection(parts[0] + factor * error * against * turns[i], elements.per_band)
                    for error in (10**0.05, 10**-0.05)
                ]
                best = Tuning(float(gain), float(delays[i]), found, np.minimum(*off), loss)
    if best is None:
        raise PhysicalRangeError(
            f"no drive of {stack.name!r} loses less than {largest_front_loss:g} dB to the front",
            cure="Allow a larger loss, or use deeper boxes.",
        )
    return best


def _part(elements: ElementArrays, chosen: np.ndarray, azimuth: float, speed_of_sound: float) -> np.ndarray:
    some = ElementArrays(
        elements.position[chosen], elements.frames[chosen], elements.response[chosen], elements.table,
        elements.frequency,
    )  # fmt: skip
    # The phases of the parts refer to one point.
    return _around(some, azimuth, elements.position.mean(axis=0), speed_of_sound)
