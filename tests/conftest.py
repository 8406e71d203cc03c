"""How the tests run: properties try the same cases on every machine, and a slow machine fails none."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

from reminders import words

settings.register_profile(
    "same-everywhere",
    derandomize=True,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("same-everywhere")


@pytest.fixture
def english_again() -> Iterator[None]:
    """Let later tests be spoken to in English, whatever this one spoke."""
    yield
    words.speak("en")
