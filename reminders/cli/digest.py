"""`reminders digest`: who is where in their course, who is silent, what is open."""

from __future__ import annotations

from typing import Any

import click

from reminders.care.timing import as_text
from reminders.cli.json_output import print_json
from reminders.cli.options import about_to_show, json_option, opened
from reminders.cli.terminal import line, short_when, show_rows, table
from reminders.desk.digest import Digest, DigestConcern, DigestCourse, make_digest
from reminders.desk.trail import Action
from reminders.words import gettext, marked

_HEADINGS = (marked("Enrollment"), marked("Patient"), marked("Procedure"), marked("Day"), marked("Left"))


@click.command(epilog="\b\nExamples:\n  reminders digest\n  reminders digest --json\n")
@json_option
@click.pass_context
def digest(ctx: click.Context, as_json: bool) -> None:
    """Show every running course with its day, who is silent, and what is open.

    By e-mail the person on duty gets the same each morning, with numbers in place of names.
    """
    app = opened(ctx)
    with app.database.reading() as session:
        found = make_digest(session, app.desk)
    looks = ((each.patient_id, f"enrollment {each.enrollment_id}") for each in found.courses)
    about_to_show(app, Action.TODAY_SEE, *looks)
    if as_json:
        print_json(_as_json(found, app.config.zone))
        return
    show_rows(
        table(
            *(gettext(heading) for heading in _HEADINGS),
            (gettext("State"), {"ratio": 1}),
        ),
        (
            [str(each.enrollment_id), each.patient, each.procedure, str(each.day), str(each.waiting), _state(each)]
            for each in found.courses
        ),
    )
    if found.tasks:
        show_rows(
            table(
                (gettext("Comes up"), {"no_wrap": True}),
                gettext("Enrollment"),
                (gettext("Task for staff"), {"ratio": 1}),
            ),
            ([short_when(each.due_at, app.config.zone), str(each.enrollment_id), each.says] for each in found.tasks),
        )
    overdue = sum(each.is_overdue for each in found.concerns)
    said = gettext(
        "{courses} courses run, {silent} silent; {concerns} concerns open, {overdue} of them overdue.",
        courses=len(found.courses),
        silent=len(found.silent),
        concerns=len(found.concerns),
        overdue=overdue,
    )
    line(said, style="bold")


def _state(course: DigestCourse) -> str:
    said = []
    if course.concerns:
        said.append(gettext("concern {id}", id=", ".join(map(str, course.concerns))))
    if course.silent_since is not None:
        said.append(gettext("silent since {when}", when=short_when(course.silent_since, course.zone)))
    if course.is_paused:
        said.append(gettext("paused"))
    if course.failed:
        said.append(gettext("{number} failed", number=course.failed))
    return "; ".join(said)


def _as_json(found: Digest, zone: Any) -> dict[str, Any]:
    return {
        "at": as_text(found.at, zone),
        "courses": [
            {
                "enrollment": each.enrollment_id,
                "name": each.patient,
                "procedure": each.procedure,
                "day": each.day,
                "last_message_at": as_text(each.last_on, each.zone),
                "waiting": each.waiting,
                "failed": each.failed,
                "paused": each.is_paused,
                "silent_since": as_text(each.silent_since, each.zone),
                "concerns": list(each.concerns),
            }
            for each in found.courses
        ],
        "concerns": [_concern_as_json(each, zone) for each in found.concerns],
        "tasks": [
            {"enrollment": each.enrollment_id, "says": each.says, "due_at": as_text(each.due_at, zone)}
            for each in found.tasks
        ],
    }


def _concern_as_json(each: DigestConcern, zone: Any) -> dict[str, Any]:
    return {
        "id": each.id,
        "urgency": each.urgency,
        "kind": each.kind,
        "enrollment": each.enrollment_id,
        "due_at": as_text(each.due_at, zone),
        "overdue": each.is_overdue,
        "taken_by": each.taken_by,
    }
