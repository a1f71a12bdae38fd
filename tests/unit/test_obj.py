"""The OBJ reader: names, corners and lines, and what it says of damaged files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh

from roomsim.errors import MeshError
from roomsim.venue.document import MeshReference
from roomsim.venue.mesh import VenueMesh, read_mesh

SQUARE = "v 0 0 0\nv 2 0 0\nv 2 2 0\nv 0 2 0\n"
# An L: a square of 4 by 4 without a square of 3 by 3, so 16 - 9 = 7. Its reflex corner is the fourth.
ELL = ((0, 0), (4, 0), (4, 1), (1, 1), (1, 4), (0, 4))


def read(folder: Path, text: str | bytes, unit: str = "m", up: str = "z") -> VenueMesh:
    content = text if isinstance(text, bytes) else text.encode()
    (folder / "hall.obj").write_bytes(content)
    return read_mesh(MeshReference(file="hall.obj", unit=unit, up=up), folder)


def areas(mesh: VenueMesh) -> np.ndarray:
    return trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).area_faces


def fault(folder: Path, text: str | bytes) -> str:
    with pytest.raises(MeshError) as error:
        read(folder, text)
    return str(error.value)


# --- polygons -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("first", range(6))
def test_concave_polygon_keeps_its_area_from_any_corner(tmp_path: Path, first: int) -> None:
    corners = ELL[first:] + ELL[:first]
    text = "".join(f"v {x} {y} 0\n" for x, y in corners) + "f 1 2 3 4 5 6\n"
    mesh = read(tmp_path, text)
    assert areas(mesh).sum() == pytest.approx(7.0, rel=1e-12)  # rounding of a few products
    assert len(set(mesh.polygon)) == 1
    # Wound as the polygon: all triangles face up.
    assert (trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).face_normals[:, 2] > 0.99).all()


def test_fans_would_have_failed_here() -> None:
    """Control: the general reader's fan of the same L has other areas, from most corners."""
    wrong = 0
    for first in range(6):
        points = np.array([(x, y, 0) for x, y in ELL[first:] + ELL[:first]], dtype=float)
        fan = [(0, i, i + 1) for i in range(1, 5)]
        wrong += abs(trimesh.Trimesh(points, fan, process=False).area - 7.0) > 0.5
    # Two of the six corners see the whole L: the reflex corner, and the outer corner opposite to it.
    assert wrong == 4


def test_arrowhead_keeps_its_area(tmp_path: Path) -> None:
    # Triangle of base 4 and height 4 (area 8), less a notch of base 4 and height 2 (area 4).
    mesh = read(tmp_path, "v 0 0 0\nv 2 2 0\nv 4 0 0\nv 2 4 0\nf 1 2 3 4\n")
    assert areas(mesh).sum() == pytest.approx(4.0, rel=1e-12)  # rounding of a few products


def test_corners_on_a_straight_edge_join_neighbours(tmp_path: Path) -> None:
    """A box whose front is two quads: the middle corners of its edges stay, and the box is closed."""
    text = """
v 0 0 0
v 4 0 0
v 4 3 0
v 0 3 0
v 0 0 2
v 4 0 2
v 4 3 2
v 0 3 2
v 1 0 0
v 1 0 2
f 4 3 2 9 1
f 5 10 6 7 8
f 1 9 10 5
f 9 2 6 10
f 2 3 7 6
f 3 4 8 7
f 4 1 5 8
"""
    mesh = read(tmp_path, text)
    solid = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    assert solid.is_watertight and solid.is_winding_consistent
    assert solid.volume == pytest.approx(24.0, rel=1e-12)  # rounding of a few products
    assert (areas(mesh) > 0.1).all()


def test_wall_with_a_bridged_window(tmp_path: Path) -> None:
    """A hole written as one outline with a cut to it and back, as the format has no holes: 100 - 4."""
    outer, inner = [(0, 0), (10, 0), (10, 10), (0, 10)], [(4, 4), (4, 6), (6, 6), (6, 4)]
    text = "".join(f"v {x} {y} 0\n" for x, y in outer + inner) + "f 1 2 3 4 1 5 6 7 8 5\n"
    mesh = read(tmp_path, text)
    assert areas(mesh).sum() == pytest.approx(96.0, rel=1e-12)  # rounding of a few products
    centres = mesh.vertices[mesh.faces].mean(axis=1)
    assert not ((centres[:, :2] > 4) & (centres[:, :2] < 6)).all(axis=1).any()


