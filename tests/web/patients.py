"""Patients who hold a link to their page, and browsers in which it is open."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import httpx

from reminders.desk.patient_page import page_of_course, way_in
from tests.desk.office import Office, open_office
from tests.web.server import Server

ADDRESS = "http://127.0.0.1:8420"
"""Of the practice's pages, as links say it; tests reach them at another port."""


@contextmanager
def practice_with_pages(
    folder: Path, empty_database: Path, start: str = "2026-06-10T10:30", *, address: str = ADDRESS, **settings: Any
) -> Iterator[Office]:
    """The invented practice, on a Wednesday at 10:30 when not said; without an address it serves no pages."""
    own = Path(tempfile.mkdtemp(dir=folder))
    database = Path(shutil.copy(empty_database, own / "reminders.sqlite3"))
    office = open_office(own, database, start, web={"address": address}, **settings)
    yield office
    office.dispatcher.close()
    office.database.close()


@dataclass(frozen=True, kw_only=True)
class Way:
    """What stands on the sheet."""

    path: str
    code: str


def way_to(office: Office, enrollment_id: int = 1) -> Way:
    """The link and code of a course's page as they are now."""
    rules = office.app.page_rules
    assert rules is not None
    with office.database.reading() as session:
        way = way_in(rules, page_of_course(session, office.desk, rules, enrollment_id))
    return Way(path=urlsplit(way.url).path, code=way.code)


@contextmanager
def opened(server: Server, way: Way) -> Iterator[httpx.Client]:
    """A browser in which the page is open."""
    with server.browser() as browser:
        answer = browser.post(f"{way.path}open", data={"code": way.code})
        assert answer.status_code == 303, answer.text
        yield browser


def hidden(page: str, name: str) -> str:
    """What a page's forms carry under a name."""
    found = re.search(rf'name="{re.escape(name)}" value="([^"]*)"', page)
    assert found, page
    return found[1]


def send(browser: httpx.Client, way: Way, what: str, **fields: Any) -> httpx.Response:
    """Send a form as it stands on the open page."""
    page = browser.get(way.path).text
    return browser.post(f"{way.path}{what}", data={"csrf": hidden(page, "csrf"), **fields})


@dataclass(frozen=True)
class Robin:
    """Robin's telephone, in which the page is open."""

    office: Office
    browser: httpx.Client
    way: Way

    def page(self) -> str:
        """The page as it is now."""
        return self.browser.get(self.way.path).text

    def send(self, what: str, **fields: str) -> httpx.Response:
        """Press a button of the page."""
        return send(self.browser, self.way, what, **fields)


def wrong(way: Way, number: int = 1) -> str:
    """A code that is not the page's."""
    return f"{(int(way.code) + number) % 1_000_000:06}"
