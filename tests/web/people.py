"""People who work in the invented practice, and browsers in which they are signed in."""

from __future__ import annotations

import re
from datetime import timedelta
from functools import cache
from typing import Any

import httpx

from reminders.desk import signing_in
from reminders.desk.passwords import hash_password
from reminders.desk.roles import Role
from reminders.desk.signing_in import Limits
from reminders.records import staff as rows
from reminders.records.people import new_id
from reminders.records.tables_staff import StaffMember
from tests.desk.office import Office
from tests.web.server import Server

PASSWORD = "four quiet herons wade"
NAMES = {
    Role.FRONT_DESK: "Fay Desk",
    Role.NURSE: "Nora Nurse",
    Role.CLINICIAN: "Cleo Clinician",
    Role.ADMINISTRATOR: "Ada Admin",
}


def employ(office: Office, *roles: Role, name: str = "", login: str = "") -> int:
    """Let somebody work here who has followed their invitation already."""
    member = StaffMember(
        practice_id=office.desk.practice_id,
        login=login or roles[0].value,
        name=name or NAMES[roles[0]],
        license="12345" if Role.CLINICIAN in roles else "",
        roles=[role.value for role in roles],
        state="active",
        password_hash=_hash(),
        created_at=office.clock.now(),
    )
    with office.database.writing() as session:
        rows.add_member(session, member)
        return new_id(member.id)


def token_for(office: Office, staff_id: int) -> str:
    """A sign-in of somebody, without a password: hashing one takes long."""
    limits = Limits(idle=timedelta(minutes=20), longest=timedelta(hours=12))
    with office.database.writing() as session:
        return signing_in.sign_in_invited(session, staff_id, office.clock.now(), limits)


def browser_of(server: Server, office: Office, *roles: Role, name: str = "", login: str = "") -> httpx.Client:
    """A browser in which somebody with these roles is signed in."""
    browser = server.browser()
    browser.cookies.set("staff", token_for(office, employ(office, *roles, name=name, login=login)))
    return browser


def csrf_in(page: httpx.Response) -> str:
    """What the forms of a page carry."""
    return field_in(page, "csrf")


def field_in(page: httpx.Response, name: str) -> str:
    """What a hidden field of a page holds."""
    found = re.search(rf'name="{name}" value="([^"]+)"', page.text)
    assert found, page.text
    return found[1]


def send(browser: httpx.Client, path: str, *, page: str = "/staff/account", **fields: Any) -> httpx.Response:
    """Send a form as it stands on a page; a field may have several values."""
    return browser.post(path, data={"csrf": csrf_in(browser.get(page)), **fields})


@cache
def _hash() -> str:
    return hash_password(PASSWORD)
