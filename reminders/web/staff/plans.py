"""The plans: read every text and rule, compare versions, prove them, approve them as a clinician."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Mapping
from typing import Annotated, Any

from fastapi import APIRouter
from fastapi.responses import Response
from markupsafe import Markup
from sqlalchemy.orm import Session

from reminders.desk.approve import Approver, approvals_of, approve, files_last_approved, last_approvals
from reminders.desk.blamed import Blamed
from reminders.desk.plan_timeline import ON, timeline_of
from reminders.desk.plans import ReadyPlan, files_of
from reminders.desk.prove.run import Bound
from reminders.desk.roles import Right
from reminders.errors import InputError, NotFound, StateError
from reminders.records import plan_contents
from reminders.web.forms import go
from reminders.web.staff.here import Here, acts
from reminders.web.staff.timeline import Mark, draw
from reminders.words import gettext

router = APIRouter()
Reading = Annotated[Here, acts(right=Right.READ_PLANS)]
Approving = Annotated[Here, acts(right=Right.APPROVE_PLANS)]
_NOW = "now"


@router.get("/staff/plans")
def all_plans(here: Reading) -> Response:
    """List the plans with who approved them last."""
    with here.reading() as session:
        last = last_approvals(session, here.desk)
    return here.show("plans.html", titles=here.desk.library.titles(), last=last)


@router.get("/staff/plans/{procedure}")
def one_plan(here: Reading, procedure: str, done: str = "") -> Response:
    """Show a plan as a clinician reads it before approving."""
    return _show(here, procedure, done=done)


@router.get("/staff/plans/{procedure}/compare")
def compare(here: Reading, procedure: str, before: str = "", after: str = _NOW) -> Response:
    """Show what differs between two contents of a plan."""
    ready = here.desk.library.get(procedure)
    with here.reading() as session:
        versions = approvals_of(session, here.desk, procedure)
        known = {each.content_hash for each in versions}
        before = before or next((each.content_hash for each in versions), _NOW)
        if not {before, after} <= known | {_NOW}:
            raise NotFound("there is no such version")
        sides = [_files(ready) if each == _NOW else _kept(session, each) for each in (before, after)]
    lines = tuple(_difference(*sides))
    return here.show("plan_compare.html", plan=ready.plan, versions=versions, before=before, after=after, lines=lines)


@router.post("/staff/plans/{procedure}/check")
def check(here: Reading, procedure: str) -> Response:
    """Begin to prove a plan quickly."""
    ready = here.desk.library.get(procedure)
    bound = Bound(templates=here.site.app.config.templates_folder, house=here.desk.house)
    try:
        here.site.plan_checks.begin(procedure, (ready.content_hash, bound), bound)
    except StateError as error:
        return _show(here, procedure, status=409, problems=(str(error),))
    return go(f"/staff/plans/{procedure}/check")


@router.get("/staff/plans/{procedure}/check")
def checked(here: Reading, procedure: str) -> Response:
    """Show what falls short, or that it is still looked for."""
    ready = here.desk.library.get(procedure)
    bound = Bound(templates=here.site.app.config.templates_folder, house=here.desk.house)
    report, running = here.site.plan_checks.found(procedure, (ready.content_hash, bound))
    return here.show("plan_check.html", plan=ready.plan, report=report, running=running)


@router.post("/staff/plans/{procedure}/approve")
def approve_plan(here: Approving, procedure: str) -> Response:
    """Record the approval of exactly the content that was shown."""
    ready = here.desk.library.get(procedure)
    problems: tuple[str, ...] = ()
    if "read" not in here.form:
        problems = (Blamed(gettext("Say that you read every text: tick the box."), "read"),)
    elif here.form.text("content") != ready.content_hash:
        problems = (gettext("The plan changed while you were reading; read it again."),)
    else:
        try:
            with here.writing() as session:
                approve(session, here.desk, procedure, Approver.read(here.who.name, here.who.license))
        except (InputError, StateError) as error:
            problems = (str(error),)
    if problems:
        return _show(here, procedure, status=400, problems=problems)
    return go(f"/staff/plans/{procedure}?done=approved")


def _show(here: Here, procedure: str, *, status: int = 200, **more: Any) -> Response:
    ready = here.desk.library.get(procedure)
    with here.reading() as session:
        versions = approvals_of(session, here.desk, procedure)
        approved = files_last_approved(session, here.desk, procedure)
    values = {
        "plan": ready.plan,
        "content": ready.content_hash,
        "approved": next((each for each in versions if each.content_hash == ready.content_hash), None),
        "versions": versions,
        "statuses": {code: str(status) for code, status in ready.statuses.items()},
        "picture": _picture(here, ready),
        "text": here.site.plan_pages.page(ready, here.desk.house, approved=approved),
        "done": "",
        "problems": (),
    }
    return here.show("plan.html", status=status, **{**values, **more})


def _picture(here: Here, ready: ReadyPlan) -> Markup:
    marks = [
        Mark(
            at=each.at, shape="waits" if each.some_only else "sent", says=f"{each.key.replace('_', ' ')}: {each.about}"
        )
        for each in timeline_of(ready, here.desk.house)
    ]
    return draw(marks, day_0=ON, now=None, label=gettext("Timeline of {title}", title=ready.plan.title))


def _files(ready: ReadyPlan) -> Mapping[str, str]:
    root = ready.plan.folder.parent
    return {path.relative_to(root).as_posix(): path.read_text("utf-8") for path in files_of(ready.plan)}


def _kept(session: Session, content_hash: str) -> Mapping[str, str]:
    content = plan_contents.content_of(session, content_hash)
    if content is None:
        raise NotFound("this version was not kept")
    return content.files


def _difference(before: Mapping[str, str], after: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    for name in sorted(before.keys() | after.keys()):
        old, new = before.get(name, ""), after.get(name, "")
        if old != new:
            yield "file", name
            for line in list(difflib.unified_diff(old.splitlines(), new.splitlines(), lineterm="", n=2))[2:]:
                yield (
                    {"+": "added", "-": "gone", "@": "place"}.get(line[0], "same"),
                    line[1:] if line[0] != "@" else "…",
                )
