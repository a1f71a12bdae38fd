"""Directivity over the sphere in AES69 files, convention FreeFieldDirectivityTF (SOFA: netCDF-4, that is
HDF5).

The convention stores complex transfer functions from a source to receivers around it. Files may be malicious:
links and storage outside the file, filters that not every reader has, and arrays larger than the file can contain are
refused before anything is read. All other checks are left to the HDF5 library, so use only files from trusted sources.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import h5py
import numpy as np
from scipy.spatial import cKDTree

from roomsim.errors import DAMAGED_FILE
from roomsim.venue.tables import FileFault, faults_of_file

CONVENTION = "FreeFieldDirectivityTF"
LARGEST_FILE = 512_000_000
LARGEST_ARRAY = 1_000_000_000
"""Bytes of one array as read."""
LARGEST_RATIO = 1032
"""Largest compression ratio of Deflate (RFC 1951, section 3.2.5)."""
KNOWN_FILTERS = {h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_FLETCHER32}
WIDEST_GAP = 20.0
"""Degrees from any direction to the nearest measured one; coarser data do not define a pattern."""
SAME_DISTANCE = 0.02
"""Relative spread of the receivers' distances up to which they count as one sphere."""
SAME_DIRECTION = 1e-3
"""Length between unit vectors: 0.06 degrees."""


@dataclass(frozen=True)
class SphereTransfer:
    """Complex pressure around a source, times the distance; the scale is that of the file."""

    directions: np.ndarray
    """(n_directions, 3) float64, unit vectors: ahead, left, up of the source."""
    frequency: np.ndarray
    """(n_frequencies,) float64, Hz, ascending."""
    pressure: np.ndarray
    """(n_directions, n_frequencies) complex128, time dependence exp(+j w t): a delay reduces the phase."""


def read_sofa(path: str | Path) -> SphereTransfer:
    """Read a directivity file.

    All measurements and receivers are taken as directions round the source, whether the source or the receivers
    were turned: positions, views and up vectors of source and listener are used.

    Raises
    ------
    DocumentError : not such a file, incomplete, or inconsistent
    """
    path = Path(path)
    with faults_of_file(path.name):
        try:
            if path.stat().st_size > LARGEST_FILE:
                raise FileFault(f"larger than {LARGEST_FILE // 1_000_000} MB; give fewer directions or frequencies")
            with h5py.File(path, "r", locking="best-effort") as file:
                return _read(file)
        except DAMAGED_FILE as error:
            reason = str(error).splitlines()[0] if str(error) else type(error).__name__
            raise FileFault(f"not a readable SOFA (HDF5) file: {reason}") from None


def _read(file: h5py.File) -> SphereTransfer:
    kind = _text(file, "SOFAConventions")
    if kind != CONVENTION:
        raise FileFault(
            f'its convention is "{kind}"; directivities are read from {CONVENTION} (AES69), which has '
            "complex transfer functions"
        )
    frequency = _frequencies(file)
    real, imaginary = (_array(file, name, 3) for name in ("Data.Real", "Data.Imag"))
    if real.shape != imaginary.shape or real.shape[2] != len(frequency):
        raise FileFault(
            f"Data.Real {real.shape}, Data.Imag {imaginary.shape} and N ({len(frequency)}) are "
            "inconsistent"
        )
    directions, distance = _directions(file, *real.shape[:2])
    if np.ptp(distance) > SAME_DISTANCE * distance.mean():
        raise FileFault(
            f"receivers are between {distance.min():.3g} m and {distance.max():.3g} m away; phases can be "
            "compared only at one distance"
        )
    pressure = (real + 1j * imaginary).reshape(len(directions), -1) * distance[:, None]
    directions, pressure = _distinct(directions, pressure)
    _check_sphere(directions, pressure)
    return SphereTransfer(directions, frequency, pressure)


