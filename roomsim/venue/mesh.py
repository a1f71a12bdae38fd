"""The venue's mesh: triangles in metres, z up, each with the surface group that it belongs to.

A surface group is named after the group that its faces have in the file (OBJ `g`, glTF node); where there is
none, after their material (OBJ `usemtl`, glTF material); where there is none either, after their object (OBJ
`o`), and last after the file. If the faces of one group have several materials, they are as many surface
groups, called "group/material". STL and PLY files have no names and are one surface group.
"""

from __future__ import annotations

import fnmatch
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from roomsim.errors import MeshError, suggestion, unprintable
from roomsim.venue.document import MeshReference, VenueDocument
from roomsim.venue.polygons import PolygonFault, RawMesh, triangulate

METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "ft": 0.3048}
"""Length of a unit, m; inch and foot are exact by the international agreement of 1959."""
SAME_POINT = 2.5e-4
"""m. Vertices nearer than this are one. Drawing programs write coordinates rounded to a tenth of a millimetre or so:
two that should be one then lie up to 0.1 sqrt(3) = 0.17 mm apart. A sliver that thin is nothing to a sound wave."""
FURTHEST = 1e5
"""m. Coordinates beyond this come from a wrong unit, or from a map with its origin far away."""
MOST_TOGETHER = 16
"""Vertices that one finds about it, itself among them, in a cube of that diagonal, in the mean: more than triangles
side by side make copies of a corner. Where there are more, the pairs of near vertices would fill the memory."""
LARGEST_FILE = 512_000_000
"""Bytes."""
FORMATS = (".obj", ".glb", ".gltf", ".stl", ".ply")


@dataclass(frozen=True, eq=False)
class VenueMesh:
    """Triangles of the venue in metres, z up. Triangles without area are kept, for the checks to name."""

    vertices: np.ndarray
    """(n_vertices, 3) float64, m. No two are within `SAME_POINT` of each other."""
    faces: np.ndarray
    """(n_faces, 3) int64, vertex indices, wound as in the file."""
    group: np.ndarray
    """(n_faces,) int32, index into `group_names`."""
    group_names: tuple[str, ...]
    """Names of the surface groups, in the order in which the file first uses them."""
    group_labels: tuple[str, ...]
    """Names with the material, "group/material", where the file gives both; else as `group_names`."""
    polygon: np.ndarray
    """(n_faces,) int32; triangles cut from one flat polygon of the file share a number."""
    place: np.ndarray
    """(n_faces,) int64, line of the polygon in an OBJ file, number of the face from 0 in other formats."""
    place_kind: str
    """"line" or "face": what `place` counts."""
    file: str
    """Name of the file as the venue file has it."""

    def where(self, face: int) -> str:
        """Place of a triangle in the mesh file, for messages: "line 12"."""
        return f"{self.place_kind} {self.place[face]}"


def read_mesh(reference: MeshReference, folder: Path) -> VenueMesh:
    """Read the mesh of a venue.

    Parameters
    ----------
    reference : file, unit and upward axis, from the venue file
    folder : what the file's name is relative to: the venue file's folder

    Returns
    -------
    VenueMesh : in metres, z up, vertices merged, polygons cut into triangles

    Raises
    ------
    MeshError : file, line or face, what is wrong, cure
    """
    path = folder / reference.file
    try:
        return _venue_mesh(_polygons(path, reference), reference)
    except MeshError as error:
        raise error.in_file(reference.file) from error.__cause__


def _polygons(path: Path, reference: MeshReference) -> RawMesh:
    content = _content(path)
    kind = path.suffix.lower()
    # The readers need trimesh, which takes long to import; a venue's texts can be read without it.
    if kind == ".obj":
        from roomsim.venue.obj import read_obj

        return read_obj(content)
    if kind == ".stl":
        from roomsim.venue.stl import read_stl

        return read_stl(content)
    if kind == ".ply":
        from roomsim.venue.ply import read_ply

        return read_ply(content)
    from roomsim.venue.gltf import read_gltf

    if reference.up != "y" or reference.unit != "m":
        raise MeshError(
            f"glTF is in metres with y up by its standard; the venue file says "
            f'unit = "{reference.unit}", up = "{reference.up}"',
            cure='Write unit = "m" and up = "y"; else export the mesh again, or as OBJ.',
        )
    return read_gltf(content, path.parent)


