"""PLY files. Only vertices and polygons are read, without colours and textures."""

from __future__ import annotations

import io
import warnings
from typing import Any

import numpy as np
from trimesh.exchange.ply import load_ply

from roomsim.errors import MeshError
from roomsim.venue.polygons import RawMesh, raw_mesh

_FACE_KEYS = ("vertex_index", "vertex_indices")
"""Both names are used for the list of the corners of a face."""


def read_ply(content: bytes) -> RawMesh:
    """Read the bytes of a PLY file, binary or text.

    Raises
    ------
    MeshError : the file ends early or is damaged; in binary files, faces with different numbers of corners
    """
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")  # NumPy only warns about text that is not a number
            elements = load_ply(io.BytesIO(content), skip_materials=True)["metadata"]["_ply_raw"]
        columns = [_column(elements, "vertex", (axis,)).astype(np.float64) for axis in "xyz"]
        vertices = np.stack(columns, axis=-1).reshape(-1, 3)
        # trimesh cuts polygons into fans; here they are used as they are in the file.
        faces = _column(elements, "face", _FACE_KEYS) if "face" in elements else np.empty((0, 3))
        polygons = [np.atleast_1d(np.asarray(face, dtype=np.int64)) for face in faces]
    except Exception as error:  # trimesh raises many kinds for a damaged file
        raise MeshError(
            f"the file is damaged, or mixes faces of different kinds in binary form ({error})"[:240],
            cure="Export it again, as text (ASCII) or with triangles only.",
        ) from error
    counts = np.array([len(polygon) for polygon in polygons], dtype=np.int64)
    if (counts < 3).any():
        place = f"face {int(np.argmin(counts))}"
        fault = f"a face needs at least three vertices, got {counts.min()}"
        raise MeshError(fault, place=place, cure="Remove the face.")
    return raw_mesh(vertices, np.concatenate([*polygons, np.empty(0, dtype=np.int64)]), counts)


def _column(elements: dict[str, Any], element: str, names: tuple[str, ...]) -> np.ndarray:
    """One property of all rows of an element, in whichever of trimesh's two forms it is."""
    rows, length = elements[element]["data"], elements[element]["length"]
    known = rows if isinstance(rows, dict) else rows.dtype.names
    column = rows[next(name for name in names if name in known)]
    if not isinstance(rows, dict) and column.dtype.names:
        column = column["f1"]  # a list: its length is f0
    if len(column) != length:
        raise ValueError(f"{length} rows of {element} announced, {len(column)} found")
    return column.squeeze(-1) if element == "vertex" and column.ndim == 2 else column