def _frequencies(file: h5py.File) -> np.ndarray:
    frequency = _array(file, "N", 1)
    units = _text(file["N"], "Units", "hertz").lower()
    if units not in ("hertz", "hz"):
        raise FileFault(f'N must be frequencies in hertz, and is in "{units}"')
    if len(frequency) < 2 or not (np.diff(frequency) > 0.0).all() or frequency[0] < 0.0:
        raise FileFault("N must hold at least two frequencies in ascending order")
    return frequency


def _directions(file: h5py.File, n_measurements: int, n_receivers: int) -> tuple[np.ndarray, np.ndarray]:
    """(n_measurements * n_receivers, 3) unit vectors in the frame of the source, and distances, m."""
    receiver = _points(file, "ReceiverPosition")
    if receiver.shape[0] not in (1, n_receivers) or receiver.shape[2] not in (1, n_measurements):
        raise FileFault(f"ReceiverPosition {receiver.shape} does not fit {n_receivers} receivers")
    around = np.broadcast_to(receiver, (n_receivers, 3, n_measurements)).transpose(2, 0, 1)
    listener = _frames(file, "Listener", n_measurements)
    source = _frames(file, "Source", n_measurements)
    places = _per_measurement(file, "ListenerPosition", n_measurements)[:, None] + np.einsum(
        "mrk,mkj->mrj", around, listener
    )
    away = places - _per_measurement(file, "SourcePosition", n_measurements)[:, None]
    local = np.einsum("mrj,mkj->mrk", away, source).reshape(-1, 3)
    distance = np.linalg.norm(local, axis=1)
    if not (distance > 1e-6).all():
        raise FileFault("a receiver is at the position of the source")
    return local / distance[:, None], distance


def _frames(file: h5py.File, what: str, n: int) -> np.ndarray:
    """(n, 3, 3) rows ahead, left, up, from a view and an up vector."""
    view = _per_measurement(file, f"{what}View", n, (1.0, 0.0, 0.0))
    up = _per_measurement(file, f"{what}Up", n, (0.0, 0.0, 1.0), f"{what}View")
    left = np.cross(up, view)
    if not (np.linalg.norm(left, axis=1) > 1e-6).all():
        raise FileFault(f"{what}View and {what}Up must be vectors in different directions")
    up = np.cross(view, left)
    return np.stack([v / np.linalg.norm(v, axis=1)[:, None] for v in (view, left, up)], axis=1)


def _per_measurement(
    file: h5py.File,
    name: str,
    n: int,
    default: tuple[float, float, float] | None = None,
    like: str | None = None,
) -> np.ndarray:
    """(n, 3) Cartesian vectors, one for each measurement."""
    if default is not None and name not in file:
        return np.tile(default, (n, 1))
    points = _points(file, name, like)[:, :, 0]
    if len(points) not in (1, n):
        raise FileFault(f"{name} has {len(points)} rows for {n} measurements")
    return np.broadcast_to(points, (n, 3))


def _points(file: h5py.File, name: str, like: str | None = None) -> np.ndarray:
    """(n, 3, m) Cartesian coordinates. `like`: the variable whose type applies where this one has none."""
    values = _array(file, name, None)
    if values.ndim not in (2, 3) or values.shape[1] != 3:
        raise FileFault(f"{name} must have three coordinates a point, and has the shape {values.shape}")
    values = values.reshape(*values.shape[:2], -1)
    stated = _text(file[name], "Type", "") or (_text(file[like], "Type", "") if like and like in file else "")
    if stated.lower() in ("", "cartesian"):
        return values
    if stated.lower() != "spherical":
        raise FileFault(f'{name} has coordinates of the type "{stated}"; cartesian or spherical are read')
    azimuth, elevation = np.radians(values[:, 0]), np.radians(values[:, 1])
    flat = values[:, 2] * np.cos(elevation)
    return np.stack([flat * np.cos(azimuth), flat * np.sin(azimuth), values[:, 2] * np.sin(elevation)], axis=1)


