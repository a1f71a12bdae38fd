"""Paths, evaluator and convergence: paths never change, and figures depend on paths and scene alone."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from unittest.mock import patch

import numpy as np
import pytest
from scenes import box_scene

from roomsim.scene.scene import Scene
from roomsim.study import traced_paths
from roomsim.study.convergence import converge
from roomsim.study.evaluator import Evaluator
from roomsim.study.store import MemoryStore
from roomsim.study.traced_paths import TracedPaths, prepare_tracing
from roomsim.venue.document import Precision

STI, LEVEL = "speech_transmission_index", "a_weighted_level"


@pytest.fixture(scope="module")
def scene() -> Scene:
    return box_scene((9, 7, 5), [0.1, 0.3], 0.4, (2, 3, 1.5), [(6, 3, 1.2), (7, 5, 1.2), (3, 5, 1.2)])


@pytest.fixture(scope="module", autouse=True)
def few_rays():
    with patch.object(traced_paths, "RAYS_PER_BATCH", 128):
        yield


def figures(paths: TracedPaths, scene: Scene | None = None) -> tuple[bytes, bytes]:
    got = Evaluator(paths, scene).evaluate([STI])[STI]
    return got.full.tobytes(), got.left_out.tobytes()


def test_more_rounds_are_new_paths_and_the_old_ones_stay(scene):
    setup = prepare_tracing(scene, 1, 1, threads=1)
    one = setup.trace(1)
    before = figures(one)
    two = one.extended(1)
    assert (one.n_rounds, two.n_rounds) == (1, 2)
    assert (one.n_rays, two.n_rays) == (20 * 128, 40 * 128)
    assert figures(one) == before
    assert figures(two) != before
    # Rounds are the same in one go, from another store, and on more threads.
    again = prepare_tracing(scene, 1, 1, threads=2).trace(2)
    assert figures(again) == figures(two)
    with pytest.raises(FrozenInstanceError):
        one.n_rounds = 2  # type: ignore[misc]


def test_energy_lost_is_a_share_of_what_was_traced(scene):
    """One wall taken away: rays of all rounds leave there, and the share does not grow with the rounds."""
    surfaces = scene.surfaces
    per_surface = ("origin", "edge_u", "edge_v", "is_triangle", "patch", "mirror")
    kept = {name: getattr(surfaces, name)[1:] for name in per_surface}
    one = prepare_tracing(replace(scene, surfaces=replace(surfaces, **kept)), 1, 0, threads=1).trace(1)
    two = one.extended(1)
    assert one.n_lost > 0 and two.n_lost > 1.5 * one.n_lost
    assert two.energy_lost > 1.5 * one.energy_lost
    assert 0.0 < two.share_lost < 1.5 * one.share_lost < 1.5


def test_other_scenarios_leave_no_trace_in_an_evaluator(scene):
    paths = prepare_tracing(scene, 1, 1, threads=1).trace(1)
    evaluator = Evaluator(paths)
    before = evaluator.evaluate([STI])[STI].full
    swapped = replace(scene, factors=scene.factors[:, :, ::-1])
    other = evaluator.with_scenarios(swapped)
    np.testing.assert_array_equal(other.evaluate([STI])[STI].full, before[:, ::-1])
    np.testing.assert_array_equal(evaluator.evaluate([STI])[STI].full, before)
    assert (evaluator.scene, other.scene, other.paths) == (scene, swapped, paths)


def test_a_passed_deadline_ends_after_one_round(scene):
    assert prepare_tracing(scene, 1, 1, threads=1).trace(3, deadline=-np.inf).n_rounds == 1


def test_convergence_states_what_was_missed(scene):
    setup = prepare_tracing(scene, 1, 1, threads=1)
    one_round = Precision(sti=1e-4, level=1e-3, max_rays=2560)
    evaluator, convergence = converge(setup, one_round)
    assert evaluator.paths is convergence.paths and evaluator.paths.n_rounds == 1
    assert list(convergence.missed) == [STI, LEVEL]
    errors = evaluator.evaluate([STI, LEVEL])
    # 95 % of three seats are all of them: the largest error of all seats and scenarios.
    worst = {name: figure.estimate().standard_error.max() for name, figure in errors.items()}
    assert convergence.missed == {STI: (worst[STI], 1e-4), LEVEL: (worst[LEVEL], 1e-3)}
    # Control: what is requested so loosely is met by the first round.
    assert converge(setup, Precision(sti=1.0, level=100.0))[1].missed == {}


def test_the_store_is_asked_before_anything_is_traced(scene):
    setup = prepare_tracing(scene, 1, 1, threads=1)
    assert isinstance(setup.batches, MemoryStore) and setup.n_stored_rounds == 0
    log = setup.log(0, 3)
    assert setup.log(0, 3) is log and setup.batches.batches(0) == [3]
    setup.trace(1)
    assert setup.n_stored_rounds == 1 and setup.log(0, 3) is log
