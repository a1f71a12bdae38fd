"""Drawing the directions in which rays leave a source."""

from __future__ import annotations

import numpy as np

from ..physics.radiation import interpolate_balloon
from ..scene.scene import SourceArrays
from ._random import EMISSION, ray_key, uniform

DEFENSIVE_SHARE = 0.2
"""Share of rays emitted uniformly, so that no band's weight exceeds five times the mean."""

_GOLDEN_RATIO = (1.0 + 5.0**0.5) / 2.0


class Emission:
    """Ray directions of one source: distributed like its directivity, on a lattice.

    The density over a grid of cells is a mixture of the directivity (mean over bands of the squared pressure, each
    band scaled to the same power) and a uniform share. A shifted golden-ratio lattice in the unit square, mapped
    through the cumulative density, gives directions; the shift is random per batch, which keeps the estimate
    unbiased (Cranley and Patterson, SIAM Journal on Numerical Analysis 13 (1976), 904).
    """

    def __init__(self, sources: SourceArrays, source: int):
        balloon = sources.balloon[source]
        n_polar, n_azimuth, _ = balloon.shape
        self._axes = sources.axes[source]
        self._balloon = balloon
        # Cells between grid angles: mean of the four corners, solid angle from the difference of cosines.
        polar = np.linspace(0.0, np.pi, n_polar)
        ring = 0.25 * (
            balloon[:-1] + balloon[1:] + np.roll(balloon, -1, 1)[:-1] + np.roll(balloon, -1, 1)[1:]
        )
        self._cosine = np.cos(polar)
        solid_angle = (self._cosine[:-1] - self._cosine[1:])[:, None] * (2 * np.pi / n_azimuth)
        power = ring * solid_angle[..., None]
        share = (power / power.sum(axis=(0, 1))).mean(axis=2)
        share = (1 - DEFENSIVE_SHARE) * share + DEFENSIVE_SHARE * solid_angle / (4 * np.pi)
        self._density = share / solid_angle
        self._row_cumulative = np.concatenate([[0.0], np.cumsum(share.sum(axis=1))])
        self._row_cumulative /= self._row_cumulative[-1]
        self._cell_cumulative = np.concatenate([np.zeros((n_polar - 1, 1)), np.cumsum(share, axis=1)], axis=1)
        self._cell_cumulative /= self._cell_cumulative[:, -1:]

    def draw(self, seed: int, source: int, batch: int, n_rays: int) -> tuple[np.ndarray, np.ndarray]:
        """Directions (n_rays, 3) float32 and weights (n_rays, 8) float32: squared directivity / density / n_rays."""
        key = np.uint64(ray_key(seed, EMISSION, source, batch))
        shift_u, shift_v = float(uniform(key, 0)), float(uniform(key, 1))
        index = np.arange(n_rays)
        u = (index / n_rays + shift_u) % 1.0
        v = (index / _GOLDEN_RATIO + shift_v) % 1.0
        row = np.clip(np.searchsorted(self._row_cumulative, u, side="right") - 1, 0, len(self._density) - 1)
        within = (u - self._row_cumulative[row]) / (self._row_cumulative[row + 1] - self._row_cumulative[row])
        cosine = self._cosine[row] + within * (self._cosine[row + 1] - self._cosine[row])
        cumulative = self._cell_cumulative[row]
        column = np.clip((cumulative <= v[:, None]).sum(axis=1) - 1, 0, cumulative.shape[1] - 2)
        low, high = cumulative[index, column], cumulative[index, column + 1]
        azimuth = (column + (v - low) / (high - low)) * (2 * np.pi / (cumulative.shape[1] - 1))
        sine = np.sqrt(np.maximum(0.0, 1.0 - cosine**2))
        local = np.stack([cosine, sine * np.cos(azimuth), sine * np.sin(azimuth)], axis=1)
        directivity = _directivity_at(self._balloon, np.arccos(np.clip(cosine, -1, 1)), azimuth)
        weights = directivity / self._density[row, column][:, None] / n_rays
        return (local @ self._axes).astype(np.float32), weights.astype(np.float32)


def directivity_towards(sources: SourceArrays, source: int, directions: np.ndarray) -> np.ndarray:
    """Squared directivity (n, 8) of a source in unit directions (n, 3) of the room."""
    local = directions @ sources.axes[source].T
    polar = np.arccos(np.clip(local[:, 0], -1.0, 1.0))
    azimuth = np.arctan2(local[:, 2], local[:, 1]) % (2 * np.pi)
    return _directivity_at(sources.balloon[source], polar, azimuth)


def _directivity_at(balloon: np.ndarray, polar: np.ndarray, azimuth: np.ndarray) -> np.ndarray:
    """(n, 8) values of a balloon at angles (n,), rad."""
    n_polar, n_azimuth, _ = balloon.shape
    return interpolate_balloon(balloon, polar / np.pi * (n_polar - 1), azimuth / (2 * np.pi) * n_azimuth % n_azimuth)


def source_power(sources: SourceArrays) -> np.ndarray:
    """(n_sources, 8) radiated power of every source, (re 20 uPa)^2 m2: squared pressure at 1 m over the sphere."""
    return np.array([10.0 ** (sources.level[i] / 10.0) * radiated(sources, i) for i in range(len(sources.names))])


def radiated(sources: SourceArrays, source: int) -> np.ndarray:
    """(8,) integral of the squared directivity over the sphere, sr: 4 pi for an omnidirectional source."""
    balloon = sources.balloon[source]
    n_polar, n_azimuth, _ = balloon.shape
    # Exact integral of the bilinear interpolation in polar angle with weight sin: moments of each hat function.
    edges = np.linspace(0.0, np.pi, n_polar)
    step = edges[1] - edges[0]
    a, b = edges[:-1], edges[1:]
    rising = (np.sin(b) - np.sin(a) - step * np.cos(b)) / step
    falling = (np.cos(a) - np.cos(b)) - rising
    weight = np.zeros(n_polar)
    weight[:-1] += falling
    weight[1:] += rising
    return np.einsum("p,pab->b", weight, balloon) * (2 * np.pi / n_azimuth)
