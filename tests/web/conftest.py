"""Fixtures for the pages: an invented practice in Chicago, a real server for it on loopback, and who uses it."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import httpx
import pytest
from playwright.sync_api import Browser

from reminders.desk.roles import Role
from tests.desk.office import Office, open_office
from tests.web.browser import chromium
from tests.web.patients import Robin, Way, opened, way_to
from tests.web.people import browser_of
from tests.web.programs import program
from tests.web.server import Server, serving

NAME = "reminders.sqlite3"
WEDNESDAY = "2026-06-10T10:30"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for all tests of a file, and no longer: its event loop would be in the way of others' own."""
    with chromium() as running:
        yield running


@pytest.fixture
def office(tmp_path: Path, empty_database: Path) -> Iterator[Office]:
    """The practice on a Wednesday morning in June, 10:30."""
    database = Path(shutil.copy(empty_database, tmp_path / NAME))
    opened = open_office(tmp_path, database, WEDNESDAY)
    yield opened
    opened.database.close()


@pytest.fixture
def server(office: Office) -> Iterator[Server]:
    """The pages of `office`, on a free port of loopback."""
    with serving(office.app) as running:
        yield running


@pytest.fixture(scope="session")
def busy_database(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Path:
    """A database with a course, a patient and a concern, each the first; each test gets a copy."""
    folder = tmp_path_factory.mktemp("busy")
    database = Path(shutil.copy(empty_database, folder / NAME))
    office = open_office(folder, database, WEDNESDAY)
    office.enroll()
    office.reply("it is red and hot up to my ankle")
    office.database.close()
    return database


@pytest.fixture
def busy_office(office: Office, tmp_path: Path, busy_database: Path) -> Iterator[Office]:
    """The practice with what is in that database."""
    with closing(sqlite3.connect(busy_database)) as there, closing(sqlite3.connect(tmp_path / NAME)) as here:
        there.backup(here)
    yield office
    office.dispatcher.close()


@pytest.fixture
def ada(office: Office, server: Server) -> Iterator[httpx.Client]:
    """A browser of the administrator."""
    with browser_of(server, office, Role.ADMINISTRATOR) as browser:
        yield browser


@pytest.fixture
def client(office: Office, server: Server) -> Iterator[httpx.Client]:
    """A program that may do everything."""
    with program(server, office) as made:
        yield made


@pytest.fixture
def way(office: Office) -> Way:
    """Robin's link and code."""
    return way_to(office)


@pytest.fixture
def robin(office: Office, server: Server, way: Way) -> Iterator[Robin]:
    """The page is open."""
    with opened(server, way) as browser:
        yield Robin(office, browser, way)
