"""A course by its page: what is shown to whom, changing facts, steering, sending again, printing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import httpx
import pytest

from reminders.desk.roles import Role
from tests.build import LEAD
from tests.desk.office import Office
from tests.waiting import until
from tests.web.people import browser_of, csrf_in, send
from tests.web.server import Server

PAGE = "/staff/courses/1"


@dataclass(frozen=True)
class Ward:
    """Robin's course, and two who look at it."""

    office: Office
    nora: httpx.Client
    fay: httpx.Client

    def act(self, what: str, browser: httpx.Client | None = None, **fields: str) -> httpx.Response:
        """Press a button of the course's page."""
        return send(browser or self.nora, f"{PAGE}/{what}", **fields)


@pytest.fixture
def ward(office: Office, server: Server) -> Iterator[Ward]:
    """A Wednesday at 10:30: the desk message went out, and Robin wrote."""
    office.enroll(visit="2026-06-24T09:30", first_name="Robin<b>")
    office.dispatcher.run_once()
    office.reply("it is red and hot up to my ankle")
    with browser_of(server, office, Role.NURSE) as nora, browser_of(server, office, Role.FRONT_DESK) as fay:
        yield Ward(office, nora, fay)
    office.dispatcher.close()


def test_the_page_tells_what_was_sent_and_why_then(ward: Ward) -> None:
    page = ward.nora.get(PAGE).text
    assert "Robin&lt;b&gt; Invented" in page
    assert "<svg" in page
    assert "Why then" in page
    assert "red and hot" in page


def test_the_front_desk_sees_no_words_of_the_patient(ward: Ward) -> None:
    page = ward.fay.get(PAGE)
    assert page.status_code == 200
    assert "red and hot" not in page.text
    assert ward.fay.get(f"{PAGE}/record").status_code == 403


def test_the_chart_record_is_taken_along_as_a_document_and_for_another_chart(ward: Ward) -> None:
    page = ward.nora.get(f"{PAGE}/record").text
    files = {kind: ward.nora.get(f"{PAGE}/record.{kind}") for kind in ("pdf", "json")}
    for kind, file in files.items():
        assert f'href="{PAGE}/record.{kind}"' in page
        assert file.headers["content-disposition"] == f'attachment; filename="record-1.{kind}"'
        assert file.headers["cache-control"] == "no-store"
        assert ward.fay.get(f"{PAGE}/record.{kind}").status_code == 403
    assert files["pdf"].content.startswith(b"%PDF-")  # ISO 32000-1 section 7.5.2
    # RFC 6839 section 3.1 and HL7 FHIR R4, "Content Types and encodings" (from memory)
    assert files["json"].headers["content-type"] == "application/fhir+json"
    bundle = files["json"].json()
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "collection")
    assert "red and hot" in files["json"].text


def test_a_change_is_shown_before_it_is_stored(ward: Ward) -> None:
    page = ward.fay.get(f"{PAGE}/change")
    fields = {"visit": "2026-06-25 10:00", "was.visit": "2026-06-24 09:30", "csrf": csrf_in(page), "looked": "1"}
    shown = ward.fay.post(f"{PAGE}/change", data=fields)
    assert "What becomes different" in shown.text
    assert "Wed 24 Jun" in shown.text or "Mon 22 Jun" in shown.text
    before = ward.office.moments(1, "visit")
    said = shown.text.split('name="shown" value="')[1].split('"')[0].replace("&#34;", '"')
    stored = ward.fay.post(f"{PAGE}/change", data={**fields, "shown": said})
    assert stored.status_code == 303
    assert ward.office.moments(1, "visit") != before


def test_what_moved_on_meanwhile_is_not_stored(ward: Ward) -> None:
    fields = {"visit": "2026-06-25 10:00", "was.visit": "2026-06-24 09:30", "looked": "1", "shown": "[]"}
    answer = ward.act("change", ward.fay, **fields)
    assert answer.status_code == 409
    assert "look at the difference again" in answer.text


@pytest.mark.parametrize("shown", ["{", "[1]", '[{"key": "x"}]', "null"])
def test_a_forged_difference_is_refused(ward: Ward, shown: str) -> None:
    fields = {"visit": "2026-06-25 10:00", "was.visit": "2026-06-24 09:30", "looked": "1", "shown": shown}
    assert ward.act("change", ward.fay, **fields).status_code == 400


def test_an_impossible_fact_is_refused_with_its_reason(ward: Ward) -> None:
    answer = ward.act("change", ward.fay, **{"visit": "someday", "was.visit": "", "looked": "1"})
    assert answer.status_code == 400
    assert "not a date and time" in answer.text


def test_a_course_is_paused_resumed_and_ended(ward: Ward) -> None:
    ward.act("pause", reason="in hospital")
    assert "paused since" in ward.nora.get(PAGE).text
    assert ward.act("pause").status_code == 409
    ward.act("resume")
    asked = ward.act("end")
    assert "End this course?" in asked.text
    assert ward.act("end", sure="1", reason="moved away").status_code == 303
    assert ward.act("pause").status_code == 409


def test_another_number_is_agreed_to_and_written_to(ward: Ward) -> None:
    assert ward.act("consent/give", ward.fay, address="312-555-0188").status_code == 400
    assert ward.act("consent/give", ward.fay, address="nonsense", agreed="on").status_code == 400
    assert ward.act("consent/give", ward.fay, address="312-555-0188", agreed="on").status_code == 303
    assert {each.address for each in ward.office.messages(1) if each.state == "scheduled"} == {"+13125550188"}
    assert ward.office.contact_states() == ["stopped"]


