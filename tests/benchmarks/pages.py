"""Server time of the pages of staff and of programs' calls, in a practice with years of patients behind it (SQLite)."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import httpx
from sqlalchemy import insert, select
from sqlmodel import SQLModel

from reminders.desk.roles import Role
from tests.benchmarks.backlog import Figure
from tests.build import LEAD
from tests.desk.office import Office, open_office
from tests.servers import migrate
from tests.web.people import browser_of, csrf_in
from tests.web.programs import BODIES, enrollment, program
from tests.web.server import serving

_DAYS = 1800
"""Over so many days before now the courses are spread; those of the last month run."""
_DAY = 86_400_000_000
"""In microseconds, as instants are kept."""
_AT_ONCE = 5_000
"""A statement that takes longer than half a minute is stopped."""
_TRIES = 40
_PATIENTS = SQLModel.metadata.tables["patient"]
_CONTACTS = SQLModel.metadata.tables["contact"]
_TYPED = {"procedure": LEAD, "phone": "312-555-0155", "factor": "none", "language": "en", "consent": "on"}


def run(n: int | None, url: str | None, folder: Path) -> Iterator[Figure]:
    """Measure pages with `n` patients: processor time of server and client together, as hosts are busy."""
    if url is not None:
        raise SystemExit("this benchmark seeds a SQLite file")
    count = n or 100_000
    database = folder / "reminders.sqlite3"
    migrate(f"sqlite:///{database}")
    office = open_office(folder, database, "2026-06-10T10:30")
    office.enroll()
    office.dispatcher.run_once()
    office.reply("it is red and hot up to my ankle")
    yield {"figure": "messages", "n": count, "value": _copy_first_patient(office, count)}
    with serving(office.app) as server, browser_of(server, office, Role.CLINICIAN, Role.ADMINISTRATOR) as browser:
        plans = ("plans", f"plans/{LEAD}")
        for path in ("concerns", "concerns/1", f"courses/{count // 2}", "checkout", "today", *plans, "settings"):
            yield _figure(path, partial(browser.get, f"/staff/{path}"))
        token = csrf_in(browser.get("/staff/account"))
        names = iter(range(10_000))

        def enroll() -> httpx.Response:
            return browser.post("/staff/checkout", data={**_TYPED, "csrf": token, "first_name": f"Kim{next(names)}"})

        yield _figure("enroll", enroll)
        typed, partly = {**_TYPED, "csrf": token, "first_name": "Kim"}, {"hx-request": "true"}
        yield _figure("preview", partial(browser.post, "/staff/checkout/preview", data=typed, headers=partly))
        found = {"csrf": token, "search": "robin77"}
        began = time.process_time()
        browser.post("/staff/patients", data=found)  # opens every name and address
        yield {"figure": "first search", "cpu_ms": round((time.process_time() - began) * 1000)}
        yield _figure("search", lambda: browser.post("/staff/patients", data=found))
        with program(server, office) as client:
            yield from _calls(client, count)
    office.dispatcher.close()
    office.database.close()


def _patient(i: int) -> dict[str, object]:
    return {"id": 1 + i, "first_name": f"Robin{i}"}


def _contact(i: int) -> dict[str, object]:
    address = f"+1773{5550100 + i}"
    return {"id": 1 + i, "patient_id": 1 + i, "address": address, "address_key": address}


def _calls(client: httpx.Client, count: int) -> Iterator[Figure]:
    """Measure the operations that other programs call."""
    course = f"/enrollments/{count // 2}"
    pages = ("/messages?limit=50", "/messages?state=failed&limit=50", "/concerns", "/concerns/1")
    for path in (course, f"{course}/record", f"{course}/messages", "/patients/1/consents", *pages):
        yield _figure(f"GET {path}", partial(client.get, path))
    numbers = iter(range(10_000))

    def enroll() -> httpx.Response:
        number = next(numbers)
        body = enrollment(phone="+13125550156", first_name=f"Kim{number}")
        return client.post("/enrollments", json=body, headers={"Idempotency-Key": f"enroll-{number}"})

    def change() -> httpx.Response:
        return client.patch("/enrollments/1", json={"facts": {"settings": {"stop_day": 5 + next(numbers) % 2}}})

    yield _figure("POST /enrollments", enroll)
    yield _figure("PATCH /enrollments/1", change)
    yield _figure("POST /replies", lambda: client.post("/replies", json=BODIES["POST /replies"]))
    yield _figure("POST /concerns/1/note", lambda: client.post("/concerns/1/note", json={"note": "No answer"}))


def _figure(name: str, ask: Callable[[], httpx.Response]) -> Figure:
    """Ask once to warm up, then again and again."""
    ask().raise_for_status()
    spent = []
    for _ in range(_TRIES):
        began = time.process_time()
        ask().raise_for_status()
        spent.append((time.process_time() - began) * 1000)
    return {"figure": name, "p95_cpu_ms": round(sorted(spent)[int(_TRIES * 0.95) - 1], 1)}


def _copy_first_patient(office: Office, count: int) -> int:
    """Copy the one patient with course and messages, each some days earlier; returns how many messages there are.

    Names and numbers are sealed each for itself; the words of courses and messages are copied as they are.
    """
    earlier = f"- (i % {_DAYS}) * {_DAY}"
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
