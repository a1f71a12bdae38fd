"""Meshes of all formats in metres and z up; names; damage; and which material each group gets."""

from __future__ import annotations

import base64
import json
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import trimesh

from roomsim.errors import MeshError
from roomsim.venue.document import MeshReference, VenueDocument
from roomsim.venue.mesh import VenueMesh, match_surfaces, matching_groups, read_mesh


def read(folder: Path, file: str, content: bytes, unit: str = "m", up: str = "z") -> VenueMesh:
    (folder / file).write_bytes(content)
    return read_mesh(MeshReference(file=file, unit=unit, up=up), folder)


def fault(folder: Path, file: str, content: bytes, unit: str = "m", up: str = "z") -> str:
    with pytest.raises(MeshError) as error:
        read(folder, file, content, unit, up)
    return str(error.value)


def solid(mesh: VenueMesh) -> trimesh.Trimesh:
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)


# --- unit, axis, vertices -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("unit", "metre"),
    # NIST SP 811 (2008), Appendix B.8, from memory: foot 3.048 E-01 m, inch 2.54 E-02 m, both exact.
    [("m", 1.0), ("cm", 100.0), ("mm", 1000.0), ("in", 1 / 0.0254), ("ft", 1 / 0.3048)],
)
def test_unit(tmp_path: Path, unit: str, metre: float) -> None:
    text = f"v 0 0 0\nv {metre} 0 0\nv 0 {2 * metre} {3 * metre}\nf 1 2 3\n"
    mesh = read(tmp_path, "a.obj", text.encode(), unit)
    np.testing.assert_allclose(mesh.vertices, [[0, 0, 0], [1, 0, 0], [0, 2, 3]], rtol=1e-14)  # rounding


def test_y_up_is_turned_and_not_mirrored(tmp_path: Path) -> None:
    box = trimesh.creation.box((3, 2, 5))  # 2 high
    box.apply_translation((0, 1, 0))
    mesh = read(tmp_path, "a.stl", box.export(file_type="stl"), up="y")
    np.testing.assert_allclose(np.ptp(mesh.vertices, axis=0), [3, 5, 2], rtol=1e-6)  # 32-bit file
    np.testing.assert_allclose(mesh.vertices[:, 2].min(), 0, atol=1e-6)  # 32-bit file
    # A mirrored box would be inside out and have a negative volume.
    assert solid(mesh).volume == pytest.approx(30.0, rel=1e-6)  # 32-bit file


@pytest.mark.parametrize("shift", [0.0, 1.25e-4, 1 / 3])
def test_vertices_within_a_quarter_of_a_millimetre_are_one(tmp_path: Path, shift: float) -> None:
    """Also where they lie on two sides of a rounding boundary, as with a shift of half of the distance."""
    text = f"v {shift - 1e-4} 0 0\nv 1 0 0\nv 0 1 0\nv {shift + 1e-4} 0 0\nv 0 -1 0\nf 1 2 3\nf 4 5 2\n"
    assert len(read(tmp_path, "a.obj", text.encode()).vertices) == 4
    apart = text.replace(f"v {shift + 1e-4} ", f"v {shift + 2e-4} ")  # control: 0.3 mm apart
    assert len(read(tmp_path, "a.obj", apart.encode()).vertices) == 5


def test_vertices_come_in_the_order_of_their_use(tmp_path: Path) -> None:
    text = "v 9 9 9\nv 2 0 0\nv 1 1 0\nv 0 0 0\nf 3 4 2\n"
    mesh = read(tmp_path, "a.obj", text.encode())
    assert mesh.vertices.tolist() == [[1, 1, 0], [0, 0, 0], [2, 0, 0]]
    assert mesh.faces.tolist() == [[0, 1, 2]]


def test_far_coordinates_are_refused(tmp_path: Path) -> None:
    text = fault(tmp_path, "a.obj", b"v 0 0 0\nv 1e30 0 0\nv 0 1 0\nf 1 2 3\n")
    assert text.startswith("a.obj: coordinates reach 1e+30 m") and "Check unit" in text


# --- files ----------------------------------------------------------------------------------------------


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(MeshError, match=r"^a\.obj: no such file\n.*relative to the venue file"):
        read_mesh(MeshReference(file="a.obj", unit="m", up="z"), tmp_path)


