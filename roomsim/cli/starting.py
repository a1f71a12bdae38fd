"""The study that `new` writes: a hall small enough to run in seconds."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from ..errors import StoreError
from ..files import clear_unfinished, make_folder, replace_file

_FILES = ("study.toml", "venue.toml", "elements.toml", "sources.toml")
_LENGTH, _WIDTH, _EAVES, _RIDGE = 24.0, 14.0, 5.0, 7.5
_WINDOWS = (4.0, 20.0, 2.0, 4.0)
"""On the north wall: x from and to, z from and to."""


def new_study(folder: str | Path) -> Path:
    """Write a small study with comments, for the user to change; return the path of its study file.

    Parameters
    ----------
    folder : new or empty

    Raises
    ------
    StoreError : the folder holds something or cannot be written
    """
    folder = Path(folder)
    make_folder(folder)
    clear_unfinished(folder)
    if any(folder.iterdir()):
        raise StoreError("the folder is not empty.", file=folder, cure="Name a new one.")
    templates = files(__package__) / "starter"
    for name in _FILES:
        replace_file(folder / name, (templates / name).read_bytes())
    replace_file(folder / "hall.obj", _hall().encode())
    return folder / _FILES[0]


def _hall() -> str:
    """A hall with a pitched roof and a band of windows, as OBJ; faces run anticlockwise seen from inside."""
    x, y, eaves, ridge = _LENGTH, _WIDTH, _EAVES, _RIDGE
    x0, x1, z0, z1 = _WINDOWS
    groups: dict[str, list[list[tuple[float, float, float]]]] = {
        "floor": [[(0, 0, 0), (x, 0, 0), (x, y, 0), (0, y, 0)]],
        "wall_stage": [[(0, y, 0), (0, y, eaves), (0, y / 2, ridge), (0, 0, eaves), (0, 0, 0)]],
        "wall_back": [[(x, 0, 0), (x, 0, eaves), (x, y / 2, ridge), (x, y, eaves), (x, y, 0)]],
        "wall_south": [[(0, 0, 0), (0, 0, eaves), (x, 0, eaves), (x, 0, 0)]],
        # Four pieces round the windows that share their corners, so that no edge is left open.
        "wall_north": [
            [(x, y, 0), (x1, y, z0), (x0, y, z0), (0, y, 0)],
            [(x, y, 0), (x, y, eaves), (x1, y, z1), (x1, y, z0)],
            [(x, y, eaves), (0, y, eaves), (x0, y, z1), (x1, y, z1)],
            [(0, y, eaves), (0, y, 0), (x0, y, z0), (x0, y, z1)],
        ],
        "windows": [[(x1, y, z0), (x1, y, z1), (x0, y, z1), (x0, y, z0)]],
        "roof": [
            [(0, 0, eaves), (0, y / 2, ridge), (x, y / 2, ridge), (x, 0, eaves)],
            [(0, y, eaves), (x, y, eaves), (x, y / 2, ridge), (0, y / 2, ridge)],
        ],
    }
    corners: dict[tuple[float, float, float], int] = {}
    faces = []
    for name, polygons in groups.items():
        faces.append(f"g {name}")
        for polygon in polygons:
            numbers = [corners.setdefault(point, len(corners) + 1) for point in polygon]
            faces.append("f " + " ".join(map(str, numbers)))
    points = [f"v {px:g} {py:g} {pz:g}" for px, py, pz in corners]
    return "\n".join(["# A hall of 24 x 14 m, in metres, z up", *points, *faces]) + "\n"
