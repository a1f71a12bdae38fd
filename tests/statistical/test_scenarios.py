"""Many scenarios out of one trace: unbiased, paired, and independent of threads, order and interruption."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees
from numba import njit
from scenes import box_parallelograms, box_scene, omnidirectional, scene_of, seats, surface_factors

from roomsim._jit import KERNEL_OPTIONS
from roomsim.scene.scene import Patch, Scene
from roomsim.tracing import _paths
from roomsim.tracing.paths import BRANCHED, END_OF_RAY
from roomsim.tracing.replay import Replay, time_bins
from roomsim.tracing.sampling_plan import sampling_plan
from roomsim.tracing.trace import Tracer

N_BATCHES, N_RAYS = 24, 3000
SEATS = [(x, y, 1.2) for x in (10, 14, 18) for y in (3, 6, 9)]


def hall_with_sheets(masks):
    """A hall 22 x 12 x 7 m cut by three cloths that each scenario hangs or leaves out; scattering rises with
    frequency; the first scenario is the bare hall."""
    size = (22, 12, 7)
    origin, u, v = box_parallelograms(size)
    x = (7.0, 12.0, 16.0)
    origin = np.concatenate([origin, [[p, 1, 2] for p in x]])
    u = np.concatenate([u, np.tile([0, 10.0, 0], (3, 1))])
    v = np.concatenate([v, np.tile([0, 0, 4.5], (3, 1))])
    n = len(masks)
    absorption = np.broadcast_to(np.array([0.1, 0.1, 0.08, 0.08, 0.15, 0.2])[:, None, None], (6, n, 8))
    scattering = np.broadcast_to(np.linspace(0.05, 0.5, 8), (6, n, 8))
    walls = surface_factors(absorption, scattering)
    hung = np.array(masks, bool).T[:, None, :, None]
    present = np.array([0.2, 0.1, 0.4])[None, :, None, None] * np.ones((3, 3, n, 8))
    absent = np.array([0.0, 0.0, 1.0])[None, :, None, None] * np.ones((3, 3, n, 8))
    patches = [
        Patch(f"wall {i}", f"wall {i}", (), a, False) for i, a in enumerate((84, 84, 154, 154, 264, 264))
    ]
    patches += [Patch(f"cloth {i}", f"cloth {i}", (f"cloth {i}",), 45.0, True) for i in range(3)]
    return scene_of(
        origin, u, v, np.arange(9), patches, np.concatenate([walls, np.where(hung, present, absent)]),
        omnidirectional((3, 5, 2), n_scenarios=n), seats(SEATS), volume=1848.0,
    )  # fmt: skip


def late_energy(scene: Scene, seed=1, threads=2, n_batches=N_BATCHES):
    """(n_batches, n_receivers, n_bins, n_scenarios, 8)."""
    edges = time_bins(0.7)
    plan = sampling_plan(scene)
    tracer = Tracer(scene, plan, seed, 1, float(edges[-1]))
    replay = Replay(scene, plan, edges, slice(0, scene.n_scenarios), slice(0, len(SEATS)))
    return replay.late(n_batches, 1, lambda g: [tracer.trace(0, g, N_RAYS)], threads)


def windows(late):
    """Energy in 0-50, 50-200, 200-400 and 400-700 ms, mean over seats: (n_batches, 4, n_scenarios, 8)."""
    edges = time_bins(0.7)
    cuts = [int(np.flatnonzero(np.isclose(edges, t))[0]) for t in (0, 0.05, 0.2, 0.4, 0.7)]
    means = late.mean(axis=1)
    return np.stack([means[:, a:b].sum(axis=1) for a, b in pairwise(cuts)], axis=1)


def value_and_error(batches):
    return batches.mean(axis=0), batches.std(axis=0, ddof=1) / np.sqrt(len(batches))


MASKS = [(0, 0, 0), (1, 0, 0), (1, 1, 1), (0, 1, 0)]


def test_every_scenario_agrees_with_tracing_it_alone():
    together, error = value_and_error(windows(late_energy(hall_with_sheets(MASKS))))
    for i, mask in enumerate(MASKS):
        alone, alone_error = value_and_error(windows(late_energy(hall_with_sheets([mask]), seed=50 + i)))
        both = np.hypot(error[:, i], alone_error[:, 0])
        # Joint false-alarm rate 1e-6 over 4 scenarios, 4 windows, 8 bands.
        assert_agrees(together[:, i], both, alone[:, 0], n_checks=128, degrees_of_freedom=23)
        if i == 2:
            # Control: taking the bare hall for the hung one must be noticed in every late window.
            for window in (1, 2, 3):
                with pytest.raises(Disagreement):
                    assert_agrees(
                        together[window, 0],
                        both[window],
                        alone[window, 0],
                        n_checks=128,
                        degrees_of_freedom=23,
                    )


def assert_noticed(wrong_plan=lambda plan: plan, wrong_log=lambda log: log):
    """A replay that goes wrong must disagree with the all-hung scenario traced alone."""
    scene = hall_with_sheets(MASKS)
    plan, edges = sampling_plan(scene), time_bins(0.7)
    tracer = Tracer(scene, plan, 1, 1, float(edges[-1]))
    replay = Replay(scene, wrong_plan(plan), edges, slice(0, 4), slice(0, len(SEATS)))
    late = replay.late(N_BATCHES, 1, lambda g: [wrong_log(tracer.trace(0, g, N_RAYS))], 2)
    value, error = value_and_error(windows(late))
    right, right_error = value_and_error(windows(late_energy(hall_with_sheets([MASKS[2]]), seed=52)))
    both = np.hypot(error[:, 2], right_error[:, 0])
    with pytest.raises(Disagreement):
        assert_agrees(value[:, 2], both, right[:, 0], n_checks=128, degrees_of_freedom=23)


def test_control_weights_of_the_wrong_density_are_noticed():
    """All rays taken for draws from the first component (the order of components would not matter)."""

    def wrong(plan):
        assert plan.n_components > 1
        return replace(plan, probability=np.repeat(plan.probability[:1], plan.n_components, axis=0))

    assert_noticed(wrong_plan=wrong)


def test_control_shares_that_branches_do_not_have_are_noticed():
    """Every branch taken for certain, as if a ray were never parted nor stopped at cloth."""

    def wrong(log):
        assert (log.share < 1.0).mean() > 0.15
        return replace(log, share=np.ones_like(log.share))

    assert_noticed(wrong_log=wrong)


def test_cloth_that_hangs_elsewhere_leaves_the_bare_hall_its_paths():
    """The branch that goes through everything is the path of the hall without cloth, number for number."""
    masks = [(0, 0, 0), (1, 1, 1)]
    hung = hall_with_sheets(masks)
    even = np.repeat(hung.factors[:, :, :, 4:5], 8, axis=3)
    hung = replace(hung, factors=even)
    bare = hall_with_sheets(masks[:1])
    six = slice(0, 6)
    surfaces = bare.surfaces
    bare = replace(
        bare, factors=even[six, :, :1], patches=bare.patches[:6],
        surfaces=type(surfaces)(*(getattr(surfaces, field.name)[six] for field in fields(surfaces))),
    )  # fmt: skip
    plan = sampling_plan(hung)
    edges = time_bins(0.7)
    seats_on = slice(0, len(SEATS))
    log = Tracer(hung, plan, 1, 1, float(edges[-1])).trace(0, 0, N_RAYS)
    assert (log.event >= BRANCHED).sum() > N_RAYS  # branches there were, control of what follows
    own = sampling_plan(bare)
    # The same roulette; all else is the bare hall's own.
    own = replace(own, density_kept=plan.density_kept[six], initial_density=plan.initial_density)
    alone = Tracer(bare, own, 1, 1, float(edges[-1])).trace(0, 0, N_RAYS)
    assert len(alone.event) < 0.8 * len(log.event)
    together = Replay(hung, plan, edges, [0], seats_on).late(1, 1, lambda _: [log])
    by_itself = Replay(bare, own, edges, [0], seats_on).late(1, 1, lambda _: [alone])
    # Single precision carries a ray past an edge on its other side once in 1e5 hits; it goes its own way from there.
    np.testing.assert_allclose(together.sum(axis=(1, 2)), by_itself.sum(axis=(1, 2)), rtol=2e-3)
    difference = np.abs(together - by_itself).sum() / by_itself.sum()
    assert difference < 5e-3
    # Control: the hung hall on these very paths.
    other = Replay(hung, plan, edges, [1], seats_on).late(1, 1, lambda _: [log])
    assert np.abs(other - by_itself).sum() / by_itself.sum() > 0.1


def test_a_ray_with_too_many_branches_goes_one_way_or_the_other(monkeypatch):
    """With room for a single waiting branch, energies are those of tracing alone."""
    monkeypatch.setattr(_paths, "MAX_BRANCHES", 1)
    cramped = njit(**{**KERNEL_OPTIONS, "cache": False, "boundscheck": True})(_paths.trace_rays.py_func)
    monkeypatch.setattr(_paths, "trace_rays", cramped)
    scene = hall_with_sheets(MASKS)
    log = Tracer(scene, sampling_plan(scene), 1, 1, 0.7).trace(0, 0, N_RAYS)
    waiting = np.cumsum(np.where(log.event == END_OF_RAY, -1, log.event >= BRANCHED))
    assert (waiting + np.repeat(np.arange(N_RAYS), np.diff(log.ray_end, prepend=0))).max() == 1
    together, error = value_and_error(windows(late_energy(scene)))
    for i in (0, 2):
        alone, alone_error = value_and_error(windows(late_energy(hall_with_sheets([MASKS[i]]), seed=70 + i)))
        both = np.hypot(error[:, i], alone_error[:, 0])
        # Joint false-alarm rate 1e-6 over 2 scenarios, 4 windows, 8 bands.
        assert_agrees(together[:, i], both, alone[:, 0], n_checks=64, degrees_of_freedom=23)


def test_a_scenario_that_changes_nothing_differs_by_exactly_nothing():
    late = late_energy(hall_with_sheets([(0, 1, 0), (0, 1, 0), (1, 0, 0)]), n_batches=4)
    assert np.array_equal(late[..., 0, :], late[..., 1, :])
    assert not np.array_equal(late[..., 0, :], late[..., 2, :])


def test_differences_share_their_noise():
    batches = windows(late_energy(hall_with_sheets([(0, 0, 0), (1, 0, 0)])))
    difference = (batches[:, 1, 1] - batches[:, 1, 0]).std(axis=0, ddof=1)
    independent = np.hypot(batches[:, 1, 1].std(axis=0, ddof=1), batches[:, 1, 0].std(axis=0, ddof=1))
    # Measured 0.3 to 0.6; 24 batches know a ratio of deviations to a factor of 2 at 1e-3 per band.
    assert np.median(difference / independent) < 0.8


def test_threads_and_order_of_batches_change_no_bit():
    scene = hall_with_sheets(MASKS)
    one, two = late_energy(scene, threads=1, n_batches=6), late_energy(scene, threads=3, n_batches=6)
    assert np.array_equal(one, two)
    plan = sampling_plan(scene)
    tracer = Tracer(scene, plan, 1, 1, 0.7)
    forwards = [tracer.trace(0, b, 500) for b in range(3)]
    backwards = [tracer.trace(0, b, 500) for b in (2, 1, 0)][::-1]
    for a, b in zip(forwards, backwards):
        for name in ("event", "receiver", "path_length", "chord", "emission", "ray_end"):
            assert np.array_equal(getattr(a, name), getattr(b, name)), name


def test_growing_the_log_changes_nothing(monkeypatch):
    scene = hall_with_sheets(MASKS)
    plan = sampling_plan(scene)
    whole = Tracer(scene, plan, 1, 1, 0.7).trace(0, 0, 2000)
    from roomsim.tracing import trace as module

    monkeypatch.setattr(module, "SEGMENTS_PER_RAY", 1)
    cramped = Tracer(scene, plan, 1, 1, 0.7).trace(0, 0, 2000)
    assert np.array_equal(whole.event, cramped.event) and np.array_equal(whole.chord, cramped.chord)


def test_error_falls_with_the_root_of_the_rays():
    """Slope of log error against log rays is -1/2 within 4 standard errors; 0.71 = 1 / sqrt(2) per deviation of 24
    batches and 72 independent-ish cells of window and band (taken as 12), so 0.2 on the slope over a factor of 16."""
    scene = box_scene((22, 12, 7), 0.15, 0.5, (3, 5, 2), SEATS)
    plan = sampling_plan(scene)
    edges = time_bins(0.7)
    tracer = Tracer(scene, plan, 1, 1, float(edges[-1]))
    replay = Replay(scene, plan, edges, slice(0, 1), slice(0, len(SEATS)))
    errors = []
    for n_rays in (500, 8000):
        late = replay.late(N_BATCHES, 1, lambda g, n=n_rays: [tracer.trace(0, g, n)], 2)
        per_seat = late[:, :, 10:40, 0, 3].sum(axis=2)
        errors.append(np.sqrt((per_seat.var(axis=0, ddof=1) / per_seat.mean(axis=0) ** 2).mean()))
    slope = np.log(errors[1] / errors[0]) / np.log(16)
    assert slope == pytest.approx(-0.5, abs=0.1)
