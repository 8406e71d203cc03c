"""The list of concerns, which stays open all day, and each concern with what is needed to deal with it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Annotated, Any

from fastapi import APIRouter
from fastapi.responses import Response
from sqlalchemy.orm import Session

from reminders.desk import concerns as desk_concerns
from reminders.desk.blamed import Blamed, blame
from reminders.desk.chart_record import course_summary
from reminders.desk.composing import Desk
from reminders.desk.concern_list import ListedConcern, concern_with_context, require_ours
from reminders.desk.concerns import OUTCOMES, CallBack
from reminders.desk.concerns_in_brief import ConcernInBrief, lately_closed, open_in_brief
from reminders.desk.marked_words import pieces_of, reasons_of
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.roles import Right
from reminders.desk.staff import who_works_concerns
from reminders.desk.trail import Action, Look
from reminders.errors import InputError, StateError
from reminders.records import courses
from reminders.web.forms import go, row_number
from reminders.web.staff.here import Here, Number, acts
from reminders.words import gettext

router = APIRouter()
Seeing = Annotated[Here, acts(Action.CONCERN_SEE, Right.SEE_REPLIES)]
Looking = Annotated[Here, acts(Action.CONCERN_SEE, Right.SEE_REPLIES)]
Refreshing = Annotated[Here, acts(Action.CONCERN_SEE, Right.SEE_REPLIES, passive=True)]
Working = Annotated[Here, acts(Action.CONCERN_SEE, Right.WORK_CONCERNS)]
_LIST = "/staff/concerns"
_SENT = frozenset({"sending", "sent", "delivered", "uncertain"})
_SHOWN_MESSAGES = 6


@router.get(_LIST)
def all_concerns(here: Looking) -> Response:
    """Show every concern that is not closed, most urgent first."""
    found = _listed(here)
    here.trail(*_looks(found))
    return here.show("concerns.html", concerns=found, shown=None)


@router.get("/staff/concerns/list")
def refreshed(here: Refreshing, shown: int = 0) -> Response:
    """Return the list alone, for a page that is open."""
    found = _listed(here)
    here.trail_list(_looks(found))
    return here.show("concern_rows.html", concerns=found, shown=shown)


@router.get("/staff/concerns/closed")
def closed(here: Looking) -> Response:
    """Show what was closed lately."""
    with here.reading() as session:
        found = lately_closed(session, here.desk)
    here.trail(*_looks(found))
    return here.show("concerns_closed.html", concerns=found)


@router.get("/staff/concerns/{concern_id}")
def one_concern(here: Seeing, concern_id: Number) -> Response:
    """Show one concern beside the list."""
    return _show(here, concern_id)


@router.post("/staff/concerns/{concern_id}/take")
def take(here: Working, concern_id: Number) -> Response:
    """Take it; whoever comes second is told who has it. What was typed before is typed there still."""

    def mine(session: Session, desk: Desk) -> None:
        desk_concerns.take_concern(session, desk, concern_id, by=_me(here))

    done = _done(here, concern_id, mine)
    is_half_typed = bool(here.form.text("note") or here.form.text("outcome"))
    return _show(here, concern_id) if is_half_typed and done.status_code < 400 else done


@router.post("/staff/concerns/{concern_id}/note")
def note(here: Working, concern_id: Number) -> Response:
    """Note how a call went, or only a note; the concern stays open."""
    call = CallBack(outcome=here.form.text("outcome"), note=here.form.text("note"))

    def keep(session: Session, desk: Desk) -> None:
        if call.outcome:
            desk_concerns.record_call(session, desk, concern_id, call, by=_me(here))
        else:
            desk_concerns.note_on_concern(session, desk, concern_id, by=_me(here), note=call.note)

    return _done(here, concern_id, keep)


@router.post("/staff/concerns/{concern_id}/close")
def close(here: Working, concern_id: Number) -> Response:
    """Close it with how the call-back ended."""
    read = row_number(here.form.text("read"))
    ended = CallBack(outcome=here.form.text("outcome"), note=here.form.text("note"), read=read)
    if not ended.outcome:
        missing = Blamed(gettext("Say how the call ended, then close it."), "outcome")
        return _show(here, concern_id, status=400, problems=(missing,))
    return _done(
        here,
        concern_id,
        lambda session, desk: desk_concerns.close_concern(session, desk, concern_id, ended, by=_me(here)),
        then=_LIST,
    )


@router.post("/staff/concerns/{concern_id}/hand-over")
def hand_over(here: Working, concern_id: Number) -> Response:
    """Give it to somebody else, or back to everybody, after what was typed of a call or noted."""
    to, me = here.form.text("to"), _me(here)
    call = CallBack(outcome=here.form.text("outcome"), note=here.form.text("note"))

    def give(session: Session, desk: Desk) -> None:
        if to and to not in who_works_concerns(session, desk):
            raise InputError(gettext("choose somebody from the list"))
        if call.outcome:
            desk_concerns.record_call(session, desk, concern_id, call, by=me)
        elif to and call.note:
            desk_concerns.note_on_concern(session, desk, concern_id, by=me, note=call.note)
        if to:
            desk_concerns.hand_over(session, desk, concern_id, to=to, by=me)
        else:
            desk_concerns.give_back(session, desk, concern_id, by=me, note="" if call.outcome else call.note)

    return _done(here, concern_id, give, then=_LIST, at="to" if to else "note")


@router.post("/staff/concerns/{concern_id}/reopen")
def reopen(here: Working, concern_id: Number) -> Response:
    """Open it again, with a note why."""
    why = here.form.text("note")
    return _done(
        here,
        concern_id,
        lambda session, desk: desk_concerns.reopen_concern(session, desk, concern_id, by=_me(here), note=why),
    )


def _done(
    here: Here, concern_id: int, act: Callable[[Session, Desk], object], *, then: str = "", at: str = "note"
) -> Response:
    """Do something to a concern and go on; what is refused is told on its page, with what was typed, `at` a field."""
    try:
        with here.writing() as session:
            require_ours(session, here.desk, concern_id)
            act(session, here.desk)
    except StateError as error:
        return _show(here, concern_id, status=409, problems=(str(error),))
    except InputError as error:
        return _show(here, concern_id, status=400, problems=blame(at, error.problems))
    return go(then or f"{_LIST}/{concern_id}")


def _show(here: Here, concern_id: int, *, status: int = 200, problems: Sequence[str] = ()) -> Response:
    with here.reading() as session:
        concern = concern_with_context(session, here.desk, concern_id)
        beside = open_in_brief(session, here.desk)
        values = {
            "concern": concern,
            "said": tuple((each, pieces_of(each.text, each.why), reasons_of(each.why)) for each in concern.said),
            "course": _course(session, here.desk, concern),
            "colleagues": tuple(name for name in who_works_concerns(session, here.desk) if name != _me(here)),
            "concerns": beside,
        }
    here.trail((concern.patient_id, f"concern {concern_id}"))
    here.trail_list(_looks(beside))
    typed = {name: here.form.text(name) for name in ("note", "outcome", "to")}
    known = {"shown": concern_id, "problems": problems, "outcomes": OUTCOMES, "typed": typed}
    return here.show("concern.html", status=status, **known, **values)


def _listed(here: Here) -> tuple[ConcernInBrief, ...]:
    with here.reading() as session:
        return open_in_brief(session, here.desk)


def _looks(found: Iterable[ConcernInBrief]) -> tuple[Look, ...]:
    return tuple((each.patient_id, f"concern {each.id}") for each in found)


def _course(session: Session, desk: Desk, concern: ListedConcern) -> dict[str, Any] | None:
    """Return the course that the concern is about, as far as one wants to know it before calling."""
    if concern.enrollment_id is None:
        return None
    record = course_summary(session, desk, concern.enrollment_id)
    plan = pinned_plan(session, desk, record.plan.procedure, record.plan.content_hash).plan
    steps = courses.steps_of(session, concern.enrollment_id)
    return {
        "record": record,
        "title": plan.file.title,
        "factors": tuple(plan.factors[name].says for name in sorted(record.course.factors) if name in plan.factors),
        "anaesthetic": record.course.settings.get("anaesthetic", ""),
        "sent": [each for each in steps if each.state in _SENT and each.text][-_SHOWN_MESSAGES:],
        "next": next((each for each in steps if each.state == "scheduled"), None),
    }


def _me(here: Here) -> str:
    return here.who.name
