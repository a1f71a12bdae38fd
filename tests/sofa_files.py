"""Directivity files in the convention FreeFieldDirectivityTF (AES69), written for tests of the reader."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import h5py
import numpy as np

CONVENTION = "FreeFieldDirectivityTF"
_CARTESIAN, _SPHERICAL = "cartesian", "spherical"


def write_sofa(
    path: str | Path,
    directions: np.ndarray,
    frequency: np.ndarray,
    pressure: np.ndarray,
    *,
    distance: float = 1.0,
    title: str = "Directivity",
    about: Mapping[str, str] | None = None,
) -> None:
    """Write a directivity as an AES69 file that any reader of the standard opens.

    Parameters
    ----------
    path : replaced if it exists
    directions : (n_directions, 3) float, ahead, left, up of the source
    frequency : (n_frequencies,) float, Hz
    pressure : (n_directions, n_frequencies) complex, at `distance`, m
    about : further global attributes of the standard ("AuthorContact", "License", ...)
    """
    unit = np.asarray(directions, dtype=float)
    unit = unit / np.linalg.norm(unit, axis=1)[:, None]
    azimuth = np.degrees(np.arctan2(unit[:, 1], unit[:, 0])) % 360.0
    elevation = np.degrees(np.arcsin(np.clip(unit[:, 2], -1.0, 1.0)))
    sphere = np.stack([azimuth, elevation, np.full(len(unit), float(distance))], axis=1)
    origin, ahead, upright = np.zeros((1, 3)), np.array([[1.0, 0.0, 0.0]]), np.array([[0.0, 0.0, 1.0]])
    variables: dict[str, tuple[np.ndarray, str, dict[str, str]]] = {
        "ListenerPosition": (origin, "IC", _coordinates(_CARTESIAN)),
        "ListenerView": (ahead, "IC", _coordinates(_CARTESIAN)),
        "ListenerUp": (upright, "IC", {}),
        "ReceiverPosition": (sphere[:, :, None], "RCI", _coordinates(_SPHERICAL)),
        "SourcePosition": (origin, "IC", {**_coordinates(_CARTESIAN), "Reference": "acoustic centre"}),
        "SourceView": (ahead, "IC", {**_coordinates(_CARTESIAN), "Reference": "axis"}),
        "SourceUp": (upright, "IC", {"Reference": "up"}),
        "EmitterPosition": (origin[:, :, None], "ECI", _coordinates(_CARTESIAN)),
        "Data.Real": (pressure.real[None], "MRN", {}),
        "Data.Imag": (pressure.imag[None], "MRN", {}),
    }  # fmt: skip
    lengths = {"M": 1, "R": len(unit), "E": 1, "N": len(frequency), "C": 3, "I": 1, "S": 1}
    with h5py.File(path, "w") as file:
        for name, value in {**_global_attributes(title), **(about or {})}.items():
            file.attrs[name] = np.bytes_(value.encode())
        for name, length in lengths.items():
            _add_dimension(file, name, length, np.asarray(frequency, dtype=float) if name == "N" else None)
        for name, (values, dimensions, attributes) in variables.items():
            dataset = file.create_dataset(name, data=np.asarray(values, dtype=float))
            for axis, dimension in enumerate(dimensions):
                dataset.dims[axis].attach_scale(file[dimension])
            for key, text in attributes.items():
                dataset.attrs[key] = np.bytes_(text.encode())


def _coordinates(kind: str) -> dict[str, str]:
    return {"Type": kind, "Units": "metre" if kind == _CARTESIAN else "degree, degree, metre"}


def _global_attributes(title: str) -> dict[str, str]:
    now = datetime.now(UTC).strftime("%Y-%m-%d %H:%M:%S")
    return {
        "Conventions": "SOFA", "Version": "2.1", "SOFAConventions": CONVENTION,
        "SOFAConventionsVersion": "1.1", "DataType": "TF", "RoomType": "free field",
        "Title": title, "DateCreated": now, "DateModified": now,
        "APIName": "roomsim", "APIVersion": "1", "AuthorContact": "", "Organization": "",
        "License": "No license provided, ask the author for permission", "DatabaseName": "",
        "SourceType": "loudspeaker", "SourceManufacturer": "",
    }  # fmt: skip


def _add_dimension(file: h5py.File, name: str, length: int, values: np.ndarray | None) -> None:
    """A dimension as netCDF-4 has it: a dimension scale, with values only where they are a variable too."""
    if values is None:
        scale: Any = file.create_dataset(name, data=np.zeros(length, dtype=">f4"))
        scale.make_scale(f"This is a netCDF dimension but not a netCDF variable.{length:10d}")
    else:
        scale = file.create_dataset(name, data=values)
        scale.make_scale(name)
        scale.attrs["LongName"] = np.bytes_(b"frequency")
        scale.attrs["Units"] = np.bytes_(b"hertz")
