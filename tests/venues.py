"""Small venues for tests: a shell of named polygons written to a folder as OBJ and TOML.

    study = write_shoebox(folder, size=(30, 20, 8), absorption={"wall_*": 0.6, "floor": 0.1, "ceiling": 0.2})

`write_venue` does the same for any shell; `shoebox`, `prism`, `l_shape`, `coupled_pair` and `sphere` make
shells, `with_screen` adds an open sheet to one. Everything in the files is invented for tests. Nothing here
imports the package, so that a test of the reader does not lean on it.
"""

from __future__ import annotations

import fnmatch
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import trimesh

Octaves = Sequence[float]
FLAT = (1.0,) * 8

DEFAULT_FABRICS: dict[str, dict[str, Any]] = {
    "test_wool": {"flow_resistance": 620.0, "surface_mass": 0.45, "source": "invented for tests"},
}


@dataclass(frozen=True)
class Shell:
    """Vertices (n, 3) in metres and, for each named surface, its polygons as vertex indices.

    Polygons run anticlockwise seen from inside the room, so that their normals point into it.
    """

    vertices: np.ndarray
    polygons: dict[str, tuple[tuple[int, ...], ...]]
    two_sided: tuple[str, ...] = ()

    def bounds(self) -> np.ndarray:
        return np.array([self.vertices.min(axis=0), self.vertices.max(axis=0)])


# --- shells ---------------------------------------------------------------------------------------------


def prism(
    plan: Sequence[tuple[float, float]],
    height: float,
    walls: Sequence[str] | None = None,
    parts: Mapping[str, Sequence[int]] | None = None,
) -> Shell:
    """A room with upright walls over an anticlockwise plan, concave or not.

    `walls` names the wall from each corner to the next ("wall_0", ... unless given; equal names join one
    group). `parts` divides floor and ceiling: suffix -> corners of the part ("floor_a", "ceiling_a", ...).
    """
    n = len(plan)
    base = np.array([(x, y, 0.0) for x, y in plan])
    vertices = np.concatenate([base, base + np.array([0.0, 0.0, height])])
    names = walls if walls is not None else [f"wall_{i}" for i in range(n)]
    polygons: dict[str, list[tuple[int, ...]]] = {}
    for suffix, corners in (parts or {"": range(n)}).items():
        tail = f"_{suffix}" if suffix else ""
        polygons.setdefault("floor" + tail, []).append(tuple(corners))
        polygons.setdefault("ceiling" + tail, []).append(tuple(n + i for i in reversed(corners)))
    for i, name in enumerate(names):
        j = (i + 1) % n
        # Seen from inside, an anticlockwise plan has its walls running from right to left.
        polygons.setdefault(name, []).append((j, i, i + n, j + n))
    return Shell(vertices, {name: tuple(faces) for name, faces in polygons.items()})


def shoebox(size: tuple[float, float, float] = (6.0, 5.0, 3.0)) -> Shell:
    """A box from the origin: wall_west (x = 0), wall_east, wall_south (y = 0), wall_north, floor, ceiling."""
    x, y, z = size
    walls = ("wall_south", "wall_east", "wall_north", "wall_west")
    return prism([(0, 0), (x, 0), (x, y), (0, y)], z, walls)


def l_shape(
    size: tuple[float, float, float] = (12.0, 10.0, 4.0), notch: tuple[float, float] = (7.0, 6.0)
) -> Shell:
    """A box with `notch` cut from its far corner, whose faces are wall_notch_x and wall_notch_y."""
    x, y, z = size
    nx, ny = x - notch[0], y - notch[1]
    plan = [(0, 0), (x, 0), (x, ny), (nx, ny), (nx, y), (0, y)]
    walls = ("wall_south", "wall_east", "wall_notch_y", "wall_notch_x", "wall_north", "wall_west")
    return prism(plan, z, walls)


