"""Patients who hold a link to their page, and browsers in which it is open."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import httpx

from reminders.desk.patient_page import page_of_course, way_in
from tests.desk.office import Office
from tests.web.server import Server

ADDRESS = "http://127.0.0.1:8420"
"""Of the practice's pages, as links say it; tests reach them at another port."""


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
