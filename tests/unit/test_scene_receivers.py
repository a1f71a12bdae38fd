"""Seats: how many, where, and which cell of the floor each stands for."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import shapely.affinity
import venues

from roomsim.errors import MeshError, SceneError
from roomsim.scene.receivers import compile_receivers, seat_grid
from roomsim.scene.scene import ReceiverArrays
from roomsim.venue.reading import read_study


def seats_of(folder: Path, shell: venues.Shell, *audience: dict[str, Any]) -> ReceiverArrays:
    study = read_study(venues.write_venue(folder, shell, audience=audience, scenarios=[{"name": "as built"}]))
    return compile_receivers(study)


def test_a_block_of_24_by_16_m_has_30_by_17_seats() -> None:
    seats, row, column, cells = seat_grid(shapely.box(13, 6, 37, 22), (0.8, 0.9), 0.0)
    assert len(seats) == 30 * 17 and row.max() == 16 and column.max() == 29
    # 24 m are 30 spacings; 16 m are 17 of 0.9 m and 0.7 m over, half of it on either side.
    assert seats.min(axis=0) == pytest.approx([13.4, 6.0 + 0.35 + 0.45])
    assert seats.max(axis=0) == pytest.approx([36.6, 22.0 - 0.35 - 0.45])
    assert cells.reshape(-1, 2).min(axis=0) == pytest.approx([13.0, 6.35])


@pytest.mark.parametrize("spacing", [0.1, 0.3, 0.7, 1.1])
def test_a_length_of_whole_spacings_holds_that_many(spacing: float) -> None:
    # 7 * 0.1 is 0.7000000000000001 in binary: rounding must not cost a seat.
    assert len(seat_grid(shapely.box(0, 0, 7 * spacing, spacing), (spacing, spacing), 0.0)[0]) == 7


@pytest.mark.parametrize("rotation", [0.0, 30.0, 90.0, -77.0])
def test_turning_area_and_rows_together_turns_the_seats(rotation: float) -> None:
    block = shapely.Polygon([(0, 0), (9, 0), (9, 4), (5, 4), (5, 7), (0, 7)])
    straight = seat_grid(block, (0.8, 0.9), 0.0)
    turned = seat_grid(shapely.affinity.rotate(block, rotation, origin=(0, 0)), (0.8, 0.9), rotation)
    angle = np.radians(rotation)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    assert turned[0] == pytest.approx(straight[0] @ turn, abs=1e-9)
    assert (turned[1] == straight[1]).all() and (turned[2] == straight[2]).all()
    assert turned[3] == pytest.approx(straight[3] @ turn, abs=1e-9)


def test_a_seat_counts_when_its_middle_is_inside() -> None:
    triangle = shapely.Polygon([(0, 0), (4, 0), (0, 4)])
    seats, row, column, _ = seat_grid(triangle, (1.0, 1.0), 0.0)
    # Middles at half metres under x + y = 4: on the line itself they do not count.
    assert {(int(c), int(r)) for c, r in zip(column, row)} == {
        (c, r) for c in range(4) for r in range(4) if c + r + 1 < 4
    }
    assert all(triangle.contains(shapely.Point(seat)) for seat in seats)


def test_cells_are_rectangles_round_their_seats() -> None:
    seats, _, _, cells = seat_grid(shapely.box(0, 0, 8, 5), (0.8, 0.9), 25.0)
    shapes = shapely.polygons(cells)
    assert shapely.area(shapes) == pytest.approx(0.72)
    assert shapely.get_coordinates(shapely.centroid(shapes)) == pytest.approx(seats)
    assert shapely.area(shapely.union_all(shapes)) == pytest.approx(0.72 * len(seats), rel=1e-9)


def test_areas_follow_each_other_at_ear_height(tmp_path: Path) -> None:
    found = seats_of(
        tmp_path,
        venues.shoebox((10, 8, 5)),
        venues.rectangle_area("stalls", (1, 1, 5, 4), (4, 3), ear_height=1.1),
        venues.rectangle_area("deck", (6, 1, 9, 4), (3, 2), floor=0.5, ear_height=1.7),
    )
    assert found.area_names == ("stalls", "deck")
    assert (found.area == [0] * 12 + [1] * 6).all()
    assert found.position[:12, 2] == pytest.approx(1.1) and found.position[12:, 2] == pytest.approx(2.2)
    assert (found.row[:12] == np.repeat([0, 1, 2], 4)).all()
    assert (found.column[:12] == np.tile([0, 1, 2, 3], 3)).all()
    assert found.radius == 0.5


def raked_hall() -> venues.Shell:
    """10 x 8 x 5 m with a rake from 0.5 m at x 4 to 2.0 m at x 10, an open sheet over the floor."""
    rake = [(4.0, 1.0, 0.5), (10.0, 1.0, 2.0), (10.0, 7.0, 2.0), (4.0, 7.0, 0.5)]
    return venues.with_screen(venues.shoebox((10, 8, 5)), "rake", rake)


def test_seats_on_a_group_stand_on_its_slope(tmp_path: Path) -> None:
    area = {"name": "rake", "group": "rake", "seat_spacing": [1.0, 1.0], "ear_height": 1.2}
    found = seats_of(tmp_path, raked_hall(), area)
    assert found.n_receivers == 36
    x, z = found.position[:, 0], found.position[:, 2]
    # The rake rises 1.5 m over 6 m.
    assert z == pytest.approx(0.5 + 0.25 * (x - 4.0) + 1.2, abs=1e-9)


def test_of_two_floors_of_a_group_the_upper_counts(tmp_path: Path) -> None:
    balcony = [(6.0, 0.0, 3.0), (10.0, 0.0, 3.0), (10.0, 8.0, 3.0), (6.0, 8.0, 3.0)]
    shell = venues.with_screen(venues.shoebox((10, 8, 6)), "seat_balcony", balcony)
    floor = [(2.0, 0.0, 0.2), (10.0, 0.0, 0.2), (10.0, 8.0, 0.2), (2.0, 8.0, 0.2)]
    shell = venues.with_screen(shell, "seat_stalls", floor)
    found = seats_of(tmp_path, shell, {"name": "all", "group": "seat_*", "seat_spacing": [1.0, 1.0]})
    assert found.n_receivers == 64
    assert found.position[found.position[:, 0] > 6.0, 2] == pytest.approx(4.2, abs=1e-9)
    assert found.position[found.position[:, 0] < 6.0, 2] == pytest.approx(1.4, abs=1e-9)


def test_a_group_of_walls_is_no_floor(tmp_path: Path) -> None:
    with pytest.raises(SceneError, match="level enough"):
        seats_of(tmp_path, venues.shoebox(), {"name": "a", "group": "wall_east"})


def test_an_unknown_group_is_named_with_its_near_misses(tmp_path: Path) -> None:
    with pytest.raises(MeshError, match="floor"):
        seats_of(tmp_path, venues.shoebox(), {"name": "a", "group": "flor"})


def test_an_area_without_room_for_a_seat_is_refused(tmp_path: Path) -> None:
    # A V: the middle of the box round it lies outside.
    outline = [[0, 0], [2, 3], [4, 0], [2, 3.2]]
    area = {"name": "V", "polygon": outline, "seat_spacing": [4.0, 3.2]}
    with pytest.raises(SceneError, match="'V' is too small"):
        seats_of(tmp_path, venues.shoebox(), area)