def _distinct(directions: np.ndarray, pressure: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Each direction once; files often repeat the ends of circles and the poles."""
    groups = cKDTree(directions).query_ball_point(directions, SAME_DIRECTION)
    first = np.array([min(group) for group in groups])
    twice = np.flatnonzero(first != np.arange(len(first)))
    level = np.sqrt((np.abs(pressure) ** 2).mean())
    if len(twice) and np.abs(pressure[twice] - pressure[first[twice]]).max() > 0.05 * level:
        raise FileFault(
            f"it contains different data for one direction, near {_direction_text(directions[twice[0]])}; "
            "give a file with one setting of the source"
        )
    distinct = np.unique(first)
    return directions[distinct], pressure[distinct]


def _check_sphere(directions: np.ndarray, pressure: np.ndarray) -> None:
    index = np.arange(2000)
    z = 1.0 - (2.0 * index + 1.0) / len(index)
    turn = np.pi * (1.0 + 5.0**0.5) * index
    everywhere = np.stack([np.sqrt(1 - z * z) * np.cos(turn), np.sqrt(1 - z * z) * np.sin(turn), z], axis=1)
    tree = cKDTree(directions)
    gap = np.degrees(2.0 * np.arcsin(np.clip(tree.query(everywhere)[0] / 2.0, 0.0, 1.0)))
    if gap.max() > WIDEST_GAP:
        raise FileFault(
            f"no data within {gap.max():.0f} degrees of {_direction_text(everywhere[gap.argmax()])}; data must cover "
            f"the whole sphere in steps of at most {WIDEST_GAP:.0f} degrees"
        )
    axis = np.abs(pressure[tree.query([1.0, 0.0, 0.0])[1]])
    if not (axis > 0.0).all():
        raise FileFault("the pressure on the axis is zero at some frequency, so that nothing can be relative to it")


def _direction_text(direction: np.ndarray) -> str:
    ahead, left, up = direction
    azimuth, elevation = np.degrees(np.arctan2(left, ahead)), np.degrees(np.arcsin(np.clip(up, -1.0, 1.0)))
    return f"azimuth {azimuth:.0f}, elevation {elevation:.0f}"


# --- reading from the file -----------------------------------------------------------------------------------


def _array(file: h5py.File, name: str, n_axes: int | None) -> np.ndarray:
    """All of a dataset of real numbers as float64, if it is stored in the file and can have the size that it states."""
    if not isinstance(file.get(name, getlink=True), h5py.HardLink):
        raise FileFault(f"{name} is missing, or is outside the file")
    dataset = file[name]
    if not isinstance(dataset, h5py.Dataset) or dataset.dtype.kind not in "fiu":
        raise FileFault(f"{name} does not contain numbers")
    if dataset.is_virtual or dataset.external:
        raise FileFault(f"the data of {name} are outside the file")
    properties = dataset.id.get_create_plist()
    if not {properties.get_filter(i)[0] for i in range(properties.get_nfilters())} <= KNOWN_FILTERS:
        raise FileFault(f"{name} is compressed by a filter that is not supported")
    if dataset.size * 8 > LARGEST_ARRAY or dataset.nbytes > LARGEST_RATIO * dataset.id.get_storage_size():
        raise FileFault(
            f"{name} states more data than the file can hold or this program reads: {dataset.shape}"
        )
    if n_axes is not None and dataset.ndim != n_axes:
        raise FileFault(f"{name} must have {n_axes} dimensions, and has the shape {dataset.shape}")
    values = np.asarray(dataset[()], dtype=float)
    if not np.isfinite(values).all():
        raise FileFault(f"{name} contains values that are not finite (NaN or infinite)")
    return values


def _text(item: h5py.HLObject, name: str, default: str | None = None) -> str:
    if name not in item.attrs:
        if default is None:
            raise FileFault(f"it states no {name}; is it a SOFA file?")
        return default
    stored = item.attrs.get_id(name)
    if h5py.check_string_dtype(stored.dtype) is None or int(np.prod(stored.shape, dtype=int)) != 1:
        raise FileFault(f"{name} must be a text")
    value = np.asarray(item.attrs[name], dtype=object).ravel()[0]
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)
