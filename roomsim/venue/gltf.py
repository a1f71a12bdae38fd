"""glTF files, binary (.glb) and text (.gltf): triangles with the names of their nodes and materials.

trimesh decodes the numbers and applies the transforms of the nodes. It receives a copy of the document with the
geometry only, and the buffers in memory, so that it does not open other files. In the copy nodes and primitives have
new, unique names, because names in the file may occur twice or be absent.
"""

from __future__ import annotations

import base64
import binascii
import io
import json
import struct
import urllib.parse
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from roomsim.errors import MeshError
from roomsim.venue.parsing import find_file
from roomsim.venue.polygons import RawMesh, raw_mesh

LARGEST_COUNT = 50_000_000
"""Largest number of values in all accessors together; a file can declare more than it contains."""

DEEPEST = 500
"""Levels of nodes; the position of a node takes one matrix product for each node above it."""
_MAGIC, _JSON, _BINARY = 0x46546C67, 0x4E4F534A, 0x004E4942
_TRIANGLES, _STRIP, _FAN = 4, 5, 6
_WITHOUT_GEOMETRY = ("KHR_materials_", "KHR_texture_", "KHR_lights_", "EXT_texture_")
_FLOAT = 5126


def read_gltf(content: bytes, folder: Path) -> RawMesh:
    """Read the bytes of a glTF file. Lengths stay in metres and y stays up, as the standard has them.

    Parameters
    ----------
    content : bytes of the file
    folder : the file's folder; buffers outside it are refused

    Raises
    ------
    MeshError : file, what is wrong, cure
    """
    try:
        document, binary = _split(content)
        _check(document)
        geometry, names, materials = _for_decoding(document)
        geometry["buffers"], buffers = _buffers(document, binary, folder)
        # Through bytes, as trimesh wants a file.
        stream = io.BytesIO(json.dumps(geometry).encode())
        scene = trimesh.load_scene(
            stream, file_type="gltf", resolver=buffers, process=False, skip_materials=True
        )
        return _flatten(scene, names, materials)
    except MeshError:
        raise
    except Exception as error:  # trimesh raises many kinds for a damaged file
        shown = f"{type(error).__name__}: {error}"[:200]
        raise _unreadable(f"the file is damaged or not glTF 2.0 ({shown})") from error


def _unreadable(fault: str, cure: str = "Export it again.") -> MeshError:
    return MeshError(fault, cure=cure)


def _split(content: bytes) -> tuple[dict[str, Any], bytes | None]:
    """The document and the binary chunk of a .glb file; a .gltf file is all document."""
    if not content.startswith(b"glTF"):
        return json.loads(content.decode("utf-8-sig")), None
    if len(content) < 20:
        raise _unreadable("the file ends within its header")
    _, version, length = struct.unpack_from("<III", content)
    if version != 2:
        raise _unreadable(f"glTF version {version} is not supported", "Export it as glTF 2.0.")
    if length != len(content):
        raise _unreadable(f"the file should have {length} bytes and has {len(content)}")
    chunks: dict[int, bytes] = {}
    position = 12
    while position + 8 <= length:
        size, kind = struct.unpack_from("<II", content, position)
        if position + 8 + size > length:
            raise _unreadable("a part of the file ends early")
        chunks.setdefault(kind, content[position + 8 : position + 8 + size])
        position += 8 + size
    if _JSON not in chunks:
        raise _unreadable("the file has no description part")
    return json.loads(chunks[_JSON].decode("utf-8")), chunks.get(_BINARY)


def _check(document: dict[str, Any]) -> None:
    """Refuse what cannot be decoded, or not correctly."""
    if str(document["asset"]["version"]).partition(".")[0] != "2":
        raise _unreadable(
            f"glTF version {document['asset']['version']} is not supported", "Export it as glTF 2.0."
        )
    for name in document.get("extensionsRequired", []):
        if not name.startswith(_WITHOUT_GEOMETRY):
            raise _unreadable(f"the file needs the extension {name}", "Export it without compression.")
    accessors = document.get("accessors", [])
    size = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
    if sum(int(accessor["count"]) * size[accessor["type"]] for accessor in accessors) > LARGEST_COUNT:
        raise _unreadable("the file declares many more numbers than a venue needs", "Export a simpler mesh.")
    for primitive in (p for mesh in document.get("meshes", []) for p in mesh["primitives"]):
        if primitive.get("mode", _TRIANGLES) == _FAN:
            raise _unreadable("triangle fans are not supported", "Export it as plain triangles.")
        position = accessors[primitive["attributes"]["POSITION"]]
        if position["componentType"] != _FLOAT or position["type"] != "VEC3":
            raise _unreadable("its coordinates are quantised", "Export it without compression.")
        used = [position] + ([accessors[primitive["indices"]]] if "indices" in primitive else [])
        if any("sparse" in accessor or "bufferView" not in accessor for accessor in used):
            raise _unreadable("its geometry is sparse or compressed", "Export it without compression.")
    parents = [child for node in document.get("nodes", []) for child in node.get("children", [])]
    scenes = document.get("scenes", [])
    roots = scenes[document.get("scene", 0)].get("nodes", []) if scenes else []
    if len(set(parents)) < len(parents) or set(roots) & set(parents) or len(set(roots)) < len(roots):
        raise _unreadable("its nodes do not form a tree")
    level, depth = list(roots), 0
    while level:
        level = [child for node in level for child in document["nodes"][node].get("children", [])]
        depth += 1
        if depth > DEEPEST:
            raise _unreadable(
                f"its nodes are nested more than {DEEPEST} deep", "Export it with its objects side by side."
            )


