"""Signing in by the pages: invitations, forms of other sites, brute force, what was typed when a sign-in ran out."""

from __future__ import annotations

import re
from datetime import timedelta

import httpx
import pytest

from reminders.assembly import App
from reminders.desk import staff
from reminders.desk.one_time_codes import new_secret
from reminders.desk.roles import Role
from tests.desk.office import Office
from tests.web.people import PASSWORD, browser_of, csrf_in, employ, send
from tests.web.server import Server, serving


def sign_in(browser: httpx.Client, login: str, password: str = PASSWORD, **more: str) -> httpx.Response:
    """Type name and password."""
    return send(browser, "/staff/sign-in", page="/staff/sign-in", login=login, password=password, **more)


def test_the_first_link_makes_an_administrator_who_invites_a_nurse(server: Server, office: Office) -> None:
    with office.database.writing() as session:
        token = staff.first_link(session, office.desk)
    with server.browser() as browser:
        answer = send(
            browser,
            f"/staff/welcome/{token}",
            page=f"/staff/welcome/{token}",
            name="Ada Admin",
            login="ada",
            password=PASSWORD,
        )
        assert answer.headers["location"] == "/staff/"
        assert browser.get("/staff/").headers["location"] == "/staff/settings"
        assert browser.get(f"/staff/welcome/{token}").status_code == 404


def test_a_password_that_will_not_do_does_not_use_the_link_up(server: Server, office: Office) -> None:
    with office.database.writing() as session:
        page = f"/staff/welcome/{staff.first_link(session, office.desk)}"
    with server.browser() as browser:
        answer = send(browser, page, page=page, name="Ada", login="ada", password="short")
        assert answer.status_code == 400
        assert "15 characters" in answer.text
        assert send(browser, page, page=page, name="Ada", login="ada", password=PASSWORD).status_code == 303


def test_the_cookie_is_out_of_reach_for_scripts_and_other_sites(server: Server, office: Office) -> None:
    employ(office, Role.NURSE)
    with server.browser() as browser:
        cookie = sign_in(browser, "nurse").headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie


def test_behind_https_the_cookie_travels_over_tls_alone(office: Office) -> None:
    """RFC 6265bis section 4.1.3: with the prefix a browser takes it from this host only, over TLS only."""
    address = "https://aftercare.example.org"
    web = office.app.written.web.model_copy(update={"address": address})
    behind = App(office.app.written.model_copy(update={"web": web}), office.clock, lambda _: office.desk.library)
    employ(office, Role.NURSE)
    with serving(behind) as server, server.browser() as browser:
        browser.headers["host"] = "aftercare.example.org"
        answer = browser.get("/staff/sign-in")
        assert answer.headers["strict-transport-security"].startswith("max-age=")
        token = csrf_in(answer)
        form = answer.headers["set-cookie"].partition(";")[0]
        data = {"login": "nurse", "password": PASSWORD, "csrf": token}
        signed_in = browser.post("/staff/sign-in", data=data, headers={"cookie": form})
    (cookie,) = [each for each in signed_in.headers.get_list("set-cookie") if each.startswith("__Host-staff=")]
    parts = {part.strip().lower() for part in cookie.split(";")[1:]}
    assert {"secure", "httponly", "path=/", "samesite=lax"} <= parts
    assert not any(part.startswith("domain") for part in parts)
    behind.database.close()


def test_signing_in_leads_to_where_one_wanted_and_nowhere_else(server: Server, office: Office) -> None:
    employ(office, Role.NURSE)
    with server.browser() as browser:
        assert browser.get("/staff/account").headers["location"] == "/staff/sign-in?next=/staff/account"
        assert sign_in(browser, "nurse", next="/staff/account").headers["location"] == "/staff/account"
        for elsewhere in (
            "https://example.org/",
            "//example.org/staff/",
            "/staff//example.org",
            "/staff/\\example.org",
        ):
            assert sign_in(browser, "nurse", next=elsewhere).headers["location"] == "/staff/"


def test_signing_out_ends_the_sign_in_and_not_only_the_cookie(server: Server, office: Office) -> None:
    with browser_of(server, office, Role.NURSE) as browser:
        cookie = browser.cookies["staff"]
        send(browser, "/staff/sign-out")
    with server.browser() as browser:
        browser.cookies.set("staff", cookie)
        assert browser.get("/staff/account").status_code == 303


@pytest.mark.parametrize("csrf", ["", "another", None])
def test_a_form_without_its_token_changes_nothing(server: Server, office: Office, csrf: str | None) -> None:
    with browser_of(server, office, Role.NURSE) as browser:
        data = {"old": PASSWORD, "new": "other words by the river"} | ({} if csrf is None else {"csrf": csrf})
        assert browser.post("/staff/account/password", data=data).status_code == 403


def test_another_sites_form_is_refused_even_with_a_token(server: Server, office: Office) -> None:
    """Fetch Metadata Request Headers (W3C): a browser says `cross-site`, and no script can change that."""
    with browser_of(server, office, Role.NURSE) as browser:
        token = csrf_in(browser.get("/staff/account"))
        answer = browser.post("/staff/forget", data={"csrf": token}, headers={"Sec-Fetch-Site": "cross-site"})
        assert answer.status_code == 403


def test_nobody_is_signed_in_by_another_sites_form(server: Server, office: Office) -> None:
    employ(office, Role.NURSE)
    with server.browser() as browser:
        answer = browser.post("/staff/sign-in", data={"login": "nurse", "password": PASSWORD, "csrf": "guessed"})
        assert answer.status_code == 403


