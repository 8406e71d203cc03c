"""Knows who calls and whether they may, before anything they sent is read; does each change once; leaves a trail."""

from __future__ import annotations

import hashlib
import re
import threading
from collections.abc import Callable, Coroutine, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from math import ceil
from typing import Annotated, Any

from fastapi import Depends, Request
from fastapi.dependencies.utils import get_flat_params
from fastapi.params import Query
from fastapi.responses import Response
from fastapi.routing import APIRoute
from pydantic import BaseModel
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from reminders.delivery.failpoints import reach
from reminders.desk import api_keys
from reminders.desk.api_keys import KeyHolder, KeyState, Scope
from reminders.desk.composing import Desk
from reminders.desk.trail import Action, Look, note_attempt, note_looks
from reminders.records import api_answers
from reminders.records.audit import REFUSED, Who
from reminders.web.api.problems import Code, Refusal, in_body, in_header, in_query, invalid
from reminders.web.limits import Limiter
from reminders.web.site import Site

SECURITY = "key"
"""What the description calls the way to show a key."""
IDEMPOTENCY_KEY = "Idempotency-Key"
MOST_BYTES = 100_000
"""Of a body; the longest reply that is kept has 20,000 characters."""
_REALM = 'Bearer realm="reminders"'
_IDEMPOTENCY_KEY = re.compile(r'"?([\x21\x23-\x5b\x5d-\x7e]{1,255})"?')
"""An RFC 8941 string, as draft-ietf-httpapi-idempotency-key-header has it; many programs leave the quotes away."""
_SHOWN_BY = {
    Scope.ENROLL: Action.PATIENT_TRY,
    Scope.COURSES_READ: Action.COURSE_SEE,
    Scope.COURSES_WRITE: Action.COURSE_SEE,
    Scope.RECORDS_READ: Action.RECORD_SEE,
    Scope.MESSAGES_READ: Action.MESSAGES_SEE,
    Scope.CONCERNS_READ: Action.CONCERN_SEE,
    Scope.CONCERNS_WRITE: Action.CONCERN_SEE,
    Scope.CONSENTS_READ: Action.CONSENT_SEE,
    Scope.CONSENTS_WRITE: Action.CONSENT_SEE,
    Scope.REPLIES_WRITE: Action.REPLY_TAKE,
}
_ENDED = {
    KeyState.EXPIRED: (Code.KEY_EXPIRED, "this key has expired; ask the practice for a new one"),
    KeyState.REVOKED: (Code.KEY_REVOKED, "this key was taken back; ask the practice for a new one"),
}


@dataclass(frozen=True, kw_only=True)
class Api:
    """The interface of one practice, made once and shared by all calls."""

    site: Site
    calls: Limiter
    """Calls by key."""
    in_progress: set[tuple[int, str]] = field(default_factory=set)
    """Keys with the idempotency keys under which something is being changed."""
    lock: threading.Lock = field(default_factory=threading.Lock)


@dataclass(frozen=True, kw_only=True)
class Told:
    """What a call is answered, and whom it is about."""

    body: BaseModel
    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    patient_id: int | None = None
    about: str = ""
    """What it is about, as the trail names it: `concern 3`."""
    has_version: bool = False
    """Whether a later call may name this version by If-Match."""

    @property
    def text(self) -> str:
        """The body as it is sent."""
        return self.body.model_dump_json(by_alias=True)

    @property
    def all_headers(self) -> dict[str, str]:
        """The headers, the version among them."""
        return {**self.headers, **({"ETag": version_of(self.text)} if self.has_version else {})}


