"""A patient's course: what was sent and said, what is next and why then; change its facts, steer it, print it."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response
from sqlalchemy.orm import Session

from reminders.desk.blamed import Blamed
from reminders.desk.changed_facts import NOT_ANY_MORE, Changes, changed_course
from reminders.desk.chart_record import ChartRecord, chart_record
from reminders.desk.checkout import READ_OUT
from reminders.desk.composing import Desk
from reminders.desk.course_sheet import sheet_of_course
from reminders.desk.find_people import find_patients
from reminders.desk.message_list import ListedMessage
from reminders.desk.patient_page import give_new_link, offered, way_in
from reminders.desk.pinned_plans import pinned_plan
from reminders.desk.replan import Proposal, propose, replan
from reminders.desk.roles import Right
from reminders.desk.send_again import may_be_sent_again, send_again
from reminders.desk.steer_course import Decision, end_course, not_sent_meanwhile, pause_course, resume_course
from reminders.desk.trail import Action
from reminders.errors import InputError, NotFound, StateError
from reminders.records import courses
from reminders.web.forms import Form, go
from reminders.web.shown_changes import read_shown, write_shown
from reminders.web.staff.here import Here, Number, acts
from reminders.web.staff.timeline import Mark, draw
from reminders.wording.sheet import as_html
from reminders.words import gettext, retold

router = APIRouter()
Seeing = Annotated[Here, acts(Action.COURSE_SEE, Right.SEE_COURSES)]
Changing = Annotated[Here, acts(Action.COURSE_SEE, Right.CHANGE_FACTS)]
Steering = Annotated[Here, acts(Action.COURSE_SEE, Right.STEER_COURSES)]
Finding = Annotated[Here, acts(Action.PATIENTS_FIND, Right.SEE_COURSES)]
_MOVED = timedelta(minutes=5)
"""What joining or keeping apart does to a moment is no move that anybody needs to see."""
_SHAPES = {
    **dict.fromkeys(("sent", "delivered", "sending"), "sent"),
    **dict.fromkeys(("scheduled",), "waits"),
    **dict.fromkeys(("failed", "uncertain"), "trouble"),
    **dict.fromkeys(("withheld", "cancelled"), "not"),
    "at_checkout": "desk",
}
_FACTS = ("end", "visit", "block_placed", "dressing_applied", "zone", "language", "channel", "site")
_NEEDED = frozenset({"end", "zone", "language", "channel"})
_FOUND = 30


@router.get("/staff/patients")
def patients(here: Finding) -> Response:
    """Show the field to search in."""
    return here.show("patients.html", found=None, search="")


@router.post("/staff/patients")
def search(here: Finding) -> Response:
    """Find patients; what is searched for never stands in an address."""
    wanted = here.form.text("search")
    with here.reading() as session:
        found = find_patients(session, here.desk, wanted, limit=_FOUND) if len(wanted) > 1 else ()
    here.trail(*((each.id, "") for each in found))
    return here.show("patients.html", found=found, search=wanted)


@router.get("/staff/courses/{enrollment_id}")
def course(here: Seeing, enrollment_id: Number) -> Response:
    """Show a course."""
    return show_course(here, enrollment_id)


@router.get("/staff/courses/{enrollment_id}/sheet")
def sheet(here: Seeing, enrollment_id: Number) -> Response:
    """Show the sheet that the patient takes home; it prints as it stands."""
    with here.reading() as session:
        found, patient_id = sheet_of_course(session, here.desk, here.site.app.page_rules, enrollment_id)
    here.trail((patient_id, f"enrollment {enrollment_id}"))
    page = as_html(found, here.desk.library.shared)
    # The sheet carries its own styles: exactly these are let through, and no script.
    digests = [hashlib.sha256(each.encode()).digest() for each in re.findall(r"<style>(.*?)</style>", page, re.DOTALL)]
    styles = " ".join(f"'sha256-{base64.b64encode(each).decode()}'" for each in digests)
    policy = f"default-src 'none'; style-src {styles}; img-src data:; frame-ancestors 'none'; base-uri 'none'"
    return HTMLResponse(page, headers={"Content-Security-Policy": policy})


@router.post("/staff/courses/{enrollment_id}/page/renew")
def renew_page(here: Changing, enrollment_id: Number) -> Response:
    """Give the patient a new link and code: the sheet was lost, or too many codes were wrong."""
    rules = here.site.app.page_rules
    if rules is None:
        raise NotFound(gettext("no pages are served to patients; `address` in [web] of the configuration is empty"))
    with here.writing() as session:
        give_new_link(session, here.desk, rules, enrollment_id)
    return go(f"/staff/courses/{enrollment_id}?done=page")


@router.get("/staff/courses/{enrollment_id}/change")
def change(here: Changing, enrollment_id: Number) -> Response:
    """Show the facts, to change them."""
    return _show_change(here, enrollment_id)


@router.post("/staff/courses/{enrollment_id}/change")
def look_or_store(here: Changing, enrollment_id: Number) -> Response:
    """Show what new facts would change; store it when that was seen."""
    try:
        if "shown" in here.form:
            with here.writing() as session:
                new = changed_course(session, here.desk, enrollment_id, _changes(here.form))
                replan(session, here.desk, enrollment_id, new, shown=read_shown(here.form.text("shown")))
            return go(f"/staff/courses/{enrollment_id}?done=changed")
        with here.reading() as session:
            new = changed_course(session, here.desk, enrollment_id, _changes(here.form))
            proposal = propose(session, here.desk, enrollment_id, new)
    except StateError as error:
        return _show_change(here, enrollment_id, status=409, problems=(str(error),))
    except InputError as error:
        return _show_change(here, enrollment_id, status=400, problems=error.problems)
    return _show_change(here, enrollment_id, proposal=proposal)


@router.post("/staff/courses/{enrollment_id}/pause")
def pause(here: Steering, enrollment_id: Number) -> Response:
    """Send nothing until it is resumed."""
    return _steer(here, enrollment_id, lambda s, d: pause_course(s, d, enrollment_id, _decision(here)), "paused")


@router.post("/staff/courses/{enrollment_id}/resume")
def resume(here: Steering, enrollment_id: Number) -> Response:
    """Let it go on."""
    return _steer(here, enrollment_id, lambda s, d: resume_course(s, d, enrollment_id, _decision(here)), "resumed")


@router.post("/staff/courses/{enrollment_id}/end")
def end(here: Steering, enrollment_id: Number) -> Response:
    """End it, once it was seen what is not sent then."""
    if "sure" not in here.form:
        with here.reading() as session:
            lost = not_sent_meanwhile(session, enrollment_id)
        return show_course(here, enrollment_id, ending=lost)
    return _steer(here, enrollment_id, lambda s, d: end_course(s, d, enrollment_id, _decision(here)), "ended")


@router.post("/staff/courses/{enrollment_id}/messages/{message_id}/again")
def again(here: Steering, enrollment_id: Number, message_id: Number) -> Response:
    """Send a message once more."""
    return _steer(
        here, enrollment_id, lambda s, d: send_again(s, d, enrollment_id, message_id, by=here.who.name), "sent-again"
    )


def _steer(here: Here, enrollment_id: int, act: Callable[[Session, Desk], object], done: str) -> Response:
    try:
        with here.writing() as session:
            act(session, here.desk)
    except StateError as error:
        return show_course(here, enrollment_id, status=409, problems=(str(error),))
    return go(f"/staff/courses/{enrollment_id}?done={done}")


def _decision(here: Here) -> Decision:
    return Decision(by=here.who.name, reason=here.form.text("reason"))


def show_course(here: Here, enrollment_id: int, *, status: int = 200, **more: Any) -> Response:
    """Return the page of a course, with `problems` or other values for its template."""
    with here.reading() as session:
        enrollment = courses.enrollment_of(session, enrollment_id)  # in hand, so that nobody below reads it again
        found = chart_record(session, here.desk, enrollment_id)
        plan = pinned_plan(session, here.desk, found.plan.procedure, found.plan.content_hash).plan
        page = offered(session, here.desk, here.site.app.page_rules, enrollment_id)
    here.trail((found.patient_id, f"enrollment {enrollment_id}"))
    sees = here.who.may(Right.SEE_REPLIES)
    now = here.desk.clock.now().astimezone(found.zone)
    values = {
        "record": found,
        "plan": plan,
        "factors": [plan.factors[name].says for name in sorted(found.course.factors) if name in plan.factors],
        "paused_at": enrollment.paused_at if enrollment else None,
        "picture": draw(
            _marks(found, sees=sees), day_0=found.procedure_on, now=now, label=gettext("The course day by day")
        ),
        "sees": sees,
        "again": may_be_sent_again,
        "page": page,
        "way": way_in(here.site.app.page_rules, page) if page and here.site.app.page_rules else None,
        "read_out": READ_OUT,
        "done": here.request.query_params.get("done", ""),
        "problems": (),
        "ending": None,
        "typed": here.form,
    }
    blamed = {each.field for each in more.get("problems", ()) if isinstance(each, Blamed)}
    return here.show("course.html", status=status, blamed=blamed, **{**values, **more})


def _marks(record: ChartRecord, *, sees: bool) -> list[Mark]:
    marks = [
        _mark_of(each, record.zone)
        for each in record.messages
        if each.state != "joined" and not (each.state == "withheld" and not each.required)
    ]
    for step in (each for each in record.consent if each.at >= record.enrolled_at):
        shape = "consent" if step.action == "given" else "withdrawn"
        says = f"{gettext('Consent')}: {gettext(step.action)}"
        marks.append(Mark(at=step.at.astimezone(record.zone), shape=shape, says=says))
    if sees:
        for reply in record.replies:
            label = reply.label.replace("_", " ")
            says = f"{gettext('reply')}: {gettext(label)}"
            marks.append(Mark(at=reply.received_at.astimezone(record.zone), shape="reply", says=says))
        for concern in record.concerns:
            says = f"{gettext('concern')} {concern.id}: {gettext(concern.urgency)}, {gettext(concern.state)}"
            marks.append(Mark(at=concern.opened_at.astimezone(record.zone), shape="concern", says=says))
    if record.course.visit:
        marks.append(Mark(at=record.course.visit.astimezone(record.zone), shape="visit", says=gettext("visit")))
    return marks


def _mark_of(message: ListedMessage, zone: ZoneInfo) -> Mark:
    state = message.state.replace("_", " ")
    says = f"{message.key.replace('_', ' ')}: {gettext(state)}"
    moved = abs(message.send_at - message.planned_at) >= _MOVED
    if moved:
        says += "; " + "; ".join(retold(reason.text) for reason in message.reasons)
    return Mark(
        at=message.send_at.astimezone(zone),
        shape=_SHAPES[message.state],
        says=says,
        moved_from=message.planned_at.astimezone(zone) if moved else None,
    )


def _show_change(
    here: Here,
    enrollment_id: int,
    *,
    status: int = 200,
    problems: tuple[str, ...] = (),
    proposal: Proposal | None = None,
) -> Response:
    with here.reading() as session:
        found = chart_record(session, here.desk, enrollment_id)
        plan = pinned_plan(session, here.desk, found.plan.procedure, found.plan.content_hash).plan
    here.trail((found.patient_id, f"enrollment {enrollment_id}"))
    present = _present(found)
    typed = {**present, **{name: here.form.text(name) for name in present if name in here.form}}
    chosen = here.form.all("factor") if "looked" in here.form else tuple(found.course.factors)
    values = {
        "record": found,
        "plan": plan,
        "typed": typed,
        "present": present,
        "chosen": chosen,
        "factors": {name: plan.factors[name].says for name in plan.file.factors if name in plan.factors},
        "settings": plan.file.settings,
        "proposal": proposal,
        "shown": write_shown(proposal.changes) if proposal else "",
        "fields": here.form.fields,
    }
    return here.show("change.html", status=status, problems=problems, **values)


def _present(record: ChartRecord) -> dict[str, str]:
    """Return the facts as they stand in the form."""

    def wall(instant: datetime | None) -> str:
        return f"{instant.astimezone(record.zone):%Y-%m-%d %H:%M}" if instant else ""

    course = record.course
    return {
        "end": wall(course.procedure_end),
        "visit": wall(course.visit),
        "block_placed": wall(course.block_placed),
        "dressing_applied": wall(course.dressing_applied),
        "zone": course.zone.key,
        "language": course.language,
        "channel": course.channel.value,
        "site": course.site or "",
        **{f"slot.{slot.value}": f"{at:%H:%M}" for slot, at in course.slots.items()},
        **{f"set.{name}": str(value) for name, value in course.settings.items()},
    }


def _changes(form: Form) -> Changes:
    """Return only what differs from what the form held when it was opened."""
    moved = {name: form.text(name) for name in _FACTS if form.text(name) != form.text(f"was.{name}")}
    facts: dict[str, Any] = {name: text or (None if name in _NEEDED else NOT_ANY_MORE) for name, text in moved.items()}
    now, before = set(form.all("factor")), set(form.all("was.factor"))
    slots, was_slots = form.under("slot."), form.under("was.slot.")
    settings, was_settings = form.under("set."), form.under("was.set.")
    return replace(
        Changes(**facts),
        factors=tuple(sorted(now - before)),
        factors_gone=tuple(sorted(before - now)),
        slots={name: wall for name, wall in slots.items() if was_slots.get(name) != wall},
        settings={name: value for name, value in settings.items() if was_settings.get(name) != value},
    )
