"""Every band is right where bands die out at very different rates: in a soft hall, whose bass lasts sixteen times as
long as its treble, and in a panelled one, whose treble outlives its bass.

The roulette ends paths by what they carry. Steered by the mean over bands alone, it ends those of the band that lasts
longest while they carry most of its energy: that is the control of every test here.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from unittest.mock import patch

import numpy as np
import pytest
import repeated_runs
import traced as traced_module
from agreement import Disagreement, assert_agrees
from reference.box_rays import window_energies
from repeated_runs import (
    BY_BAND,
    covered,
    figures_by_band,
    lambert_sphere,
    panelled_hall,
    repeated,
    soft_hall,
)
from scenes import WALLS
from scipy.integrate import quad
from scipy.optimize import brentq
from traced import slope_time, traced

from roomsim.study import traced_paths
from roomsim.study.caveats import few_late_paths
from roomsim.tracing.sampling_plan import sampling_plan

HALLS = {
    "soft": (soft_hall, repeated_runs.SOFT, repeated_runs.SOFT_SCATTERING),
    "panelled": (panelled_hall, repeated_runs.PANELLED, repeated_runs.PANELLED_SCATTERING),
}


def steered_by_the_mean(scene):
    """The plan without what bands want by themselves."""
    plan = sampling_plan(scene)
    alone = np.zeros_like(plan.initial_density)
    alone[0] = plan.initial_density[0]
    return replace(plan, initial_density=alone)


# --- against a plain tracer -------------------------------------------------------------------------------

WINDOWS = np.array([0.02, 0.1, 0.4, 1.4, 4.0])
N_BATCHES = 20


@pytest.fixture(scope="module", params=HALLS)
def plain(request):
    """Scene; energies (N_BATCHES, n_seats, n_windows, 8) by plain rays; where they are known to a quarter."""
    make, absorption, scattering = HALLS[request.param]
    energy = np.array([
        [
            window_energies(
                repeated_runs.UNEVEN_SIZE, [absorption[w][b] for w in WALLS], [scattering[w][b] for w in WALLS],
                repeated_runs.UNEVEN_SOURCE, repeated_runs.UNEVEN_SEATS, WINDOWS, 450, air=repeated_runs.AIR[b],
                seed=seed,
            )
            for b in range(8)
        ]
        for seed in range(N_BATCHES)
    ])  # fmt: skip
    energy = np.moveaxis(energy, 1, -1)
    mean, error = _of_batches(energy)
    return make(), energy, error < 0.25 * mean


def _of_batches(energy):
    return energy.mean(axis=0), energy.std(axis=0, ddof=1) / np.sqrt(len(energy))


def assert_same_energies(scene, plain_energy, is_known):
    energy, edges = traced(scene, WINDOWS[-1], N_BATCHES, 2048)
    cuts = [int(np.argmin(np.abs(edges - time))) for time in WINDOWS]
    # dB re 94 at 1 m: the level of the test sources.
    ours = np.stack([energy[:, :, a:b, 0].sum(axis=2) for a, b in pairwise(cuts)], axis=2) / 10**9.4
    (got, error), (wanted, other) = _of_batches(ours), _of_batches(plain_energy)
    assert_agrees(
        got[is_known], np.hypot(error, other)[is_known], wanted[is_known], n_checks=2 * is_known.size,
        degrees_of_freedom=N_BATCHES - 1,
    )  # fmt: skip


def test_energy_over_time_is_that_of_a_plain_tracer(plain):
    scene, energy, is_known = plain
    # Some band is known in all windows, and two thirds of all that could be.
    assert is_known.all(axis=(0, 1)).any() and is_known.mean() > 0.4
    assert_same_energies(scene, energy, is_known)


def test_a_roulette_by_the_mean_over_bands_loses_late_bass():
    scene = soft_hall()
    with patch.object(traced_module, "sampling_plan", steered_by_the_mean):
        energy, edges = traced(scene, WINDOWS[-1], N_BATCHES, 2048)
    late = energy[:, :, edges[1:] > 1.4].sum(axis=2)[:, :, 0, 0]
    honest, _ = traced(scene, WINDOWS[-1], N_BATCHES, 2048)
    right = honest[:, :, edges[1:] > 1.4].sum(axis=2)[:, :, 0, 0]
    # Most batches hold next to none of it; of those that are traced by the plan, next to none do.
    assert (late < 0.1 * right.mean(axis=0)).mean() > 0.5
    assert (right < 0.1 * right.mean(axis=0)).mean() < 0.1


# --- against a closed form --------------------------------------------------------------------------------


def test_every_band_of_a_lambert_sphere_decays_at_its_own_rate():
    """Chords between points of a sphere of radius R that scatter by Lambert's law have the density l / (2 R^2), each
    independent of the last, so the energy dies as exp(-k l) with (1 - a) int exp(k l) l / (2 R^2) dl = 1 (renewal
    theory; Kuttruff, Room Acoustics, chapter 5, on the distribution of path lengths; from memory). The triangles lie
    up to 0.5 % inside the sphere, and hold 1.3 % less volume at 0.8 % less surface: half a per cent of the time."""
    scene = lambert_sphere()
    energy, edges = traced(scene, 3.0, 20, 2048)
    radius = repeated_runs.SPHERE_RADIUS
    for band, (start, stop) in enumerate([(0.4, 2.4), (0.4, 2.0), (0.4, 1.2), (0.2, 0.8), (0.2, 0.6)]):
        kept = 1.0 - repeated_runs.SPHERE_ABSORPTION[band]

        def excess(rate, kept=kept):
            return kept * quad(lambda l: np.exp(rate * l) * l / (2.0 * radius**2), 0.0, 2.0 * radius)[0] - 1.0

        time = 6.0 * np.log(10.0) / (343.2 * (brentq(excess, 1e-6, 10.0) + 1e-4))
        of_seats = energy[:, :, :, 0, band].mean(axis=1)
        whole = slope_time(edges, of_seats.mean(axis=0), start, stop)
        left_out = [slope_time(edges, np.delete(of_seats, i, axis=0).mean(axis=0), start, stop) for i in range(20)]
        error = np.sqrt(19.0) * np.std(left_out)
        assert error < 0.05 * time
        options = {"n_checks": 5, "degrees_of_freedom": 19, "slack": 0.005 * time}
        assert_agrees(whole, error, time, **options)
        if band < 2:
            with pytest.raises(Disagreement):  # control: a fifth more absorption
                assert_agrees(whole, error, time / 1.2, **options)


# --- coverage ---------------------------------------------------------------------------------------------

N_REPEATS = 60
RAYS_PER_BATCH = 512
"""An eighth of what a run has: errors of the index of 0.012, three times those of a first round."""
N_CHECKS = 100
"""Shares counted below, rounded up; they have a false-alarm rate of 1e-6 together on new seeds."""


@pytest.fixture(scope="module", params=HALLS)
def hall(request):
    """Its name, scene, and the figures of a run with 64 times the rays, whose error is an eighth."""
    scene = HALLS[request.param][0]()
    return request.param, scene, figures_by_band(scene, 1_000_000, 4096, 8)


def shares(scene, long_run, plan):
    """Figure -> (N_REPEATS, 8) share of the seats whose interval holds the value of the long run."""
    with patch.object(traced_paths, "sampling_plan", plan):
        runs = repeated(scene, range(1, N_REPEATS + 1), RAYS_PER_BATCH, figures_by_band)
    return {name: covered(got, long_run[name]).mean(axis=(1, 2)) for name, got in runs.items()}


def assert_covers(share):
    mean, error = share.mean(axis=0), share.std(axis=0, ddof=1) / np.sqrt(len(share))
    assert (error < 0.05).all()
    assert_agrees(mean, error, 0.95, n_checks=N_CHECKS)


def test_intervals_cover_in_every_band(hall):
    name, scene, long_run = hall
    for figure, share in shares(scene, long_run, sampling_plan).items():
        # T30 of the soft hall takes more rays than these: at 63 Hz the run would warn.
        if (name, figure) != ("soft", "T30"):
            assert_covers(share)
    # Control: the roulette steered by the mean over bands.
    figure, band = {"soft": ("EDT", 0), "panelled": ("T30", 5)}[name]
    control = shares(scene, long_run, steered_by_the_mean)
    with pytest.raises(Disagreement):
        assert_covers(control[figure][:, [band]])


def test_too_few_late_paths_are_recorded_and_enough_are_not():
    few = {BY_BAND.get(name, name): got for name, got in figures_by_band(soft_hall(), 1, 256).items()}
    found = few_late_paths(["bare"], few)
    assert any(one.subject == "reverberation_time_t20" and 0 in one.bands for one in found)
    enough = {BY_BAND.get(name, name): got for name, got in figures_by_band(panelled_hall(), 1, 4096).items()}
    assert few_late_paths(["bare"], enough) == []


# --- the plan ---------------------------------------------------------------------------------------------


def test_no_scenario_or_band_is_followed_less_densely_than_the_root_of_its_energy():
    """So no weight grows: a path of energy e counts with e / sqrt(e) at most."""
    rng = np.random.default_rng(4)
    scene = repeated_runs.hall_with_cloths()
    factors = rng.random(scene.factors.shape) * scene.factors
    scene = replace(scene, factors=factors)
    plan = sampling_plan(scene)
    paths = rng.integers(len(scene.patches), size=(200, 40))
    energy = factors.sum(axis=1)[paths].cumprod(axis=1)
    wanted = plan.initial_density * plan.density_kept[paths].astype(float).cumprod(axis=1)
    density = np.minimum(wanted.max(axis=-1), 1.0)
    assert (density[..., None, None] >= np.sqrt(energy) * (1.0 - 1e-5)).all()
    assert (np.diff(density, axis=1) <= 0.0).all() and density[:, -1].max() < 0.1
