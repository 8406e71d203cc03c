"""The patient's own page: what it shows, what it changes, and what others may learn by it."""

from __future__ import annotations

import logging
import re
from collections.abc import Iterator
from datetime import timedelta
from html import unescape
from pathlib import Path

import httpx
import pytest
from icalendar import Calendar

from reminders.desk.approve import Approver, approve
from reminders.desk.steer_course import Decision, end_course, pause_course
from tests.build import LEAD
from tests.desk.office import PHONE, Office, at, minutes
from tests.web.patients import Robin, Way, hidden, opened, practice_with_pages, way_to, wrong
from tests.web.server import Server, serving

PAYLOAD = "<img src=x onerror=alert(1)>"
CHEST = "my chest hurts and i cant breathe"


@pytest.fixture
def office(tmp_path: Path, empty_database: Path) -> Iterator[Office]:
    """The practice on a Wednesday at 10:30, with pages for patients; Robin was just treated."""
    with practice_with_pages(tmp_path, empty_database) as office:
        office.enroll(first_name=f"Robin{PAYLOAD}", visit="2026-06-24T09:30")
        yield office


# ---------------------------------------------------------------- what it shows


def test_it_shows_what_to_do_now_with_drawings(robin: Robin) -> None:
    robin.office.play("2026-06-11T11:00")
    robin.browser.post(f"{robin.way.path}open", data={"code": robin.way.code})
    page = robin.page()
    now = page.split('class="card now"')[1].split("</section>")[0]
    assert "Do this now" in now
    assert "Today, 10:30" in now
    assert "first dressing off" in now
    assert now.count("<svg") == 5


def test_a_dose_is_shown_with_its_hour_and_never_as_what_to_do_now(server: Server, office: Office, way: Way) -> None:
    """Whoever looks half an hour later must not read "now" and take it twice."""
    office.play("2026-06-10T17:45")
    with opened(server, way) as browser:
        now = browser.get(way.path).text.split('class="card now"')[1].split("</section>")[0]
        assert "ibuprofen" in now.lower()
        assert "5:30" in now
        assert "Do this now" not in now
        office.play("2026-06-10T18:40")
        later = browser.get(way.path).text.split('class="card now"')[1].split("</section>")[0]
    assert "ibuprofen" not in later.lower()


def test_an_ointment_that_was_ruled_out_is_not_drawn(server: Server, office: Office) -> None:
    office.enroll(first_name="Kim", phone="312-555-0155", settings={"ointment": "none"})
    way = way_to(office, 2)
    office.play("2026-06-11T11:00")
    with opened(server, way) as browser:
        now = browser.get(way.path).text.split('class="card now"')[1].split("</section>")[0]
    assert "Pat dry" in now
    assert "Thin layer" not in now


def test_every_step_before_and_after_stands_with_its_day(robin: Robin) -> None:
    page = robin.page()
    so_far, to_come = page.split('id="so-far"')[1], page.split('id="to-come"')[1].split('id="so-far"')[0]
    assert "You will get texts about your care" in so_far
    assert to_come.count("Soak the treated area") == 7
    assert "Day 14" in to_come
    assert "Jun 24" in to_come


def test_times_are_the_patients_own(server: Server, office: Office) -> None:
    office.enroll(first_name="Kim", phone="808-555-0155", zone="Pacific/Honolulu", end="2026-06-10T05:30")
    with opened(server, way_to(office, 2)) as browser:
        page = browser.get(way_to(office, 2).path).text
    assert "T12:30-10:00" in page


def test_what_is_normal_and_when_to_call_stand_there_from_the_first_hour(robin: Robin) -> None:
    page = robin.page()
    assert "pale yellow fluid is normal" in page
    assert "<li>Trouble breathing, chest pain or fainting.</li>" in page
    assert page.index("Emergency: call") < page.index("<h1>Your care at home")


def test_a_name_and_words_become_no_markup(robin: Robin) -> None:
    assert "Robin&lt;img" in robin.page()
    answer = robin.send("call", words=PAYLOAD, once="1")
    assert PAYLOAD not in robin.page() + answer.text
    (reply,) = robin.office.dump()["reply"]
    assert PAYLOAD in str(reply)


def test_a_paused_or_ended_course_says_so(robin: Robin) -> None:
    decision = Decision(by="Nora Nurse", reason="")
    with robin.office.database.writing() as session:
        pause_course(session, robin.office.desk, 1, decision)
    assert "has paused your messages" in robin.page()
    with robin.office.database.writing() as session:
        end_course(session, robin.office.desk, 1, decision)
    assert "Your messages have ended" in robin.page()