@pytest.mark.parametrize("file", ["hall.3mf", "hall.zip", "hall.dxf", "hall"])
def test_other_formats_are_refused(tmp_path: Path, file: str) -> None:
    text = fault(tmp_path, file, b"v 0 0 0")
    assert "files are not supported" in text and ".obj, .glb, .gltf, .stl, .ply" in text


@pytest.mark.parametrize("start", [b"PK\x03\x04", b"\x1f\x8b"])
def test_archives_are_refused_whatever_they_are_called(tmp_path: Path, start: bytes) -> None:
    assert "archive" in fault(tmp_path, "a.stl", start + bytes(200))


# --- STL ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["stl", "stl_ascii"])
def test_stl_is_one_group_named_after_the_file(tmp_path: Path, kind: str) -> None:
    content = trimesh.creation.box((2, 3, 4)).export(file_type=kind)
    mesh = read(tmp_path, "old barn.stl", content if isinstance(content, bytes) else content.encode())
    assert mesh.group_names == ("old barn",)
    assert len(mesh.vertices) == 8 and solid(mesh).is_watertight
    assert solid(mesh).volume == pytest.approx(24.0, rel=1e-6)  # 32-bit file
    assert mesh.where(3) == "face 3"


def test_truncated_binary_stl(tmp_path: Path) -> None:
    """The general reader returns an empty mesh for these."""
    content = trimesh.creation.box().export(file_type="stl")
    text = fault(tmp_path, "a.stl", content[:-25])
    assert text.startswith(
        "a.stl: the file ends early or is damaged (it should have 12 triangles, and there is room"
    )
    assert "Export it again" in text
    assert "1000000 triangles" in fault(
        tmp_path, "a.stl", bytes(80) + struct.pack("<I", 1_000_000) + bytes(100)
    )
    assert "ends early" in fault(tmp_path, "a.stl", b"")