def _for_decoding(document: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str], dict[str, str]]:
    """The geometry only, with new names; the original name of each node, and the material of each primitive."""
    materials = document.get("materials", [])
    meshes: list[dict[str, Any]] = []
    members: list[list[int]] = []
    material_of: dict[str, str] = {}
    for i, mesh in enumerate(document.get("meshes", [])):
        members.append([])
        for primitive in mesh["primitives"]:
            if primitive.get("mode", _TRIANGLES) not in (_TRIANGLES, _STRIP):
                continue
            name = f"primitive {len(meshes)}"
            members[i].append(len(meshes))
            primitive_keys = {key: primitive[key] for key in ("indices", "mode") if key in primitive}
            attributes = {"POSITION": primitive["attributes"]["POSITION"]}
            meshes.append({"name": name, "primitives": [{**primitive_keys, "attributes": attributes}]})
            at = primitive.get("material")
            material_of[name] = "" if at is None else str(materials[at].get("name", f"material {at}"))
    nodes: list[dict[str, Any]] = []
    name_of: dict[str, str] = {}
    originals = document.get("nodes", [])
    for i, node in enumerate(originals):
        placed = {key: node[key] for key in ("matrix", "translation", "rotation", "scale") if key in node}
        nodes.append({"name": f"node {i}", "children": list(node.get("children", [])), **placed})
    for i, node in enumerate(originals):
        if "mesh" in node:
            own = document["meshes"][node["mesh"]]
            for member in members[node["mesh"]]:
                name = f"node {len(nodes)}"
                name_of[name] = str(node.get("name", own.get("name", "")))
                nodes[i]["children"].append(len(nodes))
                nodes.append({"name": name, "mesh": member})
    document_keys: dict[str, Any] = {
        key: document[key] for key in ("accessors", "bufferViews", "scenes", "scene") if key in document
    }
    return {"asset": {"version": "2.0"}, **document_keys, "meshes": meshes, "nodes": nodes}, name_of, material_of


def _buffers(
    document: dict[str, Any], binary: bytes | None, folder: Path
) -> tuple[list[dict[str, Any]], dict[str, bytes]]:
    """The entries of the buffers, with new names as addresses, and their bytes by these names."""
    entries, contents = [], {}
    for i, buffer in enumerate(document.get("buffers", [])):
        uri = buffer.get("uri")
        if uri is None:
            if binary is None:
                raise _unreadable("its binary part is missing")
            content = binary
        elif uri.startswith("data:"):
            try:
                content = base64.b64decode(uri.partition("base64,")[2], validate=True)
            except binascii.Error:
                raise _unreadable(f"buffer {i} is damaged") from None
        else:
            try:
                content = find_file(folder.resolve(), folder, urllib.parse.unquote(uri)).read_bytes()
            except ValueError as error:
                raise _unreadable(
                    f"buffer {i}: {error}", "Export it as .glb, which contains everything."
                ) from None
        if len(content) < int(buffer["byteLength"]):
            raise _unreadable(f"buffer {i} should have {buffer['byteLength']} bytes and has {len(content)}")
        entries.append({"uri": f"buffer {i}", "byteLength": len(content)})
        contents[f"buffer {i}"] = content
    return entries, contents


def _flatten(scene: trimesh.Scene, names: dict[str, str], material_of: dict[str, str]) -> RawMesh:
    """All triangles at their positions in the scene."""
    nothing = np.empty((0, 3), dtype=np.int64)
    vertices, faces, label = [nothing.astype(float)], [nothing], [nothing[:, 0]]
    labels: dict[tuple[str, str, str], int] = {}
    offset = 0
    # In the order of their numbers; trimesh does not sort them.
    for node in sorted(scene.graph.nodes_geometry, key=lambda name: int(name.split()[1])):
        matrix, geometry = scene.graph[node]
        primitive = str(geometry)
        part = scene.geometry[primitive]
        points = np.asarray(part.vertices, dtype=np.float64)
        triangles = np.asarray(part.faces, dtype=np.int64)
        if len(triangles) and (triangles.min() < 0 or triangles.max() >= len(points)):
            raise _unreadable(f'a triangle of "{names[node]}" names a vertex that does not exist')
        # A mirrored node turns its triangles inside out; reversing them keeps their front.
        triangles = triangles[:, ::-1] if np.linalg.det(matrix[:3, :3]) < 0 else triangles
        vertices.append(points @ matrix[:3, :3].T + matrix[:3, 3])
        faces.append(triangles + offset)
        offset += len(points)
        key = (names[node], material_of[primitive], "")
        label.append(np.full(len(triangles), labels.setdefault(key, len(labels))))
    corners = np.concatenate(faces)
    return raw_mesh(
        np.concatenate(vertices), corners.reshape(-1), np.full(len(corners), 3), np.concatenate(label), tuple(labels)
    )