def coupled_pair(
    first: tuple[float, float] = (10.0, 8.0),
    second: tuple[float, float] = (6.0, 5.0),
    height: float = 5.0,
    aperture: float = 1.2,
    thickness: float = 0.2,
) -> Shell:
    """Two boxes, `a` and `b`, joined through a slot of full height in the wall between them.

    Groups wall_a, floor_a, ceiling_a and the same for b; the reveal of the slot is wall_neck, floor_neck,
    ceiling_neck. Both rooms are centred on y = 0; the partition's faces belong to their rooms.
    """
    (xa, ya), (xb, yb) = first, second
    x0, x1, s = xa, xa + thickness, aperture / 2
    plan = [
        *((0, -ya / 2), (x0, -ya / 2), (x0, -s), (x1, -s), (x1, -yb / 2), (x1 + xb, -yb / 2)),
        *((x1 + xb, yb / 2), (x1, yb / 2), (x1, s), (x0, s), (x0, ya / 2), (0, ya / 2)),
    ]
    a, b, neck = "wall_a", "wall_b", "wall_neck"
    walls = (a, a, neck, b, b, b, b, b, neck, a, a, a)
    parts = {"a": (0, 1, 2, 9, 10, 11), "neck": (2, 3, 8, 9), "b": (3, 4, 5, 6, 7, 8)}
    return prism(plan, height, walls, parts)


def sphere(radius: float = 5.0, subdivisions: int = 3) -> Shell:
    """An icosphere round the origin, one group "shell"; its vertices lie on the sphere."""
    ball = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius)
    faces = tuple(tuple(int(i) for i in face[::-1]) for face in ball.faces)
    return Shell(np.array(ball.vertices), {"shell": faces})


def with_screen(shell: Shell, name: str, corners: Sequence[tuple[float, float, float]]) -> Shell:
    """The shell with an open two-sided sheet in the room: a planar polygon of its own group."""
    n = len(shell.vertices)
    vertices = np.concatenate([shell.vertices, np.array(corners, dtype=float)])
    polygons = {**shell.polygons, name: (tuple(range(n, n + len(corners))),)}
    return Shell(vertices, polygons, (*shell.two_sided, name))


# --- files ----------------------------------------------------------------------------------------------


def write_obj(path: Path, shell: Shell) -> None:
    """Write a shell as OBJ: a `g` line for each surface, polygons kept as they are."""
    lines = [f"v {x:.9g} {y:.9g} {z:.9g}" for x, y, z in shell.vertices]
    for name, faces in shell.polygons.items():
        lines.append(f"g {name}")
        lines += ["f " + " ".join(str(i + 1) for i in face) for face in faces]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def toml_text(document: Mapping[str, Any]) -> str:
    """A document as TOML: tables and lists of tables at the first level, deeper levels inline."""
    head, tables = [], []
    for key, value in document.items():
        if isinstance(value, Mapping):
            if value and all(isinstance(entry, Mapping) for entry in value.values()):
                for name, entry in value.items():
                    tables += ["", f"[{key}.{json.dumps(name)}]", *_toml_lines(entry)]
            else:
                tables += ["", f"[{key}]", *_toml_lines(value)]
        elif isinstance(value, list | tuple) and value and isinstance(value[0], Mapping):
            for entry in value:
                tables += ["", f"[[{key}]]", *_toml_lines(entry)]
        else:
            head.append(f"{key} = {_toml_value(value)}")
    return "\n".join([*head, *tables]) + "\n"


def _toml_lines(table: Mapping[str, Any]) -> list[str]:
    return [f"{json.dumps(key)} = {_toml_value(value)}" for key, value in table.items()]


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, Mapping):
        return "{" + ", ".join(_toml_lines(value)) + "}"
    if isinstance(value, list | tuple | np.ndarray):
        return "[" + ", ".join(_toml_value(entry) for entry in value) + "]"
    if isinstance(value, int | np.integer):
        return str(int(value))
    return repr(float(value))


def octaves(value: float | Octaves) -> list[float]:
    """Eight band values, from one number or from eight."""
    return [float(value)] * 8 if isinstance(value, int | float) else [float(entry) for entry in value]


# --- venues ---------------------------------------------------------------------------------------------


