"""The practice's settings as forms: what is wrong stands beside its field, every change is kept and can be put back."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter
from fastapi.responses import Response

from reminders.care.quiet_hours import WEEKDAYS
from reminders.config_site import KEYS, SettingFaults, values_of
from reminders.desk.roles import Right
from reminders.desk.settings import Edit, back_to_file, change_settings, changes, last_change, origins, put_back
from reminders.errors import NotFound, StateError
from reminders.records.counts import waiting_messages
from reminders.web.forms import go, row_number
from reminders.web.staff.here import Here, Number, acts
from reminders.web.staff.setting_forms import people_rows, shift_rows, values_in

router = APIRouter()
Running = Annotated[Here, acts(right=Right.RUN_PRACTICE)]
_PAGE = "/staff/settings"


@router.get("/staff/settings/changes")
def history(here: Running, done: str = "") -> Response:
    """Show every change of the settings, with who made it, and the way back."""
    return _show_history(here, done=done)


@router.post("/staff/settings/changes/{version}/put-back")
def put_back_change(here: Running, version: Number) -> Response:
    """Make a section what it was after a change."""
    try:
        with here.writing() as session:
            put_back(session, here.desk, here.site.app.written, version, by=here.who.name)
    except SettingFaults as error:
        faults = tuple(f"{path}: {fault}" for path, fault in error.faults.items())
        return _show_history(here, status=400, problems=faults)
    here.site.keep_up()
    return go(f"{_PAGE}/changes?done=back")


@router.get("/staff/settings/{section}")
def form(here: Running, section: str, done: str = "") -> Response:
    """Show a section to change it."""
    return _show(here, _known(section), values_of(here.site.app.config, section), done=done)


@router.post("/staff/settings/{section}/change")
def change(here: Running, section: str) -> Response:
    """Store a section as it was typed, or show what is wrong with it."""
    values = values_in(_known(section), here.form)
    seen = row_number(here.form.text("seen")) or 0
    try:
        with here.writing() as session:
            edit = Edit(section=section, values=values, by=here.who.name)
            change_settings(session, here.desk, here.site.app.written, edit, seen=seen)
    except SettingFaults as error:
        return _show(here, section, values, status=400, faults=error.faults)
    except StateError as error:
        return _show(here, section, values, status=409, problems=(str(error),))
    here.site.keep_up()
    return go(f"{_PAGE}/{section}?done=saved")


@router.post("/staff/settings/{section}/to-file")
def to_file(here: Running, section: str) -> Response:
    """Make a section what the configuration file says."""
    with here.writing() as session:
        back_to_file(session, here.desk, _known(section), by=here.who.name)
    here.site.keep_up()
    return go(f"{_PAGE}/changes?done=back")


def _known(section: str) -> str:
    if section not in KEYS:
        raise NotFound("there is no such section")
    return section


def _show(here: Here, section: str, typed: dict[str, Any], *, status: int = 200, **more: Any) -> Response:
    with here.reading() as session:
        seen = last_change(session, here.desk.practice_id, section)
        origin = origins(session, here.desk.practice_id)[section]
        waiting = waiting_messages(session, here.desk.practice_id)
    values = {
        "section": section,
        "typed": typed,
        "seen": seen,
        "origin": origin,
        "waiting": waiting,
        "weekdays": WEEKDAYS,
        "people": people_rows(typed) if section == "duty" else (),
        "shifts": shift_rows(typed) if section == "duty" else (),
        "faults": {},
        "problems": (),
        "done": "",
    }
    return here.show(f"settings_{section}.html", status=status, **{**values, **more})


def _show_history(here: Here, *, status: int = 200, **more: Any) -> Response:
    with here.reading() as session:
        found = changes(session, here.site.app.written)
    values = {"changes": found, "weekdays": WEEKDAYS, "done": "", "problems": ()}
    return here.show("settings_changes.html", status=status, **{**values, **more})