def test_guessing_is_stopped_by_the_address_it_comes_from(server: Server, office: Office) -> None:
    employ(office, Role.NURSE)
    with server.browser() as browser:
        token = csrf_in(browser.get("/staff/sign-in"))
        data = {"csrf": token, "password": "guess number one two"}
        codes = [browser.post("/staff/sign-in", data={**data, "login": f"n{n}"}).status_code for n in range(22)]
    assert codes == [401] * 20 + [429] * 2


def test_a_sign_in_that_ran_out_keeps_what_was_typed(server: Server, office: Office) -> None:
    with browser_of(server, office, Role.NURSE) as browser:
        token = csrf_in(browser.get("/staff/account"))
        office.clock.advance(timedelta(minutes=20))
        assert browser.get("/staff/account").status_code == 303
        fields = {"csrf": token, "search": "typed <b>before</b>"}
        assert browser.post("/staff/patients", data=fields).headers["location"] == "/staff/sign-in"
        assert sign_in(browser, "nurse").headers["location"] == "/staff/go-on"
        page = browser.get("/staff/go-on")
        assert 'value="typed &lt;b&gt;before&lt;/b&gt;"' in page.text
        assert 'action="/staff/patients"' in page.text
        send(browser, "/staff/forget")
        assert browser.get("/staff/go-on").headers["location"] == "/staff/concerns"


def test_what_one_person_typed_is_not_shown_to_the_next_one_at_the_same_computer(
    server: Server, office: Office
) -> None:
    employ(office, Role.CLINICIAN)
    with browser_of(server, office, Role.NURSE) as browser:
        token = csrf_in(browser.get("/staff/account"))
        office.clock.advance(timedelta(minutes=20))
        browser.post("/staff/patients", data={"csrf": token, "search": "secret"})
        assert sign_in(browser, "clinician").headers["location"] == "/staff/"
        assert "secret" not in browser.get("/staff/go-on", follow_redirects=True).text


def test_what_was_kept_is_offered_until_it_is_sent_and_no_longer(server: Server, office: Office) -> None:
    with browser_of(server, office, Role.NURSE) as browser:
        token = csrf_in(browser.get("/staff/account"))
        office.clock.advance(timedelta(minutes=20))
        browser.post("/staff/patients", data={"csrf": token, "search": "Robin"})
        for _ in range(2):
            assert sign_in(browser, "nurse").headers["location"] == "/staff/go-on"
        page = browser.get("/staff/go-on").text
        offered, _, _ = page.partition("/staff/forget")
        assert browser.post("/staff/patients", data=dict(_FIELD.findall(offered))).status_code == 200
        assert sign_in(browser, "nurse").headers["location"] == "/staff/"


_FIELD = re.compile(r'name="([^"]+)" value="([^"]*)"')


def test_a_page_that_was_open_before_signing_in_anew_loses_nothing(server: Server, office: Office) -> None:
    """Two pages are open, and somebody signs in again on one: the other one's form has the token from before."""
    with browser_of(server, office, Role.NURSE) as browser:
        token = csrf_in(browser.get("/staff/account"))
        sign_in(browser, "nurse")
        fields = {"csrf": token, "search": "half typed"}
        assert browser.post("/staff/patients", data=fields).status_code == 403
        browser.headers["Sec-Fetch-Site"] = "same-origin"
        part = browser.post("/staff/checkout/find", data=fields, headers={"HX-Request": "true"})
        assert "Your sign-in ran out" in part.text
        assert browser.post("/staff/patients", data=fields).headers["location"] == "/staff/go-on"
        assert "half typed" in browser.get("/staff/go-on").text
        assert browser.post("/staff/account/password", data=fields).status_code == 403


@pytest.mark.parametrize("form", ["password", "factor", "factor/remove"])
def test_a_password_or_secret_typed_too_late_is_kept_nowhere(server: Server, office: Office, form: str) -> None:
    """OWASP ASVS 4.0.3, 2.4 and 8.2, from memory: a page that shows what was kept would show a password to the room."""
    with browser_of(server, office, Role.NURSE) as browser:
        token = csrf_in(browser.get("/staff/account"))
        office.clock.advance(timedelta(minutes=20))
        typed = {"csrf": token, "old": PASSWORD, "new": "other words by the river", "secret": new_secret(), "code": "1"}
        assert browser.post(f"/staff/account/{form}", data=typed).headers["location"] == "/staff/sign-in"
        assert sign_in(browser, "nurse").headers["location"] == "/staff/"


def test_throwing_away_too_late_keeps_no_such_wish(server: Server, office: Office) -> None:
    with browser_of(server, office, Role.NURSE) as browser:
        token = csrf_in(browser.get("/staff/account"))
        office.clock.advance(timedelta(minutes=20))
        browser.post("/staff/patients", data={"csrf": token, "search": "Robin"})
        browser.post("/staff/forget", data={"csrf": token})
        assert sign_in(browser, "nurse").headers["location"] == "/staff/go-on"
        assert "Robin" in browser.get("/staff/go-on").text


@pytest.mark.parametrize("secret", ["é", "a" * 20_000, "A"])
def test_what_is_no_secret_is_not_drawn_for_an_authenticator(server: Server, office: Office, secret: str) -> None:
    with browser_of(server, office, Role.NURSE) as browser:
        answer = send(browser, "/staff/account/factor", secret=secret, code="123456")
    assert answer.status_code == 200
    assert f'value="{secret}"' not in answer.text
