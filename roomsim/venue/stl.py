"""STL files. They hold triangles only: no names, no unit, no axis."""

from __future__ import annotations

import io
import re
import struct

import numpy as np
import trimesh

from roomsim.errors import MeshError
from roomsim.venue.polygons import RawMesh, triangle_mesh

_HEADER, _TRIANGLE = 84, 50
"""Bytes of a binary file's header and of each triangle."""


def read_stl(content: bytes, file: str) -> RawMesh:
    """Read the bytes of an STL file, binary or text.

    Parameters
    ----------
    content : bytes of the file
    file : its name, for messages

    Raises
    ------
    MeshError : the file ends early or is damaged; trimesh would return an empty mesh
    """
    expected = _expected_triangles(content, file)
    try:
        scene = trimesh.load_scene(io.BytesIO(content), file_type="stl", process=False)
        parts = [np.asarray(part.triangles, dtype=np.float64) for part in scene.geometry.values()]
    except Exception as error:  # trimesh raises whatever its parsing runs into
        raise _damaged(file, f"{type(error).__name__}: {error}"[:200]) from error
    corners = np.concatenate([*parts, np.empty((0, 3, 3))])
    if len(corners) != expected:
        raise _damaged(file, f"{expected} triangles announced, {len(corners)} found")
    faces = np.arange(3 * len(corners)).reshape(-1, 3)
    return triangle_mesh(corners.reshape(-1, 3), faces, np.zeros(len(faces)), (("", "", ""),))


def _expected_triangles(content: bytes, file: str) -> int:
    """Number of triangles that the file says it has."""
    if len(content) >= _HEADER:
        count = struct.unpack_from("<I", content, 80)[0]
        if len(content) == _HEADER + _TRIANGLE * count:
            return count
    if content.lstrip()[:5].lower() != b"solid":
        held = max(0, len(content) - _HEADER) / _TRIANGLE
        announced = (
            f"{count} triangles are announced, and there is room for {held:.1f}" if held else "no header"
        )
        raise _damaged(file, announced)
    if not re.search(rb"^\s*endsolid", content, re.MULTILINE | re.IGNORECASE):
        raise _damaged(file, "the text has no endsolid")
    facets = len(re.findall(rb"^\s*facet\b", content, re.MULTILINE | re.IGNORECASE))
    number = rb"\s+[-+0-9.e]+"
    vertices = len(re.findall(rb"^\s*vertex" + 3 * number + rb"\s*$", content, re.MULTILINE | re.IGNORECASE))
    if vertices != 3 * facets:
        raise _damaged(file, f"{facets} facets with {vertices} readable vertices")
    return facets


def _damaged(file: str, what: str) -> MeshError:
    return MeshError(
        f"the file ends early or is damaged ({what})", file=file, cure="Export it again, and copy it whole."
    )
