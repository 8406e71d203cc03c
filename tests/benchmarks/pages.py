"""Server time of the pages of staff and of programs' calls, in a practice with years of patients behind it (SQLite)."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from http import HTTPStatus
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import insert, select
from sqlmodel import SQLModel

from reminders.desk.roles import Role
from reminders.records.directory import read_ahead
from tests.benchmarks.backlog import Figure
from tests.build import LEAD
from tests.desk.office import Office, open_office
from tests.servers import migrate
from tests.web.patients import ADDRESS, opened, way_to
from tests.web.people import browser_of, csrf_in
from tests.web.programs import BODIES, enrollment, program
from tests.web.server import serving

_DAYS = 1800
"""Over so many days before now the courses are spread; those of the last month run."""
_DAY = 86_400_000_000
"""In microseconds, as instants are kept."""
_WROTE = "i % 7 = 0"
"""One patient of so many wrote something that became a concern; it is closed but for those of the last two days."""
_AT_ONCE = 5_000
"""A statement that takes longer than half a minute is stopped."""
_TRIES = 40
_PATIENTS = SQLModel.metadata.tables["patient"]
_CONTACTS = SQLModel.metadata.tables["contact"]
_TYPED = {"procedure": LEAD, "phone": "312-555-0155", "factor": "none", "language": "en", "consent": "on"}


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure pages with `n` patients: processor time of the server alone, as hosts are busy."""
    if url is not None:
        raise SystemExit("this benchmark seeds a SQLite file")
    count = n or 100_000
    database = folder / "reminders.sqlite3"
    migrate(f"sqlite:///{database}")
    office = open_office(folder, database, "2026-06-10T10:30", web={"address": ADDRESS})
    office.enroll()
    office.dispatcher.run_once()
    office.reply("it is red and hot up to my ankle")
    yield {"figure": "messages", "n": count, "value": _copy_first_patient(office, count)}
    with serving(office.app) as server:
        with browser_of(server, office, Role.CLINICIAN, Role.ADMINISTRATOR) as browser, _visiting(browser) as visitor:
            yield from _pages(visitor, count)
            yield from _forms(visitor, office, csrf_in(browser.get("/staff/account")))
        way = way_to(office)
        with opened(server, way) as browser, _visiting(browser) as visitor:
            yield _figure("the patient's page", partial(visitor, "GET", way.path))
        with program(server, office) as client, _visiting(client) as visitor:
            yield from _calls(visitor, count)
    office.dispatcher.close()
    office.database.close()


@contextmanager
def _visiting(client: httpx.Client) -> Iterator[Callable[..., None]]:
    """Give what asks as a client does, out of another process: its own work is not the server's."""
    context = get_context("spawn")
    here, there = context.Pipe()
    known = {"base_url": str(client.base_url), "headers": dict(client.headers), "cookies": dict(client.cookies)}
    process = context.Process(target=_visit, args=(there, known), daemon=True)
    process.start()

    def ask(method: str, path: str, **more: object) -> None:
        here.send((method, path, more))
        status = here.recv()
        if status >= HTTPStatus.BAD_REQUEST:
            raise AssertionError(f"{method} {path} was answered with {status}")

    yield ask
    here.send(None)
    process.join()


def _visit(there: Connection, known: dict[str, Any]) -> None:
    with httpx.Client(timeout=60, **known) as client:
        for method, path, more in iter(there.recv, None):
            there.send(client.request(method, path, **more).status_code)


def _pages(visitor: Callable[..., None], count: int) -> Iterator[Figure]:
    """Measure the pages that staff look at."""
    course = f"courses/{count // 2}"
    of_course = (course, f"{course}/change", f"{course}/record", f"{course}/record.json", f"{course}/sheet")
    concerns = ("concerns", "concerns/list", "concerns/1", "concerns/closed")
    plans = ("plans", f"plans/{LEAD}", f"plans/{LEAD}/compare")
    settings = ("settings", "settings/opening_hours", "settings/programs")
    for path in (*concerns, *of_course, "checkout", "today", "waiting", *plans, *settings, "audit", "audit?patient=1"):
        yield _figure(path, partial(visitor, "GET", f"/staff/{path}"))


def _forms(visitor: Callable[..., None], office: Office, token: str) -> Iterator[Figure]:
    """Measure what staff send."""
    names = iter(range(10_000))

    def enroll() -> None:
        visitor("POST", "/staff/checkout", data={**_TYPED, "csrf": token, "first_name": f"Kim{next(names)}"})

    yield _figure("enroll", enroll)
    typed, partly = {**_TYPED, "csrf": token, "first_name": "Kim"}, {"hx-request": "true"}
    yield _figure("preview", partial(visitor, "POST", "/staff/checkout/preview", data=typed, headers=partly))
    began = time.process_time()
    with office.database.reading() as session:
        while read_ahead(session, office.desk.practice_id):
            pass
    yield {"figure": "names read ahead", "cpu_ms": round((time.process_time() - began) * 1000)}
    for name, search in (("search by name", "robin77"), ("search by number", "5627500")):
        yield _figure(name, partial(visitor, "POST", "/staff/patients", data={"csrf": token, "search": search}))


def _patient(i: int) -> dict[str, object]:
    return {"id": 1 + i, "first_name": f"Robin{i}"}


def _contact(i: int) -> dict[str, object]:
    address = f"+1773{5550100 + i}"
    return {"id": 1 + i, "patient_id": 1 + i, "address": address, "address_key": address}


