"""Settings shared by all tests."""

from __future__ import annotations

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