def write_venue(
    folder: Path,
    shell: Shell,
    *,
    audience: Sequence[Mapping[str, Any]],
    absorption: float | Octaves | Mapping[str, float | Octaves] = 0.1,
    scattering: float | Octaves | Mapping[str, float | Octaves] = 0.2,
    crowd: bool = True,
    crowd_absorption: float | Octaves = 0.7,
    crowd_scattering: float | Octaves = 0.6,
    sources: Sequence[Mapping[str, Any]] | None = None,
    elements: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
    scenarios: Sequence[Mapping[str, Any]] | None = None,
    materials: Mapping[str, Mapping[str, Any]] | None = None,
    fabrics: Mapping[str, Mapping[str, Any]] | None = None,
    air: Mapping[str, float] | None = None,
    zones: Sequence[Mapping[str, Any]] = (),
    noise: float | Octaves = 30.0,
    study: Mapping[str, Any] | None = None,
    name: str = "test venue",
) -> Path:
    """Write shell.obj, venue, elements, sources, materials and study to `folder`; return the study's path.

    `absorption` and `scattering` are one value for all surfaces, eight, or a mapping from group (exact or wildcard; of
    several that match, the longest applies) to either. Each group gets the material "of_<group>". The crowd element
    "occupied" covers all audience areas with the material "crowd", unless `crowd` is false because no floor lies under
    them; `elements` adds others (kind -> entries). Without `scenarios` there is one for each element by itself, of the
    same name. `materials` and `fabrics` add rows or replace them; `study` adds keys of study.toml (seed, image_order,
    costs, precision, targets ...) or replaces them.
    """
    folder.mkdir(parents=True, exist_ok=True)
    source_of_data = "invented for tests"
    rows = {
        f"of_{group}": {
            "absorption": octaves(_of_group(absorption, group, "absorption")),
            "scattering": octaves(_of_group(scattering, group, "scattering")),
            "source": source_of_data,
        }
        for group in shell.polygons
    }
    rows["crowd"] = {
        "absorption": octaves(crowd_absorption),
        "scattering": octaves(crowd_scattering),
        "source": source_of_data,
    }
    areas = [entry["name"] for entry in audience]
    all_elements: dict[str, list[Mapping[str, Any]]] = {}
    if crowd:
        all_elements["crowd"] = [{"name": "occupied", "areas": areas, "material": "crowd"}]
    all_elements |= {kind: list(entries) for kind, entries in (elements or {}).items() if entries}
    if scenarios is None:
        names = [entry["name"] for entries in all_elements.values() for entry in entries]
        scenarios = [{"name": name, "elements": [name]} for name in names]
    if sources is None:
        sources = [{"name": "talker", "position": _inside(shell), "level": [70.0] * 8}]
    documents: dict[str, dict[str, Any]] = {
        "materials": {"schema": 1, "material": {**rows, **(materials or {})}}
        | {"fabric": {**DEFAULT_FABRICS, **(fabrics or {})}},
        "venue": {
            "schema": 1,
            "name": name,
            "two_sided": list(shell.two_sided),
            "mesh": {"file": "shell.obj", "unit": "m", "up": "z"},
            "air": dict(air or {"temperature": 20.0, "humidity": 50.0}),
            "surfaces": {group: f"of_{group}" for group in shell.polygons},
            "audience": list(audience),
            "zone": list(zones),
        },
        "elements": {"schema": 1, **all_elements},
        "sources": {"schema": 1, "source": list(sources)},
        "study": {
            "schema": 1,
            "title": name,
            "venue": "venue.toml",
            "elements": "elements.toml",
            "sources": "sources.toml",
            "materials": "materials.toml",
            "noise": octaves(noise),
            "scenario": list(scenarios),
            **(study or {}),
        },
    }
    write_obj(folder / "shell.obj", shell)
    for stem, document in documents.items():
        (folder / f"{stem}.toml").write_text(toml_text(document), encoding="utf-8")
    return folder / "study.toml"


def write_shoebox(
    folder: Path,
    size: tuple[float, float, float] = (6.0, 5.0, 3.0),
    *,
    seats: tuple[int, int] = (4, 3),
    drape: bool = True,
    free_sheet: bool = False,
    **options: Any,
) -> Path:
    """A box with `seats` rows along x and y over the middle of its floor, as `write_venue`.

    Scenarios unless given: "occupied", "east drape" (wool 150 mm off the whole east wall, 0.3 m clear of its
    edges; left out with `drape=False`), "sheet" (with `free_sheet=True`: wool hanging free across the room at
    0.8 of its length) and, with both, "both".
    """
    x, y, z = size
    audience = [rectangle_area("seats", (0.3 * x, 0.2 * y, 0.7 * x, 0.8 * y), seats)]
    drapes: list[dict[str, Any]] = []
    if drape:
        drapes.append(
            {"name": "east drape", "runs": [[[x - 0.15, 0.3], [x - 0.15, y - 0.3]]]}
            | {"top": z - 0.3, "drop": z - 0.6, "fabric": "test_wool", "fullness": 2.0, "stand_off": 0.15}
            | {"hire": 300.0, "rigging_hours": 4.0, "weight": 40.0, "roof_points": 3, "point_load": 15.0}
        )
    if free_sheet:
        drapes.append(
            {"name": "sheet", "runs": [[[0.8 * x, 0.1 * y], [0.8 * x, 0.9 * y]]]}
            | {"top": z - 0.3, "drop": z - 0.8, "fabric": "test_wool", "hire": 200.0, "rigging_hours": 3.0}
        )
    elements = dict(options.pop("elements", {}))
    elements["drape"] = [*elements.get("drape", ()), *drapes]
    names = [entry["name"] for entry in drapes]
    if len(names) > 1 and "scenarios" not in options:
        alone = ["occupied", *names] if options.get("crowd", True) else names
        options["scenarios"] = [{"name": name, "elements": [name]} for name in alone]
        options["scenarios"].append({"name": "both", "elements": names})
    options.setdefault("audience", audience)
    return write_venue(folder, shoebox(size), elements=elements, **options)


