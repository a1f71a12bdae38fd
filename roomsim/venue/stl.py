"""STL files. They contain triangles only, without names, unit and axis.

The general reader returns an empty mesh for a truncated file and ignores values that are not numbers; the
format is simple enough to be read here.
"""

from __future__ import annotations

import re
import struct

import numpy as np

from roomsim.errors import MeshError
from roomsim.venue.polygons import RawMesh, raw_mesh

_HEADER = 84
"""Bytes before the first triangle: a text of 80, and the number of triangles."""
_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
# Blanks within a line only: otherwise the search time would grow with the square of the number of empty lines.
_FACET = re.compile(rb"^[ \t]*facet\b", re.MULTILINE | re.IGNORECASE)
_VERTEX = re.compile(
    rb"^[ \t]*vertex" + 3 * rb"[ \t]+([-+0-9.e]+)" + rb"[ \t\r]*$", re.MULTILINE | re.IGNORECASE
)
_END = re.compile(rb"^[ \t]*endsolid", re.MULTILINE | re.IGNORECASE)


def read_stl(content: bytes) -> RawMesh:
    """Read the bytes of an STL file, binary or text.

    Raises
    ------
    MeshError : the file ends early or is damaged
    """
    # A binary file may begin with the first word of the text form; its length decides.
    count = struct.unpack_from("<I", content, 80)[0] if len(content) >= _HEADER else 0
    complete = (len(content) - _HEADER) / _TRIANGLE.itemsize
    if complete == count:
        corners = np.frombuffer(content, _TRIANGLE, offset=_HEADER)["corners"].astype(np.float64)
    elif content.lstrip()[:5].lower() == b"solid":
        corners = _text_corners(content)
    elif complete < 0:
        raise _damaged("the header is missing")
    else:
        raise _damaged(f"it should have {count} triangles, and there is room for {complete:.1f}")
    return raw_mesh(corners.reshape(-1, 3), np.arange(3 * len(corners)), np.full(len(corners), 3))


def _text_corners(content: bytes) -> np.ndarray:
    """(n, 3, 3) corners from the text form."""
    if not _END.search(content):
        raise _damaged("the text has no endsolid")
    facets, vertices = len(_FACET.findall(content)), _VERTEX.findall(content)
    if len(vertices) != 3 * facets:
        raise _damaged(f"{facets} facets with {len(vertices)} readable vertices")
    try:
        return np.array(vertices, dtype="S").astype(np.float64).reshape(-1, 3, 3)
    except ValueError as error:
        raise _damaged(str(error)) from None


def _damaged(what: str) -> MeshError:
    return MeshError(f"the file ends early or is damaged ({what})", cure="Export it again, and copy all of it.")
