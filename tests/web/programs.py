"""Other programs that call the practice's interface, each with a key, and what they send."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from typing import Any

import httpx
from fastapi.routing import APIRoute

from reminders.desk.api_keys import NewKey, Scope, add_key
from reminders.web.api import PREFIX, ROUTERS
from reminders.web.api.call import scope_of
from tests.build import LEAD
from tests.desk.office import Office
from tests.web.server import Server

NAME = "Appointment book"
BODIES: dict[str, dict[str, Any]] = {
    "POST /enrollments": {
        "procedure": LEAD,
        "first_name": "Robin",
        "last_name": "Invented",
        "phone": "+13125550123",
        "facts": {"procedure_end": "2026-06-10T10:30:00-05:00", "factors": []},
        "consent": True,
    },
    "PATCH /enrollments/{enrollment}": {"facts": {"visit": "2026-06-24T10:00:00-05:00"}},
    "POST /enrollments/{enrollment}/cancel": {"reason": "moved away"},
    "POST /replies": {"from": "+13125550123", "text": "it is red and hot up to my ankle"},
    "POST /concerns/{concern}/note": {"note": "No answer"},
    "POST /concerns/{concern}/call": {"outcome": "left_voicemail"},
    "POST /concerns/{concern}/close": {"outcome": "reached", "note": "Comes in at 16:00"},
    "POST /concerns/{concern}/hand-over": {"to": "Nora Nurse"},
    "POST /concerns/{concern}/give-back": {"note": "called away"},
    "POST /concerns/{concern}/reopen": {"note": "called again"},
    "POST /patients/{patient}/consents/give": {"address": "+13125550199"},
    "POST /patients/{patient}/consents/withdraw": {"channel": "sms", "wording": "said so"},
}
"""A body that each operation takes, where it takes one."""


def enrollment(**changes: Any) -> dict[str, Any]:
    """What enrolls Robin Invented, some members changed; `facts` are changed one by one."""
    usual = BODIES["POST /enrollments"]
    facts = {**usual["facts"], **changes.pop("facts", {})}
    return {**usual, **changes, "facts": facts}


def operations() -> Iterator[tuple[str, str, Scope]]:
    """Every operation: method, address below the prefix, and the scope that it asks for."""
    for router in ROUTERS:
        for route in router.routes:
            assert isinstance(route, APIRoute)
            for method in route.methods or ():
                yield method, route.path, scope_of(route)


def key_of(office: Office, *scopes: Scope, name: str = NAME, expires_at: datetime | None = None) -> str:
    """A new key with these scopes, with all of them when none is named."""
    wanted = NewKey(name=name, scopes=scopes or tuple(Scope), expires_at=expires_at, made_by="Ada Admin")
    with office.database.writing() as session:
        return add_key(session, office.desk, wanted)


def program(server: Server, office: Office, *scopes: Scope, name: str = NAME) -> httpx.Client:
    """A program that calls with a new key; addresses are those below the prefix."""
    key = key_of(office, *scopes, name=name)
    headers = {"Authorization": f"Bearer {key}"}
    return httpx.Client(base_url=server.base + PREFIX, headers=headers, timeout=20)


def code_of(answer: httpx.Response) -> str:
    """What a refusal says that happened; it must be a problem."""
    assert answer.headers["content-type"] == "application/problem+json", answer.text
    told: dict[str, Any] = answer.json()
    assert told["status"] == answer.status_code
    return str(told["code"])


def at_fault(answer: httpx.Response) -> list[str]:
    """The fields that a refusal names."""
    code_of(answer)
    errors = answer.json().get("errors", [])
    return [each.get("pointer") or each.get("parameter") or each.get("header") or "" for each in errors]
