"""Profiles of the tests, chosen by TRACER_PROFILE.

quick (default)  a minute or two; tests marked `slow` are left out
ci               everything, derandomised
full             everything, with 1,000 examples a property
"""

import os
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

PROFILE = os.environ.get("TRACER_PROFILE", "quick")

_COMMON: dict[str, Any] = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("quick", max_examples=25, derandomize=True, **_COMMON)
settings.register_profile("ci", max_examples=100, derandomize=True, **_COMMON)
settings.register_profile("full", max_examples=1000, **_COMMON)
settings.load_profile(PROFILE)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave slow tests out of the quick profile."""
    if PROFILE != "quick":
        return
    slow = [item for item in items if item.get_closest_marker("slow")]
    config.hook.pytest_deselected(items=slow)
    items[:] = [item for item in items if not item.get_closest_marker("slow")]