def test_line_without_area_is_kept_for_the_checks(tmp_path: Path) -> None:
    mesh = read(tmp_path, SQUARE + "v 1 0 0\nf 1 2 3 4\nf 1 5 2 5\nf 1 2 2\nf 1 1 1 1\n")
    assert areas(mesh).sum() == pytest.approx(4.0, rel=1e-12)  # rounding of a few products
    assert set(mesh.place) == {6, 7, 8, 9}


def test_bent_polygon_is_refused_past_5_mm(tmp_path: Path) -> None:
    """One corner of a square lifted by h puts all four h/4 off the mean plane."""
    assert len(read(tmp_path, SQUARE.replace("2 2 0", "2 2 0.019") + "f 1 2 3 4\n").faces) == 2
    text = fault(tmp_path, SQUARE.replace("2 2 0", "2 2 0.021") + "\n# bent\nf 1 2 3 4\n")
    assert text.startswith("hall.obj, line 7: ")
    assert "5.25 mm off one plane" in text
    assert "cut it into triangles before the export" in text


def test_flatness_counts_in_metres(tmp_path: Path) -> None:
    text = SQUARE.replace("2 2 0", "2 2 0.1") + "f 1 2 3 4\n"
    assert len(read(tmp_path, text, unit="mm").faces) == 2
    with pytest.raises(
        MeshError, match=r"7\.62 mm off"
    ):  # a tenth of a foot is 30.48 mm, a quarter of it 7.62
        read(tmp_path, text, unit="ft")


@pytest.mark.parametrize(
    "corners",
    [
        pytest.param([(0, 0), (2, 2), (2, 0), (0, 2)], id="bow tie, halves equal"),
        pytest.param([(0, 0), (3, 2), (3, 0), (0, 1)], id="bow tie, halves different"),
        pytest.param([(0, 3), (2, -3), (-3, 1), (3, 1), (-2, -3)], id="pentagram"),
    ],
)
def test_outline_that_crosses_itself_is_refused(tmp_path: Path, corners: list[tuple[int, int]]) -> None:
    vertices = "".join(f"v {x} {y} 0\n" for x, y in corners)
    face = "f " + " ".join(str(i + 1) for i in range(len(corners))) + "\n"
    text = fault(tmp_path, vertices + face + SQUARE + face)
    assert text.startswith(f"hall.obj, line {len(corners) + 1}: ")
    assert "its outline crosses itself" in text
    assert f"The same applies to lines {len(corners) + 6}." in text


# --- names ----------------------------------------------------------------------------------------------


def test_group_gives_the_name_and_material_is_kept_beside_it(tmp_path: Path) -> None:
    text = SQUARE + "o Hall\ng floor\nusemtl carpet\nf 1 2 3\ng walls\nusemtl brick\nf 1 3 4\nf 1 2 4\n"
    mesh = read(tmp_path, text)
    assert mesh.group_names == ("floor", "walls")
    assert mesh.group_labels == ("floor/carpet", "walls/brick")
    assert mesh.group.tolist() == [0, 1, 1]
    assert mesh.place.tolist() == [8, 11, 12]
    assert mesh.where(1) == "line 11"


def test_group_of_several_materials_is_parted(tmp_path: Path) -> None:
    text = SQUARE + "g walls\nf 1 2 3\nusemtl brick\nf 1 3 4\nusemtl glass\nf 1 2 4\nusemtl brick\nf 2 3 4\n"
    mesh = read(tmp_path, text)
    assert mesh.group_names == ("walls", "walls/brick", "walls/glass")
    assert mesh.group.tolist() == [0, 1, 2, 1]


def test_without_groups_the_material_names_then_the_object_then_the_file(tmp_path: Path) -> None:
    faces = "f 1 2 3\no stage\nf 1 2 4\nusemtl wood\nf 1 3 4\no seats\nf 2 3 4\ng default\nf 1 2 3\n"
    mesh = read(tmp_path, SQUARE + faces)
    assert mesh.group_names == ("hall", "stage", "wood")
    assert mesh.group.tolist() == [0, 1, 2, 2, 2]


def test_names_keep_spaces_letters_and_number_signs(tmp_path: Path) -> None:
    text = SQUARE + "g Bühne  links\nf 1 2 3\ng Material #2\nf 1 3 4\ng Material #3\nf 1 2 4\n"
    assert read(tmp_path, text).group_names == ("Bühne links", "Material #2", "Material #3")