def _calls(visitor: Callable[..., None], count: int) -> Iterator[Figure]:
    """Measure the operations that other programs call."""
    course = f"enrollments/{count // 2}"
    pages = ("messages?limit=50", "messages?state=failed&limit=50", "concerns", "concerns/1")
    for path in (course, f"{course}/record", f"{course}/messages", "patients/1/consents", *pages):
        yield _figure(f"GET /{path}", partial(visitor, "GET", path))
    numbers = iter(range(10_000))

    def enroll() -> None:
        number = next(numbers)
        body = enrollment(phone="+13125550156", first_name=f"Kim{number}")
        visitor("POST", "enrollments", json=body, headers={"Idempotency-Key": f"enroll-{number}"})

    def change() -> None:
        visitor("PATCH", "enrollments/1", json={"facts": {"settings": {"stop_day": 5 + next(numbers) % 2}}})

    yield _figure("POST /enrollments", enroll)
    yield _figure("PATCH /enrollments/1", change)
    yield _figure("POST /replies", partial(visitor, "POST", "replies", json=BODIES["POST /replies"]))
    yield _figure("POST /concerns/1/note", partial(visitor, "POST", "concerns/1/note", json={"note": "No answer"}))


def _figure(name: str, ask: Callable[[], None]) -> Figure:
    """Ask once, when nothing is at hand yet, then again and again."""
    first, *spent = [_cpu_ms(ask) for _ in range(_TRIES + 1)]
    return {"figure": name, "first_cpu_ms": first, "p95_cpu_ms": sorted(spent)[int(_TRIES * 0.95) - 1]}


def _cpu_ms(ask: Callable[[], None]) -> float:
    began = time.process_time()
    ask()
    return round((time.process_time() - began) * 1000, 1)


def _copy_first_patient(office: Office, count: int) -> int:
    """Copy the one patient with course and messages, each some days earlier; returns how many messages there are.

    Names and numbers are sealed each for itself; the words of courses and messages are copied as they are.
    """
    earlier = f"- (i % {_DAYS}) * {_DAY}"
    theirs = {"patient_id": "patient_id + i", "enrollment_id": "enrollment_id + i"}
    moments = {name: f"{name} {earlier}" for name in ("planned_at", "send_at", "due_at", "useful_until")}
    past = f"send_at {earlier} < (SELECT max(enrolled_at) FROM enrollment WHERE id = 1)"
    copies: tuple[tuple[str, str, dict[str, str]], ...] = (
        (
            "enrollment",
            "id = 1",
            {
                "id": "id + i",
                "patient_id": "patient_id + i",
                "procedure_end": f"procedure_end {earlier}",
                "state": f"CASE WHEN i % {_DAYS} > 30 THEN 'ended' ELSE 'active' END",
            },
        ),
        (
            "message",
            "enrollment_id = 1 AND state IN ('scheduled', 'sent')",
            {
                **moments,
                "id": "id + i * 100",
                "patient_id": "patient_id + i",
                "enrollment_id": "enrollment_id + i",
                "state": f"CASE WHEN {past} THEN 'delivered' ELSE 'scheduled' END",
                "settled_at": f"CASE WHEN {past} THEN send_at {earlier} END",
                "transport_ref": "NULL",
            },
        ),
        (
            "reply",
            f"id = 1 AND {_WROTE}",
            {**theirs, "id": "id + i", "received_at": f"received_at {earlier}"},
        ),
        (
            "concern",
            f"id = 1 AND {_WROTE}",
            {
                **theirs,
                "id": "id + i",
                "opened_at": f"opened_at {earlier}",
                "due_at": f"due_at {earlier}",
                "state": f"CASE WHEN i % {_DAYS} > 1 THEN 'closed' ELSE 'open' END",
                "outcome": f"CASE WHEN i % {_DAYS} > 1 THEN 'reached' END",
                "closed_at": f"CASE WHEN i % {_DAYS} > 1 THEN due_at {earlier} END",
            },
        ),
        (
            "concern_event",
            f"concern_id = 1 AND {_WROTE}",
            {"id": "id + i", "concern_id": "concern_id + i", "reply_id": "reply_id + i", "at": f"at {earlier}"},
        ),
    )
    with office.database.writing() as session:
        connection = session.connection()
        for sealed, row_of in ((_PATIENTS, _patient), (_CONTACTS, _contact)):
            first_row = connection.execute(select(sealed).where(sealed.c.id == 1)).mappings().one()
            connection.execute(insert(sealed), [{**first_row, **row_of(i)} for i in range(1, count)])
        for table, where, changed in copies:
            names = [row[1] for row in connection.exec_driver_sql(f"PRAGMA table_info({table})")]
            columns = ", ".join(names)
            values = ", ".join(changed.get(name, name) for name in names)
            for first in range(1, count, _AT_ONCE):
                last = min(first + _AT_ONCE, count) - 1
                numbers = f"WITH RECURSIVE k(i) AS (SELECT {first} UNION ALL SELECT i + 1 FROM k WHERE i < {last})"
                copied = f"INSERT INTO {table} ({columns}) SELECT {values} FROM {table}, k WHERE {where}"
                connection.exec_driver_sql(f"{numbers} {copied}")
        connection.exec_driver_sql("ANALYZE")
        return int(connection.exec_driver_sql("SELECT count(*) FROM message").scalar_one())
