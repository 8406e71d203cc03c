"""Concerns are taken by one person, noted on and closed with their outcome, and nothing about that is forgotten."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from reminders.desk.concern_list import ConcernStep, list_concerns, told_summary
from reminders.desk.concerns import (
    LONGEST_NOTE,
    OUTCOMES,
    CallBack,
    close_concern,
    note_on_concern,
    record_call,
    take_concern,
)
from reminders.errors import InputError, NotFound, StateError
from reminders.records.tables_concerns import Concern
from reminders.words import speaking
from tests.databases import database_kind
from tests.desk.office import Office

__all__ = ["database_kind"]


@pytest.fixture
def worried(office: Office) -> Office:
    """The practice with one open concern, number 1."""
    office.enroll()
    office.answers()
    office.reply("there is pus and it smells")
    return office


def take(office: Office, by: str, concern: int = 1) -> Concern:
    with office.database.writing() as session:
        return take_concern(session, office.desk, concern, by=by)


def note(office: Office, by: str, text: str) -> Concern:
    with office.database.writing() as session:
        return note_on_concern(session, office.desk, 1, by=by, note=text)


def close(office: Office, by: str, outcome: str = "reached", text: str = "") -> Concern:
    with office.database.writing() as session:
        return close_concern(session, office.desk, 1, CallBack(outcome=outcome, note=text), by=by)


def steps(office: Office) -> list[tuple[str, str, str]]:
    return [(event.action, event.by, event.note) for event in office.history(1)]


def test_a_concern_is_taken_noted_on_and_closed(worried: Office) -> None:
    assert (take(worried, "Ada").state, take_state(worried)) == ("taken", "Ada")
    note(worried, "Ada", "Called, no answer.")
    worried.clock.advance(timedelta(minutes=20))
    closed = close(worried, "Ada", "sent_to_clinic", "Comes in at 15:00.")
    assert (closed.state, closed.outcome, closed.closed_at) == ("closed", "sent_to_clinic", worried.clock.now())
    assert steps(worried)[1:] == [
        ("taken", "Ada", ""),
        ("note", "Ada", "Called, no answer."),
        ("closed", "Ada", "sent_to_clinic: Comes in at 15:00."),
    ]


def take_state(office: Office) -> str | None:
    (concern,) = office.concerns()
    return concern.taken_by


def test_what_somebody_has_nobody_else_takes(worried: Office) -> None:
    take(worried, "Ada")
    before = worried.dump()
    with pytest.raises(StateError, match="taken by Ada already"):
        take(worried, "Ben")
    assert worried.dump() == before


def test_of_many_who_take_it_at_once_one_has_it(worried: Office) -> None:
    took: list[str] = []
    refused: list[str] = []
    ready = threading.Barrier(6)

    def try_it(name: str) -> None:
        ready.wait()
        try:
            take(worried, name)
        except StateError:
            refused.append(name)
        else:
            took.append(name)

    threads = [threading.Thread(target=try_it, args=(f"nurse {number}",)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert (len(took), len(refused)) == (1, 5)
    assert take_state(worried) == took[0]
    assert [each for each in steps(worried) if each[0] == "taken"] == [("taken", took[0], "")]


def test_somebody_else_may_note_but_not_close(worried: Office) -> None:
    take(worried, "Ada")
    note(worried, "Ben", "She called back on the other line.")
    with pytest.raises(StateError, match="only they close it"):
        close(worried, "Ben")


def test_what_the_patient_wrote_since_one_looked_is_not_closed_unread(worried: Office) -> None:
    take(worried, "Ada")
    seen = CallBack(outcome="reached", read=1)
    worried.reply("she fainted")
    for _ in range(2):  # it is open to everybody now, and Ada has it again
        before = worried.dump()
        with pytest.raises(StateError, match="wrote again"), worried.database.writing() as session:
            close_concern(session, worried.desk, 1, seen, by="Ada")
        assert worried.dump() == before
        if worried.concerns()[0].state == "open":
            take(worried, "Ada")
    with worried.database.writing() as session:
        assert close_concern(session, worried.desk, 1, CallBack(outcome="reached", read=2), by="Ada").state == "closed"


def test_an_open_concern_may_be_closed_without_being_taken(worried: Office) -> None:
    assert close(worried, "Ben", "not_needed").state == "closed"


@pytest.mark.parametrize(
    "act",
    [
        pytest.param(lambda office: take(office, "Ben"), id="take"),
        pytest.param(lambda office: note(office, "Ben", "late"), id="note"),
        pytest.param(lambda office: close(office, "Ada"), id="close"),
    ],
)
def test_nothing_is_done_to_a_closed_concern(worried: Office, act: Callable[[Office], Concern]) -> None:
    take(worried, "Ada")
    close(worried, "Ada")
    before = worried.dump()
    with pytest.raises(StateError, match="closed"):
        act(worried)
    assert worried.dump() == before


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_every_outcome_is_kept(worried: Office, outcome: str) -> None:
    assert close(worried, "Ada", outcome).outcome == outcome


WRONG: dict[str, tuple[Callable[[Office], Concern], type[InputError], str]] = {
    "unknown-outcome": (lambda office: close(office, "Ada", "fine"), InputError, "no outcome 'fine'"),
    "unknown-concern": (lambda office: take(office, "Ada", 77), NotFound, "no concern 77"),
    "empty-note": (lambda office: note(office, "Ada", "  "), InputError, "the note is empty"),
    "endless-note": (lambda office: note(office, "Ada", "n" * (LONGEST_NOTE + 1)), InputError, "at most 4000"),
    "endless-last-note": (lambda office: close(office, "Ada", text="n" * 5000), InputError, "at most 4000"),
    "nobody-takes": (lambda office: take(office, " "), InputError, "say who you are"),
    "nobody-notes": (lambda office: note(office, "", "x"), InputError, "say who you are"),
    "nobody-closes": (lambda office: close(office, ""), InputError, "say who you are"),
}


@pytest.mark.parametrize(("act", "error", "says"), WRONG.values(), ids=WRONG.keys())
def test_what_is_wrong_changes_nothing(
    worried: Office, act: Callable[[Office], Concern], error: type[InputError], says: str
) -> None:
    before = worried.dump()
    with pytest.raises(error, match=says):
        act(worried)
    assert worried.dump() == before


def test_the_list_is_by_urgency_and_then_by_when_it_is_due(office: Office) -> None:
    for number, text in enumerate(["can I reschedule?", "pus and smell", "I can't breathe", "pus"]):
        office.enroll(first_name=f"Patient {number}", phone=f"312-555-01{number + 30}")
        office.answers()
        office.reply(text, sender=f"+1312555013{number}")
        office.clock.advance(timedelta(minutes=5))
    assert [each.urgency for each in office.concerns()] == ["emergency", "urgent", "urgent", "routine"]
    urgent = [each.due_at for each in office.concerns()[1:3]]
    assert urgent == sorted(urgent)


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_a_call_is_noted_with_its_result_and_the_concern_stays_the_caller_s(worried: Office, outcome: str) -> None:
    with worried.database.writing() as session:
        concern = record_call(session, worried.desk, 1, CallBack(outcome=outcome, note="tries at 14:00"), by="Ada")
    assert (concern.state, concern.taken_by, concern.outcome) == ("taken", "Ada", None)
    last = worried.history(1)[-1]
    assert (last.action, last.by, last.note) == ("called", "Ada", f"{outcome}: tries at 14:00")


def test_only_who_has_a_concern_calls_and_nobody_after_it_is_closed(worried: Office) -> None:
    call = CallBack(outcome="left_voicemail")
    take(worried, "Ada")
    with worried.database.writing() as session, pytest.raises(StateError, match="taken by Ada"):
        record_call(session, worried.desk, 1, call, by="Bo")
    with worried.database.writing() as session, pytest.raises(InputError, match="no outcome"):
        record_call(session, worried.desk, 1, CallBack(outcome="maybe"), by="Ada")
    with worried.database.writing() as session:
        close_concern(session, worried.desk, 1, CallBack(outcome="reached"), by="Ada")
    with worried.database.writing() as session, pytest.raises(StateError, match="closed"):
        record_call(session, worried.desk, 1, call, by="Ada")


def test_staff_read_errors_in_their_language(worried: Office) -> None:
    take(worried, "Ada")
    with speaking("es"), pytest.raises(StateError, match=r"^la consulta 1 ya la tiene Ada$"):
        take(worried, "Ben")


def test_a_summary_is_kept_in_english_and_told_in_the_staffs_language(office: Office) -> None:
    office.enroll()
    office.answers()
    with speaking("es"):
        office.reply("wrong number, I am not Robin")
        with office.database.reading() as session:
            (found,) = (each for each in list_concerns(session, office.desk) if each.kind == "wrong_person")
        assert found.summary == "Wrong person: find the patient's right number. The old one is released."
        assert found.told.startswith("Persona equivocada: averigüe el número correcto del paciente.")
    assert found.told == found.summary


def test_a_setting_in_a_summary_keeps_its_name() -> None:
    summary = "Read them there, and mend [delivery.http.reply_hook] in the configuration."
    assert told_summary(summary) == summary


@pytest.mark.parametrize(
    ("action", "by", "note", "told"),
    [
        ("called", "Nora", "reached", "se habló con el paciente"),
        ("closed", "Nora", "left_voicemail: try again, at 14:00", "se dejó un mensaje de voz: try again, at 14:00"),
        ("opened", "triage", "sign.chest_pain, sign.breathing", "dolor de pecho, respiración"),
        ("note", "Nora", "swollen, she says", "swollen, she says"),
        ("note", "Nora", "home.again, reached", "home.again, reached"),
        ("note", "Nora", "reached: no", "reached: no"),
        ("taken", "Nora", "", ""),
    ],
)
def test_a_step_is_told_in_words_and_what_a_person_wrote_as_it_is(action: str, by: str, note: str, told: str) -> None:
    step = ConcernStep(at=datetime(2026, 6, 10, tzinfo=UTC), action=action, by=by, note=note, reply_id=None)
    with speaking("es"):
        assert step.told == told
