"""Eight invented halls of different kinds, each a complete study as a technical lead would write it.

    study = write_hall("tent", folder)

The TOML files of each are in a folder of its name; its mesh, and measured directivities where it has any, are generated
here. Together the halls use every kind of element, source, directivity, arrangement of boxes, mesh format and unit. All
of it is invented.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np

from .shells import Shell, write_mesh

X, Y, Z = np.eye(3)
FOLDER = Path(__file__).parent


def write_hall(name: str, folder: Path) -> Path:
    """Write the study of a hall to a folder, which is created; return the path of its study file."""
    folder.mkdir(parents=True, exist_ok=True)
    for path in sorted((FOLDER / name).iterdir()):
        shutil.copy(path, folder / path.name)
    HALLS[name](folder)
    return folder / "study.toml"


def floor(shell: Shell, group: str, x: tuple[float, ...], y: tuple[float, ...], without=()) -> None:
    """A level floor at height 0, cut at x and y; `without` are its rectangles that are covered by an object."""
    groups = [[None if (i, j) in without else group for j in range(len(y) - 1)] for i in range(len(x) - 1)]
    shell.add_grid(groups, (0, 0, 0), X, Y, (x, y), (x[0], y[0], 10.0))


def ceiling(shell: Shell, group: str, x: tuple[float, float], y: tuple[float, float], height: float) -> None:
    shell.add_grid([[group]], (0, 0, height), X, Y, (x, y), (x[0], y[0], -10.0))


def wall(shell: Shell, groups, at, along, steps, heights, seen_from) -> None:
    """An upright wall from the plan point `at` along x or y, cut into rectangles of these groups."""
    shell.add_grid(groups, (*at, 0.0), along, Z, (steps, heights), seen_from)


# --- the halls ------------------------------------------------------------------------------------------


def black_box(folder: Path) -> None:
    """A studio with curtains all round, carpet and an absorbing ceiling: 20 x 14 x 6 m."""
    shell, inside = Shell(), (10.0, 7.0, 3.0)
    floor(shell, "floor", (0, 1, 5, 20), (0, 4, 10, 14), without={(1, 1)})
    shell.add_box({"": "stage_front", "t": "stage_top"}, (1, 4, 0), (5, 10, 0.6), "wenst")
    ceiling(shell, "ceiling", (0, 20), (0, 14), 6.0)
    wall(shell, [["curtain_west"]], (0, 0), Y, (0, 14), (0, 6), inside)
    wall(shell, [["curtain_east"]], (20, 0), Y, (0, 14), (0, 6), inside)
    wall(shell, [["curtain_south"]], (0, 0), X, (0, 20), (0, 6), inside)
    dock = [["curtain_north"] * 2, ["dock_door", "curtain_north"], ["curtain_north"] * 2]
    wall(shell, dock, (0, 14), X, (0, 15, 18, 20), (0, 3, 6), inside)
    write_mesh(shell, folder / "black_box.obj")


def riding_school(folder: Path) -> None:
    """A riding school: sand, kick boards, a steel roof with a strip of rooflight in each slope; 40 x 20 m."""
    shell, inside = Shell(), (20.0, 10.0, 2.0)
    floor(shell, "sand", (0, 40), (0, 20))
    for y in (0, 20):
        name = "south" if y == 0 else "north"
        panes = [[f"kickboard_{name}", "wall_long" if i % 2 == 0 else "window_long"] for i in range(7)]
        wall(shell, panes, (0, y), X, (0, 4, 10, 14, 20, 24, 30, 40), (0, 1.6, 4.0), inside)
    doors = [["kickboard_east", "wall_east"], ["gate_east", "gate_east"], ["kickboard_east", "wall_east"]]
    wall(shell, [["kickboard_west", "wall_west"]], (0, 0), Y, (0, 20), (0, 1.6, 4.0), inside)
    wall(shell, doors, (40, 0), Y, (0, 8, 12, 20), (0, 1.6, 4.0), inside)
    for x, name in ((0, "wall_west"), (40, "wall_east")):
        shell.add(name, [(x, 0, 4), (x, 20, 4), (x, 10, 7.5)], inside)
    slope = np.array([0.0, 10.0, 3.5])
    strips = [["roof", "rooflight", "roof"]]
    shell.add_grid(strips, (0, 0, 4), X, slope, ((0, 40), (0, 0.4, 0.6, 1)), inside)
    shell.add_grid(strips, (0, 20, 4), X, slope * (1, -1, 1), ((0, 40), (0, 0.4, 0.6, 1)), inside)
    write_mesh(shell, folder / "riding_school.glb", up="y")


def vault(folder: Path) -> None:
    """A barrel vault of brick in one piece over a floor of the same: 28 x 10 m, 7 m at the crown."""
    shell, inside, n = Shell(), (14.0, 5.0, 2.0), 12
    angle = np.linspace(0.0, np.pi, n + 1)
    arc = np.stack([5.0 - 5.0 * np.cos(angle), 2.0 + 5.0 * np.sin(angle)], axis=1)
    floor(shell, "brick", (0, 28), (0, 10))
    for y in (0, 10):
        wall(shell, [["brick"]], (0, y), X, (0, 28), (0, 2), inside)
    for (y0, z0), (y1, z1) in pairwise(arc):
        shell.add("brick", [(0, y0, z0), (28, y0, z0), (28, y1, z1), (0, y1, z1)], inside)
    for x in (0, 28):
        shell.add("brick", [(x, 0, 0), (x, 10, 0), *((x, y, z) for y, z in arc[::-1])], inside)
    write_mesh(shell, folder / "vault.ply", unit="cm")


def l_shape(folder: Path) -> None:
    """A former bakery: a hall of 24 x 10 m and a wing of 10 x 12 m round the corner, 5 m high, one surface."""
    shell = Shell()
    plan = [(0, 0), (24, 0), (24, 22), (14, 22), (14, 10), (0, 10)]
    first, second = (7.0, 5.0, 2.0), (19.0, 16.0, 2.0)
    for z, side in ((0.0, 1.0), (5.0, -1.0)):
        for x, y in (((0, 14, 24), (0, 10)), ((14, 24), (10, 22))):
            shell.add_grid([["shell"]] * (len(x) - 1), (0, 0, z), X, Y, (x, y), (1, 1, z + side))
    for (x0, y0), (x1, y1) in zip(plan, plan[1:] + plan[:1]):
        seen_from = second if max(y0, y1) > 10 and min(x0, x1) >= 14 else first
        shell.add("shell", [(x0, y0, 0), (x1, y1, 0), (x1, y1, 5), (x0, y0, 5)], seen_from)
    write_mesh(shell, folder / "bakery.stl", unit="mm", up="y")


def foyer(folder: Path) -> None:
    """A treated hall of 22 x 16 x 8 m with a hard foyer of 12 x 12 x 4 m behind an opening of 5 x 3.5 m."""
    shell, hall, hard = Shell(), (10.0, 8.0, 3.0), (28.0, 8.0, 2.0)
    floor(shell, "hall_floor", (0, 22), (0, 16))
    ceiling(shell, "hall_ceiling", (0, 22), (0, 16), 8.0)
    wall(shell, [["hall_wall"]], (0, 0), Y, (0, 16), (0, 8), hall)
    for y in (0, 16):
        wall(shell, [["hall_wall"]], (0, y), X, (0, 22), (0, 8), hall)
    gap = [["hall_wall"] * 2, [None, "hall_wall"], ["hall_wall"] * 2]
    wall(shell, gap, (22, 0), Y, (0, 5.5, 10.5, 16), (0, 3.5, 8), hall)
    neck = (22.2, 8.0, 1.5)
    shell.add("neck", [(22, 5.5, 0), (22.4, 5.5, 0), (22.4, 10.5, 0), (22, 10.5, 0)], neck)
    shell.add("neck", [(22, 5.5, 3.5), (22.4, 5.5, 3.5), (22.4, 10.5, 3.5), (22, 10.5, 3.5)], neck)
    for y in (5.5, 10.5):
        shell.add("neck", [(22, y, 0), (22.4, y, 0), (22.4, y, 3.5), (22, y, 3.5)], neck)
    gap = [["foyer_wall"] * 2, [None, "foyer_wall"], ["foyer_wall"] * 2]
    wall(shell, gap, (22.4, 0), Y, (2, 5.5, 10.5, 14), (0, 3.5, 4), hard)
    panes = [["foyer_wall"], ["foyer_glass"], ["foyer_wall"]]
    wall(shell, panes, (34.4, 0), Y, (2, 4, 12, 14), (0, 4), hard)
    for y in (2, 14):
        wall(shell, [["foyer_wall"]], (0, y), X, (22.4, 34.4), (0, 4), hard)
    shell.add("foyer_floor", [(22.4, 2, 0), (34.4, 2, 0), (34.4, 14, 0), (22.4, 14, 0)], hard)
    ceiling(shell, "foyer_ceiling", (22.4, 34.4), (2, 14), 4.0)
    write_mesh(shell, folder / "foyer.obj", label="usemtl")


def gallery(folder: Path) -> None:
    """A town hall of 26 x 16 x 9 m with a gallery of 8 m over the rear stalls, two steps and a parapet."""
    shell, inside = Shell(), (9.0, 8.0, 3.0)
    floor(shell, "stalls", (0, 1, 6, 26), (0, 3, 13, 16), without={(1, 1)})
    shell.add_box({"": "stage_front", "t": "stage_top"}, (1, 3, 0), (6, 13, 1), "wenst")
    ceiling(shell, "ceiling", (0, 26), (0, 16), 9.0)
    wall(shell, [["wall_stage"]], (0, 0), Y, (0, 16), (0, 9), inside)
    below, above = (22.0, 8.0, 2.0), (22.0, 8.0, 7.0)
    for y in (0, 16):
        wall(shell, [["wall_side"]], (0, y), X, (0, 18), (0, 9), inside)
        wall(shell, [["wall_side"]], (0, y), X, (18, 26), (0, 3.4), below)
        wall(shell, [["wall_side"]], (0, y), X, (18, 18.2), (4.9, 9), above)
        wall(shell, [["wall_side"]], (0, y), X, (18.2, 22), (4.0, 9), above)
        wall(shell, [["wall_side"]], (0, y), X, (22, 26), (4.5, 9), above)
    wall(shell, [["wall_rear"]], (26, 0), Y, (0, 16), (0, 3.4), below)
    wall(shell, [["wall_rear"]], (26, 0), Y, (0, 16), (4.5, 9), above)
    shell.add("soffit", [(18, 0, 3.4), (26, 0, 3.4), (26, 16, 3.4), (18, 16, 3.4)], (20, 8, 0))
    wall(shell, [["parapet"]], (18, 0), Y, (0, 16), (3.4, 4.9), (9, 8, 4))
    wall(shell, [["parapet"]], (18.2, 0), Y, (0, 16), (4.0, 4.9), above)
    shell.add("parapet", [(18, 0, 4.9), (18.2, 0, 4.9), (18.2, 16, 4.9), (18, 16, 4.9)], above)
    shell.add("gallery", [(18.2, 0, 4), (22, 0, 4), (22, 16, 4), (18.2, 16, 4)], above)
    wall(shell, [["gallery_riser"]], (22, 0), Y, (0, 16), (4.0, 4.5), (20, 8, 4.2))
    shell.add("gallery", [(22, 0, 4.5), (26, 0, 4.5), (26, 16, 4.5), (22, 16, 4.5)], above)
    write_mesh(shell, folder / "town_hall.obj", unit="cm", up="y", label="o")


def tent(folder: Path) -> None:
    """A marquee of 24 x 15 m, eaves 3 m, ridge 6.5 m from x = 6 to 18 with hipped ends; a deck and a screen."""
    shell, inside = Shell(), (12.0, 7.5, 2.0)
    floor(shell, "grass", (0, 1, 5, 24), (0, 4, 11, 15), without={(1, 1)})
    shell.add_box({"": "stage_front", "t": "stage_top"}, (1, 4, 0), (5, 11, 0.8), "wenst")
    for y, name in ((0, "side_south"), (15, "side_north")):
        wall(shell, [[f"{name}_{i + 1}"] for i in range(3)], (0, y), X, (0, 8, 16, 24), (0, 3), inside)
    for x, name in ((0, "side_west"), (24, "side_east")):
        wall(shell, [[name]], (x, 0), Y, (0, 15), (0, 3), inside)
    west, east = (6.0, 7.5, 6.5), (18.0, 7.5, 6.5)
    shell.add("roof", [(0, 0, 3), (24, 0, 3), east, west], inside)
    shell.add("roof", [(0, 15, 3), (24, 15, 3), east, west], inside)
    shell.add("roof", [(0, 0, 3), (0, 15, 3), west], inside)
    shell.add("roof", [(24, 0, 3), (24, 15, 3), east], inside)
    shell.add("bar_screen", [(21, 2, 0.05), (21, 9, 0.05), (21, 9, 2.4), (21, 2, 2.4)], inside)
    write_mesh(shell, folder / "marquee.gltf", up="y")


def sports_hall(folder: Path) -> None:
    """A sports hall of 42 x 34 m, only 6.5 m high, with four beams below the roof and a scoreboard."""
    shell, inside = Shell(), (20.0, 17.0, 3.0)
    floor(shell, "floor", (0, 42), (0, 34))
    ceiling(shell, "roof", (0, 42), (0, 34), 6.5)
    doors = [["wall_west", "wall_west"], ["store_doors", "wall_west"], ["wall_west", "wall_west"]]
    wall(shell, doors, (0, 0), Y, (0, 14, 20, 34), (0, 2.5, 6.5), inside)
    wall(shell, [["wall_east", "glazing"]], (42, 0), Y, (0, 34), (0, 3, 6.5), inside)
    for y, name in ((0, "wall_south"), (34, "wall_north")):
        wall(shell, [[name]], (0, y), X, (0, 42), (0, 6.5), inside)
    for i in range(4):
        x = 8.0 + 8.5 * i
        shell.add_box({"": f"beam_{i + 1}"}, (x, 0.05, 5.6), (x + 0.4, 33.95, 6.45))
    shell.add("scoreboard", [(3, 33, 3), (8, 33, 3), (8, 33, 5), (3, 33, 5)], (5, 20, 3))
    write_mesh(shell, folder / "sports_hall.obj", unit="ft")
    _measured_box(folder / "box.sofa")


def _measured_box(path: Path) -> None:
    """A cardioid with a mild beam at high frequencies, as a measurement over the sphere in the form of AES69."""
    from sofa_files import write_sofa

    elevation, azimuth = np.radians(np.meshgrid(np.arange(-90, 91, 15), np.arange(0, 360, 15), indexing="ij"))
    directions = np.stack(
        [np.cos(elevation) * np.cos(azimuth), np.cos(elevation) * np.sin(azimuth), np.sin(elevation)], axis=-1
    )
    directions = np.unique(np.round(directions.reshape(-1, 3), 9), axis=0)
    frequency = 1000.0 * 2.0 ** np.arange(-5.0, 4.01, 1.0 / 3.0)
    beam = 1.0 + np.clip(np.log2(frequency / 250.0), 0.0, 4.0)
    pressure = ((1.02 + directions[:, :1]) / 2.02) ** beam
    write_sofa(path, directions, frequency, pressure.astype(complex))


HALLS: dict[str, Callable[[Path], None]] = {
    "black_box": black_box,
    "riding_school": riding_school,
    "vault": vault,
    "l_shape": l_shape,
    "foyer": foyer,
    "gallery": gallery,
    "tent": tent,
    "sports_hall": sports_hall,
}
