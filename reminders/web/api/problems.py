"""Knows how a call that can't be served is answered: problem details (RFC 9457) for each error, never a patient's data.

`code` tells programs what happened, `detail` tells people, `errors` names the fields of the call that are at fault.
"""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import Response
from sqlalchemy.exc import DBAPIError
from starlette.exceptions import HTTPException
from starlette.types import Scope

from reminders.desk.blamed import Blamed
from reminders.desk.course_facts import CourseInput
from reminders.errors import InputError, NotFound, PlanError, ReminderError, StateError

MEDIA_TYPE = "application/problem+json"
_LOG = logging.getLogger(__name__)
_LONGEST_NAME = 64
"""Of a field that the call named and that there is not: more of it tells nobody anything."""
_BUSY_SECONDS = "2"
_FACTS = {"end": "procedure_end"}
"""Facts that the desk calls otherwise than a course is told."""


class Code(StrEnum):
    """What happened, for programs."""

    BAD_REQUEST = "bad_request"
    """The body is no JSON, or a header can't be read."""
    KEY_MISSING = "key_missing"
    KEY_UNKNOWN = "key_unknown"
    KEY_EXPIRED = "key_expired"
    KEY_REVOKED = "key_revoked"
    SCOPE_MISSING = "scope_missing"
    NOT_FOUND = "not_found"
    METHOD_NOT_ALLOWED = "method_not_allowed"
    CONFLICT = "conflict"
    """It does not fit the present state, such as a concern that somebody else has."""
    ALREADY_ENROLLED = "already_enrolled"
    IN_PROGRESS = "in_progress"
    """The same call is being answered just now."""
    CHANGED_MEANWHILE = "changed_meanwhile"
    TOO_LARGE = "too_large"
    NOT_JSON = "not_json"
    """The body is of another media type."""
    INVALID = "invalid"
    IDEMPOTENCY_KEY_REUSED = "idempotency_key_reused"
    TOO_MANY_CALLS = "too_many_calls"
    BROKEN = "broken"
    BUSY = "busy"


STATUS: Mapping[Code, int] = {
    Code.BAD_REQUEST: 400,
    Code.KEY_MISSING: 401,
    Code.KEY_UNKNOWN: 401,
    Code.KEY_EXPIRED: 401,
    Code.KEY_REVOKED: 401,
    Code.SCOPE_MISSING: 403,
    Code.NOT_FOUND: 404,
    Code.METHOD_NOT_ALLOWED: 405,
    Code.CONFLICT: 409,
    Code.ALREADY_ENROLLED: 409,
    Code.IN_PROGRESS: 409,
    Code.CHANGED_MEANWHILE: 412,
    Code.TOO_LARGE: 413,
    Code.NOT_JSON: 415,
    Code.INVALID: 422,
    Code.IDEMPOTENCY_KEY_REUSED: 422,
    Code.TOO_MANY_CALLS: 429,
    Code.BROKEN: 500,
    Code.BUSY: 503,
}


class Refusal(Exception):
    """A call that is answered by a problem."""

    def __init__(
        self,
        code: Code,
        detail: str,
        *,
        errors: Sequence[Mapping[str, str]] = (),
        headers: Mapping[str, str] | None = None,
        **more: int | str,
    ) -> None:
        super().__init__(detail)
        self.answer = problem(code, detail, errors=errors, headers=headers, **more)


def problem(
    code: Code,
    detail: str,
    *,
    errors: Sequence[Mapping[str, str]] = (),
    headers: Mapping[str, str] | None = None,
    **more: int | str,
) -> Response:
    """Return the answer that tells a problem; `more` are further members of it."""
    status = STATUS[code]
    told: dict[str, Any] = {
        "type": "about:blank",  # RFC 9457 section 4.2.1: the title is the status's own
        "title": HTTPStatus(status).phrase,
        "status": status,
        "code": str(code),
        "detail": detail,
        **({"errors": list(errors)} if errors else {}),
        **more,
    }
    content = json.dumps(told, ensure_ascii=False)
    return Response(content, status, headers=dict(headers or {}), media_type=MEDIA_TYPE)


def in_body(detail: str, *way: str | int) -> dict[str, str]:
    """Return what is wrong with a member of the body, which a JSON pointer (RFC 6901 section 6) names."""
    steps = (str(step)[:_LONGEST_NAME].replace("~", "~0").replace("/", "~1") for step in way)
    return {"pointer": "#" + "".join(f"/{step}" for step in steps), "detail": detail}


def in_query(detail: str, name: str) -> dict[str, str]:
    """Return what is wrong with a parameter of the address."""
    return {"parameter": name[:_LONGEST_NAME], "detail": detail}


