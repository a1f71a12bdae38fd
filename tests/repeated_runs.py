"""The same small room run over and over with other seeds: what the coverage of intervals is counted on."""

from __future__ import annotations

from collections.abc import Iterable
from unittest.mock import patch

import numpy as np
from scenes import box_parallelograms, box_scene, omnidirectional, scene_of, seats, surface_factors

from roomsim.estimate import Estimate
from roomsim.scene.scene import Patch, Scene
from roomsim.study import engine as engine_module
from roomsim.study.engine import Engine

STI, LEVEL, CLARITY = "speech_transmission_index", "sound_pressure_level", "clarity_c50"
BAND = 4
"""1 kHz."""
IMAGE_ORDER = 1
THE_SEATS = [(5.5, 1.5, 1.2), (6.5, 4.2, 1.2), (3.5, 4.5, 1.2)]


def small_room() -> Scene:
    """9 x 6 x 3.2 m, hard; as it is, with a draped end wall, with an absorbing ceiling, and with both."""
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
        seats([(10, 3, 1.2), (14, 6, 1.2), (19, 9, 1.2)]), volume=1848.0, surface_area=1004.0,
    )  # fmt: skip


def figures(scene: Scene, seed: int, rays_per_batch: int, n_rounds: int = 1) -> dict[str, Estimate]:
    """Estimates (n_receivers, n_scenarios) of one run, by what they are called in a report.

    The gains are those of the index against the first scenario, that one left out.
    """
    with patch.object(engine_module, "RAYS_PER_BATCH", rays_per_batch):
        engine = Engine(scene, seed, IMAGE_ORDER, threads=1)
        engine.add_rounds(n_rounds)
    got = engine.evaluate([STI, LEVEL, CLARITY])
    gain = got[STI].difference(got[STI].scenarios(scene.compare_with))
    return {
        "STI": got[STI].estimate(),
        "level": got[LEVEL].over_bands([BAND]).estimate(),
        "C50": got[CLARITY].over_bands([BAND]).estimate(),
        "STI gain": Estimate(gain.value[:, 1:], gain.standard_error[:, 1:], gain.n_replicates),
    }


def repeated(scene: Scene, seeds: Iterable[int], rays_per_batch: int) -> dict[str, Estimate]:
    """(n_repeats, n_receivers, n_scenarios) of `figures`, one run a seed."""
    runs = [figures(scene, seed, rays_per_batch) for seed in seeds]
    return {
        name: Estimate(
            np.stack([run[name].value for run in runs]),
            np.stack([run[name].standard_error for run in runs]),
            runs[0][name].n_replicates,
        )
        for name in runs[0]
    }


def covered(runs: Estimate, long_run: Estimate, shrunk: float = 1.0) -> np.ndarray:
    """(n_repeats, n_receivers, n_scenarios) bool: the 95 % interval of each run holds the long-run value.

    The long run has an error of its own, which its many more rays leave small; the interval is widened by it.
    `shrunk` is what the standard errors are multiplied by, for controls.
    """
    error = np.hypot(shrunk * runs.standard_error, long_run.standard_error)
    half = Estimate(runs.value, error, runs.n_replicates).half_width(0.95)
    return np.abs(runs.value - long_run.value) <= half
