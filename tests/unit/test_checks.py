"""The check of a venue: each fault is found, named and located; a sound venue is left alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import venues

from roomsim.scene.checks import check_venue, refused_scenarios
from roomsim.scene.findings import Finding
from roomsim.venue.document import Study
from roomsim.venue.reading import read_study

SIZE = (10.0, 6.0, 4.0)
BOX = venues.shoebox(SIZE)
SEATS = venues.rectangle_area("seats", (2, 1, 8, 5), (3, 2))
INFORMATION = {"size", "area", "seats", "load_unknown", "loads_unchecked"}
"""What every venue has, or every one whose cloth states no load."""


def studied(folder: Path, shell: venues.Shell = BOX, **options: Any) -> tuple[Study, list[Finding]]:
    options.setdefault("audience", [SEATS])
    options.setdefault("sources", [{"name": "talker", "position": [1.0, 3.0, 1.6], "level": [70.0] * 8}])
    study = read_study(venues.write_venue(folder, shell, **options))
    return study, check_venue(study)


def found(folder: Path, shell: venues.Shell = BOX, **options: Any) -> list[Finding]:
    """Findings but for those that every venue has."""
    return [f for f in studied(folder, shell, **options)[1] if f.code not in INFORMATION]


def only(findings: list[Finding], code: str) -> Finding:
    """The one finding, which is of this code."""
    assert [f.code for f in findings] == [code]
    return findings[0]


def drape(name: str = "D", **keys: Any) -> dict[str, Any]:
    plain = {"name": name, "runs": [[[5.0, 1.0], [5.0, 5.0]]], "top": 3.5, "drop": 3.0, "fabric": "test_wool"}
    return plain | keys


def hung(*drapes: dict[str, Any], **kinds: list[dict[str, Any]]) -> dict[str, Any]:
    """Options with elements that are all in one scenario."""
    elements = {"drape": list(drapes), **kinds}
    names = [entry["name"] for entries in elements.values() for entry in entries]
    return {
        "elements": elements,
        "scenarios": [{"name": "all", "elements": names}, {"name": "full", "elements": ["occupied"]}],
    }


def changed(shell: venues.Shell, **polygons: tuple) -> venues.Shell:
    return venues.Shell(shell.vertices, {**shell.polygons, **polygons}, shell.two_sided)


def with_faces(shell: venues.Shell, name: str, *faces: list[tuple[float, float, float]]) -> venues.Shell:
    """The shell with further polygons of a group that is not two-sided."""
    for i, corners in enumerate(faces):
        shell = venues.with_screen(shell, f"{name}_{i}" if len(faces) > 1 else name, corners)
    return venues.Shell(shell.vertices, shell.polygons, ())


def block(low: tuple, high: tuple, bottom: bool = True) -> list[list[tuple[float, float, float]]]:
    """Faces of a box, with or without the one below."""
    (x0, y0, z0), (x1, y1, z1) = low, high
    faces = [
        [(x0, y0, z1), (x1, y0, z1), (x1, y1, z1), (x0, y1, z1)],
        [(x0, y0, z0), (x1, y0, z0), (x1, y0, z1), (x0, y0, z1)],
        [(x1, y0, z0), (x1, y1, z0), (x1, y1, z1), (x1, y0, z1)],
        [(x1, y1, z0), (x0, y1, z0), (x0, y1, z1), (x1, y1, z1)],
        [(x0, y1, z0), (x0, y0, z0), (x0, y0, z1), (x0, y1, z1)],
    ]
    if bottom:
        faces.append([(x0, y1, z0), (x1, y1, z0), (x1, y0, z0), (x0, y0, z0)])
    return [[(float(x), float(y), float(z)) for x, y, z in face] for face in faces]


class TestSoundVenue:
    def test_nothing_is_found_but_information(self, tmp_path: Path) -> None:
        wall = drape("wall", runs=[[[9.85, 0.5], [9.85, 5.5]]], stand_off=0.15)
        zone = {"name": "exit", "kind": "exit", "polygon": [[0, 0], [1, 0], [1, 2], [0, 2]]}
        carpet = {"name": "carpet", "polygon": [[1, 1], [9, 1], [9, 5], [1, 5]], "material": "crowd"}
        options = hung(drape("free"), wall, floor_covering=[carpet])
        options["scenarios"][1]["elements"] = ["occupied", "carpet"]
        assert found(tmp_path, zones=[zone], **options) == []

    def test_size_and_areas_are_reported(self, tmp_path: Path) -> None:
        findings = studied(tmp_path)[1]
        (size,) = [f for f in findings if f.code == "size"]
        assert "10.00 x 6.00 x 4.00 m" in size.text and "volume 240 m3" in size.text
        # 2 x (60 + 40 + 24) m2.
        assert "surface 248.0 m2" in size.text
        areas = {f.place: f.text for f in findings if f.code == "area"}
        assert len(areas) == 6 and "'floor'" in areas["of_floor"]
        assert areas["of_floor"].startswith("60.0 m2, 24.2%")
        assert all(f.severity == "note" for f in findings)

    @pytest.mark.parametrize(
        "shell",
        [
            venues.l_shape(),
            venues.coupled_pair(),
            with_faces(BOX, "column", *block((5.0, 2.9, 0.0), (5.4, 3.3, 4.0))),
            with_faces(BOX, "column", *block((4.8, 2.8, 0.0), (5.2, 3.2, 2.0), bottom=False)),
            venues.with_screen(BOX, "reflector", [(4, 1, 3), (7, 1, 3), (7, 5, 3.5), (4, 5, 3.5)]),
        ],
        ids=["L", "pair", "column", "plinth without bottom", "declared sheet"],
    )
    def test_usual_ways_of_drawing_have_no_holes(self, tmp_path: Path, shell: venues.Shell) -> None:
        audience = [venues.rectangle_area("seats", (1.0, 1.0, 3.0, 2.0), (2, 2))]
        source = [{"name": "t", "position": [2.0, 2.5, 1.5], "level": [70.0] * 8}]
        findings = found(tmp_path, shell, audience=audience, sources=source)
        assert not {f.code for f in findings} & {"hole", "leak", "winding", "duplicate_face"}


class TestMesh:
    @pytest.mark.parametrize(("scale", "unit"), [(0.1, "m"), (100.0, "m")])
    def test_unit(self, tmp_path: Path, scale: float, unit: str) -> None:
        scaled = venues.Shell(BOX.vertices * scale, BOX.polygons)
        per_side = (3, 2) if scale < 1.0 else (60, 40)
        seats = venues.rectangle_area("seats", tuple(scale * v for v in (2, 1, 8, 5)), per_side)
        source = {"name": "t", "position": [scale * v for v in (1.0, 3.0, 1.6)], "level": [70.0] * 8}
        seats["ear_height"] = min(1.2, 2.0 * scale)
        options = {"audience": [seats], "sources": [source], "scenarios": [{"name": "a"}]}
        finding = [f for f in found(tmp_path, scaled, **options) if f.code != "document"]
        assert only(finding, "unit").severity == "warning"
        assert f"{10.0 * scale:,g} m" in finding[0].text

    def test_a_missing_pane_is_a_hole_and_leaks(self, tmp_path: Path) -> None:
        # The roof as a frame round a hole of 2 x 1 m at (5, 3).
        ring = [(4.0, 2.5, 4.0), (6.0, 2.5, 4.0), (6.0, 3.5, 4.0), (4.0, 3.5, 4.0)]
        outer = [(0.0, 0.0, 4.0), (10.0, 0.0, 4.0), (10.0, 6.0, 4.0), (0.0, 6.0, 4.0)]
        frame = [[outer[i], outer[(i + 1) % 4], ring[(i + 1) % 4], ring[i]] for i in range(4)]
        open_top = venues.Shell(BOX.vertices, {k: v for k, v in BOX.polygons.items() if k != "ceiling"})
        findings = found(tmp_path, with_faces(open_top, "ceiling", *[face[::-1] for face in frame]))
        codes = [f.code for f in findings]
        assert sorted(codes) == ["hole", "leak", "volume"]
        hole, leak, volume = (findings[codes.index(code)] for code in ("hole", "leak", "volume"))
        assert hole.severity == leak.severity == volume.severity == "warning"
        assert "4 open edges, 6.00 m together" in hole.text and hole.position == (5.0, 3.0, 4.0)
        assert "ceiling" in hole.place and "two_sided" in hole.cure
        assert "100% near (5.00, 3.00, 4.00)" in leak.text
        # In a diffuse field (Lambert walls) each flight loses 2 / 248 of the rays, and thirteen flights
        # 1 - (1 - 2/248)^13 = 10 %. The field of a box is not quite uniform, so a third either way.
        share = float(leak.text.split("%")[0])
        assert 6.7 < share < 13.3

    def test_a_wall_left_out_is_an_error(self, tmp_path: Path) -> None:
        open_side = venues.Shell(
            BOX.vertices, {k: v for k, v in BOX.polygons.items() if k not in ("wall_east", "ceiling")}
        )
        findings = found(tmp_path, open_side)
        assert {f.severity for f in findings if f.code == "leak"} == {"error"}

    def test_an_undeclared_sheet_is_told_how_to_be_declared(self, tmp_path: Path) -> None:
        sheet = [(4.0, 1.0, 3.0), (7.0, 1.0, 3.0), (7.0, 5.0, 3.5), (4.0, 5.0, 3.5)]
        findings = found(tmp_path, with_faces(BOX, "reflector", sheet))
        hole = next(f for f in findings if f.code == "hole")
        assert hole.place == "'reflector'" and "two_sided" in hole.cure
        assert not any(f.code == "leak" for f in findings)

    def test_a_vertex_that_misses_its_neighbour_leaves_a_crack(self, tmp_path: Path) -> None:
        moved = BOX.vertices.copy()
        corner = int(np.argmin(np.linalg.norm(moved - [10.0, 6.0, 4.0], axis=1)))
        (face,) = BOX.polygons["wall_east"]
        vertices = np.concatenate([moved, moved[[corner]] - [0.0, 0.02, 0.0]])
        cracked = tuple(len(moved) if i == corner else i for i in face)
        findings = found(tmp_path, venues.Shell(vertices, {**BOX.polygons, "wall_east": (cracked,)}))
        hole = next(f for f in findings if f.code == "hole")
        assert hole.position is not None and hole.position[0] == 10.0

    def test_a_t_junction_is_no_hole(self, tmp_path: Path) -> None:
        # The east wall in two strips, whose common corners the floor and roof do not have.
        strips = [
            [(10.0, 0.0, 0.0), (10.0, 0.0, 4.0), (10.0, 2.5, 4.0), (10.0, 2.5, 0.0)],
            [(10.0, 2.5, 0.0), (10.0, 2.5, 4.0), (10.0, 6.0, 4.0), (10.0, 6.0, 0.0)],
        ]
        rest = venues.Shell(BOX.vertices, {k: v for k, v in BOX.polygons.items() if k != "wall_east"})
        assert found(tmp_path, with_faces(rest, "wall_east", *strips)) == []

    def test_a_face_turned_over(self, tmp_path: Path) -> None:
        (face,) = BOX.polygons["wall_east"]
        findings = found(tmp_path, changed(BOX, wall_east=(face[::-1],)))
        assert sorted(f.code for f in findings) == ["volume", "winding"]
        winding = next(f for f in findings if f.code == "winding")
        # Its four edges.
        assert winding.severity == "note" and "two sides of 4 edges" in winding.text

    def test_all_faces_outward_is_no_fault(self, tmp_path: Path) -> None:
        outward = {name: tuple(face[::-1] for face in faces) for name, faces in BOX.polygons.items()}
        assert found(tmp_path, venues.Shell(BOX.vertices, outward)) == []

    def test_a_face_drawn_twice(self, tmp_path: Path) -> None:
        (face,) = BOX.polygons["wall_east"]
        finding = only(found(tmp_path, changed(BOX, poster=(face,))), "duplicate_face")
        assert finding.severity == "warning" and finding.place == "'poster'"
        assert "2 faces" in finding.text and "line" in finding.text

    def test_a_face_without_area(self, tmp_path: Path) -> None:
        # A triangle along the edge of the floor: its third corner lies on the first edge.
        line = [(2.0, 3.0, 0.0), (6.0, 3.0, 0.0), (4.0, 3.0, 0.0)]
        findings = found(tmp_path, with_faces(BOX, "line", line))
        finding = only(findings, "degenerate_face")
        assert finding.severity == "note" and finding.place == "'line'" and "1 face " in finding.text

    def test_a_door_drawn_over_its_wall(self, tmp_path: Path) -> None:
        door = [(10.0, 2.0, 0.0), (10.0, 3.0, 0.0), (10.0, 3.0, 2.0), (10.0, 2.0, 2.0)]
        findings = {f.code: f for f in found(tmp_path, with_faces(BOX, "door", door))}
        # Air is no longer parted from what is not by one face: the volume can only be sampled.
        assert set(findings) == {"overlapping_faces", "volume"}
        finding = findings["overlapping_faces"]
        assert finding.place == "'wall_east' and 'door'" and "over 2.00 m2" in finding.text
        assert finding.position is not None
        assert (
            finding.position[0] == 10.0
            and 2.0 < finding.position[1] < 3.0
            and 0.0 < finding.position[2] < 2.0
        )

    def test_a_door_10_mm_before_its_wall_is_none(self, tmp_path: Path) -> None:
        door = [(9.99, 2.0, 0.0), (9.99, 3.0, 0.0), (9.99, 3.0, 2.0), (9.99, 2.0, 2.0)]
        shell = venues.with_screen(BOX, "door", door)
        assert found(tmp_path, shell) == []

    def test_materials_that_absorb_nothing(self, tmp_path: Path) -> None:
        finding = only(found(tmp_path, absorption=0.005), "absorption")
        assert finding.severity == "warning" and "0.0050" in finding.text

    @pytest.mark.parametrize("absorption", [0.0, 0.001])
    def test_a_decay_for_ever(self, tmp_path: Path, absorption: float) -> None:
        """240 m3 behind 248 m2 that absorb a thousandth: 0.161 x 240 / 0.248 = 156 s, with the air a little less."""
        finding = only(found(tmp_path, absorption=absorption), "absorption")
        assert finding.severity == "error" and "reverberation time of" in finding.text

    def test_a_source_that_aims_at_itself(self, tmp_path: Path) -> None:
        source = {"name": "t", "position": [1.0, 3.0, 1.6], "aim_at": [1.0, 3.0, 1.6], "level": [70.0] * 8}
        assert only(found(tmp_path, sources=[source]), "source_aim").severity == "error"

    def test_a_source_at_a_seat(self, tmp_path: Path) -> None:
        # Seats of SEATS are 2 x 2 m apart, the first in the middle of its cell.
        source = {"name": "t", "position": [3.0, 2.0, 1.2], "level": [70.0] * 8}
        assert only(found(tmp_path, sources=[source]), "source_at_seat").severity == "error"
        beside = {**source, "position": [3.0, 2.3, 1.2]}
        assert found(tmp_path, sources=[beside]) == []


class TestPoints:
    def test_a_source_outside(self, tmp_path: Path) -> None:
        finding = only(
            found(tmp_path, sources=[{"name": "hang", "position": [1.0, 3.0, 4.5], "level": [70.0] * 8}]),
            "source_outside",
        )
        assert finding.severity == "error" and finding.place == "source 'hang'"
        assert finding.position == (1.0, 3.0, 4.5)

    def test_a_source_in_a_solid(self, tmp_path: Path) -> None:
        shell = with_faces(BOX, "stage", *block((0.5, 1.0, 0.0), (1.5, 5.0, 1.0)))
        # The floor goes on under the stage, whose own bottom lies on it.
        findings = found(
            tmp_path, shell, sources=[{"name": "fill", "position": [1.0, 3.0, 0.5], "level": [70.0] * 8}]
        )
        assert {f.code for f in findings} == {"overlapping_faces", "source_in_solid"}

    def test_seats_outside(self, tmp_path: Path) -> None:
        seats = venues.rectangle_area("terrace", (8, 1, 12, 5), (4, 2))
        options = {"audience": [seats], "scenarios": [{"name": "a"}]}
        findings = [f for f in found(tmp_path, **options) if f.code not in ("document", "floor_partly")]
        finding = only(findings, "seat_outside")
        assert finding.severity == "warning" and finding.text.startswith("4 of 8 seats are outside")
        assert finding.position == (10.5, 2.0, 1.2)

    def test_all_seats_outside_is_an_error(self, tmp_path: Path) -> None:
        seats = venues.rectangle_area("lawn", (12, 1, 16, 5), (4, 2))
        options = {"audience": [seats], "scenarios": [{"name": "a"}]}
        findings = [f for f in found(tmp_path, **options) if f.code not in ("document", "floor_not_found")]
        assert only(findings, "seat_outside").severity == "error"

    def test_seats_in_a_column(self, tmp_path: Path) -> None:
        shell = with_faces(BOX, "column", *block((4.0, 1.5, 0.0), (6.0, 2.5, 4.0)))
        findings = found(tmp_path, shell, audience=[SEATS])
        finding = next(f for f in findings if f.code.startswith("seat"))
        assert finding.code == "seat_in_solid" and finding.text.startswith("1 of 6 seats is inside a solid")


class TestSurfacesOfElements:
    def test_a_drape_without_a_wall(self, tmp_path: Path) -> None:
        finding = only(found(tmp_path, **hung(drape(stand_off=0.2))), "wall_not_found")
        assert finding.severity == "error" and finding.place == "drape 'D', run 1"
        assert finding.elements == ("D",) and "leave stand_off out" in finding.cure

    def test_a_drape_that_reaches_past_its_wall(self, tmp_path: Path) -> None:
        # An L: the line goes on 2 m past the inner corner at y = 4, its wall ends there.
        line = drape(runs=[[[5.2, 10.0], [5.2, 2.0]]], top=3.9, drop=3.8, stand_off=0.2)
        audience = [venues.rectangle_area("seats", (1, 1, 3, 3), (2, 2))]
        findings = found(tmp_path, venues.l_shape(), audience=audience, **hung(line))
        finding = next(f for f in findings if f.code == "wall_partly")
        assert finding.severity == "note" and "25% of it has no wall" in finding.text

    @pytest.mark.parametrize(
        ("line", "warned"), [(9.8, False), (10.0, False), (9.55, False), (9.5, True), (9.3, True)]
    )
    def test_a_wall_at_another_distance_than_said(self, tmp_path: Path, line: float, warned: bool) -> None:
        findings = found(tmp_path, **hung(drape(runs=[[[line, 1.0], [line, 5.0]]], stand_off=0.2)))
        assert [f.code for f in findings] == ["wall_distance"] * warned
        if warned:
            assert f"{10.0 - line:.2f} m behind" in findings[0].text and findings[0].severity == "warning"

    def test_a_covering_without_a_floor(self, tmp_path: Path) -> None:
        carpet = {"name": "F", "polygon": [[1, 1], [4, 1], [4, 4]], "floor": 0.5, "material": "crowd"}
        finding = only(found(tmp_path, **hung(floor_covering=[carpet])), "floor_not_found")
        assert finding.severity == "error" and finding.place == "floor covering 'F', polygon"

    def test_a_covering_that_leaves_its_floor(self, tmp_path: Path) -> None:
        carpet = {"name": "F", "polygon": [[1, 1], [4, 1], [4, 8], [1, 8]], "material": "crowd"}
        finding = only(found(tmp_path, **hung(floor_covering=[carpet])), "floor_partly")
        # 2 of 7 m lie past the wall.
        assert finding.severity == "warning" and finding.text.startswith("29% of it")

    def test_an_opening_of_an_unknown_group(self, tmp_path: Path) -> None:
        opening = {"name": "O", "groups": ["wal_*"]}
        study, findings = studied(tmp_path, **hung(opening=[opening]))
        finding = only([f for f in findings if f.code not in INFORMATION], "element_surface")
        assert finding.severity == "error" and finding.place == "opening 'O'"
        assert "'wal_*' matches no group" in finding.text and "'wall_" in finding.text
        # Scenarios without it may run.
        assert list(refused_scenarios(study, findings)) == ["all"]


EXIT = {"name": "north door", "kind": "exit", "polygon": [[6, 4.5], [8, 4.5], [8, 6], [6, 6]], "top": 2.5}


class TestZones:
    def line(self, **keys: Any) -> dict[str, Any]:
        return drape(runs=[[[4.0, 5.85], [9.0, 5.85]]], top=3.5, drop=3.3, stand_off=0.15, **keys)

    def test_a_line_across_an_exit(self, tmp_path: Path) -> None:
        finding = only(found(tmp_path, zones=[EXIT], **hung(self.line())), "zone_conflict")
        assert finding.severity == "error" and finding.elements == ("D",)
        assert "exit 'north door', from (6.00, 5.85) to (8.00, 5.85), at heights from 0.20 m to 2.50 m" in finding.text
        assert "above 2.50 m" in finding.cure and finding.position == (7.0, 5.85, 1.35)

    def test_a_gap_just_as_wide_as_the_exit_is_enough(self, tmp_path: Path) -> None:
        line = drape(
            runs=[[[4.0, 5.85], [6.0, 5.85]], [[8.0, 5.85], [9.0, 5.85]]], top=3.5, drop=3.3, stand_off=0.15
        )
        assert found(tmp_path, zones=[EXIT], **hung(line)) == []

    def test_a_gap_too_narrow_is_not(self, tmp_path: Path) -> None:
        line = drape(runs=[[[4.0, 5.85], [6.1, 5.85]]], top=3.5, drop=3.3, stand_off=0.15)
        finding = only(found(tmp_path, zones=[EXIT], **hung(line)), "zone_conflict")
        assert "from (6.00, 5.85) to (6.10, 5.85)" in finding.text

    def test_cloth_over_the_door_passes(self, tmp_path: Path) -> None:
        line = drape(runs=[[[4.0, 5.85], [9.0, 5.85]]], top=3.9, drop=1.4, stand_off=0.15)
        assert found(tmp_path, zones=[EXIT], **hung(line)) == []

    def test_a_wall_drape_beside_the_zone_still_takes_its_thickness(self, tmp_path: Path) -> None:
        # The zone ends 50 mm before the line: pleats reach into it.
        zone = EXIT | {"polygon": [[6, 4.5], [8, 4.5], [8, 5.8], [6, 5.8]]}
        assert only(found(tmp_path, zones=[zone], **hung(self.line())), "zone_conflict")
        clear = EXIT | {"polygon": [[6, 4.5], [8, 4.5], [8, 5.7], [6, 5.7]]}
        assert found(tmp_path / "clear", zones=[clear], **hung(self.line())) == []

    @pytest.mark.parametrize(
        ("kind", "severity"),
        [("escape_route", "error"), ("safety_equipment", "error"), ("plant", "error"), ("other", "warning")],
    )
    def test_kinds(self, tmp_path: Path, kind: str, severity: str) -> None:
        finding = only(found(tmp_path, zones=[EXIT | {"kind": kind}], **hung(self.line())), "zone_conflict")
        assert finding.severity == severity

    def test_level_cloth_within_the_height_of_a_zone(self, tmp_path: Path) -> None:
        sprinklers = {"name": "sprinklers", "kind": "safety_equipment", "bottom": 2.9, "top": 3.9}
        sprinklers["polygon"] = [[0, 0], [5, 0], [5, 6], [0, 6]]
        cloth = {
            "name": "C",
            "polygon": [[3, 2], [7, 2], [7, 4], [3, 4]],
            "height": 2.95,
            "fabric": "test_wool",
        }
        below = cloth | {"height": 2.5}
        finding = only(found(tmp_path, zones=[sprinklers], **hung(ceiling_drape=[cloth])), "zone_conflict")
        assert "over 4.00 m2 between x 3.00 and 5.00, y 2.00 and 4.00, at a height of 2.95 m" in finding.text
        assert found(tmp_path / "b", zones=[sprinklers], **hung(ceiling_drape=[below])) == []

    def test_only_scenarios_with_the_element_are_refused(self, tmp_path: Path) -> None:
        study, findings = studied(tmp_path, zones=[EXIT], **hung(self.line()))
        refused = refused_scenarios(study, findings)
        assert list(refused) == ["all"] and refused["all"][0].code == "zone_conflict"

    def test_a_fault_of_the_venue_refuses_all(self, tmp_path: Path) -> None:
        outside = [{"name": "hang", "position": [1.0, 3.0, 4.5], "level": [70.0] * 8}]
        study, findings = studied(tmp_path, sources=outside)
        assert set(refused_scenarios(study, findings)) == {"bare", "occupied"}


class TestPlaces:
    def test_a_line_through_a_partition(self, tmp_path: Path) -> None:
        shell = with_faces(BOX, "box", *block((4.5, 2.0, 0.5), (5.5, 3.0, 1.5)))
        line = drape(runs=[[[5.0, 0.5], [5.0, 5.5]]])
        audience = [venues.rectangle_area("seats", (6, 1, 9, 5), (2, 2))]
        findings = found(tmp_path, shell, audience=audience, **hung(line))
        crossing = next(f for f in findings if f.code == "cloth_crosses_surface")
        assert crossing.severity == "warning" and crossing.place == "drape 'D', run 1"
        # Round the box, 4 x 1 m, but for its bottom, in the cloth's edge, and 50 mm of two sides there.
        assert "over 2.90 m" in crossing.text
        assert "element_in_solid" in {f.code for f in findings}

    def test_a_line_through_a_wall(self, tmp_path: Path) -> None:
        line = drape(runs=[[[5.0, 3.0], [5.0, 8.0]]])
        findings = {f.code: f for f in found(tmp_path, **hung(line))}
        assert set(findings) == {"cloth_crosses_surface", "element_outside"}
        assert "'wall_north'" in findings["cloth_crosses_surface"].text
        position = findings["cloth_crosses_surface"].position
        assert position is not None and position[:2] == (5.0, 6.0)
        # 2 of 5 m are outside.
        share = float(findings["element_outside"].text.split("About ")[1].split("%")[0])
        assert share == pytest.approx(40.0, abs=10.0)

    def test_cloth_that_reaches_through_the_roof(self, tmp_path: Path) -> None:
        findings = {f.code: f for f in found(tmp_path, **hung(drape(top=4.6, drop=3.0)))}
        assert set(findings) == {"cloth_crosses_surface", "element_outside"}
        assert "'ceiling'" in findings["cloth_crosses_surface"].text

    def test_cloth_that_reaches_under_the_floor(self, tmp_path: Path) -> None:
        assert {f.code for f in found(tmp_path, **hung(drape(top=2.0, drop=2.5)))} == {
            "cloth_crosses_surface",
            "element_outside",
        }

    def test_cloth_may_touch_floor_roof_and_walls(self, tmp_path: Path) -> None:
        line = drape(runs=[[[5.0, 0.0], [5.0, 6.0]]], top=4.0, drop=4.0)
        assert found(tmp_path, **hung(line)) == []

    def test_a_wall_drape_drawn_askew_is_no_crossing(self, tmp_path: Path) -> None:
        # From 50 mm before the wall to 50 mm behind it: it means the wall.
        line = drape(runs=[[[9.95, 1.0], [10.05, 5.0]]], stand_off=0.1)
        assert found(tmp_path, **hung(line)) == []

    def test_free_cloth_close_to_a_wall(self, tmp_path: Path) -> None:
        finding = only(found(tmp_path, **hung(drape(runs=[[[9.6, 1.0], [9.6, 5.0]]]))), "near_surface")
        assert finding.severity == "note" and "0.40 m from a parallel surface" in finding.text
        assert "stand_off" in finding.cure

    def test_free_cloth_in_the_wall_itself(self, tmp_path: Path) -> None:
        findings = found(tmp_path, **hung(drape(runs=[[[10.0, 1.0], [10.0, 5.0]]])))
        assert only(findings, "near_surface").severity == "warning"

    def test_a_banner_outside(self, tmp_path: Path) -> None:
        banner = {"name": "B", "centres": [[5, 3, 2], [5, 30, 2]], "size": [2, 1], "fabric": "test_wool"}
        finding = only(found(tmp_path, **hung(banner=[banner])), "element_outside")
        assert finding.place == "banner 'B', centre 2" and "100%" in finding.text


class TestOverlaps:
    def test_two_wall_drapes_in_one_place(self, tmp_path: Path) -> None:
        one = drape("one", runs=[[[9.85, 1.0], [9.85, 4.0]]], stand_off=0.15)
        two = drape("two", runs=[[[9.8, 3.0], [9.8, 5.0]]], stand_off=0.2)
        finding = only(found(tmp_path, **hung(one, two)), "elements_overlap")
        assert finding.severity == "note" and set(finding.elements) == {"one", "two"}
        # 1 m of both, 3 m high.
        assert "over 3.00 m2" in finding.text and "only 'two' has an effect" in finding.text

    def test_not_in_one_scenario(self, tmp_path: Path) -> None:
        one = drape("one", runs=[[[9.85, 1.0], [9.85, 4.0]]], stand_off=0.15)
        options = hung(one, one | {"name": "two"})
        options["scenarios"] = [{"name": n, "elements": [n]} for n in ("one", "two", "occupied")]
        assert found(tmp_path, **options) == []

    def test_the_same_free_line_twice(self, tmp_path: Path) -> None:
        finding = only(found(tmp_path, **hung(drape("one"), drape("two"))), "elements_overlap")
        assert "over 12.00 m2" in finding.text

    def test_two_carpets_but_not_people_on_a_carpet(self, tmp_path: Path) -> None:
        carpet = {"name": "one", "polygon": [[1, 1], [4, 1], [4, 4], [1, 4]], "material": "crowd"}
        other = carpet | {"name": "two", "polygon": [[3, 1], [6, 1], [6, 4], [3, 4]]}
        options = hung(floor_covering=[carpet, other])
        options["scenarios"][0]["elements"].append("occupied")
        finding = only(found(tmp_path, **options), "elements_overlap")
        assert set(finding.elements) == {"one", "two"} and "over 3.00 m2" in finding.text

    def test_a_drape_before_what_opens(self, tmp_path: Path) -> None:
        line = drape(runs=[[[9.85, 1.0], [9.85, 5.0]]], stand_off=0.15)
        finding = only(
            found(tmp_path, **hung(line, opening=[{"name": "doors", "groups": ["wall_east"]}])),
            "elements_overlap",
        )
        assert set(finding.elements) == {"D", "doors"}


LIMITS: list[tuple[str, dict[str, Any]]] = [
    ("budget_exceeded", {"budget": 100.0}),
    ("hours_exceeded", {"hours_available": 5.0}),
    ("points_exceeded", {"roof_points_available": 3}),
    ("point_load_exceeded", {"point_load_limit": 30.0}),
    ("stock_exceeded", {"stock": {"wool": 10.0}}),
]


@pytest.mark.parametrize(("code", "costs"), LIMITS)
def test_limits(tmp_path: Path, code: str, costs: dict[str, Any]) -> None:
    line = drape(hire=200.0, rigging_hours=6.0, roof_points=4, point_load=40.0, stock={"wool": 12.0})
    finding = only(found(tmp_path, study={"costs": costs}, **hung(line)), code)
    assert finding.severity == "warning" and finding.place == "scenario 'all'"


def test_what_the_reader_doubted_is_told_again(tmp_path: Path) -> None:
    scenarios = [{"name": "a", "elements": ["occupied"]}, {"name": "b", "elements": ["occupied"]}]
    finding = only(found(tmp_path, scenarios=scenarios), "document")
    assert finding.severity == "warning" and '"b" is the same as "a"' in finding.text


def test_errors_come_first(tmp_path: Path) -> None:
    findings = studied(tmp_path, zones=[EXIT], absorption=0.005, **hung(drape(stand_off=0.2)))[1]
    order = [{"error": 0, "warning": 1, "note": 2}[f.severity] for f in findings]
    assert order == sorted(order) and set(order) == {0, 1, 2}


def test_every_finding_but_information_says_what_to_do(tmp_path: Path) -> None:
    sick: list[Callable[[Path], list[Finding]]] = [
        lambda p: found(p, zones=[EXIT], **hung(drape(runs=[[[7.0, 3.0], [7.0, 8.0]]]))),
        lambda p: found(p, absorption=0.005, **hung(drape(stand_off=0.2))),
    ]
    for i, case in enumerate(sick):
        for finding in case(tmp_path / str(i)):
            assert finding.cure.endswith(".") and finding.text.endswith(".") and finding.place
