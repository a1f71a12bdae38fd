"""Pictures come out the same however many processes draw them, and whatever becomes of these."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from invented_results import invented_results

from roomsim.errors import StoreError
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


def test_interruption_leaves_no_process(tmp_path, helpers, monkeypatch):
    def interrupted(*_, **__):
        assert helpers[0].poll() is None
        raise KeyboardInterrupt

    monkeypatch.setattr(pictures, "save_figure", interrupted)
    # The helper is told to wait, so that it is at work when this process is interrupted.
    monkeypatch.setattr(pictures, "_HELPER", "import time; time.sleep(60)")
    with pytest.raises(KeyboardInterrupt):
        pictures.write_pictures(RESULTS, LIST, tmp_path, ("svg",), processes=2)
    with pytest.raises(ProcessLookupError):
        os.kill(helpers[0].pid, 0)
