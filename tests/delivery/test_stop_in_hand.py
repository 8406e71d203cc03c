"""A STOP that comes while messages are claimed and being handed over."""

from __future__ import annotations

from datetime import timedelta

import pytest

from reminders.clock import VirtualClock
from reminders.delivery import second_look
from reminders.delivery.outgoing import Accepted, Outgoing, Result
from reminders.records.database import Database
from tests.delivery.scripted import ScriptedTransport, dispatcher
from tests.stored import NOON, add_course, change_contact, soaks, states, store


@pytest.fixture(autouse=True)
def _looks_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look before every message, not once a second."""
    monkeypatch.setattr(second_look, "_EVERY_SECONDS", 0.0)


@pytest.mark.parametrize("state", ["stopped", "released", "unreachable"])
def test_after_a_stop_only_what_is_on_the_line_goes_out(database: Database, state: str) -> None:
    add_course(database)
    store(database, *soaks(5))

    def slow(message: Outgoing) -> Result:
        if len(transport.handed) == 2:
            change_contact(database, state)
        return Accepted(ref=f"ref-{message.id}")

    transport = ScriptedTransport(slow)
    worker = dispatcher(database, transport)
    worker.run_once()
    assert len(transport.ids) == 2
    worker.run_once()
    assert len(transport.ids) == 2
    assert sorted(states(database)) == ["scheduled"] * 3 + ["sent"] * 2
    worker.close()


def test_what_was_not_begun_is_judged_anew_and_withheld(database: Database) -> None:
    add_course(database)
    store(database, *soaks(3))

    def slow(message: Outgoing) -> Result:
        change_contact(database, "stopped")
        return Accepted(ref=f"ref-{message.id}")

    transport = ScriptedTransport(slow)
    clock = VirtualClock(NOON)
    worker = dispatcher(database, transport, clock=clock)
    worker.run_once()
    clock.advance(timedelta(seconds=2))
    worker.run_once()
    assert sorted(states(database)) == ["sent", "withheld", "withheld"]
    worker.close()
