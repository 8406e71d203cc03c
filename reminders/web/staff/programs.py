"""The keys by which other programs call: make one, which is shown once, and take one back."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.desk.api_keys import ALLOWS, NewKey, add_key, list_keys, revoke_key
from reminders.desk.course_facts import parse_moment
from reminders.desk.roles import Right
from reminders.errors import InputError
from reminders.web.forms import go
from reminders.web.staff.here import Here, acts
from reminders.words import marked

router = APIRouter()
Running = Annotated[Here, acts(right=Right.RUN_PRACTICE)]
_PAGE = "/staff/settings/programs"


@router.get(_PAGE)
def programs(here: Running) -> Response:
    """Show the keys; none of them can be seen again."""
    return _show(here)


@router.post(_PAGE)
def add(here: Running) -> Response:
    """Make a key and show it this one time."""
    form = here.form
    try:
        expires = form.text("expires")
        zone, region = here.desk.zone, here.desk.region
        until = parse_moment(expires, zone, what=marked("the end of the key"), region=region) if expires else None
        wanted = NewKey(name=form.text("name"), scopes=form.all("scopes"), expires_at=until, made_by=here.who.name)
        with here.writing() as session:
            key = add_key(session, here.desk, wanted)
    except InputError as error:
        return _show(here, status=400, problems=error.problems)
    return _show(here, key=key)


@router.post("/staff/settings/programs/revoke")
def revoke(here: Running) -> Response:
    """Let a key hold no more."""
    with here.writing() as session:
        revoke_key(session, here.desk, here.form.text("name"))
    return go(_PAGE)


def _show(here: Here, *, status: int = 200, key: str = "", problems: tuple[str, ...] = ()) -> Response:
    with here.reading() as session:
        found = list_keys(session, here.desk)
    sent = {"name": here.form.text("name"), "expires": here.form.text("expires"), "scopes": here.form.all("scopes")}
    typed: dict[str, Any] = {} if key else sent
    return here.show("programs.html", status=status, keys=found, allows=ALLOWS, key=key, problems=problems, typed=typed)
