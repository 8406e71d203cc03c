"""Patients whom other systems of the practice told of: enroll each at the counter, or dismiss them."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.desk import waiting
from reminders.desk.roles import Right
from reminders.desk.trail import Action
from reminders.errors import StateError
from reminders.web.forms import go
from reminders.web.staff.here import Here, Number, acts

router = APIRouter()
Looking = Annotated[Here, acts(Action.WAITING_SEE, Right.ENROLL)]
Dismissing = Annotated[Here, acts(right=Right.ENROLL)]
_PAGE = "/staff/waiting"


@router.get(_PAGE)
def everybody(here: Looking, done: str = "") -> Response:
    """List who waits."""
    return _show(here, done=done)


@router.post("/staff/waiting/{waiting_id}/dismiss")
def dismiss(here: Dismissing, waiting_id: Number) -> Response:
    """Let somebody wait no more."""
    try:
        with here.writing() as session:
            waiting.dismiss(session, here.desk, waiting_id, by=here.who.name)
    except StateError as error:
        return here.show("waiting.html", status=409, waiting=(), problems=(str(error),), done="")
    return go(f"{_PAGE}?done=dismissed")


def _show(here: Here, *, done: str) -> Response:
    with here.reading() as session:
        found = waiting.list_waiting(session, here.desk)
    here.trail_list((None, f"waiting {each.id}") for each in found)
    return here.show("waiting.html", waiting=found, problems=(), done=done)
