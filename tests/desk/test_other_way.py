"""What does not arrive: by the other channel if the patient agreed to it, else to staff; once, and never too late."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from reminders.delivery.dispatcher import Dispatcher
from reminders.delivery.incoming import Arrival, Receipt
from reminders.delivery.outgoing import Accepted, Outgoing, Result
from reminders.desk import silent_gateway
from reminders.desk.other_way import OTHER_WAY, attend_to_undelivered
from reminders.errors import BadAddress, InDoubt, Refused
from reminders.records import people
from reminders.records.tables import Message
from tests.delivery.scripted import ScriptedTransport, accepted
from tests.desk.office import PHONE, Office, open_office
from tests.servers import fresh_database

HOUR = timedelta(hours=1)
START = "2026-06-10T14:00"
BOTH = {"phone": "312-555-0123", "email": "robin@example.org"}


def _worker(office: Office, sms: Callable[[Outgoing], Result]) -> Dispatcher:
    """A worker of the practice over whose SMS way the test decides; e-mails are taken."""

    def answer(message: Outgoing) -> Result:
        return sms(message) if message.channel == "sms" else Accepted(ref=f"mail-{message.id}")

    transport = ScriptedTransport(answer, batch_size=1)
    transport.name = "smpp"  # of those that tell what arrived
    worker = office.app.dispatcher()
    vars(worker)["_transports"] = {"sms": transport, "email": transport}
    return worker


@pytest.fixture(params=["sqlite", "postgresql"])
def office(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Office]:
    opened = open_office(tmp_path, fresh_database(request.param, tmp_path), START)
    yield opened
    opened.database.close()


def _by(office: Office, channel: str) -> list[Message]:
    return [each for each in office.messages() if each.channel == channel]


def _receipt(office: Office, message: Message, arrival: Arrival, **facts: Any) -> None:
    receipt = Receipt(transport="smpp", arrival=arrival, ref=f"ref-{message.id}", detail="UNDELIV", **facts)
    office.app.intake.take_in([receipt])


def _desk_message(office: Office, enrollment_id: int) -> Message:
    return office.message(enrollment_id, "confirmation")


def test_what_is_refused_for_good_goes_by_email_in_the_words_for_it(office: Office) -> None:
    enrolled = office.enroll(**BOTH)
    _worker(office, lambda _: Refused("policy")).run_once()
    (mail,) = _by(office, "email")
    assert (mail.key, mail.state, mail.address) == (f"confirmation{OTHER_WAY}", "sent", "robin@example.org")
    assert mail.instead_of_id == _desk_message(office, enrolled.enrollment_id).id
    assert mail.subject
    assert mail.markdown
    assert office.concerns() == []


@pytest.mark.parametrize(
    "facts", [{"phone": "312-555-0123"}, BOTH | {"withdrawn": True}], ids=["no-address", "consent-withdrawn"]
)
def test_without_another_way_staff_are_told(office: Office, facts: dict[str, Any]) -> None:
    enrolled = office.enroll(**{name: value for name, value in facts.items() if name != "withdrawn"})
    if "withdrawn" in facts:
        with office.database.writing() as session:
            for contact in people.contacts_of(session, enrolled.patient_id):
                contact.state = "stopped" if contact.channel == "email" else contact.state
    _worker(office, lambda _: Refused("policy")).run_once()
    assert _by(office, "email") == []
    assert _desk_message(office, enrolled.enrollment_id).state == "failed"
    assert [each.kind for each in office.concerns()] == ["delivery"]


def test_a_number_that_does_not_work_gets_nothing_more_and_all_goes_by_email(office: Office) -> None:
    enrolled = office.enroll(**BOTH)
    tried: list[int] = []

    def dead(message: Outgoing) -> Result:
        tried.append(message.id)
        return BadAddress("no such number")

    worker = _worker(office, dead)
    worker.run_once()
    office.clock.move_to(office.clock.now() + timedelta(days=2))
    worker.run_once()
    worker.run_once()
    assert len(tried) == 1
    assert office.contacts(enrolled.patient_id)[PHONE] == "unreachable"
    (concern,) = [each for each in office.concerns() if "does not work" in each.summary]
    assert "Ask the patient for another one" in concern.summary
    assert {each.state for each in _by(office, "email")} == {"sent"}


def test_a_receipt_that_says_failed_does_the_same(office: Office) -> None:
    enrolled = office.enroll(**BOTH)
    worker = _worker(office, accepted)
    worker.run_once()
    _receipt(office, _desk_message(office, enrolled.enrollment_id), Arrival.FAILED, bad_address=True)
    worker.run_once()
    assert [each.state for each in _by(office, "email")] == ["sent"]
    assert office.contacts(enrolled.patient_id)[PHONE] == "unreachable"
    _receipt(office, _desk_message(office, enrolled.enrollment_id), Arrival.FAILED, bad_address=True)
    assert len(_by(office, "email")) == 1
    assert len(office.concerns()) == 1


def test_what_arrived_after_all_takes_back_what_waits_to_stand_in(office: Office) -> None:
    enrolled = office.enroll(**BOTH)
    _worker(office, accepted).run_once()
    message = _desk_message(office, enrolled.enrollment_id)
    _receipt(office, message, Arrival.FAILED)
    _receipt(office, message, Arrival.DELIVERED)
    assert [each.state for each in _by(office, "email")] == ["cancelled"]
    assert _desk_message(office, enrolled.enrollment_id).state == "delivered"


def _attend(office: Office) -> tuple[int, int]:
    return attend_to_undelivered(office.database, office.desk, transports=("smpp",), after=HOUR)


def test_what_is_not_known_to_have_arrived_in_time_goes_another_way_once(office: Office) -> None:
    office.enroll(**BOTH)
    _worker(office, accepted).run_once()
    office.clock.advance(HOUR / 2)
    assert _attend(office) == (0, 0)
    office.clock.advance(HOUR)
    assert _attend(office) == (1, 0)
    office.clock.advance(HOUR)
    assert _attend(office) == (0, 0)


def test_without_another_way_staff_are_told_once_of_what_is_not_known_to_have_arrived(office: Office) -> None:
    office.enroll()
    _worker(office, accepted).run_once()
    office.clock.advance(HOUR)
    assert _attend(office) == (0, 1)
    assert _attend(office) == (0, 0)
    assert "is not known to have arrived" in office.concerns()[0].summary


def test_a_gateway_that_tells_of_nothing_any_more_is_one_concern_and_doubles_nothing(
    office: Office, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(silent_gateway, "PATIENTS", 3)

    def enroll(number: int) -> Message:
        enrolled = office.enroll(first_name=f"P{number}", phone=f"312-555-013{number}", email=f"p{number}@example.org")
        _worker(office, accepted).run_once()
        return _desk_message(office, enrolled.enrollment_id)

    _receipt(office, enroll(0), Arrival.DELIVERED)
    office.clock.advance(HOUR / 60)
    told = [enroll(number) for number in range(1, 4)]
    office.clock.advance(HOUR)
    assert _attend(office) == (0, 1)
    (concern,) = office.concerns()
    assert (concern.about, concern.urgency, concern.patient_id) == ("no receipts", "urgent", None)
    assert "tells of none whether it arrived" in concern.summary
    assert _attend(office) == (0, 0)
    _receipt(office, told[0], Arrival.DELIVERED)
    office.clock.advance(HOUR / 60)
    enroll(4)
    office.clock.advance(HOUR)
    assert _attend(office) == (1, 0)
    assert [each.address for each in _by(office, "email")] == ["p4@example.org"]


def test_what_arrived_or_is_useless_by_now_goes_no_other_way(office: Office) -> None:
    enrolled = office.enroll(**BOTH)
    _worker(office, accepted).run_once()
    _receipt(office, _desk_message(office, enrolled.enrollment_id), Arrival.DELIVERED)
    office.clock.advance(HOUR)
    assert _attend(office) == (0, 0)
    second = office.enroll(**BOTH, again=True)
    _worker(office, accepted).run_once()
    office.clock.move_to(max(each.useful_until for each in office.messages(second.enrollment_id)))
    assert _attend(office) == (0, 0)


def _pain_relief(office: Office, sms: Callable[[Outgoing], Result]) -> Message:
    """Enroll somebody and play until the text about medicine met its fate."""
    enrolled = office.enroll(**BOTH)
    worker = _worker(office, lambda each: accepted(each) if office.clock.now() < due else sms(each))
    (message,) = [each for each in office.messages(enrolled.enrollment_id) if each.key == "pain_relief"]
    assert (message.in_doubt, message.state) == ("hold", "scheduled")
    due = message.due_at
    worker.run_once()
    office.clock.move_to(due)
    worker.run_once()
    return message


def _stand_ins(office: Office, message: Message) -> list[Message]:
    return [each for each in office.messages() if each.instead_of_id == message.id]


@pytest.mark.parametrize(
    ("result", "stand_ins"),
    [
        pytest.param(Refused("policy"), 1, id="surely-not"),
        pytest.param(InDoubt("no answer"), 0, id="in-doubt"),
        pytest.param(None, 0, id="taken-and-never-told-of"),
    ],
)
def test_a_text_about_medicine_goes_another_way_only_if_it_surely_did_not_arrive(
    office: Office, result: Result | None, stand_ins: int
) -> None:
    message = _pain_relief(office, lambda each: result or accepted(each))
    office.clock.advance(HOUR)
    _attend(office)
    assert len(_stand_ins(office, message)) == stand_ins
    assert stand_ins or any("pain_relief" in each.summary for each in office.concerns())


def test_a_receipt_about_a_try_in_doubt_settles_it_rather_than_send_it_twice(office: Office) -> None:
    enrolled = office.enroll()
    _worker(office, lambda _: InDoubt("no answer")).run_once()
    message = _desk_message(office, enrolled.enrollment_id)
    assert message.state == "scheduled"
    key = f"{office.database.installation_name()}-{message.id}"
    office.app.intake.take_in([Receipt(transport="smpp", arrival=Arrival.DELIVERED, key=key)])
    settled = _desk_message(office, enrolled.enrollment_id)
    assert (settled.state, settled.settled_at) == ("delivered", office.clock.now())
    office.clock.advance(HOUR)
    worker = _worker(office, accepted)
    worker.run_once()
    assert _desk_message(office, enrolled.enrollment_id).attempts == 1
