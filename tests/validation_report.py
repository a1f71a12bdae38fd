"""Writes docs/validation.md from a run of the tests: `pytest --validation-report docs/validation.md`.

While the tests run, every comparison that passes is recorded: the expected value, the computed value and the tolerance.
The page shows, for each test, the comparison that used most of its tolerance. Comparisons that fail are not recorded:
either the test fails, and the page says so, or it is a control that must fail.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import agreement
import numpy as np
import pytest
from validation_registry import TOPICS, Check, all_checks

PROPERTY = "validation"
ROOT = Path(__file__).parent


@dataclass(frozen=True)
class Comparison:
    """One computed number and its expected value."""

    expected: float
    got: float
    allowed: float

    @property
    def closeness(self) -> float:
        """Share of the tolerance that was used."""
        off = abs(self.got - self.expected)
        if off == 0.0:
            return 0.0
        return off / self.allowed if self.allowed > 0.0 else np.inf


class Recorder:
    """Records the comparisons of the running test."""

    def __init__(self) -> None:
        self.n = 0
        self.closest: Comparison | None = None

    def start(self) -> None:
        self.n, self.closest = 0, None

    def note(self, expected: Any, got: Any, allowed: Any) -> None:
        """Arrays that broadcast; values that cannot be compared as numbers are skipped."""
        try:
            arrays = [np.atleast_1d(np.asarray(a)) for a in (expected, got, allowed)]
            if any(a.dtype.kind == "c" for a in arrays):
                arrays[:2] = [a.astype(complex).view(float) for a in arrays[:2]]
                arrays[2] = arrays[2].max()
            arrays = [np.asarray(a).astype(float) for a in arrays]
            expected, got, allowed = (a.ravel() for a in np.broadcast_arrays(*arrays))
        except (TypeError, ValueError):
            return
        known = np.isfinite(expected) & np.isfinite(got) & np.isfinite(allowed)
        if not known.any():
            return
        self.n += int(known.sum())
        off = np.abs(got - expected)[known]
        used = np.divide(
            off, allowed[known], out=np.where(off > 0.0, np.inf, 0.0), where=allowed[known] > 0.0
        )
        worst = int(np.argmax(used))
        found = Comparison(*(float(a[known][worst]) for a in (expected, got, allowed)))
        if self.closest is None or found.closeness > self.closest.closeness:
            self.closest = found


class ValidationReport:
    """The plugin: records comparisons, collects verdicts, writes the page at the end."""

    def __init__(self, page: Path):
        self.page = page
        self.recorder = Recorder()
        self.outcomes: dict[str, str] = {}
        self.noted: dict[str, tuple[int, Comparison | None]] = {}
        self._listen()

    def _listen(self) -> None:
        """Intercept the three functions with which tests compare numbers."""
        recorder = self.recorder
        agrees, share = agreement.assert_agrees, agreement.assert_share
        allclose, equal = np.testing.assert_allclose, np.testing.assert_array_equal

        def assert_agrees(value: Any, standard_error: Any, truth: Any, **options: Any) -> None:
            agrees(value, standard_error, truth, **options)
            named = {k: options[k] for k in ("n_checks", "false_alarm", "degrees_of_freedom") if k in options}
            allowed = agreement.largest_ratio(**named) * np.asarray(standard_error) + options.get(
                "slack", 0.0
            )
            recorder.note(truth, value, allowed)

        def assert_share(n_true: int, n_total: int, probability: float, **options: Any) -> None:
            share(n_true, n_total, probability, **options)
            spread = np.sqrt(probability * (1.0 - probability) / n_total)
            named = {k: options[k] for k in ("n_checks", "false_alarm") if k in options}
            ratio = agreement.largest_ratio(**{"n_checks": 1, **named})
            recorder.note(probability, n_true / n_total, ratio * spread)

        def assert_allclose(
            actual: Any, desired: Any, rtol: float = 1e-7, atol: float = 0.0, *a: Any, **k: Any
        ) -> None:
            allclose(actual, desired, rtol, atol, *a, **k)
            recorder.note(desired, actual, atol + rtol * np.abs(np.asarray(desired)))

        def assert_array_equal(actual: Any, desired: Any, *a: Any, **k: Any) -> None:
            equal(actual, desired, *a, **k)
            recorder.note(desired, actual, 0.0)

        agreement.assert_agrees, agreement.assert_share = assert_agrees, assert_share
        np.testing.assert_allclose, np.testing.assert_array_equal = assert_allclose, assert_array_equal
        scalar: Any = type(pytest.approx(1.0))
        approximately: Callable[[Any, Any], bool] = scalar.__eq__

        def equals(self: Any, actual: Any) -> bool:
            holds = approximately(self, actual)
            if holds:
                recorder.note(self.expected, actual, self.tolerance)
            return holds

        scalar.__eq__ = equals

    @pytest.hookimpl(hookwrapper=True)
    def pytest_runtest_call(self, item: pytest.Item) -> Any:
        self.recorder.start()
        yield
        closest = self.recorder.closest
        numbers = None if closest is None else (closest.expected, closest.got, closest.allowed)
        # Sent with the report of the test, also from a worker process.
        item.user_properties.append((PROPERTY, (self.recorder.n, numbers)))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        test = test_of(report.nodeid)
        if report.when == "call" or report.outcome != "passed":
            order = ("passed", "skipped", "failed")
            self.outcomes[test] = max(self.outcomes.get(test, "passed"), report.outcome, key=order.index)
        for name, (n, numbers) in (
            p for p in report.user_properties if report.when == "call" and p[0] == PROPERTY
        ):
            assert name == PROPERTY
            before, closest = self.noted.get(test, (0, None))
            found = None if numbers is None else Comparison(*numbers)
            if closest is None or (found is not None and found.closeness > closest.closeness):
                closest = found
            self.noted[test] = (before + n, closest)

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        if not hasattr(session.config, "workerinput"):
            self.page.write_text(page(self.outcomes, self.noted), encoding="utf-8")


def test_of(nodeid: str) -> str:
    """ "tests/analytic/test_x.py::test_y[3]" -> "analytic/test_x.py::test_y"."""
    return nodeid.partition("[")[0].removeprefix("tests/")


test_of.__test__ = False  # type: ignore[attr-defined]


def page(outcomes: dict[str, str], noted: dict[str, tuple[int, Comparison | None]]) -> str:
    """The whole page."""
    checks = all_checks()
    verdicts = [verdict_of(test, outcomes) for test in checks]
    n_held = verdicts.count("holds")
    n_numbers = sum(noted[test][0] for test in checks if test in noted)
    lines = [_HEAD.format(n=len(checks), held=n_held, numbers=f"{n_numbers:,}")]
    for section in TOPICS:
        lines += [f"## {section.title}", ""]
        if section.remark:
            lines += [section.remark, ""]
        lines += [
            "| check | source of the expected value | mark | expected | computed | allowed ± | numbers | verdict |",
            "|---|---|---|---|---|---|---|---|",
            *(row(check, outcomes, noted) for check in section.checks),
            "",
        ]
    return "\n".join([*lines, _FOOT])


def row(check: Check, outcomes: dict[str, str], noted: dict[str, tuple[int, Comparison | None]]) -> str:
    n, closest = noted.get(check.test, (0, None))
    numbers = ("", "", "") if closest is None else _numbers(closest)
    cells = (
        check.what,
        check.source,
        check.mark,
        *numbers,
        str(n) if n else "",
        verdict_of(check.test, outcomes),
    )
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


def verdict_of(test: str, outcomes: dict[str, str]) -> str:
    return {"passed": "holds", "failed": "**FAILS**", "skipped": "skipped"}.get(
        outcomes.get(test, ""), "not run"
    )


def _numbers(comparison: Comparison) -> tuple[str, str, str]:
    """Expected and computed value, to one digit more than the tolerance shows."""
    allowed = comparison.allowed
    if allowed <= 0.0:
        return f"{comparison.expected:.6g}", f"{comparison.got:.6g}", "0"
    size = max(abs(comparison.expected), abs(comparison.got), allowed)
    digits = int(np.clip(np.ceil(np.log10(size / allowed)) + 2, 3, 10))
    return f"{comparison.expected:.{digits}g}", f"{comparison.got:.{digits}g}", f"{allowed:.2g}"


def tests_in(folders: Iterable[str]) -> set[str]:
    """All test functions below tests/, by reading the files."""
    import ast

    found = set()
    for folder in folders:
        for path in sorted((ROOT / folder).glob("test_*.py")):
            for node in ast.parse(path.read_text("utf-8")).body:
                if isinstance(node, ast.FunctionDef) and node.name.startswith("test"):
                    found.add(f"{folder}/{path.name}::{node.name}")
    return found


tests_in.__test__ = False  # type: ignore[attr-defined]

_HEAD = """# Validation

