"""From hangs, stacks and system changes in files to the engine's arrays and energies."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import venues
from scenes import box_scene
from systems import C, arrays, points_as_elements, stack

from roomsim.bands import EXACT, LINES_PER_BAND, band_lines
from roomsim.elements.roof import RoofPoint, Truss
from roomsim.errors import DocumentError
from roomsim.loudspeakers.elements import band_energy
from roomsim.loudspeakers.field import floor_gain, pressure_at
from roomsim.loudspeakers.subs import level_map
from roomsim.physics.radiation import sphere_weights
from roomsim.scene.checks import check_venue
from roomsim.scene.compile import compile_scene
from roomsim.scene.drawing import plan_drawing
from roomsim.scene.limits import Limits
from roomsim.scene.receivers import compile_receivers
from roomsim.scene.scenarios import demand_of
from roomsim.study.evaluator import Evaluator, evaluation_blocks
from roomsim.study.traced_paths import prepare_tracing
from roomsim.tracing.emission import directivity_towards, radiated
from roomsim.tracing.images import find_image_paths, sum_image_paths
from roomsim.tracing.replay import earliest_arrival
from roomsim.venue.document import ElementsDocument, RoomParts, SourcesDocument, StudyDocument
from roomsim.venue.reading import read_study

HANG = {
    "name": "main", "loudspeaker": "compact_line", "top": [1.0, 5.0, 6.5], "count": 6, "tilt": -2.0,
    "splay": [1.0, 2.0, 3.0, 4.0, 6.0], "high_pass": {"frequency": 90.0},
}  # fmt: skip
SUBS = {
    "name": "subs", "loudspeaker": "sub", "position": [2.0, 5.0, 0.0], "floor": 0.0,
    "low_pass": {"frequency": 90.0}, "arrangement": {"kind": "stack", "count": 3, "reversed": [2]},
}  # fmt: skip
FILL = {
    "name": "delay",
    "position": [11.0, 5.0, 4.0],
    "aim": [0.0, -20.0],
    "level": [80.0] * 8,
    "delay": 30.0,
}
CHANGE = {
    "name": "ring", "switch_on": ["delay"], "hire": 400.0, "rigging_hours": 4.0, "weight": 60.0,
    "roof_points": 2, "power": 1.5,
}  # fmt: skip

ON = 'switch_on = ["delay"]'


def write(folder: Path, *, sources=None, changes=(CHANGE,), scenarios=None, **options) -> Path:
    given = {"source": [FILL], "hang": [HANG], "sub_stack": [SUBS]} if sources is None else sources
    path = venues.write_shoebox(
        folder, (20.0, 10.0, 8.0), seats=(3, 2), drape=False, elements={"system_change": list(changes)},
        scenarios=scenarios or [{"name": "with ring", "elements": ["ring"]}], **options,
    )  # fmt: skip
    (folder / "sources.toml").write_text(venues.toml_text({"schema": 1, **given}), encoding="utf-8")
    return path


def compiled(path: Path):
    study = read_study(path)
    return study, compile_scene(study)


def change_file(path: Path, old: str, new: str):
    text = re.sub(r'^"(\w+)" =', r"\1 =", path.read_text("utf-8"), flags=re.MULTILINE)
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


# --- arrays ---------------------------------------------------------------------------------------------


def test_paths_of_a_hang_carry_its_near_field(tmp_path: Path):
    _, scene = compiled(write(tmp_path))
    sources, c = scene.sources, scene.speed_of_sound
    assert sources.names == ("delay", "main", "subs")
    main = sources.elements[1]
    paths = find_image_paths(scene, 1, 100.0)[1]
    direct = paths.order == 0
    seats = scene.receivers.position[paths.receiver[direct]]
    got = 10.0 ** (sources.level[1] / 10.0) * paths.emission[direct] / paths.length[direct, None] ** 2
    # Direction times length is the seat again but for rounding.
    assert got == pytest.approx(band_energy(pressure_at(main, seats, c), main.per_band), rel=1e-6)
    away = (seats - sources.position[1]) / paths.length[direct, None]
    far = directivity_towards(sources, 1, away)
    # Control: from far away the same hang sends otherwise; some seat and band differ by more than 1 dB.
    assert np.abs(10.0 * np.log10(paths.emission[direct] / far)).max() > 1.0

    floor = next(
        m for m, plane in enumerate(scene.mirror_planes) if abs(plane[2]) > 0.9 and abs(plane[3]) < 1e-6
    )
    over = [
        i
        for i in np.flatnonzero(paths.order == 1)
        if np.isclose(paths.length[i], _mirrored_distance(scene, 1, paths.receiver[i], floor))
    ]
    assert len(over) == scene.receivers.n_receivers
    images = scene.receivers.position[paths.receiver[over]] * [1.0, 1.0, -1.0]
    got = 10.0 ** (sources.level[1] / 10.0) * paths.emission[over] / paths.length[over, None] ** 2
    assert got == pytest.approx(band_energy(pressure_at(main, images, c), main.per_band), rel=1e-6)


def _mirrored_distance(scene, source, receiver, plane):
    normal, offset = scene.mirror_planes[plane, :3], scene.mirror_planes[plane, 3]
    at = scene.receivers.position[receiver]
    return np.linalg.norm(at - 2 * (at @ normal + offset) * normal - scene.sources.position[source])


def test_rays_get_the_power_of_the_boxes(tmp_path: Path):
    _, scene = compiled(write(tmp_path))
    sources, c = scene.sources, scene.speed_of_sound
    for index, floor in ((1, None), (2, 0.0)):
        elements = sources.elements[index]
        power = 10.0 ** (sources.level[index] / 10.0) * radiated(sources, index) / (4.0 * np.pi)
        # A sphere of 3 km round the hang, Gauss-Legendre, by the near-field sum.
        cosine, weight = np.polynomial.legendre.leggauss(120)
        turn = 2.0 * np.pi * np.arange(96) / 96
        sine = np.sqrt(1.0 - cosine**2)[:, None]
        along = np.broadcast_to(cosine[:, None], (120, 96))
        sphere = np.stack([along, sine * np.cos(turn), sine * np.sin(turn)], axis=-1).reshape(-1, 3)
        there = elements.position.mean(axis=0) + 3000.0 * sphere
        energy = band_energy(pressure_at(elements, there, c), elements.per_band).reshape(120, 96, -1) * 3000.0**2
        expected = np.einsum("pab,p->b", energy, weight) / 192.0
        if floor is not None:
            gain = floor_gain(elements, floor, c)
            assert gain[0] > 1.3  # control: the floor counts for the subs
            expected = expected * gain
        bands = slice(0, 6) if index == 1 else slice(0, 4)  # what a stack 0.75 m deep has of bands is bass
        # 0.02 dB for the grids of both, as in the tests of the field.
        assert 10.0 * np.log10(power / expected)[bands] == pytest.approx(np.zeros(8)[bands], abs=0.02)


def test_balloon_of_a_hang_is_one_where_it_is_loudest(tmp_path: Path):
    _, scene = compiled(write(tmp_path))
    main = scene.sources.balloon[1]
    assert main.max(axis=(0, 1)) == pytest.approx(np.ones(8))
    assert scene.sources.balloon.shape == (3, 181, 72, 8)
    # Splays of 16 degrees down from -2: the speech bands go down and ahead, and little goes up.
    ahead = directivity_towards(
        scene.sources, 1, np.array([[np.cos(np.radians(-8)), 0.0, np.sin(np.radians(-8))]])
    )
    up = directivity_towards(scene.sources, 1, np.array([[0.5, 0.0, np.sqrt(0.75)]]))
    assert (10.0 * np.log10(ahead / up))[0, 4:7].min() > 15.0
    assert sphere_weights(181, 72).sum() == pytest.approx(1.0)


# --- in phase -------------------------------------------------------------------------------------------


def floor_scene(elements, level, coherent, *, absorption_of_floor=0.0):
    """Two sources over a floor, walls and ceiling that swallow everything."""
    absorption = dict.fromkeys(("west", "east", "south", "north", "ceiling"), 1.0) | {
        "floor": absorption_of_floor
    }
    seats = np.array([[14.0, 3.0, 1.2], [12.0, 7.5, 1.2], [17.0, 5.0, 1.7]])
    places = np.array([part.position.mean(axis=0) for part in elements])
    scene = box_scene((20.0, 10.0, 8.0), absorption, 0.0, places, seats)
    sources = replace(
        scene.sources, level=np.repeat(level[:, None], 8, axis=1), coherent=coherent,
        elements=dict(enumerate(elements)),
    )  # fmt: skip
    return replace(scene, sources=sources), seats


def early(scene):
    paths = find_image_paths(scene, 1, 1e3)
    sums = sum_image_paths(scene, paths, np.array([0.0, 0.5]), np.array([1.0]), slice(0, 1), slice(0, 3))
    return sums.total[:, 0]


def test_one_signal_adds_up_in_phase_with_the_floor():
    subs = [arrays(stack({"kind": "stack", "count": 2}, position=(2.0, y, 0.0))) for y in (2.0, 8.0)]
    scene, seats = floor_scene(subs, np.array([90.0, 90.0]), ((0, 1),))
    found = 10.0 * np.log10(early(scene))
    in_phase = level_map(subs, seats, C, np.array([[0.0, 0.0, 1.0, 0.0]]))
    # Both sum the same spherical waves over the same lines.
    assert found[:, :2] == pytest.approx(in_phase[:, :2], abs=1e-6)
    apart, _ = floor_scene(subs, np.array([90.0, 90.0]), ())
    energies = 10.0 * np.log10(early(apart))
    assert found[:, 2:] == pytest.approx(energies[:, 2:], abs=1e-9)  # no phase above 125 Hz
    assert np.abs(found - energies)[:, :2].max() > 2.0  # control


def test_a_soft_floor_reflects_less_pressure():
    sub = [arrays(stack({"kind": "stack", "count": 1}, position=(2.0, 4.0, 1.0)))]
    scene, seats = floor_scene(sub, np.array([90.0]), ((0,),), absorption_of_floor=0.75)
    # Energy 0.25 comes back: pressure 0.5.
    image = pressure_at(sub[0], seats * [1, 1, -1], C)
    expected = 10.0 * np.log10(band_energy(pressure_at(sub[0], seats, C) + 0.5 * image))
    assert 10.0 * np.log10(early(scene))[:, :2] == pytest.approx(expected[:, :2], abs=1e-6)


def test_simple_sources_with_a_signal_add_up_too():
    # Two points 8 m apart; no boxes: the phase is that of distance and delay.
    scene, seats = floor_scene(
        [points_as_elements([2.0, y, 1.5], band_lines(), 10.0**4.5) for y in (1.0, 9.0)],
        np.array([90.0, 90.0]),
        ((0, 1),),
    )
    simple = replace(scene, sources=replace(scene.sources, elements={}, delay=np.array([0.0, 0.004])))
    f = band_lines(EXACT[:2])
    total = 0.0
    for y, delay in ((1.0, 0.0), (9.0, 0.004)):
        for z in (1.5, -1.5):
            r = np.linalg.norm(seats - [2.0, y, z], axis=1)[:, None]
            total = total + np.exp(-2j * np.pi * f * (r / C + delay)) / r
    expected = 90.0 + 10.0 * np.log10((np.abs(total) ** 2).reshape(3, 2, LINES_PER_BAND).mean(axis=2))
    assert 10.0 * np.log10(early(simple))[:, :2] == pytest.approx(expected, abs=1e-6)


# --- scenarios ------------------------------------------------------------------------------------------


def test_a_system_change_switches_its_sources(tmp_path: Path):
    changes = [CHANGE, {"name": "no subs", "switch_off": ["subs"]}]
    scenarios = [
        {"name": "ring", "elements": ["ring"]},
        {"name": "speech", "elements": ["no subs"]},
        {"name": "both", "elements": ["no subs", "ring"]},
    ]
    study, scene = compiled(write(tmp_path, changes=changes, scenarios=scenarios))
    assert scene.sources.names == ("delay", "main", "subs")
    np.testing.assert_array_equal(scene.sources.active, [[0, 1, 0, 1], [1, 1, 1, 1], [1, 1, 0, 0]])
    # The bins begin with what can come first: the subs, and without them the hang, which is further away. The delay
    # loudspeaker comes later than both at every seat.
    zero = np.stack([earliest_arrival(scene, k)[:, 1] for k in range(4)], axis=1)
    assert zero[:, 1] == pytest.approx(zero[:, 0])
    assert (zero[:, 2] > zero[:, 0] + 1e-4).all()
    hang = np.linalg.norm(scene.receivers.position - scene.sources.position[1], axis=1) / scene.speed_of_sound
    # The hang's boxes look up to 18 degrees down and lie within 0.2 m of one upright line: 0.6 ms.
    assert zero[:, 2] == pytest.approx(hang, abs=6e-4)
    found = demand_of(study, study.document.scenario[0])
    assert (found.hire, found.rigging_hours, found.roof_points, found.weight) == (400.0, 4.0, 2, 60.0)
    # Scenarios that share sources are worked out together, others apart.
    together = [np.arange(scene.n_scenarios)[scenarios] for scenarios, _ in evaluation_blocks(scene, 50, 20)]
    assert sorted(np.concatenate(together)) == [0, 1, 2, 3]
    assert all(
        (scene.sources.active[:, block] == scene.sources.active[:, block[:1]]).all() for block in together
    )


def test_what_never_plays_is_left_out(tmp_path: Path):
    changes = [CHANGE, {"name": "other subs", "switch_on": ["subs"]}]
    _, scene = compiled(write(tmp_path, changes=changes))
    assert scene.sources.names == ("delay", "main")


def test_power_has_a_limit(tmp_path: Path):
    study = read_study(
        write(tmp_path, study={"costs": {"power_available": 1.0, "fixed": 50.0, "labour_rate": 10.0}})
    )
    scenario = study.document.scenario[0]
    assert Limits(study).broken(scenario.elements) == {"power": "electric power 1.5 of 1 kW"}
    assert demand_of(study, scenario).cost == 400.0 + 40.0 + 50.0  # it takes roof points: something hangs


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("elements.toml", '"delay"', '"delai"', 'no source, hang or stack is called "delai". Did you mean'),
        ("sources.toml", '"compact_line"', '"compact"', 'no loudspeaker is called "compact". Did you mean'),
        ("sources.toml", 'name = "subs"', 'name = "main"', 'sub_stack[0].name: "main" is'),
        ("elements.toml", ON, 'switch_on = ["delay", "main", "subs"]', "nothing plays in scenario"),
        ("elements.toml", ON, "switch_on = []", "changes nothing"),
        ("elements.toml", ON, ON + '\nswitch_off = ["delay"]', "is switched on by this element"),
        ("sources.toml", "count = 6", "count = 5", "5 boxes have 4 angles between them; splay has 5"),
        ("sources.toml", "count = 6", "count = 6.5", "hang[0].count: expected a whole number"),
    ],
)
def test_faults_name_file_and_key(tmp_path: Path, file, old, new, said):
    path = write(tmp_path)
    change_file(tmp_path / file, old, new)
    with pytest.raises(DocumentError) as caught:
        read_study(path)
    assert said in str(caught.value)
    if "nothing plays" not in said:
        assert str(caught.value).startswith(file + ":")


def test_contradicting_changes_of_one_scenario(tmp_path: Path):
    changes = [CHANGE, {"name": "off", "switch_off": ["delay"]}]
    path = write(tmp_path, changes=changes, scenarios=[{"name": "x", "elements": ["ring", "off"]}])
    with pytest.raises(DocumentError, match=r"study\.toml:\d+: scenario\[0\].*switched on by one element"):
        read_study(path)


def test_a_directivity_file_of_a_box_is_checked_when_the_study_is_read(tmp_path: Path):
    own = {"odd": {"height": 0.3, "depth": 0.3, "level": [80.0] * 8, "source": "test",
                   "directivity": {"kind": "sofa", "file": "odd.sofa"}}}  # fmt: skip
    hung = {**HANG, "loudspeaker": "odd"}
    path = write(tmp_path, sources={"hang": [hung], "source": [FILL], "loudspeaker": own})
    with pytest.raises(
        DocumentError, match=r'loudspeaker\.odd\.directivity\.file: no such file: "odd\.sofa"'
    ):
        read_study(path)
    (tmp_path / "odd.sofa").write_text("not at all")
    with pytest.raises(DocumentError, match=r"odd\.sofa: not a readable SOFA"):
        read_study(path)


def test_examples_of_the_handbook_are_valid():
    page = (Path(__file__).parents[2] / "docs" / "system.md").read_text("utf-8")
    blocks = re.findall(r"```toml\n(.*?)```", page, flags=re.DOTALL)
    assert len(blocks) == 9
    changes, parts, noise, roof = (
        [block for block in blocks if key in block]
        for key in ("[[system_change]]", "[parts]", "[noise_spectra]", "[[truss]]")
    )
    others = [*changes, *parts, *noise, *roof]
    written = "schema = 1\n" + "\n".join(block for block in blocks if block not in others)
    sources = SourcesDocument.model_validate(tomllib.loads(written))
    assert len(sources.hang[0].splay) == 8 and sources.hang[0].box[0].number == 9
    (truss,), (point,) = (tomllib.loads(roof[0])[key] for key in ("truss", "roof_point"))
    assert Truss.model_validate(truss).limit == 600
    assert sources.source[0].hang_from == (RoofPoint.model_validate(point).name,)
    assert sources.sub_stack[0].n_boxes() == 3 and set(sources.loudspeaker) == {"my_box"}
    elements = ElementsDocument.model_validate(tomllib.loads("schema = 1\n" + changes[0]))
    assert elements.system_change[0].power == 3.2
    assert RoomParts.model_validate(tomllib.loads(parts[0])["parts"]).roof == ("roof_*", "truss_*")
    rest = 'schema = 1\ntitle = "t"\nvenue = "v"\nelements = "e"\nsources = "s"\nscenario = [{ name = "a" }]\n'
    study = StudyDocument.model_validate(tomllib.loads(rest + noise[0]))
    # Rain of 57 dB at 1 kHz over NR 35: 10 lg(10^5.7 + 10^3.5) = 57.03.
    assert study.noise_of(study.scenario[0])[4] == pytest.approx(57.03, abs=0.01)


# --- checks and drawings --------------------------------------------------------------------------------


def test_a_box_outside_the_room_is_found(tmp_path: Path):
    path = write(tmp_path, sources={"source": [FILL], "hang": [{**HANG, "top": [1.0, 5.0, 8.3]}]})
    study = read_study(path)
    found = [finding for finding in check_venue(study) if finding.code == "source_outside"]
    assert len(found) == 1 and found[0].place == "source 'main'" and "Box 1 of 6 is outside" in found[0].text
    marks = plan_drawing(study, compile_receivers(study)).sources
    assert set(marks) == {"delay", "main"}
    assert marks["main"] == pytest.approx([1.0, 5.0], abs=0.1)


# --- the whole way --------------------------------------------------------------------------------------


def test_engine_hears_hang_and_subs(tmp_path: Path):
    _, scene = compiled(write(tmp_path, absorption=0.5))
    engine = Evaluator(prepare_tracing(scene, 1, 1, threads=1).trace(1))
    figures = engine.evaluate(["speech_transmission_index"])["speech_transmission_index"]
    assert np.isfinite(figures.full).all()
    block = engine.response(np.array([0]), slice(0, scene.receivers.n_receivers))
    # Direct sound above the bass: hang and subs add up in energy, each from its boxes.
    c, seats = scene.speed_of_sound, scene.receivers.position
    expected = np.zeros((len(seats), 8))
    for index in (1, 2):
        distance = np.linalg.norm(seats - scene.sources.position[index], axis=1)[:, None]
        loss = np.exp(-scene.air_attenuation * distance)
        elements = scene.sources.elements[index]
        expected += band_energy(pressure_at(elements, seats, c), elements.per_band) * loss
    assert block.direct[:, 0, 2:] == pytest.approx(expected[:, 2:], rel=1e-6)
