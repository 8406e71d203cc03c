"""See concerns and work on them: one at a time has somebody, and whoever comes second is told who."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from enum import StrEnum
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query
from fastapi.responses import Response
from sqlalchemy.orm import Session

from reminders.desk import concerns as desk_concerns
from reminders.desk.api_keys import Scope
from reminders.desk.concern_list import ListedConcern, concern_page, concern_with_context, require_ours
from reminders.desk.concerns import CallBack
from reminders.desk.shapes import concern_as_json
from reminders.desk.staff import who_works_concerns
from reminders.records.columns import LARGEST_NUMBER
from reminders.web.api import given, told
from reminders.web.api.call import Call, Calling, Operation, Told
from reminders.web.api.described import asks
from reminders.web.api.paging import Cursor, Limit, link_to, next_page, number_at
from reminders.web.api.problems import in_body, invalid

router = APIRouter(prefix="/concerns", route_class=Operation, tags=["concerns"])
ConcernId = Annotated[int, Path(ge=1, le=LARGEST_NUMBER, description="The concern's number.", examples=[3])]


class ConcernState(StrEnum):
    """Whether somebody has it, and whether it is done."""

    OPEN = "open"
    TAKEN = "taken"
    CLOSED = "closed"


States = Annotated[list[ConcernState] | None, Query(max_length=3, description="open and taken when left out.")]
_WORKING = asks(Scope.CONCERNS_WRITE, "once", "if_match", "version")
_NOT_DONE = (ConcernState.OPEN, ConcernState.TAKEN)


@router.get("", response_model=told.Concerns, openapi_extra=asks(Scope.CONCERNS_READ, "paged"))
def list_concerns(call: Calling, state: States = None, limit: Limit = 50, cursor: Cursor = None) -> Response:
    """List concerns by number, the oldest first; `urgency` and `due_at` tell which one is pressing."""

    def look(session: Session) -> Told:
        wanted = [str(each) for each in state or _NOT_DONE]
        found, more = concern_page(session, call.desk, states=wanted, after=number_at(cursor), limit=limit)
        call.looks.extend((each.patient_id, f"concern {each.id}") for each in found)
        page = next_page(call.request, found[-1].id if more else None)
        shown = {"concerns": [concern_as_json(each) for each in found], "next": page}
        return Told(body=told.Concerns.model_validate(shown), headers=link_to(page))

    return call.tell(look)


@router.get("/{concern}", response_model=told.Concern, openapi_extra=asks(Scope.CONCERNS_READ, "version"))
def read_concern(call: Calling, concern: ConcernId) -> Response:
    """See a concern with its whole history."""
    return call.tell(lambda session: _told(concern_with_context(session, call.desk, concern)))


@router.post("/{concern}/take", response_model=told.Concern, openapi_extra=_WORKING)
def take(call: Calling, concern: ConcernId) -> Response:
    """Take it, so that nobody else works on it; 409 tells who has it already."""
    return _work(call, concern, desk_concerns.take_concern)


@router.post("/{concern}/note", response_model=told.Concern, openapi_extra=_WORKING)
def note(call: Calling, concern: ConcernId, body: given.NoteGiven) -> Response:
    """Add words to its history."""
    return _work(call, concern, desk_concerns.note_on_concern, note=body.note)


@router.post("/{concern}/call", response_model=told.Concern, openapi_extra=_WORKING)
def call_back(call: Calling, concern: ConcernId, body: given.CallGiven) -> Response:
    """Note how a call went when the concern is not done yet; it is yours then."""
    return _work(call, concern, _with_outcome(desk_concerns.record_call, body))


@router.post("/{concern}/close", response_model=told.Concern, openapi_extra=_WORKING)
def close(call: Calling, concern: ConcernId, body: given.CallGiven) -> Response:
    """Close it with how the call-back ended."""
    return _work(call, concern, _with_outcome(desk_concerns.close_concern, body))


@router.post("/{concern}/hand-over", response_model=told.Concern, openapi_extra=_WORKING)
def hand_over(call: Calling, concern: ConcernId, body: given.HandOver) -> Response:
    """Give it, when you have it or nobody has, to somebody of the staff."""

    def give(session: Session, desk: Any, concern_id: int, *, by: str) -> None:
        if body.to not in who_works_concerns(session, desk):
            raise invalid(in_body("nobody of this name works on concerns here", "to"))
        desk_concerns.hand_over(session, desk, concern_id, to=body.to, by=by)

    return _work(call, concern, give)


@router.post("/{concern}/give-back", response_model=told.Concern, openapi_extra=_WORKING)
def give_back(call: Calling, concern: ConcernId, body: given.GiveBack) -> Response:
    """Let go of it, so that it waits for anybody; the people on duty are told again."""
    return _work(call, concern, desk_concerns.give_back, note=body.note)


@router.post("/{concern}/reopen", response_model=told.Concern, openapi_extra=_WORKING)
def reopen(call: Calling, concern: ConcernId, body: given.NoteGiven) -> Response:
    """Open a closed one again; it is due anew from now."""
    return _work(call, concern, desk_concerns.reopen_concern, note=body.note)


def _with_outcome(act: Callable[..., object], body: given.CallGiven) -> Callable[..., object]:
    ended = CallBack(outcome=body.outcome, note=body.note)
    return lambda session, desk, concern_id, *, by: act(session, desk, concern_id, ended, by=by)


def _work(call: Call, concern_id: int, act: Callable[..., object], **words: str) -> Response:
    """Do something to a concern of this practice, and tell it as it is then."""

    def change(session: Session) -> Told:
        def now() -> told.Concern:
            return told.Concern.model_validate(concern_as_json(concern_with_context(session, call.desk, concern_id)))

        require_ours(session, call.desk, concern_id)
        call.require_unchanged(now)
        act(session, call.desk, concern_id, by=call.by, **words)
        return _told(concern_with_context(session, call.desk, concern_id))

    return call.change(change)


def _told(concern: ListedConcern) -> Told:
    shown = told.Concern.model_validate(concern_as_json(concern))
    made = Told(body=shown, patient_id=concern.patient_id, about=f"concern {concern.id}")
    return replace(made, has_version=True)