Written by the tests: `pytest --validation-report docs/validation.md` runs them and writes this page.
Do not edit it; the checks are listed in `tests/validation_registry.py`.

{held} of {n} checks hold, with {numbers} numbers compared.

**How to read the tables.** Each line is one test; "numbers" states how many values it compares with expected ones.
The comparison shown is the one that used most of its tolerance. The tolerance ("allowed") is printed precision,
rounding or a bound that the test derives; in statistical tests it is the multiple of the standard error that a
correct program exceeds with the false-alarm rate stated in the test (one in a million unless stated otherwise).
Tests of statistical laws have a control: a wrong law that must be rejected with the same settings. A line without
numbers checks a statement that is true or false.

**Marks.** *found*: the expected value was read in a copy of the source, often a transcription. *derived*: derived
for this project from first principles, by other means than the code under test: by hand, by another method, by a
general library. *from memory*: known from the named source, which was not read again. None of the expected values
comes from a room acoustics program.
"""

_FOOT = """## What is not checked here

- **Measured rooms.** No measured data come with the program, and this project has not made a comparison with a
  measured hall. `roomsim measured FOLDER` makes one with an open data set: see
  [measured_rooms.md](measured_rooms.md).
- **Effects that the model does not include**: diffraction round edges, interference of reflections, modes below the
  Schroeder frequency, attenuation at grazing incidence over seats, focusing beyond geometry. [theory.md](theory.md)
  states where they matter.
- **The data**: absorption and scattering of materials are as good as their sources, which each row names.
- **Clauses and tables marked from memory** should be compared with the standards before results are used in a
  dispute.
"""
