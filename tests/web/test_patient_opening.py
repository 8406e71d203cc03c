"""The way to a patient's page: by its own link and code alone, until the link ends, and never by guessing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest

from reminders.desk.end_course import cancel_course
from reminders.desk.patient_page import FREE_TRIES, MOST_TRIES, Tried, give_new_link, page_of_course, try_code
from tests.desk.office import Office, minutes
from tests.web.patients import Robin, Way, opened, practice_with_pages, way_to, wrong
from tests.web.server import Server, serving


@pytest.fixture
def office(tmp_path: Path, empty_database: Path) -> Iterator[Office]:
    """The practice on a Wednesday at 10:30, with pages for patients; Robin was just treated."""
    with practice_with_pages(tmp_path, empty_database) as office:
        office.enroll(visit="2026-06-24T09:30")
        yield office


def test_the_address_tells_nothing_of_the_patient(office: Office, way: Way) -> None:
    assert re.fullmatch(r"/my/1-[A-Za-z0-9_-]{22}/", way.path)
    assert re.fullmatch(r"[0-9]{6}", way.code)


def test_a_link_alone_shows_nothing_but_numbers_to_call(server: Server, way: Way) -> None:
    page = httpx.get(server.base + way.path)
    assert page.status_code == 200
    assert "Open your page" in page.text
    assert 'href="tel:911"' in page.text
    assert 'href="tel:+13125550100"' in page.text
    assert "Robin" not in page.text
    assert "dressing" not in page.text


def test_an_address_typed_without_its_last_stroke_leads_there(server: Server, way: Way) -> None:
    page = httpx.get(server.base + way.path.rstrip("/"), follow_redirects=True)
    assert page.status_code == 200
    assert "Open your page" in page.text
    assert page.url.path == way.path


def test_the_code_opens_the_page_and_a_cookie_keeps_it_open(server: Server, way: Way) -> None:
    with server.browser() as browser:
        answer = browser.post(f"{way.path}open", data={"code": f" {way.code[:3]} {way.code[3:]}"})
        assert (answer.status_code, answer.headers["location"]) == (303, way.path)
        cookie = answer.headers["set-cookie"].lower()
        for part in ("httponly", "samesite=strict", f"path={way.path}".lower(), "max-age=3600"):
            assert part in cookie
        assert "secure" not in cookie
        assert "Your care at home" in browser.get(way.path).text


def test_over_tls_the_cookie_never_goes_another_way(tmp_path: Path, empty_database: Path) -> None:
    with practice_with_pages(tmp_path, empty_database, address="https://desk.example.org") as office:
        office.enroll()
        way = way_to(office)
        with serving(office.app) as server:
            cookie = httpx.post(f"{server.base}{way.path}open", data={"code": way.code}).headers["set-cookie"]
    assert cookie.startswith("__Secure-page=")
    assert "Secure" in cookie


@pytest.mark.parametrize("change", ["other patient", "last letter", "cut", "not a number", "huge"])
def test_a_link_that_was_tampered_with_leads_nowhere(server: Server, office: Office, way: Way, change: str) -> None:
    office.enroll(first_name="Kim", phone="312-555-0155")
    mac = way.path.split("-", 1)[1]
    path = {
        "other patient": f"/my/2-{mac}",
        "last letter": way.path[:-2] + ("A/" if way.path[-2] != "A" else "B/"),
        "cut": way.path[:-5] + "/",
        "not a number": f"/my/%00-{mac}",
        "huge": f"/my/{'9' * 30}-{mac}",
    }[change]
    for answer in (httpx.get(server.base + path), httpx.post(f"{server.base}{path}open", data={"code": way.code})):
        assert answer.status_code == 404
        assert "This link does not work" in answer.text
        assert "set-cookie" not in answer.headers


def test_a_page_that_is_open_opens_no_other_patients(server: Server, office: Office, robin: Robin) -> None:
    office.enroll(first_name="Kim", phone="312-555-0155")
    other = way_to(office, 2)
    cookie = robin.browser.cookies["page"]
    answer = httpx.get(server.base + other.path, cookies={"page": cookie})
    assert "Open your page" in answer.text
    assert httpx.post(f"{server.base}{other.path}open", data={"code": robin.way.code}).status_code == 401


def test_the_link_ends_some_days_after_the_course(server: Server, office: Office, way: Way) -> None:
    last = max(message.send_at for message in office.messages(1))
    office.clock.move_to(last + timedelta(days=14) - minutes(1))
    with opened(server, way) as browser:
        cookie = browser.cookies["page"]
        office.clock.advance(minutes(1))
        answer = browser.get(way.path)
        assert answer.status_code == 404
        assert httpx.get(server.base + way.path, cookies={"page": cookie}).status_code == 404


def test_a_course_that_was_taken_back_has_no_page(server: Server, office: Office, way: Way) -> None:
    with office.database.writing() as session:
        cancel_course(session, office.desk, 1, by="front desk", reason="mistake")
    assert httpx.get(server.base + way.path).status_code == 404


def test_it_closes_by_itself_after_an_hour_without_a_look(office: Office, robin: Robin) -> None:
    office.clock.advance(minutes(59))
    assert "Your care at home" in robin.page()
    office.clock.advance(minutes(59))
    assert "Your care at home" in robin.page()
    cookie = robin.browser.cookies["page"]
    office.clock.advance(minutes(60))
    answer = httpx.get(str(robin.browser.base_url) + robin.way.path, cookies={"page": cookie})
    assert "Open your page" in answer.text


def test_a_cookie_that_was_changed_opens_nothing(server: Server, robin: Robin) -> None:
    seconds, _, rest = robin.browser.cookies["page"].partition(".")
    for forged in (f"{int(seconds) + 3600}.{rest}", rest, f".{rest}", "x", ""):
        answer = httpx.get(server.base + robin.way.path, cookies={"page": forged})
        assert "Open your page" in answer.text


def test_a_new_link_makes_the_old_one_void(server: Server, office: Office, robin: Robin) -> None:
    rules = office.app.page_rules
    assert rules is not None
    with office.database.writing() as session:
        give_new_link(session, office.desk, rules, 1)
    assert robin.browser.get(robin.way.path).status_code == 404
    new = way_to(office)
    assert new.code != robin.way.code
    with opened(server, new) as browser:
        assert browser.get(new.path).status_code == 200


# ---------------------------------------------------------------- guessing the code


def test_wrong_codes_are_counted_in_the_database_and_then_the_page_rests(
    server: Server, office: Office, way: Way
) -> None:
    path = f"{server.base}{way.path}open"
    told = [httpx.post(path, data={"code": wrong(way, each)}).status_code for each in range(1, FREE_TRIES + 1)]
    assert told == [401] * (FREE_TRIES - 1) + [429]
    resting = httpx.post(path, data={"code": way.code})
    assert resting.status_code == 429
    assert "10:31" in resting.text
    with serving(office.app) as another:  # a restart forgets nothing
        assert httpx.post(f"{another.base}{way.path}open", data={"code": way.code}).status_code == 429
        office.clock.advance(minutes(1))
        assert httpx.post(f"{another.base}{way.path}open", data={"code": way.code}).status_code == 303


def test_after_twenty_wrong_codes_only_staff_can_let_the_patient_in(office: Office, way: Way) -> None:
    rules = office.app.page_rules
    assert rules is not None
    seen = []
    for each in range(1, 40):
        with office.database.writing() as session:
            page = page_of_course(session, office.desk, rules, 1)
            seen.append(try_code(session, office.desk, rules, page, wrong(way, each)).tried)
        office.clock.advance(timedelta(hours=1))
    assert seen[FREE_TRIES - 1 : MOST_TRIES - 1] == [Tried.WAIT] * (MOST_TRIES - FREE_TRIES)
    assert set(seen[MOST_TRIES - 1 :]) == {Tried.LOCKED}
    with office.database.writing() as session:
        locked = page_of_course(session, office.desk, rules, 1)
        assert locked.is_locked
        assert try_code(session, office.desk, rules, locked, way.code).tried is Tried.LOCKED
        give_new_link(session, office.desk, rules, 1)
        fresh = page_of_course(session, office.desk, rules, 1)
        assert not fresh.is_locked


def test_a_right_code_begins_the_count_anew(office: Office, way: Way) -> None:
    rules = office.app.page_rules
    assert rules is not None
    for code in [wrong(way), wrong(way), way.code, wrong(way)]:
        with office.database.writing() as session:
            try_code(session, office.desk, rules, page_of_course(session, office.desk, rules, 1), code)
    with office.database.reading() as session:
        assert page_of_course(session, office.desk, rules, 1).failures == 1


def test_one_caller_may_not_try_the_pages_of_many_patients(server: Server, office: Office) -> None:
    ways = []
    for each in range(9):
        enrolled = office.enroll(first_name=f"Kim{each}", phone=f"312-555-01{50 + each}")
        ways.append(way_to(office, enrolled.enrollment_id))
    codes = [
        httpx.post(f"{server.base}{way.path}open", data={"code": wrong(way, each)}).status_code
        for way in ways
        for each in range(1, 5)
    ]
    assert codes[:30] == [401] * 30
    assert set(codes[30:]) == {429}


def test_an_empty_code_costs_no_try(server: Server, office: Office, way: Way) -> None:
    for typed in ("", "abc", "  "):
        assert httpx.post(f"{server.base}{way.path}open", data={"code": typed}).status_code == 401
    assert office.dump()["patient_page"] == []


def test_digits_of_another_script_are_digits(server: Server, way: Way) -> None:
    arabic = way.code.translate(str.maketrans("0123456789", "٠١٢٣٤٥٦٧٨٩"))
    assert httpx.post(f"{server.base}{way.path}open", data={"code": arabic}).status_code == 303


def test_without_an_address_there_are_no_pages(tmp_path: Path, empty_database: Path, way: Way) -> None:
    with practice_with_pages(tmp_path, empty_database, address="") as office:
        office.enroll()
        assert office.app.page_rules is None
        with serving(office.app) as server:
            assert httpx.get(server.base + way.path).status_code == 404
