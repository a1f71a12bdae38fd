"""Image sources against the lattice of the box and against explicit cases."""

from __future__ import annotations

import numpy as np
import pytest
from reference.box_lattice import lattice
from scenes import box_parallelograms, box_scene, omnidirectional, scene_of, seats, surface_factors

from roomsim.scene.scene import Patch
from roomsim.tracing.images import find_image_paths, sum_image_paths

SIZE, SOURCE, RECEIVER = (6, 5, 3), (1.5, 2, 1.2), (4, 3.5, 1.7)


@pytest.mark.parametrize("order", [0, 1, 2, 3])
def test_box_paths_are_the_lattice(order):
    absorption = {"west": 0.1, "east": 0.2, "south": 0.3, "north": 0.4, "floor": 0.5, "ceiling": 0.6}
    scene = box_scene(SIZE, absorption, 0.0, SOURCE, [RECEIVER])
    (paths,) = find_image_paths(scene, order, 1e3)
    distance, hits = lattice(SIZE, SOURCE, RECEIVER, order)
    assert len(paths.length) == len(distance) == [1, 7, 25, 63][order]
    np.testing.assert_allclose(np.sort(paths.length), np.sort(distance), rtol=1e-12)
    expected = (np.prod((1 - np.array(list(absorption.values()))) ** hits, axis=1) / distance**2).sum()
    sums = sum_image_paths(scene, [paths], np.array([0.0, 0.5]), np.array([1.0]), slice(0, 1), slice(0, 1))
    got = sums.total[0, 0] / 10**9.4
    np.testing.assert_allclose(got, expected, rtol=1e-12)


def test_printed_case():
    # Distances of the first images and cumulative energies for energy reflection 0.8, as E = 0.8^order / (4 pi d^2),
    # derived for this project by hand and by exact summation, independent of this code, to 1e-9.
    scene = box_scene(SIZE, 0.2, 0.0, SOURCE, [RECEIVER])
    for order, total in (
        (0, 9.0945681767e-3),
        (1, 2.3853292457e-2),
        (2, 4.0792991878e-2),
        (3, 5.6576171243e-2),
    ):
        (paths,) = find_image_paths(scene, order, 1e3)
        energy = (0.8**paths.order / (4 * np.pi * paths.length**2)).sum()
        assert energy == pytest.approx(total, rel=1e-9)


def test_swapping_source_and_receiver_changes_nothing():
    absorption = {"west": 0.1, "east": 0.2, "south": 0.3, "north": 0.4, "floor": 0.5, "ceiling": 0.6}
    both = []
    for a, b in ((SOURCE, RECEIVER), (RECEIVER, SOURCE)):
        scene = box_scene(SIZE, absorption, 0.2, a, [b])
        (paths,) = find_image_paths(scene, 3, 1e3)
        sums = sum_image_paths(
            scene, [paths], np.arange(0, 0.3, 0.005), np.array([4.0]), slice(0, 1), slice(0, 1)
        )
        both.append((np.sort(paths.length), sums.energy, sums.modulation))
    for first, second in zip(*both):
        np.testing.assert_allclose(first, second, rtol=1e-9, atol=1e-9 * np.abs(first).max())


def screen_in_box(factors_of_screen, receiver):
    """A box cut by a screen at x = 5 that leaves a gap at the top."""
    origin, u, v = box_parallelograms((10, 6, 4))
    origin = np.concatenate([origin, [[5.0, 0, 0]]])
    u, v = np.concatenate([u, [[0, 6.0, 0]]]), np.concatenate([v, [[0, 0, 2.5]]])
    walls = surface_factors(np.full((6, 1, 8), 0.1), np.zeros((6, 1, 8)))
    screen = np.broadcast_to(np.array(factors_of_screen, float)[:, None, None], (3, 1, 8))[None]
    patches = [Patch(f"wall {i}", f"wall {i}", (), 1.0, False) for i in range(6)]
    patches.append(Patch("screen", "screen", (), 15.0, factors_of_screen[2] > 0))
    return scene_of(
        origin,
        u,
        v,
        np.arange(7),
        patches,
        np.concatenate([walls, screen]),
        omnidirectional((2, 3, 1)),
        seats(receiver),
    )


