"""Compilation of sources: position, axes, directivity on a grid over the sphere, and scenarios in which they play."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from ..bands import N_BANDS, band_lines
from ..errors import SceneError
from ..loudspeakers.elements import ElementArrays, band_energy, element_arrays, lines_of, pattern_table
from ..loudspeakers.field import far_balloon, floor_gain, sphere_directions
from ..loudspeakers.layout import ANY_SPEED, Layout, layout_of
from ..loudspeakers.patterns import pattern, sphere_levels
from ..physics.radiation import (
    N_AZIMUTH,
    N_POLAR,
    axisymmetric_balloon,
    azimuths,
    balloon_from_polars,
    cosine_power,
    frame,
    frame_towards,
    polar_angles,
)
from ..venue.directivity import SphereLevels, read_polar_file
from ..venue.document import Source, Study
from ..venue.loudspeakers import CosinePower, Directivity, Omnidirectional, TabulatedPolar
from ..venue.switching import playing
from .scene import SourceArrays

N_POLAR_SYSTEMS = 181
"""Steps of 1 degree in elevation: the power of a hang 2 m long is then right to 0.01 dB at 8 kHz."""


@dataclass(frozen=True)
class _Entry:
    """A row of `SourceArrays`."""

    name: str
    position: np.ndarray
    axes: np.ndarray
    balloon: np.ndarray
    level: np.ndarray
    delay: float
    signal: str | None
    elements: ElementArrays | None


def compile_sources(
    study: Study, element_sets: Sequence[Iterable[str]], speed_of_sound: float
) -> SourceArrays:
    """The sources of a study that play in at least one scenario.

    Parameters
    ----------
    element_sets : (n_scenarios,)
        Names of the elements of each scenario.
    speed_of_sound : float, m/s

    Raises
    ------
    SceneError
        A source that aims at itself.
    DocumentError
        A directivity file that is unusable.
    """
    on = [set(playing(study.sources, study.elements, elements)) for elements in element_sets]
    ever = set().union(*on)
    chosen = [source for source in study.sources.all() if source.name in ever]
    has_systems = any(not isinstance(source, Source) for source in chosen)
    n_polar = N_POLAR_SYSTEMS if has_systems else N_POLAR
    tables: dict[tuple[Directivity, tuple[int, ...]], np.ndarray] = {}
    entries = [
        _simple(source, study, speed_of_sound, n_polar)
        if isinstance(source, Source)
        else _system(
            layout_of(source, study.sources.loudspeaker, speed_of_sound), study, speed_of_sound, tables
        )
        for source in chosen
    ]
    active, noise_active = when_active(study, [entry.name for entry in entries], element_sets)
    signals = dict.fromkeys(entry.signal for entry in entries if entry.signal is not None)
    return SourceArrays(
        names=tuple(entry.name for entry in entries),
        **{
            key: np.array([getattr(entry, key) for entry in entries])
            for key in ("position", "axes", "balloon", "level", "delay")
        },
        active=active,
        elements={i: entry.elements for i, entry in enumerate(entries) if entry.elements is not None},
        coherent=tuple(
            tuple(i for i, entry in enumerate(entries) if entry.signal == signal) for signal in signals
        ),
        noise_active=noise_active,
    )


def when_active(
    study: Study, names: Sequence[str], element_sets: Sequence[Iterable[str]]
) -> tuple[np.ndarray, np.ndarray | None]:
    """`SourceArrays.active` and `noise_active` of the sources with these names.

    Parameters
    ----------
    element_sets : (n_scenarios,)
        Names of the elements of each scenario.
    """
    on = [set(playing(study.sources, study.elements, elements)) for elements in element_sets]
    active = np.array([[float(name in chosen) for chosen in on] for name in names]).reshape(len(names), len(on))
    is_noise = np.isin(names, [source.name for source in study.sources.source if source.role == "noise"])
    if not is_noise.any():
        return active, None
    return np.where(is_noise[:, None], 0.0, active), np.where(is_noise[:, None], active, 0.0)


def source_places(study: Study) -> list[tuple[str, np.ndarray]]:
    """Name and positions (n, 3), m, of every source: of hangs and stacks those of all boxes."""
    return [
        (source.name, np.array([source.position], float))
        if isinstance(source, Source)
        else (source.name, layout_of(source, study.sources.loudspeaker, ANY_SPEED).position)
        for source in study.sources.all()
    ]


def _simple(source: Source, study: Study, speed_of_sound: float, n_polar: int) -> _Entry:
    return _Entry(
        name=source.name,
        position=np.array(source.position, float),
        axes=source_axes(source),
        balloon=balloon(source.directivity, study.sources_folder, speed_of_sound, n_polar),
        level=np.array(source.level, float),
        delay=source.delay / 1000.0,
        signal=source.signal,
        elements=None,
    )


def _system(
    layout: Layout, study: Study, speed_of_sound: float, tables: dict[tuple[Directivity, tuple[int, ...]], np.ndarray]
) -> _Entry:
    folder, kind = study.sources_folder, layout.loudspeaker.directivity
    per_band = lines_of(layout, speed_of_sound)
    box_on_lines = (kind, tuple(per_band.tolist()))
    if box_on_lines not in tables:
        tables[box_on_lines] = pattern_table(kind, speed_of_sound, folder, band_lines(per_band=per_band))
    elements = element_arrays(layout, speed_of_sound, folder, table=tables[box_on_lines], per_band=per_band)
    energy = far_balloon(elements, layout.frame, speed_of_sound, N_POLAR_SYSTEMS, N_AZIMUTH)
    loudest = np.maximum(energy.max(axis=(0, 1)), 1e-30)
    power = np.ones(N_BANDS) if layout.floor is None else floor_gain(elements, layout.floor, speed_of_sound)
    # Delay of the first sound ahead, of the boxes that contribute to it.
    ahead_by = (layout.position - layout.reference) @ layout.frame[1]
    contributes = np.abs(layout.gain) > 0.1 * np.abs(layout.gain).max()
    return _Entry(
        name=layout.name,
        position=layout.reference,
        axes=layout.frame,
        balloon=energy / loudest * power,
        level=10.0 * np.log10(loudest),
        delay=float((layout.delay - ahead_by / speed_of_sound)[contributes].min()),
        signal=layout.signal,
        elements=elements,
    )


def source_axes(source: Source) -> np.ndarray:
    """(3, 3) rows axis, left, up.

    Raises
    ------
    SceneError
        `aim_at` is the position of the source.
    """
    if source.aim_at is None:
        return frame(*source.aim)
    if np.linalg.norm(np.subtract(source.aim_at, source.position)) < 1e-6:
        raise SceneError(
            "The source aims at its own position.",
            place=f"source {source.name!r}, aim_at",
            cure="Give a point in front of it, or azimuth and elevation under aim.",
        )
    return frame_towards(source.position, source.aim_at)


def balloon(
    directivity: Directivity, folder: Path, speed_of_sound: float = 343.2, n_polar: int = N_POLAR
) -> np.ndarray:
    """(n_polar, n_azimuth, 8) squared pressure re the axis, in the form of `SourceArrays.balloon`.

    The names of directivity files are relative to `folder`.

    Raises
    ------
    DocumentError
        A directivity file that is unusable.
    """
    if isinstance(directivity, CosinePower):
        coverage = np.array(directivity.coverage)
        return axisymmetric_balloon(cosine_power(polar_angles(n_polar), coverage, directivity.rear_level))
    if isinstance(directivity, TabulatedPolar):
        table = read_polar_file(folder / directivity.file)
        if isinstance(table, SphereLevels):
            polar, azimuth = np.meshgrid(np.radians(polar_angles(n_polar)), np.radians(azimuths()), indexing="ij")
            aside = np.sin(polar)
            directions = np.stack([np.cos(polar), aside * np.cos(azimuth), aside * np.sin(azimuth)], axis=-1)
            return 10.0 ** (sphere_levels(table, directions) / 10.0)
        horizontal = _both_ways(table.horizontal_angle, table.horizontal)
        vertical = _both_ways(table.vertical_angle, table.vertical)
        return balloon_from_polars(*horizontal, *vertical, n_polar=n_polar)
    if isinstance(directivity, Omnidirectional):
        return np.ones((n_polar, N_AZIMUTH, N_BANDS))
    # The rows axis, left, up are ahead, left, up for `pattern`.
    directions = sphere_directions(n_polar, N_AZIMUTH, np.eye(3))
    pressure = pattern(directivity, directions.reshape(-1, 3), band_lines(), speed_of_sound, folder)
    return band_energy(pressure).reshape(n_polar, N_AZIMUTH, N_BANDS)


def _both_ways(angle: np.ndarray, level: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A polar from 0 to 360 degrees as one from -180 to 180 with both ends."""
    at = RegularGridInterpolator((np.append(angle, 360.0),), np.concatenate([level, level[:1]]))
    turned = np.unique(np.concatenate([np.where(angle > 180.0, angle - 360.0, angle), [-180.0, 180.0]]))
    return turned, at(turned % 360.0)
