"""From files to the flat scene: exact areas, what covers what, energy, contracts of the arrays."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import venues
from reference.brute_force import closest_hits

from roomsim.errors import SceneError
from roomsim.physics.absorption import drape_on_wall
from roomsim.physics.air import Air
from roomsim.scene.compile import compile_scene
from roomsim.scene.scene import DIFFUSE, SPECULAR, TRANSMITTED, Scene
from roomsim.venue.reading import read_study

# Areas of some 10 m2 from coordinates written with 9 digits: 1e-8 m along edges of 10 m.
WRITTEN = 1e-6

Polygons = dict[str, tuple[tuple[tuple[float, float, float], ...], ...]]


def shell_of(polygons: Polygons, two_sided: tuple[str, ...] = ()) -> venues.Shell:
    """A shell from polygons given by their corners."""
    corners = [corner for faces in polygons.values() for face in faces for corner in face]
    index = {corner: i for i, corner in enumerate(dict.fromkeys(corners))}
    named = {
        name: tuple(tuple(index[corner] for corner in face) for face in faces)
        for name, faces in polygons.items()
    }
    return venues.Shell(np.array(list(index), float), named, two_sided)


def compiled(folder: Path, shell: venues.Shell, **options: Any) -> Scene:
    low, high = shell.bounds()
    size = high - low
    seats = (low[0] + 0.2 * size[0], low[1] + 0.2 * size[1], low[0] + 0.5 * size[0], low[1] + 0.5 * size[1])
    options.setdefault("audience", [venues.rectangle_area("seats", seats, (2, 2))])
    study = read_study(venues.write_venue(folder, shell, **options))
    return compile_scene(study)


def areas(scene: Scene) -> dict[str, float]:
    return {patch.name: patch.area for patch in scene.patches}


def drape(name: str, runs: list, top: float, drop: float, **keys: Any) -> dict[str, Any]:
    return {"name": name, "runs": runs, "top": top, "drop": drop, "fabric": "test_wool", **keys}


def with_elements(scenarios: list[list[str]] | None = None, **kinds: list[dict[str, Any]]) -> dict[str, Any]:
    """Options of `write_venue` for elements and scenarios; all elements in one scenario unless said."""
    names = [entry["name"] for entries in kinds.values() for entry in entries]
    sets = scenarios if scenarios is not None else [names]
    listed = [{"name": f"s{i}", "elements": chosen} for i, chosen in enumerate(sets)]
    return {"elements": kinds, "scenarios": listed}


def box_with_two_doors() -> venues.Shell:
    """10 x 6 x 4 m; the east wall has doors of 1 x 2 m at y 1 and y 4, each a group of its own."""
    base = venues.shoebox((10.0, 6.0, 4.0))
    polygons: Polygons = {
        name: tuple(tuple(tuple(base.vertices[i]) for i in face) for face in faces)
        for name, faces in base.polygons.items()
        if name != "wall_east"
    }

    def east(*corners: tuple[float, float]) -> tuple[tuple[float, float, float], ...]:
        return tuple((10.0, y, z) for y, z in corners)

    outline = [(6, 0), (5, 0), (5, 2), (4, 2), (4, 0), (2, 0), (2, 2), (1, 2), (1, 0), (0, 0), (0, 4), (6, 4)]
    polygons["wall_east"] = (east(*outline),)
    polygons["door_a"] = (east((2, 0), (1, 0), (1, 2), (2, 2)),)
    polygons["door_b"] = (east((5, 0), (4, 0), (4, 2), (5, 2)),)
    return shell_of(polygons)


def pitched_hall() -> venues.Shell:
    """12 x 8 m, eaves 3 m, ridge along x at 5 m: gables of 32 m2."""
    plan = [(0.0, 0.0), (12.0, 0.0), (12.0, 8.0), (0.0, 8.0)]
    (a, b, c, d), (e, f, g, h) = ([(x, y, z) for x, y in plan] for z in (0.0, 3.0))
    west, east = (0.0, 4.0, 5.0), (12.0, 4.0, 5.0)
    return shell_of(
        {
            "floor": ((a, b, c, d),),
            "wall_south": ((b, a, e, f),),
            "wall_north": ((d, c, g, h),),
            "gable_east": ((c, b, f, east, g),),
            "gable_west": ((a, d, h, west, e),),
            "roof": ((f, e, west, east), (h, g, east, west)),
        }
    )


def test_a_drape_between_two_doors_covers_wall_and_half_of_each_door(tmp_path: Path) -> None:
    hung = drape("D", [[[9.85, 1.5], [9.85, 4.5]]], 3.0, 3.0, stand_off=0.15)
    scene = compiled(tmp_path, box_with_two_doors(), **with_elements(drape=[hung]))
    found = areas(scene)
    # The cloth is 3 x 3 m, 0.5 x 2 m of it before each door; the wall has 24 - 2 x 2 m2.
    assert found["wall_east + D"] == pytest.approx(7.0, abs=WRITTEN)
    assert found["wall_east"] == pytest.approx(13.0, abs=WRITTEN)
    assert found["door_a + D"] == pytest.approx(1.0, abs=WRITTEN)
    assert found["door_a"] == pytest.approx(1.0, abs=WRITTEN)
    assert found["door_b + D"] == pytest.approx(1.0, abs=WRITTEN)
    assert sum(patch.area for patch in scene.patches) == pytest.approx(2 * (60 + 40 + 24), abs=WRITTEN)
    # All edges run along two directions: no triangle is needed, and few rectangles.
    assert not scene.surfaces.is_triangle.any()


@pytest.mark.parametrize("line", [9.85, 9.0, 10.0, 8.6])
def test_the_line_may_be_drawn_on_the_wall_or_some_way_before_it(tmp_path: Path, line: float) -> None:
    hung = drape("D", [[[line, 1.5], [line, 4.5]]], 3.0, 3.0, stand_off=0.15)
    assert areas(compiled(tmp_path, box_with_two_doors(), **with_elements(drape=[hung])))[
        "wall_east + D"
    ] == pytest.approx(7.0, abs=WRITTEN)


def test_a_drape_before_a_pitched_gable_ends_at_the_roof(tmp_path: Path) -> None:
    full = drape("full", [[[0.2, 0.0], [0.2, 8.0]]], 5.0, 5.0, stand_off=0.2)
    part = drape("part", [[[11.8, 2.0], [11.8, 6.0]]], 4.5, 4.5, stand_off=0.2)
    found = areas(compiled(tmp_path, pitched_hall(), **with_elements(drape=[full, part])))
    assert found["gable_west + full"] == pytest.approx(32.0, abs=WRITTEN)
    # Roof height is 3 + y / 2: under 4.5 m from y 2 to 3, so twice (2.0 + 4.25) / 2 more than 4 x 4.25 ... by
    # hand: 2 * (integral of 3 + y / 2 from 2 to 3 = 4.25, and 4.5) = 17.5.
    assert found["gable_east + part"] == pytest.approx(17.5, abs=WRITTEN)
    assert found["gable_east"] == pytest.approx(14.5, abs=WRITTEN)


def test_a_drape_round_a_corner_covers_both_walls(tmp_path: Path) -> None:
    run = [[6.0, 0.1], [9.9, 0.1], [9.9, 4.0]]
    hung = drape("D", [run], 3.5, 3.0, stand_off=0.1)
    found = areas(compiled(tmp_path, venues.shoebox((10.0, 6.0, 4.0)), **with_elements(drape=[hung])))
    assert found["wall_south + D"] == pytest.approx(3.9 * 3.0, abs=WRITTEN)
    assert found["wall_east + D"] == pytest.approx(3.9 * 3.0, abs=WRITTEN)
    assert "wall_north + D" not in found and "wall_west + D" not in found


def test_a_drape_covers_its_wall_and_not_what_stands_before_it(tmp_path: Path) -> None:
    # A partition of two faces 0.1 m apart with a drape on its west side: the east face stays bare.
    box = venues.shoebox((10.0, 6.0, 4.0))
    near = [(5.0, 1.0, 0.0), (5.0, 5.0, 0.0), (5.0, 5.0, 4.0), (5.0, 1.0, 4.0)]
    far = [(x + 0.1, y, z) for x, y, z in reversed(near)]
    shell = venues.with_screen(venues.with_screen(box, "near", near), "far", far)
    hung = drape("D", [[[4.8, 1.0], [4.8, 5.0]]], 4.0, 4.0, stand_off=0.2)
    found = areas(compiled(tmp_path, shell, **with_elements(drape=[hung])))
    assert found["near + D"] == pytest.approx(16.0, abs=WRITTEN)
    assert found["far"] == pytest.approx(16.0, abs=WRITTEN)


def floor_with_columns() -> venues.Shell:
    """12 x 8 x 4 m with two columns of 1 x 1 m from floor to roof, the floor cut round them in strips."""
    xs, ys = [0, 2, 3, 8, 9, 12], [0, 3, 4, 8]
    solid = {(1, 1), (3, 1)}
    cells = [(i, j) for i in range(5) for j in range(3) if (i, j) not in solid]
    polygons: dict[str, list] = {"floor": [], "ceiling": [], "column": []}
    for i, j in cells:
        ring = [(xs[i], ys[j]), (xs[i + 1], ys[j]), (xs[i + 1], ys[j + 1]), (xs[i], ys[j + 1])]
        polygons["floor"].append(tuple((float(x), float(y), 0.0) for x, y in ring))
        polygons["ceiling"].append(tuple((float(x), float(y), 4.0) for x, y in reversed(ring)))
    for i, j in solid:
        ring = [(xs[i], ys[j]), (xs[i + 1], ys[j]), (xs[i + 1], ys[j + 1]), (xs[i], ys[j + 1])]
        for (xa, ya), (xb, yb) in zip(ring, ring[1:] + ring[:1]):
            wall = ((xa, ya, 0), (xb, yb, 0), (xb, yb, 4), (xa, ya, 4))
            polygons["column"].append(tuple(tuple(map(float, corner)) for corner in wall))
    box = venues.shoebox((12.0, 8.0, 4.0))
    for name in ("wall_south", "wall_east", "wall_north", "wall_west"):
        polygons[name] = [tuple(tuple(box.vertices[i]) for i in face) for face in box.polygons[name]]
    return shell_of({name: tuple(faces) for name, faces in polygons.items()})


def test_floor_covering_and_crowd_on_a_floor_with_columns(tmp_path: Path) -> None:
    carpet = {"name": "carpet", "polygon": [[1, 1], [7, 1], [7, 7], [1, 7]], "material": "crowd"}
    crowd = {"name": "people", "areas": ["seats"], "material": "crowd"}
    seats = venues.rectangle_area("seats", (5, 2, 11, 6), (6, 4))
    scene = compiled(
        tmp_path,
        floor_with_columns(),
        audience=[seats],
        **with_elements(floor_covering=[carpet], crowd=[crowd]),
    )
    found = areas(scene)
    # Carpet 36 less the column at (2, 3); crowd 24 less the column at (8, 3); both over x 5..7, y 2..6.
    assert found["floor + carpet + people"] == pytest.approx(8.0, abs=WRITTEN)
    assert found["floor + carpet"] == pytest.approx(35.0 - 8.0, abs=WRITTEN)
    assert found["floor + people"] == pytest.approx(23.0 - 8.0, abs=WRITTEN)
    assert found["floor"] == pytest.approx(94.0 - 50.0, abs=WRITTEN)
    assert not scene.surfaces.is_triangle.any()
    assert scene.volume == pytest.approx((96.0 - 2.0) * 4.0, abs=1e-4)


def test_a_covering_lies_on_the_floor_of_its_height(tmp_path: Path) -> None:
    # A stage 0.8 m high, whose top is a floor of its own: the carpet on the hall floor leaves it bare.
    plan = [(0, 0), (10, 0), (10, 6), (0, 6)]
    hall = venues.prism(plan, 4.0)
    stage = [(7.0, 1.0, 0.8), (10.0, 1.0, 0.8), (10.0, 5.0, 0.8), (7.0, 5.0, 0.8)]
    shell = venues.with_screen(hall, "stage_top", stage)
    carpet = {"name": "carpet", "polygon": [[5, 0], [9, 0], [9, 6], [5, 6]], "material": "crowd"}
    found = areas(compiled(tmp_path, shell, **with_elements(floor_covering=[carpet])))
    assert found["floor + carpet"] == pytest.approx(24.0, abs=WRITTEN)
    assert found["stage_top"] == pytest.approx(12.0, abs=WRITTEN)


def test_banners_hang_where_they_say(tmp_path: Path) -> None:
    upright = {"name": "U", "centres": [[4.0, 3.0, 2.5]], "size": [2.0, 1.5], "direction": 90.0}
    level = {"name": "L", "centres": [[2.0, 2.0, 3.0], [6.0, 2.0, 3.0]], "size": [2.0, 1.0]}
    level |= {"orientation": "level", "direction": 0.0}
    banners = [entry | {"fabric": "test_wool"} for entry in (upright, level)]
    scene = compiled(tmp_path, venues.shoebox((10.0, 6.0, 4.0)), **with_elements(banner=banners))
    assert areas(scene)["U"] == pytest.approx(3.0, abs=WRITTEN)
    assert areas(scene)["L"] == pytest.approx(4.0, abs=WRITTEN)
    sheets = {p.name: i for i, p in enumerate(scene.patches) if p.is_sheet}
    corners = primitive_corners(scene)
    hung = corners[scene.surfaces.patch == sheets["U"]].reshape(-1, 3)
    assert np.ptp(hung, axis=0) == pytest.approx([0.0, 2.0, 1.5], abs=1e-9)
    assert hung.mean(axis=0) == pytest.approx([4.0, 3.0, 2.5], abs=1e-9)
    flat = corners[scene.surfaces.patch == sheets["L"]]
    assert len(flat) == 2 and flat[..., 2] == pytest.approx(3.0, abs=1e-9)
    assert sorted(np.ptp(one, axis=0)[:2].tolist() for one in flat) == [pytest.approx([2.0, 1.0])] * 2
    # Two banners of one height lie in one plane and are one mirror, if it is large enough: 4 m2.
    mirror = scene.surfaces.mirror[scene.surfaces.patch == sheets["L"]]
    assert mirror[0] == mirror[1] >= 0


def primitive_corners(scene: Scene) -> np.ndarray:
    """(n, 4, 3); of a triangle the first corner comes twice."""
    s = scene.surfaces
    fourth = s.origin + np.where(s.is_triangle[:, None], 0.0, s.edge_u + s.edge_v)
    return np.stack([s.origin, s.origin + s.edge_u, s.origin + s.edge_v, fourth], axis=1)


def test_sheets_in_one_place_are_cut_and_the_later_counts(tmp_path: Path) -> None:
    long = drape("long", [[[4.0, 1.0], [4.0, 5.0]]], 3.0, 2.0)
    short = drape("short", [[[4.0, 3.0], [4.0, 5.5]]], 3.0, 2.0, fabric="dense")
    dense = {"dense": {"flow_resistance": 4000.0, "surface_mass": 0.6, "source": "invented for tests"}}
    scene = compiled(
        tmp_path,
        venues.shoebox((10.0, 6.0, 4.0)),
        fabrics=dense,
        **with_elements([["long"], ["short"], ["long", "short"]], drape=[long, short]),
    )
    found = areas(scene)
    assert found["long + short"] == pytest.approx(4.0, abs=WRITTEN)
    assert (found["long"], found["short"]) == pytest.approx((4.0, 1.0), abs=WRITTEN)
    at = {patch.name: i for i, patch in enumerate(scene.patches)}
    both, one, other = (scene.factors[at[name]] for name in ("long + short", "long", "short"))
    assert both[:, 0, :] == pytest.approx(np.array([[0.0], [0.0], [1.0]]) * np.ones(8))  # bare: all passes
    assert (both[:, 1] == one[:, 1]).all()
    assert (both[:, 2] == other[:, 2]).all()
    assert (both[:, 3] == other[:, 2]).all()


@pytest.fixture(scope="module")
def furnished(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    """One box with everything in it; the drape ends 1 m over the floor, halfway up the doors."""
    elements = with_elements(
        [["D"], ["open"], ["open", "D"], ["free"], ["carpet"], ["carpet", "people"]],
        drape=[
            drape("D", [[[9.85, 0.5], [9.85, 5.5]]], 4.0, 3.0, stand_off=0.15, fullness=2.0),
            drape("free", [[[5.0, 1.0], [5.0, 5.0]]], 4.0, 3.0),
        ],
        opening=[{"name": "open", "groups": ["door_*"]}],
        floor_covering=[{"name": "carpet", "polygon": [[1, 1], [9, 1], [9, 5], [1, 5]], "material": "thick"}],
        crowd=[{"name": "people", "areas": ["seats"], "material": "crowd"}],
    )
    thick = {"absorption": [0.1] * 7 + [1.0], "scattering": [0.3] * 8, "source": "invented for tests"}
    return compiled(
        tmp_path_factory.mktemp("factors"),
        box_with_two_doors(),
        materials={"thick": thick},
        absorption=0.25,
        scattering=0.4,
        crowd_absorption=0.8,
        crowd_scattering=0.5,
        air={"temperature": 11.0, "humidity": 35.0},
        audience=[venues.rectangle_area("seats", (2, 2, 4, 4), (2, 2))],
        **elements,
    )


class TestFactors:
    """What each scenario makes of each patch."""

    def factor(self, furnished: Scene, patch: str, scenario: str) -> np.ndarray:
        names = [p.name for p in furnished.patches]
        return furnished.factors[names.index(patch), :, furnished.scenarios.index(scenario)]

    def test_energy_is_never_made(self, furnished: Scene) -> None:
        total = furnished.factors.sum(axis=1)
        assert (furnished.factors >= 0.0).all()
        assert total.max() <= 1.0 + 1e-12  # three sums of doubles of size 1
        assert (furnished.absorption >= -1e-12).all()

    def test_bare_venue_comes_first_and_has_the_materials_of_its_surfaces(self, furnished: Scene) -> None:
        assert furnished.scenarios[0] == "bare" and furnished.compare_with[0] == 0
        for i, patch in enumerate(furnished.patches):
            if not patch.is_sheet:
                assert furnished.factors[i, SPECULAR, 0] == pytest.approx(0.75 * 0.6)
                assert furnished.factors[i, DIFFUSE, 0] == pytest.approx(0.75 * 0.4)
                assert (furnished.factors[i, TRANSMITTED, 0] == 0.0).all()

    def test_absent_cloth_lets_everything_pass(self, furnished: Scene) -> None:
        assert self.factor(furnished, "free", "bare")[TRANSMITTED] == pytest.approx(1.0)
        assert self.factor(furnished, "free", "bare")[:2] == pytest.approx(0.0)

    def test_present_cloth_reflects_passes_and_absorbs(self, furnished: Scene) -> None:
        there = self.factor(furnished, "free", "s3")
        absorbed = 1.0 - there.sum(axis=0)
        assert (there[TRANSMITTED] < 0.97).all() and (there[TRANSMITTED] > 0.3).all()
        # No sheet absorbs more than half of what meets it (normal incidence on an immobile sheet, r = 2).
        assert (absorbed > 0.0).all() and absorbed.max() <= 0.5
        # The fabric's default scattering parts what is reflected: 0.05 at 63 Hz, 0.5 at 8 kHz.
        share = there[DIFFUSE] / there[:2].sum(axis=0)
        assert (share[0], share[7]) == pytest.approx((0.05, 0.5))

    def test_an_opening_reflects_nothing(self, furnished: Scene) -> None:
        assert (self.factor(furnished, "door_a + open", "s1") == 0.0).all()

    def test_other_full_absorption_is_held_just_below_one(self, furnished: Scene) -> None:
        carpet = self.factor(furnished, "floor + carpet", "s4")
        assert carpet[:2].sum(axis=0) == pytest.approx([0.9] * 7 + [0.01])

    def test_people_on_a_carpet_count_alone(self, furnished: Scene) -> None:
        people = self.factor(furnished, "floor + carpet + people", "s5")
        assert people[SPECULAR] == pytest.approx(0.2 * 0.5) and people[DIFFUSE] == pytest.approx(0.2 * 0.5)

    def test_drape_adds_to_what_the_wall_absorbs(self, furnished: Scene) -> None:
        draped = self.factor(furnished, "wall_east + D", "s0")[:2].sum(axis=0)
        assert (draped < 0.75).all()
        # At 63 Hz cloth 0.15 m before a rigid wall absorbs under 0.1: the wall's own 0.25 stays.
        assert 0.9 * 0.75 < draped[0] < 0.75

    def test_a_drape_before_an_open_door_does_not_close_it(self, furnished: Scene) -> None:
        assert (self.factor(furnished, "door_a + open + D", "s2")[:2] == 0.0).all()
        assert (self.factor(furnished, "door_a + open + D", "s0")[:2].sum(axis=0) > 0.05).all()

    def test_air_and_noise(self, furnished: Scene) -> None:
        air = Air(temperature=11.0, humidity=35.0)
        assert furnished.speed_of_sound == pytest.approx(air.speed_of_sound)
        assert furnished.air_attenuation == pytest.approx(air.attenuation)
        assert furnished.noise.shape == (7, 8) and (furnished.noise == 30.0).all()


class TestMeasuredRows:
    measured = 0.77

    def absorption(self, folder: Path, **keys: Any) -> np.ndarray:
        row = {"fullness": 2.0, "stand_off": 0.15, "absorption": [self.measured] * 8, "source": "invented"}
        fabric = {"flow_resistance": 620.0, "surface_mass": 0.45, "source": "invented", "measured": [row]}
        hung = drape("D", [[[9.85, 1.0], [9.85, 5.0]]], 4.0, 4.0, **({"fabric": "rated"} | keys))
        scene = compiled(
            folder,
            venues.shoebox((10.0, 6.0, 4.0)),
            fabrics={"rated": fabric},
            absorption=0.0,
            **with_elements(drape=[hung]),
        )
        names = [patch.name for patch in scene.patches]
        return scene.absorption[names.index("wall_east + D"), 1]

    def test_it_is_met_where_it_was_measured(self, tmp_path: Path) -> None:
        found = self.absorption(tmp_path, fullness=2.0, stand_off=0.15)
        assert found == pytest.approx(self.measured, abs=1e-9)

    @pytest.mark.parametrize(("fullness", "stand_off"), [(2.0, 0.175), (2.06, 0.15), (2.0, 0.129), (1.9, 0.15)])
    def test_it_counts_beyond_its_own_place(self, tmp_path: Path, fullness: float, stand_off: float) -> None:
        found = self.absorption(tmp_path, fullness=fullness, stand_off=stand_off)
        # The formula has 0.01 at 63 Hz; the distance to the row is a fifth of a length.
        assert drape_on_wall(620.0, 0.45, stand_off, fullness)[0] < 0.02
        assert found == pytest.approx(self.measured, abs=0.05) and found != pytest.approx(self.measured, abs=1e-6)

    def test_it_says_nothing_of_two_layers(self, tmp_path: Path) -> None:
        found = self.absorption(tmp_path, fullness=2.0, stand_off=0.15, layers=2)
        assert found == pytest.approx(drape_on_wall(620.0, 0.45, 0.15, 2.0, layers=2), abs=1e-12)


def test_arrays_keep_their_contract(tmp_path: Path) -> None:
    study = read_study(venues.write_shoebox(tmp_path, free_sheet=True))
    scene = compile_scene(study)
    n, n_scenarios = len(scene.surfaces.origin), scene.n_scenarios
    s = scene.surfaces
    assert s.origin.shape == s.edge_u.shape == s.edge_v.shape == (n, 3) and s.origin.dtype == np.float64
    assert s.patch.dtype == s.mirror.dtype == np.int32 and s.is_triangle.dtype == bool
    assert set(s.patch) == set(range(len(scene.patches)))
    assert s.mirror.max() == len(scene.mirror_planes) - 1
    assert scene.factors.shape == (len(scene.patches), 3, n_scenarios, 8)
    assert scene.scenarios == ("bare", "occupied", "east drape", "sheet", "both")
    assert (scene.compare_with == 0).all()
    assert scene.volume == pytest.approx(90.0, rel=1e-12)
    # Every primitive of a mirror lies in its plane; V = 90 m3, coordinates to 1e-8 m as written.
    chosen = s.mirror >= 0
    planes = scene.mirror_planes[s.mirror[chosen]]
    off = np.einsum("ikj,ij->ik", primitive_corners(scene)[chosen], planes[:, :3]) + planes[:, 3:]
    assert np.abs(off).max() < 1e-7
    assert np.linalg.norm(scene.mirror_planes[:, :3], axis=1) == pytest.approx(1.0)


def test_elements_of_no_scenario_are_left_out(tmp_path: Path) -> None:
    lost = drape("lost", [[[5.0, 1.0], [5.0, 5.0]]], 3.0, 2.0)
    scene = compiled(tmp_path, venues.shoebox((10.0, 6.0, 4.0)), **with_elements([[]], drape=[lost]))
    assert not any(patch.is_sheet for patch in scene.patches)


def test_a_drape_far_from_any_wall_is_refused_with_its_name_and_a_cure(tmp_path: Path) -> None:
    hung = drape("D7", [[[5.0, 1.0], [5.0, 5.0], [9.9, 5.0]]], 3.0, 2.0, stand_off=0.2)
    with pytest.raises(SceneError) as error:
        compiled(tmp_path, venues.shoebox((10.0, 6.0, 4.0)), **with_elements(drape=[hung]))
    assert "'D7', run 1, segment 1" in str(error.value)
    assert "leave stand_off out" in str(error.value)


def test_a_crowd_without_a_floor_is_refused(tmp_path: Path) -> None:
    seats = venues.rectangle_area("balcony", (2, 2, 6, 4), (2, 2), floor=1.5)
    with pytest.raises(SceneError, match=r"balcony.*lies on a floor"):
        compiled(
            tmp_path,
            venues.shoebox((10.0, 6.0, 4.0)),
            audience=[seats],
            **with_elements(crowd=[{"name": "people", "areas": ["balcony"], "material": "crowd"}]),
        )


def test_turning_the_room_changes_no_area_and_no_piece(tmp_path: Path) -> None:
    angle = np.radians(27.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])

    def turned(points: Any) -> list[list[float]]:
        return (np.array(points) @ turn.T + [100.0, -30.0]).tolist()

    straight = box_with_two_doors()
    skew = venues.Shell(
        np.column_stack([turned(straight.vertices[:, :2]), straight.vertices[:, 2]]), straight.polygons
    )
    scenes = []
    for name, shell, place in (("a", straight, lambda points: points), ("b", skew, turned)):
        hung = drape("D", [place([[9.85, 1.5], [9.85, 4.5]])], 3.0, 3.0, stand_off=0.15)
        carpet = {"name": "carpet", "polygon": place([[1, 1], [4, 1], [4, 3], [1, 3]]), "material": "crowd"}
        seats = {"name": "seats", "polygon": place([[2, 2], [6, 2], [6, 4], [2, 4]])}
        options = with_elements(drape=[hung], floor_covering=[carpet])
        source = {"name": "t", "position": [*place([[5.0, 3.0]])[0], 1.5], "level": [70.0] * 8}
        scenes.append(compiled(tmp_path / name, shell, audience=[seats], sources=[source], **options))
    # Coordinates are written with 9 digits, 1e-7 m at 100 m, and edges are 10 m long.
    assert areas(scenes[0]) == pytest.approx(areas(scenes[1]), abs=1e-5)
    assert scenes[0].volume == pytest.approx(scenes[1].volume, abs=1e-4)
    assert len(scenes[0].mirror_planes) == len(scenes[1].mirror_planes)


def cut_up_hall(folder: Path) -> Scene:
    """The pitched hall with drapes, a carpet and a crowd that cut all its kinds of surface."""
    west = drape("west", [[[0.2, 1.0], [0.2, 7.0]]], 4.6, 4.0, stand_off=0.2)
    round_corner = drape("corner", [[[5.0, 7.9], [11.9, 7.9], [11.9, 3.0]]], 2.9, 2.5, stand_off=0.1)
    carpet = {"name": "carpet", "polygon": [[1, 1], [9, 2], [6, 7]], "material": "crowd"}
    crowd = {"name": "people", "areas": ["seats"], "material": "crowd"}
    options = with_elements(drape=[west, round_corner], floor_covering=[carpet], crowd=[crowd])
    return compiled(folder, pitched_hall(), **options)


def test_rays_meet_the_cut_surfaces_just_where_they_meet_the_mesh(tmp_path: Path) -> None:
    scene = cut_up_hall(tmp_path)
    study = read_study(tmp_path / "study.toml")
    mesh = study.mesh
    random = np.random.default_rng(17)
    # From the room to everywhere: under the eaves, off the walls.
    origins = random.uniform([1.0, 1.0, 0.3], [11.0, 7.0, 2.8], (2000, 3))
    directions = random.normal(size=(2000, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    a, b, c = np.moveaxis(mesh.vertices[mesh.faces], 1, 0)
    nobody = np.full(2000, -1)
    by_mesh, face = closest_hits(origins, directions, nobody, a, b - a, c - a, np.ones(len(a), bool))
    s = scene.surfaces
    by_scene, primitive = closest_hits(
        origins, directions, nobody, s.origin, s.edge_u, s.edge_v, s.is_triangle
    )
    # Cut corners are moved by 1e-15 of their coordinates; 12 m away at worst, grazing at 1e-3 at worst.
    assert np.abs(by_scene - by_mesh).max() < 1e-9
    hit = [scene.patches[i] for i in s.patch[primitive]]
    assert [patch.group for patch in hit] == [mesh.group_names[g] for g in mesh.group[face]]

    # The patch is the one whose elements lie over the point.
    x, y, z = (origins + by_scene[:, None] * directions).T
    west = (x < 1e-6) & (y > 1) & (y < 7) & (z > 0.6) & (z < 4.6)
    north = (y > 8 - 1e-6) & (x > 5) & (x < 11.9) & (z > 0.4) & (z < 2.9)
    east = (x > 12 - 1e-6) & (y > 3) & (y < 7.9) & (z > 0.4) & (z < 2.9)
    for name, expected in (("west", west), ("corner", north | east)):
        assert expected.sum() > 50
        assert [name in patch.covers for patch in hit] == expected.tolist()
