"""Every page of staff asks who it is and what they may do; no role reaches more than it needs."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from fastapi.routing import APIRoute

from reminders.desk.roles import RIGHTS, Right, Role
from reminders.web.staff import ROUTERS
from tests.desk.office import Office
from tests.web.people import browser_of, csrf_in
from tests.web.server import Server

FOR_ALL = {"/staff/sign-in", "/staff/sign-out", "/staff/welcome/{token}", "/staff/concerns/stream"}
"""Pages that look themselves at who asks."""
OWN = {"/staff/", "/staff/go-on", "/staff/forget", "/staff/account"}
"""Pages about nobody but the person who asks."""


def staff_routes() -> Iterator[APIRoute]:
    """Every page of staff."""
    for router in ROUTERS:
        yield from (route for route in router.routes if isinstance(route, APIRoute))


def right_of(route: APIRoute) -> Right | None:
    """The right that a page asks for."""
    rights = [each.call.__dict__.get("right") for each in route.dependant.dependencies if each.call is not None]
    return next((each for each in rights if each), None)


def test_every_page_about_patients_or_the_practice_asks_for_a_right() -> None:
    routes = [route for route in staff_routes() if route.path not in FOR_ALL]
    without = {route.path for route in routes if right_of(route) is None}
    assert {path for path in without if not path.startswith("/staff/account")} | {"/staff/account"} == OWN


@pytest.mark.parametrize("number", ["0", "9223372036854775808", "9" * 5000, "-9223372036854775809"])
def test_a_number_that_no_row_can_have_leads_nowhere(server: Server, office: Office, number: str) -> None:
    with browser_of(server, office, *Role) as browser:
        token = csrf_in(browser.get("/staff/account"))
        paths = {route.path: route for route in staff_routes() if re.search(r"\{(\w+_id|version)\}", route.path)}
        for path, route in paths.items():
            for method in route.methods or ():
                data = {"csrf": token} if method == "POST" else None
                answer = browser.request(method, re.sub(r"\{\w+\}", number, path), data=data)
                assert answer.status_code == 404, path


@pytest.mark.parametrize("role", list(Role))
def test_no_role_reaches_a_page_it_has_no_right_to(server: Server, office: Office, role: Role) -> None:
    office.enroll()
    seen: dict[str, set[str]] = {"open": set(), "closed": set()}
    with browser_of(server, office, role) as browser:
        token = csrf_in(browser.get("/staff/account"))
        for route in staff_routes():
            right = right_of(route)
            if right is None or right in RIGHTS[role]:
                continue
            path = re.sub(r"\{\w*id\}", "1", route.path).replace("{procedure}", "wart-cryotherapy")
            for method in route.methods or ():
                answer = browser.request(method, path, data={"csrf": token} if method == "POST" else None)
                seen["closed" if answer.status_code == 403 else "open"].add(f"{method} {path}")
    assert seen["open"] == set()
    assert len(seen["closed"]) >= 3


def test_nobody_reaches_anything_without_signing_in(server: Server, office: Office) -> None:
    office.enroll()
    with server.browser() as browser:
        for route in staff_routes():
            if route.path in FOR_ALL:
                continue
            path = re.sub(r"\{\w*id\}", "1", route.path).replace("{procedure}", "wart-cryotherapy")
            for method in route.methods or ():
                answer = browser.request(method, path)
                assert answer.status_code == 303, path
                assert answer.headers["location"].startswith("/staff/sign-in")
                assert answer.text == ""
