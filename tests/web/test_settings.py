"""Settings by the page: people and roles, links shown once, a test message."""

from __future__ import annotations

import re

import httpx

from reminders.desk.roles import Role
from tests.desk.office import Office
from tests.web.people import PASSWORD, browser_of, send
from tests.web.server import Server

PAGE = "/staff/settings"


def test_somebody_is_invited_by_a_link_that_is_shown_once(ada: httpx.Client, server: Server) -> None:
    page = send(ada, f"{PAGE}/people", name="Nora Nurse", login="nora", roles=["nurse"])
    link = re.search(r"/staff/welcome/[\w-]+", page.text)
    assert link
    assert link[0] not in ada.get(PAGE).text
    with server.browser() as nora:
        done = send(nora, link[0], page=link[0], password=PASSWORD)
        assert done.headers["location"] == "/staff/"
        assert nora.get("/staff/").headers["location"] == "/staff/concerns"


def test_an_invitation_that_lacks_something_keeps_what_was_typed(ada: httpx.Client) -> None:
    page = send(ada, f"{PAGE}/people", name="Cleo", login="cleo", roles=["clinician"])
    assert page.status_code == 400
    assert "licence" in page.text
    assert 'value="Cleo"' in page.text


def test_roles_are_changed_and_access_closed(ada: httpx.Client, server: Server, office: Office) -> None:
    with browser_of(server, office, Role.FRONT_DESK) as fay:
        assert fay.get("/staff/concerns").status_code == 403
        send(ada, f"{PAGE}/people/2/roles", roles=["nurse"])
        assert fay.get("/staff/concerns").status_code == 200
        send(ada, f"{PAGE}/people/2/let-go")
        assert fay.get("/staff/concerns").status_code == 303


def test_the_last_administrator_keeps_the_keys(ada: httpx.Client) -> None:
    assert send(ada, f"{PAGE}/people/1/let-go").status_code == 409
    assert send(ada, f"{PAGE}/people/1/roles", roles=["nurse"]).status_code == 400


def test_a_test_message_leaves_by_the_transport(ada: httpx.Client, office: Office) -> None:
    assert send(ada, f"{PAGE}/test", address="312-555-0177").status_code == 303
    office.dispatcher.run_once()
    assert [(each["to"], "test" in each["text"]) for each in office.handed_over] == [("+13125550177", True)]
    office.dispatcher.close()


def test_a_test_message_to_no_address_is_refused(ada: httpx.Client) -> None:
    assert send(ada, f"{PAGE}/test", address="call me").status_code == 400
