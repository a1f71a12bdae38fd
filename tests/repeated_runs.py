"""Repeated runs of the same small rooms with different seeds, on which the coverage of intervals is counted."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from unittest.mock import patch

import numpy as np
import trimesh
from scenes import (
    WALLS,
    as_bands,
    box_parallelograms,
    box_scene,
    omnidirectional,
    scene_of,
    seats,
    surface_factors,
)

from roomsim.estimate import Estimate
from roomsim.metrics.common_seats import TIMES
from roomsim.metrics.replicated import Replicated
from roomsim.scene.scene import Patch, Scene
from roomsim.study import traced_paths
from roomsim.study.evaluator import Evaluator
from roomsim.study.pooled_errors import with_pooled_errors
from roomsim.study.store import MemoryStore
from roomsim.study.traced_paths import TracedPaths, prepare_tracing
from roomsim.tracing.paths import PathLog

STI, LEVEL, CLARITY = "speech_transmission_index", "sound_pressure_level", "clarity_c50"
BAND = 4
"""1 kHz."""
IMAGE_ORDER = 1
BY_BAND = {
    "level": LEVEL,
    "C50": CLARITY,
    "EDT": "early_decay_time",
    "T20": "reverberation_time_t20",
    "T30": "reverberation_time_t30",
}
AIR = np.array([0.1, 0.1, 0.3, 0.6, 1.1, 2.3, 6.8, 24.0]) * 1e-3
"""1/m, by band, at 20 °C and 50 %."""
THE_SEATS = [(5.5, 1.5, 1.2), (6.5, 4.2, 1.2), (3.5, 4.5, 1.2)]


def small_room() -> Scene:
    """9 x 6 x 3.2 m, hard; without treatment, with a draped end wall, with an absorbing ceiling, and with both."""
    drape, ceiling = [0.08, 0.55, 0.08, 0.55], [0.1, 0.1, 0.6, 0.6]
    absorption = {
        "floor": 0.05,
        "ceiling": ceiling,
        "west": 0.08,
        "east": drape,
        "south": 0.08,
        "north": 0.12,
    }
    scattering = {"floor": 0.1, "ceiling": 0.3, "west": 0.2, "east": 0.2, "south": 0.2, "north": 0.4}
    return box_scene((9.0, 6.0, 3.2), absorption, scattering, (1.5, 2.5, 1.6), THE_SEATS, air=1e-3)


def hall_with_cloths() -> Scene:
    """22 x 12 x 7 m, cut by three free-hanging cloths: none, one, two, all hung."""
    masks = np.array([(0, 0, 0), (1, 0, 0), (0, 1, 1), (1, 1, 1)], bool)
    origin, u, v = box_parallelograms((22, 12, 7))
    origin = np.concatenate([origin, [[x, 1, 2] for x in (7.0, 12.0, 16.0)]])
    u = np.concatenate([u, np.tile([0, 10.0, 0], (3, 1))])
    v = np.concatenate([v, np.tile([0, 0, 4.5], (3, 1))])
    n = len(masks)
    absorption = np.broadcast_to(np.array([0.1, 0.1, 0.08, 0.08, 0.15, 0.2])[:, None, None], (6, n, 8))
    scattering = np.broadcast_to(np.linspace(0.05, 0.5, 8), (6, n, 8))
    hung = masks.T[:, None, :, None]
    cloths = np.where(
        hung, np.array([0.2, 0.1, 0.4])[:, None, None], np.array([0.0, 0.0, 1.0])[:, None, None]
    )
    areas = (84, 84, 154, 154, 264, 264)
    patches = [Patch(f"wall {i}", f"wall {i}", (), a, False) for i, a in enumerate(areas)]
    patches += [Patch(f"cloth {i}", f"cloth {i}", (f"cloth {i}",), 45.0, True) for i in range(3)]
    factors = np.concatenate([surface_factors(absorption, scattering), np.broadcast_to(cloths, (3, 3, n, 8))])
    return scene_of(
        origin, u, v, np.arange(9), patches, factors, omnidirectional((3, 5, 2), n_scenarios=n),
        seats([(10, 3, 1.2), (14, 6, 1.2), (19, 9, 1.2)]), volume=1848.0,
    )  # fmt: skip


SOFT = {
    # As in the materials of the package: carpet_heavy_on_felt, perforated_deck_with_fibre, curtain_in_folds.
    "floor": np.array([0.04, 0.08, 0.24, 0.57, 0.69, 0.71, 0.73, 0.73]),
    "ceiling": np.array([0.125, 0.25, 0.60, 0.95, 0.80, 0.60, 0.40, 0.40]),
    **dict.fromkeys(WALLS[:4], np.array([0.025, 0.05, 0.15, 0.35, 0.40, 0.50, 0.50, 0.50])),
}
SOFT_SCATTERING = {
    "floor": np.array([0.05, 0.05, 0.10, 0.10, 0.15, 0.20, 0.20, 0.20]),
    "ceiling": np.array([0.05, 0.10, 0.15, 0.30, 0.50, 0.60, 0.60, 0.60]),
    **dict.fromkeys(WALLS[:4], np.array([0.05, 0.10, 0.15, 0.20, 0.30, 0.40, 0.50, 0.50])),
}
PANELLED = {
    "floor": np.array([0.15, 0.12, 0.10, 0.07, 0.06, 0.06, 0.07, 0.07]),
    **dict.fromkeys(
        (*WALLS[:4], "ceiling"), np.array([0.45, 0.40, 0.28, 0.15, 0.08, 0.06, 0.05, 0.05])
    ),
}
PANELLED_SCATTERING = dict.fromkeys(WALLS, np.linspace(0.1, 0.4, 8))
UNEVEN_SIZE, UNEVEN_SOURCE = (20.0, 14.0, 6.0), (3.0, 6.0, 1.7)
UNEVEN_SEATS = [(6.0, 3.0, 1.2), (12.0, 9.0, 1.2), (17.0, 6.0, 1.2)]


def soft_hall() -> Scene:
    """Carpet, curtains, absorbing roof deck: the reverberation time is 7 s at 63 Hz and 0.4 s at 4 kHz."""
    return box_scene(UNEVEN_SIZE, SOFT, SOFT_SCATTERING, UNEVEN_SOURCE, UNEVEN_SEATS, air=AIR)


def panelled_hall() -> Scene:
    """Thin panels in front of cavities on walls and ceiling: the reverberation time is 0.7 s at 63 Hz and 3.6 s at 1
    kHz."""
    return box_scene(UNEVEN_SIZE, PANELLED, PANELLED_SCATTERING, UNEVEN_SOURCE, UNEVEN_SEATS, air=AIR)


def seated_hall() -> Scene:
    """An ordinary hall: upholstered seating, hard walls, a light ceiling. The reverberation time is 2.2 s at 63 Hz and
    1 s at 4 kHz, and sound between the walls decays more slowly than the rest."""
    walls = np.array([0.12, 0.10, 0.06, 0.05, 0.05, 0.05, 0.05, 0.05])
    absorption = {
        "floor": np.array([0.20, 0.30, 0.45, 0.60, 0.70, 0.70, 0.70, 0.70]),
        "ceiling": np.array([0.10, 0.12, 0.15, 0.20, 0.20, 0.20, 0.20, 0.20]),
        **dict.fromkeys(WALLS[:4], walls),
    }
    return box_scene(UNEVEN_SIZE, absorption, PANELLED_SCATTERING, UNEVEN_SOURCE, UNEVEN_SEATS, air=AIR)


SPHERE_RADIUS = 5.0
SPHERE_ABSORPTION = np.array([0.04, 0.08, 0.15, 0.25, 0.4, 0.55, 0.7, 0.8])


def lambert_sphere() -> Scene:
    """5 m in radius, of 1280 triangles; all reflected energy is scattered."""
    mesh = trimesh.creation.icosphere(subdivisions=3, radius=SPHERE_RADIUS)
    origin, u, v = (
        mesh.triangles[:, 0],
        *(mesh.triangles[:, k] - mesh.triangles[:, 0] for k in (1, 2)),
    )
    n = len(origin)
    factors = surface_factors(as_bands(SPHERE_ABSORPTION)[None, None], np.ones((1, 1, 8)))
    return scene_of(
        origin, u, v, np.zeros(n), [Patch("wall", "wall", (), float(mesh.area), False)], factors,
        omnidirectional((0.5, -0.3, 0.2)), seats([(2.5, 0, 0), (-1.5, 2.5, 1), (0.5, -2, -3)]),
        is_triangle=np.ones(n, bool), mirror=np.full(n, -1), air=1e-4, volume=float(mesh.volume),
    )  # fmt: skip


class _Forgetful(MemoryStore):
    """Stores no paths: a long run would not fit into memory."""

    def write(self, log: PathLog) -> None:
        pass


def figures_by_band(scene: Scene, seed: int, rays_per_batch: int, n_rounds: int = 1) -> dict[str, Estimate]:
    """Estimates (n_receivers, n_scenarios, 8) of one run as a study stores them, the index repeated for eight bands."""
    with patch.object(traced_paths, "RAYS_PER_BATCH", rays_per_batch):
        setup = replace(prepare_tracing(scene, seed, IMAGE_ORDER, threads=1), batches=_Forgetful())
        got = Evaluator(TracedPaths(setup, setup.image_paths(), n_rounds)).evaluate([STI, *BY_BAND.values()])
    index = got[STI].estimate()
    eight = [np.repeat(x[..., None], 8, axis=-1) for x in (index.value, index.standard_error)]
    return {
        "STI": Estimate(*eight, index.n_replicates),
        **{
            name: with_pooled_errors(got[metric].estimate()) if metric in TIMES else got[metric].estimate()
            for name, metric in BY_BAND.items()
        },
    }


def figures(scene: Scene, seed: int, rays_per_batch: int, n_rounds: int = 1) -> dict[str, Estimate]:
    """Estimates (n_receivers, n_scenarios) of one run, by what they are called in a report.

    The gains are those of the index against the first scenario, that one left out.
    """
    with patch.object(traced_paths, "RAYS_PER_BATCH", rays_per_batch):
        engine = Evaluator(prepare_tracing(scene, seed, IMAGE_ORDER, threads=1).trace(n_rounds))
    got = engine.evaluate([STI, LEVEL, CLARITY])
    gain = got[STI].difference(got[STI].scenarios(scene.compare_with)).estimate()
    return {
        "STI": got[STI].estimate(),
        "level": _in_band(got[LEVEL]),
        "C50": _in_band(got[CLARITY]),
        "STI gain": Estimate(gain.value[:, 1:], gain.standard_error[:, 1:], gain.n_replicates),
    }


def _in_band(figure: Replicated) -> Estimate:
    return Replicated(figure.full[..., BAND], figure.left_out[..., BAND]).estimate()


def repeated(scene: Scene, seeds: Iterable[int], rays_per_batch: int, run=figures) -> dict[str, Estimate]:
    """(n_repeats, n_receivers, n_scenarios, ...) of `figures` or `figures_by_band`, one run for each seed."""
    return together([run(scene, seed, rays_per_batch) for seed in seeds])


def together(runs: list[dict[str, Estimate]]) -> dict[str, Estimate]:
    """Some runs as one, the first axis over runs."""
    return {
        name: Estimate(
            np.stack([run[name].value for run in runs]),
            np.stack([run[name].standard_error for run in runs]),
            runs[0][name].n_replicates,
        )
        for name in runs[0]
    }


def covered(runs: Estimate, long_run: Estimate, shrunk: float = 1.0) -> np.ndarray:
    """(n_repeats, n_receivers, n_scenarios, ...) bool: the 95 % interval of each run contains the long-run value.

    The long run has an error of its own, which is small because it has many more rays; the interval is widened by it.
    The standard errors are multiplied by `shrunk`, for controls.
    """
    error = np.hypot(shrunk * runs.standard_error, long_run.standard_error)
    half = Estimate(runs.value, error, runs.n_replicates).half_width()
    return np.abs(runs.value - long_run.value) <= half
