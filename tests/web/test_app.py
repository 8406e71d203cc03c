"""What holds for every page: headers, refusals without personal data, sizes, names of hosts."""

from __future__ import annotations

import shutil
from pathlib import Path

import httpx
import pytest

from reminders.desk.approve import Approver, approve
from reminders.desk.roles import Role
from reminders.web import plan_pages
from tests.build import PLANS
from tests.desk.office import Office
from tests.desk.test_query_plans import statements
from tests.web.patients import practice_with_pages
from tests.web.people import browser_of, send
from tests.web.server import Server, serving


@pytest.fixture
def page(server: Server) -> httpx.Response:
    """The answer to an address that does not exist."""
    with server.browser() as browser:
        return browser.get("/nowhere")


def test_a_page_that_does_not_exist_says_so(page: httpx.Response) -> None:
    assert page.status_code == 404
    assert "There is nothing here" in page.text


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("cache-control", "no-store"),
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "no-referrer"),
        ("x-frame-options", "DENY"),
    ],
)
def test_every_answer_carries_the_header(page: httpx.Response, name: str, value: str) -> None:
    assert page.headers[name] == value


def test_no_page_may_run_what_stands_in_it(page: httpx.Response) -> None:
    """Content Security Policy Level 3, sections 6.1 and 6.4: `unsafe-inline` is what would allow it."""
    policy = page.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy


def test_static_files_may_be_kept(server: Server) -> None:
    with server.browser() as browser:
        assert "immutable" in browser.get("/static/style.css").headers["cache-control"]


@pytest.mark.parametrize("path", ["../app.py", "..%2fapp.py", "%2e%2e/pages.py", "/etc/passwd"])
def test_no_path_leads_out_of_the_static_files(server: Server, path: str) -> None:
    with server.browser() as browser:
        assert browser.get(f"/static/{path}").status_code == 404


def test_another_sites_name_is_not_answered(server: Server) -> None:
    with server.browser() as browser:
        assert browser.get("/staff/", headers={"Host": "rebound.example.org"}).status_code == 400


def test_a_body_that_is_no_form_of_ours_is_refused(server: Server) -> None:
    with server.browser() as browser:
        assert browser.post("/staff/", content=b"x" * 1_000_001).status_code == 413


def test_what_the_first_to_ask_would_wait_for_is_done_before(
    tmp_path: Path, empty_database: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Names are read, and a plan's page is made: both take a second where there is much of it."""
    for name in ("punch-biopsy", "shared"):
        shutil.copytree(PLANS / name, tmp_path / "plans" / name)
    with (
        practice_with_pages(tmp_path, empty_database, templates=tmp_path / "plans") as office,
        serving(office.app) as server,
        browser_of(server, office, Role.CLINICIAN) as browser,
    ):
        office.enroll(procedure="punch-biopsy", site="left arm")
        server.pages.state.site.make_ready()
        monkeypatch.setattr(plan_pages, "plan_page", None)
        assert "Punch biopsy" in browser.get("/staff/plans/punch-biopsy").text
        with statements(office) as seen:
            assert "Robin Invented" in send(browser, "/staff/patients", search="robin").text
    assert [values[2] for text, values in seen if "patient.id > ?" in text] == [1]


def test_the_list_of_plans_tells_who_approved_each_last(office: Office, server: Server) -> None:
    for name in ("A. First", "B. Last"):
        with office.database.writing() as session:
            approve(session, office.desk, "punch-biopsy", Approver(name=name, license="12345"))
    with browser_of(server, office, Role.CLINICIAN) as browser:
        page = browser.get("/staff/plans").text
    assert page.count("last approved") == 1
    assert "B. Last" in page
    assert "A. First" not in page
