"""The page of checks is complete, agrees with the tests, and is written by a run that can fail."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import validation_registry
from validation_registry import DERIVED, FOUND, MEMORY, OTHER_TESTS, TOPICS, all_checks
from validation_report import Comparison, Recorder, page, tests_in

ROOT = Path(__file__).parents[1]
PAGE = (ROOT / "docs" / "validation.md").read_text("utf-8")


def test_the_committed_page_lists_every_registered_check_in_its_section():
    sections = PAGE.split("\n## ")
    for topic in TOPICS:
        (section,) = (part for part in sections if part.startswith(topic.title + "\n"))
        for check in topic.checks:
            start = f"| {check.what} | {check.source} | {check.mark} |".replace(
                "|cos(pi F tau)|", "\\|cos(pi F tau)\\|"
            )
            assert start in section, f"{check.test}: run pytest --validation-report docs/validation.md"


def test_every_check_on_the_committed_page_holds():
    for word in ("FAILS", "not run", "skipped"):
        assert word not in PAGE
    n = len(all_checks())
    assert f"{n} of {n} checks hold" in PAGE
    assert PAGE.count("| holds |") == n


def test_every_registered_check_is_a_test():
    known = tests_in(["analytic", "standards", "statistical", "unit"])
    assert set(all_checks()) <= known, set(all_checks()) - known


def test_every_test_of_the_physics_is_registered():
    """A new test in tests/analytic or tests/standards goes into the registry, with its source, and the page is
    written anew: `pytest --validation-report docs/validation.md` (some two minutes)."""
    others = {f"{file}::test_{name}" for file, names in OTHER_TESTS.items() for name in names}
    known = tests_in(["analytic", "standards"])
    missing = sorted(known - set(all_checks()) - others)
    assert not missing, f"to be added to tests/validation_registry.py: {missing}"
    assert others <= known, others - known  # tests that no longer exist must not be listed


def test_every_check_says_where_its_value_comes_from():
    for check in all_checks().values():
        assert check.mark in (FOUND, DERIVED, MEMORY), check.test
        assert check.what.strip() and check.source.strip(), check.test


def test_the_closest_call_is_shown():
    recorder = Recorder()
    recorder.start()
    recorder.note(1.0, 1.001, 0.01)
    recorder.note([2.0, 3.0], [2.0, 3.009], 0.01)
    recorder.note("text", "text", 0.0)
    assert recorder.n == 3
    assert recorder.closest == Comparison(3.0, 3.009, 0.01)
    recorder.note(5.0, np.nan, 0.01)  # values that cannot be evaluated are not shown
    assert recorder.n == 3


def test_a_failure_is_on_the_page():
    test = next(iter(all_checks()))
    text = page({test: "failed"}, {test: (1, Comparison(1.0, 1.2, 0.5))})
    assert "**FAILS**" in text
    assert f"0 of {len(all_checks())} checks hold" in text
    assert "| 1 | 1.2 | 0.5 | 1 | **FAILS** |" in text


FILE = """
import numpy as np
import pytest
from agreement import Disagreement, assert_agrees

@pytest.mark.parametrize("n", [1, 2])
def test_swapping_source_and_receiver_changes_nothing(n):
    assert 1.0 + 0.001 * n == pytest.approx(1.0, abs=0.01)
    np.testing.assert_allclose([5.0], [5.0])
    with pytest.raises(Disagreement):
        assert_agrees(9.0, 0.1, 1.0, n_checks=1)

def test_printed_case():
    assert_agrees(7.0, 1.0, 7.5, n_checks=1, false_alarm=0.05, slack=0.1)
    assert 1 == 2
"""


def test_a_run_writes_what_it_compared(tmp_path):
    """A separate run: numbers of all parameters together, controls left out, failures reported."""
    folder = tmp_path / "tests" / "analytic"
    folder.mkdir(parents=True)
    (folder / "test_image_sources.py").write_text(FILE)
    (tmp_path / "tests" / "conftest.py").write_text((ROOT / "tests" / "conftest.py").read_text("utf-8"))
    (tmp_path / "pyproject.toml").write_text("[tool.pytest.ini_options]\n")
    ran = subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:cacheprovider",
            "tests",
            "--validation-report",
            "page.md",
        ],
        cwd=tmp_path,
        env={"PYTHONPATH": str(ROOT / "tests"), "PATH": ""},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 1, ran.stdout + ran.stderr  # one of the two tests fails
    text = (tmp_path / "page.md").read_text("utf-8")
    checks = all_checks()
    swapped = checks["analytic/test_image_sources.py::test_swapping_source_and_receiver_changes_nothing"]
    assert f"| {swapped.what} | {swapped.source} | derived | 1 | 1.002 | 0.01 | 4 | holds |" in text
    # 1.96 standard errors and the slack.
    printed = checks["analytic/test_image_sources.py::test_printed_case"]
    assert f"| {printed.what} | {printed.source} | derived | 7.5 | 7 | 2.1 | 1 | **FAILS** |" in text
    assert f"1 of {len(checks)} checks hold, with 5 numbers compared." in text


def test_no_check_is_registered_twice(monkeypatch):
    monkeypatch.setattr(validation_registry, "TOPICS", (*TOPICS, TOPICS[0]))
    with pytest.raises(ValueError, match="twice"):
        all_checks()