def write_l_shape(folder: Path, **options: Any) -> Path:
    """The L-shaped room: talker in one leg, areas "seen" before it and "round the corner" in the other."""
    options.setdefault(
        "audience",
        [
            rectangle_area("seen", (5.5, 1.0, 9.5, 3.0), (4, 2)),
            rectangle_area("round the corner", (1.0, 6.0, 4.0, 9.0), (3, 3)),
        ],
    )
    options.setdefault("sources", [{"name": "talker", "position": [11.0, 2.0, 1.6], "level": [70.0] * 8}])
    return write_venue(folder, l_shape(), **options)


def write_coupled_pair(folder: Path, shell: Shell | None = None, **options: Any) -> Path:
    """Two coupled rooms: talker and area "first" in room a, area "second" in room b.

    For another pair than the default give `shell`, `audience` and `sources` that fit it.
    """
    options.setdefault(
        "audience",
        [
            rectangle_area("first", (5.0, -3.0, 9.0, 3.0), (2, 3)),
            rectangle_area("second", (11.5, -2.0, 15.5, 2.0), (2, 2)),
        ],
    )
    options.setdefault("sources", [{"name": "talker", "position": [2.0, 1.5, 1.6], "level": [70.0] * 8}])
    return write_venue(folder, shell or coupled_pair(), **options)


def write_sphere(folder: Path, radius: float = 5.0, subdivisions: int = 3, **options: Any) -> Path:
    """A sphere, talker off centre, seats in the equatorial plane with no floor under them.

    Its one element, "lined", gives the whole shell the absorption 0.5.
    """
    half = 0.5 * radius
    area = rectangle_area("seats", (-half, -half, half, half), (3, 3), floor=-1.2, ear_height=1.2)
    options.setdefault("audience", [area])
    lining = {"absorption": [0.5] * 8, "scattering": [0.2] * 8, "source": "invented for tests"}
    options["materials"] = {"lining": lining, **options.get("materials", {})}
    options.setdefault(
        "elements", {"opening": [{"name": "lined", "groups": ["shell"], "material": "lining"}]}
    )
    options.setdefault("crowd", False)
    position = [0.3 * radius, -0.2 * radius, 0.4 * radius]
    options.setdefault("sources", [{"name": "talker", "position": position, "level": [70.0] * 8}])
    return write_venue(folder, sphere(radius, subdivisions), **options)


def rectangle_area(
    name: str, box: tuple[float, float, float, float], seats: tuple[int, int], **keys: Any
) -> dict[str, Any]:
    """An audience area over x0, y0, x1, y1 whose spacing gives `seats` along x and y."""
    x0, y0, x1, y1 = box
    spacing = [(x1 - x0) / seats[0], (y1 - y0) / seats[1]]
    polygon = [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
    return {"name": name, "polygon": polygon, "seat_spacing": spacing, **keys}


def _of_group(values: Any, group: str, what: str) -> float | Octaves:
    """The entry for a group: an exact name before wildcards, the longest wildcard before others."""
    if not isinstance(values, Mapping):
        return values
    matches = [pattern for pattern in values if fnmatch.fnmatchcase(group, pattern)]
    if not matches:
        raise KeyError(f"no {what} given for the surface group {group!r}")
    return values[max(matches, key=lambda pattern: (pattern == group, len(pattern)))]


def _inside(shell: Shell) -> list[float]:
    """A position for a talker off every symmetry plane: 0.17 of the length, 0.41 of the width, up to 1.6 m high."""
    low, high = shell.bounds()
    x, y, _ = low + (0.17, 0.41, 0.0) * (high - low)
    return [float(x), float(y), float(low[2] + min(1.6, 0.45 * (high[2] - low[2])))]
