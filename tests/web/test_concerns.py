"""The list of concerns by the pages: whose turn it is, why a reply is pressing, and that nobody takes what is taken."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta

import httpx
import pytest

from reminders.desk.roles import Role
from reminders.desk.take_reply import Incoming, take_reply
from tests.desk.office import Office
from tests.web.people import browser_of, csrf_in, field_in, send
from tests.web.server import Server

WORDS = "it is red and hot up to my ankle <script>alert(1)</script>"


@dataclass(frozen=True)
class Ward:
    """A patient wrote, and Nora Nurse looks at the list."""

    office: Office
    server: Server
    nora: httpx.Client
    concern_id: int

    @property
    def page(self) -> str:
        """Where the concern is."""
        return f"/staff/concerns/{self.concern_id}"

    def act(self, what: str, browser: httpx.Client | None = None, **fields: str) -> httpx.Response:
        """Press a button of the concern's page."""
        return send(browser or self.nora, f"{self.page}/{what}", **fields)


@pytest.fixture
def ward(office: Office, server: Server) -> Iterator[Ward]:
    """A Wednesday at 10:30: Robin Invented was enrolled and wrote."""
    office.enroll(first_name="Robin<b>", factors=("diabetes",))
    office.dispatcher.run_once()
    office.reply(WORDS)
    (concern,) = [each for each in office.concerns() if each.kind == "reply"]
    assert concern.id
    with browser_of(server, office, Role.NURSE) as nora:
        yield Ward(office, server, nora, concern.id)
    office.dispatcher.close()


def test_the_list_tells_whom_to_call_and_until_when(ward: Ward) -> None:
    page = ward.nora.get("/staff/concerns").text
    assert "Robin&lt;b&gt; Invented" in page
    assert "Urgent" in page
    assert "4 h left" in page or "240 min left" in page


def test_what_a_mail_quoted_and_how_it_was_signed_can_be_looked_at(ward: Ward) -> None:
    mail = Incoming(
        channel="email", sender="robin@example.org", text="There is pus.", left_out="> Soak it.\n-- \n<Robin>"
    )
    with ward.office.database.writing() as session:
        concern_id = take_reply(session, ward.office.desk, mail).concern_id
    page = ward.nora.get(f"/staff/concerns/{concern_id}").text
    assert "&gt; Soak it.\n-- \n&lt;Robin&gt;" in page


def test_the_page_marks_the_words_that_led_there_and_says_why(ward: Ward) -> None:
    page = ward.nora.get(ward.page).text
    assert 'href="tel:+13125550123"' in page
    assert "<mark" in page
    assert "spreading redness" in page
    assert "Diabetes" in page or "diabetes" in page


def test_what_a_patient_writes_is_shown_and_never_run(ward: Ward) -> None:
    page = ward.nora.get(ward.page).text
    assert "<script>alert(1)" not in page
    assert "<b>" not in page


def test_two_nurses_cannot_take_the_same_one(ward: Ward) -> None:
    with browser_of(ward.server, ward.office, Role.NURSE, name="Second Nurse", login="second") as second:
        assert ward.act("take").status_code == 303
        answer = ward.act("take", second)
        assert answer.status_code == 409
        assert "taken by Nora Nurse" in answer.text


def test_a_call_back_is_noted_and_closed(ward: Ward) -> None:
    ward.act("take")
    ward.act("note", note="No answer, tries again at 14:00")
    assert "No answer, tries again" in ward.nora.get(ward.page).text
    assert ward.act("close", outcome="reached", note="Comes in at 16:00").headers["location"] == "/staff/concerns"
    closed = ward.nora.get("/staff/concerns/closed").text
    assert "Robin&lt;b&gt; Invented" in closed
    assert [step.action for step in ward.office.history(ward.concern_id)] == ["opened", "taken", "note", "closed"]


def test_a_call_that_reached_nobody_is_noted_and_the_concern_stays_open(ward: Ward) -> None:
    ward.act("note", outcome="left_voicemail", note="Tries again at 14:00")
    assert "left voicemail: Tries again at 14:00" in ward.nora.get(ward.page).text
    assert ward.office.concerns()[0].taken_by == "Nora Nurse"


def test_closing_without_an_outcome_keeps_what_was_typed(ward: Ward) -> None:
    ward.act("take")
    answer = ward.act("close", note="A long story")
    assert "Say how the call ended" in answer.text
    assert "A long story" in answer.text


def test_what_a_patient_writes_during_the_call_is_read_before_the_concern_closes(ward: Ward) -> None:
    read = field_in(ward.nora.get(ward.page), "read")
    ward.office.reply("she fainted just now")
    answer = ward.act("close", outcome="reached", note="All well", read=read)
    assert answer.status_code == 409
    assert all(said in answer.text for said in ("wrote again", "fainted", "All well"))
    assert ward.act("close", outcome="reached", read=field_in(answer, "read")).status_code == 303


