"""Fixtures: the invented practice of `tests.desk.office`, opened at an instant that the test names."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.databases import empty_shared_postgresql, shared_postgresql_url
from tests.desk.office import Office, open_office

Opener = Callable[..., Office]


@pytest.fixture
def database_kind() -> str:
    """Which database the practice has; a module that imports the one of `tests.databases` runs on both."""
    return "sqlite"


@pytest.fixture
def office_at(tmp_path: Path, empty_database: Path, database_kind: str) -> Iterator[Opener]:
    """Open the practice at a wall time in Chicago; `demo=False` and other settings change its configuration."""
    opened: list[Office] = []

    def open_at(start: str = "2026-06-10T10:30", **settings: Any) -> Office:
        folder = tmp_path / f"office{len(opened)}"
        folder.mkdir()
        database: Path | str = (
            shared_postgresql_url() if database_kind == "postgresql" else folder / "reminders.sqlite3"
        )
        if isinstance(database, Path):
            shutil.copy(empty_database, database)
        opened.append(open_office(folder, database, start, **settings))
        return opened[-1]

    yield open_at
    for office in opened:
        office.dispatcher.close()
        office.database.close()
    if database_kind == "postgresql":
        empty_shared_postgresql()


@pytest.fixture
def office(office_at: Opener) -> Office:
    """The practice on a Wednesday morning in June, 10:30."""
    return office_at()