def test_truncated_and_garbled_text_stl(tmp_path: Path) -> None:
    text = trimesh.creation.box().export(file_type="stl_ascii")
    assert "no endsolid" in fault(tmp_path, "a.stl", text[: len(text) // 2].encode())
    garbled = text.replace("vertex", "vertx", 1)
    assert "12 facets with 35 readable vertices" in fault(tmp_path, "a.stl", garbled.encode())
    garbled = text.replace("vertex 0", "vertex 0.0.0", 1).replace("vertex -0", "vertex -0.0.0", 1)
    assert "is damaged" in fault(tmp_path, "a.stl", garbled.encode())


def test_text_stl_with_a_hundred_thousand_empty_lines(tmp_path: Path) -> None:
    # A search that runs over line ends takes the square of their number: an hour.
    text = trimesh.creation.box().export(file_type="stl_ascii")
    mesh = read(tmp_path, "a.stl", text.replace("outer loop", "outer loop" + 100_000 * "\n", 1).encode())
    assert solid(mesh).volume == pytest.approx(1.0)


def test_vertices_that_fill_a_cube_of_ten_micrometres(tmp_path: Path) -> None:
    # All pairs of them would take 7 GB.
    inside = np.random.default_rng(1).random((30_000, 3)) * 1e-5
    content = bytes(80) + struct.pack("<I", len(inside) // 3)
    content += b"".join(bytes(12) + corners.astype("<f4").tobytes() + bytes(2) for corners in inside.reshape(-1, 3, 3))
    assert "vertices are within 250 micrometres of each other" in fault(tmp_path, "a.stl", content)


@pytest.mark.parametrize("name", ["wall\x1b[2J", "\u202ellaw", "a\x07"])
def test_group_names_that_steer_a_terminal_are_refused(tmp_path: Path, name: str) -> None:
    text = fault(tmp_path, "a.obj", f"v 0 0 0\nv 1 0 0\nv 1 1 0\ng {name}\nf 1 2 3\n".encode())
    assert "which cannot be printed" in text and "".join(text.split("\n")).isprintable()


def test_an_outline_that_runs_round_its_corners_many_times(tmp_path: Path) -> None:
    corners = "v 0 0 0\nv 1 0 0\nv 1 1 0\nv 0 1 0\n"
    text = fault(tmp_path, "a.obj", (corners + "f" + 250_000 * " 1 2 3 4" + "\n").encode())
    assert text.startswith("a.obj, line 5: ") and "passes its 4 corners 1000000 times" in text


def test_an_outline_with_too_many_corners(tmp_path: Path) -> None:
    angle = np.linspace(0.0, 2.0 * np.pi, 12_000, endpoint=False)
    ring = "".join(f"v {10 * np.cos(a):.9f} {10 * np.sin(a):.9f} 0\n" for a in angle)
    face = "f " + " ".join(str(i + 1) for i in range(len(angle))) + "\n"
    assert "12000 corners (10000 are allowed)" in fault(tmp_path, "a.obj", (ring + face).encode())


def test_an_outline_round_many_holes_passes_its_bridges_twice(tmp_path: Path) -> None:
    # 40 triangular holes, each joined to one corner of a square by a bridge: 4 + 120 corners, passed 204 times.
    vertices, outline = ["v 0 0 0", "v 41 0 0", "v 41 1 0", "v 0 1 0"], [1]
    for k in reversed(range(40)):
        x = 40.5 - k
        first = len(vertices) + 1
        vertices += [f"v {x} {0.5 + 0.01 * k} 0", f"v {x - 0.05} {0.55 + 0.01 * k} 0", f"v {x} {0.6 + 0.01 * k} 0"]
        outline += [first, first + 1, first + 2, first, 1]
    outline += [2, 3, 4]
    mesh = read(
        tmp_path, "a.obj", ("\n".join(vertices) + "\nf " + " ".join(map(str, outline)) + "\n").encode()
    )
    u, v = (mesh.vertices[mesh.faces[:, k]] - mesh.vertices[mesh.faces[:, 0]] for k in (1, 2))
    area = 0.5 * np.linalg.norm(np.cross(u, v), axis=1).sum()
    assert area == pytest.approx(41.0 - 40 * 0.5 * 0.1 * 0.05, rel=1e-9)


def test_stl_with_nan(tmp_path: Path) -> None:
    content = bytearray(trimesh.creation.box().export(file_type="stl"))
    content[96:100] = struct.pack("<f", np.nan)
    text = fault(tmp_path, "a.stl", bytes(content))
    assert text.startswith("a.stl, vertex 0: ") and "not numbers" in text


# --- PLY ------------------------------------------------------------------------------------------------

ARROWHEAD = """ply
format ascii 1.0
element vertex 4
property float x
property float y
property float z
element face {faces}
property list uchar int vertex_indices
end_header
0 0 0
2 2 0
4 0 0
2 4 0
"""


def test_ply_with_concave_and_mixed_faces(tmp_path: Path) -> None:
    """Area 4 as in the OBJ test, and a triangle of area 8 on the same corners."""
    text = ARROWHEAD.format(faces=2) + "4 0 1 2 3\n3 0 2 3\n"
    mesh = read(tmp_path, "a.ply", text.encode())
    assert mesh.group_names == ("a",)
    by_face = [solid(mesh).area_faces[mesh.place == face].sum() for face in (0, 1)]
    assert by_face == pytest.approx([4.0, 8.0], rel=1e-12)  # rounding of a few products


@pytest.mark.parametrize("encoding", ["ascii", "binary"])
def test_ply_of_triangles(tmp_path: Path, encoding: str) -> None:
    content = trimesh.creation.box((2, 3, 4)).export(file_type="ply", encoding=encoding)
    mesh = read(tmp_path, "a.ply", content if isinstance(content, bytes) else content.encode())
    assert solid(mesh).is_watertight
    assert solid(mesh).volume == pytest.approx(24.0, rel=1e-6)  # 32-bit file


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ("4 0 1 2 3\n", "2 rows of face announced, 1 found"),
        ("4 0 1 2 3\n3 0 1 x\n", "damaged"),
        ("4 0 1 2 3\n3 0 1 nan\n", "damaged"),
        ("4 0 1 2 3\n2 0 1\n", "face 1: a face needs at least three vertices"),
        ("4 0 1 2 3\n3 0 1 9\n", "face 1: the face names vertex 9, and the file has 4"),
        ("4 0 1 2 3\n3 0 1 -1\n", "face 1: the face names vertex -1, and the file has 4"),
    ],
)
def test_damaged_ply(tmp_path: Path, rows: str, said: str) -> None:
    text = fault(tmp_path, "a.ply", (ARROWHEAD.format(faces=2) + rows).encode())
    assert text.startswith("a.ply") and said in text


def test_ply_with_nan(tmp_path: Path) -> None:
    text = ARROWHEAD.format(faces=1).replace("2 4 0", "2 nan 0") + "4 0 1 2 3\n"
    assert fault(tmp_path, "a.ply", text.encode()).startswith("a.ply, vertex 3: 1 of 4 vertices")


def test_truncated_binary_ply(tmp_path: Path) -> None:
    content = trimesh.creation.box().export(file_type="ply")
    assert "Export it again" in fault(tmp_path, "a.ply", content[:-7])


# --- glTF -----------------------------------------------------------------------------------------------


def gltf(nodes: list[dict[str, Any]], **parts: Any) -> dict[str, Any]:
    """A document with two triangles, areas 1 and 2 in the plane y = 0 facing up, in primitives of a mesh each
    ("one": brick, "two": wood) and of one mesh together ("both")."""
    points = np.array(
        [[0, 0, 0], [0, 0, 1], [2, 0, 0], [0, 0, 0], [0, 0, 2], [2, 0, 0]], dtype="<f4"
    ).tobytes()
    primitives = [{"attributes": {"POSITION": i}, "material": i} for i in range(2)]
    return {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [i for i, node in enumerate(nodes) if not node.pop("child", False)]}],
        "nodes": nodes,
        "meshes": [
            {"name": "one", "primitives": primitives[:1]},
            {"name": "two", "primitives": primitives[1:]},
            {"name": "both", "primitives": primitives},
        ],
        "materials": [{"name": "brick"}, {"name": "wood"}],
        "accessors": [
            {"bufferView": 0, "byteOffset": 36 * i, "componentType": 5126, "count": 3, "type": "VEC3"}
            for i in range(2)
        ],
        "bufferViews": [{"buffer": 0, "byteLength": len(points)}],
        "buffers": [
            {"byteLength": len(points), "uri": "data:;base64," + base64.b64encode(points).decode()},
        ],
        **parts,
    }