def test_the_visit_comes_into_the_calendar_under_its_one_name(robin: Robin) -> None:
    answer = robin.browser.get(f"{robin.way.path}visit.ics")
    assert answer.headers["content-type"].startswith("text/calendar")
    (event,) = Calendar.from_ical(answer.content).walk("VEVENT")
    assert str(event["uid"]).startswith("visit-")
    assert str(event["summary"]) == "Example Foot Care"
    assert event.decoded("dtstart") == at("2026-06-24T09:30")


# ---------------------------------------------------------------- asking for a call


def test_a_press_of_the_button_becomes_a_concern(robin: Robin) -> None:
    answer = robin.send("call", words="", once="1")
    assert "We have your request" in answer.text
    (concern,) = robin.office.concerns()
    assert (concern.kind, concern.urgency, concern.signs) == ("reply", "routine", ["callback"])
    assert concern.patient_id == 1


def test_an_emergency_in_the_words_is_answered_as_one_at_once(robin: Robin) -> None:
    answer = robin.send("call", words=CHEST, once="1")
    assert answer.text.index('href="tel:911"') < answer.text.index("Call 911 now")
    assert "We have your request" not in answer.text
    (concern,) = robin.office.concerns()
    assert concern.urgency == "emergency"
    assert "chest_pain" in concern.signs


def test_urgent_words_make_it_urgent_and_say_until_when(robin: Robin) -> None:
    answer = robin.send("call", words="it is red and hot up to my ankle", once="1")
    assert "We will call you today" in answer.text
    (concern,) = robin.office.concerns()
    assert concern.urgency == "urgent"


def test_the_same_form_sent_twice_is_one_request(robin: Robin) -> None:
    first, second = (robin.send("call", words=CHEST, once="same") for _ in range(2))
    assert first.text == second.text
    assert len(robin.office.dump()["reply"]) == 1


def test_many_requests_disturb_staff_no_more_but_an_emergency_is_still_answered(robin: Robin) -> None:
    for each in range(10):
        robin.send("call", words="", once=str(each))
    assert "asked us many times" in robin.send("call", words="", once="more").text
    assert "Call 911 now" in robin.send("call", words=CHEST, once="worse").text


def test_whoever_asks_in_words_for_no_more_messages_gets_none(robin: Robin) -> None:
    robin.send("call", words="please call me and stop texting me", once="1")
    assert robin.office.contact_states() == ["stopped"]
    assert len(robin.office.concerns()) == 1


def test_words_are_not_lost_when_the_page_closed_meanwhile(server: Server, office: Office, robin: Robin) -> None:
    page = robin.page()
    office.clock.advance(minutes(61))
    answer = robin.browser.post(
        f"{robin.way.path}call", data={"csrf": hidden(page, "csrf"), "words": "it <b>hurts</b>", "once": "1"}
    )
    assert "Open your page" in answer.text
    assert hidden(answer.text, "words") == "it &lt;b&gt;hurts&lt;/b&gt;"
    opened_again = robin.browser.post(
        f"{robin.way.path}open", data={"code": robin.way.code, "words": "it <b>hurts</b>"}
    )
    assert ">it &lt;b&gt;hurts&lt;/b&gt;</textarea>" in opened_again.text


# ---------------------------------------------------------------- what it changes


def test_the_language_of_page_and_messages_changes(robin: Robin) -> None:
    assert robin.send("language", language="es").status_code == 303
    page = robin.page()
    assert '<html lang="es" dir="ltr">' in page
    assert "Su cuidado en casa" in page
    assert "Remoje" in page
    assert robin.office.message(1, "soak").text.startswith("Example Foot Care: Remoje")


def test_a_language_that_the_plan_lacks_is_the_pages_alone(robin: Robin) -> None:
    robin.send("language", language="ar")
    page = robin.page()
    assert '<html lang="ar" dir="rtl">' in page
    assert '<div lang="en" dir="ltr">' in page
    assert "الإنجليزية" in page
    assert robin.office.message(1, "soak").language == "en"


