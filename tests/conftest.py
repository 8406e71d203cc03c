"""How the tests run: the same cases on every machine, none failed by a slow one, and what all may ask for."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from pathlib import Path

import pytest
import trustme
from hypothesis import HealthCheck, settings

from reminders import words
from reminders.desk.collector import search_seldom
from tests.servers import migrated_sqlite_file

settings.register_profile(
    "same-everywhere",
    derandomize=True,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("same-everywhere")


def pytest_configure() -> None:
    """Look for cycles seldom: among thousands of tests, and all that they import, that took a quarter of the time."""
    search_seldom()


def pytest_collection_finish() -> None:
    """Let the garbage collector pass over what was collected: it stays to the end."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def no_public_authorities(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Trust one authority of our own: no test calls a host outside, and each client would read all public ones."""
    file = tmp_path_factory.mktemp("authority") / "ours.pem"
    trustme.CA().cert_pem.write_to_path(file)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SSL_CERT_FILE", str(file))
        yield


@pytest.fixture(scope="module", autouse=True)
def leaves_no_cycles() -> Iterator[None]:
    """Collect what the tests of a module left behind, and pass over what stays from then on."""
    yield
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def empty_database() -> Path:
    """A database file of our schema that nobody writes to; each test gets a copy."""
    return migrated_sqlite_file()


@pytest.fixture
def english_again() -> Iterator[None]:
    """Let later tests be spoken to in English, whatever this one spoke."""
    yield
    words.speak("en")
