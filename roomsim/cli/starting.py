"""The study that `roomsim new` writes: a hall small enough to be computed in seconds."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from ..errors import StoreError
from ..files import clear_unfinished, make_folder, replace_file

_FILES = ("study.toml", "venue.toml", "elements.toml", "sources.toml", "hall.obj")


def new_study(folder: str | Path) -> Path:
    """Write a small study with comments, for the user to change; return the path of its study file.

    Parameters
    ----------
    folder : a new or empty folder

    Raises
    ------
    StoreError : the folder is not empty or cannot be written
    """
    folder = Path(folder)
    make_folder(folder)
    clear_unfinished(folder)
    if any(folder.iterdir()):
        raise StoreError("the folder is not empty.", file=folder, cure="Name a new one.")
    templates = files(__package__) / "starter"
    for name in _FILES:
        replace_file(folder / name, (templates / name).read_bytes())
    return folder / _FILES[0]
