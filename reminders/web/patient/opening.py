"""Opens a patient's page by its code, and closes it again; serves the script that keeps its copy on the device."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Request
from starlette.responses import FileResponse, Response

from reminders.desk.patient_page import Attempt, Tried, standing, try_code
from reminders.web.forms import go
from reminders.web.patient.course import show_course
from reminders.web.patient.here import AtPage, NotOpen, calendar_in, comes
from reminders.wording.links import PAGE_PATH

router = APIRouter()
WORKER = Path(__file__).with_name("worker.js")
_STATUS = {Tried.WRONG: 401, Tried.WAIT: 429, Tried.LOCKED: 429}
Opening = Annotated[AtPage, comes("page.open", closed_too=True)]
Forgetting = Annotated[AtPage, comes("page.forget", closed_too=True)]


@router.post(PAGE_PATH + "{token}/open")
def open_by_code(at: Opening) -> Response:
    """Open the page to whoever has the code, or say what is wrong with it."""
    attempt = _attempt(at)
    if attempt.tried is not Tried.OPENED:
        at.trail(was_refused=True)
        return _ask_for_code(at, attempt)
    at.trail()
    return at.kept_open(show_course(at) if at.form.text("words") else go(at.path))


@router.post(PAGE_PATH + "{token}/forget")
def forget(at: Forgetting) -> Response:
    """Close the page to this browser; the worker takes its copy away as this passes by."""
    at.trail()
    return at.closed(at.show("forgotten.html"))


@router.get(PAGE_PATH + "{token}/worker.js")
def worker() -> Response:
    """Return the script that keeps the copy: it may act for what lies below its own address, so for one page only."""
    return FileResponse(WORKER, media_type="text/javascript", headers={"Cache-Control": "no-cache"})


def open_first(_request: Request, error: Exception) -> Response:
    """Ask for the code where the page is not open, and keep what the patient had written for a call."""
    if not isinstance(error, NotOpen):
        raise error
    at = error.at
    if at.request.url.path != at.path and not at.form.text("words"):
        return go(at.path)
    return _ask_for_code(at, standing(at.site.desk, at.page))


def _attempt(at: AtPage) -> Attempt:
    """Return what came of the code; the caller's limit is in memory, the page's own is kept."""
    now = at.site.clock.now()
    caller = at.request.client.host if at.request.client else ""
    if wait := at.site.codes.wait(caller, now):
        return Attempt(tried=Tried.WAIT, wait_until=now + wait)
    with at.writing() as session:
        return try_code(session, at.site.desk, at.rules, at.page, at.form.text("code"))


def _ask_for_code(at: AtPage, attempt: Attempt | None) -> Response:
    until = attempt.wait_until if attempt else None
    return at.show(
        "opening.html",
        status=_STATUS[attempt.tried] if attempt else 200,
        trouble=attempt.tried if attempt else "",
        until=calendar_in(at.site, at.page.language).clock(until.astimezone(at.page.zone)) if until else "",
        kept_words=at.form.text("words"),
    )