def match_surfaces(mesh: VenueMesh, venue: VenueDocument, file: str = "venue file") -> tuple[str, ...]:
    """Material of each surface group.

    A pattern of the venue file's `surfaces` is held against the group's name and against "group/material". An
    exact name wins over wildcards (*, ?, [...]); of the wildcards the longest wins.

    Parameters
    ----------
    mesh, venue : of one study
    file : name of the venue file, for messages

    Returns
    -------
    (n_groups,) names of materials

    Raises
    ------
    MeshError : all groups without a material and all patterns without a group, each with near misses
    """
    patterns = list(venue.surfaces)
    chosen: list[str] = []
    faults: list[str] = []
    for i, name in enumerate(mesh.group_names):
        exact = [pattern for pattern in (mesh.group_labels[i], name) if pattern in venue.surfaces]
        fitting = [pattern for pattern in patterns if _fits(mesh, i, pattern)]
        longest = [pattern for pattern in fitting if len(pattern) == max(map(len, fitting))]
        if exact or longest:
            chosen.append(venue.surfaces[exact[0] if exact else longest[0]])
        else:
            where = mesh.where(int(np.argmax(mesh.group == i)))
            near = suggestion(name, patterns)
            faults.append(
                f"{file}: surfaces: nothing for the group {name!r} of {mesh.file} ({where}). {near}"
            )
        if not exact and len({venue.surfaces[pattern] for pattern in longest}) > 1:
            equal = " and ".join(repr(pattern) for pattern in longest)
            faults.append(
                f"{file}: surfaces: {equal} fit the group {name!r} equally well; write out its name"
            )
    for pattern in patterns:
        if not any(_fits(mesh, i, pattern) for i in range(len(mesh.group_names))):
            faults.append(f"{file}: surfaces: {_no_group(mesh, pattern)}")
    if faults:
        raise MeshError("\n".join(faults))
    return tuple(chosen)


def matching_groups(
    mesh: VenueMesh, patterns: Iterable[str], place: str, file: str = "venue file"
) -> np.ndarray:
    """Which surface groups fit any of some names or wildcards, as `match_surfaces` reads them.

    Parameters
    ----------
    mesh : the venue's mesh
    patterns : names or wildcards
    place : key under which they stand, for messages
    file : file in which they stand, for messages

    Returns
    -------
    (n_groups,) bool

    Raises
    ------
    MeshError : a pattern that fits no group, with near misses
    """
    groups = range(len(mesh.group_names))
    fits = np.zeros(len(groups), dtype=bool)
    faults = []
    for pattern in patterns:
        own = np.array([_fits(mesh, i, pattern) for i in groups], dtype=bool)
        fits |= own
        if not own.any():
            faults.append(f"{file}: {place}: {_no_group(mesh, pattern)}")
    if faults:
        raise MeshError("\n".join(faults))
    return fits


def _fits(mesh: VenueMesh, group: int, pattern: str) -> bool:
    names = (mesh.group_names[group], mesh.group_labels[group])
    return pattern in names or any(fnmatch.fnmatchcase(name, pattern) for name in names)


def _no_group(mesh: VenueMesh, pattern: str) -> str:
    known = dict.fromkeys((*mesh.group_names, *mesh.group_labels))
    return f"{pattern!r} fits no group of {mesh.file}. {suggestion(pattern, known)}"


def _content(path: Path) -> bytes:
    if path.suffix.lower() not in FORMATS:
        raise MeshError(f'"{path.suffix}" files are not read', cure=f"Export the mesh as one of {', '.join(FORMATS)}.")
    try:
        if not path.is_file():
            raise MeshError("no such file", cure="The path is relative to the venue file.")
        if path.stat().st_size > LARGEST_FILE:
            raise MeshError(f"larger than {LARGEST_FILE // 1_000_000} MB", cure="Export a simpler mesh.")
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        raise MeshError(f"cannot be read: {error}") from None
    if content.startswith((b"PK\x03\x04", b"\x1f\x8b")):
        raise MeshError("this is an archive, whatever its name says", cure="Unpack it first.")
    return content


def _venue_mesh(raw: RawMesh, reference: MeshReference) -> VenueMesh:
    if not len(raw.place):
        raise MeshError("the mesh has no faces", cure="Export it again, with its faces.")
    outside = np.flatnonzero((raw.corners < 0) | (raw.corners >= len(raw.vertices)))
    if len(outside):
        owner = int(np.searchsorted(raw.start, outside[0], side="right")) - 1
        raise MeshError(
            f"the face names vertex {raw.corners[outside[0]]}, and the file has {len(raw.vertices)}",
            place=f"{raw.place_kind} {raw.place[owner]}",
            cure="The file is cut short or damaged; export it again.",
        )
    vertices, corners = _merged(_in_metres(raw.vertices, reference), raw.corners)
    try:
        faces, polygon = triangulate(vertices, corners, raw.start)
    except PolygonFault as error:
        raise _uncut(raw, error) from None
    names, labels, index = _surface_groups(raw, reference.file)
    return VenueMesh(
        vertices=vertices,
        faces=faces,
        group=index[raw.label[polygon]],
        group_names=names,
        group_labels=labels,
        polygon=polygon.astype(np.int32),
        place=raw.place[polygon],
        place_kind=raw.place_kind,
        file=reference.file,
    )