def test_consent_is_withdrawn_in_the_patients_words(ward: Ward) -> None:
    assert ward.act("consent/withdraw", ward.fay, channel="sms", wording="").status_code == 400
    ward.act("consent/withdraw", ward.fay, channel="sms", wording="No more texts please")
    assert ward.office.contact_states() == ["stopped"]
    assert "No more texts please" in ward.nora.get(f"{PAGE}/record").text


def test_steering_is_not_the_front_desks(ward: Ward) -> None:
    for what in ("pause", "resume", "end", "messages/1/again"):
        assert ward.act(what, ward.fay, sure="1").status_code == 403


def test_a_message_is_sent_again_once(ward: Ward) -> None:
    sent = next(each for each in ward.office.messages(1) if each.state == "sent")
    ward.office.dispatcher.run_once()
    left = len(ward.office.texts)
    assert ward.act(f"messages/{sent.id}/again").status_code == 303
    ward.office.dispatcher.run_once()
    assert ward.office.texts[left:] == [sent.text]
    assert ward.act(f"messages/{sent.id}/again").status_code == 409
    waiting = next(each for each in ward.office.messages(1) if each.state == "scheduled")
    assert ward.act(f"messages/{waiting.id}/again").status_code == 409
    assert ward.act("messages/999999/again").status_code == 404


def test_the_sheet_prints_with_its_own_styles_and_no_script(ward: Ward) -> None:
    answer = ward.fay.get(f"{PAGE}/sheet")
    policy = answer.headers["content-security-policy"]
    assert "sha256-" in policy
    assert "script-src" not in policy
    assert "default-src 'none'" in policy
    assert "Robin&lt;b&gt;" in answer.text


def test_patients_are_found_without_their_name_in_an_address(ward: Ward) -> None:
    found = send(ward.fay, "/staff/patients", search="robin")
    assert f'href="{PAGE}"' in found.text
    assert ward.fay.get("/staff/patients?search=robin").text.count("Robin") == 0


def test_today_names_who_is_in_aftercare_and_what_goes_out(ward: Ward) -> None:
    page = ward.fay.get("/staff/today").text
    assert "Robin&lt;b&gt; Invented" in page
    assert "in aftercare" in page
    assert "/staff/concerns/" not in page


def test_a_plan_is_approved_by_a_clinician_alone_and_only_as_it_was_read(ward: Ward, server: Server) -> None:
    content = ward.office.desk.library.get(LEAD).content_hash
    path = f"/staff/plans/{LEAD}/approve"
    assert send(ward.nora, path, content=content, read="on").status_code == 403
    with browser_of(server, ward.office, Role.CLINICIAN) as cleo:
        done = send(cleo, path, content=content, read="on")
        assert done.headers["location"] == f"/staff/plans/{LEAD}?done=approved"
        assert "Cleo Clinician" in cleo.get("/staff/plans").text
        assert "Nothing differs" in cleo.get(f"/staff/plans/{LEAD}/compare").text
        assert cleo.get(f"/staff/plans/{LEAD}/compare?before=0000").status_code == 404
        assert cleo.get("/staff/plans/..%2f..%2fetc").status_code == 404


def test_a_plan_is_checked_at_the_press_of_a_button(ward: Ward) -> None:
    path = "/staff/plans/iud-insertion/check"
    assert "It was not checked" in ward.fay.get(path).text
    assert send(ward.fay, path).headers["location"] == path
    assert "It is being checked" in ward.fay.get(path).text
    assert send(ward.fay, path).headers["location"] == path  # pressed twice, it is checked once
    until(lambda: "It is being checked" not in ward.fay.get(path).text, seconds=120)
    assert "It holds for every case that was tried" in ward.fay.get(path).text


def test_the_page_tells_of_consent_and_leads_to_the_chart_record(ward: Ward) -> None:
    page = ward.nora.get(PAGE).text
    consent = page.partition("<h2>Consent</h2>")[2].partition("</ol>")[0]
    assert "given" in consent
    assert "+1 312-555-0123" in consent
    assert f'href="{PAGE}/record"' in page
    assert f'href="{PAGE}/record"' not in ward.fay.get(PAGE).text


def test_what_was_moved_says_where_from_and_why(ward: Ward, office: Office) -> None:
    """An evening message that quiet hours would hold back goes out before them; its page says so."""
    evening = office.enroll(first_name="Late", phone="312-555-0145", settings={"block_hours": "12"})
    page = ward.nora.get(f"/staff/courses/{evening.enrollment_id}").text
    why = r"[^<]*quiet from 21:00, so 20:45"
    assert re.search(rf"<li>{why}", page)
    assert re.search(rf'<title>pain relief: scheduled;{why}[^<]*</title><path class="moved"', page)


def test_the_picture_holds_replies_concerns_consent_and_the_visit(ward: Ward) -> None:
    picture = ward.nora.get(PAGE).text.partition('<svg class="course"')[2].partition("</svg>")[0]
    for shape in ("sent", "waits", "reply", "concern", "consent", "visit"):
        assert f'class="{shape}"' in picture, shape
    for words in ("Consent: given", "reply: urgent", "concern 1: urgent, open"):
        assert f"<title>{words}</title>" in picture, words
    for_the_desk = ward.fay.get(PAGE).text.partition('<svg class="course"')[2].partition("</svg>")[0]
    assert "reply" not in for_the_desk
    assert "concern" not in for_the_desk