def test_material_library_is_neither_needed_nor_opened(tmp_path: Path) -> None:
    (tmp_path / "hall.mtl").mkdir()  # opening it would raise
    text = "mtllib hall.mtl\nmtllib ../../secret.mtl\n" + SQUARE + "usemtl a b\nf 1 2 3 4\n"
    assert read(tmp_path, text).group_names == ("a b",)


# --- text -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
def test_line_endings_and_byte_order_mark(tmp_path: Path, ending: str, mark: bytes) -> None:
    text = (SQUARE + "# end\n\ng floor\nf 1 2 3 4").replace("\n", ending)
    mesh = read(tmp_path, mark + text.encode())
    assert mesh.group_names == ("floor",)
    assert mesh.place.tolist() == [8, 8]


def test_indices_with_texture_and_normal_counted_from_either_end(tmp_path: Path) -> None:
    text = "vt 0 0\nvn 0 0 1\n" + SQUARE + "f 1/1/1 2/1 3//1\nf -4/1/1 -2//1 -1\t# back\n"
    mesh = read(tmp_path, text)
    assert areas(mesh).tolist() == pytest.approx([2.0, 2.0], rel=1e-12)  # rounding of a few products
    assert mesh.vertices[mesh.faces[1]].tolist() == [[0, 0, 0], [2, 2, 0], [0, 2, 0]]


def test_continued_lines_count_as_their_first(tmp_path: Path) -> None:
    mesh = read(tmp_path, SQUARE + "f 1 2 \\\n  3 \\\n 4\nf 1 2 3\n")
    assert mesh.place.tolist() == [5, 5, 8]


def test_texture_seams_do_not_open_a_box(tmp_path: Path) -> None:
    box = trimesh.creation.box((3, 4, 5))
    lines = [f"v {x} {y} {z}" for x, y, z in box.vertices] + [f"vt 0.{i} 0.5" for i in range(36)]
    lines += [
        "f " + " ".join(f"{v + 1}/{3 * i + k + 1}" for k, v in enumerate(f)) for i, f in enumerate(box.faces)
    ]
    mesh = read(tmp_path, "\n".join(lines))
    assert len(mesh.vertices) == 8
    assert trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).is_watertight


def test_latin_1_in_a_comment_is_harmless_and_in_a_name_is_not(tmp_path: Path) -> None:
    assert len(read(tmp_path, b"# Cr\xe9\xe9\n" + SQUARE.encode() + b"f 1 2 3 4\n").faces) == 2
    text = fault(tmp_path, SQUARE.encode() + b"g B\xfchne\nf 1 2 3 4\n")
    assert text.startswith("hall.obj, line 5: ") and "UTF-8 names" in text


@pytest.mark.parametrize(
    ("text", "line", "said", "cure"),
    [
        ("v 0 0 nan\n" + SQUARE + "f 1 2 3", 1, '"0 0 nan"', "Export the mesh again"),
        (SQUARE + "v 1e999 0 0\nf 1 2 3", 5, "three numbers", "Export the mesh again"),
        (SQUARE + "v 1,5 0 0\nf 1 2 3", 5, '"1,5 0 0"', "decimal point"),
        (SQUARE + "v 1 2\nf 1 2 3", 5, '"1 2"', "Export the mesh again"),
        (SQUARE + "\nf 1 2\n", 6, "at least three vertices, got 2", "Remove the face"),
        (SQUARE + "f 1 2 0\n", 5, "no vertex 0", "export it again"),
        (SQUARE + "f 1 2 -5\n", 5, "no vertex -5 at this point; 4 are defined", "export it again"),
        (SQUARE + "f 1 2 3\nf 1 2 9\nf 1 2 7\n", 6, "vertex 9, and the file has 4", "cut short"),
        (SQUARE + "f 1 2 x\n", 5, '"x" is not a vertex', "whole numbers"),
        (SQUARE + "f 1 2 3\ncstype bezier\n", 6, "curved surfaces cannot be read", "as polygons"),
    ],
)
def test_damage_is_named_with_its_line(tmp_path: Path, text: str, line: int, said: str, cure: str) -> None:
    message = fault(tmp_path, text)
    assert message.startswith(f"hall.obj, line {line}: ")
    assert said in message and cure in message


@pytest.mark.parametrize("text", ["", "# nothing\n", SQUARE, "\x00\x01\x02"])
def test_no_faces_is_an_error(tmp_path: Path, text: str) -> None:
    assert fault(tmp_path, text).startswith("hall.obj: the mesh has no faces")
