"""Every command, killed, stopped and with a failing disk at its operations: the files left, and how it resumes.

Together with the other tests, only some operations are tested, at regular distances. All of them take some two hours of
processor time, in parts that can run in parallel:

    pytest -n 16 tests/stages/test_faults.py --every-operation

In every case each file has either its old or its new content, the message states the cause, and the same command, run
again, ends with bit-identical files and leaves no temporary files.
"""

from __future__ import annotations

import errno
import io
import os
import shutil
import sys
import warnings
from collections.abc import Sequence
from pathlib import Path
from types import ModuleType

import pytest
from disk_faults import (
    FULL,
    KILLED,
    READ_ONLY,
    REFUSED,
    STOPPED,
    Fault,
    Trial,
    contents,
    run,
    trials,
    unfinished,
)
from venues import write_shoebox

from roomsim.cli.application import execute
from roomsim.report import directivity_figures, figures, pages, planning_figures, system_figures
from roomsim.scene import drawing
from roomsim.study import traced_paths

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="needs fork and SIGKILL")

STUDY = {
    "precision": {"sti": 0.2, "max_rays": 2000},
    "uncertainty": {"draws": 0},
    "costs": {"currency": "EUR", "labour_rate": 40.0, "budget": 5000.0},
}
COMMANDS = {
    "run": (17, ["run", "study.toml", "--threads", "1", "--no-pictures", "--quiet"]),
    "plan": (31, ["plan", "study.toml", "--threads", "1", "--no-pictures", "--quiet", "--sets", "16"]),
    "export": (3, ["export", "study.roomsim"]),
    "maps": (4, ["maps", "study.roomsim", "--scenario", "bare"]),
    "system": (4, ["system", "study.toml", "--quiet", "--format", "svg"]),
}
"""By name: how far the operations that are tried lie apart, and the command. Each meets the next of the faults."""
FAULTS = (KILLED, STOPPED, REFUSED, FULL, READ_ONLY)
PARTS = 16
"""Into which all operations of a command are divided."""


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "part" in metafunc.fixturenames:
        every = metafunc.config.getoption("--every-operation")
        metafunc.parametrize("part", range(PARTS) if every else [None])


