"""Many scenarios out of one trace: unbiased, paired, and independent of threads, order and interruption."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from agreement import Disagreement, assert_agrees
from scenes import box_parallelograms, box_scene, omnidirectional, scene_of, seats, surface_factors

from roomsim.scene.scene import Patch, Scene
from roomsim.tracing.plan import best_served, sampling_plan, trace_groups
from roomsim.tracing.replay import Replay, effective_share, time_bins
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
        omnidirectional((3, 5, 2), n_scenarios=n), seats(SEATS), volume=1848.0, surface_area=1004.0,
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


def test_control_weights_of_the_wrong_density_are_noticed():
    scene = hall_with_sheets(MASKS)
    plan = sampling_plan(scene)
    assert plan.n_components > 1
    edges = time_bins(0.7)
    tracer = Tracer(scene, plan, 1, 1, float(edges[-1]))
    # Weights that take all rays for draws from the first component (the order of components would not matter).
    wrong = replace(plan, probability=np.repeat(plan.probability[:1], plan.n_components, axis=0))
    replay = Replay(scene, wrong, edges, slice(0, 4), slice(0, len(SEATS)))
    value, error = value_and_error(
        windows(replay.late(N_BATCHES, 1, lambda g: [tracer.trace(0, g, N_RAYS)], 2))
    )
    right, right_error = value_and_error(windows(late_energy(hall_with_sheets([MASKS[2]]), seed=52)))
    with pytest.raises(Disagreement):
        assert_agrees(
            value[:, 2],
            np.hypot(error[:, 2], right_error[:, 0]),
            right[:, 0],
            n_checks=128,
            degrees_of_freedom=23,
        )


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

    monkeypatch.setattr(module, "ROOM_PER_RAY", 1)
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


def test_effective_share_is_one_for_a_trace_made_for_one_state_and_falls_with_sharing():
    alike = box_scene((22, 12, 7), 0.15, 0.5, (3, 5, 2), SEATS)
    plan = sampling_plan(alike)
    log = Tracer(alike, plan, 1, 1, 0.7).trace(0, 0, 2000)
    np.testing.assert_allclose(
        effective_share(alike, plan, [log], [0]), 1.0, rtol=1e-4
    )  # rounding, single precision
    cloth = hall_with_sheets(MASKS)
    plan = sampling_plan(cloth)
    logs = [Tracer(cloth, plan, 1, 1, 0.7).trace(0, b, 2000) for b in range(2)]
    shares = effective_share(cloth, plan, logs, range(4))
    assert shares.shape == (4, 8) and (shares > 0.02).all() and (shares < 0.95).all()
    alone = hall_with_sheets([MASKS[2]])
    own = sampling_plan(alone)
    own_logs = [Tracer(alone, own, 1, 1, 0.7).trace(0, b, 2000) for b in range(2)]
    assert effective_share(alone, own, own_logs, [0])[0].mean() > shares[2].mean()


def test_scenarios_without_free_cloth_always_share_their_paths():
    scene = box_scene((22, 12, 7), [0.05, 0.1, 0.5, 0.9], np.linspace(0.1, 0.7, 8), (3, 5, 2), SEATS)
    assert trace_groups(scene) == [(0, 1, 2, 3)]


def test_scenarios_that_hang_nothing_and_everything_are_traced_apart():
    """Forty cloths in a row: no path of one scenario is worth much for the other."""
    n = 40
    origin, u, v = box_parallelograms((42, 12, 7))
    x = np.linspace(1, 41, n)
    origin = np.concatenate([origin, [[p, 0, 0] for p in x]])
    u, v = (
        np.concatenate([u, np.tile([0, 12.0, 0], (n, 1))]),
        np.concatenate([v, np.tile([0, 0, 7.0], (n, 1))]),
    )
    walls = surface_factors(np.full((6, 4, 8), 0.1), np.full((6, 4, 8), 0.3))
    hung = np.array([0, 0, 1, 1], bool)[None, None, :, None]
    sheet = np.where(
        hung, np.array([0.5, 0.2, 0.1])[None, :, None, None], np.array([0, 0, 1.0])[None, :, None, None]
    )
    patches = [Patch(f"wall {i}", f"wall {i}", (), 200.0, False) for i in range(6)]
    patches += [Patch(f"cloth {i}", f"cloth {i}", (f"cloth {i}",), 84.0, True) for i in range(n)]
    factors = np.concatenate([walls, np.broadcast_to(sheet, (n, 3, 4, 8))])
    scene = scene_of(
        origin,
        u,
        v,
        np.arange(6 + n),
        patches,
        factors,
        omnidirectional((3, 5, 2), n_scenarios=4),
        seats(SEATS),
    )
    assert trace_groups(scene) == [(0, 1), (2, 3)]
    assert list(best_served(scene, [sampling_plan(scene, g) for g in [(2, 3), (0, 1)]])) == [1, 1, 0, 0]
