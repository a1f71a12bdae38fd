"""A study that uses every key of every file, and each of its values in turn at an extreme.

The table is generated: `numbers()` and `texts()` walk the documents, so that a new key is covered as soon as the study
contains it, and a test compares the study with the JSON Schemas. All data are invented.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import venues

Path_ = tuple[str | int, ...]
Documents = dict[str, dict[str, Any]]

NUMBERS: tuple[float, ...] = (0, -1, 1e-300, 5e-324, 1e300, float("inf"), float("nan"), 2**63, 1e9)
TEXTS = ("", " ", "\0", "x" * 60_000)
OCTAVES = [70.0, 70.0, 70.0, 70.0, 70.0, 70.0, 70.0, 70.0]
SIZE = (12.0, 9.0, 5.0)


def _boxes() -> dict[str, dict[str, Any]]:
    """A loudspeaker of each kind of directivity that needs no file."""
    patterns: dict[str, dict[str, Any]] = {
        "omni": {"kind": "omnidirectional"},
        "cosine": {"kind": "cosine_power", "coverage": [360.0, 360, 180, 120, 90, 90, 60, 60], "rear_level": -20.0},
        "first": {"kind": "first_order", "omnidirectional_part": 0.5},
        "piston": {"kind": "piston", "radius": 0.15, "rear_level": -20.0},
        "line": {"kind": "line_element", "height": 0.25, "coverage": 90.0, "width": 0.3, "rear_level": -20.0},
        "horn": {"kind": "horn", "coverage": [90.0, 60.0], "size": [0.3, 0.2], "rear_level": -20.0},
    }
    return {
        name: {
            "description": "a box",
            "height": 0.3,
            "depth": 0.3,
            "width": 0.4,
            "level": list(OCTAVES),
            "level_at_31": 60.0,
            "maximum_level": 120.0,
            "mass": 20.0,
            "directivity": pattern,
            "source": "invented",
        }
        for name, pattern in patterns.items()
    }


def _drive(**more: Any) -> dict[str, Any]:
    crossover = {"frequency": 100.0, "order": 4}
    return {
        "gain": -1.0,
        "delay": 2.0,
        "polarity": "normal",
        "high_pass": dict(crossover),
        "low_pass": {"frequency": 16000.0, "order": 2},
        **more,
    }


def _sources() -> dict[str, Any]:
    system = {"azimuth": 5.0, "signal": "programme"}
    hang = {
        **_drive(**system),
        "name": "hang",
        "role": "main",
        "loudspeaker": "line",
        "top": [1.5, 3.0, 4.5],
        "tilt": -3.0,
        "count": 2,
        "hang_from": ["P2"],
        "frame_mass": 20.0,
        "points": 1,
        "splay": [3.0],
        "box": [_drive(number=1)],
    }
    arrangements: list[dict[str, Any]] = [
        {"kind": "stack", "count": 2, "reversed": [1], "reversed_gain": 0.0, "reversed_delay": 3.0},
        {"kind": "gradient_pair", "spacing": 0.8, "rear_gain": 0.0},
        {"kind": "end_fire", "count": 2, "spacing": 0.8},
        {"kind": "row", "count": 2, "spacing": 0.8, "arc": 20.0},
    ]
    stacks = [
        {
            **_drive(**system),
            "name": f"sub {i}",
            "role": "sub",
            "loudspeaker": "omni",
            "position": [2.0, 2.0 + 1.5 * i, 0.0],
            "arrangement": arrangement,
            "floor": 0.0,
            "box": [],
        }
        for i, arrangement in enumerate(arrangements)
    ]
    patterns = [box["directivity"] for box in _boxes().values()]
    sources = [
        {
            "name": f"source {i}",
            "role": "fill",
            "position": [1.2, 1.0 + i, 1.6],
            "level": list(OCTAVES),
            "delay": 1.0,
            **({"aim": [0.0, 0.0]} if i % 2 else {"aim_at": [8.0, 4.5, 1.2]}),
            "maximum_level": 120.0,
            "signal": "programme",
            "mounting": "stand",
            "size": [0.4, 0.4, 0.6],
            "directivity": pattern,
        }
        for i, pattern in enumerate(patterns)
    ]
    return {"schema": 1, "loudspeaker": _boxes(), "hang": [hang], "sub_stack": stacks, "source": sources}


def _elements() -> dict[str, Any]:
    costs = {
        "description": "an element",
        "hire": 100.0,
        "rigging_hours": 2.0,
        "weight": 20.0,
        "roof_points": 2,
        "point_load": 10.0,
        "stock": {"test_wool": 10.0},
    }
    square = [[4.0, 3.0], [8.0, 3.0], [8.0, 6.0], [4.0, 6.0]]
    return {
        "schema": 1,
        "drape": [
            {**costs, "name": "wall", "hang_from": ["P1"], "top": 4.5, "drop": 4.0}
            | {"runs": [[[11.85, 1.0], [11.85, 8.0]]]}
            | {"fabric": "test_wool", "fullness": 2.0, "stand_off": 0.15, "layers": 1},
            {**costs, "name": "free", "runs": [[[9.5, 1.0], [9.5, 8.0]]], "top": 4.5, "drop": 2.0}
            | {"fabric": "test_wool"},
        ],
        "banner": [
            {**costs, "name": "banner", "centres": [[6.0, 4.0, 3.5]], "size": [2.0, 1.0], "direction": 10.0}
            | {"orientation": "level", "fabric": "test_wool", "layers": 2}
        ],
        "baffle_array": [
            {**costs, "name": "baffles", "polygon": square, "top": 4.4, "size": [1.0, 0.4], "thickness": 0.05}
            | {"spacing": 0.5, "direction": 20.0, "material": "crowd", "mass": 2.0, "points_each": 2}
        ],
        "ceiling_drape": [
            {**costs, "name": "ceiling", "polygon": square, "height": 4.2, "fabric": "test_wool"}
            | {"fullness": 1.5, "layers": 1}
        ],
        "floor_covering": [{**costs, "name": "carpet", "polygon": square, "floor": 0.0, "material": "crowd"}],
        "opening": [{**costs, "name": "gate", "groups": ["wall_west"], "material": "open"}],
        "crowd": [{**costs, "name": "people", "areas": ["seats"], "material": "crowd"}],
        "system_change": [{**costs, "name": "more", "switch_on": ["sub 1"], "switch_off": ["sub 0"], "power": 1.0}],
    }


def _study() -> dict[str, Any]:
    every = ["wall", "free", "banner", "baffles", "ceiling", "carpet", "gate", "people", "more"]
    return {
        "schema": 1,
        "title": "every key",
        "venue": "venue.toml",
        "elements": "elements.toml",
        "sources": "sources.toml",
        "materials": "materials.toml",
        "seed": 3,
        "image_order": 1,
        "receiver_radius": 0.5,
        "noise": [30.0] * 8,
        "bare": "bare",
        "noise_spectra": {"crowd": [40.0] * 8},
        "precision": {"sti": 0.2, "share_of_seats": 0.5, "level": 5.0, "clarity": 20.0}
        | {"max_minutes": 1.0, "max_rays": 1000},
        "uncertainty": {"draws": 8},
        "targets": {"sti": 0.5, "share_of_seats": 0.9},
        "costs": {
            "currency": "EUR",
            "labour_rate": 40.0,
            "fixed": 100.0,
            "budget": 5000.0,
            "hours_available": 40.0,
            "roof_points_available": 40,
            "point_load_limit": 100.0,
            "power_available": 10.0,
            "stock": {"test_wool": 1000.0},
        },
        "plan": {
            "start_from": "people",
            "candidates": ["wall", "free", "banner"],
            "together": [["wall", "free"]],
            "only_one_of": [["wall", "banner"]],
            "requires": {"wall": ["free"]},
            "goal": [
                {"figure": "sti_median", "target": 0.6, "tolerance": 0.01},
                {"figure": "reverberation_mid"},
            ],
            "reverberation_at_most": [2.0] * 8,
            "reverberation_at_least": [0.1] * 8,
            "money_step": 100.0,
            "late_after": 50,
            "most_sets": 16,
        },
        "scenario": [
            {"name": "people", "description": "full house", "elements": ["people"]},
            {"name": "every", "elements": every, "compare_with": "people", "noise": ["crowd", "NR 30"]},
        ],
    }


def documents() -> Documents:
    """The files of the study as plain values."""
    walls = list(venues.shoebox().polygons)
    row = {"absorption": [0.2] * 8, "scattering": [0.2] * 8}
    material = {"description": "a surface", **row, "source": "invented", "uncertainty": 0.1}
    measured = {"fullness": 2.0, "stand_off": 0.15, "absorption": [0.5] * 8, "source": "invented"}
    fabric = {
        "description": "a cloth",
        "flow_resistance": 620.0,
        "surface_mass": 0.45,
        "scattering": [0.3] * 8,
        "source": "invented",
        "uncertainty": 0.1,
        "measured": [measured],
    }
    return copy.deepcopy(
        {
            "study": _study(),
            "venue": {
                "schema": 1,
                "name": "box",
                "two_sided": [],
                "mesh": {"file": "shell.obj", "unit": "m", "up": "z"},
                "air": {"temperature": 20.0, "humidity": 50.0, "pressure": 101.0},
                "surfaces": dict.fromkeys(walls, "of_wall"),
                "plan": {"stage": [1.0, 4.5], "north": 90.0},
                "parts": {"stage": ["floor"], "walls": ["wall_*"], "roof": ["ceiling"]},
                "audience": [
                    {"name": "seats", "polygon": [[4.0, 2.0], [9.0, 2.0], [9.0, 7.0], [4.0, 7.0]], "floor": 0.0}
                    | {"ear_height": 1.2, "seat_spacing": [2.5, 2.5], "rotation": 0.0},
                    {"name": "floor", "group": "floor", "seat_spacing": [8.0, 8.0]},
                ],
                "truss": [
                    {"name": "T1", "line": [[11.85, 0.5, 5.0], [11.85, 8.5, 5.0]], "limit": 900.0}
                    | {"existing_load": 10.0}
                ],
                "roof_point": [
                    {"name": "P1", "position": [11.85, 4.5, 5.0], "limit": 500.0, "existing_load": 5.0}
                    | {"truss": "T1"},
                    {"name": "P2", "position": [1.5, 3.0, 5.0], "limit": 500.0},
                ],
                "zone": [
                    {"name": "exit", "kind": "exit", "polygon": [[0.0, 8.0], [1.0, 8.0], [1.0, 9.0]]}
                    | {"bottom": 0.0, "top": 2.5}
                ],
            },
            "elements": _elements(),
            "sources": _sources(),
            "materials": {
                "schema": 1,
                "material": {"of_wall": material, "crowd": dict(material)},
                "fabric": {"test_wool": fabric},
            },
        }
    )


def write(folder: Path, files: Documents) -> Path:
    """Write the files and their mesh; return the path of the study."""
    folder.mkdir(parents=True, exist_ok=True)
    venues.write_obj(folder / "shell.obj", venues.shoebox(SIZE))
    for stem, document in files.items():
        (folder / f"{stem}.toml").write_text(_toml(document), encoding="utf-8")
    return folder / "study.toml"


def numbers() -> Iterator[tuple[str, Path_, float]]:
    """File, path and value of every number of the study."""
    for stem, document in documents().items():
        for path, value in _leaves(document):
            if isinstance(value, int | float) and path != ("schema",):
                yield stem, path, value


def texts() -> Iterator[tuple[str, Path_, str]]:
    """File, path and value of every text of the study."""
    for stem, document in documents().items():
        for path, value in _leaves(document):
            if isinstance(value, str):
                yield stem, path, value


def changed(stem: str, path: Path_, value: Any) -> Documents:
    """The files with one value replaced, and with no more sources than necessary: each takes a second."""
    files = documents()
    inner: Any = files[stem]
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    return _with_few_sources(files, path if stem == "sources" else ("source", 0))


def _with_few_sources(files: Documents, path: Path_) -> Documents:
    """The files with the source that a path leads to, and a second one that is switched on and off."""
    sources, kind = files["sources"], path[0]
    chosen = sources[kind][path[1]] if kind != "loudspeaker" else {**sources["sub_stack"][0], "loudspeaker": path[1]}
    for name in ("source", "hang", "sub_stack"):
        del sources[name]
    if kind == "loudspeaker":
        kind = "sub_stack"
    other = {"name": "other", "position": [2.5, 8.0, 1.6], "level": list(OCTAVES)}
    sources["source"] = [other]
    sources.setdefault(kind, []).insert(0, chosen)
    for change in files["elements"]["system_change"]:
        for key in ("switch_on", "switch_off"):
            # The value that replaced a name is not changed.
            change[key] = [{"sub 0": chosen["name"], "sub 1": "other"}.get(name, name) for name in change[key]]
    return files


def _leaves(value: Any, path: Path_ = ()) -> Iterator[tuple[Path_, Any]]:
    if isinstance(value, dict):
        for key, entry in value.items():
            yield from _leaves(entry, (*path, key))
    elif isinstance(value, list):
        for i, entry in enumerate(value):
            yield from _leaves(entry, (*path, i))
    else:
        yield path, value


def _toml(document: dict[str, Any]) -> str:
    """All tables inline: one line per key, whatever the values are."""
    return "".join(f"{json.dumps(key)} = {_inline(value)}\n" for key, value in document.items())


def _inline(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {_inline(entry)}" for key, entry in value.items()) + "}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_inline, value)) + "]"
    if isinstance(value, float):
        return repr(value)  # "inf" and "nan" are TOML too
    return json.dumps(value)
