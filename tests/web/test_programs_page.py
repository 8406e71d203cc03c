"""Keys of other programs by the page: shown once, listed with what they may do, taken back."""

from __future__ import annotations

import re
from typing import Any

import httpx

from reminders.web.api import PREFIX
from tests.web.people import send
from tests.web.programs import code_of
from tests.web.server import Server

PAGE = "/staff/settings/programs"


def made(ada: httpx.Client, **fields: Any) -> tuple[httpx.Response, str]:
    """The page after a key was made, and the key."""
    page = send(ada, PAGE, **{"name": "Appointment book", "scopes": ["concerns:read"], **fields})
    key = re.search(r"reminders_\w+_[\w-]{43}", page.text)
    assert key, page.text
    return page, key[0]


def test_the_settings_lead_to_the_keys(ada: httpx.Client) -> None:
    assert f'href="{PAGE}"' in ada.get("/staff/settings").text
    assert "There are none." in ada.get(PAGE).text


def test_a_key_that_was_made_works_and_is_not_shown_again(ada: httpx.Client, server: Server) -> None:
    _, key = made(ada, expires="2026-12-31T18:00")
    again = ada.get(PAGE).text
    assert key.rpartition("_")[2] not in again
    assert "Appointment book" in again
    assert "expires Thu 31 Dec 18:00" in again
    headers = {"Authorization": f"Bearer {key}"}
    assert httpx.get(f"{server.base}{PREFIX}/concerns", headers=headers).status_code == 200
    send(ada, f"{PAGE}/revoke", name="Appointment book")
    assert code_of(httpx.get(f"{server.base}{PREFIX}/concerns", headers=headers)) == "key_revoked"
    assert "revoked" in ada.get(PAGE).text


def test_what_lacks_something_keeps_what_was_typed(ada: httpx.Client) -> None:
    page = send(ada, PAGE, name="Trial <b>", scopes=[])
    assert page.status_code == 400
    assert "choose at least one scope" in page.text
    assert "Trial &lt;b&gt;" in page.text
