"""Hypothesis profiles, chosen by TRACER_PROFILE: quick (default), ci, full."""

import os

from hypothesis import HealthCheck, settings

_COMMON = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
settings.register_profile("quick", max_examples=50, **_COMMON)
settings.register_profile("ci", max_examples=100, derandomize=True, **_COMMON)
settings.register_profile("full", max_examples=1000, **_COMMON)
settings.load_profile(os.environ.get("TRACER_PROFILE", "quick"))
