"""Seats near a surface: a sphere that a wall cuts must not stand for room that no ray can reach."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from venues import rectangle_area, shoebox, write_venue

import roomsim

SIZE = (10.0, 8.0, 6.0)
ABSORPTION = 0.1
LEVEL = 70.0


def test_level_near_the_floor_is_that_of_a_diffuse_room(tmp_path: Path) -> None:
    """L = L1 + 11 + 10 lg(1 / (4 pi r2) + 4 / R), R = A / (1 - a) (any handbook, such as Kuttruff, Room Acoustics),
    for a source of L1 at 1 m. All surfaces scatter by Lambert's law, so the room is diffuse to some tenths of a dB.

    A sphere of the radius asked for, 1 m, about an ear 0.15 m above the floor, lies to
    (2 - 3 u + u^3) / 4 = 39 % below it (u = 0.15): uncut it would hear 2.1 dB too little of what is reflected.
    """
    near, free = 0.15, 2.0
    path = write_venue(
        tmp_path,
        shoebox(SIZE),
        audience=[
            rectangle_area("near", (5.0, 2.0, 9.0, 6.0), (2, 2), ear_height=near),
            rectangle_area("free", (5.0, 2.0, 9.0, 6.0), (2, 2), ear_height=free),
        ],
        absorption=ABSORPTION,
        scattering=1.0,
        sources=[{"name": "talker", "position": [1.5, 2.5, 3.0], "level": [LEVEL] * 8}],
        study={
            "receiver_radius": 1.0,
            "image_order": 0,
            "precision": {"sti": 0.05, "level": 0.1},
            "uncertainty": {"draws": 0},
        },
    )
    results = roomsim.run(path)
    level = results.seats["sound_pressure_level"].value[:, 0, 2]
    x, y, z = SIZE
    surface = 2 * (x * y + x * z + y * z)
    room = surface * ABSORPTION / (1 - ABSORPTION)
    r = np.linalg.norm(results.positions - [1.5, 2.5, 3.0], axis=1)
    expected = LEVEL + 10 * np.log10(4 * np.pi) + 10 * np.log10(1 / (4 * np.pi * r**2) + 4 / room)
    # Room for the walls being no perfect diffusers in all directions (0.4 dB) and four standard errors of 0.1 dB.
    np.testing.assert_allclose(level, expected, atol=0.8)