def test_a_closed_one_opens_again_with_a_note(ward: Ward) -> None:
    ward.act("close", outcome="left_voicemail")
    assert ward.act("reopen", note="").status_code == 400
    ward.act("reopen", note="Called back")
    assert ward.office.concerns()[0].state == "open"


def test_what_was_typed_goes_with_a_concern_that_is_handed_over(ward: Ward) -> None:
    with browser_of(ward.server, ward.office, Role.CLINICIAN) as cleo:
        ward.act("hand-over", to="Cleo Clinician", outcome="left_voicemail", note="Ask about the fever")
        ward.act("hand-over", cleo, to="Nora Nurse", note="No fever")
        ward.act("hand-over", to="", outcome="left_voicemail", note="Nobody there")
    said = [(each.action, each.note) for each in ward.office.history(ward.concern_id)[1:]]
    assert said == [
        ("called", "left_voicemail: Ask about the fever"),
        ("handed_over", "handed over to Cleo Clinician"),
        ("note", "No fever"),
        ("handed_over", "handed over to Nora Nurse"),
        ("called", "left_voicemail: Nobody there"),
        ("given_back", ""),
    ]


def test_taking_a_concern_loses_nothing_that_was_typed_before(ward: Ward) -> None:
    answer = ward.act("take", note="Half a note", outcome="reached")
    assert "You have it." in answer.text
    assert ">Half a note</textarea>" in answer.text
    assert 'value="reached" checked' in answer.text


def test_a_concern_is_handed_over_and_given_back(ward: Ward) -> None:
    with browser_of(ward.server, ward.office, Role.CLINICIAN) as cleo:
        ward.act("take")
        assert ward.act("hand-over", to="Nobody Here").status_code == 400
        ward.act("hand-over", to="Cleo Clinician")
        assert "You have it." in cleo.get(ward.page).text
        ward.act("hand-over", cleo, to="", note="Back to the list")
        assert ward.office.concerns()[0].state == "open"


@pytest.mark.parametrize("role", [Role.FRONT_DESK, Role.ADMINISTRATOR])
def test_other_roles_see_no_words_of_patients(ward: Ward, role: Role) -> None:
    with browser_of(ward.server, ward.office, role) as browser:
        for path in ("/staff/concerns", ward.page, "/staff/concerns/list", "/staff/concerns/stream"):
            answer = browser.get(path)
            assert answer.status_code == 403
            assert "Robin" not in answer.text
        assert ward.act("take", browser).status_code == 403


def test_a_concern_that_does_not_exist_is_not_found(ward: Ward) -> None:
    assert ward.nora.get("/staff/concerns/999").status_code == 404
    assert ward.nora.get("/staff/concerns/abc").status_code == 404


def events(browser: httpx.Client, count: int) -> Iterator[dict[str, object]]:
    """What the stream tells, so many times."""
    with browser.stream("GET", "/staff/concerns/stream") as stream:
        for line in stream.iter_lines():
            if line.startswith("data: "):
                yield json.loads(line.removeprefix("data: "))
                count -= 1
            if not count:
                return


def test_an_open_page_is_told_that_something_happened_and_never_to_whom(ward: Ward) -> None:
    told = events(ward.nora, 2)
    first = next(told)
    ward.act("take")
    second = next(told)
    assert first["untaken"] == 1
    assert second["untaken"] == 0
    assert second["last_event"] != first["last_event"]
    assert "Robin" not in str((first, second))


def test_an_idle_page_is_told_to_hide_and_still_how_many_wait(ward: Ward) -> None:
    ward.office.clock.advance(timedelta(minutes=20))
    (told,) = events(ward.nora, 1)
    assert told["idle"] is True
    assert told["untaken"] == 1


def test_what_a_page_fetches_by_itself_keeps_no_sign_in_awake(ward: Ward) -> None:
    for _ in range(3):
        ward.office.clock.advance(timedelta(minutes=8))
        ward.nora.get("/staff/concerns/list", headers={"HX-Request": "true"})
    answer = ward.nora.get("/staff/concerns/list", headers={"HX-Request": "true"})
    assert (answer.status_code, answer.text) == (204, "")


def test_the_page_a_forged_form_would_reach_is_refused(ward: Ward) -> None:
    token = csrf_in(ward.nora.get(ward.page))
    assert ward.nora.post(f"{ward.page}/take", data={"csrf": token[:-1]}).status_code == 403
    assert ward.office.concerns()[0].state == "open"
