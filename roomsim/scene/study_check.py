"""The check of a study or of a venue, from its file."""

from __future__ import annotations

from pathlib import Path

from ..venue.reading import read_study
from .checks import check_venue
from .findings import Finding
from .venue_only import check_venue_file, is_venue_file


def check(study: str | Path) -> list[Finding]:
    """Find what is wrong with a study, or should be known about it, before anything is computed.

    Parameters
    ----------
    study : path of the study file, or of a venue file, which is then checked without a study

    Raises
    ------
    DocumentError, MeshError, SceneError : a file cannot be read at all, or names something that does not exist
    """
    if is_venue_file(Path(study)):
        return check_venue_file(Path(study))
    described = read_study(study)
    return check_venue(described)
