"""Pictures come out the same however many processes draw them, and whatever becomes of these."""

from __future__ import annotations

import dataclasses
import errno
import os
import shutil
import stat
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest
from invented_results import invented_results

import roomsim
from roomsim import files
from roomsim.errors import PictureWarning, StoreError
from roomsim.report import pictures
from roomsim.report.figures import intelligibility_figure, seats_figure

RESULTS = invented_results()
LIST = [
    pictures.Picture(f"{draw.__name__}_{i}", "about", draw)
    for i in range(4)
    for draw in (seats_figure, intelligibility_figure)
]
"""Enough for two processes."""


@pytest.fixture
def helpers(monkeypatch):
    """Those that are started while a test runs."""
    started = []
    popen = subprocess.Popen

    def start(*given, **more):
        started.append(popen(*given, **more))
        return started[-1]

    monkeypatch.setattr(subprocess, "Popen", start)
    return started


def content(folder) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_any_number_of_processes_draws_the_same(tmp_path, helpers):
    alone = pictures.write_pictures(RESULTS, LIST, tmp_path / "alone", ("svg",), processes=1)
    assert not helpers
    assert [path.stem for path in alone] == [picture.name for picture in LIST]
    together = pictures.write_pictures(RESULTS, LIST, tmp_path / "together", ("svg",), processes=2)
    assert [helper.returncode for helper in helpers] == [0]
    assert [path.name for path in together] == [path.name for path in alone]
    assert content(tmp_path / "together") == content(tmp_path / "alone")


def test_few_pictures_start_no_process(tmp_path, helpers):
    pictures.write_pictures(RESULTS, LIST[:2], tmp_path, ("svg",), processes=8)
    assert not helpers


@pytest.mark.parametrize("program", ["no/such/program", "false"])
def test_what_a_helper_leaves_is_drawn_all_the_same(tmp_path, monkeypatch, program):
    monkeypatch.setattr(sys, "executable", program)
    paths = pictures.write_pictures(RESULTS, LIST, tmp_path / "drawn", ("svg",), processes=2)
    assert len(content(tmp_path / "drawn")) == len(paths) == len(LIST)


def test_fault_of_a_helper_is_told_with_its_file(tmp_path, helpers):
    (tmp_path / f"{LIST[1].name}.svg").mkdir()  # in the share of the helper
    with pytest.raises(StoreError, match=LIST[1].name):
        pictures.write_pictures(RESULTS, LIST, tmp_path, ("svg",), processes=2)
    assert (tmp_path / f"{LIST[0].name}.svg").is_file()
    assert helpers[0].returncode != 0


def test_picture_that_cannot_be_drawn_costs_itself_alone(tmp_path, helpers):
    broken = [pictures.Picture(name, "about", broken_figure) for name in ("first", "last")]
    (tmp_path / "first.svg").write_text("of an earlier run")
    with pytest.warns(PictureWarning) as told:
        # The first is in the share of this process, the last in that of the helper.
        paths = pictures.write_pictures(RESULTS, [broken[0], *LIST, broken[1]], tmp_path, ("svg",), processes=2)
    said = [str(warning.message) for warning in told]
    assert sorted(said) == [
        f"the picture '{name}' could not be drawn (ZeroDivisionError: by nothing)." for name in ("first", "last")
    ]
    assert {path.name for path in paths} == {f"{picture.name}.svg" for picture in LIST}
    assert {path.name for path in tmp_path.iterdir()} == {path.name for path in paths} | {"first.svg"}
    assert (tmp_path / "first.svg").read_text() == "of an earlier run"
    assert helpers[0].returncode == 1


def broken_figure(results):
    raise ZeroDivisionError("by nothing")


@pytest.mark.parametrize("kind", ["png", "svg", "pdf"])
def test_picture_that_cannot_be_written_leaves_the_one_before(tmp_path, monkeypatch, kind):
    pictures.write_pictures(RESULTS, LIST[:1], tmp_path, (kind,))
    before = content(tmp_path)

    def full(handle):
        if stat.S_ISREG(os.fstat(handle).st_mode):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(StoreError, match=r"seats_figure_0\..*No space left"):
        pictures.write_pictures(dataclasses.replace(RESULTS, title="another"), LIST[:1], tmp_path, (kind,))
    assert content(tmp_path) == before


# --- processes of its own -------------------------------------------------------------------------------

PLANTED = (
    *("pickle", "os", "threading", "importlib", "numpy", "json", "matplotlib", "h5py", "zlib", "sitecustomize"),
    *("usercustomize", "site", "roomsim", "PIL"),
)
"""Modules that drawing imports, or that Python looks for as it starts."""