@dataclass(frozen=True, kw_only=True)
class Call:
    """A call of a program that may make it."""

    api: Api
    request: Request
    holder: KeyHolder
    shows: Action
    """What the audit trail calls it when it only shows something."""
    looks: list[Look] = field(default_factory=list)
    """Whom a list shows something of; filled while it is made."""

    @property
    def desk(self) -> Desk:
        """Where staff act."""
        return self.api.site.desk

    @property
    def by(self) -> str:
        """Who acts, as histories name them."""
        return self.holder.name

    @property
    def who(self) -> Who:
        """Who acts, as the audit trail names them."""
        return as_key(self.holder)

    def tell(self, look: Callable[[Session], Told]) -> Response:
        """Answer with what is seen in one moment of the database."""
        with self.api.site.database.reading() as session:
            told = look(session)
        self._note_looks(self.shows, *self.looks, *_look_of(told))
        return _answer(told)

    def change(self, act: Callable[[Session], Told]) -> Response:
        """Change something and answer after the commit; under an idempotency key once, however often it is called.

        The answer is kept in the transaction that makes the change. What was refused changed nothing and is not kept:
        the same call may be made again.
        """
        key = self._idempotency_key()
        if key is None:
            with self.api.site.database.writing(by=self.who) as session:
                told = act(session)
        else:
            call = api_answers.Call(
                api_key_id=self.holder.key_id, idempotency_key=key, fingerprint=_fingerprint(self.request)
            )
            with self._alone(call), self.api.site.database.writing(by=self.who) as session:
                earlier = api_answers.claim(session, call, self.desk.clock.now())
                if earlier is None:
                    told = act(session)
                    api_answers.keep(session, call, status=told.status, headers=told.all_headers, body=told.text)
            if earlier is not None:
                return self._again(earlier, call)
            reach("after-call")
        return _answer(told)

    def rehearse(self, act: Callable[[Session], Told]) -> Response:
        """Do everything, take it back, and answer with what it would have come to."""
        with self.api.site.database.writing() as session:
            told = act(session)
            session.rollback()
        self._note_looks(Action.PATIENT_TRY, (told.patient_id, told.about))
        return _answer(told)

    def require_unchanged(self, now: Callable[[], BaseModel]) -> None:
        """Refuse when the call names a version (If-Match, RFC 9110 section 13.1.1) that is not the present one."""
        wanted = self.request.headers.get("if-match")
        if wanted is None or wanted.strip() == "*":
            return
        if version_of(now().model_dump_json(by_alias=True)) not in {each.strip() for each in wanted.split(",")}:
            raise Refusal(Code.CHANGED_MEANWHILE, "this is not the present version; read it again, then decide")

    def _note_looks(self, action: Action, *looks: Look) -> None:
        """Note what this call is about to show; what it changed was noted with the change, by the desk."""
        note_looks(self.api.site.database, self.desk, action, looks, by=self.who)

    def _idempotency_key(self) -> str | None:
        given = self.request.headers.get(IDEMPOTENCY_KEY)
        if given is None:
            return None
        found = _IDEMPOTENCY_KEY.fullmatch(given.strip())
        if found is None:
            says = "1 to 255 printable ASCII characters without spaces, quotes and backslashes"
            raise Refusal(Code.BAD_REQUEST, "a header can't be read", errors=[in_header(says, IDEMPOTENCY_KEY)])
        return found[1]

    @contextmanager
    def _alone(self, call: api_answers.Call) -> Iterator[None]:
        """Refuse the same call while it is being answered here; in another process it waits for the database."""
        name = (call.api_key_id, call.idempotency_key)
        with self.api.lock:
            if name in self.api.in_progress:
                says = "a call under this Idempotency-Key is being answered; repeat it in a moment"
                raise Refusal(Code.IN_PROGRESS, says, headers={"Retry-After": "1"})
            self.api.in_progress.add(name)
        try:
            yield
        finally:
            with self.api.lock:
                self.api.in_progress.discard(name)

    def _again(self, earlier: api_answers.Answered, call: api_answers.Call) -> Response:
        if earlier.fingerprint != call.fingerprint:
            says = "another call was made under this key; take a new one for each change"
            raise Refusal(
                Code.IDEMPOTENCY_KEY_REUSED, "the Idempotency-Key was used", errors=[in_header(says, IDEMPOTENCY_KEY)]
            )
        self._note_looks(Action.CALL_REPEAT, (None, f"{self.request.method} {self.request.scope['route'].path}"))
        return Response(earlier.body, earlier.status, headers=earlier.headers, media_type="application/json")


class Operation(APIRoute):
    """An address that asks for a key with a scope before it reads anything of the call."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return what answers a request."""
        answer = super().get_route_handler()
        scope, takes_body = scope_of(self), self.body_field is not None
        known = {each.alias for each in get_flat_params(self.dependant) if isinstance(each.field_info, Query)}

        async def answer_holder(request: Request) -> Response:
            api: Api = request.app.state.api
            holder = await run_in_threadpool(_admit, api, request, scope)
            request.state.call = Call(api=api, request=request, holder=holder, shows=_SHOWN_BY[scope])
            if unknown := sorted(set(request.query_params) - known):
                raise invalid(*(in_query("there is no such parameter", each) for each in unknown))
            await _read_body(request, wanted=takes_body)
            return await answer(request)

        return answer_holder