def read_document(folder: Path, document: dict[str, Any]) -> VenueMesh:
    return read(folder, "a.gltf", json.dumps(document).encode(), up="y")


def test_gltf_names_are_those_of_nodes_and_materials(tmp_path: Path) -> None:
    nodes = [
        {"name": "floor", "mesh": 0},
        {"name": "stage", "mesh": 2, "translation": [0, 1, 0]},
        {"name": "stage", "mesh": 0},
        {"mesh": 1},
    ]
    mesh = read_document(tmp_path, gltf(nodes))
    assert mesh.group_names == ("floor", "stage/brick", "stage/wood", "two")
    assert mesh.group_labels == ("floor/brick", "stage/brick", "stage/wood", "two/wood")
    areas = np.bincount(mesh.group, solid(mesh).area_faces)
    assert areas == pytest.approx([1.0, 2.0, 2.0, 2.0], rel=1e-12)  # small whole numbers


def test_gltf_is_turned_from_y_up_and_nodes_are_placed(tmp_path: Path) -> None:
    """A parent moved by 10 in x and turned a quarter about y (up), a child moved by 1 in z.

    By hand: the child's corners (0 0 1), (0 0 2), (2 0 1) turned about y take x to -z and z to x, so (1 0 0),
    (2 0 0), (1 0 -2), then 10 in x, then y up to z up, where z becomes -y: (11 0 0), (12 0 0), (11 2 0).
    """
    half = float(np.sqrt(0.5))
    nodes = [
        {"name": "parent", "children": [1], "translation": [10, 0, 0], "rotation": [0, half, 0, half]},
        {"name": "floor", "mesh": 0, "translation": [0, 0, 1], "child": True},
    ]
    mesh = read_document(tmp_path, gltf(nodes))
    corners = mesh.vertices[mesh.faces[0]]
    np.testing.assert_allclose(corners, [[11, 0, 0], [12, 0, 0], [11, 2, 0]], atol=1e-12)  # rounding of sines


def test_mirrored_node_keeps_its_front(tmp_path: Path) -> None:
    mesh = read_document(tmp_path, gltf([{"mesh": 0}, {"mesh": 0, "scale": [-1, 1, 1]}]))
    assert (solid(mesh).face_normals[:, 2] > 0.99).all()


