"""Fixtures: a fresh database of our schema, once on SQLite and once on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from reminders.records.database import Database
from tests.servers import fresh_database, open_database, postgresql, shared_postgresql_database


@pytest.fixture(params=["sqlite", "postgresql"])
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of an empty database of our schema."""
    if request.param == "sqlite":
        yield fresh_database("sqlite", tmp_path)
    else:
        # To make a database takes ten times as long as to empty one.
        yield shared_postgresql_url()
        empty_shared_postgresql()


@pytest.fixture(params=["sqlite", "postgresql"])
def database_kind(request: pytest.FixtureRequest) -> str:
    """Each kind of database in turn."""
    kind: str = request.param
    return kind


@pytest.fixture
def database(database_url: str) -> Iterator[Database]:
    """That database, open."""
    opened = open_database(database_url)
    yield opened
    opened.close()


def shared_postgresql_url() -> str:
    """The address of the PostgreSQL database that one test after the other uses; whoever does empties it after."""
    return postgresql().url(shared_postgresql_database())


def empty_shared_postgresql() -> None:
    """Take everything out of it again."""
    postgresql().empty(shared_postgresql_database())
