"""Fixtures for the pages: an invented practice in Chicago, and a real server for it on loopback."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser

from tests.desk.office import Office, open_office
from tests.web.browser import chromium
from tests.web.server import Server, serving


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests of a file, and no longer: its event loop would be in the way of others' own."""
    with chromium() as running:
        yield running


@pytest.fixture
def office(tmp_path: Path, empty_database: Path) -> Iterator[Office]:
    """The practice on a Wednesday morning in June, 10:30."""
    database = Path(shutil.copy(empty_database, tmp_path / "reminders.sqlite3"))
    opened = open_office(tmp_path, database, "2026-06-10T10:30")
    yield opened
    opened.database.close()


@pytest.fixture
def server(office: Office) -> Iterator[Server]:
    """The pages of `office`, on a free port of loopback."""
    with serving(office.app) as running:
        yield running