def test_glb_written_by_a_general_library(tmp_path: Path) -> None:
    scene = trimesh.Scene()
    for name, material, size in (("walls", "brick", (20, 6, 10)), ("riser", "plywood", (4, 1, 2))):
        box = trimesh.creation.box(size)
        look = trimesh.visual.material.PBRMaterial(name=material)
        box.visual = trimesh.visual.TextureVisuals(uv=np.zeros((8, 2)), material=look)
        scene.add_geometry(
            box, node_name=name, transform=trimesh.transformations.translation_matrix((3, 0, 0))
        )
    mesh = read(tmp_path, "a.glb", scene.export(file_type="glb"), up="y")
    assert mesh.group_labels == ("walls/brick", "riser/plywood")
    assert solid(mesh).volume == pytest.approx(1208.0, rel=1e-6)  # 1200 + 8; 32-bit file
    np.testing.assert_allclose(mesh.vertices.max(axis=0), [13, 5, 3], rtol=1e-6)  # 32-bit file


@pytest.mark.parametrize(("unit", "up"), [("m", "z"), ("mm", "y")])
def test_gltf_against_its_standard(tmp_path: Path, unit: str, up: str) -> None:
    """Khronos glTF 2.0, 3.4: right-handed, y up, all linear distances in metres."""
    content = json.dumps(gltf([{"mesh": 0}])).encode()
    text = fault(tmp_path, "a.gltf", content, unit, up)
    assert text.startswith("a.gltf: glTF is in metres with y up") and 'Write unit = "m" and up = "y"' in text


def test_gltf_nodes_within_nodes(tmp_path: Path) -> None:
    def chain(depth: int) -> dict[str, Any]:
        nodes: list[dict[str, Any]] = [{"children": [k + 1]} for k in range(depth - 1)]
        return {**gltf([*nodes, {"name": "wall", "mesh": 0}]), "scenes": [{"nodes": [0]}]}

    assert read_document(tmp_path, chain(300)).group_names == ("wall",)
    text = fault(tmp_path, "a.gltf", json.dumps(chain(20_000)).encode(), up="y")
    assert "nested more than 500 deep" in text


def test_gltf_opens_nothing_outside_its_folder(tmp_path: Path) -> None:
    folder = tmp_path / "study"
    folder.mkdir()
    document = gltf([{"mesh": 0}])
    points = base64.b64decode(document["buffers"][0]["uri"].partition(",")[2])
    (tmp_path / "secret.bin").write_bytes(points)
    (folder / "own data.bin").write_bytes(points)
    document["buffers"][0]["uri"] = "own%20data.bin"
    document["images"] = [{"uri": "../secret.png"}]  # neither opened nor missed
    assert len(read_document(folder, document).faces) == 1
    for uri in ("../secret.bin", str(tmp_path / "secret.bin"), f"file://{tmp_path}/secret.bin"):
        document["buffers"][0]["uri"] = uri
        text = fault(folder, "a.gltf", json.dumps(document).encode(), up="y")
        assert text.startswith("a.gltf: buffer 0: ") and ".glb" in text


def test_gltf_that_cannot_be_decoded_faithfully_is_refused(tmp_path: Path) -> None:
    def said(nodes: tuple[dict[str, Any], ...] = ({"mesh": 0},), **parts: Any) -> str:
        return fault(tmp_path, "a.gltf", json.dumps(gltf(list(nodes), **parts)).encode(), up="y")

    accessors = gltf([{"mesh": 0}])["accessors"]
    assert "extension KHR_draco_mesh_compression" in said(extensionsRequired=["KHR_draco_mesh_compression"])
    assert "sparse or compressed" in said(accessors=[{**a, "sparse": {"count": 1}} for a in accessors])
    assert "quantised" in said(accessors=[{**a, "componentType": 5122} for a in accessors])
    assert "many more numbers" in said(accessors=[{**a, "count": 10**10} for a in accessors])
    assert "damaged" in said(accessors=[{**a, "count": 4} for a in accessors])
    assert "triangle fans" in said(meshes=[{"primitives": [{"attributes": {"POSITION": 0}, "mode": 6}]}])
    assert "do not form a tree" in said(nodes=({"mesh": 0, "children": [1]}, {"children": [1]}))
    assert "no faces" in said(meshes=[{"primitives": [{"attributes": {"POSITION": 0}, "mode": 1}]}])
    assert "glTF version 1.0" in said(asset={"version": "1.0"})


def test_truncated_glb(tmp_path: Path) -> None:
    content = trimesh.Scene(trimesh.creation.box()).export(file_type="glb")
    for length in (4, 19, 60, len(content) - 1):
        assert fault(tmp_path, "a.glb", content[:length], up="y").startswith("a.glb: ")


# --- materials of groups --------------------------------------------------------------------------------


