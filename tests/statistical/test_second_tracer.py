"""A hall of the zoo held to the slow tracer, band by band: the short form of `benchmarks/second_tracer.py`.

The black box is soft, and its treble far softer than its bass, so that a rule which is right on average over the bands
is wrong in it. False-alarm rate on new seeds: 1e-3 over all comparisons of a test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees
from reference import slow_tracer as slow
from zoo.comparison import (
    COMPARED,
    JND,
    MODEL,
    air_of,
    compile_compared,
    package_figures,
    plain_room,
    plain_sources,
)

HALL = "black_box"
N_SEEDS = 16
RAYS_PER_BATCH = 1024
SLOW_RAYS = 800
FALSE_ALARM = 1e-3
FIGURES = ("windows", "level", "C50", "EDT", "T20", "STI")
N_CHECKS = 12 * 8


@pytest.fixture(scope="module")
def hall(tmp_path_factory):
    """Scene of the hall as it stands, order of its image sources, and its air."""
    folder = tmp_path_factory.mktemp(HALL)
    scene, order = compile_compared(HALL, folder)
    return scene, order, air_of(folder)


@pytest.fixture(scope="module")
def reference(hall):
    """Means over the seats of all figures by the slow tracer."""
    scene, _, air = hall
    room, sources, seats = plain_room(scene, 0, air), plain_sources(HALL), scene.receivers
    duration = COMPARED[HALL].duration
    traced = []
    for seed in range(slow.N_BATCHES):
        bands = [
            slow.trace_band(room, sources, seats.position, seats.radius, duration, band, SLOW_RAYS, seed + 1)
            for band in range(8)
        ]
        assert sum(lost for _, lost in bands) == 0
        traced.append(np.stack([energy for energy, _ in bands], axis=-1))
    direct = slow.direct_sound(room, sources, seats.position)
    return slow.estimates(slow.Response(np.stack(traced), *direct), scene.noise[0], over_seats=True)


def mean_over_seats(scene, order):
    """Mean over seats of all figures of the first scenario; its error is that of the mean over the seeds."""
    runs = [package_figures(scene, order, seed, 1, RAYS_PER_BATCH) for seed in range(1, N_SEEDS + 1)]
    found = {}
    for figure in FIGURES:
        by_seed = np.stack([run[figure][0] for run in runs])
        first = by_seed[:, :, 0] if figure == "windows" else by_seed[:, 0]
        means = first.mean(axis=-1 if figure == "STI" else -2)
        found[figure] = means.mean(axis=0), means.std(axis=0, ddof=1) / np.sqrt(N_SEEDS)
    return found


def assert_same(package, reference):
    """All figures in all bands agree to within chance and a tenth of a just noticeable difference."""
    for figure in FIGURES:
        value, error = package[figure]
        truth, its_error = reference[figure]
        relative = np.abs(truth) if figure in ("EDT", "T20", "windows") else 1.0
        # Windows that hold next to nothing rest on single rays.
        heard = truth > 1e-4 * truth.sum(axis=0) if figure == "windows" else np.full(np.shape(truth), True)
        assert_agrees(
            value[heard],
            np.hypot(error, its_error)[heard],
            truth[heard],
            n_checks=N_CHECKS,
            false_alarm=FALSE_ALARM,
            degrees_of_freedom=N_SEEDS - 1,
            slack=(MODEL * JND[figure] * relative * np.ones(np.shape(truth)))[heard],
        )


def test_soft_hall_is_as_the_slow_tracer_has_it_in_every_band(hall, reference):
    scene, order, _ = hall
    assert_same(mean_over_seats(scene, order), reference)


def test_slow_tracer_finds_a_curtain_that_absorbs_too_much(hall, reference):
    # Control: 0.1 more in two bands, where the curtains have 0.05 and 0.35.
    scene, order, _ = hall
    factors = scene.factors.copy()
    curtains = [i for i, patch in enumerate(scene.patches) if patch.group.startswith("curtain")]
    for band in (1, 3):
        left = 1.0 - scene.absorption[curtains, :, band]
        factors[curtains, :, :, band] *= ((left - 0.1) / left)[:, None]
    with pytest.raises(Disagreement):
        assert_same(mean_over_seats(replace(scene, factors=factors), order), reference)
