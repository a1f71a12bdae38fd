"""Deposits at seats: the tree of boxes against a loop over all spheres in double precision."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest
from numba import njit
from reference.brute_force import sphere_chords
from scenes import seats

from roomsim.tracing import _closest, _plain, _wide
from roomsim.tracing._paths import Course, Place
from roomsim.tracing._seats import MAX_CROSSING, add_crossing, deposit, new_crossings
from roomsim.tracing.seats import build_tree

RNG = np.random.default_rng(5)


def _grid(n_x, n_y, z):
    x, y = np.meshgrid(0.9 * np.arange(n_x) + 2.0, 0.9 * np.arange(n_y) + 2.0, indexing="ij")
    return np.stack([x, y, np.full_like(x, z)], axis=-1).reshape(-1, 3)


PLACES = {
    "one seat": np.array([[8.0, 6.0, 1.2]]),
    "eight seats": _grid(4, 2, 1.2),
    "nine seats": _grid(3, 3, 1.2),
    "a floor": _grid(24, 25, 1.2),
    "two balconies": np.concatenate([_grid(20, 10, 1.2), _grid(20, 4, 4.5), _grid(20, 4, 7.1)]),
    "overlapping": RNG.uniform((5, 5, 1), (9, 7, 2), (300, 3)),
    "all at one place": np.full((70, 3), 6.0),
    "outside the room": np.concatenate([_grid(5, 5, 1.2), [[-40.0, 3.0, 1.0], [10.0, 90.0, -30.0]]]),
    "10,000 seats": _grid(100, 100, 1.2),
}


def seats_of(name):
    """Positions that single precision holds, and radii that differ from seat to seat."""
    position = PLACES[name].astype(np.float32).astype(float)
    radius = np.random.default_rng(len(position)).uniform(0.1, 0.7, len(position))
    return position, radius


def segments(position, n=400):
    """Origins, unit directions and lengths of segments round the seats: most aimed at one, some along the axes, some
    that begin or end in a sphere."""
    rng = np.random.default_rng(3)
    origins = rng.uniform((0, 0, 0), (24, 25, 9), (n, 3))
    aims = position[rng.integers(len(position), size=n)] + rng.normal(0, 0.4, (n, 3))
    directions = aims - origins
    distance = np.linalg.norm(directions, axis=1)
    directions /= distance[:, None]
    lengths = distance * rng.uniform(0.3, 2.5, n)
    lengths[::4] = distance[::4]
    origins[1::8] = aims[1::8]
    axes = np.concatenate([np.eye(3), -np.eye(3)])
    directions[2::8] = axes[rng.integers(6, size=len(directions[2::8]))]
    origins[2::8] = aims[2::8] - 5.0 * directions[2::8]
    return tuple(x.astype(np.float32) for x in (origins, directions, lengths))


class Kept(NamedTuple):
    n_deposits: np.ndarray
    receiver: np.ndarray
    path_length: np.ndarray
    chord: np.ndarray


@njit
def _run(tree, origins, directions, lengths, travelled, group, crossings, kept):
    layer = tree.layer[0], tree.layer[1]
    n_crossing, n_kept = 0, 0
    for i in range(len(origins)):
        origin = origins[i, 0], origins[i, 1], origins[i, 2]
        place = Place(origin, (directions[i, 0], directions[i, 1], directions[i, 2]), origin, -1)
        course = Course(travelled[i], 1.0, 1.0, 0, 0, False)
        n_crossing = add_crossing(n_crossing, crossings, layer, place, course, lengths[i], i)
        if n_crossing == group or i == len(origins) - 1:
            n_kept = deposit(n_crossing, crossings, tree, n_kept, kept)
            n_crossing = 0
            if n_kept < 0:
                break
    return n_kept


def deposits(position, radius, rays, group=MAX_CROSSING, room=2_000_000):
    """Segment, receiver, path length and chord per volume of every deposit; None if there was no room."""
    n = len(rays[0])
    travelled = np.linspace(0, 100, n, dtype=np.float32)
    kept = Kept(
        np.zeros(n, np.uint16), np.empty(room, np.uint32), np.empty(room, np.float32), np.empty(room, np.float32)
    )
    tree = build_tree(seats(position), radius)
    n_kept = _run(tree, *rays, travelled, group, new_crossings(tree), kept)
    if n_kept < 0:
        return None
    assert kept.n_deposits.sum() == n_kept
    return np.repeat(np.arange(n), kept.n_deposits), *(part[:n_kept] for part in kept[1:])


def misses(position, radius, got, rays):
    """Share of pairs of segment and seat at which deposits are not those of the loop over all spheres."""
    origins, directions, lengths = (x.astype(float) for x in rays)
    chord, middle, half_squared = sphere_chords(origins, directions, lengths, position, radius)
    segment, receiver, path_length, per_volume = got
    assert len(set(zip(segment.tolist(), receiver.tolist()))) == len(segment), "a seat counted twice"
    length = np.zeros(chord.shape)
    length[segment, receiver] = per_volume * (4 / 3 * np.pi * radius**3)[receiver]
    # Single precision, D between origin and centre: 14 roundings of D squared make up the square of half the chord,
    # among them those that leave a direction longer or shorter than 1. The root of it errs by that over itself.
    squared = np.linalg.norm(position[None] - origins[:, None], axis=2) ** 2
    error = 14 * 2.0**-24 * squared + 1e-7
    error = 2 * error / np.sqrt(np.maximum(half_squared, error)) + 8 * 2.0**-24 * np.sqrt(squared) + 1e-7
    wrong = np.abs(length - np.maximum(chord, 0.0)) > error
    travelled = np.linspace(0, 100, len(origins), dtype=np.float32)[segment]
    expected = travelled + middle[segment, receiver]
    # Of a deposit that the other side does not have, being too short, there is no middle to compare.
    there = chord[segment, receiver] > 0
    apart = np.abs(path_length - expected)[there] > (error[segment, receiver] + 2.0**-22 * expected)[there]
    return np.count_nonzero(wrong) + np.count_nonzero(apart)


@pytest.mark.parametrize("name", PLACES)
def test_deposits_are_those_of_a_loop_over_all_spheres(name):
    position, radius = seats_of(name)
    rays = segments(position)
    got = deposits(position, radius, rays)
    assert len(got[0]) > 100
    assert misses(position, radius, got, rays) == 0


def test_control_a_displaced_seat_is_noticed():
    position, radius = seats_of("a floor")
    rays = segments(position)
    got = deposits(position, radius, rays)
    moved = position.copy()
    moved[300, 0] += 0.01
    assert (got[1] == 300).any() and misses(moved, radius, got, rays) > 0


@pytest.mark.parametrize("name", PLACES)
def test_segments_together_or_one_by_one_give_the_same_deposits_in_the_same_order(name):
    position, radius = seats_of(name)
    rays = segments(position)
    together, alone = (deposits(position, radius, rays, group) for group in (MAX_CROSSING, 1))
    for a, b in zip(together, alone):
        assert np.array_equal(a, b)


def test_deposits_that_do_not_fit_are_refused():
    position, radius = seats_of("overlapping")
    rays = segments(position, 60)
    n = len(deposits(position, radius, rays)[0])
    assert deposits(position, radius, rays, room=n - 60) is None


@pytest.mark.parametrize("n", [1, 8, 9, 64, 65, 600, 4097])
def test_every_seat_is_in_one_pack_and_every_box_within_its_parents(n):
    position = np.random.default_rng(n).uniform(0, 30, (n, 3))
    tree = build_tree(seats(position), np.full(n, 0.5))
    filled = tree.spheres.reshape(-1, 4, 8)[:, 3].ravel() > 0
    assert sorted(tree.member[filled]) == list(range(n))
    boxes = tree.boxes.reshape(-1, 2, 3, 8).transpose(0, 3, 1, 2)
    for first, middle, last in zip(tree.level, tree.level[1:], tree.level[2:]):
        parents = boxes[first:middle].reshape(-1, 2, 3)
        for parent, node in zip(parents, boxes[middle:last]):
            assert (node[:, 0] >= parent[0]).all() and (node[:, 1] <= parent[1]).all()
    assert np.diff(tree.level)[0] == 1
    low, high = (boxes[tree.level[-2] :, :, k].reshape(-1, 3).repeat(8, axis=0)[: len(filled)] for k in (0, 1))
    centre = position[tree.member]
    assert (centre - 0.5 > low)[filled].all() and (centre + 0.5 < high)[filled].all()


def _steps(form):
    """Masks, distances and appended numbers of a form, vectors or loops, for one node and one pack."""
    hit_boxes, hit_spheres, append_bits = form.hit_boxes, form.hit_spheres, form.append_bits

    @njit
    def run(nodes, spheres, origins, directions, lengths, masks, lanes, appended):
        n = np.int64(0)
        for i in range(len(origins)):
            o, d = origins[i], directions[i]
            x, y, z = 1 / d[0], 1 / d[1], 1 / d[2]
            masks[i, 0] = hit_boxes(
                nodes, np.int64(48), 0 if x >= 0 else 3, 1 if y >= 0 else 4, 2 if z >= 0 else 5,
                x, y, z, -o[0] * x, -o[1] * y, -o[2] * z, lengths[i], lanes[i],
            )  # fmt: skip
            masks[i, 1] = hit_spheres(
                spheres, np.int64(32), o[0], o[1], o[2], d[0], d[1], d[2], lanes[i], np.int64(8)
            )
            n = append_bits(appended, n, np.int32(100 * i), masks[i, 0])
        return n

    return run


def test_vectors_and_loops_take_the_same_steps():
    rng = np.random.default_rng(1)
    n = 500
    low = rng.uniform(0, 8, (2, 3, 8))
    nodes = np.concatenate([low, low + rng.uniform(1, 8, (2, 3, 8))], axis=1).astype(np.float32).ravel()
    spheres = rng.uniform(1, 9, (2, 4, 8)).astype(np.float32).ravel()
    origins, directions = (x.astype(np.float32) for x in (rng.uniform(0, 10, (n, 3)), rng.normal(size=(n, 3))))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    lengths = rng.uniform(0, 10, n).astype(np.float32)
    results = []
    for form in (_wide, _plain):
        masks, lanes = np.zeros((n, 2), np.int32), np.zeros((n, 24), np.float32)
        appended = np.zeros(8 * n + 8, np.int32)
        n_appended = _steps(form)(nodes, spheres, origins, directions, lengths, masks, lanes, appended)
        results.append((masks, lanes, appended[:n_appended]))
    (masks, lanes, appended), (plain_masks, plain_lanes, plain_appended) = results
    # No box and no sphere of this draw is missed or met by so little that rounding decides.
    assert np.array_equal(masks, plain_masks) and np.array_equal(appended, plain_appended)
    assert 0.05 < np.unpackbits(masks[:, 0].astype(np.uint8)).mean() < 0.95
    # Coordinates of up to 16 m, rounded some four times, times the inverse direction; squares of 17 m, some ten times.
    slope = np.abs(1 / directions).max(axis=1)[:, None]
    assert (np.abs(lanes - plain_lanes)[:, :8] <= 64 * 2.0**-24 * slope).all()
    assert (np.abs(lanes - plain_lanes)[:, 8:] <= 3000 * 2.0**-24).all()


def _scaling(form):
    scale_and_largest = form.scale_and_largest

    @njit
    def run(lanes, table, at):
        return scale_and_largest(lanes, table, at)

    return run


@pytest.mark.parametrize("form", [_wide, _plain])
def test_scaling_finds_the_largest(form):
    table = np.random.default_rng(2).random((5, 16)).astype(np.float32)
    lanes, expected, run = np.full(16, 2.0, np.float32), np.full(16, 2.0, np.float32), _scaling(form)
    for row in range(5):
        largest = run(lanes, table.reshape(-1), np.int64(16 * row))
        expected = expected * table[row]
        assert np.array_equal(lanes, expected) and largest == expected.max()


def test_the_fast_steps_are_the_ones_in_use():
    assert _closest.hit_boxes is _wide.hit_boxes and _closest.append_bits is _wide.append_bits
