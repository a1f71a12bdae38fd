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
from roomsim.words import listed

METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "in": 0.0254, "ft": 0.3048}
"""Length of a unit, m; inch and foot are exact by the international agreement of 1959."""
SAME_POINT = 2.5e-4
"""m. Vertices closer than this are merged. Drawing programs round coordinates to about a tenth of a millimetre: two
that should be one are then up to 0.1 sqrt(3) = 0.17 mm apart. A sliver that thin has no effect on sound."""
FURTHEST = 1e5
"""m. Larger coordinates come from a wrong unit, or from a map with a distant origin."""
MOST_CLOSE_VERTICES = 16
"""Mean number of vertices in the cube round a vertex with the diagonal `SAME_POINT`: more than the copies of a corner
in adjacent triangles. With more vertices the pairs of close ones would exceed the memory."""
LARGEST_FILE = 512_000_000
"""Bytes."""
FORMATS = (".obj", ".glb", ".gltf", ".stl", ".ply")


@dataclass(frozen=True, eq=False)
class VenueMesh:
    """Triangles of the venue in metres, z up. Triangles without area are kept, so that the checks report them."""

    vertices: np.ndarray
    """(n_vertices, 3) float64, m, no two within `SAME_POINT` of each other."""
    faces: np.ndarray
    """(n_faces, 3) int64, vertex indices, with the winding of the file."""
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
    """Name of the file as written in the venue file."""

    def where(self, face: int) -> str:
        """Place of a triangle in the mesh file, for messages: "line 12"."""
        return f"{self.place_kind} {self.place[face]}"


