"""From due to settled: what happens to a message for everything that the other side may answer."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from reminders.clock import VirtualClock
from reminders.delivery.outgoing import LookUp, Outgoing, Result
from reminders.errors import InDoubt, Refused, Unreachable
from reminders.records.database import Database
from reminders.records.tables import Practice
from tests.delivery.scripted import ScriptedTransport, accepted, dispatcher
from tests.stored import NOON, add_course, change_contact, concerns, end_leases, messages, row, soaks, states, store

MINUTE = timedelta(minutes=1)
EVENING = datetime.fromisoformat("2026-06-10T22:30-07:00")
MORNING = datetime.fromisoformat("2026-06-11T08:00-07:00")


def _always(result: Result) -> ScriptedTransport:
    return ScriptedTransport(lambda _: result)


def test_a_due_message_is_handed_over_and_sent(database: Database) -> None:
    add_course(database)
    store(database, row(text="Soak now."))
    transport = ScriptedTransport()
    report = dispatcher(database, transport).run_once()
    (message,) = messages(database)
    assert [each.text for each in transport.handed] == ["Soak now."]
    assert (message.state, message.transport, message.transport_ref) == ("sent", "scripted", f"ref-{message.id}")
    assert (message.handed_at, message.settled_at, message.attempts) == (NOON, NOON, 1)
    assert (message.claim_token, message.lease_until) == (None, None)
    assert (report.sent, report.total) == (1, 1)


def test_nothing_due_is_nothing_done(database: Database) -> None:
    add_course(database)
    store(database, row(due_at=NOON + MINUTE))
    assert dispatcher(database, ScriptedTransport()).run_once().total == 0
    assert states(database) == ["scheduled"]


def test_more_than_a_batch_is_sent_in_one_run(database: Database) -> None:
    add_course(database)
    store(database, *soaks(250))
    transport = ScriptedTransport(batch_size=100)
    assert dispatcher(database, transport).run_once().sent == 250
    assert len(set(transport.ids)) == 250


def test_a_run_can_be_limited(database: Database) -> None:
    add_course(database)
    store(database, *soaks(25))
    assert dispatcher(database, ScriptedTransport(batch_size=10)).run_once(limit=12).sent == 12
    assert states(database).count("scheduled") == 13


def test_the_important_are_handed_over_first(database: Database) -> None:
    add_course(database)
    ids = store(database, row(1, importance=5), row(2, importance=1), row(3, importance=3))
    transport = ScriptedTransport(batch_size=1)
    dispatcher(database, transport).run_once()
    assert transport.ids == [ids[1], ids[2], ids[0]]


def test_text_attempt_and_moment_are_stored_before_the_hand_over(database: Database) -> None:
    add_course(database)
    store(database, row(text="Soak now."))
    seen: list[tuple[Any, ...]] = []

    def look(message: Outgoing) -> Result:
        (stored,) = messages(database)  # another connection sees it: it is committed
        seen.append((stored.state, stored.text, stored.attempts, stored.handed_at))
        return accepted(message)

    dispatcher(database, ScriptedTransport(look)).run_once()
    assert seen == [("sending", "Soak now.", 1, NOON)]


def test_no_transaction_is_open_during_a_hand_over(database: Database) -> None:
    add_course(database, courses=2)
    store(database, row())

    def write(message: Outgoing) -> Result:
        store(database, row(enrollment_id=2, due_at=NOON + MINUTE))  # would wait for ten seconds, and fail
        return accepted(message)

    dispatcher(database, ScriptedTransport(write)).run_once()
    assert states(database) == ["sent", "scheduled"]


def test_an_outcome_is_stored_before_the_next_batch_is_handed_over(database: Database) -> None:
    add_course(database)
    store(database, *soaks(3))
    seen: list[int] = []

    def look(message: Outgoing) -> Result:
        seen.append(states(database).count("sent"))
        return accepted(message)

    dispatcher(database, ScriptedTransport(look, batch_size=1)).run_once()
    assert seen == [0, 1, 2]


def test_refused_is_failed_and_staff_are_told(database: Database) -> None:
    add_course(database)
    store(database, row())
    report = dispatcher(database, _always(Refused("no such number"))).run_once()
    (message,), (concern,) = messages(database), concerns(database)
    assert (message.state, message.detail, message.settled_at) == ("failed", "refused: no such number", NOON)
    assert (concern.kind, concern.urgency, concern.state) == ("delivery", "routine", "open")
    assert (concern.enrollment_id, concern.patient_id, concern.practice_id) == (1, 1, "main")
    assert concern.due_at == NOON + timedelta(days=1)
    assert report.failed == 1


def test_unreachable_waits_longer_each_time_and_is_sent_in_the_end(database: Database) -> None:
    add_course(database)
    store(database, row())
    clock, answers = VirtualClock(NOON), [Unreachable("down"), Unreachable("down"), None]

    def answer(message: Outgoing) -> Result:
        return answers.pop(0) or accepted(message)

    worker = dispatcher(database, ScriptedTransport(answer), clock=clock)
    waits = []
    while answers:
        worker.run_once()
        (message,) = messages(database)
        waits.append(message.due_at - clock.now())
        clock.move_to(max(message.due_at, clock.now()))
    assert timedelta(seconds=15) <= waits[0] <= timedelta(seconds=45)
    assert timedelta(seconds=30) <= waits[1] <= timedelta(seconds=90)
    assert (message.state, message.attempts, message.detail) == ("sent", 3, None)
    assert concerns(database) == []


def test_unreachable_until_it_is_useless_is_withheld_and_staff_are_told_once(database: Database) -> None:
    add_course(database)
    store(database, row())
    clock = VirtualClock(NOON)
    worker = dispatcher(database, _always(Unreachable("down")), clock=clock)
    for _ in range(60):
        worker.run_once()
        clock.advance(3 * MINUTE)
    (message,) = messages(database)
    assert message.state == "withheld"
    assert message.attempts >= 5
    assert message.detail == "no longer useful after 2026-06-10 21:00 UTC"
    assert len(concerns(database)) == 1


def test_in_doubt_warning_signs_are_sent_again(database: Database) -> None:
    add_course(database)
    store(database, row(in_doubt="resend"))
    clock, answers = VirtualClock(NOON), [InDoubt("link broke"), None]
    transport = ScriptedTransport(lambda message: answers.pop(0) or accepted(message))
    worker = dispatcher(database, transport, clock=clock)
    assert worker.run_once().resent == 1
    assert states(database) == ["scheduled"]
    clock.advance(MINUTE)
    assert worker.run_once().sent == 1
    assert len(transport.handed) == 2
    assert len({each.idempotency_key for each in transport.handed}) == 1
    assert concerns(database) == []


def test_in_doubt_medicine_is_never_sent_again_and_staff_are_told_soon(database: Database) -> None:
    add_course(database)
    store(database, row(in_doubt="hold", key="pain_relief", required=False))
    clock = VirtualClock(NOON)
    transport = _always(InDoubt("link broke"))
    worker = dispatcher(database, transport, clock=clock)
    assert worker.run_once().uncertain == 1
    clock.advance(timedelta(hours=1))
    assert worker.run_once().total == 0
    (message,), (concern,) = messages(database), concerns(database)
    assert (message.state, message.detail) == ("uncertain", "link broke")
    assert len(transport.handed) == 1
    assert (concern.urgency, concern.due_at) == ("urgent", NOON + timedelta(hours=1))


def test_timed_out_was_it_sent_only_what_was_begun_is_in_doubt(database: Database) -> None:
    add_course(database)
    store(database, *soaks(5, in_doubt="hold"))

    def break_at_third(message: Outgoing) -> Result:
        if len(transport.handed) == 3:
            raise ConnectionResetError
        return accepted(message)

    transport = ScriptedTransport(break_at_third)
    report = dispatcher(database, transport).run_once()
    assert states(database) == ["sent", "sent", "uncertain", "scheduled", "scheduled"]
    assert (report.sent, report.uncertain, report.waits) == (2, 1, 2)
    assert [each.attempts for each in messages(database)] == [1, 1, 1, 0, 0]


def test_a_transport_that_takes_nothing_leaves_nothing_in_doubt(database: Database) -> None:
    class Closed(ScriptedTransport):
        def hand_over(self, batch: object) -> Any:
            return iter(())

    add_course(database)
    store(database, *soaks(3, in_doubt="hold"))
    assert dispatcher(database, Closed()).run_once().waits == 3
    assert states(database) == ["scheduled"] * 3


def test_a_lease_that_is_nearly_over_begins_nothing(database: Database) -> None:
    add_course(database)
    store(database, *soaks(3))
    transport = ScriptedTransport()
    assert dispatcher(database, transport, lease=timedelta(seconds=-1)).run_once().waits == 3
    assert transport.handed == []
    assert states(database) == ["scheduled"] * 3


def test_run_twice_when_the_lease_is_shorter_than_the_work_a_late_finisher_is_refused(database: Database) -> None:
    """The first worker hangs in a hand-over until another one has given its message up as in doubt."""
    add_course(database)
    store(database, row(in_doubt="hold"))
    clock = VirtualClock(NOON)

    def hang(message: Outgoing) -> Result:
        end_leases(database)
        clock.advance(timedelta(hours=1))
        assert dispatcher(database, ScriptedTransport(), clock=clock).run_once().uncertain == 1
        return accepted(message)

    report = dispatcher(database, ScriptedTransport(hang), clock=clock).run_once()
    assert (report.late, report.sent) == (1, 0)
    assert states(database) == ["uncertain"]


@pytest.mark.parametrize("state", ["stopped", "released", "unreachable"])
def test_a_contact_that_may_not_be_used_gets_nothing(database: Database, state: str) -> None:
    add_course(database)
    store(database, row(1), row(2, channel="email", address="robin@example.org"))
    change_contact(database, state)
    transport = ScriptedTransport()
    assert dispatcher(database, transport).run_once().withheld == 2
    assert transport.handed == []
    assert states(database) == ["withheld"] * 2
    assert concerns(database) == []


def test_in_quiet_hours_a_message_waits_for_the_morning(database: Database) -> None:
    add_course(database)
    store(database, row(due_at=EVENING, useful_until=EVENING + timedelta(days=1)))
    clock, transport = VirtualClock(EVENING), ScriptedTransport()
    worker = dispatcher(database, transport, clock=clock)
    assert worker.run_once().waits == 1
    assert worker.next_at() == MORNING
    clock.move_to(MORNING - timedelta(seconds=1))
    assert worker.run_once().total == 0
    clock.move_to(MORNING)
    assert worker.run_once().sent == 1


def test_every_message_waiting_at_the_gate_does_not_stop_the_others(database: Database) -> None:
    add_course(database)
    store(database, *soaks(20, importance=1, due_at=EVENING, useful_until=EVENING + timedelta(days=1)))
    store(database, row(99, kind="staff", enrollment_id=None, patient_id=None, importance=9, due_at=EVENING))
    transport = ScriptedTransport(batch_size=5)
    report = dispatcher(database, transport, clock=VirtualClock(EVENING)).run_once()
    assert (report.waits, report.sent) == (20, 1)


def test_silently_skipped_after_a_nap_is_not_silent_36_hours_later(database: Database) -> None:
    """An outage of a day and a half: the stale is withheld and listed for staff, the rest goes out in order."""
    add_course(database, courses=3)
    later = NOON + timedelta(hours=36)
    for course in (1, 2, 3):
        store(database, *soaks(10, enrollment_id=course, due_at=NOON, useful_until=NOON + timedelta(hours=12)))
        store(database, row(1, enrollment_id=course, key="note", required=False))
        store(database, row(1, enrollment_id=course, key="visit", importance=course, useful_until=later + MINUTE))
    transport = ScriptedTransport()
    report = dispatcher(database, transport, clock=VirtualClock(later), quiet=()).run_once()
    assert (report.withheld, report.sent) == (33, 3)
    by_id = {each.id: each for each in messages(database)}
    assert [by_id[each].enrollment_id for each in transport.ids] == [1, 2, 3]
    assert sorted(each.about or "" for each in concerns(database)) == [f"enrollment {n}: soak" for n in (1, 2, 3)]


def test_a_clock_set_back_sends_nothing_twice_and_loses_nothing(database: Database) -> None:
    add_course(database)
    store(database, *soaks(3), *soaks(3, first=4, due_at=NOON + 30 * MINUTE))
    transport = ScriptedTransport()
    assert dispatcher(database, transport).run_once().sent == 3
    back = VirtualClock(NOON - timedelta(hours=1))
    assert dispatcher(database, transport, clock=back).run_once().total == 0
    forward = VirtualClock(NOON + 30 * MINUTE)
    assert dispatcher(database, transport, clock=forward).run_once().sent == 3
    assert len(set(transport.ids)) == len(transport.ids) == 6


def test_a_dead_workers_message_is_found_and_settled_by_what_the_transport_knows(database: Database) -> None:
    add_course(database)
    store(database, *soaks(2, in_doubt="hold"))
    _die_in_hand_over(database, transport := ScriptedTransport(remembers=True), after=1)
    report = dispatcher(database, transport).run_once()
    assert report.recovered == 2
    assert (report.sent, report.waits) == (1, 1)
    assert states(database) == ["sent", "scheduled"]
    assert len(transport.handed) == 1


def test_a_dead_workers_message_is_in_doubt_when_the_transport_cannot_tell(database: Database) -> None:
    add_course(database)
    store(database, row(1, in_doubt="hold", importance=1), row(2, in_doubt="resend"))
    _die_in_hand_over(database, transport := ScriptedTransport(), after=1)
    report = dispatcher(database, transport).run_once()
    assert (report.recovered, report.uncertain, report.resent) == (2, 1, 1)
    assert states(database) == ["uncertain", "scheduled"]
    assert [each.urgency for each in concerns(database)] == ["urgent"]


def test_the_repair_itself_never_gets_stuck_when_the_transport_cannot_be_asked_now(database: Database) -> None:
    add_course(database)
    store(database, row(1, in_doubt="hold"))
    _die_in_hand_over(database, transport := ScriptedTransport(remembers=True), after=1)
    end_leases(database, ago=timedelta(minutes=9))
    store(database, row(2))
    assert dispatcher(database, _CannotBeAsked()).run_once().sent == 1
    assert states(database) == ["sending", "sent"]
    assert dispatcher(database, transport).run_once().recovered == 1
    assert states(database) == ["sent", "sent"]


def test_a_doubt_that_cannot_be_asked_about_for_long_is_shown_to_staff(database: Database) -> None:
    add_course(database)
    store(database, row(1, in_doubt="hold", importance=1), row(2, in_doubt="resend"))
    _die_in_hand_over(database, ScriptedTransport(remembers=True), after=1)
    end_leases(database, ago=timedelta(minutes=11))
    report = dispatcher(database, _CannotBeAsked()).run_once()
    assert (report.uncertain, report.resent) == (1, 1)
    assert [each.urgency for each in concerns(database)] == ["urgent"]


def test_a_worker_that_dies_while_repairing_leaves_it_to_the_next(database: Database) -> None:
    class Dying(ScriptedTransport):
        def look_up(self, keys: object) -> LookUp:
            raise _PowerCut

    add_course(database)
    store(database, row(in_doubt="hold"))
    _die_in_hand_over(database, transport := ScriptedTransport(remembers=True), after=1)
    with pytest.raises(_PowerCut):
        dispatcher(database, Dying()).run_once()
    assert dispatcher(database, transport).run_once().sent == 1


def test_another_transport_is_not_asked_about_a_dead_workers_message(database: Database) -> None:
    """It would say that it never saw it, and a dose would be told twice."""
    add_course(database)
    store(database, row(in_doubt="hold"))
    _die_in_hand_over(database, ScriptedTransport(remembers=True), after=1)
    other = ScriptedTransport(remembers=True)
    other.name = "other"
    assert dispatcher(database, other).run_once().uncertain == 1


class _CannotBeAsked(ScriptedTransport):
    """Sends, but does not tell what it was given before."""

    def look_up(self, keys: object) -> LookUp:
        raise Unreachable("down")


class _PowerCut(BaseException):
    """Ends a worker without giving it time to settle."""


def _die_in_hand_over(database: Database, transport: ScriptedTransport, *, after: int) -> None:
    """Let a worker claim what is due and die after some hand-overs; its lease is over."""

    class Dying(ScriptedTransport):
        def hand_over(self, batch: Any) -> Any:
            for message in batch:
                transport.handed.append(message)
                if len(transport.handed) == after:
                    raise _PowerCut
            return iter(())

    with pytest.raises(_PowerCut):
        dispatcher(database, Dying()).run_once()
    end_leases(database)


def test_one_trouble_opens_one_concern_until_it_is_closed(database: Database) -> None:
    add_course(database)
    store(database, *soaks(30))
    worker = dispatcher(database, _always(Refused("no such number")))
    worker.run_once()
    assert len(concerns(database)) == 1
    with database.writing() as session:
        session.connection().exec_driver_sql("UPDATE concern SET state = 'closed'")
    store(database, *soaks(30, first=31))
    worker.run_once()
    assert len(concerns(database)) == 2


def test_an_alarm_to_staff_that_cannot_be_sent_is_urgent(database: Database) -> None:
    add_course(database)
    store(database, row(kind="staff", enrollment_id=None, patient_id=None, key="oncall"))
    dispatcher(database, _always(Refused("no such number"))).run_once()
    assert [each.urgency for each in concerns(database)] == ["urgent"]


def test_after_stop_nothing_more_is_claimed_and_what_is_in_hand_is_settled(database: Database) -> None:
    add_course(database)
    store(database, *soaks(30))

    def stop(message: Outgoing) -> Result:
        worker.stop()
        return accepted(message)

    worker = dispatcher(database, ScriptedTransport(stop, batch_size=10))
    assert worker.run_once().sent == 10
    assert states(database).count("scheduled") == 20
    assert worker.run_once().total == 0


def test_the_next_moment_is_a_due_message_or_a_lease_that_ends(database: Database) -> None:
    add_course(database)
    worker = dispatcher(database, ScriptedTransport())
    assert worker.next_at() is None
    store(database, row(1, due_at=NOON + MINUTE, channel="email"))
    assert worker.next_at() == NOON + MINUTE
    lapses = NOON - timedelta(seconds=5)
    store(database, row(2, state="sending", claim_token="t", handed_at=NOON, lease_until=lapses, transport="x"))
    assert worker.next_at() == lapses


def test_a_worker_leaves_messages_of_other_practices_as_they_are(database: Database) -> None:
    add_course(database)
    with database.writing() as session:
        session.add(Practice(id="other", name="Another Practice", created_at=NOON))
    store(database, row(1), row(2, practice_id="other", due_at=NOON - MINUTE))
    worker = dispatcher(database, ScriptedTransport())
    assert worker.run_once().total == 1
    assert [(each.state, each.due_at) for each in messages(database)] == [
        ("sent", NOON),
        ("scheduled", NOON - MINUTE),
    ]
    assert worker.next_at() is None


def test_a_long_queue_of_one_channel_keeps_no_other_waiting(database: Database) -> None:
    add_course(database)
    store(database, *soaks(30), row(99, channel="email", address="robin@example.org", subject="Soak"))
    transport = ScriptedTransport(batch_size=10)
    dispatcher(database, transport).run_once()
    assert [each.channel for each in transport.handed].index("email") <= 10


@pytest.mark.parametrize("how", ["withheld", "refused"])
def test_what_was_joined_shares_its_hosts_fate_and_staff_hear_of_both(database: Database, how: str) -> None:
    add_course(database)
    useful_until = NOON - MINUTE if how == "withheld" else NOON + timedelta(hours=2)
    host = row(1, due_at=NOON - timedelta(hours=1), useful_until=useful_until)
    store(database, host, row(1, key="dressing_off", state="joined", joined_into="soak:1"))
    store(database, row(2, key="other", state="joined", joined_into="soak:2"))
    dispatcher(database, _always(Refused("policy"))).run_once()
    (concern,) = concerns(database)
    _, joined, other = messages(database)
    assert (joined.state, joined.settled_at, other.state) == ("withheld", NOON, "joined")
    assert joined.detail is not None
    assert joined.detail.startswith("was part of soak")
    assert concern.summary.startswith("soak, dressing_off was ")


def test_a_doubt_about_medicine_is_tried_again_where_the_gateway_drops_doubles(database: Database) -> None:
    add_course(database)
    store(database, row(in_doubt="hold"))
    clock, answers = VirtualClock(NOON), [InDoubt("no answer"), None]
    transport = ScriptedTransport(lambda each: answers.pop(0) or accepted(each), drops_doubles=True)
    worker = dispatcher(database, transport, clock=clock)
    assert worker.run_once().resent == 1
    clock.advance(MINUTE)
    assert worker.run_once().sent == 1
    assert len({each.idempotency_key for each in transport.handed}) == 1
    assert concerns(database) == []


def test_doubles_are_not_trusted_to_be_dropped_for_ever(database: Database) -> None:
    add_course(database)
    store(database, row(in_doubt="hold"))
    clock = VirtualClock(NOON)
    transport = ScriptedTransport(lambda _: InDoubt("no answer"), drops_doubles=True)
    worker = dispatcher(database, transport, clock=clock)
    for _ in range(20):
        worker.run_once()
        clock.advance(5 * MINUTE)
    assert len(transport.handed) == 4
    assert states(database) == ["uncertain"]


@pytest.mark.parametrize("arrived", [True, False])
def test_a_doubt_is_resolved_by_asking_the_gateway_once_the_lease_is_over(database: Database, arrived: bool) -> None:
    add_course(database)
    store(database, row(in_doubt="hold"))
    clock, transport = VirtualClock(NOON), ScriptedTransport(lambda _: InDoubt("no answer"), remembers=True)
    worker = dispatcher(database, transport, clock=clock)
    worker.run_once()
    assert states(database) == ["sending"]
    if not arrived:
        transport.handed.clear()
    end_leases(database)
    report = worker.run_once()
    assert report.recovered == 1
    assert states(database) == (["sent"] if arrived else ["scheduled"])
    assert concerns(database) == []
