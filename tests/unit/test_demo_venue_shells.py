"""The test venues themselves: closed, right size, valid documents."""

from __future__ import annotations

import itertools
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
import trimesh
import venues

from roomsim.scene.compile import compile_scene
from roomsim.venue import document
from roomsim.venue.reading import read_study

# Fan triangulation keeps volume and area vectors for any planar polygon, and all corners for topology.


def fan_mesh(shell: venues.Shell) -> trimesh.Trimesh:
    faces = [
        (face[0], b, c)
        for group, polygons in shell.polygons.items()
        if group not in shell.two_sided
        for face in polygons
        for b, c in itertools.pairwise(face[1:])
    ]
    return trimesh.Trimesh(shell.vertices, faces, process=False)


SHELLS = {
    # V by hand: box 6*5*3; L 12*10*4 - 7*6*4; pair (10*8 + 6*5 + 0.2*1.2)*5.
    "box": (venues.shoebox(), 90.0),
    "H1": (venues.shoebox((30, 20, 8)), 4800.0),
    "L": (venues.l_shape(), 312.0),
    "pair": (venues.coupled_pair(), 551.2),
    "screen": (venues.with_screen(venues.shoebox(), "screen", [(3, 1, 0.5), (3, 4, 0.5), (3, 4, 2.5)]), 90.0),
}


@pytest.mark.parametrize("name", SHELLS)
def test_shells_are_closed_and_face_inwards(name: str) -> None:
    shell, volume = SHELLS[name]
    mesh = fan_mesh(shell)
    assert mesh.is_watertight and mesh.is_winding_consistent
    assert mesh.volume == pytest.approx(-volume, rel=1e-12)  # inward normals count negative; rounding only


def test_sphere_nears_the_ball_as_it_is_refined() -> None:
    missing = []
    for subdivisions in (2, 3):
        mesh = fan_mesh(venues.sphere(5.0, subdivisions))
        assert mesh.is_watertight and mesh.is_winding_consistent
        assert np.linalg.norm(mesh.vertices, axis=1) == pytest.approx(5.0, rel=1e-12)  # rounding
        missing.append(1.0 + mesh.volume / (4.0 / 3.0 * math.pi * 125.0))
    # Facets of half the length leave a quarter of the gap; the next term of the series is of order 1e-2.
    assert missing[0] / missing[1] == pytest.approx(4.0, rel=0.02)
    assert 0.0 < missing[1] < 0.01


WRITERS = {
    "shoebox": venues.write_shoebox,
    "sheet": lambda folder: venues.write_shoebox(folder, (30, 20, 8), free_sheet=True),
    "L": venues.write_l_shape,
    "pair": venues.write_coupled_pair,
    "sphere": venues.write_sphere,
}


def parsed(path: Path) -> dict:
    return tomllib.loads(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", WRITERS)
def test_written_documents_are_valid(name: str, tmp_path: Path) -> None:
    study_path = WRITERS[name](tmp_path)
    study = document.StudyDocument.model_validate(parsed(study_path))
    venue = document.VenueDocument.model_validate(parsed(tmp_path / study.venue))
    elements = document.ElementsDocument.model_validate(parsed(tmp_path / study.elements))
    document.SourcesDocument.model_validate(parsed(tmp_path / study.sources))
    materials = document.MaterialsDocument.model_validate(parsed(tmp_path / "materials.toml"))
    known = {element.name for element in elements.all()}
    assert {name for scenario in study.scenario for name in scenario.elements} <= known
    assert set(venue.surfaces.values()) <= set(materials.material)
    assert (tmp_path / venue.mesh.file).exists()


@pytest.mark.parametrize("name", WRITERS)
def test_written_venues_compile(name: str, tmp_path: Path) -> None:
    study = read_study(WRITERS[name](tmp_path))
    scene = compile_scene(study)
    assert study.warnings == ()
    assert scene.scenarios[0] == study.document.bare and scene.n_scenarios > 1
    seats = {
        "shoebox": 12,
        "sheet": 12,
        "L": 8 + 9,
        "pair": 6 + 4,
        "sphere": 9,
    }  # rows of seats
    assert scene.receivers.n_receivers == seats[name]
    # Every scenario but the bare venue takes more out of the sound somewhere, and less nowhere.
    lost = 1.0 - scene.factors.sum(axis=1)
    more = lost[:, 1:] - lost[:, :1]
    assert (more > -1e-12).all() and (more.max(axis=(0, 2)) > 0.1).all()  # rounding; any treatment here


def test_absorption_by_wildcard_and_exact_name(tmp_path: Path) -> None:
    values = {"wall_*": 0.6, "*": 0.1, "wall_north": [0.05] * 8}
    venues.write_shoebox(tmp_path, absorption=values)
    rows = parsed(tmp_path / "materials.toml")["material"]
    assert rows["of_wall_west"]["absorption"] == [0.6] * 8
    assert rows["of_wall_north"]["absorption"] == [0.05] * 8
    assert rows["of_floor"]["absorption"] == [0.1] * 8
    with pytest.raises(KeyError, match="floor"):
        venues.write_shoebox(tmp_path, absorption={"wall_*": 0.6, "ceiling": 0.2})