def as_key(holder: KeyHolder) -> Who:
    """Return how the audit trail names a program that calls."""
    return Who("key", str(holder.key_id))


def call_of(request: Request) -> Call:
    """Return the call that a request is."""
    call: Call = request.state.call
    return call


Calling = Annotated[Call, Depends(call_of)]


def scope_of(route: APIRoute) -> Scope:
    """Return the scope that an operation asks for; an operation that asks for none is a mistake of ours."""
    said = (route.openapi_extra or {})["security"]
    return Scope(said[0][SECURITY][0])


def version_of(text: str) -> str:
    """Return the strong entity tag (RFC 9110 section 8.8.3) of what is told."""
    return f'"{hashlib.sha256(text.encode()).hexdigest()[:24]}"'


def _admit(api: Api, request: Request, scope: Scope) -> KeyHolder:
    """Return who calls; refuses who shows no key that holds, calls too often, or lacks the scope."""
    kind, _, shown = request.headers.get("authorization", "").partition(" ")
    if kind.lower() != "bearer" or not shown.strip():
        raise Refusal(
            Code.KEY_MISSING,
            "show a key: `Authorization: Bearer KEY`; `reminders api-keys add` makes one",
            headers={"WWW-Authenticate": _REALM},
        )
    desk, database = api.site.desk, api.site.database
    with database.reading() as session:
        holder = api_keys.holder_of(session, desk, shown.strip())
    wrong = {"WWW-Authenticate": f'{_REALM}, error="invalid_token"'}
    if holder is None:
        raise Refusal(Code.KEY_UNKNOWN, "there is no such key here", headers=wrong)
    if holder.state is not KeyState.ACTIVE:
        code, says = _ENDED[holder.state]
        raise Refusal(code, says, headers=wrong)
    if wait := api.calls.wait(str(holder.key_id), desk.clock.now()):
        raise Refusal(Code.TOO_MANY_CALLS, "too many calls under this key", headers={"Retry-After": _seconds(wait)})
    if scope not in holder.scopes:
        with database.writing(by=as_key(holder)) as session:
            note_attempt(session, desk, Action.PAGE_REFUSED, outcome=REFUSED, whose=(None, f"scope {scope}"))
        lacks = f'{_REALM}, error="insufficient_scope", scope="{scope}"'
        raise Refusal(Code.SCOPE_MISSING, f"this key lacks the scope {scope}", headers={"WWW-Authenticate": lacks})
    if not holder.noted_today:
        with database.writing() as session:
            api_keys.note_use(session, desk, holder)
    return holder


async def _read_body(request: Request, *, wanted: bool) -> None:
    """Read the body, as far as one may be sent; it stands in the request's state from then on."""
    taken = bytearray()
    announced = request.headers.get("content-length", "0")
    if announced.isdecimal() and int(announced) <= MOST_BYTES:
        async for piece in request.stream():
            taken += piece
            if len(taken) > MOST_BYTES:
                break
        else:
            _require_json(request, bytes(taken), wanted=wanted)
            return
    raise Refusal(Code.TOO_LARGE, f"a body has at most {MOST_BYTES} bytes")


def _require_json(request: Request, body: bytes, *, wanted: bool) -> None:
    request.state.body = request._body = body  # noqa: SLF001  what FastAPI reads; the stream is used up
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if body and not wanted:
        raise invalid(in_body("this call takes no body"))
    if body and kind != "application/json":
        raise Refusal(Code.NOT_JSON, "send the body as application/json", headers={"Accept": "application/json"})


def _fingerprint(request: Request) -> str:
    made = hashlib.sha256()
    for part in (request.method.encode(), request.url.path.encode(), request.url.query.encode(), request.state.body):
        made.update(len(part).to_bytes(8, "big") + part)
    return made.hexdigest()


def _look_of(told: Told) -> tuple[Look, ...]:
    return ((told.patient_id, told.about),) if told.about else ()


def _answer(told: Told) -> Response:
    return Response(told.text, told.status, headers=told.all_headers, media_type="application/json")


def _seconds(wait: timedelta) -> str:
    return str(max(1, ceil(wait.total_seconds())))
