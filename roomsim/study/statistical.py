"""Results of the statistical formulas for a scene."""

from __future__ import annotations

import numpy as np

from ..decay.enclosure import enclosure_of
from ..physics.distance import articulation_loss_peutz, critical_distance
from ..physics.reverberation import FORMULAS, schroeder_frequency
from ..scene.scene import Scene
from ..tracing.emission import radiated

COUNTED_WITHIN = 10.0
"""dB of power below the strongest source within which another source is counted (judged)."""


def room_figures(scene: Scene, reverberation_time: np.ndarray) -> dict[str, np.ndarray]:
    """(n_scenarios, 8) of each of `results.records.DIFFUSE_FIELD_QUANTITIES`, for a diffuse field.

    Critical distance and articulation loss use the directivity factor of the strongest source of each band, and the
    number of sources within `COUNTED_WITHIN` of its power. NaN in a scenario in which no source plays.

    Parameters
    ----------
    reverberation_time : (n_scenarios, 8) float, s, the best estimate available
    """
    sources = scene.sources
    radiated_share = np.array([radiated(sources, i) for i in range(len(sources.names))])
    q = 4.0 * np.pi * sources.balloon.max(axis=(1, 2)) / radiated_share
    power = np.einsum("ik,ib->kib", sources.active, 10.0 ** (sources.level / 10.0) * radiated_share)
    strongest = power.argmax(axis=1)
    plays = power.max(axis=1) > 0.0
    n_sources = (power >= power.max(axis=1, keepdims=True) / 10.0 ** (COUNTED_WITHIN / 10.0)).sum(axis=1)
    directivity = np.take_along_axis(q, strongest, axis=0)
    away = np.linalg.norm(scene.receivers.position[:, None] - sources.position[None], axis=2)
    nearest = np.where((sources.active > 0.0)[None], away[:, :, None], np.inf).min(axis=1)
    distance = np.median(nearest, axis=0)[:, None]
    area = np.broadcast_to(enclosure_of(scene).absorption_area, plays.shape)
    with np.errstate(invalid="ignore"):
        loss = articulation_loss_peutz(distance, reverberation_time, scene.volume, directivity, n_sources - 1)
    return {
        "schroeder_frequency": np.asarray(schroeder_frequency(reverberation_time, scene.volume)),
        "critical_distance": np.where(plays, critical_distance(area, directivity / n_sources), np.nan),
        "articulation_loss": np.where(plays, loss, np.nan),
    }


def statistical_times(scene: Scene) -> dict[str, np.ndarray]:
    """Reverberation time (n_scenarios, 8), s, by each of `FORMULAS`."""
    enclosure, shape = enclosure_of(scene), (scene.n_scenarios, 8)
    return {name: np.broadcast_to(formula(enclosure), shape).copy() for name, formula in FORMULAS.items()}