def read_mesh(reference: MeshReference, folder: Path) -> VenueMesh:
    """Read the mesh of a venue.

    Parameters
    ----------
    reference : file, unit and upward axis, from the venue file
    folder : that of the venue file, to which the name of the mesh file is relative

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
    # Some readers import trimesh, which takes long; the description files can be read without it.
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


def match_surfaces(mesh: VenueMesh, venue: VenueDocument) -> tuple[str, ...]:
    """Material of each surface group.

    A pattern under `surfaces` in the venue file is compared with the name of the group and with "group/material". An
    exact name takes precedence over wildcards (*, ?, [...]), and a longer wildcard over a shorter one.

    Parameters
    ----------
    mesh, venue : of one study

    Returns
    -------
    (n_groups,) names of materials

    Raises
    ------
    MeshError : all groups without a material and all patterns without a group, each with similar names
    """
    fits = {pattern: _fits(mesh, pattern) for pattern in venue.surfaces}
    chosen: list[str] = []
    faults: list[str] = []
    for i, name in enumerate(mesh.group_names):
        exact = [pattern for pattern in (mesh.group_labels[i], name) if pattern in fits]
        fitting = [pattern for pattern in fits if fits[pattern][i]]
        longest = [pattern for pattern in fitting if len(pattern) == max(map(len, fitting))]
        if exact or longest:
            chosen.append(venue.surfaces[exact[0] if exact else longest[0]])
        else:
            where = mesh.where(int(np.argmax(mesh.group == i)))
            near = suggestion(name, fits)
            faults.append(
                f"venue file: surfaces: no material for the group {name!r} of {mesh.file} ({where}). {near}"
            )
        if not exact and len({venue.surfaces[pattern] for pattern in longest}) > 1:
            equal = " and ".join(repr(pattern) for pattern in longest)
            faults.append(
                f"venue file: surfaces: {equal} match the group {name!r} equally well; write out its name"
            )
    faults += _without_group(mesh, fits, "venue file: surfaces")
    if faults:
        raise MeshError("\n".join(faults))
    return tuple(chosen)


def matching_groups(
    mesh: VenueMesh, patterns: Iterable[str], place: str, file: str = "venue file"
) -> np.ndarray:
    """Which surface groups match any of the names or wildcards, by the rules of `match_surfaces`.

    Parameters
    ----------
    mesh : the venue's mesh
    patterns : names or wildcards
    place : key under which they are listed, for messages
    file : file in which they are listed, for messages

    Returns
    -------
    (n_groups,) bool

    Raises
    ------
    MeshError : a pattern that matches no group, with similar names
    """
    fits = {pattern: _fits(mesh, pattern) for pattern in patterns}
    faults = _without_group(mesh, fits, f"{file}: {place}")
    if faults:
        raise MeshError("\n".join(faults))
    return np.any([np.zeros(len(mesh.group_names), dtype=bool), *fits.values()], axis=0)


def _fits(mesh: VenueMesh, pattern: str) -> np.ndarray:
    """(n_groups,) bool, which groups a pattern matches by the name or by the label."""
    names = zip(mesh.group_names, mesh.group_labels)
    return np.array([pattern in pair or any(fnmatch.fnmatchcase(name, pattern) for name in pair) for pair in names])


def _without_group(mesh: VenueMesh, fits: dict[str, np.ndarray], place: str) -> list[str]:
    """A fault for each pattern that matches no group."""
    known = (*mesh.group_names, *mesh.group_labels)
    return [
        f"{place}: {pattern!r} matches no group of {mesh.file}. {suggestion(pattern, known)}"
        for pattern, matches in fits.items()
        if not matches.any()
    ]


def _content(path: Path) -> bytes:
    if path.suffix.lower() not in FORMATS:
        cure = f"Export the mesh as one of {', '.join(FORMATS)}."
        raise MeshError(f'"{path.suffix}" files are not supported', cure=cure)
    try:
        if not path.is_file():
            raise MeshError("no such file", cure="The path is relative to the venue file.")
        if path.stat().st_size > LARGEST_FILE:
            raise MeshError(f"larger than {LARGEST_FILE // 1_000_000} MB", cure="Export a simpler mesh.")
        content = path.read_bytes()
    except (OSError, ValueError) as error:
        raise MeshError(f"cannot be read: {error}") from None
    if content.startswith((b"PK\x03\x04", b"\x1f\x8b")):
        raise MeshError("this is an archive, in spite of its name", cure="Unpack it first.")
    return content


def _venue_mesh(raw: RawMesh, reference: MeshReference) -> VenueMesh:
    if not len(raw.place):
        raise MeshError("the mesh has no faces", cure="Export it again, with its faces.")
    outside = np.flatnonzero((raw.corners < 0) | (raw.corners >= len(raw.vertices)))
    if len(outside):
        owner = int(np.searchsorted(raw.start, outside[0], side="right")) - 1
        # OBJ, the format with lines, counts vertices from 1.
        number = raw.corners[outside[0]] + (raw.place_kind == "line")
        raise MeshError(
            f"the face names vertex {number}, and the file has {len(raw.vertices)}",
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
    """The error for polygons that cannot be cut: the first one in full, and the places of the others."""
    (first, what), *others = error.faults
    shown = listed((str(raw.place[polygon]) for polygon, _ in others), 8)
    return MeshError(
        f"the face cannot be cut into triangles: {what}",
        place=f"{raw.place_kind} {raw.place[first]}",
        cure="Straighten the face, or cut it into triangles before the export."
        + (f" The same applies to {raw.place_kind}s {shown}." if others else ""),
    )


def _in_metres(vertices: np.ndarray, reference: MeshReference) -> np.ndarray:
    bad = np.flatnonzero(~np.isfinite(vertices).all(axis=1))
    if len(bad):
        raise MeshError(
            f"{len(bad)} of {len(vertices)} vertices have coordinates that are not numbers",
            place=f"vertex {bad[0]}",
            cure="Export the mesh again.",
        )
    scaled = vertices * METRES[reference.unit]
    far = float(np.abs(scaled).max(initial=0.0))
    if far > FURTHEST:
        raise MeshError(
            f"coordinates reach {far:.3g} m",
            cure=f"Check unit in the venue file (now {reference.unit!r}), and move the mesh close to the origin.",
        )
    return upright(scaled) if reference.up == "y" else scaled


def upright(vertices: np.ndarray, *, back: bool = False) -> np.ndarray:
    """Vertices (n, 3) of a mesh with y up, turned to z up; with `back` the reverse."""
    x, y, z = vertices.T
    # A quarter turn about x takes y to z and keeps handedness: x, y, z -> x, -z, y.
    return np.stack([x, z, -y] if back else [x, -z, y], axis=1)


def _merged(vertices: np.ndarray, corners: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Vertices in use, each once, and corners renumbered to them, in the order of first use.

    Pairs are found by distance: rounding to a grid would separate neighbours on two sides of a grid line.
    """
    distinct, inverse = np.unique(vertices[corners], axis=0, return_inverse=True)
    _, together = np.unique(np.floor(distinct / (SAME_POINT / np.sqrt(3.0))), axis=0, return_counts=True)
    if (together**2).sum() > MOST_CLOSE_VERTICES * len(distinct):
        raise MeshError(
            f"up to {together.max()} of its vertices are within {1e6 * SAME_POINT:.0f} micrometres of each other; "
            "no venue has details of that size",
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
    """Names, names with material, and for each label of the file its surface group."""
    for name in (name for label in raw.labels for name in label):
        character = unprintable(name)
        if character:
            raise MeshError(
                f"the name {name!r} contains the character {character}, which cannot be printed",
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