def _uncut(raw: RawMesh, error: PolygonFault) -> MeshError:
    """The first polygon that cannot be cut into triangles in full, and the places of the others."""
    (first, what), *others = error.faults
    shown = ", ".join(str(raw.place[polygon]) for polygon, _ in others[:8])
    more = f" and {len(others) - 8} more" if len(others) > 8 else ""
    return MeshError(
        f"the face cannot be cut into triangles: {what}",
        place=f"{raw.place_kind} {raw.place[first]}",
        cure="Straighten the face, or cut it into triangles before the export."
        + (f" The same holds for {raw.place_kind}s {shown}{more}." if others else ""),
    )


def _in_metres(vertices: np.ndarray, reference: MeshReference) -> np.ndarray:
    bad = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
    if len(bad):
        raise MeshError(
            f"{len(bad)} of {len(vertices)} vertices have coordinates that are no numbers",
            place=f"vertex {bad[0]}",
            cure="Export the mesh again.",
        )
    scaled = vertices * METRES[reference.unit]
    far = float(np.abs(scaled).max(initial=0.0))
    if far > FURTHEST:
        raise MeshError(
            f"coordinates reach {far:.3g} m",
            cure=f"Check unit in the venue file (now {reference.unit!r}), and move the mesh to near the origin.",
        )
    return upright(scaled) if reference.up == "y" else scaled


def upright(vertices: np.ndarray, *, back: bool = False) -> np.ndarray:
    """Vertices (n, 3) of a mesh with y up as they lie with z up; or the way back."""
    x, y, z = vertices.T
    # A quarter turn about x takes y to z and keeps the hand: x, y, z -> x, -z, y.
    return np.stack([x, z, -y] if back else [x, -z, y], axis=1)


def _merged(vertices: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices in use, each kept once, and corners renumbered to them, in the order of first use.

    Pairs are looked for by distance: rounding to a grid would part neighbours on two sides of a grid line.
    """
    distinct, inverse = np.unique(vertices[corners], axis=0, return_inverse=True)
    _, together = np.unique(np.floor(distinct / (SAME_POINT / np.sqrt(3.0))), axis=0, return_counts=True)
    if (together**2).sum() > MOST_TOGETHER * len(distinct):
        raise MeshError(
            f"up to {together.max()} of its vertices lie within {1e6 * SAME_POINT:.0f} micrometres of each other; "
            "no room has details of that size",
            cure="Check unit in the venue file; else remove the details and export the mesh again.",
        )
    pairs = cKDTree(distinct).query_pairs(SAME_POINT, output_type="ndarray")
    links = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(distinct),) * 2)
    _, component = connected_components(links, directed=False)
    used = component[inverse.reshape(-1)]
    _, first, renumbered = np.unique(used, return_index=True, return_inverse=True)
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return vertices[corners[first[order]]], rank[renumbered.reshape(-1)]


def _surface_groups(raw: RawMesh, file: str) -> tuple[tuple[str, ...], tuple[str, ...], np.ndarray]:
    """Names, names with material, and for each label of the file the surface group that it belongs to."""
    for name in (name for label in raw.labels for name in label):
        found = unprintable(name)
        if found:
            raise MeshError(
                f"the name {name!r} holds the character {found}, which cannot be printed",
                cure="Rename it in the program that the mesh comes from.",
            )
    materials: dict[str, set[str]] = {}
    for group, material, _ in raw.labels:
        materials.setdefault(group, set()).add(material)
    known: dict[str, int] = {}
    labels: list[str] = []
    index = np.empty(len(raw.labels), dtype=np.int32)
    for i, (group, material, part) in enumerate(raw.labels):
        full = "/".join(name for name in (group, material) if name) or part or Path(file).stem
        name = group if group and len(materials[group]) == 1 else full
        if name not in known:
            known[name] = len(known)
            labels.append(full)
        index[i] = known[name]
    return tuple(known), tuple(labels), index