def test_drafts_are_offered_in_the_demonstration_only(tmp_path: Path, empty_database: Path) -> None:
    with practice_with_pages(tmp_path, empty_database, demo=False) as office:
        with office.database.writing() as session:
            approve(session, office.desk, LEAD, Approver(name="A. Clinician (invented)", license="IL-0000"))
        office.enroll()
        way = way_to(office)
        with serving(office.app) as server, opened(server, way) as browser:
            page = browser.get(way.path).text
            assert 'name="language"' not in page
            fields = {"csrf": hidden(page, "csrf"), "language": "es"}
            assert browser.post(f"{way.path}language", data=fields).status_code == 409
            assert '<html lang="en"' in browser.get(way.path, headers={"Accept-Language": "es"}).text


def test_other_times_are_shown_before_they_are_kept(robin: Robin) -> None:
    times = {"slot.morning": "09:00", "slot.midday": "12:30", "slot.evening": "18:00"}
    shown = robin.send("times", **times)
    said = re.findall(r'class="text">(.*?)</p>', shown.text, re.DOTALL)
    assert len(said) > 4
    assert all(said), "what is said within another message is told there, and not once more without words"
    assert "<del>Thu, Jun 11, 7:00 PM</del> <ins>Thu, Jun 11, 6:00 PM</ins>" in shown.text
    assert robin.office.moments(1, "soak")[0] == "2026-06-11 19:00"
    kept = robin.send("times", **times, shown=unescape(hidden(shown.text, "shown")))
    assert "Your new times are saved" in kept.text
    assert robin.office.moments(1, "soak")[0] == "2026-06-11 18:00"


def test_a_difference_that_moved_on_is_looked_at_again(robin: Robin) -> None:
    times = {"slot.morning": "09:00", "slot.midday": "12:30", "slot.evening": "18:00"}
    shown = unescape(hidden(robin.send("times", **times).text, "shown"))
    robin.office.play("2026-06-11T18:30")
    robin.browser.post(f"{robin.way.path}open", data={"code": robin.way.code})
    assert robin.send("times", **times, shown=shown).status_code == 409
    for forged in ("", "[]", "[1]", "{", '[{"key": 1, "before_at": "2026-01-01", "after_at": null}]'):
        assert robin.send("times", **times, shown=forged).status_code in {400, 409}


@pytest.mark.parametrize(
    ("times", "status"),
    [
        ({"slot.morning": "20:00"}, 400),
        ({"slot.morning": "25:00"}, 409),
        ({"slot.noon": "12:00"}, 409),
        ({}, 409),
    ],
    ids=["out of order", "no time", "no such slot", "nothing"],
)
def test_times_that_make_no_day_change_nothing(robin: Robin, times: dict[str, str], status: int) -> None:
    day = {"slot.morning": "08:00", "slot.midday": "12:30", "slot.evening": "19:00"} if times else {}
    before = robin.office.moments(1, "soak")
    assert robin.send("times", **{**day, **times}).status_code == status
    assert robin.office.moments(1, "soak") == before


def test_a_patient_can_plan_no_required_message_away(robin: Robin) -> None:
    """Soaks in the night would be withheld; staff may decide so, a patient by mistake may not."""
    times = {"slot.morning": "00:30", "slot.midday": "01:30", "slot.evening": "02:30"}
    answer = robin.send("times", **times)
    assert answer.status_code == 400
    assert "could not send you an important message" in answer.text


def test_messages_stop_only_once_the_patient_is_sure(robin: Robin) -> None:
    asked = robin.send("stop")
    assert "Stop all messages" in asked.text
    assert robin.office.contact_states() == ["active"]
    assert "Your messages have stopped" in robin.send("stop", sure="1").text
    assert robin.office.contact_states() == ["stopped"]
    action, address, by = robin.office.consents(1)[-1]
    assert (action, address, by) == ("withdrawn", PHONE, "the patient, on their page")
    assert "You asked us to stop" in robin.page()
    robin.office.play("2026-06-11T12:00")
    assert len(robin.office.handed_over) == 0


def test_the_page_is_forgotten_on_this_device(robin: Robin) -> None:
    answer = robin.browser.post(f"{robin.way.path}forget")
    assert "no longer on this device" in answer.text
    assert "Open your page" in robin.browser.get(robin.way.path).text


@pytest.mark.parametrize("what", ["call", "language", "times", "stop"])
def test_no_other_site_presses_a_button(robin: Robin, what: str) -> None:
    fields = {"language": "es", "sure": "1", "words": "x", "once": "1"}
    path = f"{robin.way.path}{what}"
    page = robin.page()
    before = robin.office.dump()
    assert robin.browser.post(path, data=fields).status_code == 403
    assert robin.browser.post(path, data={**fields, "csrf": "1-AAAA"}).status_code == 403
    far = {"Sec-Fetch-Site": "cross-site"}
    assert robin.browser.post(path, data={**fields, "csrf": hidden(page, "csrf")}, headers=far).status_code == 403
    assert robin.office.dump() == before


