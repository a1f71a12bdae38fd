"""From description files to tables and pictures, as a user goes: through the command line and the library."""

from __future__ import annotations

import csv
import json
import os
import re
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import click
import numpy as np
import pytest
from venues import write_shoebox

import roomsim
from roomsim.cli.application import application, execute
from roomsim.study.store import StudyStore

README = Path(__file__).parents[2] / "README.md"
COSTS = {"currency": "EUR", "labour_rate": 40.0, "fixed": 100.0, "budget": 500.0}


def box(folder: Path, **study) -> Path:
    """A study of a small, dead box with cloth on a wall and a free line: computed in a second."""
    settings = {"costs": COSTS, "precision": {"sti": 0.05}, "targets": {"sti": 0.6}, **study}
    return write_shoebox(folder, absorption=0.3, free_sheet=True, study=settings)


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    """A finished run: path of the study, exit code, what it printed on both streams."""
    study = box(tmp_path_factory.mktemp("box"))
    # The environment said: a line editor under the test runner may have put a width of its own beside it.
    ran = subprocess.run(
        [sys.executable, "-m", "roomsim", "run", study],
        capture_output=True,
        text=True,
        check=False,
        env=dict(os.environ),
    )
    return study, ran


@pytest.fixture(scope="module")
def folder(done):
    return done[0].with_suffix(".roomsim")


# --- run ------------------------------------------------------------------------------------------------


def test_run_prints_the_comparison_and_says_where_everything_is(done):
    study, ran = done
    assert ran.returncode == 0, ran.stderr
    for scenario in ("bare", "occupied", "east drape", "sheet", "both"):
        assert scenario in ran.stdout
    assert "±" in ran.stdout
    assert "competent person" in ran.stdout
    assert "Tracing: 100 %" in ran.stderr
    assert f"The results are in {study.with_suffix('.roomsim')}" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_run_leaves_results_tables_pictures_and_inputs(done, folder):
    names = {path.relative_to(folder).as_posix() for path in folder.rglob("*")}
    assert {"results.h5", "tables/comparison.csv", "tables/seats.csv", "tables/comparison.json"} <= names
    for stem in (
        "sti_all",
        "sti_gain",
        "sti_03_east_drape",
        "reverberation",
        "intelligibility",
        "value",
        "seats",
    ):
        assert {f"pictures/{stem}.png", f"pictures/{stem}.svg"} <= names
    for name in ("study.toml", "venue.toml", "shell.obj"):
        assert (folder / "study" / name).read_bytes() == (done[0].parent / name).read_bytes()


def test_pictures_are_sound(folder):
    for path in (folder / "pictures").iterdir():
        if path.suffix == ".png":
            assert path.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
        else:
            assert ElementTree.parse(path).getroot().tag.endswith("svg")


