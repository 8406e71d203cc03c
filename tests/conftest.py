"""How the tests run: properties try the same cases on every machine, and a slow machine fails none."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile(
    "same-everywhere",
    derandomize=True,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("same-everywhere")
