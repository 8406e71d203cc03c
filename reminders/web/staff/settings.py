"""What whoever runs the practice's program sees and does: settings, duty list, people and roles, a test message."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.desk import staff
from reminders.desk.blamed import blame
from reminders.desk.roles import Right, Role
from reminders.desk.staff import Newcomer
from reminders.desk.try_transport import send_test
from reminders.errors import InputError, StateError
from reminders.records import staff as rows
from reminders.web.forms import go
from reminders.web.staff.here import Here, Number, acts

router = APIRouter()
Looking = Annotated[Here, acts(right=Right.RUN_PRACTICE)]
Running = Annotated[Here, acts(right=Right.RUN_PRACTICE)]
_PAGE = "/staff/settings"


@router.get(_PAGE)
def settings(here: Looking, done: str = "") -> Response:
    """Show the settings."""
    return _show(here, done=done)


@router.post("/staff/settings/test")
def test(here: Running) -> Response:
    """Send a test message."""
    try:
        with here.writing() as session:
            send_test(session, here.desk, here.form.text("address"), by=here.who.name)
    except InputError as error:
        return _show(here, status=400, problems=blame("address", error.problems), address=here.form.text("address"))
    return go(f"{_PAGE}?done=test")


@router.post("/staff/settings/people")
def invite(here: Running) -> Response:
    """Invite somebody; their link is shown once."""
    form = here.form
    newcomer = Newcomer(
        login=form.text("login"), name=form.text("name"), roles=form.all("roles"), license=form.text("license")
    )
    try:
        with here.writing() as session:
            _, token = staff.invite(session, here.desk, newcomer)
    except InputError as error:
        return _show(here, status=400, problems=error.problems, typed=newcomer)
    return _show(here, link=f"{_base(here)}/staff/welcome/{token}", whose=newcomer.name)


@router.post("/staff/settings/people/{staff_id}/link")
def new_link(here: Running, staff_id: Number) -> Response:
    """Give somebody a new link, in place of a password that was lost."""
    try:
        with here.writing() as session:
            token = staff.invite_again(session, here.desk, staff_id)
            member = rows.member_of(session, staff_id)
    except StateError as error:
        return _show(here, status=409, problems=(str(error),))
    return _show(here, link=f"{_base(here)}/staff/welcome/{token}", whose=member.name if member else "")


@router.post("/staff/settings/people/{staff_id}/roles")
def set_roles(here: Running, staff_id: Number) -> Response:
    """Give somebody other roles."""
    roles, license_number = here.form.all("roles"), here.form.text("license")
    try:
        with here.writing() as session:
            staff.set_roles(session, here.desk, staff_id, roles, license_number=license_number)
    except (InputError, StateError) as error:
        tried = {"id": staff_id, "roles": roles, "license": license_number}
        return _show(here, status=400, problems=(str(error),), tried=tried)
    return go(f"{_PAGE}?done=roles")


@router.post("/staff/settings/people/{staff_id}/let-go")
def let_go(here: Running, staff_id: Number) -> Response:
    """Close somebody's access."""
    try:
        with here.writing() as session:
            staff.let_go(session, here.desk, staff_id)
    except StateError as error:
        return _show(here, status=409, problems=(str(error),))
    return go(f"{_PAGE}?done=gone")


def _show(here: Here, *, status: int = 200, **more: Any) -> Response:
    with here.reading() as session:
        people = rows.members(session, here.desk.practice_id)
    config = here.site.app.config
    values = {
        "config": config,
        "people": people,
        "roles": tuple(Role),
        "done": "",
        "problems": (),
        "link": "",
        "whose": "",
        "typed": Newcomer(login="", name="", roles=()),
        "tried": None,
        "address": "",
        "on_duty": here.desk.duty.on_duty(here.desk.clock.now()),
        "weekdays": config.practice.opening_hours.model_dump(exclude={"closed_on"}),
    }
    return here.show("settings.html", status=status, **{**values, **more})


def _base(here: Here) -> str:
    web = here.site.web
    return web.address or str(here.request.base_url).rstrip("/")