def test_tables_hold_what_the_results_hold(folder):
    results = roomsim.load(folder)
    with (folder / "tables" / "seats.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(results.positions) * len(results.scenarios)
    written = np.array([float(row["STI"]) for row in rows]).reshape(len(results.positions), -1)
    # Six digits are written.
    assert written == pytest.approx(results.seats["speech_transmission_index"].value, rel=5e-6)


def test_more_people_and_cloth_make_a_dead_box_deader(folder):
    # No check of figures, but that scenarios are not mixed up on the way: absorption shortens decays.
    results = roomsim.load(folder)
    names = [scenario.name for scenario in results.scenarios]
    change = results.room_gains["reverberation_time_t20"]
    at_1_khz = change.value[:, 4]
    for name in ("occupied", "east drape", "both"):
        assert at_1_khz[names.index(name)] < 0.0
        assert change.is_significant()[names.index(name), 4]
    assert at_1_khz[names.index("both")] < at_1_khz[names.index("east drape")]
    assert at_1_khz[names.index("bare")] == 0.0


def test_second_run_traces_nothing_again_and_gives_the_same(done, folder, capsys):
    before = {path: path.stat().st_mtime_ns for path in folder.glob("paths-*/*.h5")}
    first = roomsim.load(folder)
    assert execute(["run", str(done[0]), "--no-pictures", "--threads", "1", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert {path: path.stat().st_mtime_ns for path in folder.glob("paths-*/*.h5")} == before
    assert_same(first, roomsim.load(folder))
    assert found["precision_met"] is True
    assert [row["scenario"] for row in found["comparison"]["scenarios"]] == [s.name for s in first.scenarios]


def test_run_that_lost_half_its_paths_ends_with_the_same_bits(done, folder, tmp_path):
    again = tmp_path / "again.roomsim"
    shutil.copytree(folder, again)
    (again / "results.h5").unlink()
    for path in sorted(again.glob("paths-*/*.h5"))[::2]:
        path.unlink()
    assert execute(["run", str(done[0]), "--out", str(again), "--no-pictures", "--quiet"]) == 0
    assert_same(roomsim.load(folder), roomsim.load(again))


def test_interrupted_run_keeps_its_paths_and_goes_on(done, folder, tmp_path):
    # Interrupts itself once the first batches are in: a signal from outside would come at a time of chance.
    out = tmp_path / "out.roomsim"
    code = (
        "import os, signal, sys\n"
        "from roomsim.cli import display\n"
        "shown = display.Display.__call__\n"
        "def call(self, step):\n"
        "    if step.stage == 'Tracing' and step.done == 3:\n"
        "        os.kill(os.getpid(), signal.SIGINT)\n"
        "    shown(self, step)\n"
        "display.Display.__call__ = call\n"
        "from roomsim.cli.application import execute\n"
        f"sys.exit(execute(['run', {str(done[0])!r}, '--out', {str(out)!r}, '--threads', '1']))\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert ran.returncode == 130, ran.stderr
    assert "run the same command again to resum" in ran.stderr
    assert "Traceback" not in ran.stderr
    assert not (out / "results.h5").exists()
    kept = len(list(out.glob("paths-*/*.h5")))
    assert 3 <= kept < len(list(folder.glob("paths-*/*.h5")))
    assert roomsim.status(out).batches_kept == kept
    assert not roomsim.status(out).has_results
    assert execute(["run", str(done[0]), "--out", str(out), "--no-pictures", "--quiet"]) == 0
    assert_same(roomsim.load(folder), roomsim.load(out))


def assert_same(one, other):
    """Bit for bit, all figures at all seats."""
    assert one.seats.keys() == other.seats.keys()
    for name, estimate in one.seats.items():
        assert np.array_equal(estimate.value, other.seats[name].value, equal_nan=True), name
        assert np.array_equal(estimate.standard_error, other.seats[name].standard_error, equal_nan=True), name


def test_precision_that_was_not_reached_is_1_and_said(tmp_path, capsys):
    study = box(tmp_path, precision={"sti": 1e-6, "max_rays": 1000})
    assert execute(["run", str(study), "--no-pictures"]) == 1
    out, _ = capsys.readouterr()
    assert "precision" in out
    assert roomsim.status(study.with_suffix(".roomsim")).provenance["precision_met"] == "no"


def test_conflict_with_an_exit_is_refused(tmp_path, capsys):
    exit_door = {
        "name": "fire exit",
        "kind": "exit",
        "polygon": [[5.5, 1.0], [6.0, 1.0], [6.0, 2.0], [5.5, 2.0]],
    }
    study = write_shoebox(tmp_path, zones=[exit_door])
    assert execute(["check", str(study)]) == 1
    assert "fire exit" in capsys.readouterr().out
    assert execute(["run", str(study)]) == 3
    out, err = capsys.readouterr()
    assert out == ""
    assert "fire exit" in err
    assert "east drape" in err
    assert not study.with_suffix(".roomsim").exists()


def test_folder_in_use_is_4(done, folder, capsys):
    with StudyStore(folder):
        assert execute(["run", str(done[0]), "--no-pictures"]) == 4
    assert "in use" in capsys.readouterr().err


def test_foreign_folder_is_not_written_into(done, tmp_path, capsys):
    (tmp_path / "letters.txt").write_text("mine")
    assert execute(["run", str(done[0]), "--out", str(tmp_path)]) == 4
    assert [path.name for path in tmp_path.iterdir()] == ["letters.txt"]
    assert "Traceback" not in capsys.readouterr().err


# --- what reads a finished study ------------------------------------------------------------------------


def test_compare_tells_the_statistical_estimates(done, folder, capsys):
    assert execute(["compare", str(folder), "--statistics"]) == 0
    said = capsys.readouterr().out
    for words in ("Sabine", "Arau-Puchades", "Critical distance", "Peutz", "Schroeder"):
        assert words in said


def test_compare_says_what_the_run_said(done, folder, capsys):
    assert execute(["compare", str(folder)]) == 0
    assert capsys.readouterr().out == done[1].stdout
    assert execute(["compare", str(folder / "results.h5"), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["command"] == "compare"
    written = json.loads((folder / "tables" / "comparison.json").read_text("utf-8"))
    assert found["comparison"] == written


def test_maps_of_another_quantity_band_and_scenario(folder, tmp_path, capsys):
    arguments = ["maps", str(folder), "--quantity", "t20", "--band", "125", "--scenario", "east drape"]
    assert execute([*arguments, "--format", "svg", "--out", str(tmp_path)]) == 0
    written = capsys.readouterr().out.split()
    assert {Path(path).name for path in written} == {
        "t20_125_all.svg",
        "t20_125_gain.svg",
        "t20_125_03_east_drape.svg",
    }
    assert {str(path) for path in tmp_path.iterdir()} == set(written)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--quantity", "C55"], "C50"),
        (["--band", "130"], "125"),
        (["--scenario", "east draps"], "east drape"),
    ],
)
def test_what_is_not_there_is_named_with_near_misses(folder, arguments, words, capsys):
    assert execute(["maps", str(folder), *arguments]) == 3
    assert words in capsys.readouterr().err


def test_charts_and_export_say_what_they_write(folder, tmp_path, capsys):
    assert execute(["charts", str(folder), "--format", "pdf", "--out", str(tmp_path)]) == 0
    assert execute(["export", str(folder), "--out", str(tmp_path)]) == 0
    assert {str(path) for path in tmp_path.iterdir()} == set(capsys.readouterr().out.split())


def test_status_tells_precision_and_inputs(folder, capsys):
    assert execute(["status", str(folder), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["has_results"] is True
    assert found["scenarios"] == ["bare", "occupied", "east drape", "sheet", "both"]
    assert float(found["provenance"]["sti_error_reached"]) <= 0.05
    assert execute(["status", str(folder)]) == 0
    assert "sti error reached" in capsys.readouterr().out


@pytest.mark.parametrize("command", ["compare", "maps", "charts", "export", "status"])
def test_folder_without_results_is_4(command, tmp_path, capsys):
    assert execute([command, str(tmp_path)]) == 4
    out, err = capsys.readouterr()
    assert out == ""
    assert str(tmp_path) in err


def test_damaged_results_are_named(folder, tmp_path, capsys):
    path = tmp_path / "results.h5"
    path.write_bytes((folder / "results.h5").read_bytes()[:5000])
    assert execute(["compare", str(path)]) == 4
    err = capsys.readouterr().err
    assert "results.h5" in err
    assert "Traceback" not in err


# --- the library and the README -------------------------------------------------------------------------


def test_ten_lines_of_a_notebook(done, folder, tmp_path):
    # The lines of the README, on the small study.
    findings = roomsim.check(done[0])
    assert all(finding.severity != "error" for finding in findings)
    results = roomsim.run(done[0], sti_error=0.05)
    assert "east drape" in str(roomsim.compare(results))
    sti = results.seats["speech_transmission_index"]
    low, high = sti.interval()
    assert (low < sti.value).all() and (sti.value < high).all()
    assert roomsim.maps(results, tmp_path, quantities=["STI", "C50"], scenarios=["both"], formats=["svg"])
    assert_same(results, roomsim.load(folder))


def test_commands_of_the_readme_exist():
    lines = re.findall(r"^ +.*?\broomsim ((?:\w|-).*)$", README.read_text("utf-8"), re.MULTILINE)
    assert len(lines) >= 6
    for line in lines:
        words = line.split("#")[0].split()
        command: click.Command = application
        while words and isinstance(command, click.Group) and words[0] in command.commands:
            command = command.commands[words.pop(0)]
        assert command is not application, line
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in words if word.startswith("--")} <= known, line


def test_test_command_of_the_readme_is_what_the_checks_run():
    last = (README.parent / ".ci" / "run").read_text("utf-8").strip().splitlines()[-1]
    assert f"&& {last}\n" in README.read_text("utf-8")
