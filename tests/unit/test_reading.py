"""Reading a study: what comes out, and what each fault says."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path
from typing import Any

import pytest
from venues import write_shoebox

from roomsim.errors import DocumentError
from roomsim.venue.document import Study
from roomsim.venue.reading import read_study


@pytest.fixture
def study(tmp_path: Path) -> Path:
    """Path of a good study, its keys without quotes as a person writes them."""
    path = write_shoebox(tmp_path / "hall", free_sheet=True)
    for file in path.parent.glob("*.toml"):
        file.write_text(re.sub(r'^"(\w+)" =', r"\1 =", file.read_text(), flags=re.MULTILINE))
    return path


def change(study: Path, file: str, old: str, new: str, count: int = 1) -> int:
    """Replace text once in a file of the study; return the line on which the new text begins."""
    path = study.parent / file
    text = path.read_text()
    assert old in text
    at = text.index(old)
    path.write_text(text.replace(old, new, count))
    return text.count("\n", 0, at) + 1


def faults(study: Path) -> list[str]:
    with pytest.raises(DocumentError) as error:
        read_study(study)
    return str(error.value).splitlines()


def fault(study: Path) -> str:
    (only,) = faults(study)
    return only


# --- good studies ---------------------------------------------------------------------------------------


def test_good_study(study: Path) -> None:
    read = read_study(study)
    assert isinstance(read, Study)
    assert read.warnings == ()
    assert [element.name for element in read.elements.all()] == ["occupied", "east drape", "sheet"]
    assert read.venue.mesh.file == "shell.obj"
    assert read.venue_folder == study.parent.resolve()
    # Built-in rows and own rows.
    assert {"of_floor", "crowd", "open"} <= set(read.materials.material)
    assert "test_wool" in read.materials.fabric
    assert list(read.digests) == [
        "study.toml",
        "venue.toml",
        "elements.toml",
        "sources.toml",
        "materials.toml",
        "shell.obj",
    ]
    for name, digest in read.digests.items():
        assert digest == hashlib.sha256((study.parent / name).read_bytes()).hexdigest()


def test_own_material_wins_over_the_built_in_one(study: Path) -> None:
    row = f"absorption = {[0.5] * 8}\nscattering = {[0.1] * 8}\nsource = 'invented for tests'\n"
    with (study.parent / "materials.toml").open("a") as file:
        file.write(f"[material.open]\n{row}")
    assert read_study(study).materials.material["open"].absorption == (0.5,) * 8


def test_paths_are_relative_to_the_file_that_has_them(study: Path) -> None:
    inner = study.parent / "geometry"
    inner.mkdir()
    for name in ("venue.toml", "shell.obj"):
        (study.parent / name).rename(inner / name)
    change(study, "study.toml", '"venue.toml"', '"geometry/venue.toml"')
    read = read_study(study)
    assert read.venue_folder == inner.resolve()
    assert {"geometry/venue.toml", "geometry/shell.obj"} <= set(read.digests)


def test_byte_order_mark_and_windows_line_ends(study: Path) -> None:
    path = study.parent / "sources.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    assert read_study(study).sources.source[0].name == "talker"
    line = change(study, "sources.toml", "position", "posision")
    assert fault(study) == f'sources.toml:{line}: source[0].posision: unknown key; did you mean "position"?'


def test_closed_outlines_may_repeat_their_first_corner(study: Path) -> None:
    polygon = read_study(study).venue.audience[0].polygon
    assert polygon is not None
    text = (study.parent / "venue.toml").read_text()
    outline = re.search(r"polygon = \[(\[.*?\]), .*\]\n", text)
    assert outline is not None
    change(study, "venue.toml", outline.group(), outline.group()[:-2] + f", {outline.group(1)}]\n")
    assert read_study(study).venue.audience[0].polygon == polygon


def test_what_is_probably_not_meant_is_a_warning(study: Path) -> None:
    line = change(study, "study.toml", 'elements = ["east drape", "sheet"]', 'elements = ["sheet"]')
    entry = 'fabric = "test_wool"\nstock = { wol = 10.0 }'
    stock = change(study, "elements.toml", 'fabric = "test_wool"', entry) + 1
    with (study.parent / "study.toml").open("a") as file:
        file.write("[costs]\nstock = { wool = 100.0 }\n")
    assert read_study(study).warnings == (
        f'study.toml:{line - 2}: scenario[3]: "both" is the same as "sheet"',
        f'elements.toml:{stock}: drape[0].stock.wol: "wol" is not in the stock of the study. '
        "Did you mean 'wool'?",
    )


def test_scenarios_that_repeat_others_come_in_one_warning(study: Path) -> None:
    line = change(study, "study.toml", 'elements = ["east drape", "sheet"]', 'elements = ["sheet"]')
    with (study.parent / "study.toml").open("a") as file:
        file.write('[[scenario]]\nname = "again"\nelements = ["sheet"]\n[[scenario]]\nname = "nothing"\n')
    (warning,) = read_study(study).warnings
    assert warning == (
        f'study.toml:{line - 2}: scenario[3]: "both", "again" are the same as "sheet"; "nothing" is the same as "bare"'
    )


# --- files ----------------------------------------------------------------------------------------------


def test_missing_study(tmp_path: Path) -> None:
    assert fault(tmp_path / "none.toml") == "none.toml: no such file"
    assert "is a folder; name the file in it" in fault(tmp_path)


def test_missing_files_are_told_together(study: Path) -> None:
    a = change(study, "study.toml", '"venue.toml"', '"venu.toml"')
    b = change(study, "study.toml", '"sources.toml"', '"source.toml"')
    first, second = faults(study)
    assert first.startswith(f"study.toml:{a}: venue: no such file: \"venu.toml\". Did you mean 'venue.toml'")
    assert second.startswith(
        f"study.toml:{b}: sources: no such file: \"source.toml\". Did you mean 'sources.toml'"
    )


def test_missing_mesh_is_a_fault_of_the_venue_file(study: Path) -> None:
    line = change(study, "venue.toml", "shell.obj", "shel.obj")
    assert fault(study) == (
        f"venue.toml:{line}: mesh.file: no such file: \"shel.obj\". Did you mean 'shell.obj'?"
    )


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("../venue.toml", "is outside the study folder; copy the file into it"),
        ("inner/../../venue.toml", "is outside the study folder"),
        ("link.toml", "is outside the study folder"),
        ("/etc/hosts", "must be a path relative to this file"),
        ("C:/venue.toml", "must be a path relative to this file"),
        ("~/venue.toml", "must be a path relative to this file"),
        ("inner\\\\venue.toml", "must be written with / between folders"),
        ("file:///venue.toml", "no such file"),
        ("v" * 5000, "cannot be opened"),
        ("a\\u0000b", "contains the character U+0000, which cannot be printed"),
        ("loop", "cannot be opened"),
        (".", "no such file"),
    ],
)
def test_no_file_lies_outside_the_study_folder(study: Path, written: str, said: str) -> None:
    outside = study.parent.parent / "venue.toml"
    outside.write_bytes((study.parent / "venue.toml").read_bytes())
    (study.parent / "link.toml").symlink_to(outside)
    (study.parent / "loop").symlink_to("loop")
    line = change(study, "study.toml", '"venue.toml"', f'"{written}"')
    text = fault(study)
    assert text.startswith(f"study.toml:{line}: venue: ") and said in text


def test_size_encoding_and_depth_are_bounded(study: Path) -> None:
    path = study.parent / "sources.toml"
    good = path.read_bytes()
    path.write_bytes(good + b"# " + b"x" * 1_000_000)
    assert fault(study) == "sources.toml: larger than 1 MB; a description file is much smaller"
    path.write_bytes(good.replace(b"talker", b"J\xfcrgen"))
    assert fault(study) == "sources.toml:4: not UTF-8; save the file with this encoding"
    path.write_bytes(b"a = " + b"[" * 100_000)
    assert fault(study) == "sources.toml: brackets are nested too deeply"
    path.write_bytes(b"a" + b".a" * 100_000 + b" = 1")
    assert fault(study) == "sources.toml: tables are nested too deeply"


@pytest.mark.parametrize(
    ("old", "new", "place", "said"),
    [
        ("delay = 5.0", "delay = 5,0", "{line}:10", "decimals with a point"),
        ("delay = 5.0", "delay = 5.0\ndelay = 6.0", "{next}:12", "the key occurs twice in its table"),
        ("delay = 5.0", "delay = five", "{line}:9", "text must be in quotes"),
        ("delay = 5.0", 'delay = "five', "{line}:14", "a closing quote or bracket is missing in this line"),
        ("delay = 5.0", "delay time = 5.0", "{line}:7", "names with spaces or punctuation must be in quotes"),
        ("[[source]]", "[source]\n[source]", "{next}:8", "entries of a list are written [[name]]"),
    ],
)
def test_syntax_errors_have_line_column_and_cure(
    study: Path, old: str, new: str, place: str, said: str
) -> None:
    change(study, "sources.toml", 'name = "talker"', 'name = "talker"\ndelay = 5.0')
    line = change(study, "sources.toml", old, new)
    text = fault(study)
    assert text.startswith(f"sources.toml:{place.format(line=line, next=line + 1)}: not valid TOML: ")
    assert said in text


def test_unclosed_list_is_told_at_the_end(study: Path) -> None:
    (study.parent / "sources.toml").write_text("schema = 1\nsource = [\n  { name = 'A' },\n")
    text = fault(study)
    assert text.startswith("sources.toml:3: not valid TOML: ")
    assert text.endswith("; a closing bracket or quote is missing")


def test_a_file_without_sources_is_refused(study: Path) -> None:
    (study.parent / "sources.toml").write_text("schema = 1\n")
    assert fault(study) == "sources.toml: there is no source; write [[source]], [[hang]] or [[sub_stack]]"


# --- values ---------------------------------------------------------------------------------------------

LEVEL = "level = [70.0, 70.0, 70.0, 70.0, 70.0, 70.0, 70.0, 70.0]"


EIGHT = "expected eight numbers in brackets, 63 Hz to 8 kHz"
KINDS = (
    'expected "omnidirectional" or "cosine_power" or "first_order" or "piston" or "line_element" or "horn" or '
    '"tabulated" or "sofa"'
)
OUTLINE = "[[0, 0], [1, 0], [1, 1]]"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (LEVEL, "level = [70, 70]", f"level: {EIGHT}; there are 2"),
        (LEVEL, f"level = {[70] * 9}", f"level: {EIGHT}; there are 9"),
        (LEVEL, "level = 70", f"level: {EIGHT}, got 70"),
        (LEVEL, "level = []", f"level: {EIGHT}; there are 0"),
        (
            "70.0, 70.0]",
            "nan, inf]",
            "level[6]: nan and inf are not allowed here; expected a number at 4 kHz",
        ),
        (
            "[70.0, ",
            "['70.0', ",
            'level[0]: expected a number, got the text "70.0"; '
            "numbers are written without quotes and with a decimal point",
        ),
        ("[70.0, ", "[true, ", "level[0]: expected a number, got true"),
        ("[70.0, ", "[1e400, ", "level[0]: nan and inf are not allowed here; expected a number at 63 Hz"),
        ("[70.0, ", f"[{10**400}, ", "level[0]: expected a number, got a number out of range"),
        ("[70.0, ", "[1200.0, ", "level[0]: must be at most 200, got 1200.0 at 63 Hz"),
        ("[1.02", "[9.0, 1.02", "position: expected three numbers in brackets; there are 4"),
        ("position", "# position", "position: missing; expected three numbers in brackets"),
        ("talker", "", "name: must not be empty"),
        ("talker", "t" * 81, "name: must not be longer than 80 characters, has 81"),
        (LEVEL, LEVEL + "\ndelay = 1e5", "delay: must be at most 10000, got 100000.0"),
        (
            LEVEL,
            LEVEL + "\ndirectivity = { kind = 'cosine' }",
            f'directivity.kind: {KINDS}, got the text "cosine"; did you mean "cosine_power"?',
        ),
        (LEVEL, LEVEL + "\ndirectivity = {}", f"directivity.kind: missing; {KINDS}"),
        (
            LEVEL,
            LEVEL + "\ndirectivity = 'omni'",
            'directivity: expected a table, got the text "omni"',
        ),
        (
            LEVEL,
            LEVEL + f"\ndirectivity = {{ kind = 'cosine_power', coverage = {[90] * 7} }}",
            f"directivity.coverage: {EIGHT}; there are 7",
        ),
    ],
)
def test_wrong_values_of_a_source(study: Path, old: str, new: str, said: str) -> None:
    change(study, "sources.toml", old, new)
    found = faults(study)
    assert all(re.match(r"sources\.toml:\d: source\[0\]", text) for text in found)
    assert any(text.partition("source[0].")[2] == said for text in found), found


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("study.toml", "schema = 1", "schema = 2", "schema: this version of roomsim reads schema = 1, got 2"),
        ("study.toml", "schema = 1", "", "schema: missing; write schema = 1"),
        (
            "study.toml",
            "schema = 1",
            "schema = 1\nimage_order = 2.5",
            "image_order: expected a whole number, got 2.5",
        ),
        (
            "study.toml",
            "schema = 1",
            f"schema = 1\nseed = {10**300}",
            "seed: must be below 2147483648, got a number out of range",
        ),
        (
            "study.toml",
            'elements = ["occupied"]',
            'elements = "occupied"',
            'scenario[0].elements: expected a list, each entry text in quotes, got the text "occupied"',
        ),
        (
            "sources.toml",
            "[[source]]",
            "[source]",
            "source: expected tables in double brackets, got a table; "
            "write [[source]], with double brackets, for each entry",
        ),
        (
            "venue.toml",
            '"m"',
            '"metre"',
            'mesh.unit: expected "m" or "cm" or "mm" or "in" or "ft", got the text "metre"',
        ),
        (
            "venue.toml",
            "humidity = 50.0",
            "humidity = 0.5",
            "air.humidity: must be at least 1, got 0.5",
        ),
        (
            "venue.toml",
            "polygon",
            "outline",
            "audience[0].outline: unknown key; "
            "known here: name, polygon, group, floor, ear_height, seat_spacing, rotation",
        ),
        (
            "venue.toml",
            "polygon",
            "group = 'floor'\npolygon",
            "audience[0]: needs either polygon or group, exactly one of them; both are given",
        ),
        ("venue.toml", "[mesh]", "[meshes]", 'meshes: unknown key; did you mean "mesh"?'),
        (
            "venue.toml",
            "zone = []",
            f"zone = [ {{name='a', kind='exit', bottom=2.0, top=1.0, polygon={OUTLINE}}} ]",
            "zone[0]: top (1 m) must be above bottom (2 m)",
        ),
        (
            "elements.toml",
            "fullness = 2.0",
            "fullness = 0.5",
            "drape[0].fullness: must be at least 1, got 0.5",
        ),
        (
            "elements.toml",
            'areas = ["seats"]',
            "areas = []",
            "crowd[0].areas: expected at least 1 entry; there are 0",
        ),
        (
            "materials.toml",
            "[0.1, ",
            "[1.1, ",
            "material.of_floor.absorption[0]: must be at most 1, got 1.1 at 63 Hz",
        ),
    ],
)
def test_wrong_values_in_plain_words(study: Path, file: str, old: str, new: str, said: str) -> None:
    change(study, file, old, new)
    assert re.sub(rf"^{file}(:\d+)?: ", "", fault(study)) == said


@pytest.mark.parametrize(
    ("polygon", "said"),
    [
        (
            [[0, 0], [2, 2], [2, 0], [0, 2]],
            "the outline crosses or touches itself near (1, 1); list the corners in order",
        ),
        ([[0, 0], [2, 0], [4, 0]], "the outline crosses or touches itself"),
        ([[0, 0], [2, 0]], "expected at least 3 entries; there are 2"),
        ([[0, 0], [2, 0], [0, 0]], "needs at least three corners besides the repeated first one"),
        ([[0, 0], [2, 0], [2, 0], [2, 2]], "points 2 and 3 are the same point; leave one of them out"),
        ([[0, 0], [2, 0], [2, 1e7]], "must be at most 1000000, got 10000000.0"),
    ],
)
def test_polygons_must_be_simple(study: Path, polygon: list[Any], said: str) -> None:
    text = (study.parent / "venue.toml").read_text()
    outline = re.search(r"polygon = .*", text)
    assert outline is not None
    line = change(study, "venue.toml", outline.group(), f"polygon = {polygon}")
    message = fault(study)
    assert message.startswith(f"venue.toml:{line}: audience[0].polygon") and said in message


def test_drape_without_length(study: Path) -> None:
    text = (study.parent / "elements.toml").read_text()
    runs = re.search(r"runs = .*", text)
    assert runs is not None
    line = change(
        study, "elements.toml", runs.group(), "runs = [[[1, 1], [2, 1]], [[3, 3], [4, 3], [4, 3.0001]]]"
    )
    assert fault(study) == (
        f"elements.toml:{line}: drape[0].runs[1]: points 2 and 3 are the same point; leave one of them out"
    )


def test_all_faults_of_all_files_in_one_message_in_order(study: Path) -> None:
    a = change(study, "study.toml", 'title = "test venue"', "titel = 'test'")
    b = change(study, "venue.toml", "temperature", "temprature")
    c = change(study, "venue.toml", "seat_spacing", "seat_spaceing")
    d = change(study, "sources.toml", "[70.0, ", "[nan, ")
    assert faults(study) == [
        f'study.toml:{a}: titel: unknown key; did you mean "title"?',
        f'venue.toml:{b}: air.temprature: unknown key; did you mean "temperature"?',
        f'venue.toml:{c}: audience[0].seat_spaceing: unknown key; did you mean "seat_spacing"?',
        f"sources.toml:{d}: source[0].level[0]: nan and inf are not allowed here; expected a number at 63 Hz",
    ]


def test_names_cannot_break_or_colour_the_message(study: Path) -> None:
    line = change(study, "sources.toml", "position", '"po\\n\\u001b[31m"')
    assert faults(study) == [
        rf'sources.toml:{line}: source[0]."po\n\x1b[31m": the key contains the character U+000A, which cannot be '
        "printed; rename it"
    ]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("a\\u001b[31m", "U+001B, which cannot be printed"),
        ("a\\u0000b", "U+0000, which cannot be printed"),
        ("abc\\u202egnp", "U+202E RIGHT-TO-LEFT OVERRIDE, which cannot be printed"),
        ("a\\u2066b", "U+2066 LEFT-TO-RIGHT ISOLATE, which cannot be printed"),
        ("a\\ufeffb", "U+FEFF ZERO WIDTH NO-BREAK SPACE, which cannot be printed"),
        ("two\\nlines", "a name must be on one line"),
        ("a\\tb", "a name must be on one line"),
    ],
)
def test_characters_that_no_name_may_hold(study: Path, name: str, said: str) -> None:
    line = change(study, "sources.toml", 'name = "', f'name = "{name}')
    (fault,) = faults(study)
    assert fault.startswith(f"sources.toml:{line}: source[0].name: ")
    assert said in fault
    assert fault.isprintable()


@pytest.mark.parametrize("name", ["Hôtel\u00a0de ville", "می\u200cخواهم", "क\u094d\u200dष", "展示厅", "🎪 tent"])
def test_names_in_any_script(study: Path, name: str) -> None:
    change(study, "study.toml", 'title = "', f'title = "{name}')
    assert read_study(study).document.title.startswith(name)


def test_a_description_may_have_several_lines(study: Path) -> None:
    change(study, "study.toml", 'name = "', 'description = """one\n\ttwo"""\nname = "')
    assert read_study(study).document.scenario[0].description == "one\n\ttwo"


def test_a_message_is_bounded(study: Path) -> None:
    change(study, "study.toml", "title", f'"{"k" * 60_000}" = 1\ntitle')
    (fault,) = faults(study)
    assert len(fault) < 1_000
    assert "unknown key; known here: schema, title" in fault


# --- names between files --------------------------------------------------------------------------------


def test_unknown_and_repeated_elements_of_a_scenario(study: Path) -> None:
    line = change(study, "study.toml", '["east drape", "sheet"]', '["east drap", "sheet", "sheet"]')
    assert faults(study) == [
        f'study.toml:{line}: scenario[3].elements[0]: no element is called "east drap". '
        "Did you mean 'east drape'?",
        f'study.toml:{line}: scenario[3].elements[2]: "sheet" is listed twice in this scenario',
    ]


def test_names_are_unique(study: Path) -> None:
    a = change(study, "study.toml", 'name = "both"', 'name = "sheet"')
    change(study, "elements.toml", 'name = "occupied"', 'name = "sheet"')
    lines = (study.parent / "elements.toml").read_text().splitlines()
    b = [number for number, line in enumerate(lines, start=1) if line == 'name = "sheet"'][1]
    c = change(study, "study.toml", '["occupied"]', '["sheet"]')
    assert c < a
    assert faults(study) == [
        f'study.toml:{a}: scenario[3].name: "sheet" is the name of scenario[2] too; '
        "every name here must be different",
        f'elements.toml:{b}: drape[1].name: "sheet" is the name of crowd[0] too; '
        "every name here must be different",
    ]


def test_compare_with(study: Path) -> None:
    change(study, "study.toml", 'name = "both"', 'name = "both"\ncompare_with = "bare"')
    assert read_study(study).document.scenario[3].compare_with == "bare"
    line = change(study, "study.toml", '"bare"', '"shet"')
    assert fault(study) == (
        f"study.toml:{line}: scenario[3].compare_with: no scenario is called \"shet\". Did you mean 'sheet'?"
    )
    change(study, "study.toml", '"shet"', '"both"')
    assert "cannot be compared with itself" in fault(study)


def test_bare_scenario_has_no_elements(study: Path) -> None:
    change(study, "study.toml", 'name = "both"', 'name = "bare"')
    assert '"bare" is the bare venue and has no elements; give this scenario another name' in fault(study)
    change(study, "study.toml", 'elements = ["east drape", "sheet"]', "elements = []")
    assert read_study(study).warnings == ()


def test_materials_fabrics_and_areas_exist(study: Path) -> None:
    a = change(study, "venue.toml", '"of_floor"', '"of_flor"')
    b = change(study, "elements.toml", '"seats"', '"seat"')
    c = change(study, "elements.toml", '"crowd"', '"test_wool"')
    d = change(study, "elements.toml", 'fabric = "test_wool"', 'fabric = "test_wol"')
    found = faults(study)
    assert any(
        text.startswith(f'venue.toml:{a}: surfaces.floor: no material is called "of_flor". Did')
        for text in found
    )
    assert (
        f"elements.toml:{b}: crowd[0].areas[0]: no audience area is called \"seat\". Did you mean 'seats'?"
        in found
    )
    assert any(
        text.startswith(
            f'elements.toml:{c}: crowd[0].material: "test_wool" is a fabric, but a material is needed here.'
        )
        for text in found
    )
    assert any(
        text.startswith(f'elements.toml:{d}: drape[0].fabric: no fabric is called "test_wol". Did')
        for text in found
    )
    assert len(found) == 4


def test_tabulated_directivity_is_found_and_read(study: Path) -> None:
    line = change(
        study,
        "sources.toml",
        'name = "talker"',
        'name = "talker"\ndirectivity = { kind = "tabulated", file = "a.csv" }',
    )
    assert fault(study).startswith(
        f'sources.toml:{line + 1}: source[0].directivity.file: no such file: "a.csv"'
    )
    (study.parent / "a.csv").write_text("azimuth_deg,elevation_deg,f_hz,level_db\n0,0,1000,x\n")
    assert fault(study).startswith('a.csv:2: level_db must be a number with a decimal point, got "x"')


def test_noise_by_name_and_as_a_sum(study: Path) -> None:
    text = (study.parent / "study.toml").read_text()
    line = next(line for line in text.splitlines() if line.startswith("noise = "))
    spectra = '\n[noise_spectra]\n"rain on the roof" = [60, 60, 60, 60, 60, 60, 60, 60]\n'

    def with_noise(written: str) -> None:
        (study.parent / "study.toml").write_text(text.replace(line, f"noise = {written}") + spectra)

    with_noise('"NR 35"')
    document = read_study(study).document
    assert document.noise_of(document.scenario[0])[4] == 35.0
    # Two equal spectra: 3.01 dB more; a curve 30 dB below adds 0.004 dB.
    with_noise('["rain on the roof", "rain on the roof", "NR 0"]')
    document = read_study(study).document
    assert document.noise_of(document.scenario[0])[4] == pytest.approx(63.0103, abs=1e-3)
    with_noise('"rain on roof"')
    assert 'noise: no noise is called "rain on roof"; write a curve such as "NR 35"' in fault(study)
    assert "Did you mean 'rain on the roof'?" in fault(study)
    with_noise('"NR 300"')
    assert "noise: NR curves are defined from 0 to 130" in fault(study)
    with_noise("[30, 30]")
    assert "noise: expected eight numbers in brackets, 63 Hz to 8 kHz; there are 2" in fault(study)
    with_noise('["NR 30", 4]')
    assert "noise[1]: expected text in quotes, got 4" in fault(study)
