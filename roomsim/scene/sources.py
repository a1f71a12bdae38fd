"""Sources as the engine needs them: position, axes, and directivity on a grid over the sphere."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from ..bands import N_BANDS
from ..errors import SceneError
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
from ..venue.loudspeakers import CosinePower, Directivity, TabulatedPolar
from .scene import SourceArrays


def compile_sources(study: Study, n_scenarios: int) -> SourceArrays:
    """All sources of a study, on in every scenario.

    Raises
    ------
    SceneError
        A source that aims at itself.
    DocumentError
        A directivity file that cannot be used.
    """
    sources = study.sources.source
    return SourceArrays(
        names=tuple(source.name for source in sources),
        position=np.array([source.position for source in sources], float),
        axes=np.array([source_axes(source) for source in sources]),
        balloon=np.array([balloon(source.directivity, study.sources_folder) for source in sources]),
        level=np.array([source.level for source in sources], float),
        delay=np.array([source.delay for source in sources]) / 1000.0,
        active=np.ones((len(sources), n_scenarios)),
    )


def source_axes(source: Source) -> np.ndarray:
    """(3, 3) rows axis, left, up.

    Raises
    ------
    SceneError
        `aim_at` is where the source is.
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


def balloon(directivity: Directivity, folder: Path) -> np.ndarray:
    """(n_polar, n_azimuth, 8) squared pressure re the axis, as `SourceArrays.balloon` has it.

    `folder` is where the names of directivity files start from.

    Raises
    ------
    DocumentError
        A directivity file that cannot be used.
    """
    if isinstance(directivity, CosinePower):
        coverage = np.array(directivity.coverage)
        return axisymmetric_balloon(cosine_power(polar_angles(), coverage, directivity.rear_level))
    if isinstance(directivity, TabulatedPolar):
        table = read_polar_file(folder / directivity.file)
        if isinstance(table, SphereLevels):
            return _from_sphere(table)
        horizontal = _both_ways(table.horizontal_angle, table.horizontal)
        vertical = _both_ways(table.vertical_angle, table.vertical)
        return balloon_from_polars(*horizontal, *vertical)
    return np.ones((N_POLAR, N_AZIMUTH, N_BANDS))


def _both_ways(angle: np.ndarray, level: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A polar from 0 to 360 degrees as one from -180 to 180 with both ends."""
    at = RegularGridInterpolator((np.append(angle, 360.0),), np.concatenate([level, level[:1]]))
    turned = np.unique(np.concatenate([np.where(angle > 180.0, angle - 360.0, angle), [-180.0, 180.0]]))
    return turned, at(turned % 360.0)


def _from_sphere(table: SphereLevels) -> np.ndarray:
    """Levels in dB interpolated between the directions of the table."""
    polar, azimuth = np.meshgrid(np.radians(polar_angles()), np.radians(azimuths()), indexing="ij")
    ahead, left, up = np.cos(polar), np.sin(polar) * np.cos(azimuth), np.sin(polar) * np.sin(azimuth)
    round_about = np.degrees(np.arctan2(left, ahead)) % 360.0
    elevation = np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
    wrapped = np.concatenate([table.level, table.level[:, :1]], axis=1)
    at = RegularGridInterpolator((table.elevation, np.append(table.azimuth, 360.0)), wrapped)
    return 10.0 ** (at(np.stack([elevation, round_about], axis=-1)) / 10.0)
