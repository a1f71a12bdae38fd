"""Settings shared by all tests."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# Runs repeat: examples are derived from the test itself, and nothing depends on the clock.
settings.register_profile(
    "repeatable",
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    print_blob=True,
)
settings.load_profile("repeatable")


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--validation-report",
        type=Path,
        metavar="PAGE",
        help="Write the expected and the computed value of every check to this page.",
    )
    parser.addoption(
        "--every-operation",
        action="store_true",
        help="Make commands fail at every one of their operations on the disk (tests/stages/test_faults.py).",
    )


def pytest_configure(config: pytest.Config) -> None:
    page = config.getoption("--validation-report")
    if page is not None:
        # Imported here, because it records comparisons and must be registered before any test is imported.
        from validation_report import ValidationReport

        config.pluginmanager.register(ValidationReport(config.rootpath / page), "validation_report")