def test_a_solid_screen_hides_the_direct_sound_and_a_cloth_weakens_it():
    behind = (8.5, 3, 1)
    (solid,) = find_image_paths(screen_in_box((0.9, 0, 0), behind), 1, 1e3)
    assert 0 not in solid.order
    # Over the top: only by the ceiling; floor and side walls meet the screen.
    assert sorted(solid.order.tolist()) == [1]
    assert solid.length[0] == pytest.approx(np.hypot(6.5, 6))

    scene = screen_in_box((0.2, 0, 0.5), behind)
    (cloth,) = find_image_paths(scene, 0, 1e3)
    sums = sum_image_paths(scene, [cloth], np.array([0.0, 1.0]), np.array([1.0]), slice(0, 1), slice(0, 1))
    assert sums.direct[0, 0, 0] == pytest.approx(0.5 * 10**9.4 / 6.5**2, rel=1e-12)


def test_a_cloth_mirrors_on_the_side_of_the_source():
    scene = screen_in_box((0.2, 0, 0.5), (3, 3, 1))
    (paths,) = find_image_paths(scene, 1, 1e3)
    off_cloth = [np.any(e[:n] == 3 * 6) for e, n in zip(paths.events, paths.n_events)]
    assert sum(off_cloth) == 1
    # Image at x = 8, one metre beside the line y = 3.
    assert paths.length[np.flatnonzero(off_cloth)[0]] == pytest.approx(5.0)


def test_non_convex_room_against_dense_specular_rays():
    """An L-shaped room: every valid second-order path found by brute enumeration of mirror points is found here.

    The independent answer: mirror the source in both planes, intersect the legs in double precision with all walls
    by the plain triangle test of the reference, and ask whether anything else is met first.
    """
    from reference.brute_force import closest_hits

    # Corners of an L in plan, 8 x 8 m with a 4 x 4 m piece missing; 3 m high.
    plan = np.array([[0, 0], [8, 0], [8, 4], [4, 4], [4, 8], [0, 8]], float)
    z = np.array([0, 0, 3.0])
    origin, u, v = [], [], []
    for a, b in zip(plan, np.roll(plan, -1, axis=0)):
        origin.append([*a, 0]), u.append([*(b - a), 0]), v.append(z)
    for height in (0.0, 3.0):
        for corner, size in (((0, 0), (8, 4)), ((0, 4), (4, 4))):
            origin.append([*corner, height]), u.append([size[0], 0, 0]), v.append([0, size[1], 0])
    origin, u, v = (np.array(x, float) for x in (origin, u, v))
    n = len(origin)
    patches = [Patch(str(i), str(i), (), 1.0, False) for i in range(n)]
    factors = surface_factors(np.full((n, 1, 8), 0.1), np.zeros((n, 1, 8)))
    source, receivers = (
        np.array([6.5, 1.3, 1.1]),
        np.array([[1.7, 6.2, 1.4], [3.1, 2.2, 1.2], [7.1, 3.3, 0.9], [2.2, 7.5, 2.0]]),
    )
    scene = scene_of(origin, u, v, np.arange(n), patches, factors, omnidirectional(source), seats(receivers))
    (paths,) = find_image_paths(scene, 2, 1e3)

    normal = np.cross(u, v)
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    mirror_of = scene.surfaces.mirror
    first_of = [int(np.flatnonzero(mirror_of == m)[0]) for m in range(mirror_of.max() + 1)]

    def reflect(point, m):
        k = first_of[m]
        return point - 2 * ((point - origin[k]) @ normal[k]) * normal[k]

    def free(a, b, via):
        """First thing met from a towards b (beyond b counts as free), as a mirror number; None if nothing."""
        d = b - a
        length = np.linalg.norm(d)
        t, which = closest_hits(
            (a + 1e-7 * d)[None], (d / length)[None], np.array([-1]), origin, u, v, np.zeros(n, bool), 1e-6
        )
        return None if t[0] > length + 1e-6 else mirror_of[which[0]]

    for r, receiver in enumerate(receivers):
        expected = []
        sequences = (
            [()]
            + [(a,) for a in range(len(first_of))]
            + [(a, b) for a in range(len(first_of)) for b in range(len(first_of)) if a != b]
        )
        for sequence in sequences:
            images = [source]
            for m in sequence:
                images.append(reflect(images[-1], m))
            at, ok = receiver, True
            for k in range(len(sequence), 0, -1):
                plane = first_of[sequence[k - 1]]
                here, there = (
                    (at - origin[plane]) @ normal[plane],
                    (images[k] - origin[plane]) @ normal[plane],
                )
                if here * there >= 0:
                    ok = False
                    break
                point = at + here / (here - there) * (images[k] - at)
                if free(at, point, k) != sequence[k - 1]:
                    ok = False
                    break
                at = point
            if ok and free(at, source, 0) is None:
                expected.append(np.linalg.norm(images[-1] - receiver))
        got = np.sort(paths.length[paths.receiver == r])
        np.testing.assert_allclose(got, np.sort(expected), rtol=1e-9)
