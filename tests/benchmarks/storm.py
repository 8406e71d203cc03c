"""Replies a second when everybody writes at once: several processes bring them, some of them twice."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from sqlalchemy import func, select
from sqlalchemy.exc import DBAPIError
from sqlmodel import col

from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.delivery.gathering import Gatherer
from reminders.delivery.incoming import IncomingReply
from reminders.records.done_once import is_first_time
from reminders.records.tables import Concern, Reply
from tests.benchmarks.backlog import Figure
from tests.desk.office import Office, open_office
from tests.servers import migrate

WORKERS = 4
THREADS = 32
_TEXTS = (
    "ok thanks",
    "yes",
    "7",
    "there is pus coming out and it smells",
    "can I take a shower?",
    "I can't breathe and my face is swelling up",
    "gracias",
    "no",
    "blrgh flrp",
    "it is red and hot up to my ankle",
)
_AREAS = (312, 773, 708, 630, 847)
_TRIES = 10
_SENDERS = 50
"""Numbers that write; those of patients, and a few that nobody knows."""


@dataclass(frozen=True, kw_only=True)
class Landed:
    """What is in the database after a storm."""

    replies: int
    names: int
    """Of gateways for replies, each counted once."""
    concerns: int
    seconds: float


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure replies from the gateway's call to the commit, and the peer's bare commits."""
    count = n or 10_000
    office = office_with_patients(url, folder)
    peer = _commits_per_second(office, 500)
    landed = storm(office, count)
    rate = count / landed.seconds
    yield {"figure": "replies_per_second", "n": count, "workers": WORKERS, "value": round(rate)}
    gathered = through_one_process(office, count // 4)
    yield {"figure": "replies_per_second", "n": count // 4, "workers": 1, "threads": THREADS, "value": round(gathered)}
    yield {"figure": "lost", "n": count, "value": count - landed.names}
    yield {"figure": "counted_twice", "n": count, "value": landed.replies - landed.names}
    yield {"figure": "peer_per_second", "peer": "commits of one row each, one process", "value": round(peer)}
    yield {"figure": "ratio_to_peer", "value": round(rate / peer, 2)}


def office_with_patients(url: str | None, folder: Path, *, patients: int = 40) -> Office:
    """Return a practice with some patients, each with a course, in an empty database."""
    address = url or f"sqlite:///{folder / 'storm.sqlite3'}"
    migrate(address)
    office = open_office(folder, address, "2026-06-10T10:30")
    for number in range(patients):
        office.enroll(first_name=f"Patient{number}", phone=_phone(number))
    return office


def storm(office: Office, count: int) -> Landed:
    """Let several processes bring `count` replies, every tenth of them by two at the same time."""
    office.database.close()  # no connection may be shared with a child
    began = time.perf_counter()
    children = [_in_child(office, worker, count) for worker in range(WORKERS)]
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    seconds = time.perf_counter() - began
    if any(codes):
        raise AssertionError(f"a worker ended with {codes}")
    with office.database.reading() as session:
        found = select(func.count(), func.count(func.distinct(col(Reply.gateway_ref)))).select_from(Reply)
        replies, names = session.execute(found).one()
        concerns = session.execute(select(func.count()).select_from(Concern)).scalar_one()
    return Landed(replies=replies, names=names, concerns=concerns, seconds=seconds)


def through_one_process(office: Office, count: int) -> float:
    """Replies a second that many threads of one process bring to one gatherer, as a gateway's calls do."""
    intake = office.app.intake
    gatherer = Gatherer(intake.take_in_apart)
    began = time.perf_counter()
    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        calls = [
            pool.submit(gatherer.take_in, [replace(_reply(number), gateway_ref=f"g{number}")])
            for number in range(count)
        ]
    for call in calls:
        call.result()
    return count / (time.perf_counter() - began)


def _in_child(office: Office, worker: int, count: int) -> int:
    child = os.fork()
    if child:
        return child
    try:
        app = App(office.app.config, VirtualClock(office.clock.now()))
        vars(app)["library"] = office.app.library
        mine = range(worker, count, WORKERS)
        for number in mine:
            _bring(app, [number])
            if number % 10 == worker:
                _bring(app, [(number + 1) % count])  # which the next worker has in hand just now
        app.database.close()
    except BaseException:  # noqa: BLE001  a child must never go on as its parent
        sys.excepthook(*sys.exc_info())
        os._exit(1)
    os._exit(0)


def _bring(app: App, numbers: Sequence[int]) -> None:
    """Call as a gateway does: again, until we say that we have it."""
    replies = [_reply(number) for number in numbers]
    for tries in range(_TRIES):
        try:
            app.intake.take_in(replies)
        except DBAPIError:
            if tries + 1 == _TRIES:
                raise
            time.sleep(0.05)
        else:
            return


def _reply(number: int) -> IncomingReply:
    text = _TEXTS[number % len(_TEXTS)]
    return IncomingReply(channel="sms", sender=_phone(number % _SENDERS), text=text, gateway_ref=f"g-{number}")


def _phone(number: int) -> str:
    return f"+1{_AREAS[number // 100 % len(_AREAS)]}55501{number % 100:02}"


def _commits_per_second(office: Office, count: int) -> float:
    began = time.perf_counter()
    for number in range(count):
        with office.database.writing() as session:
            is_first_time(session, office.desk.practice_id, f"peer {number}", office.clock.now())
    return count / (time.perf_counter() - began)
