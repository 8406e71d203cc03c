"""A whole night: who is answered, who is woken and when, until the practice opens again."""

from __future__ import annotations

from reminders.desk.concerns import CallBack, close_concern, take_concern
from reminders.desk.escalate import escalate_all, next_escalation_at
from reminders.desk.silence import attend_to_silence
from tests.databases import database_kind
from tests.desk.conftest import Opener
from tests.desk.office import Office, at, wall
from tests.desk.test_duty import PEOPLE, SHIFTS

__all__ = ["database_kind"]

ADA, BO, CY = "+13125550111", "+13125550112", "+13125550113"
STAFF = {
    "+13125550141": "nurse",
    "nurse@example.org": "nurse",
    "+13125550142": "doctor",
    "partner@example.org": "partner",
}


def live(office: Office, until: str) -> None:
    """Let the jobs of the service run until a wall time in Chicago."""
    end = at(until)
    while True:
        escalate_all(office.database, office.desk)
        attend_to_silence(office.database, office.desk)
        office.dispatcher.run_once()
        moments = (next_escalation_at(office.database, office.desk), office.dispatcher.next_at())
        later = [each for each in moments if each is not None and office.clock.now() < each <= end]
        office.clock.move_to(min(later, default=end))
        if not later:
            return


def said_to(office: Office, number: str, since: str) -> list[str]:
    """What a patient was sent from a wall time on."""
    return [each["text"] for each in office.handed_over if each["to"] == number and wall(at(each["at"])) >= since]


def woken(office: Office) -> list[tuple[str, str]]:
    """Who of the practice was told when, by Chicago's clocks."""
    told = [(wall(at(each["at"]))[11:], STAFF[each["to"]]) for each in office.handed_over if each["to"] in STAFF]
    return list(dict.fromkeys(told))


def test_a_night_with_an_emergency_at_three(office_at: Opener) -> None:
    # Wednesday, open until 17:30; at night the doctor is on duty and then the partner, who has no telephone here
    office = office_at(
        "2026-06-10T16:00", duty={"people": PEOPLE, "shifts": SHIFTS, "link": "https://desk.example.org"}
    )
    for name, phone in (("Ada", ADA), ("Bo", BO), ("Cy", CY)):
        office.enroll(first_name=name, phone=phone)
    live(office, "2026-06-10T22:00")
    office.reply("there is pus coming out and it smells", sender=ADA)
    live(office, "2026-06-10T23:00")
    office.reply("can I reschedule my visit?", sender=BO)
    live(office, "2026-06-11T03:00")
    assert woken(office) == []

    office.reply("I can't breathe and my face is swelling", sender=CY)
    live(office, "2026-06-11T03:17")
    emergency = next(each for each in office.concerns() if each.urgency == "emergency")
    with office.database.writing() as session:
        take_concern(session, office.desk, emergency.id or 0, by="D. Doctor")
    live(office, "2026-06-11T03:30")
    office.reply("it gets worse, I can't breathe", sender=CY)
    live(office, "2026-06-11T03:40")
    with office.database.writing() as session:
        close_concern(session, office.desk, emergency.id or 0, CallBack(outcome="sent_to_emergency"), by="D. Doctor")
    live(office, "2026-06-11T09:20")

    assert woken(office) == [
        *(("03:00", "doctor"), ("03:05", "partner"), ("03:10", "doctor"), ("03:15", "partner")),
        ("03:30", "doctor"),  # who has it, as the patient wrote again
        *(("09:00", "nurse"), ("09:15", "doctor")),  # of the pus, half an hour after opening and nobody took it
    ]
    assert "call 312-555-0199 now" in said_to(office, ADA, "2026-06-10 22:00")[0]
    assert "Thu, Jun 11" in said_to(office, BO, "2026-06-10 23:00")[0]
    assert "Call 911 now" in said_to(office, CY, "2026-06-11 03:00")[0]
    assert [(each.action, each.by) for each in office.history(emergency.id or 0)] == [
        ("opened", "triage"),
        *[("escalated", "escalation")] * 4,
        ("taken", "D. Doctor"),
        *(("reply", "triage"), ("escalated", "escalation")),
        ("closed", "D. Doctor"),
    ]