def in_header(detail: str, name: str) -> dict[str, str]:
    """Return what is wrong with a header."""
    return {"header": name, "detail": detail}


def invalid(*errors: Mapping[str, str]) -> Refusal:
    """Return the refusal of a call whose fields are at fault."""
    return Refusal(Code.INVALID, "some of what was sent can't be accepted; nothing was changed", errors=errors)


def refused_input(error: InputError, given: Iterable[str]) -> Refusal:
    """Return the refusal of what the desk did not accept; what was `given` is not repeated."""
    quoted = [shown for text in given for shown in (repr(text), repr(text[:37] + "..."))]
    return invalid(*({**_pointer(each), "detail": _without(quoted, each)} for each in error.problems))


def _pointer(says: str) -> dict[str, str]:
    """Return the member that a problem is about, where the desk says it."""
    if not isinstance(says, Blamed):
        return {}
    is_fact = says.field in CourseInput.__dataclass_fields__
    return {"pointer": f"#/facts/{_FACTS.get(says.field, says.field)}" if is_fact else f"#/{says.field}"}


def broken(_scope: Scope) -> Response:
    """Return the answer when nothing is known of what happened."""
    return problem(Code.BROKEN, "something broke, and nothing was changed; try again with the same Idempotency-Key")


def add_problems(app: FastAPI) -> None:
    """Let every error become a problem."""
    app.add_exception_handler(Refusal, _refusal)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(ReminderError, _ours)
    app.add_exception_handler(DBAPIError, _database)


def _without(quoted: Iterable[str], text: str) -> str:
    for each in quoted:
        text = text.replace(each, "this value")
    return text


def _refusal(_request: Request, error: Exception) -> Response:
    assert isinstance(error, Refusal)  # noqa: S101  it is added for nothing else
    return error.answer


def _http(request: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    if status == 405:
        allowed = _allowed(request)
        return problem(Code.METHOD_NOT_ALLOWED, f"this address takes {allowed}", headers={"Allow": allowed})
    if status == 404:
        return problem(Code.NOT_FOUND, "there is no such address; /api/v1/openapi.json names those there are")
    if status == 400:
        return problem(Code.BAD_REQUEST, "the body can't be read")
    return broken(request.scope)


def _allowed(request: Request) -> str:
    """Return every method of an address; the router tells those of the first route only."""
    for path, operations in request.app.state.described()["paths"].items():
        if re.fullmatch(re.sub(r"\{\w+\}", "[^/]+", path), request.url.path):
            return ", ".join(sorted(method.upper() for method in operations))
    return "GET"


def _unreadable(_request: Request, error: Exception) -> Response:
    found = error.errors() if isinstance(error, RequestValidationError) else ()
    if any(each["type"] == "json_invalid" for each in found):
        return problem(Code.BAD_REQUEST, "the body is no JSON")
    return invalid(*(_field(each["loc"], each["msg"]) for each in found)).answer


def _field(way: Sequence[str | int], says: str) -> dict[str, str]:
    place, *steps = way
    says = says.removeprefix("Value error, ")
    if place == "body":
        return in_body(says, *steps)
    return in_query(says, ".".join(str(step) for step in steps))


def _ours(request: Request, error: Exception) -> Response:
    if isinstance(error, NotFound):
        return problem(Code.NOT_FOUND, str(error))
    if isinstance(error, InputError):
        return refused_input(error, strings_in(getattr(request.state, "body", b""))).answer
    if isinstance(error, StateError):
        return problem(Code.CONFLICT, str(error))
    if isinstance(error, PlanError):
        return problem(Code.CONFLICT, "a procedure's folder has faults; `reminders check` names them")
    _LOG.error("call_refused", extra={"error": type(error).__name__})
    return broken(request.scope)


def strings_in(body: bytes) -> list[str]:
    """Return every string that a body holds, names of members among them; none of what is no JSON."""
    try:
        waiting = [json.loads(body)] if body else []
    except ValueError:
        return []
    found: list[str] = []
    while waiting:
        each = waiting.pop()
        if isinstance(each, str):
            found.append(each)
        elif isinstance(each, list):
            waiting += each
        elif isinstance(each, dict):
            waiting += [*each, *each.values()]
    return found


def _database(_request: Request, error: Exception) -> Response:
    _LOG.error("database_refused", extra={"error": type(error).__name__})
    detail = "the database is busy, and nothing was changed; try again with the same Idempotency-Key"
    return problem(Code.BUSY, detail, headers={"Retry-After": _BUSY_SECONDS})