@pytest.mark.parametrize(
    ("method", "what", "status"), [("GET", "nothing-here", 404), ("GET", "stop", 405), ("POST", "stop", 403)]
)
def test_what_can_not_be_done_is_said_to_a_patient_with_numbers_to_call(
    robin: Robin, method: str, what: str, status: int
) -> None:
    answer = robin.browser.request(method, f"{robin.way.path}{what}", headers={"Accept-Language": "es-MX, en;q=0.5"})
    assert answer.status_code == status
    assert '<html lang="es"' in answer.text
    assert 'href="tel:911"' in answer.text
    assert "/staff" not in answer.text


# ---------------------------------------------------------------- what others may learn


@pytest.mark.parametrize("path", ["", "open", "visit.ics", "worker.js", "forget"])
def test_no_answer_is_kept_by_caches_or_tells_where_it_came_from(server: Server, robin: Robin, path: str) -> None:
    method = "POST" if path in {"open", "forget"} else "GET"
    answer = robin.browser.request(method, f"{robin.way.path}{path}", data={"code": robin.way.code} if path else None)
    assert answer.headers["cache-control"] == ("no-cache" if path == "worker.js" else "no-store")
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert "default-src 'none'" in answer.headers["content-security-policy"]


def test_only_the_open_page_may_be_kept_on_the_device_and_it_says_until_when(server: Server, robin: Robin) -> None:
    answer = robin.browser.get(robin.way.path)
    last = max(message.send_at for message in robin.office.messages(1))
    assert int(answer.headers["x-page-ends"]) == int((last + timedelta(days=14)).timestamp())
    for other in (httpx.get(server.base + robin.way.path), robin.send("stop"), robin.send("call", once="1")):
        assert "x-page-ends" not in other.headers


def test_the_page_fetches_nothing_from_elsewhere_and_wants_to_be_found_by_nobody(robin: Robin) -> None:
    page = robin.page()
    assert 'name="robots" content="noindex' in page
    assert re.findall(r'(?:src|href|action)="(https?:|//)', page) == []
    assert "style=" not in page
    assert re.findall(r"<script(?! src=)", page) == []


def test_no_log_line_and_no_trail_holds_a_name_a_code_a_link_or_a_word(
    server: Server, office: Office, way: Way, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG)
    with opened(server, way) as browser:
        robin = Robin(office, browser, way)
        browser.post(f"{way.path}open", data={"code": wrong(way)})
        robin.send("call", words="my private words", once="1")
        robin.send("language", language="es")
        browser.get(way.path.replace("/my/1-", "/my/2-"))
    # pytest hears loggers that hand nothing on, too: uvicorn's of requests is silenced by our configuration.
    strangers = ("httpx", "httpcore", "uvicorn.access")
    own = [record for record in caplog.records if not record.name.startswith(strangers)]
    trail = [str(row) for row in office.dump()["audit_entry"]]
    assert sum("'patient'" in row for row in trail) >= 3, "what is done on the page is noted as the patient's"
    assert not logging.getLogger("uvicorn.access").propagate
    for line in [*trail, *(str({**vars(record), "message": record.getMessage()}) for record in own)]:
        for secret in ("Robin", "private words", way.code, way.path.partition("-")[2].strip("/"), PHONE):
            assert secret not in line


def test_the_first_load_stays_within_sixty_kilobytes(server: Server, robin: Robin) -> None:
    """Every byte of every answer that a browser asks for at first, uncompressed, headers too; Cyrillic takes most."""
    robin.send("language", language="ru")
    page = robin.browser.get(robin.way.path)
    files = set(re.findall(r'(?:href|src)="(/static/[^"]+)"', page.text))
    assert len(files) == 3
    again = {f"{robin.way.path}?copy=1", f"{robin.way.path}worker.js"}  # for the copy on the device
    answers = [page, *(robin.browser.get(each) for each in sorted(files | again))]
    assert all(each.status_code == 200 for each in answers)
    heads = sum(len(name) + len(value) + 4 for each in answers for name, value in each.headers.raw)
    assert sum(len(each.content) for each in answers) + heads <= 60_000
