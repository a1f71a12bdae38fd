"""The plan of a study: walls, elements, zones, sources."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import venues

from roomsim.scene.drawing import PlanDrawing, plan_drawing
from roomsim.venue.mesh import read_mesh
from roomsim.venue.reading import read_study


def drawn(folder: Path, shell: venues.Shell, **options: Any) -> PlanDrawing:
    options.setdefault("audience", [venues.rectangle_area("seats", (1, 1, 3, 3), (2, 2))])
    study = read_study(venues.write_venue(folder, shell, **options))
    return plan_drawing(study, read_mesh(study.venue.mesh, study.venue_folder))


def lines_of(parts: tuple[np.ndarray, ...]) -> shapely.geometry.base.BaseGeometry:
    return shapely.union_all([shapely.LineString(part) for part in parts])


def test_walls_of_a_box_are_its_outline(tmp_path: Path) -> None:
    plan = drawn(tmp_path, venues.shoebox((10, 6, 4)))
    # Lines are joined on a grid of 0.1 mm.
    assert lines_of(plan.walls).hausdorff_distance(shapely.box(0, 0, 10, 6).exterior) < 2e-4


def test_walls_follow_an_l_and_a_partition_shows(tmp_path: Path) -> None:
    screen = [(2.0, 2.0, 0.0), (2.0, 5.0, 0.0), (2.0, 5.0, 2.0), (2.0, 2.0, 2.0)]
    plan = drawn(tmp_path, venues.with_screen(venues.l_shape(), "screen", screen))
    walls = lines_of(plan.walls)
    corner = shapely.LineString([(12, 4), (5, 4), (5, 10)])
    assert corner.within(walls.buffer(2e-4))
    assert shapely.LineString([(2, 2), (2, 5)]).within(walls.buffer(2e-4))
    # 12 + 4 + 7 + 6 + 5 + 10 m of walls and 3 m of screen; what is wall and outline counts once.
    assert shapely.length(walls) == pytest.approx(44.0 + 3.0, abs=0.01)


def test_what_is_low_shows_and_what_is_lower_does_not(tmp_path: Path) -> None:
    def platform(height: float) -> list[tuple[float, float, float]]:
        return [(4.0, 1.0, 0.0), (4.0, 5.0, 0.0), (4.0, 5.0, height), (4.0, 1.0, height)]

    edge = shapely.LineString([(4, 1), (4, 5)])
    for height, shows in ((0.8, True), (0.1, False)):
        shell = venues.with_screen(venues.shoebox((10, 6, 4)), "stage_front", platform(height))
        walls = lines_of(drawn(tmp_path / str(height), shell).walls)
        assert edge.within(walls.buffer(2e-4)) is shows


def test_elements_zones_sources_and_marks(tmp_path: Path) -> None:
    elements = {
        "drape": [
            {"name": "D", "runs": [[[1, 1], [3, 1]], [[4, 1], [6, 1], [6, 3]]], "top": 3.0, "drop": 2.0}
            | {"fabric": "test_wool"}
        ],
        "banner": [
            {"name": "U", "centres": [[5, 3, 2.5]], "size": [2, 1], "direction": 90.0, "fabric": "test_wool"},
            {"name": "L", "centres": [[5, 3, 3.5]], "size": [2, 1], "fabric": "test_wool"}
            | {"orientation": "level"},
        ],
        "ceiling_drape": [
            {"name": "C", "polygon": [[1, 1], [4, 1], [4, 4]], "height": 3.5, "fabric": "test_wool"}
        ],
        "floor_covering": [{"name": "F", "polygon": [[1, 1], [4, 1], [4, 4], [1, 4]], "material": "crowd"}],
        "opening": [{"name": "O", "groups": ["wall_east"], "material": "crowd"}],
    }
    zone = {"name": "exit", "kind": "exit", "polygon": [[8, 0], [10, 0], [10, 2], [8, 2]]}
    source = {"name": "left", "position": [2.0, 5.0, 3.0], "level": [80.0] * 8}
    plan = drawn(tmp_path, venues.shoebox((10, 6, 4)), elements=elements, zones=[zone], sources=[source])
    assert set(plan.elements) == {"occupied", "D", "U", "L", "C", "F", "O"}
    assert [len(line) for line in plan.elements["D"]] == [2, 3]
    assert plan.elements["U"][0] == pytest.approx(np.array([[5.0, 2.0], [5.0, 4.0]]))
    areas = {"L": 2.0, "C": 4.5, "F": 9.0, "occupied": 4.0}
    for name, area in areas.items():
        (outline,) = plan.elements[name]
        assert (outline[0] == outline[-1]).all()
        assert shapely.Polygon(outline).area == pytest.approx(area)
    opened = lines_of(plan.elements["O"])
    assert opened.hausdorff_distance(shapely.LineString([(10, 0), (10, 6)])) < 2e-4
    assert shapely.Polygon(plan.zones["exit"]).area == pytest.approx(4.0)
    assert (plan.zones["exit"][0] == plan.zones["exit"][-1]).all()
    assert plan.sources["left"] == pytest.approx([2.0, 5.0])
    assert plan.stage is None and plan.north is None