@pytest.fixture(scope="module", autouse=True)
def few_rays():
    """Batches of a few rays: these tests ask nothing of acoustics."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(traced_paths, "RAYS_PER_BATCH", 64)
        yield


@pytest.fixture(scope="module")
def home(tmp_path_factory) -> Path:
    """A study that has been run: `export` and `maps` go on from there. Everything is compiled and imported."""
    folder = tmp_path_factory.mktemp("home")
    write_shoebox(folder, seats=(2, 1), absorption=0.3, study=STUDY)
    run(COMMANDS["run"][1], folder)
    return folder


@pytest.mark.parametrize("name", COMMANDS)
def test_nothing_is_cut_lost_or_hidden(name: str, part: int | None, home: Path, tmp_path: Path) -> None:
    (step, command), every = COMMANDS[name], part is not None
    fresh = tmp_path / "fresh"
    shutil.copytree(home, fresh)
    if name in ("run", "plan"):
        shutil.rmtree(fresh / "study.roomsim")
    elif name != "system":
        # What an earlier command left must not be lost; it is told from what this one writes.
        shutil.copytree(fresh, tmp_path / "old")
        run(command, tmp_path / "old")
        for path in (tmp_path / "old").rglob("*.*"):
            if path.suffix in (".csv", ".png", ".svg"):
                (fresh / path.relative_to(tmp_path / "old")).parent.mkdir(exist_ok=True)
                (fresh / path.relative_to(tmp_path / "old")).write_bytes(b"of an earlier command")
    before = contents(fresh)

    def faults_at(number: int) -> Sequence[Fault]:
        if every:
            return FAULTS if number % PARTS == part else []
        return [FAULTS[number // step % len(FAULTS)]] if number % step == 0 else []

    found = trials(command, fresh, faults_at)
    after = contents(fresh)
    assert {trial.fault for trial in found} == set(FAULTS)
    for trial in found:
        as_left(trial, before, after)
    for trial in found if every else found[len(found) // 2 :][:1]:
        run(command, trial.folder)
        assert contents(trial.folder) == after, trial
        assert unfinished(trial.folder) == [], trial


def as_left(trial: Trial, before: dict, after: dict) -> None:
    """What holds right after a fault."""
    left = contents(trial.folder)
    for path in left.keys() | before.keys():
        assert left.get(path) in (before.get(path), after.get(path)), f"{path}, {trial}"
    assert "Traceback" not in trial.said, trial
    assert "fault" not in trial.said, trial
    if trial.fault is KILLED:
        assert trial.status == -trial.fault.signal, trial
    elif trial.fault is STOPPED:
        assert trial.status == 143, trial
        assert unfinished(trial.folder) == [], trial
    elif trial.status == 0:
        # It was something that can be done without, such as deleting the note of who holds the folder.
        assert left == after, trial
    else:
        assert trial.status == 4, trial
        assert os.strerror(trial.fault.error) in trial.said, trial


def broken(*_: object, **__: object) -> None:
    raise ZeroDivisionError("by nothing")


@pytest.mark.parametrize(
    ("command", "module", "draws", "lost"),
    [
        (["run", "study.toml"], figures, "value_figure", "value"),
        (["plan", "study.toml", "--sets", "16"], planning_figures, "contributions_figure", "plan_contributions"),
        (["maps", "study.roomsim"], pages, "map_page", "sti_01_bare"),
        (["charts", "study.roomsim"], figures, "seats_figure", "seats"),
        (["system", "study.toml"], system_figures, "arrival_figure", "arrival_order"),
        (["system", "study.toml"], directivity_figures, "box_directivity", "directivity_1"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_picture_that_cannot_be_drawn_costs_itself_alone(
    command: list[str], module: ModuleType, draws: str, lost: str, home: Path, tmp_path: Path, monkeypatch, capsys
) -> None:
    """All else is there, a warning names it, and the exit code says that something is missing."""
    shutil.copytree(home, tmp_path / "work")
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.setattr(module, draws, broken)
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    shutil.rmtree("study.roomsim/tables")
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        assert execute(command) == 1
    said = capsys.readouterr()
    assert f"Warning: the picture '{lost}" in said.err
    assert "ZeroDivisionError: by nothing" in said.err
    assert command[0] not in ("run", "system") or "STI" in said.out
    drawn = {path.stem for path in Path().rglob("*.png")}
    assert drawn
    assert lost not in drawn
    assert Path("study.roomsim/tables/seats.csv").exists() == (command[0] == "run")


@pytest.mark.parametrize(
    ("command", "results", "picture"),
    [
        (["run", "study.toml"], "study.roomsim/results.h5", "study.roomsim/pictures/sti_all.png"),
        (
            *(["plan", "study.toml", "--sets", "16"], "study.roomsim/plan.h5"),
            "study.roomsim/pictures/plan_contributions.png",
        ),
        (["system", "study.toml"], "study.system/level_maps.svg", "study.system/level_maps.png"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
def test_plan_of_the_venue_that_cannot_be_drawn_costs_no_results(
    command: list[str], results: str, picture: str, home: Path, tmp_path: Path, monkeypatch, capsys
) -> None:
    """The plan lies in the results and is drawn while they are put together: maps then show the seats without it."""
    shutil.copytree(home, tmp_path / "work")
    monkeypatch.chdir(tmp_path / "work")
    Path(results).unlink(missing_ok=True)
    monkeypatch.setattr(drawing, "level_section", broken)
    with warnings.catch_warnings():
        warnings.simplefilter("always")
        assert execute(command) == 1
    said = capsys.readouterr()
    assert "Warning: the plan of the venue could not be drawn (ZeroDivisionError: by nothing)" in said.err
    assert said.err.count("could not be drawn") == 1
    assert "STI" in said.out
    assert Path(results).is_file() and Path(picture).is_file()


class Refusing(io.StringIO):
    """Standard output on a full disk, or into a pipe that nobody reads."""

    def __init__(self, error: int):
        super().__init__()
        self._error = error

    def write(self, text: str) -> int:
        raise OSError(self._error, os.strerror(self._error))


@pytest.mark.parametrize(("error", "code"), [(errno.ENOSPC, 4), (errno.EPIPE, 0)])
def test_tables_that_nobody_takes_cost_no_file(
    error: int, code: int, home: Path, tmp_path: Path, monkeypatch, capsys
) -> None:
    shutil.copytree(home, tmp_path / "work")
    monkeypatch.chdir(tmp_path / "work")
    monkeypatch.setattr(sys, "stdout", Refusing(error))
    assert execute(COMMANDS["system"][1]) == code
    assert ("standard output: cannot write: No space left" in capsys.readouterr().err) == (code == 4)
    assert Path("study.system/level_maps.svg").exists()


def test_the_harness_finds_what_is_written_in_place(home: Path, tmp_path: Path, monkeypatch) -> None:
    """The control: with files that have their final name before their content, the same faults leave cut ones."""

    def write_in_place(path: Path, content: bytes) -> None:
        with path.open("wb") as file:
            file.write(content)

    monkeypatch.setattr("roomsim.report.export.replace_file", write_in_place)
    shutil.copytree(home, tmp_path / "work")
    before = contents(tmp_path / "work")
    for trial in trials(COMMANDS["export"][1], tmp_path / "work", lambda k: [KILLED] if k % 4 == 0 else []):
        try:
            as_left(trial, before, before)
        except (AssertionError, ValueError):
            return
    pytest.fail("none was found")


