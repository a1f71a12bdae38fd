"""A vertical section through a hang: the venue, the boxes and their axes, and the level along the audience."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..loudspeakers.elements import band_energy, element_arrays
from ..loudspeakers.field import pressure_at
from ..loudspeakers.layout import Layout, layout_of
from ..scene.receivers import area_outline, within
from ..scene.scene import Scene
from ..scene.topology import cut_by_plane
from ..venue.document import Study
from ..venue.systems import Hang

STEP = 0.25
"""m between points along the audience."""


@dataclass(frozen=True)
class HangSection:
    """The side view, in the vertical plane through a hang's top at its azimuth.

    Points are (distance ahead of the hang's top in plan, height), m.
    """

    lines: np.ndarray
    """(n, 2, 2), the lines at which the plane cuts the surfaces of the venue."""
    boxes: np.ndarray
    """(n_boxes, 4, 2), corners: top front, bottom front, bottom rear, top rear."""
    axes: np.ndarray
    """(n_boxes, 2, 2), from the middle of each front along its axis to the first surface."""
    ears: np.ndarray
    """(n_points, 2), along the audience areas at ear height; NaN between areas."""
    level: np.ndarray
    """(n_points, 8) dB, direct sound of this hang with the loss in the air; NaN between areas."""


def hang_section(study: Study, scene: Scene, hang: Hang) -> HangSection:
    """The section of one hang."""
    layout = layout_of(hang, study.sources.loudspeaker, scene.speed_of_sound)
    ahead = np.array([np.cos(np.radians(hang.azimuth)), np.sin(np.radians(hang.azimuth))])
    top = np.array(hang.top)
    triangles = study.mesh.vertices[study.mesh.faces]
    off = (triangles[..., :2] - top[:2]) @ np.array([-ahead[1], ahead[0]])
    # A face that lies in the plane has adjacent faces that are cut along its edges.
    lines = _in_section(cut_by_plane(triangles, np.where(np.abs(off) < 1e-9, 1e-9, off)), top, ahead)
    points = _audience_points(study, top, ahead)
    level = np.full((len(points), 8), np.nan)
    known = np.isfinite(points).all(axis=1)
    if known.any():
        elements = element_arrays(layout, scene.speed_of_sound, study.sources_folder)
        energy = band_energy(pressure_at(elements, points[known], scene.speed_of_sound), elements.per_band)
        distance = np.linalg.norm(points[known] - layout.reference, axis=1)
        energy = energy * np.exp(-scene.air_attenuation * distance[:, None])
        level[known] = 10.0 * np.log10(np.maximum(energy, 1e-30))
    return HangSection(
        lines=lines,
        boxes=_in_section(_corners(layout), top, ahead),
        axes=_axes(layout, lines, top, ahead),
        ears=_in_section(points, top, ahead),
        level=level,
    )


def _in_section(points: np.ndarray, top: np.ndarray, ahead: np.ndarray) -> np.ndarray:
    """(..., 3) points of the venue as (..., 2) points of the section."""
    return np.stack([(points[..., :2] - top[:2]) @ ahead, points[..., 2]], axis=-1)


def _corners(layout: Layout) -> np.ndarray:
    """(n_boxes, 4, 3) m."""
    up, ahead = layout.frames[:, 0], layout.frames[:, 1]
    half, deep = 0.5 * layout.loudspeaker.height * up, layout.loudspeaker.depth * ahead
    front = layout.position
    return np.stack([front + half, front - half, front - half - deep, front + half - deep], axis=1)


def _axes(layout: Layout, lines: np.ndarray, top: np.ndarray, ahead: np.ndarray) -> np.ndarray:
    """(n_boxes, 2, 2): each axis up to the first line of the section that it meets."""
    start = _in_section(layout.position, top, ahead)
    way = np.stack([layout.frames[:, 1, :2] @ ahead, layout.frames[:, 1, 2]], axis=1)
    ends = []
    for origin, along in zip(start, way):
        edge = lines[:, 1] - lines[:, 0]
        to = lines[:, 0] - origin
        across = along[0] * edge[:, 1] - along[1] * edge[:, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            far = (to[:, 0] * edge[:, 1] - to[:, 1] * edge[:, 0]) / across
            place = (to[:, 0] * along[1] - to[:, 1] * along[0]) / across
        hit = (far > 0.05) & (place >= -1e-9) & (place <= 1.0 + 1e-9)
        ends.append(origin + along * (far[hit].min() if hit.any() else 100.0))
    return np.stack([start, np.array(ends)], axis=1)


def _audience_points(study: Study, top: np.ndarray, ahead: np.ndarray) -> np.ndarray:
    """(n, 3) points at ear height along the axis of the hang in plan, areas separated by NaN."""
    distance = np.arange(-50.0, 200.0, STEP)
    plan = top[:2] + distance[:, None] * ahead
    parts = []
    for audience in study.venue.audience:
        outline, floor = area_outline(audience, study.mesh)
        here = plan[within(outline, plan)]
        if len(here) > 1:
            parts += [np.column_stack([here, floor(here) + audience.ear_height]), np.full((1, 3), np.nan)]
    return np.concatenate(parts) if parts else np.empty((0, 3))
