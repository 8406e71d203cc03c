"""Replies when everybody writes at once: ten thousand within a minute, some of them brought twice."""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from http import HTTPStatus
from http.client import HTTPConnection
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from sqlalchemy import func, select, update
from sqlalchemy.exc import DBAPIError
from sqlmodel import col

from reminders.assembly import App
from reminders.clock import VirtualClock
from reminders.delivery.gathering import Gatherer
from reminders.delivery.incoming import IncomingReply
from reminders.records.done_once import is_first_time
from reminders.records.tables import Reply
from reminders.records.tables_concerns import Concern
from tests.benchmarks.backlog import Figure
from tests.desk.office import Office, open_office
from tests.servers import migrate
from tests.web.server import serving

WORKERS = 4
THREADS = 32
"""That offer at once; the web server answers as many."""
_MINUTE = 60.0
"""Seconds in which ten thousand are offered; fewer at the same pace."""
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
_MANY = 500
"""The same, when everybody writes for a minute."""
_GATEWAY = {
    "url": "https://gateway.example.org/messages",
    "hook_auth": {"addresses": ["127.0.0.1"]},
    "reply_hook": {"sender": "from", "text": "body", "id": "id"},
}


@dataclass(frozen=True, kw_only=True)
class Landed:
    """What is in the database after a storm."""

    replies: int
    names: int
    """Of gateways for replies, each counted once."""
    concerns: int
    seconds: float


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Offer replies at the pace of ten thousand a minute, from call to commit, and compare with bare commits.

    First straight to the intake, then as a gateway's calls to the web server.
    """
    count = n or 10_000
    office = office_with_patients(url, folder, patients=_MANY - _MANY // 10, delivery={"http": _GATEWAY})
    peer = _commits_per_second(office, 500)
    yield {"figure": "peer_per_second", "peer": "commits of one row each, one process", "value": round(peer)}
    gatherer = Gatherer(office.app.intake.take_in_apart)
    gatherer.take_in([replace(_reply(number), gateway_ref=None) for number in range(20)])  # what is read once is read
    yield from _figures(office, "intake", _offer(count, lambda number: gatherer.take_in([_reply(number, _MANY)])))
    with serving(office.app) as server:
        yield from _figures(office, "gateway", _offer(count, _Gateway(server.base).bring))


@dataclass(frozen=True, kw_only=True)
class Offered:
    """What became of replies that were offered at an even pace, every tenth of them twice."""

    count: int
    seconds: float
    """From the first offer until the last was acknowledged: by then all are stored, and understood."""
    waits: Sequence[float]
    """Seconds from each offer's moment until it was acknowledged."""
    processor_seconds: float
    """Of this process: what stores, and what offers."""


def _offer(count: int, bring: Callable[[int], object]) -> Offered:
    began, spent = time.perf_counter(), time.process_time()
    waits = []

    def bring_at(number: int, moment: float) -> None:
        time.sleep(max(0.0, began + moment - time.perf_counter()))
        bring(number)
        waits.append(time.perf_counter() - began - moment)

    with ThreadPoolExecutor(max_workers=THREADS) as pool:
        offers = [(number, number * _MINUTE / 10_000) for number in range(count)]
        twice = [offer for number, offer in enumerate(offers) for _ in range(2 if number % 10 == 0 else 1)]
        calls = [pool.submit(bring_at, *offer) for offer in twice]
    for call in calls:
        call.result()
    return Offered(
        count=count,
        seconds=time.perf_counter() - began,
        waits=sorted(waits),
        processor_seconds=time.process_time() - spent,
    )


def _figures(office: Office, way: str, offered: Offered) -> Iterator[Figure]:
    landed = _landed(office, offered.seconds)
    facts = {"way": way, "n": offered.count, "threads": THREADS}
    yield {"figure": "offered_in_seconds", **facts, "value": round(offered.count * _MINUTE / 10_000, 1)}
    yield {"figure": "stored_and_understood_in_seconds", **facts, "value": round(offered.seconds, 1)}
    for percent in (50, 99, 100):
        wait = offered.waits[max(0, len(offered.waits) * percent // 100 - 1)]
        yield {"figure": "acknowledged_after_ms", "percent": percent, **facts, "value": round(wait * 1000)}
    each = offered.processor_seconds / len(offered.waits) * 1000
    yield {"figure": "processor_ms_per_call", **facts, "value": round(each, 2)}
    yield {"figure": "lost", **facts, "value": offered.count - landed.names}
    yield {"figure": "counted_twice", **facts, "value": landed.replies - landed.names}
    with office.database.writing() as session:
        session.execute(update(Reply).values(gateway_ref=None))  # the same are offered again by another way


class _Gateway(threading.local):
    """A gateway that calls over one connection a thread: it should cost little beside what it measures."""

    def __init__(self, base: str) -> None:
        address = urlsplit(base)
        self._link = HTTPConnection(address.hostname or "", address.port, timeout=120)

    def bring(self, number: int) -> None:
        """Bring a reply; again, until it is told that we have it."""
        reply = _reply(number, _MANY)
        body = json.dumps({"from": reply.sender, "body": reply.text, "id": reply.gateway_ref})
        while True:
            self._link.request("POST", "/gateway/replies", body, {"Content-Type": "application/json"})
            answer = self._link.getresponse()
            answer.read()
            if answer.status == HTTPStatus.OK:
                return
            time.sleep(0.05)


def office_with_patients(url: str | None, folder: Path, *, patients: int = 40, **settings: Any) -> Office:
    """Return a practice with some patients, each with a course, in an empty database."""
    address = url or f"sqlite:///{folder / 'storm.sqlite3'}"
    migrate(address)
    office = open_office(folder, address, "2026-06-10T10:30", **settings)
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
    return _landed(office, seconds)


def _landed(office: Office, seconds: float) -> Landed:
    with office.database.reading() as session:
        named = col(Reply.gateway_ref)
        found = select(func.count(named), func.count(func.distinct(named)))
        replies, names = session.execute(found).one()
        concerns = session.execute(select(func.count()).select_from(Concern)).scalar_one()
    return Landed(replies=replies, names=names, concerns=concerns, seconds=seconds)


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


def _reply(number: int, senders: int = _SENDERS) -> IncomingReply:
    text = _TEXTS[number % len(_TEXTS)]  # of one more, so that each writes now this and now that
    return IncomingReply(channel="sms", sender=_phone(number % (senders - 1)), text=text, gateway_ref=f"g-{number}")


def _phone(number: int) -> str:
    return f"+1{_AREAS[number // 100 % len(_AREAS)]}55501{number % 100:02}"


def _commits_per_second(office: Office, count: int) -> float:
    began = time.perf_counter()
    for number in range(count):
        with office.database.writing() as session:
            is_first_time(session, office.desk.practice_id, f"peer {number}", office.clock.now())
    return count / (time.perf_counter() - began)
