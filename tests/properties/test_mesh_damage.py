"""Damaged mesh files are read or refused with a message, never with another exception."""

from __future__ import annotations

import io
import json
import tempfile
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import example, given, settings
from hypothesis import strategies as st

from roomsim.errors import RoomsimError
from roomsim.venue.document import MeshReference
from roomsim.venue.mesh import read_mesh

BOX = trimesh.creation.box((4, 3, 2))
OBJ = b"""# hall
mtllib hall.mtl
o Hall
v 0 0 0
v 4 0 0
v 4 1 0
v 1 1 0
v 1 4 0
v 0 4 0
vt 0.5 0.5
g floor
usemtl wood
f 1/1 2/1 3/1 4/1 5/1 6/1
g rest
f -1 -2 \\
 -3
"""
GLB = trimesh.Scene(BOX).export(file_type="glb")
SEEDS = {
    ".obj": OBJ,
    ".stl": BOX.export(file_type="stl"),
    ".ply": BOX.export(file_type="ply", encoding="ascii"),
    ".glb": GLB,
}
TEXTS = [
    b"nan",
    b"inf",
    b"-1",
    b"0",
    b"1e400",
    b"99999999999",
    b"/",
    b" ",
    b"\n",
    b"\r",
    b"\\\n",
    b"f ",
    b"v ",
    b"g ",
]


@st.composite
def damaged(draw: st.DrawFn, kind: str) -> bytes:
    """A good file with a few bytes changed, put in, taken out, or cut off at the end."""
    content = bytearray(SEEDS[kind])
    for _ in range(draw(st.integers(1, 5))):
        at = draw(st.integers(0, len(content)))
        length = draw(st.integers(0, 6))
        content[at : at + length] = draw(st.one_of(st.binary(max_size=6), st.sampled_from(TEXTS)))
    return bytes(content[: draw(st.integers(0, len(content)))] if draw(st.booleans()) else content)


def read_or_refuse(kind: str, content: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / f"hall{kind}").write_bytes(content)
        glb = kind == ".glb"
        reference = MeshReference(file=f"hall{kind}", unit="m", up="y" if glb else "z")
        refused = None
        try:
            mesh = read_mesh(reference, Path(folder))
        except RoomsimError as error:
            refused = str(error)
    if refused is not None:
        assert refused.startswith(f"hall{kind}")
        return
    assert np.isfinite(mesh.vertices).all()
    assert mesh.faces.min() >= 0 and mesh.faces.max() < len(mesh.vertices)
    assert len(mesh.faces) == len(mesh.group) == len(mesh.polygon) == len(mesh.place)
    assert mesh.group.max() < len(mesh.group_names) == len(mesh.group_labels)


@pytest.mark.parametrize("kind", SEEDS)
def test_seed_is_good(kind: str) -> None:
    """Control: what is damaged below can be read."""
    read_or_refuse(kind, SEEDS[kind])


@settings(max_examples=150)
@given(damaged(".obj"))
@example(b"f 1 2 3\n")
@example(b"v 0 0 0\n" * 3 + b"f 1 2 3 1 2 3\n")
def test_obj(content: bytes) -> None:
    read_or_refuse(".obj", content)


@settings(max_examples=80)
@given(damaged(".stl"))
def test_stl(content: bytes) -> None:
    read_or_refuse(".stl", content)


@settings(max_examples=80)
@given(damaged(".ply"))
@example(
    SEEDS[".ply"].replace(b" -1.0", b"-1.0", 1)
)  # a row with a number too few made trimesh's columns ragged
def test_ply(content: bytes) -> None:
    read_or_refuse(".ply", content)


@settings(max_examples=80)
@given(damaged(".glb"))
def test_glb(content: bytes) -> None:
    read_or_refuse(".glb", content)


JUNK = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-3, 10**12), st.floats(), st.text(max_size=4)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=4), inner, max_size=2)
    ),
    max_leaves=4,
)


@settings(max_examples=120)
@given(st.data())
def test_gltf_with_a_wrong_value(data: st.DataObject) -> None:
    """One value anywhere in the document becomes another."""
    files = trimesh.Scene(BOX).export(file_type="gltf")
    document = json.load(io.BytesIO(files["model.gltf"]))
    place = document
    while True:
        key = data.draw(st.sampled_from(sorted(place) if isinstance(place, dict) else range(len(place))))
        inner = place[key]
        if not isinstance(inner, dict | list) or not inner or data.draw(st.booleans()):
            break
        place = inner
    place[key] = data.draw(JUNK)
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / name).write_bytes(content)
        (Path(folder) / "hall.gltf").write_text(json.dumps(document))
        said = "hall.gltf"
        try:
            read_mesh(MeshReference(file="hall.gltf", unit="m", up="y"), Path(folder))
        except RoomsimError as error:
            said = str(error)
    assert said.startswith("hall.gltf")
