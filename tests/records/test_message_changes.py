"""Every state and every event: the table of transitions, the code and the database agree."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from reminders.errors import StateError
from reminders.records import message_changes, outbox
from reminders.records.database import Database
from reminders.records.message_changes import Held
from reminders.records.message_states import TRANSITIONS, MessageEvent, MessageState, next_state, states_allowing
from reminders.records.outbox import Claim
from reminders.records.tables import MESSAGES
from tests.stored import NOON, add_course, messages, row, soaks, states, store

_IN_HAND: dict[str, Any] = {"claim_token": "t", "lease_until": NOON, "handed_at": NOON, "transport": "file"}
_COLUMNS: dict[MessageState, dict[str, Any]] = {
    MessageState.SENDING: _IN_HAND,
    MessageState.SENT: {"handed_at": NOON},
    MessageState.UNCERTAIN: {"handed_at": NOON},
    MessageState.JOINED: {"joined_into": "soak:1"},
}
_CLAIM = Claim(token="t", practice_id="main", now=NOON, lease=timedelta(minutes=2), transport="file")


def _in_every_state(database: Database) -> None:
    add_course(database)
    store(database, *(row(at, state=str(state), **_COLUMNS.get(state, {})) for at, state in enumerate(MessageState)))


def _let_happen(database: Database, event: MessageEvent) -> int:
    everywhere = MESSAGES.c.id > 0
    with database.writing() as session:
        if event is MessageEvent.CLAIM:
            return outbox.claim(session, [each.id or 0 for each in messages(database)], _CLAIM)
        further = {"joined_into": "soak:1"} if event is MessageEvent.JOIN else {}
        return message_changes.change(session, event, everywhere, **further)


@pytest.mark.parametrize("event", MessageEvent)
def test_what_the_table_forbids_the_code_forbids(database: Database, event: MessageEvent) -> None:
    _in_every_state(database)
    changed = _let_happen(database, event)
    expected = [str(TRANSITIONS.get((state, event), state)) for state in MessageState]
    assert states(database) == expected
    assert changed == sum(each is event for _, each in TRANSITIONS)


@pytest.mark.parametrize("state", MessageState)
@pytest.mark.parametrize("event", MessageEvent)
def test_an_event_that_is_not_in_the_table_is_an_error(state: MessageState, event: MessageEvent) -> None:
    if (state, event) in TRANSITIONS:
        assert next_state(state, event) is TRANSITIONS[state, event]
        assert state in states_allowing(event)
    else:
        assert state not in states_allowing(event)
        with pytest.raises(StateError, match=f"a message that is {state} can't {event}"):
            next_state(state, event)


@pytest.mark.parametrize("event", MessageEvent)
def test_every_event_leads_to_one_state(event: MessageEvent) -> None:
    assert message_changes.state_after(event) in MessageState


def test_medicine_that_may_have_gone_out_never_waits_again_by_itself() -> None:
    """Only RESEND leads back from `uncertain`, and it takes what says that twice is better than never."""
    back = {
        event
        for (state, event), after in TRANSITIONS.items()
        if state is MessageState.UNCERTAIN and after is MessageState.SCHEDULED
    }
    assert back == {MessageEvent.RESEND}


def test_what_went_out_never_waits_again() -> None:
    for state in (MessageState.SENT, MessageState.DELIVERED, MessageState.FAILED, MessageState.AT_CHECKOUT):
        assert MessageState.SCHEDULED not in {after for (before, _), after in TRANSITIONS.items() if before is state}


def test_a_change_under_another_claim_changes_nothing(database: Database) -> None:
    add_course(database)
    (message_id,) = store(database, row(state="sending", **_IN_HAND))
    late = Held(id=message_id, token="old")
    with database.writing() as session:
        assert not message_changes.change_held(session, MessageEvent.DOUBT, late)
        assert message_changes.accept(session, "main", [(late, "ref")], NOON) == 0
    assert states(database) == ["sending"]
    with database.writing() as session:
        assert message_changes.accept(session, "main", [(Held(id=message_id, token="t"), "ref")], NOON) == 1
    assert states(database) == ["sent"]


def test_accepting_many_counts_only_those_that_were_held(database: Database) -> None:
    add_course(database)
    ids = store(database, *soaks(3, state="sending", **_IN_HAND), *soaks(2, first=4, state="uncertain", handed_at=NOON))
    with database.writing() as session:
        held = [(Held(id=each, token="t"), f"ref-{each}") for each in ids]
        assert message_changes.accept(session, "main", held, NOON) == 3
        assert message_changes.accept(session, "main", [], NOON) == 0
    assert states(database) == ["sent"] * 3 + ["uncertain"] * 2


def test_postponing_needs_a_scheduled_message(database: Database) -> None:
    add_course(database)
    waiting, gone = store(database, row(1), row(2, state="cancelled"))
    later = NOON + timedelta(hours=1)
    with database.writing() as session:
        assert message_changes.postpone(session, waiting, until=later, detail="waits")
        assert not message_changes.postpone(session, gone, until=later, detail="waits")
    assert [each.due_at for each in messages(database)] == [later, NOON]
