"""Where late energy comes from: sums are those of the replay, and rooms whose answer is known give it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from agreement import assert_agrees
from scenes import box_scene
from traced import binned

from roomsim.estimate import jackknife_of
from roomsim.scene.compile import compile_scene
from roomsim.study.evaluator import Evaluator
from roomsim.study.traced_paths import prepare_tracing
from roomsim.tracing.late_energy_origin import last_surfaces
from roomsim.tracing.replay import earliest_arrival
from roomsim.venue.reading import read_study

SIZE = (9.0, 7.0, 5.0)
SEATS = [(6.0, 3.0, 1.2), (7.0, 5.0, 1.2), (3.0, 5.0, 1.2)]


def from_replay(engine: Evaluator, scenario: int, after: float) -> tuple[np.ndarray, np.ndarray]:
    """Late energy, mean over the seats of each area: traced (n_replicates, n_areas, 8), images (n_areas, 8)."""
    receivers = engine.scene.receivers
    found = engine.response(np.array([scenario]), slice(0, receivers.n_receivers))
    first = int(np.argmin(np.abs(found.bin_edges - after)))
    assert found.bin_edges[first] == pytest.approx(after, abs=1e-6)
    traced = found.late[:, :, first:, 0].astype(float).sum(axis=2)
    images = binned(found.arrivals, found.bin_edges)[:, first:, 0].sum(axis=1)
    areas = [receivers.area == a for a in range(len(receivers.area_names))]
    return (
        np.stack([traced[:, here].mean(axis=1) for here in areas], axis=1),
        np.stack([images[here].mean(axis=0) for here in areas]),
    )


def traced(scene, n_rounds=1) -> Evaluator:
    return Evaluator(prepare_tracing(scene, 3, 2, threads=1).trace(n_rounds))


@pytest.fixture(scope="module")
def with_cloth(tmp_path_factory):
    """A small room with cloth on a wall and hanging free, from files."""
    from venues import write_shoebox

    study = read_study(
        write_shoebox(tmp_path_factory.mktemp("box"), (20.0, 12.0, 5.0), absorption=0.2, free_sheet=True)
    )
    return traced(compile_scene(study, tile=4.0))


@pytest.mark.parametrize("after", [0.05, 0.08])
@pytest.mark.parametrize("scenario", [0, 2, 3])
def test_sums_over_surfaces_are_those_of_the_replay(with_cloth, scenario, after):
    late = with_cloth.late_energy(scenario, after)
    traced_sum, image_sum = from_replay(with_cloth, scenario, after)
    # Both add up some 1e5 terms in single precision in different orders: relative 1e-7 times the root of that.
    assert late.traced.sum(axis=2) == pytest.approx(traced_sum, rel=1e-4)
    assert late.images.sum(axis=1) == pytest.approx(image_sum, rel=1e-9)
    assert image_sum.max() > 0.0 or after > 0.05


def test_sums_are_those_of_the_replay_where_bands_begin_at_different_times():
    """A main far away, and a subwoofer near the seats that plays 63 and 125 Hz alone and is heard first there."""
    scene = box_scene(SIZE, 0.2, 0.3, [(1.0, 1.0, 4.0), (5.0, 6.0, 0.5)], SEATS)
    level = np.full((2, 8), 94.0)
    level[1, 2:] = -200.0
    engine = traced(replace(scene, sources=replace(scene.sources, level=level)))
    start = earliest_arrival(engine.scene, 0)
    assert (start[:, :2] < start[:, 2:4] - 1e-3).all()
    late = engine.late_energy(0, 0.05)
    traced_sum, image_sum = from_replay(engine, 0, 0.05)
    assert late.traced.sum(axis=2) == pytest.approx(traced_sum, rel=1e-4)
    assert late.images.sum(axis=1) == pytest.approx(image_sum, rel=1e-9)


def test_control_another_time_gives_other_sums(with_cloth):
    late = with_cloth.late_energy(0, 0.05)
    traced_sum, _ = from_replay(with_cloth, 0, 0.08)
    assert not np.allclose(late.traced.sum(axis=2), traced_sum, rtol=1e-2)


def test_absent_cloth_is_to_blame_for_nothing_and_hung_cloth_for_something(with_cloth):
    scene = with_cloth.scene
    sheets = [i for i, patch in enumerate(scene.patches) if patch.is_sheet]
    absent, hung = (with_cloth.late_energy(k, 0.05).replicates.mean(axis=0) for k in (0, 3))
    assert scene.scenarios[3] == "sheet"
    assert absent[:, sheets].sum() == 0.0
    assert (hung[:, sheets].sum(axis=1) > 0.0).all()


def test_only_the_wall_that_reflects_is_to_blame():
    # All other surfaces are black, and the east wall scatters: what comes off it meets the seats, or is gone.
    absorption = dict.fromkeys(("west", "south", "north", "floor", "ceiling"), 1.0) | {"east": 0.1}
    scene = box_scene((14.0, 7.0, 5.0), absorption, 1.0, (2.0, 3.0, 2.0), [(2.5, 4.0, 1.2), (3.0, 2.0, 1.2)])
    late = traced(scene).late_energy(0, 0.05).replicates.mean(axis=0)
    east = next(i for i, patch in enumerate(scene.patches) if patch.name == "east")
    assert late[0, east].min() > 0.0
    assert np.delete(late[0], east, axis=0).max() == 0.0


def test_even_room_blames_surfaces_by_their_area():
    # Diffuse walls of one absorption: the field is nearly even, and each wall sends in proportion to its area. A
    # wall next to the seats sends them more, so the seat stands in the middle of a cube, where symmetry makes it
    # exact: a sixth each.
    scene = box_scene((8.0, 8.0, 8.0), 0.1, 1.0, (4.5, 4.5, 4.5), [(4.0, 4.0, 4.0)], radius=0.6)
    late = traced(scene, 2).late_energy(0, 0.05).replicates[:, 0, :6, 4]
    share = jackknife_of(late, lambda energy: energy / energy.sum(axis=0))
    # 6 comparisons with 19 degrees of freedom, false alarm 1e-6.
    assert_agrees(share.value, share.standard_error, np.full(6, 1 / 6), n_checks=6, degrees_of_freedom=19)
    assert share.standard_error.max() < 0.02  # sharp enough to tell a sixth from a fourth


def test_last_surface_of_every_segment_as_a_loop_finds_it():
    rng = np.random.default_rng(5)
    ray_end = np.cumsum(rng.integers(1, 9, 200))
    event = rng.integers(0, 30, ray_end[-1]).astype(np.uint16)
    event[ray_end - 1] = 65535
    expected, start = [], 0
    for end in ray_end:
        last = 99
        for segment in range(start, end):
            expected.append(last)
            if event[segment] != 65535 and event[segment] % 3 != 2:
                last = event[segment] // 3
        start = end
    assert last_surfaces(event, ray_end, 99).tolist() == expected


def test_more_absorption_anywhere_never_raises_late_energy():
    # The same paths and the same scattering: every weight is a product of factors that only fall.
    walls = ("west", "east", "south", "north", "floor", "ceiling")
    steps = [{wall: 0.1 + 0.3 * (k > i) for i, wall in enumerate(walls)} for k in range(7)]
    absorption = {wall: [step[wall] for step in steps] for wall in walls}
    engine = traced(box_scene(SIZE, absorption, 0.3, (2.0, 2.0, 1.6), SEATS))
    late = np.stack([engine.late_energy(k, 0.05).replicates.sum(axis=2) for k in range(7)])
    assert (np.diff(late, axis=0) <= 0.0).all()
    # And it does fall, by more than single precision could.
    assert (late[-1] < 0.9 * late[0]).all()


def test_last_surface_of_a_branch_is_that_of_the_way_it_came():
    """Floor (patch 4), through a sheet (7) to a wall (5), through another (8) and the end; then back from the second
    sheet, and from the first: 32768 marks where a branch waits, 65535 an end."""
    through, back, waits, end = 2, 0, 32768, 65535
    event = np.array(
        [3 * 4, 3 * 7 + through + waits, 3 * 5, 3 * 8 + through + waits, end, 3 * 8 + back, end, 3 * 7 + back, end],
        np.uint16,
    )
    assert last_surfaces(event, np.array([9]), 99).tolist() == [99, 4, 4, 5, 5, 5, 8, 4, 7]
