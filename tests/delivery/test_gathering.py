"""Calls that many threads bring at once: stored together, answered after the commit, each with its own fault only."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from sqlalchemy import select
from sqlmodel import col

from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.config import load_config
from reminders.delivery.gathering import MOST_AT_ONCE, Gatherer
from reminders.delivery.incoming import Incoming, IncomingReply
from reminders.delivery.intake import Intake
from reminders.errors import InputError
from reminders.records.database import Database
from reminders.records.tables import Reply
from tests.servers import write_keys
from tests.stored import NOON
from tests.waiting import until

FAULTY = "faulty"
PRACTICE = '[practice]\nname = "Example"\nzone = "America/Los_Angeles"\nphone = "312-555-0100"\n'


def _reply(text: str, sender: str = "+12025550143") -> IncomingReply:
    return IncomingReply(channel="sms", sender=sender, text=text)


@dataclass
class Slow:
    """A store whose first commit takes until it is let go, and which refuses what is faulty."""

    let_go: threading.Event = field(default_factory=threading.Event)
    batches: list[int] = field(default_factory=list)
    stored: list[str] = field(default_factory=list)
    broken: bool = False

    def __call__(self, calls: Sequence[Sequence[Incoming]]) -> list[Exception | None]:
        first = not self.batches
        self.batches.append(len(calls))
        if first:
            self.let_go.wait()
        if self.broken and not first:
            raise OSError("the disk is full")
        texts = [each.text for (each,) in calls if isinstance(each, IncomingReply)]
        self.stored += [text for text in texts if text != FAULTY]
        return [InputError("no") if text == FAULTY else None for text in texts]


def _bring_at_once(store: Slow, texts: Sequence[str]) -> list[Future[None]]:
    """Bring one, and the others while the first is being stored; return what each caller got."""
    gatherer = Gatherer(store)
    with ThreadPoolExecutor(max_workers=len(texts)) as pool:
        calls = [pool.submit(gatherer.take_in, [_reply(texts[0])])]
        until(lambda: store.batches)
        calls += [pool.submit(gatherer.take_in, [_reply(text)]) for text in texts[1:]]
        until(lambda: len(gatherer._waiting) == len(texts) - 1)
        assert not any(call.done() for call in calls)
        store.let_go.set()
    return calls


def test_what_comes_while_a_commit_is_under_way_goes_into_the_next_one() -> None:
    store = Slow()
    calls = _bring_at_once(store, [str(number) for number in range(12)])
    assert store.batches == [1, 11]
    assert sorted(store.stored, key=int) == [str(number) for number in range(12)]
    assert [call.exception() for call in calls] == [None] * 12


def test_one_faulty_call_is_told_so_and_harms_no_other() -> None:
    store = Slow()
    calls = _bring_at_once(store, ["a", "b", FAULTY, "c"])
    assert sorted(store.stored) == ["a", "b", "c"]
    assert [type(call.exception()) for call in calls] == [type(None), type(None), InputError, type(None)]


def test_nobody_is_told_that_it_is_stored_when_the_commit_failed() -> None:
    store = Slow(broken=True)
    calls = _bring_at_once(store, ["a", "b", "c"])
    assert store.stored == ["a"]
    assert [type(call.exception()) for call in calls] == [type(None), OSError, OSError]


def test_one_transaction_takes_no_more_than_its_share() -> None:
    store = Slow()
    calls = _bring_at_once(store, [str(number) for number in range(MOST_AT_ONCE + 6)])
    assert store.batches == [1, MOST_AT_ONCE, 5]
    assert all(call.exception() is None for call in calls)


def test_one_after_another_each_is_stored_by_itself() -> None:
    store = Slow()
    store.let_go.set()
    gatherer = Gatherer(store)
    for text in ("a", "b"):
        gatherer.take_in([_reply(text)])
    assert store.batches == [1, 1]


@pytest.fixture
def intake(tmp_path: Path, database: Database, database_url: str) -> Iterator[Intake]:
    """What stores replies in a database of either kind."""
    (tmp_path / "config.toml").write_text(f'database = "{database_url}"\n{PRACTICE}', "utf-8")
    write_keys(tmp_path)
    app = App(load_config(tmp_path / "config.toml"), VirtualClock(NOON))
    yield app.intake
    app.database.close()


def _texts(database: Database) -> list[str]:
    with database.reading() as session:
        return list(session.execute(select(col(Reply.text)).order_by(col(Reply.id))).scalars())


def test_a_reply_that_fails_leaves_no_trace_and_the_others_are_kept(intake: Intake, database: Database) -> None:
    failures = intake.take_in_apart([[_reply("thanks")], [_reply("hello?", sender=" ")], [_reply("there is pus")]])
    assert [type(each) for each in failures] == [type(None), InputError, type(None)]
    assert _texts(database) == ["thanks", "there is pus"]


def test_many_threads_at_once_lose_none(intake: Intake, database: Database) -> None:
    gatherer = Gatherer(intake.take_in_apart)
    with ThreadPoolExecutor(max_workers=8) as pool:
        calls = [
            pool.submit(gatherer.take_in, [_reply(f"text {number}", sender=f"+1202555{100 + number % 7:04}")])
            for number in range(40)
        ]
    assert [call.exception() for call in calls] == [None] * 40
    assert sorted(_texts(database)) == sorted(f"text {number}" for number in range(40))


def test_two_processes_that_hold_several_senders_do_not_wait_for_each_other(intake: Intake, database: Database) -> None:
    senders = [f"+1202555{100 + number:04}" for number in range(6)]
    there = [[_reply(f"to {sender}", sender)] for sender in senders]
    back = [[_reply(f"back {sender}", sender)] for sender in reversed(senders)]
    with ThreadPoolExecutor(max_workers=2) as pool:
        results = [pool.submit(intake.take_in_apart, calls) for calls in (there, back) for _ in range(3)]
    assert [each.result() for each in results] == [[None] * 6] * 6
    assert len(_texts(database)) == 36