def mesh_of(folder: Path, *groups: str) -> VenueMesh:
    faces = "".join(f"g {group}\nf 1 2 3\n" for group in groups)
    return read(folder, "hall.obj", ("v 0 0 0\nv 1 0 0\nv 0 1 0\n" + faces).encode())


def venue_of(**surfaces: str) -> VenueDocument:
    area = {"name": "seats", "polygon": [(0, 0), (1, 0), (1, 1)]}
    mesh = {"file": "hall.obj", "unit": "m", "up": "z"}
    return VenueDocument.model_validate(
        {"schema": 1, "name": "hall", "mesh": mesh, "surfaces": surfaces, "audience": [area]}
    )


def test_exact_name_wins_over_wildcard_and_longer_wildcard_over_shorter(tmp_path: Path) -> None:
    mesh = mesh_of(tmp_path, "wall_east", "wall_east_door", "wall_west", "floor")
    venue = venue_of(**{"*": "brick", "wall_*": "plaster", "wall_east*": "glass", "wall_east": "steel"})
    assert match_surfaces(mesh, venue) == ("steel", "glass", "plaster", "brick")


def test_patterns_may_name_the_material_of_the_mesh(tmp_path: Path) -> None:
    text = b"v 0 0 0\nv 1 0 0\nv 0 1 0\ng a\nusemtl red\nf 1 2 3\ng b\nf 1 2 3\nusemtl blue\nf 1 2 3\n"
    mesh = read(tmp_path, "hall.obj", text)
    assert mesh.group_names == ("a", "b/red", "b/blue")
    assert match_surfaces(mesh, venue_of(**{"*/red": "brick", "b/blue": "glass"})) == (
        "brick",
        "brick",
        "glass",
    )
    assert match_surfaces(mesh, venue_of(**{"a": "steel", "b/*": "glass"})) == ("steel", "glass", "glass")


def test_names_with_wildcard_letters_are_names_first(tmp_path: Path) -> None:
    mesh = mesh_of(tmp_path, "wall [1]", "wall [2]")
    assert match_surfaces(mesh, venue_of(**{"wall [1]": "brick", "wall*": "glass"})) == ("brick", "glass")


def test_case_counts(tmp_path: Path) -> None:
    with pytest.raises(MeshError, match="no material for the group 'Floor'"):
        match_surfaces(mesh_of(tmp_path, "Floor"), venue_of(floor="brick"))


def test_all_unmatched_groups_and_idle_patterns_come_at_once(tmp_path: Path) -> None:
    mesh = mesh_of(tmp_path, "wall_north", "floor", "seiling")
    venue = venue_of(**{"wall_nroth": "brick", "floor": "wood", "ceiling*": "steel"})
    with pytest.raises(MeshError) as error:
        match_surfaces(mesh, venue)
    assert str(error.value).splitlines() == [
        "venue file: surfaces: no material for the group 'wall_north' of hall.obj (line 5). "
        "Did you mean 'wall_nroth'?",
        "venue file: surfaces: no material for the group 'seiling' of hall.obj (line 9). "
        "Did you mean 'ceiling*'?",
        "venue file: surfaces: 'wall_nroth' matches no group of hall.obj. Did you mean 'wall_north'?",
        "venue file: surfaces: 'ceiling*' matches no group of hall.obj. Did you mean 'seiling'?",
    ]


def test_wildcards_that_contradict_each_other(tmp_path: Path) -> None:
    mesh = mesh_of(tmp_path, "wall_door")
    with pytest.raises(MeshError, match=r"'wall\*' and '\*door' match the group 'wall_door' equally well"):
        match_surfaces(mesh, venue_of(**{"wall*": "brick", "*door": "wood"}))
    assert match_surfaces(mesh, venue_of(**{"wall*": "wood", "*door": "wood"})) == ("wood",)


def test_matching_groups(tmp_path: Path) -> None:
    mesh = mesh_of(tmp_path, "shutter_1", "shutter_2", "floor")
    assert matching_groups(mesh, ("shutter_*",), "opening[0].groups").tolist() == [True, True, False]
    with pytest.raises(MeshError) as error:
        matching_groups(mesh, ("floor", "shuter_1"), "opening[0].groups", "elements.toml")
    assert str(error.value) == (
        "elements.toml: opening[0].groups: 'shuter_1' matches no group of hall.obj. "
        "Did you mean 'shutter_1' or 'shutter_2'?"
    )