def test_nothing_is_run_from_the_working_folder_or_the_environment(tmp_path, helpers, monkeypatch):
    """As where a study received from a stranger is run in its own folder."""
    theirs, alone, together = tmp_path / "theirs", tmp_path / "alone", tmp_path / "together"
    theirs.mkdir()
    for name in PLANTED:
        (theirs / f"{name}.py").write_text(f"open({str(tmp_path / 'ran')!r}, 'a').write({name!r})\n")
    (theirs / "matplotlibrc").write_text("font.size: 40\nlines.linewidth: 9\ntext.usetex: True\n")
    monkeypatch.chdir(theirs)
    monkeypatch.setenv("PYTHONPATH", str(theirs))
    monkeypatch.setattr(sys, "path", ["", str(theirs), ".", *sys.path])
    # The control: the folder is one that would be imported from.
    subprocess.run([sys.executable, "-c", "import pickle"], check=False, stderr=subprocess.DEVNULL)
    assert (tmp_path / "ran").exists()
    (tmp_path / "ran").unlink()
    pictures.write_pictures(RESULTS, LIST, together, ("svg",), processes=2)
    assert [helper.returncode for helper in helpers[1:]] == [0]  # the first is the control
    assert not (tmp_path / "ran").exists()
    monkeypatch.chdir(tmp_path)
    pictures.write_pictures(RESULTS, LIST, alone, ("svg",), processes=1)
    assert content(together) == content(alone)


def test_process_draws_with_the_very_program_that_started_it(tmp_path, helpers):
    """A copy that nothing is installed of, as with a clone on PYTHONPATH."""
    root = Path(roomsim.__file__).parent
    shutil.copytree(root, tmp_path / "clone" / "roomsim", ignore=shutil.ignore_patterns("__pycache__"))
    note = f"open({str(tmp_path / 'ran')!r}, 'w').write('the clone')\n"
    with (tmp_path / "clone/roomsim/report/style.py").open("a") as style:
        style.write(note)
    code = (
        "import sys, pathlib\n"
        f"sys.path.insert(0, {str(tmp_path / 'clone')!r})\n"
        "import roomsim.report.pictures as pictures\n"
        "assert pictures.__file__.startswith(sys.path[0])\n"
        f"open({str(tmp_path / 'ran')!r}, 'w').close()\n"
        f"with pictures._helpers([pictures._import_path]) as helpers:\n"
        "    code = helpers[0].wait()\n"
        "print(code)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path / "clone", capture_output=True, text=True, check=True
    )
    assert done.stdout == "1\n"  # what it was told to do gives a list that is not empty
    assert (tmp_path / "ran").read_text() == "the clone"


def test_interruption_leaves_no_process(tmp_path, helpers, monkeypatch):
    def interrupted(*_, **__):
        assert helpers[0].poll() is None
        raise KeyboardInterrupt

    monkeypatch.setattr(pictures, "save_figure", interrupted)
    with pytest.raises(KeyboardInterrupt):
        pictures.write_pictures(RESULTS, LIST, tmp_path, ("svg",), processes=2)
    with pytest.raises(ProcessLookupError):
        os.kill(helpers[0].pid, 0)


def test_process_whose_parent_has_gone_leaves_no_unfinished_file(tmp_path):
    with pictures._helpers([partial(files.replace_file, tmp_path / "a.png", bytes(1 << 26))]) as (helper,):
        while not list(tmp_path.iterdir()) and helper.poll() is None:
            time.sleep(0.001)
        helper.stdin.close()
        helper.wait()
    assert [path.name for path in tmp_path.iterdir() if path.name != "a.png"] == []


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_no_process_outlives_one_that_was_killed():
    code = (
        "import sys, time, functools\n"
        "from roomsim.report import pictures\n"
        "with pictures._helpers([functools.partial(time.sleep, 600)] * 2) as helpers:\n"
        "    print(*(helper.pid for helper in helpers), flush=True)\n"
        "    time.sleep(600)\n"
    )
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    children = [int(number) for number in parent.stdout.readline().split()]
    assert len(children) == 2
    assert all(is_alive(child) for child in children)
    parent.kill()
    parent.wait()
    for _ in range(600):
        if not any(is_alive(child) for child in children):
            return
        time.sleep(0.05)
    pytest.fail("went on after half a minute")


def is_alive(process: int) -> bool:
    """Also says no of one that is dead but that nobody has asked after yet."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        if sys.platform == "linux":
            return False
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True
